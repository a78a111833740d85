//! Coverage through the whole analysis: samples in, intervals out, with a punctual and with a
//! late force channel. Every run draws its own damper, noise and seed.

use std::fmt::Write as _;

use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::Recording;
use loopwork::simulate::{from_toml, run};
use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

/// Runs of each kind. 160 put the standard error of a coverage of 95 % at 1.7 %.
const RUNS: usize = 160;

#[derive(Debug, Clone, Copy, Default)]
struct Hits {
    knee: bool,
    knee_close: bool,
    found: bool,
    gas: bool,
    friction: bool,
    lag: bool,
    rest_close: bool,
}

fn one(index: usize, delay_ms: f64) -> Hits {
    let mut rng = ChaCha8Rng::seed_from_u64(900 + index as u64);
    let mut between = |low: f64, high: f64| low + (high - low) * rng.random::<f64>();
    let knee = between(0.1, 0.25);
    let low = between(2000.0, 5000.0);
    let high = low / between(2.5, 5.0);
    let (gas, stiffness, friction) = (between(60.0, 350.0), between(0.2, 1.2), between(10.0, 60.0));
    let noise = between(0.1, 0.3);
    let mut spec = format!(
        "seed = {index}\nmodel = \"analytic\"\n[analytic]\ngas_force_n = {gas}\ngas_stiffness_n_mm = {stiffness}\n"
    );
    for side in ["compression", "rebound"] {
        let _ = write!(
            spec,
            "[analytic.{side}]\nslopes_n_s_m = [{low}, {high}]\nknees_m_s = [{knee}]\n"
        );
    }
    let _ = write!(
        spec,
        "[friction]\nsliding_n = {friction}\n[thermal]\nenabled = false\n[motion]\nrate_hz = 500.0\ncycles = 4\n\
         slow_cycles = 3\nstroke_mm = 50.0\nspeeds_mm_s = [40.0, 80.0, 120.0, 170.0, 230.0, 300.0, 400.0, 550.0, \
         750.0, 1000.0]\n[sensors]\nforce_noise_percent = {noise}\nforce_full_scale_n = 2500.0\n\
         force_delay_ms = {delay_ms}\n"
    );
    let made = run(&from_toml(&spec, "study").unwrap()).unwrap();
    let result = analyse(
        Recording::Samples(Box::new(made.stream())),
        &Settings::default(),
    )
    .unwrap();
    let fit = result.fits.rebound.as_ref().unwrap();
    let statics = result.statics.as_ref().unwrap();
    let holds =
        |ci: Option<[f64; 2]>, truth: f64| ci.is_some_and(|c| c[0] <= truth && truth <= c[1]);
    let first = fit.knees.first();
    let close = |v: Option<f64>, truth: f64| {
        v.is_some_and(|v| (v - truth).abs() <= (0.05 * truth).max(3.0))
    };
    Hits {
        found: fit.model == "digressive",
        knee: holds(first.map(|k| k.ci95_m_s), knee),
        knee_close: first.is_some_and(|k| (k.velocity_m_s / knee - 1.0).abs() <= 0.05),
        gas: holds(statics.ci95.gas_force_n, gas),
        friction: holds(statics.ci95.friction_n, friction),
        rest_close: close(statics.gas_force_n, gas) && close(statics.friction_n, friction),
        lag: statics
            .force_lag_s
            .map_or(delay_ms == 0.0, |lag| (lag - delay_ms * 1e-3).abs() < 3e-4),
    }
}

fn percent(all: &[Hits], of: impl Fn(&Hits) -> bool) -> f64 {
    100.0 * all.iter().filter(|h| of(h)).count() as f64 / all.len() as f64
}

#[test]
fn intervals_hold_the_truth_with_and_without_a_late_force_channel() {
    println!(
        "delay   runs  digressive  knee in CI  knee 5 %  gas in CI  friction in CI  rest 5 %/3 N  lag 0.3 ms"
    );
    for delay_ms in [0.0, 1.5] {
        let all: Vec<Hits> = (0..RUNS)
            .into_par_iter()
            .map(|i| one(i, delay_ms))
            .collect();
        let row = [
            percent(&all, |h| h.found),
            percent(&all, |h| h.knee),
            percent(&all, |h| h.knee_close),
            percent(&all, |h| h.gas),
            percent(&all, |h| h.friction),
            percent(&all, |h| h.rest_close),
            percent(&all, |h| h.lag),
        ];
        println!(
            "{delay_ms:3.1} ms {RUNS:6} {:11.1} {:11.1} {:9.1} {:10.1} {:15.1} {:13.1} {:11.1}",
            row[0], row[1], row[2], row[3], row[4], row[5], row[6]
        );
        assert!(row[0] >= 95.0, "digressive found in {} %", row[0]);
        for (what, covered) in [
            ("knee", row[1]),
            ("gas force", row[3]),
            ("friction", row[4]),
        ] {
            assert!(
                covered >= 90.0,
                "{what}: {covered} % covered at {delay_ms} ms"
            );
        }
        assert!(
            row[5] >= 95.0,
            "gas force and friction within 5 % or 3 N in {} %",
            row[5]
        );
    }
}
