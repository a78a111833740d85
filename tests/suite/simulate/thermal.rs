//! Heat in the synthetic damper.

use loopwork::simulate::{Law, SlowAt, run};

use super::{clean, off, viscous};

/// A thermocouple bead, 0.706 mm, in gas at 200 °C with h = 400 W/(m² K), ρ = 8500 kg/m³,
/// c = 400 J/(kg K): from 25 to 199 °C in 5.2 s; Incropera & DeWitt, Fundamentals of Heat and
/// Mass Transfer, example 5.1 (from memory, value recomputed: ln 175 = 5.165 time constants of
/// 1.0 s).
#[test]
fn a_lump_warms_like_the_textbook_s() {
    let diameter: f64 = 0.706e-3;
    let mut spec = clean(20.0, 1.0);
    spec.motion.cycles = 8;
    spec.motion.rate_hz = 100.0;
    spec.thermal.enabled = true;
    spec.thermal.start_c = 25.0;
    spec.thermal.air_c = 200.0;
    spec.thermal.oil_kg = 0.0;
    spec.thermal.metal_kg = 8500.0 * std::f64::consts::PI * diameter.powi(3) / 6.0;
    spec.thermal.metal_specific_heat = 400.0;
    spec.thermal.cooling_w_per_k = 400.0 * std::f64::consts::PI * diameter * diameter;
    let made = run(&spec).unwrap();
    let reached = made.time[made.temperature.partition_point(|&t| t < 199.0)];
    assert!((reached - 5.2).abs() < 0.05, "{reached} s");
}

/// 124.776 J a cycle into 0.25 kg of oil (2060 J/(kg K)) and 1.6 kg of steel (490): 0.09605535 K
/// a cycle without cooling; energy balance, specific heat of oil after Rabie, Fluid Power
/// Engineering (2009), p. 45.
#[test]
fn without_cooling_each_cycle_warms_by_its_heat_over_the_capacity() {
    let mut spec = clean(100.0, 100.0 / 60.0);
    let law = |offset: f64, c1: f64, c2: f64, knee: f64| Law {
        slopes_n_s_m: vec![c1, c2],
        knees_m_s: vec![knee],
        coefficient: offset,
        exponent: 1e-9, // a constant force: the closed form's offset
    };
    spec.analytic.rebound = law(40.0, 4200.0, 900.0, 0.12);
    spec.analytic.compression = law(25.0, 1600.0, 500.0, 0.2);
    spec.motion.cycles = 20;
    spec.thermal.enabled = true;
    spec.thermal.fade_percent_per_c = 0.0;
    spec.thermal.oil_kg = 0.25;
    spec.thermal.oil_specific_heat = 2060.0;
    spec.thermal.metal_kg = 1.6;
    spec.thermal.metal_specific_heat = 490.0;
    spec.thermal.cooling_w_per_k = 0.0;
    let made = run(&spec).unwrap();
    let rise = made.temperature.last().unwrap() - made.temperature[0];
    assert!(off(rise / 20.0, 0.09605535241) < 1e-4, "{}", rise / 20.0);
}

/// Constant work settles at T_air + P/h, with the time constant C/h.
#[test]
fn constant_work_settles_where_cooling_balances_it() {
    let mut spec = clean(50.0, 2.0);
    spec.analytic.compression = viscous(2000.0);
    spec.analytic.rebound = viscous(2000.0);
    spec.motion.cycles = 200;
    spec.motion.rate_hz = 100.0;
    spec.motion.steps_per_cycle = 200;
    spec.thermal.enabled = true;
    spec.thermal.fade_percent_per_c = 0.0;
    spec.thermal.oil_kg = 0.01;
    spec.thermal.metal_kg = 0.02;
    spec.thermal.cooling_w_per_k = 2.0;
    let made = run(&spec).unwrap();
    let power = made.truth.steps[0].heat_per_cycle_j * 2.0;
    let settled = 20.0 + power / 2.0;
    let tau = made.truth.cooling_time_s;
    assert!(off(tau, (0.01 * 1900.0 + 0.02 * 480.0) / 2.0) < 1e-12);
    // Whole cycles only: within a cycle the temperature ripples.
    for cycles in [40.0, 80.0, 199.0] {
        let t: f64 = cycles / 2.0;
        let expected = settled - (settled - 20.0) * (-t / tau).exp();
        let shown = made.temperature[super::at(&made, t)];
        assert!(
            (shown - expected).abs() < 0.02 * (settled - 20.0),
            "{shown} {expected}"
        );
    }
}

/// Force fades by the stated share of a degree, and only the hydraulic part does.
#[test]
fn force_fades_with_temperature_as_stated() {
    let peak = |start_c: f64| {
        let mut spec = clean(50.0, 2.0);
        spec.analytic.gas_force_n = 200.0;
        spec.analytic.compression = viscous(2000.0);
        spec.analytic.rebound = viscous(2000.0);
        spec.thermal.fade_percent_per_c = 0.25;
        spec.thermal.start_c = start_c;
        spec.motion.slow_at = SlowAt::None;
        run(&spec).unwrap().truth.steps[0].force_at_peak_velocity_n
    };
    let (cold, hot) = (peak(20.0), peak(60.0));
    assert!(off((hot.compression - 200.0) / (cold.compression - 200.0), 0.9) < 1e-9);
    assert!(off((hot.rebound - 200.0) / (cold.rebound - 200.0), 0.9) < 1e-9);
}
