//! How often the heat analysis is right: capacity, cooling, change per degree over many
//! synthetic runs, and bounded memory over a million cycles.
//!
//! `cargo test --test studies heat -- --nocapture` prints the tables.
#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, not only tests, unwrap"
)]

use loopwork::heat::{Measured, ThermalLog};
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::{Chunk, Recording, Segment};
use loopwork::simulate::{Model, Spec, run};
use loopwork::steps::{StepBuilder, StepSettings};
use rayon::prelude::*;
use std::f64::consts::TAU;

/// Runs of the study.
const RUNS: usize = 200;
/// Number of the first; the method was tuned on others.
const FIRST: usize = 5000;

/// A different damper, test and sensor for every number.
fn spec(i: usize) -> Spec {
    let pick = |k: usize, n: usize| (i.wrapping_mul(2_654_435_761) >> (3 * k)) % n;
    let mut spec = Spec {
        model: Model::Analytic,
        seed: 1000 + i as u64,
        ..Spec::default()
    };
    spec.motion.speeds_mm_s = vec![150.0, [400.0, 500.0, 700.0][pick(0, 3)], 150.0];
    spec.motion.cycles_of_each = vec![6, [120, 220, 350][pick(1, 3)], 6];
    spec.motion.rate_hz = 120.0;
    spec.motion.steps_per_cycle = 120;
    spec.motion.start_pause_s = 5.0;
    spec.motion.end_pause_s = [60.0, 120.0, 240.0][pick(2, 3)];
    spec.thermal.enabled = true;
    spec.thermal.start_c = [15.0, 22.0, 30.0][pick(3, 3)];
    spec.thermal.air_c = spec.thermal.start_c;
    spec.thermal.oil_kg = [0.15, 0.25, 0.35][pick(4, 3)];
    spec.thermal.metal_kg = [0.5, 0.9, 1.4][pick(5, 3)];
    spec.thermal.cooling_w_per_k = [1.0, 2.0, 4.0][pick(6, 3)];
    spec.thermal.fade_percent_per_c = [0.1, 0.2, 0.3][pick(7, 3)];
    spec.sensors.force_full_scale_n = 5000.0;
    spec.sensors.force_noise_percent = 0.2;
    spec.sensors.temperature_lag_s = [0.0, 3.0, 8.0][pick(8, 3)];
    spec.sensors.temperature_noise_c = [0.02, 0.1, 0.3][pick(9, 3)];
    spec
}

#[derive(Debug, Default)]
struct Score {
    told: usize,
    within: usize,
    covered: usize,
    worst: f64,
}

impl Score {
    fn of(found: &[(Option<Measured>, f64)], within: f64) -> Self {
        let mut out = Self::default();
        for (m, truth) in found {
            let Some(m) = m else { continue };
            let off = (m.value / truth - 1.0).abs();
            out.told += 1;
            out.within += usize::from(off <= within);
            out.covered += usize::from(m.ci95.is_some_and(|[a, b]| a <= *truth && *truth <= b));
            out.worst = out.worst.max(off);
        }
        out
    }
}

#[test]
fn capacity_cooling_and_change_per_degree_over_many_dampers() {
    type Found = [(Option<Measured>, f64); 5];
    let all: Vec<Found> = (0..RUNS)
        .into_par_iter()
        .map(|i| {
            let made = run(&spec(FIRST + i)).unwrap();
            let truth = &made.truth;
            let (c, tau, fade) = (
                truth.heat_capacity_j_k,
                truth.cooling_time_s,
                -truth.fade_percent_per_c,
            );
            let run = analyse(
                Recording::Samples(Box::new(made.stream())),
                &Settings::default(),
            )
            .unwrap();
            let t = run.heat.unwrap().temperature.unwrap();
            let s = t.sensitivity.unwrap_or_default();
            [
                (t.heat_capacity_j_k, c),
                (t.cooling_time_s, tau),
                (s.compression_percent_per_c, fade),
                (s.rebound_percent_per_c, fade),
                (s.heat_percent_per_c, fade),
            ]
        })
        .collect();
    let names = [
        "heat capacity",
        "time constant",
        "compression %/°C",
        "rebound %/°C",
        "heat %/°C",
    ];
    // Noise and span decide how well the change per °C can be told: its interval is what
    // counts.
    let limits = [0.05, 0.10, f64::INFINITY, f64::INFINITY, f64::INFINITY];
    println!("{RUNS} runs: told, within the bound, interval holds the truth, worst");
    for (k, name) in names.iter().enumerate() {
        let column: Vec<_> = all.iter().map(|f| f[k]).collect();
        let s = Score::of(&column, limits[k]);
        println!(
            "{name:>18}: {:3} {:3} {:3}  {:.2} %",
            s.told,
            s.within,
            s.covered,
            100.0 * s.worst
        );
    }
    for (k, name) in names.iter().enumerate() {
        let column: Vec<_> = all.iter().map(|f| f[k]).collect();
        let s = Score::of(&column, limits[k]);
        assert!(s.told * 10 >= RUNS * 9, "{name}: {s:?}");
        assert_eq!(s.within, s.told, "{name}: {s:?}");
        let covered = 100.0 * s.covered as f64 / s.told as f64;
        assert!((90.0..=99.0).contains(&covered), "{name}: {covered} %");
    }
}

/// A million cycles of sixteen samples pass through the log, and as cycles through the steps,
/// in bounded memory; heat and its fall over the cycles are right. The first of them are cut
/// from the samples; the rest are made like those, since a cycle cut is a cycle forgotten.
#[test]
fn a_million_cycles_stay_bounded() {
    const CYCLES: u64 = 1_000_000;
    const CUT: u64 = 32 * 1024;
    const BLOCK: u64 = 4096;
    const PER: usize = 16;
    let at = |i: usize| TAU * (i as f64 / PER as f64 + 0.013);
    let shape: Vec<(f64, f64)> = (0..PER)
        .map(|i| (-0.025 * at(i).cos(), at(i).sin()))
        .collect();
    // Force falls by a tenth over the run.
    let force = |n: f64| 1000.0 * (1.0 - 0.1 * n / CYCLES as f64);
    let warmth = |n: f64| 20.0 + 30.0 * n / CYCLES as f64;
    let mut log = ThermalLog::new();
    let mut finder = loopwork::cycles::CycleFinder::new();
    let mut builder = StepBuilder::new(StepSettings::default());
    let mut last = None;
    let mut done = 0_u64;
    while done < CYCLES {
        let now = BLOCK.min(CYCLES - done);
        let mut chunk = Chunk {
            starts_segment: (done == 0).then(Segment::default),
            ..Chunk::default()
        };
        for cycle in done..done + now {
            for (i, (travel, part)) in shape.iter().enumerate() {
                let n = cycle as f64 + i as f64 / PER as f64;
                chunk.time.push(n);
                chunk.travel.push(*travel);
                chunk.force.push(force(n) * part);
                chunk.temperature.push(warmth(n));
            }
        }
        log.push(&chunk);
        if done < CUT {
            for cycle in finder.push(&chunk) {
                last = Some(cycle.clone());
                builder.push(cycle);
            }
        }
        done += now;
    }
    log.finish();
    let last = last.unwrap();
    assert!(last.index > CUT - 10, "{}", last.index);
    let before = force(last.index as f64);
    for index in last.index + 1..CYCLES {
        let mut next = last.clone();
        let n = index as f64;
        next.index = index;
        next.start_s += (index - last.index) as f64;
        next.force.iter_mut().for_each(|f| *f *= force(n) / before);
        next.temperature_c = Some((warmth(n), warmth(n)));
        builder.push(next);
    }
    let steps = builder.finish().steps;
    assert_eq!(steps.len(), 1);
    assert!(steps[0].cycles > CYCLES - 10, "{}", steps[0].cycles);
    assert!(steps[0].series.len() <= 2100, "{}", steps[0].series.len());
    assert!(log.bins().len() <= 4096);
    let exact = std::f64::consts::PI * 1000.0 * 0.025 * 0.95;
    assert!((steps[0].energy_per_cycle_j.mean / exact - 1.0).abs() < 2e-3);
    let whole = exact * CYCLES as f64;
    assert!((log.work_j() / whole - 1.0).abs() < 2e-3);
    // Early and late blocks show the fall.
    let (early, late) = (steps[0].series.first(), steps[0].series.last());
    let fall = late.unwrap().energy_j / early.unwrap().energy_j;
    assert!((fall - 0.9).abs() < 2e-3, "{fall}");
}
