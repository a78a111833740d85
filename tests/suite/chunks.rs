//! The same samples give the same run, however they are cut into chunks and on however many
//! threads.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failed step fails the test"
)]

use std::collections::VecDeque;

use loopwork::notice::Error;
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::{
    Chunk, Closing, Layout, Recording, SampleStream, Segment, StatedSigns, Understanding,
};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

/// Chunks held in memory as a stream.
struct Held {
    understanding: Understanding,
    chunks: VecDeque<Chunk>,
}

impl SampleStream for Held {
    fn understanding(&self) -> &Understanding {
        &self.understanding
    }
    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        Ok(self.chunks.pop_front())
    }
    fn closing(&mut self) -> Closing {
        Closing::default()
    }
}

/// Two segments: a ladder with ramps, noise, spikes and a pause, sampled densely; then a
/// coarse one. Velocity has holes.
fn samples() -> Vec<Chunk> {
    let mut state = 1_u64;
    let mut noise = move || {
        state = state
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1);
        (state >> 40) as f64 / f64::from(1 << 24) - 0.5
    };
    let mut segments = Vec::new();
    for (rate, speeds) in [
        (
            6000.0,
            vec![
                (0.6, 7),
                (1.5, 9),
                (0.0, 1),
                (3.0, 12),
                (5.0, 12),
                (7.0, 14),
            ],
        ),
        (240.0, vec![(0.8, 12), (2.0, 20), (4.0, 30)]),
    ] {
        let mut chunk = Chunk {
            starts_segment: Some(Segment::default()),
            ..Chunk::default()
        };
        let mut phase = 0.0_f64;
        for (hz, cycles) in speeds {
            let rows = if hz > 0.0 {
                f64::from(cycles) / hz * rate
            } else {
                0.7 * rate
            };
            for _ in 0..rows as usize {
                let (sin, cos) = (std::f64::consts::TAU * phase).sin_cos();
                let v = 0.025 * std::f64::consts::TAU * hz * sin;
                let i = chunk.time.len();
                chunk.time.push(i as f64 / rate);
                chunk.travel.push(-0.025 * cos + 4e-6 * noise());
                let damping = if v > 0.0 { 1500.0 } else { 2400.0 };
                let spike = if i % 7919 == 500 { 3000.0 } else { 0.0 };
                chunk.force.push(
                    200.0 - 2000.0 * 0.025 * cos
                        + 30.0 * (v / 0.003).tanh()
                        + damping * v
                        + spike
                        + noise(),
                );
                chunk
                    .velocity
                    .push(if i % 9001 == 70 { f64::NAN } else { v });
                chunk.temperature.push(20.0 + 1e-4 * i as f64);
                phase = (phase + hz / rate).fract();
            }
        }
        segments.push(chunk);
    }
    segments
}

fn cut(segments: &[Chunk], mut size: impl FnMut() -> usize) -> VecDeque<Chunk> {
    let mut out = VecDeque::new();
    for segment in segments {
        let mut from = 0;
        while from < segment.len() {
            let to = (from + size()).min(segment.len());
            out.push_back(Chunk {
                starts_segment: segment.starts_segment.clone().filter(|_| from == 0),
                time: segment.time[from..to].to_vec(),
                travel: segment.travel[from..to].to_vec(),
                force: segment.force[from..to].to_vec(),
                velocity: segment.velocity[from..to].to_vec(),
                temperature: segment.temperature[from..to].to_vec(),
                pressure: Vec::new(),
            });
            from = to;
        }
    }
    out
}

fn run(chunks: VecDeque<Chunk>, threads: usize) -> serde_json::Value {
    let stream = Held {
        understanding: Understanding {
            layout: Layout::TimeSeries,
            channels: Vec::new(),
            signs: StatedSigns::default(),
            metadata: std::collections::BTreeMap::default(),
        },
        chunks,
    };
    let pool = rayon::ThreadPoolBuilder::new()
        .num_threads(threads)
        .build()
        .unwrap();
    let run = pool.install(|| analyse(Recording::Samples(Box::new(stream)), &Settings::default()));
    serde_json::to_value(run.unwrap_or_else(|e| panic!("{e}"))).unwrap()
}

/// Every number within 1e-9 relative, everything else equal.
fn same(a: &serde_json::Value, b: &serde_json::Value, place: &str) -> Result<(), String> {
    use serde_json::Value;
    match (a, b) {
        (Value::Number(x), Value::Number(y)) => {
            let (x, y) = (x.as_f64().unwrap(), y.as_f64().unwrap());
            let near = (x - y).abs() <= 1e-9 * x.abs().max(y.abs());
            if near {
                Ok(())
            } else {
                Err(format!("{place}: {x} and {y}"))
            }
        }
        (Value::Array(x), Value::Array(y)) if x.len() == y.len() => x
            .iter()
            .zip(y)
            .enumerate()
            .try_for_each(|(i, (x, y))| same(x, y, &format!("{place}[{i}]"))),
        (Value::Object(x), Value::Object(y)) if x.len() == y.len() => {
            x.iter().try_for_each(|(k, x)| {
                same(x, y.get(k).unwrap_or(&Value::Null), &format!("{place}.{k}"))
            })
        }
        (x, y) if x == y => Ok(()),
        (x, y) => Err(format!("{place}: {x} and {y}")),
    }
}

#[test]
fn chunk_size_and_threads_do_not_change_a_number() {
    let segments = samples();
    let whole = run(cut(&segments, || usize::MAX / 2), 1);
    assert_eq!(
        whole["steps"].as_array().map(Vec::len),
        Some(8),
        "{whole:#}"
    );
    let config = ProptestConfig {
        cases: 12,
        failure_persistence: None,
        rng_seed: RngSeed::Fixed(1),
        ..ProptestConfig::default()
    };
    proptest!(config, |(
        sizes in prop::collection::vec(prop_oneof![1..40_usize, 100..5000_usize, 20_000..90_000_usize], 1..12),
        threads in 1..5_usize,
    )| {
        let mut next = sizes.iter().copied().cycle();
        let again = run(cut(&segments, || next.next().unwrap_or(1)), threads);
        if let Err(where_) = same(&whole, &again, "run") {
            return Err(TestCaseError::fail(where_));
        }
    });
}

/// The whole way, from a file of several blocks: reading, parsing, fits.
#[test]
fn the_number_of_threads_does_not_change_a_byte_of_the_json() {
    use std::fmt::Write as _;
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("run.csv");
    let mut text = String::from("time (s),travel (mm),force (N),temperature (C)\n");
    let mut phase = 0.0_f64;
    for i in 0..220_000_u32 {
        let hz = [0.5, 1.0, 2.0, 3.0][(i / 55_000) as usize];
        let (sin, cos) = (std::f64::consts::TAU * phase).sin_cos();
        let v = 157.0 * hz * sin;
        let c = if v > 0.0 { 1.3 } else { 2.2 };
        let noise = f64::from(i.wrapping_mul(2_654_435_761) >> 16) / 65_536.0;
        let _ = writeln!(
            text,
            "{:.4},{:.4},{:.3},{:.2}",
            f64::from(i) / 2000.0,
            -25.0 * cos,
            180.0 - 40.0 * cos + c * v + noise,
            25.0 + f64::from(i) * 1e-4
        );
        phase = (phase + hz / 2000.0).fract();
    }
    // Two of the reader's blocks, so that pieces are parsed side by side.
    assert!(text.len() > 5 << 20, "{}", text.len());
    std::fs::write(&path, text).unwrap();
    let json = |threads: &str| {
        let out = crate::support::loopwork()
            .args(["analyze", "--no-report", "--quiet", "--json", "-"])
            .arg(&path)
            .env("RAYON_NUM_THREADS", threads)
            .output()
            .unwrap();
        assert_eq!(out.status.code(), Some(0));
        out.stdout
    };
    let one = json("1");
    let run: serde_json::Value = serde_json::from_slice(&one).unwrap();
    assert_eq!(run["steps"].as_array().map(Vec::len), Some(4));
    for threads in ["2", "4"] {
        assert!(json(threads) == one, "{threads} threads");
    }
}
