//! Synthetic runs: the model against closed forms, its faults, the command, the sample runs.

mod closed_forms;
mod faults;
mod files;
mod physics;
mod thermal;

use loopwork::simulate::{Law, Model, Sensors, Simulated, SlowAt, Spec, run};

/// An analytic damper on a clean dyno, one step.
pub(crate) fn clean(stroke_mm: f64, frequency_hz: f64) -> Spec {
    let mut spec = Spec {
        model: Model::Analytic,
        sensors: Sensors::perfect(),
        ..Spec::default()
    };
    spec.motion.slow_at = SlowAt::None;
    spec.motion.stroke_mm = stroke_mm;
    spec.motion.speeds_mm_s.clear();
    spec.motion.frequencies_hz = vec![frequency_hz];
    spec.motion.cycles = 3;
    spec.motion.rate_hz = 1000.0;
    spec.motion.steps_per_cycle = 4000;
    spec.motion.start_pause_s = 0.0;
    spec.friction.sliding_n = 0.0;
    spec.friction.smoothing_mm_s = 0.0;
    spec.analytic.gas_force_n = 0.0;
    spec.analytic.gas_stiffness_n_mm = 0.0;
    spec.analytic.compression = Law::default();
    spec.analytic.rebound = Law::default();
    spec
}

#[expect(clippy::unwrap_used, reason = "a test's own description")]
pub(crate) fn heat(spec: &Spec) -> f64 {
    run(spec).unwrap().truth.steps[0].heat_per_cycle_j
}

/// |a/b − 1|
pub(crate) fn off(a: f64, b: f64) -> f64 {
    (a / b - 1.0).abs()
}

pub(crate) fn viscous(c: f64) -> Law {
    Law {
        slopes_n_s_m: vec![c],
        ..Law::default()
    }
}

/// `∮ F dx` of what the sensors showed over a whole step, by the trapezoid rule, per cycle.
pub(crate) fn shown_heat(made: &Simulated, step: usize) -> f64 {
    let truth = &made.truth.steps[step];
    let inside = |t: f64| t >= truth.start_s - 1e-9 && t <= truth.end_s + 1e-9;
    let mut sum = 0.0;
    for i in 1..made.time.len() {
        if inside(made.time[i - 1]) && inside(made.time[i]) {
            let mean = 0.5 * (made.force[i] + made.force[i - 1]);
            sum += mean * (made.travel[i] - made.travel[i - 1]);
        }
    }
    sum / f64::from(truth.cycles)
}

/// The sample nearest to a time.
pub(crate) fn at(made: &Simulated, time: f64) -> usize {
    made.time.partition_point(|&t| t < time - 1e-9)
}
