//! The analytic model and the motion against closed forms.

use loopwork::simulate::{Law, Shape, run};

use super::{at, clean, heat, off, shown_heat, viscous};

/// E = π c ω X²; Thomson, Theory of Vibration with Applications, sec. 3.7. The bound is twice
/// the trapezoid's known deficit at 4000 steps a cycle, (2π/N)²/6.
#[test]
fn a_viscous_damper_makes_the_heat_of_the_closed_form() {
    let mut spec = clean(50.0, 1.5);
    spec.analytic.compression = viscous(2000.0);
    spec.analytic.rebound = viscous(2000.0);
    assert!(off(heat(&spec), 37.0110165040851) < 8e-7);
}

/// E = 4 F X; Stutts, Equivalent Viscous Damping (notes, 2009/2013), eq. 12.
#[test]
fn coulomb_friction_makes_the_heat_of_the_closed_form() {
    let mut spec = clean(100.0, 1.0);
    spec.friction.sliding_n = 120.0;
    assert!(off(heat(&spec), 24.0) < 1e-6);
}

/// E = (8/3) α ω² X³; standard result (Rao; Thomson; Den Hartog), from memory.
#[test]
fn a_quadratic_damper_makes_the_heat_of_the_closed_form() {
    let mut spec = clean(100.0, 100.0 / 60.0);
    let law = Law {
        coefficient: 1500.0,
        exponent: 2.0,
        ..Law::default()
    };
    spec.analytic.compression = law.clone();
    spec.analytic.rebound = law;
    assert!(off(heat(&spec), 54.83113556160757) < 1e-6);
}

/// E = λ c ωⁿ Xⁿ⁺¹, λ = 2√π Γ(n/2+1)/Γ(n/2+3/2); FEMA 274 (1997), commentary to 9.3.3.2
/// (table from memory, values recomputed).
#[test]
fn a_power_law_damper_makes_the_heat_of_the_closed_form() {
    for (n, lambda) in [
        (0.25, 3.723496227898461),
        (0.5, 3.49607673905616),
        (1.5, 2.875536563),
    ] {
        let mut spec = clean(50.0, 2.0);
        let law = Law {
            coefficient: 900.0,
            exponent: n,
            ..Law::default()
        };
        spec.analytic.compression = law.clone();
        spec.analytic.rebound = law;
        let omega: f64 = 2.0 * std::f64::consts::TAU;
        let expected = lambda * 900.0 * omega.powf(n) * 0.025f64.powf(n + 1.0);
        assert!(off(heat(&spec), expected) < 1e-5, "n = {n}");
    }
}

/// Two slopes, both directions alike, at five speeds; closed form derived for this project:
/// E = 4 F₀ X + π c₂ V X + 2 (c₁ − c₂) V X (π/2 − p + sin p cos p), cos p = v_k/V.
#[test]
fn a_digressive_damper_makes_the_heat_of_the_closed_form() {
    for (rpm, expected) in [
        (10.0, 36.6740110027234),
        (25.0, 73.6850275068085),
        (50.0, 104.51342191497692),
        (100.0, 132.3506859389125),
        (200.0, 182.44907018109842),
    ] {
        let mut spec = clean(100.0, rpm / 60.0);
        spec.friction.sliding_n = 60.0;
        let law = Law {
            slopes_n_s_m: vec![3000.0, 600.0],
            knees_m_s: vec![0.15],
            ..Law::default()
        };
        spec.analytic.compression = law.clone();
        spec.analytic.rebound = law;
        assert!(off(heat(&spec), expected) < 2e-6, "{rpm} a minute");
    }
}

/// Maxwell element: E = π c ω X²/(1 + (ω c/k)²); linear viscoelasticity (e.g. Ferry).
#[test]
fn a_damper_in_series_with_a_spring_makes_the_heat_of_the_closed_form() {
    let mut spec = clean(20.0, 5.0);
    spec.analytic.series_stiffness_n_mm = 400.0;
    spec.analytic.compression = viscous(2500.0);
    spec.analytic.rebound = viscous(2500.0);
    assert!(off(heat(&spec), 23.758063020878772) < 2e-6);
}

/// Exact crank and rod, l/r = 4, 100 mm, 100 a minute: peak speed 1.0308827 r ω and a viscous
/// energy 1.0161332 times a sine's; Shigley & Uicker, Theory of Machines.
#[test]
fn a_finite_rod_moves_the_peak_speed_and_the_heat() {
    let mut spec = clean(100.0, 100.0 / 60.0);
    spec.analytic.compression = viscous(1000.0);
    spec.analytic.rebound = viscous(1000.0);
    let sine = heat(&spec);
    spec.motion.shape = Shape::Crank;
    spec.motion.rod_ratio = 4.0;
    let step = &run(&spec).unwrap().truth.steps[0];
    assert!(off(step.peak_velocity_m_s.compression, 0.5397689187) < 1e-6);
    assert!(off(step.peak_velocity_m_s.rebound, 0.5397689187) < 1e-6);
    assert!(off(step.heat_per_cycle_j / sine, 1.01613323) < 1e-6);
}

/// Rebound {40 N, 4200, 900 N·s/m, 0.12 m/s} and compression {25, 1600, 500, 0.2}, 100 mm, 100
/// a minute: the digressive closed form by direction; derived for this project. Friction is one
/// figure here, so the law without it is compared: E − 2 F₀ · stroke.
#[test]
fn unlike_directions_make_the_heat_of_their_own_closed_forms() {
    let mut spec = clean(100.0, 100.0 / 60.0);
    spec.analytic.rebound = Law {
        slopes_n_s_m: vec![4200.0, 900.0],
        knees_m_s: vec![0.12],
        ..Law::default()
    };
    spec.analytic.compression = Law {
        slopes_n_s_m: vec![1600.0, 500.0],
        knees_m_s: vec![0.2],
        ..Law::default()
    };
    let step = &run(&spec).unwrap().truth.steps[0];
    assert!(off(step.heat_rebound_j, 80.26156829224828 - 40.0 * 0.1) < 3e-6);
    assert!(off(step.heat_compression_j, 44.51433449177899 - 25.0 * 0.1) < 3e-6);
}

/// Spring 3 N/mm beside a dashpot: the loop is 2 k X = 180 N wide at zero velocity and the
/// spring makes no heat (26.6479 J); elementary.
#[test]
fn a_gas_spring_opens_the_loop_by_twice_its_stiffness_times_half_the_stroke() {
    let mut spec = clean(60.0, 1.0);
    spec.analytic.gas_stiffness_n_mm = 3.0;
    spec.analytic.compression = viscous(1500.0);
    spec.analytic.rebound = viscous(1500.0);
    let made = run(&spec).unwrap();
    let (out, inward) = (at(&made, 1.0), at(&made, 1.5));
    assert!((made.force[inward] - made.force[out] - 180.0).abs() < 1e-6);
    assert!(off(made.truth.steps[0].heat_per_cycle_j, 26.6479318) < 1e-6);
}

/// Viscous damper, force through a first-order low-pass: measured over true heat is
/// 1/(1 + (f/f_c)²); gain times cosine of the phase, elementary.
#[test]
fn a_filtered_force_shows_the_heat_of_the_filter_s_closed_form() {
    for (ratio, expected) in [
        (0.05, 0.9975062344),
        (0.1, 0.9900990099),
        (0.2, 0.9615384615),
    ] {
        let mut spec = clean(60.0, 1.0);
        spec.motion.cycles = 8;
        spec.analytic.compression = viscous(1500.0);
        spec.analytic.rebound = viscous(1500.0);
        let clean_heat = shown_heat(&run(&spec).unwrap(), 0);
        spec.sensors.force_filter_hz = 1.0 / ratio;
        // The filter's start costs part of the first cycle: compare from the second on.
        let mut made = run(&spec).unwrap();
        made.truth.steps[0].start_s += 1.0;
        made.truth.steps[0].cycles -= 1;
        let shown = shown_heat(&made, 0);
        assert!(off(shown / clean_heat, expected) < 2e-5, "f/fc = {ratio}");
    }
}

/// Viscous damper plus spring, force late by 4 ms: E = π X² (c ω cos ωd − k sin ωd) =
/// 26.42635517 J; elementary.
#[test]
fn a_late_force_shows_the_heat_of_the_delay_s_closed_form() {
    let mut spec = clean(60.0, 1.0);
    spec.motion.cycles = 4;
    spec.analytic.gas_stiffness_n_mm = 3.0;
    spec.analytic.compression = viscous(1500.0);
    spec.analytic.rebound = viscous(1500.0);
    spec.sensors.force_delay_ms = 4.0;
    let mut made = run(&spec).unwrap();
    assert!(off(made.truth.force_lag_s, 0.004) < 1e-12);
    made.truth.steps[0].start_s += 1.0;
    made.truth.steps[0].cycles -= 1;
    // The trapezoid at 1000 samples a cycle falls short by 6.6e-6.
    assert!(off(shown_heat(&made, 0), 26.42635517) < 1e-5);
}

/// Crank and rod, l/r = 4: 46.01069 % of the period in the half of the stroke nearer top dead
/// centre (here: extension); Shigley & Uicker, Theory of Machines.
#[test]
fn a_finite_rod_spends_less_time_near_top_dead_centre() {
    let mut spec = clean(100.0, 0.5);
    spec.motion.shape = Shape::Crank;
    spec.motion.cycles = 10;
    let made = run(&spec).unwrap();
    let outer = made.travel.iter().filter(|&&x| x < 0.0).count() as f64;
    assert!((outer / made.travel.len() as f64 - 0.4601069123).abs() < 5e-4);
    let reach = made.travel.iter().copied().fold(0.0, f64::max);
    assert!(off(reach, 0.05) < 1e-9);
}

/// A triangle with a fifth of each stroke rounded runs at its plateau speed for the rest, and
/// velocity is the slope of travel everywhere.
#[test]
fn a_triangle_runs_at_one_speed_between_its_corners() {
    let mut spec = clean(50.0, 1.0);
    spec.motion.shape = Shape::Triangle;
    spec.motion.rounding = 0.2;
    spec.motion.frequencies_hz.clear();
    spec.motion.speeds_mm_s = vec![100.0];
    let made = run(&spec).unwrap();
    let flat = made
        .velocity
        .iter()
        .filter(|v| (v.abs() - 0.1).abs() < 1e-9)
        .count();
    assert!((flat as f64 / made.velocity.len() as f64 - 0.8).abs() < 0.01);
    for i in 1..made.time.len() {
        let slope = (made.travel[i] - made.travel[i - 1]) / (made.time[i] - made.time[i - 1]);
        assert!((slope - 0.5 * (made.velocity[i] + made.velocity[i - 1])).abs() < 5e-4);
    }
}

/// Ramps between steps keep travel and velocity consistent too.
#[test]
fn velocity_is_the_slope_of_travel_through_ramps_and_moves() {
    for ramp_cycles in [0, 2] {
        let mut spec = clean(50.0, 1.0);
        spec.motion.frequencies_hz.clear();
        spec.motion.strokes_mm = vec![20.0, 60.0, 30.0];
        spec.motion.frequency_hz = 2.0;
        spec.motion.ramp_cycles = ramp_cycles;
        spec.motion.pause_s = 0.2;
        let made = run(&spec).unwrap();
        for i in 1..made.time.len() {
            let slope = (made.travel[i] - made.travel[i - 1]) / (made.time[i] - made.time[i - 1]);
            let mean = 0.5 * (made.velocity[i] + made.velocity[i - 1]);
            assert!((slope - mean).abs() < 2e-3, "{} s", made.time[i]);
        }
        assert_eq!(made.truth.steps.len(), 3);
        assert!(off(made.truth.steps[1].stroke_m, 0.06) < 1e-12);
    }
}
