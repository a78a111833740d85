//! Synthetic runs: the model against closed forms, the command, the sample runs.

use crate::support::{in_tree, loopwork};
use loopwork::simulate::{Law, Model, Sensors, Spec, run};

/// An analytic damper on a clean dyno, one step.
fn clean(stroke_mm: f64, frequency_hz: f64) -> Spec {
    let mut spec = Spec {
        model: Model::Analytic,
        sensors: Sensors::perfect(),
        ..Spec::default()
    };
    spec.motion.slow_at = loopwork::simulate::SlowAt::None;
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
fn heat(spec: &Spec) -> f64 {
    run(spec).unwrap().truth.steps[0].heat_per_cycle_j
}

/// |a/b − 1|
fn off(a: f64, b: f64) -> f64 {
    (a / b - 1.0).abs()
}

fn viscous(c: f64) -> Law {
    Law {
        slopes_n_s_m: vec![c],
        ..Law::default()
    }
}

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
    spec.motion.shape = loopwork::simulate::Shape::Crank;
    spec.motion.rod_ratio = 4.0;
    let step = &run(&spec).unwrap().truth.steps[0];
    assert!(off(step.peak_velocity_m_s.compression, 0.5397689187) < 1e-6);
    assert!(off(step.peak_velocity_m_s.rebound, 0.5397689187) < 1e-6);
    assert!(off(step.heat_per_cycle_j / sine, 1.01613323) < 1e-6);
}

/// Rod force (p_abs − p_atm) A_rod at 20 bar and 14 mm: 307.876 N; balance of pressures (e.g.
/// Dixon, The Shock Absorber Handbook). Stiffness n p A²/V at n = 1.4, V = 120 cm³: 580.94 N/m.
#[test]
fn gas_force_and_stiffness_follow_from_charge_and_rod() {
    let mut spec = Spec::default();
    spec.damper.charge_bar = 20.0;
    spec.damper.gas_volume_cm3 = 120.0;
    spec.damper.polytropic_exponent = 1.4;
    let truth = run(&spec).unwrap().truth;
    assert!(off(truth.gas_force_n, 307.8760801) < 1e-9);
    assert!(off(truth.gas_stiffness_n_m, 580.940859) < 1e-8);
}

/// What the dyno puts in comes out as heat in valves and seals (first law), with and without
/// voids; the path ends where it began.
#[test]
fn work_in_is_heat_out() {
    for charge_bar in [16.0, 2.5] {
        for model in [Model::Monotube, Model::TwinTube] {
            let mut spec = Spec {
                model,
                ..Spec::default()
            };
            spec.damper.charge_bar = charge_bar;
            spec.motion.slow_stroke_mm = 0.0;
            spec.motion.slow_mm_s = 20.0;
            let truth = run(&spec).unwrap().truth;
            let balance = off(truth.work_j, truth.dissipated_j);
            assert!(balance < 1e-4, "{model:?} at {charge_bar} bar: {balance}");
        }
    }
}

/// Rod side at zero absolute: damping force p_gas (A_p − A_r), total p_gas A_p − p_atm A_r,
/// derived from the balance of pressures on the piston.
#[test]
fn a_rod_side_void_caps_the_compression_force() {
    let mut spec = Spec::default();
    spec.damper.charge_bar = 2.5;
    spec.damper.vapour_pressure_bar = 0.0;
    spec.damper.gas_volume_cm3 = 100_000.0; // so large that the gas pressure stays put
    spec.friction.sliding_n = 0.0;
    let truth = run(&spec).unwrap().truth;
    let last = truth.steps.last().unwrap();
    let circle = |mm: f64| 0.25e-6 * std::f64::consts::PI * mm * mm;
    let cap = (2.5e5 + 101_325.0) * circle(46.0) - 101_325.0 * circle(14.0);
    assert!(last.void_rod_side_m3 > 1e-6);
    assert!(last.void_share > 0.15);
    let peak = last.peak_force_n.compression;
    assert!(off(peak, cap) < 0.001, "{peak} {cap}");
    // The slow step knows nothing of it.
    assert!(!truth.steps[0].has_void());
}

/// Rebound begins with the rod side still void: until it has refilled, force stays at the
/// (positive) gas level although the rod already moves out.
#[test]
fn a_void_leaves_the_gas_level_at_the_start_of_rebound() {
    let mut spec = Spec {
        sensors: Sensors::perfect(),
        ..Spec::default()
    };
    spec.damper.charge_bar = 1.5;
    spec.motion.rate_hz = 2000.0;
    let made = run(&spec).unwrap();
    let step = made.truth.steps.last().unwrap();
    let lost = |force: &[f64]| {
        let top = (step.end_s - 0.5 / step.frequency_hz) * 2000.0;
        let from = top as usize + 1;
        let end = (from..).find(|&i| force[i] < -500.0).unwrap();
        made.travel[from] - made.travel[end]
    };
    let with = lost(&made.force);
    let without = lost(&made.truth.force_without_void);
    assert!(with > 0.004 && without < 0.0005, "{with} {without}");
    // The void closes through the valve as well as by the rod's travel, so it costs less than
    // its volume over the ring area (46 mm bore, 14 mm rod: 1508 mm²).
    assert!(with < step.void_rod_side_m3 / 1508e-6);
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let csv = |seed: u64| {
        let mut spec = Spec {
            seed,
            ..Spec::default()
        };
        spec.motion.speeds_mm_s = vec![200.0];
        spec.motion.slow_at = loopwork::simulate::SlowAt::None;
        let mut bytes = Vec::new();
        loopwork::simulate::write_csv(&run(&spec).unwrap(), &spec.output, &mut bytes).unwrap();
        bytes
    };
    assert_eq!(csv(7), csv(7));
    assert_ne!(csv(7), csv(8));
}

#[test]
fn a_misspelt_name_is_found_with_its_line_and_the_nearest_word() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("front.toml");
    std::fs::write(&path, "seed = 3\n[damper]\nbore_m = 46\n").unwrap();
    let out = loopwork().arg("simulate").arg(&path).output().unwrap();
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(said.contains("front.toml:3"), "{said}");
    assert!(said.contains("did you mean `bore_mm`?"), "{said}");
    assert!(out.stdout.is_empty());
}

#[test]
fn an_impossible_value_is_named_with_what_was_expected() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("front.toml");
    std::fs::write(&path, "[damper]\nrod_mm = 50\n[motion]\nstroke_mm = -5\n").unwrap();
    let out = loopwork().arg("simulate").arg(&path).output().unwrap();
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(
        said.contains("motion.stroke_mm is -5, expected a number above zero"),
        "{said}"
    );
    assert!(said.contains("front.toml:2"), "{said}");
    assert!(said.contains("front.toml:4"), "{said}");
    assert!(
        said.contains("damper.rod_mm is 50, expected less than damper.bore_mm"),
        "{said}"
    );
}

/// The committed runs are what their descriptions make, byte for byte.
#[test]
fn the_sample_runs_can_be_made_again() {
    let made = tempfile::tempdir().unwrap();
    loopwork()
        .arg("simulate")
        .arg(in_tree("sample-runs/specs"))
        .arg("--out")
        .arg(made.path())
        .arg("--quiet")
        .assert()
        .success();
    let mut compared = 0;
    for entry in std::fs::read_dir(made.path()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        let kept = std::fs::read(in_tree("sample-runs").join(name)).unwrap();
        assert!(
            std::fs::read(&path).unwrap() == kept,
            "{name} differs: run `loopwork simulate sample-runs/specs --out sample-runs`"
        );
        assert!(kept.len() < 2_000_000, "{name} is {} bytes", kept.len());
        compared += 1;
    }
    let specs = std::fs::read_dir(in_tree("sample-runs/specs")).unwrap();
    assert_eq!(compared, specs.count());
    assert!(compared >= 11);
}
