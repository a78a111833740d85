//! From samples to numbers against laws known exactly: heat, forces, knees, slopes, gas
//! force and friction; clean and with noise, lag, a crank, corners, few samples.
//!
//! The heat of a two-slope damper is also held against its closed form, so that the
//! simulator is not the only witness: with V = ωX and cos p = v_k/V,
//! `E = 2 F0 X + (π/2) c2 V X + (c1 − c2) V X (π/2 − p + sin p cos p)` for one direction
//! (elementary; value by quadrature elsewhere).

use std::fmt::Write as _;

use loopwork::fits::Fit;
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::Recording;
use loopwork::run::Run;
use loopwork::simulate::{Simulated, Spec, run};
use loopwork::steps::Motion;

fn simulated(toml: &str) -> (Simulated, Run) {
    let spec: Spec = toml::from_str(toml).unwrap();
    let made = run(&spec).unwrap();
    let recording = Recording::Samples(Box::new(made.stream()));
    let result = analyse(recording, &Settings::default()).unwrap();
    (made, result)
}

const DAMPER: &str = r#"
seed = 3
model = "analytic"
[analytic]
gas_force_n = 250.0
gas_stiffness_n_mm = 0.9
[analytic.compression]
slopes_n_s_m = [1600.0, 500.0]
knees_m_s = [0.2]
[analytic.rebound]
slopes_n_s_m = [4200.0, 900.0]
knees_m_s = [0.12]
[friction]
sliding_n = 40.0
[thermal]
enabled = false
"#;

const LADDER: &str = "[motion]\nstroke_mm = 50.0\ncycles = 5\nslow_cycles = 3\nspeeds_mm_s = [30.0, 60.0, \
                      90.0, 130.0, 180.0, 240.0, 320.0, 420.0, 550.0, 700.0, 850.0, 1000.0]\n";

fn damper(motion: &str, sensors: &str) -> (Simulated, Run) {
    simulated(&format!("{DAMPER}{LADDER}{motion}\n[sensors]\n{sensors}\n"))
}

fn near(what: &str, value: f64, truth: f64, relative: f64, absolute: f64) {
    let allowed = (relative * truth.abs()).max(absolute);
    assert!(
        (value - truth).abs() <= allowed,
        "{what}: {value} for {truth}, allowed ±{allowed}"
    );
}

fn fit(run: &Run, compression: bool) -> &Fit {
    let fits = &run.fits;
    if compression {
        fits.compression.as_ref()
    } else {
        fits.rebound.as_ref()
    }
    .unwrap()
}

/// Knee within 5 %, slopes within 3 %, friction and gas force within 5 % or 3 N.
fn holds_the_law(run: &Run) {
    let c = fit(run, true);
    let r = fit(run, false);
    near("compression knee", c.knees[0].velocity_m_s, 0.2, 0.05, 0.0);
    near("rebound knee", r.knees[0].velocity_m_s, 0.12, 0.05, 0.0);
    for (piece, slope) in c.segments.iter().zip([1600.0, 500.0]) {
        near("compression slope", piece.slope_n_s_m, slope, 0.03, 0.0);
    }
    for (piece, slope) in r.segments.iter().zip([4200.0, 900.0]) {
        near("rebound slope", piece.slope_n_s_m, slope, 0.03, 0.0);
    }
    // Resisting force at the knee, gas and friction in: 1600·0.2 + 250 + 40.
    near(
        "force at the compression knee",
        c.knees[0].force_n,
        610.0,
        0.03,
        0.0,
    );
    near(
        "force at the rebound knee",
        r.knees[0].force_n,
        4200.0 * 0.12 - 250.0 + 40.0,
        0.05,
        0.0,
    );
    holds_at_rest(run);
}

fn holds_at_rest(run: &Run) {
    let s = run.statics.as_ref().unwrap();
    near("gas force", s.gas_force_n.unwrap(), 250.0, 0.05, 3.0);
    near("friction", s.friction_n.unwrap(), 40.0, 0.05, 3.0);
    near(
        "gas stiffness",
        s.gas_stiffness_n_m.unwrap(),
        900.0,
        0.1,
        0.0,
    );
}

#[test]
fn a_clean_run_is_read_to_the_stated_accuracy() {
    let (made, run) = damper(
        "rate_hz = 1000.0",
        "force_noise_percent = 0.0\ntravel_noise_percent = 0.0",
    );
    assert_eq!(run.steps.len(), made.truth.steps.len());
    for (step, truth) in run.steps.iter().zip(&made.truth.steps) {
        near(
            "heat",
            step.energy_per_cycle_j.mean,
            truth.heat_per_cycle_j,
            1e-3,
            0.0,
        );
        near(
            "heat in compression",
            step.energy_per_cycle_j.compression,
            truth.heat_compression_j,
            2e-3,
            0.0,
        );
        near(
            "frequency",
            step.frequency_hz,
            truth.frequency_hz,
            5e-3,
            0.0,
        );
        near("stroke", step.stroke_m, truth.stroke_m, 5e-3, 0.0);
        let scale = truth
            .peak_force_n
            .rebound
            .abs()
            .max(truth.peak_force_n.compression);
        let (force, peak) = (&step.force_at_peak_velocity_n, &step.peak_force_n);
        let at_peak = &truth.force_at_peak_velocity_n;
        near(
            "force at peak speed",
            force.compression.mean,
            at_peak.compression,
            0.0,
            5e-3 * scale,
        );
        near(
            "force at peak speed",
            force.rebound.mean,
            at_peak.rebound,
            0.0,
            5e-3 * scale,
        );
        near(
            "peak force",
            peak.compression,
            truth.peak_force_n.compression,
            5e-3,
            0.0,
        );
        near(
            "peak force",
            peak.rebound,
            truth.peak_force_n.rebound,
            0.0,
            5e-3 * scale,
        );
        let v = &truth.peak_velocity_m_s;
        near(
            "peak speed",
            step.peak_velocity_m_s.compression,
            v.compression,
            5e-3,
            0.0,
        );
    }
    holds_the_law(&run);
}

/// The closed form, not the simulator, is the witness here.
#[test]
fn heat_agrees_with_the_closed_form_of_a_two_slope_damper() {
    let (_, run) = damper(
        "rate_hz = 1000.0",
        "force_noise_percent = 0.0\ntravel_noise_percent = 0.0",
    );
    let x = 0.025;
    let one_way = |v: f64, c1: f64, c2: f64, knee: f64| {
        let p = (knee / v).acos();
        let bend = if v > knee {
            std::f64::consts::FRAC_PI_2 - p + p.sin() * p.cos()
        } else {
            0.0
        };
        let c2 = if v > knee { c2 } else { c1 };
        2.0 * 40.0 * x + std::f64::consts::FRAC_PI_2 * c2 * v * x + (c1 - c2) * v * x * bend
    };
    for step in run.steps.iter().filter(|s| s.stroke_m > 0.04) {
        let v = step.peak_velocity_m_s.compression;
        let exact = one_way(v, 1600.0, 500.0, 0.2) + one_way(v, 4200.0, 900.0, 0.12);
        near("heat", step.energy_per_cycle_j.mean, exact, 1e-3, 0.0);
    }
}

#[test]
fn noise_of_one_percent_leaves_heat_within_half_a_percent() {
    // One percent of the 2.5 kN the load cell is set to.
    let (made, run) = damper(
        "rate_hz = 1000.0",
        "force_noise_percent = 1.0\nforce_full_scale_n = 2500.0\ntravel_noise_percent = 0.01",
    );
    for (step, truth) in run.steps.iter().zip(&made.truth.steps).skip(1) {
        near(
            "heat",
            step.energy_per_cycle_j.mean,
            truth.heat_per_cycle_j,
            5e-3,
            0.0,
        );
    }
    holds_the_law(&run);
}

#[test]
fn a_late_force_channel_does_not_move_the_knee() {
    for delay_ms in [1.0, 2.0] {
        let (_, run) = damper(
            "rate_hz = 1000.0",
            &format!("force_noise_percent = 0.1\nforce_delay_ms = {delay_ms}"),
        );
        let s = run.statics.as_ref().unwrap();
        near("lag", s.force_lag_s.unwrap(), delay_ms * 1e-3, 0.1, 0.0);
        holds_the_law(&run);
    }
}

#[test]
fn a_punctual_force_channel_is_not_given_a_lag() {
    let (_, run) = damper("rate_hz = 1000.0", "force_noise_percent = 0.1");
    let s = run.statics.as_ref().unwrap();
    assert!(
        s.force_lag_s.is_none_or(|lag| lag.abs() < 2e-4),
        "{:?}",
        s.force_lag_s
    );
}

#[test]
fn a_short_rod_does_not_bias_the_curve() {
    let (_, run) = damper(
        "shape = \"crank\"\nrod_ratio = 3.0\nrate_hz = 1000.0",
        "force_noise_percent = 0.1",
    );
    assert!(run.steps.iter().all(|s| s.motion == Motion::Crank));
    holds_the_law(&run);
}

#[test]
fn two_hundred_samples_a_second_are_enough() {
    let (made, run) = damper("rate_hz = 200.0", "force_noise_percent = 0.1");
    for (step, truth) in run.steps.iter().zip(&made.truth.steps) {
        near(
            "heat",
            step.energy_per_cycle_j.mean,
            truth.heat_per_cycle_j,
            5e-3,
            0.0,
        );
    }
    holds_the_law(&run);
}

#[test]
fn without_a_slow_step_rest_forces_are_still_covered_by_their_intervals() {
    let (_, run) = damper(
        "rate_hz = 1000.0\nslow_at = \"none\"",
        "force_noise_percent = 0.1",
    );
    let s = run.statics.as_ref().unwrap();
    assert!(s.method.contains("no slow step"), "{}", s.method);
    near("gas force", s.gas_force_n.unwrap(), 250.0, 0.05, 3.0);
    near("friction", s.friction_n.unwrap(), 40.0, 0.2, 0.0);
    let covered =
        |ci: Option<[f64; 2]>, truth: f64| ci.is_some_and(|c| c[0] <= truth && truth <= c[1]);
    assert!(
        covered(s.ci95.gas_force_n, 250.0),
        "{:?}",
        s.ci95.gas_force_n
    );
    assert!(covered(s.ci95.friction_n, 40.0), "{:?}", s.ci95.friction_n);
}

#[test]
fn constant_speed_strokes_have_their_own_velocity() {
    let (made, run) = damper(
        "shape = \"triangle\"\nrounding = 0.1\nrate_hz = 1000.0\nstart_pause_s = 0.0",
        "force_noise_percent = 0.1",
    );
    for (step, truth) in run.steps.iter().zip(&made.truth.steps) {
        let v = &truth.peak_velocity_m_s;
        near(
            "speed",
            step.peak_velocity_m_s.compression,
            v.compression,
            5e-3,
            0.0,
        );
        near(
            "heat",
            step.energy_per_cycle_j.mean,
            truth.heat_per_cycle_j,
            5e-3,
            0.0,
        );
    }
    let c = fit(&run, true);
    near("compression knee", c.knees[0].velocity_m_s, 0.2, 0.05, 0.0);
}

/// A straight line with dry friction that turns over between two samples (elementary). The
/// speeds next to the reversal are drawn between those samples and must not bend the curve.
#[test]
fn a_straight_line_with_sharp_friction_has_no_knee() {
    let mut text = String::from("time (s),travel (mm),force (N)\n");
    for frequency in [0.5, 1.0, 2.0, 4.0] {
        for i in 0..2000 {
            let t = f64::from(i) / 500.0;
            let phase = std::f64::consts::TAU * frequency * t;
            let v = 0.025 * std::f64::consts::TAU * frequency * phase.sin();
            let force = 500.0 * v + 40.0 * v.signum() + 150.0;
            let clock = t + 10.0 * frequency;
            let travel = -25.0 * phase.cos();
            writeln!(text, "{clock:.4},{travel:.5},{force:.3}").unwrap();
        }
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("line.csv");
    std::fs::write(&path, text).unwrap();
    let output = assert_cmd::cargo::cargo_bin_cmd!("loopwork")
        .arg("analyze")
        .arg(&path)
        .args(["--no-report", "--quiet", "--json", "-"])
        .output()
        .unwrap();
    let run: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    for direction in ["compression", "rebound"] {
        let fit = &run["fits"][direction];
        assert_eq!(fit["model"], "linear", "{direction}: {fit}");
        let slope = fit["segments"][0]["slope_n_s_m"].as_f64().unwrap();
        near(direction, slope, 500.0, 0.002, 0.0);
    }
}
