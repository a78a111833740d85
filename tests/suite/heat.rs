//! Heat through the whole library: closed forms, thermal truth, bad channels.
//!
//! Closed forms and their sources: viscous E = πcωX² (Chopra, Dynamics of Structures, ch. 3;
//! Thomson, Theory of Vibration, sec. 3.7), Coulomb E = 4FX (Stutts, Equivalent Viscous
//! Damping, eq. 12), quadratic E = (8/3)aω²X³ (standard, from memory), power law
//! E = λcωⁿXⁿ⁺¹ with λ of FEMA 274's table (from memory), piecewise linear derived by hand:
//! with V = ωX and cos p = v_k/V, E = 4F₀X + πc₂VX + 2(c₁−c₂)VX(π/2 − p + sin p cos p).

use loopwork::cards::DamperCard;
use loopwork::findings::Verdict;
use loopwork::heat::{Heat, Temperature};
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::{Chunk, Closing, Recording, SampleStream, Understanding};
use loopwork::run::Run;
use loopwork::simulate::{Law, Model, Sensors, Simulated, SlowAt, Spec, run};
use std::f64::consts::PI;

/// An analytic damper without gas on a clean dyno: one step of ten cycles.
fn bare(stroke_mm: f64, frequency_hz: f64, per_cycle: f64) -> Spec {
    let mut spec = crate::simulate::clean(stroke_mm, frequency_hz);
    spec.motion.cycles = 10;
    // Not commensurate with the cycle, as on a real machine.
    spec.motion.rate_hz = frequency_hz * per_cycle * 1.003;
    spec.motion.steps_per_cycle = 8000;
    spec.motion.start_pause_s = Spec::default().motion.start_pause_s;
    spec
}

fn both(spec: &mut Spec, law: &Law) {
    spec.analytic.compression = law.clone();
    spec.analytic.rebound = law.clone();
}

fn power_law(coefficient: f64, exponent: f64) -> Law {
    Law {
        coefficient,
        exponent,
        ..Law::default()
    }
}

fn two_slopes(c1: f64, c2: f64, knee: f64) -> Law {
    Law {
        slopes_n_s_m: vec![c1, c2],
        knees_m_s: vec![knee],
        ..Law::default()
    }
}

#[expect(clippy::unwrap_used, reason = "a test's own description")]
fn made(spec: &Spec) -> Simulated {
    run(spec).unwrap()
}

#[expect(clippy::unwrap_used, reason = "a test's own description")]
fn analysed(spec: &Spec, card: Option<DamperCard>) -> Run {
    let settings = Settings {
        card,
        ..Settings::default()
    };
    analyse(Recording::Samples(Box::new(made(spec).stream())), &settings).unwrap()
}

#[expect(clippy::unwrap_used, reason = "a run with steps has heat")]
fn heat_of(run: &Run) -> &Heat {
    run.heat.as_ref().unwrap()
}

#[expect(clippy::unwrap_used, reason = "the run has a channel")]
fn temperature_of(run: &Run) -> &Temperature {
    heat_of(run).temperature.as_ref().unwrap()
}

/// Heat of one direction of a two-slope damper, both directions alike: derived by hand.
fn piecewise(f0: f64, c1: f64, c2: f64, knee: f64, x: f64, hz: f64) -> f64 {
    let v = 2.0 * PI * hz * x;
    if v <= knee {
        return 4.0 * f0 * x + PI * c1 * v * x;
    }
    let p = (knee / v).acos();
    4.0 * f0 * x + PI * c2 * v * x + 2.0 * (c1 - c2) * v * x * (0.5 * PI - p + p.sin() * p.cos())
}

struct Case {
    name: &'static str,
    spec: fn(f64) -> Spec,
    heat_j: f64,
}

/// The printed values are those of the closed forms above.
fn closed_forms() -> Vec<Case> {
    vec![
        Case {
            name: "viscous",
            spec: |n| {
                let mut s = bare(50.0, 1.5, n);
                both(&mut s, &power_law(2000.0, 1.0));
                s
            },
            heat_j: 37.011_016_5,
        },
        Case {
            name: "coulomb",
            spec: |n| {
                let mut s = bare(100.0, 1.0, n);
                s.friction.sliding_n = 120.0;
                s
            },
            heat_j: 24.0,
        },
        Case {
            name: "quadratic",
            spec: |n| {
                let mut s = bare(100.0, 100.0 / 60.0, n);
                both(&mut s, &power_law(1500.0, 2.0));
                s
            },
            heat_j: 54.831_135_56,
        },
        Case {
            name: "power law 0.5",
            spec: |n| {
                let mut s = bare(80.0, 1.25, n);
                both(&mut s, &power_law(1000.0, 0.5));
                s
            },
            heat_j: 3.496_076_739 * 1000.0 * (2.0 * PI * 1.25_f64).powf(0.5) * 0.04_f64.powf(1.5),
        },
        Case {
            name: "two slopes with friction, 100/min",
            spec: |n| {
                let mut s = bare(100.0, 100.0 / 60.0, n);
                s.friction.sliding_n = 60.0;
                both(&mut s, &two_slopes(3000.0, 600.0, 0.15));
                s
            },
            heat_j: 132.350_685_9,
        },
        Case {
            name: "two slopes with friction, 25/min",
            spec: |n| {
                let mut s = bare(100.0, 25.0 / 60.0, n);
                s.friction.sliding_n = 60.0;
                both(&mut s, &two_slopes(3000.0, 600.0, 0.15));
                s
            },
            heat_j: 73.685_027_51,
        },
    ]
}

/// Largest error over the closed forms, at some samples a cycle and some noise (share of the
/// largest force).
fn worst(per_cycle: f64, noise: f64) -> Vec<(&'static str, f64)> {
    closed_forms()
        .iter()
        .map(|case| {
            let mut spec = (case.spec)(per_cycle);
            if noise > 0.0 {
                let peak = made(&spec)
                    .truth
                    .force
                    .iter()
                    .fold(0.0_f64, |a, f| a.max(f.abs()));
                spec.sensors.force_full_scale_n = peak;
                spec.sensors.force_noise_percent = 100.0 * noise;
                spec.motion.cycles = 20;
            }
            let run = analysed(&spec, None);
            let found = heat_of(&run).per_step[0].energy_per_cycle_j;
            (case.name, found / case.heat_j - 1.0)
        })
        .collect()
}

/// The bounds are the project's own: 0.1 % clean, 0.5 % at noise of 1 % of the largest force.
#[test]
fn heat_per_cycle_agrees_with_closed_forms_at_any_sampling() {
    let by_hand = piecewise(60.0, 3000.0, 600.0, 0.15, 0.05, 100.0 / 60.0);
    assert!((by_hand / 132.350_685_9 - 1.0).abs() < 1e-9);
    for per_cycle in [16.0, 50.0, 100.0, 1000.0] {
        for (noise, limit) in [(0.0, 1e-3), (0.01, 5e-3)] {
            for (name, off) in worst(per_cycle, noise) {
                println!("{per_cycle:6} a cycle, noise {noise}: {name}: {off:+.2e}");
                assert!(
                    off.abs() < limit,
                    "{name}, {per_cycle} a cycle, noise {noise}: {off:e}"
                );
            }
        }
    }
}

/// Both strokes of an unlike damper (derived by hand with the formula above, half a cycle
/// each): rebound 80.26156829 J, compression 44.51433449 J, 207.959838 W.
#[test]
fn strokes_of_an_unlike_damper_agree_with_the_closed_form() {
    // Friction is the same both ways in the model: its part is added by hand.
    let mut spec = bare(100.0, 100.0 / 60.0, 200.0);
    spec.motion.slow_at = SlowAt::Start;
    spec.motion.slow_cycles = 4;
    spec.friction.sliding_n = 25.0;
    spec.analytic.compression = two_slopes(1600.0, 500.0, 0.2);
    spec.analytic.rebound = two_slopes(4200.0, 900.0, 0.12);
    let run = analysed(&spec, None);
    let step = heat_of(&run).per_step[1];
    let rebound = 80.261_568_29 - 15.0 * 0.1;
    assert!(
        (step.compression_j / 44.514_334_49 - 1.0).abs() < 1e-3,
        "{step:?}"
    );
    assert!((step.rebound_j / rebound - 1.0).abs() < 1e-3, "{step:?}");
    let power = (44.514_334_49 + rebound) * 100.0 / 60.0;
    assert!((step.power_w / power - 1.0).abs() < 1e-3);
    // Coulomb: 4·F·X = 5 J of it.
    let share = 5.0 / (44.514_334_49 + rebound);
    assert!(
        (step.friction_share.unwrap() / share - 1.0).abs() < 0.1,
        "{step:?}"
    );
}

/// Force late by d beside a spring: E = πX²(cω cos ωd − k sin ωd) (elementary; value by
/// hand). Heat is stated as recorded.
#[test]
fn a_late_force_channel_changes_heat_as_the_formula_says() {
    let mut spec = bare(60.0, 1.0, 500.0);
    both(&mut spec, &power_law(1500.0, 1.0));
    spec.analytic.gas_stiffness_n_mm = 3.0;
    spec.sensors.force_delay_ms = 4.0;
    let run = analysed(&spec, None);
    let found = heat_of(&run).per_step[0].energy_per_cycle_j;
    assert!((found / 26.426_355_17 - 1.0).abs() < 1e-3, "{found}");
}

/// Force ∝ speedⁿ at one stroke gives heat ∝ speedⁿ (substitute V = ωX in the power law).
#[test]
fn growth_with_speed_has_the_exponent_of_the_law() {
    for exponent in [0.5, 1.0, 2.0] {
        let mut spec = bare(80.0, 1.0, 100.0);
        both(&mut spec, &power_law(1000.0, exponent));
        spec.motion.frequencies_hz = vec![0.5, 0.8, 1.3, 2.0];
        spec.motion.rate_hz = 250.0;
        spec.motion.cycles = 4;
        let growth = heat_of(&analysed(&spec, None)).growth.unwrap();
        assert!((growth.total.value - exponent).abs() < 0.01, "{growth:?}");
        assert_eq!(growth.steps, 4);
    }
}

/// A velocity channel in other units or behind a filter shows up as a gap, a good one does
/// not.
#[test]
fn energy_closes_unless_the_velocity_channel_is_off() {
    let mut spec = bare(50.0, 1.5, 200.0);
    both(&mut spec, &power_law(2000.0, 1.0));
    spec.sensors = Sensors::default();
    let good = heat_of(&analysed(&spec, None)).closure[0];
    assert!(good.gap_share.abs() < 2e-3, "{good:?}");
    let mut off = made(&spec);
    off.velocity.iter_mut().for_each(|v| *v *= 1.04);
    let run = analyse(
        Recording::Samples(Box::new(off.stream())),
        &Settings::default(),
    )
    .unwrap();
    let bad = heat_of(&run).closure[0];
    assert!((bad.gap_share - 0.04).abs() < 2e-3, "{bad:?}");
    assert!(bad.beyond_noise);
}

/// A long warm-up and a rest, with a lagging, noisy sensor.
fn warming() -> Spec {
    let mut spec = Spec {
        model: Model::Analytic,
        ..Spec::default()
    };
    spec.motion.speeds_mm_s = vec![150.0, 500.0, 150.0];
    spec.motion.cycles_of_each = vec![6, 220, 6];
    spec.motion.rate_hz = 120.0;
    spec.motion.steps_per_cycle = 400;
    spec.motion.start_pause_s = 5.0;
    spec.motion.end_pause_s = 90.0;
    spec.thermal.enabled = true;
    spec.thermal.oil_kg = 0.2;
    spec.thermal.metal_kg = 0.8;
    spec.thermal.cooling_w_per_k = 2.0;
    spec.thermal.fade_percent_per_c = 0.25;
    spec.sensors.temperature_lag_s = 4.0;
    spec.sensors.temperature_noise_c = 0.1;
    spec
}

#[test]
fn capacity_cooling_and_change_per_degree_are_recovered() {
    let spec = warming();
    let truth = made(&spec).truth;
    let run = analysed(&spec, None);
    let t = temperature_of(&run);
    assert!(t.used, "{:?}", t.problem);
    let capacity = t.heat_capacity_j_k.unwrap();
    let cooling = t.cooling_time_s.unwrap();
    println!("{capacity:?} {cooling:?} lag {:?}", t.sensor_lag_s);
    assert!((capacity.value / truth.heat_capacity_j_k - 1.0).abs() < 0.05);
    assert!((cooling.value / truth.cooling_time_s - 1.0).abs() < 0.10);
    assert!((t.sensor_lag_s.unwrap() - 4.0).abs() < 1.0);
    let s = t.sensitivity.as_ref().unwrap();
    for per_c in [
        s.compression_percent_per_c,
        s.rebound_percent_per_c,
        s.heat_percent_per_c,
    ] {
        let per_c = per_c.unwrap();
        println!("{per_c:?}");
        assert!(
            (per_c.value + truth.fade_percent_per_c).abs() < 0.02,
            "{per_c:?}"
        );
    }
    // Referred to 20 °C, both 150 mm/s steps read the same again.
    let points = &t.referred.as_ref().unwrap().points.rebound;
    let at_150: Vec<_> = points
        .iter()
        .filter(|p| (p.velocity_m_s - 0.15).abs() < 0.01)
        .collect();
    assert_eq!(at_150.len(), 2);
    let raw = at_150[1].force_n / at_150[0].force_n;
    let referred = at_150[1].referred_n / at_150[0].referred_n;
    assert!(raw < 0.95, "{raw}");
    assert!((referred - 1.0).abs() < 0.01, "{referred}");
}

/// A long hard run is called faded and hot, and the
/// burn threshold is named with its source; a short cool one is neither.
#[test]
fn a_hot_run_is_called_faded_and_hot_to_touch() {
    let mut spec = warming();
    spec.motion.cycles_of_each = vec![6, 420, 6];
    let run_hot = analysed(&spec, None);
    let verdict = |run: &Run, kind: &str| {
        let found = run.findings.iter().find(|f| f.kind == kind);
        found.map(|f| f.verdict)
    };
    assert!(verdict(&run_hot, "fade") >= Some(Verdict::Onset));
    let said = run_hot.notices.iter().find(|n| n.code == "hot-surface");
    assert!(said.is_some_and(|n| n.message.contains("EN ISO 13732-1")));
    let mut spec = warming();
    spec.motion.cycles_of_each = vec![6, 20, 6];
    let run_cool = analysed(&spec, None);
    assert_eq!(verdict(&run_cool, "fade"), Some(Verdict::None));
    assert_eq!(verdict(&run_cool, "overheated"), Some(Verdict::None));
    assert!(run_cool.notices.iter().all(|n| n.code != "hot-surface"));
}

/// The work of the whole run, rests and pieces included, is the dyno's.
#[test]
fn work_over_the_whole_run_is_the_dynos() {
    let spec = warming();
    let truth = made(&spec).truth;
    let whole = heat_of(&analysed(&spec, None)).whole_run_j.unwrap();
    assert!(
        (whole / truth.work_j - 1.0).abs() < 2e-3,
        "{whole} {}",
        truth.work_j
    );
}

/// Heat of 124.7759 J into 0.25 kg of oil (2060 J/(kg K)) and 1.6 kg of steel (490): 0.09606 K
/// a cycle, by hand.
#[test]
fn the_card_gives_the_rise_per_cycle_without_cooling() {
    let mut spec = bare(100.0, 100.0 / 60.0, 200.0);
    spec.friction.sliding_n = 25.0;
    spec.analytic.compression = two_slopes(1600.0, 500.0, 0.2);
    spec.analytic.rebound = two_slopes(4200.0, 900.0, 0.12);
    let card = DamperCard {
        oil_kg: Some(0.25),
        metal_kg: Some(1.6),
        ..DamperCard::default()
    };
    let run = analysed(&spec, Some(card));
    let forecast = &heat_of(&run).forecasts[0];
    let rise = forecast.per_step[0].rise_per_cycle_c;
    let heat = heat_of(&run).per_step[0].energy_per_cycle_j;
    assert!(
        (rise / heat * 124.775_902_8 - 0.096_055_352).abs() < 1e-8,
        "{rise}"
    );
    assert_eq!(forecast.cooling_w_per_k, None);
    assert!(forecast.per_step[0].settled_c.is_none());
    let said = forecast.assumptions.join("; ");
    for word in ["estimate", "2060", "490", "no heat is given off"] {
        assert!(said.contains(word), "{word} in {said}");
    }
}

/// What is done to a temperature at a time.
type Change = fn(f64, f64) -> f64;

/// A stream whose temperature channel has been tampered with.
struct Tampered {
    inner: loopwork::simulate::SimulatedStream,
    change: Change,
}

impl SampleStream for Tampered {
    fn understanding(&self) -> &Understanding {
        self.inner.understanding()
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, loopwork::notice::Error> {
        let mut chunk = self.inner.next_chunk()?;
        if let Some(chunk) = &mut chunk {
            for (t, c) in chunk.time.iter().zip(&mut chunk.temperature) {
                *c = (self.change)(*t, *c);
            }
        }
        Ok(chunk)
    }

    fn closing(&mut self) -> Closing {
        self.inner.closing()
    }
}

#[expect(clippy::unwrap_used, reason = "a test's own description")]
fn tampered(change: Change) -> Run {
    let inner = made(&warming()).stream();
    analyse(
        Recording::Samples(Box::new(Tampered { inner, change })),
        &Settings::default(),
    )
    .unwrap()
}

#[test]
fn a_bad_temperature_channel_is_said_and_not_used() {
    let bad: [(&str, Change); 7] = [
        ("stands at", |_, _| 24.0),
        ("kelvin", |_, c| c + 273.15),
        ("jumps", |t, c| {
            if (40.0..60.0).contains(&t) {
                c + 25.0
            } else {
                c
            }
        }),
        ("while only", |t, _| 20.0 + 0.9 * t.min(12.0)),
        ("no damper survives", |_, c| 1000.0 * c),
        ("°F", |_, c| 1.8 * c + 32.0),
        ("falls when", |_, c| 90.0 - c),
    ];
    for (word, change) in bad {
        let run = tampered(change);
        let t = temperature_of(&run);
        assert!(!t.used, "{word}: used");
        let problem = t.problem.as_deref().unwrap_or("");
        println!("{word}: {problem}");
        assert!(problem.contains(word), "{word}: {problem}");
        assert!(t.heat_capacity_j_k.is_none() && t.sensitivity.is_none());
        assert!(
            run.notes
                .iter()
                .any(|n| n.contains("temperature channel is not used"))
        );
        assert!(
            heat_of(&run)
                .per_step
                .iter()
                .all(|s| s.warming_c_per_s.is_none())
        );
    }
}

/// Spikes of a loose plug, one sample long, are no jumps.
#[test]
fn single_spikes_of_temperature_do_no_harm() {
    let run = tampered(|t, c| {
        if (t * 120.0).round() as u64 % 500 == 7 {
            300.0
        } else {
            c
        }
    });
    let t = temperature_of(&run);
    assert!(t.used, "{:?}", t.problem);
    assert!(t.max_c.is_some_and(|m| m < 120.0));
}

/// Half a second of nothing but NaN in the channel, and a channel with nothing else.
#[test]
fn missing_readings_are_passed_over() {
    let run = tampered(|t, c| {
        if (30.0..30.5).contains(&t) {
            f64::NAN
        } else {
            c
        }
    });
    assert!(temperature_of(&run).used);
    let run = tampered(|_, _| f64::NAN);
    assert!(heat_of(&run).temperature.is_none());
}
