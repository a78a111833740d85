//! The stages after reading, one by one: samples in memory → reversals → cycles → steps →
//! curves → fits → a run. `cargo bench --no-default-features --bench stages`.
//!
//! Throughput is per sample, so that stages can be compared with each other and with the
//! time a reader needs for a row. `benches/README.md` says how to measure a whole command.

#![allow(
    missing_docs,
    clippy::unwrap_used,
    reason = "a bench is no interface, and may stop at the first mistake"
)]

use std::collections::BTreeMap;
use std::hint::black_box;

use criterion::{BatchSize, Criterion, Throughput, criterion_group, criterion_main};
use loopwork::curves::{FullCycleSettings, curve};
use loopwork::cycles::{Cycle, CycleFinder, ReversalFinder};
use loopwork::fits::{FitSettings, fit_curve};
use loopwork::notice::Error;
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::{
    Chunk, Closing, Layout, Recording, SampleStream, Segment, StatedSigns, Understanding,
};
use loopwork::statics::{JointSettings, statics};
use loopwork::statistics::Resampling;
use loopwork::steps::{StepBuilder, StepSettings};

const RATE_HZ: f64 = 1000.0;
const SECONDS_PER_STEP: f64 = 20.0;

/// Ten speeds of twenty seconds at 1 kHz: 200 000 samples of a digressive damper with noise.
fn ladder() -> Chunk {
    let mut chunk = Chunk {
        starts_segment: Some(Segment::default()),
        ..Chunk::default()
    };
    let mut state = 1_u64;
    let mut noise = move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 40) as f64 / f64::from(1 << 24) - 0.5
    };
    let mut phase = 0.0_f64;
    for hz in [0.25, 0.5, 0.75, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0] {
        for _ in 0..(RATE_HZ * SECONDS_PER_STEP) as usize {
            let (sin, cos) = (std::f64::consts::TAU * phase).sin_cos();
            let v = 0.025 * std::f64::consts::TAU * hz * sin;
            let speed = v.abs();
            let law = 4000.0 * speed.min(0.12) + 1100.0 * (speed - 0.12).max(0.0);
            let side = if v > 0.0 { 1.0 } else { -1.6 };
            chunk.time.push(chunk.time.len() as f64 / RATE_HZ);
            chunk.travel.push(-0.025 * cos + 2e-6 * noise());
            chunk
                .force
                .push(220.0 - 45.0 * cos + 25.0 * (v / 0.002).tanh() + side * law + 4.0 * noise());
            phase = (phase + hz / RATE_HZ).fract();
        }
    }
    chunk
}

struct Held {
    understanding: Understanding,
    chunk: Option<Chunk>,
}

impl SampleStream for Held {
    fn understanding(&self) -> &Understanding {
        &self.understanding
    }
    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        Ok(self.chunk.take())
    }
    fn closing(&mut self) -> Closing {
        Closing::default()
    }
}

fn held(chunk: Chunk) -> Recording {
    Recording::Samples(Box::new(Held {
        understanding: Understanding {
            layout: Layout::TimeSeries,
            channels: Vec::new(),
            signs: StatedSigns::default(),
            metadata: BTreeMap::new(),
        },
        chunk: Some(chunk),
    }))
}

fn cycles_of(chunk: &Chunk) -> Vec<Cycle> {
    let mut finder = CycleFinder::new();
    let mut cycles = finder.push(chunk);
    cycles.extend(finder.finish());
    cycles
}

fn stages(c: &mut Criterion) {
    let chunk = ladder();
    let cycles = cycles_of(&chunk);
    let build = |cycles: Vec<Cycle>| {
        let mut builder = StepBuilder::new(StepSettings::default());
        cycles.into_iter().for_each(|cycle| builder.push(cycle));
        builder.finish().steps
    };
    let steps = build(cycles.clone());
    let rest = statics(&steps, &JointSettings::default(), None);
    let found = curve(&steps, &rest.level(), &FullCycleSettings::default());

    let mut group = c.benchmark_group("per sample");
    group.throughput(Throughput::Elements(chunk.len() as u64));
    group.bench_function("reversals", |b| {
        b.iter(|| {
            let mut finder = ReversalFinder::new(1e-6, 0.0);
            let mut out = Vec::new();
            finder.push_all(&chunk.time, &chunk.travel, &mut out);
            finder.finish(&mut out);
            out
        });
    });
    group.bench_function("cycles", |b| b.iter(|| cycles_of(black_box(&chunk))));
    group.bench_function("steps", |b| {
        b.iter_batched(|| cycles.clone(), build, BatchSize::LargeInput);
    });
    group.bench_function("whole run, single thread", |b| {
        let pool = rayon::ThreadPoolBuilder::new()
            .num_threads(1)
            .build()
            .unwrap();
        b.iter_batched(
            || held(chunk.clone()),
            |recording| pool.install(|| analyse(recording, &Settings::default()).unwrap()),
            BatchSize::LargeInput,
        );
    });
    group.finish();

    let mut group = c.benchmark_group("per run");
    group.bench_function("statics", |b| {
        b.iter(|| statics(black_box(&steps), &JointSettings::default(), None));
    });
    group.bench_function("curve", |b| {
        b.iter(|| {
            curve(
                black_box(&steps),
                &rest.level(),
                &FullCycleSettings::default(),
            )
        });
    });
    group.bench_function("fits", |b| {
        b.iter(|| {
            fit_curve(
                black_box(&found),
                rest.loops.as_deref(),
                &FitSettings::default(),
                Resampling::default(),
            )
        });
    });
    group.finish();
}

criterion_group!(benches, stages);
criterion_main!(benches);
