//! Each fault does what it is named for, by itself, with the truth beside it.

use loopwork::recording::SampleStream as _;
use loopwork::simulate::{Dropout, Model, Sensors, Simulated, SlowAt, Spec, run};

use super::{at, clean, off};

/// The default damper with perfect sensors and a short ladder.
fn quiet() -> Spec {
    let mut spec = Spec {
        sensors: Sensors::perfect(),
        ..Spec::default()
    };
    spec.motion.speeds_mm_s = vec![50.0, 200.0, 500.0];
    spec.motion.rate_hz = 1000.0;
    spec
}

/// Travel from a reversal until the force has passed a level, m: (compression start, rebound
/// start) of the last cycle of a step.
fn lost(made: &Simulated, step: usize, level: f64) -> (f64, f64) {
    let truth = &made.truth.steps[step];
    let from = at(made, truth.end_s - 1.0 / truth.frequency_hz);
    let middle = at(made, truth.end_s - 0.5 / truth.frequency_hz);
    let end = made.force.len();
    let up = (from..end).find(|&i| made.force[i] > level);
    let down = (middle..end).find(|&i| made.force[i] < -level);
    let (Some(up), Some(down)) = (up, down) else {
        return (f64::NAN, f64::NAN);
    };
    (
        made.travel[up] - made.travel[from],
        made.travel[middle] - made.travel[down],
    )
}

/// Coulomb friction through a mount with free travel g: E = 2 F (2X − g), the rod standing
/// still while the dyno crosses the gap; elementary. The mount's own give (F/k a side) is kept
/// below the bound.
#[test]
fn play_takes_its_free_travel_out_of_each_stroke() {
    let mut spec = clean(100.0, 0.2);
    spec.friction.sliding_n = 120.0;
    spec.friction.smoothing_mm_s = 0.05;
    spec.faults.play_mm = 2.0;
    spec.faults.mount_stiffness_n_mm = 50_000.0;
    let heat = run(&spec).unwrap().truth.steps[0].heat_per_cycle_j;
    assert!(off(heat, 2.0 * 120.0 * (0.1 - 0.002)) < 2e-4, "{heat}");
}

/// Without gas, play costs the same travel at every speed and at both reversals.
#[test]
fn play_costs_the_same_travel_at_every_speed() {
    let mut spec = quiet();
    spec.model = Model::Analytic;
    spec.analytic.gas_force_n = 0.0;
    spec.analytic.gas_stiffness_n_mm = 0.0;
    let without = run(&spec).unwrap();
    spec.faults.play_mm = 1.0;
    let with = run(&spec).unwrap();
    assert!(off(with.truth.play_m, 1e-3) < 1e-12);
    for step in 0..4 {
        let (a, b) = (lost(&with, step, 20.0), lost(&without, step, 20.0));
        assert!(
            (a.0 - b.0 - 1e-3).abs() < 1.5e-4,
            "step {step}: {a:?} {b:?}"
        );
        assert!(
            (a.1 - b.1 - 1e-3).abs() < 1.5e-4,
            "step {step}: {a:?} {b:?}"
        );
    }
}

/// A gas charge stronger than friction keeps the mount loaded while nothing pulls it: in the
/// slow step the force never changes sign and no travel is lost.
#[test]
fn gas_holds_a_loose_mount_together_at_a_crawl() {
    let mut spec = quiet();
    let without = run(&spec).unwrap();
    spec.faults.play_mm = 1.0;
    let with = run(&spec).unwrap();
    let last = with.truth.steps[0].end_s;
    let worst = (0..at(&with, last))
        .map(|i| (with.force[i] - without.force[i]).abs())
        .fold(0.0, f64::max);
    assert!(worst < 10.0, "{worst} N");
    let heat = |made: &Simulated| made.truth.steps[2].heat_per_cycle_j;
    assert!(heat(&with) < 0.995 * heat(&without));
}

/// Air that gathers cycle by cycle softens both reversals and takes heat away at one speed.
#[test]
fn gathering_air_softens_both_reversals_and_takes_heat() {
    let mut spec = quiet();
    spec.damper.charge_bar = 2.0;
    spec.motion.speeds_mm_s = vec![200.0];
    spec.motion.cycles = 20;
    let without = run(&spec).unwrap();
    spec.faults.air_per_cycle_percent = 0.3;
    spec.faults.air_limit_percent = 12.0;
    let with = run(&spec).unwrap();
    let heat = &with.truth.steps[1].heat_j;
    assert!(heat.windows(2).skip(1).all(|w| w[1] < w[0]), "{heat:?}");
    let (a, b) = (lost(&with, 1, 300.0), lost(&without, 1, 300.0));
    assert!(a.0 > b.0 + 5e-4 && a.1 > b.1 + 5e-4, "{a:?} {b:?}");
    let air = with.truth.steps[1].free_air;
    assert!((air.1 - 0.069).abs() < 1e-3, "{air:?}");
}

#[test]
fn a_bent_rod_drags_where_it_is_bent() {
    let mut spec = quiet();
    spec.motion.slow_mm_s = 1.0;
    spec.motion.slow_cycles = 1;
    spec.motion.rate_hz = 200.0;
    let straight = run(&spec).unwrap();
    spec.faults.bent_rod_n = 90.0;
    spec.faults.bent_rod_at_mm = 5.0;
    spec.faults.bent_rod_width_mm = 3.0;
    let bent = run(&spec).unwrap();
    let extra = |i: usize| bent.force[i] - straight.force[i];
    let end = at(&bent, bent.truth.steps[0].end_s);
    let at_bend = (0..end).find(|&i| bent.travel[i] > 0.005).unwrap();
    let far = (0..end).find(|&i| bent.travel[i] > -0.005).unwrap();
    assert!((extra(at_bend) - 90.0).abs() < 3.0, "{}", extra(at_bend));
    assert!(extra(far).abs() < 1.0, "{}", extra(far));
}

#[test]
fn a_bump_pushes_at_one_end_only() {
    let mut spec = quiet();
    let free = run(&spec).unwrap();
    spec.faults.bump_stiffness_n_mm = 200.0;
    spec.faults.bump_at_mm = 20.0;
    let met = run(&spec).unwrap();
    for i in 0..free.time.len() {
        let expected = 200.0 * (free.travel[i] * 1e3 - 20.0).max(0.0);
        assert!((met.force[i] - free.force[i] - expected).abs() < 1e-6);
    }
}

/// A check valve that does not shut leaves its area open: little force at low speed in that
/// direction, the other as before.
#[test]
fn a_leaking_check_valve_takes_low_speed_force_in_one_direction() {
    let mut spec = quiet();
    let tight = run(&spec).unwrap().truth.steps;
    spec.faults.leak_rebound_mm2 = 15.0;
    let leaking = run(&spec).unwrap().truth.steps;
    let (a, b) = (
        tight[1].force_at_peak_velocity_n,
        leaking[1].force_at_peak_velocity_n,
    );
    assert!((a.compression - b.compression).abs() < 0.5);
    // The bleed is 2.4 times as wide now; gas (246 N) and friction (30 N) stay.
    let hydraulic = |rebound: f64| 246.0 - 30.0 - rebound;
    assert!(
        hydraulic(b.rebound) < 0.45 * hydraulic(a.rebound),
        "{a:?} {b:?}"
    );
}

#[test]
fn a_sticking_seal_saws_at_a_crawl_and_not_at_speed() {
    let mut spec = quiet();
    let smooth = run(&spec).unwrap();
    spec.faults.stick_slip_n = 60.0;
    spec.faults.stick_stiffness_n_mm = 100.0;
    spec.faults.stick_below_mm_s = 10.0;
    let sticking = run(&spec).unwrap();
    let largest = |step: usize| {
        let truth = &smooth.truth.steps[step];
        (at(&smooth, truth.start_s)..at(&smooth, truth.end_s))
            .filter(|&i| smooth.velocity[i].abs() > 0.9 * truth.peak_velocity_m_s.compression)
            .map(|i| (sticking.force[i] - smooth.force[i]).abs())
            .fold(0.0, f64::max)
    };
    // At 0.9 of 6 mm/s the limit is exp(−0.54²) of 60 N, 45 N.
    assert!((30.0..45.0).contains(&largest(0)), "{}", largest(0));
    assert!(largest(3) < 0.1);
}

/// Lost oil drops the floating piston onto its stop: at extension the piston side is void, and
/// compression starts with lost motion from the lowest speed up.
#[test]
fn lost_oil_costs_travel_at_the_start_of_compression_at_every_speed() {
    let mut spec = quiet();
    let full = run(&spec).unwrap();
    spec.faults.lost_oil_cm3 = 14.0;
    spec.damper.gas_volume_limit_cm3 = 80.0;
    let low = run(&spec).unwrap();
    assert!(low.truth.gas_force_n < 0.85 * full.truth.gas_force_n);
    for step in 0..4 {
        let truth = &low.truth.steps[step];
        let start = at(&low, truth.end_s - 1.0 / truth.frequency_hz);
        assert!(truth.stroke_m < 0.03 || truth.void_piston_side_m3 > 1e-6);
        if truth.stroke_m > 0.03 {
            // 84 cm³ at mid-stroke is past the stop: void until the rod is well in.
            assert!(low.force[start + 2] < 60.0, "{}", low.force[start + 2]);
        }
    }
}

#[test]
fn an_unsettled_start_fades_over_the_stated_cycles() {
    let mut spec = clean(50.0, 2.0);
    spec.analytic.compression = super::viscous(2000.0);
    spec.analytic.rebound = super::viscous(2000.0);
    spec.motion.cycles = 12;
    let settled = run(&spec).unwrap().truth.steps[0].heat_per_cycle_j;
    spec.faults.unsettled_percent = 20.0;
    spec.faults.unsettled_cycles = 2.0;
    let heat = run(&spec).unwrap().truth.steps[0].heat_j.clone();
    let over = |cycle: usize| heat[cycle] / settled - 1.0;
    assert!(off(over(4) / over(2), (-1.0f64).exp()) < 1e-3);
    assert!(over(11) < 0.002);
}

/// Sensors: each fault shows in the channel as stated.
#[test]
fn sensor_faults_show_as_stated() {
    let base = quiet();
    let clean = run(&base).unwrap();
    let made = |change: &dyn Fn(&mut Sensors)| {
        let mut spec = base.clone();
        change(&mut spec.sensors);
        run(&spec).unwrap()
    };
    let offset = made(&|s| s.force_offset_n = 35.0);
    assert!((offset.force[99] - clean.force[99] - 35.0).abs() < 1e-9);
    let clipped = made(&|s| s.force_clip_n = 600.0);
    assert!(off(clipped.force.iter().copied().fold(0.0, f64::max), 600.0) < 1e-12);
    let stepped = made(&|s| s.force_step_n = 2.5);
    assert!(
        stepped
            .force
            .iter()
            .all(|f| (f / 2.5 - (f / 2.5).round()).abs() < 1e-9)
    );
    let noisy = made(&|s| s.force_noise_percent = 1.0);
    let n = clean.force.len() as f64;
    let square: f64 = noisy
        .force
        .iter()
        .zip(&clean.force)
        .map(|(a, b)| (a - b).powi(2))
        .sum();
    assert!(off((square / n).sqrt(), 50.0) < 0.03);
    let late = made(&|s| s.force_delay_ms = 2.0);
    assert!((late.force[5002] - clean.force[5000]).abs() < 1e-6);
    let spiky = made(&|s| {
        s.spikes_per_thousand = 2.0;
        s.spike_n = 800.0;
    });
    let hit = spiky
        .force
        .iter()
        .zip(&clean.force)
        .filter(|(a, b)| (*a - *b).abs() > 700.0);
    assert!(off(hit.count() as f64 / n, 0.002) < 0.4);
    let gone = made(&|s| {
        s.dropouts_per_thousand = 1.0;
        s.dropout = Dropout::Blank;
    });
    let missing = gone.force.iter().filter(|f| f.is_nan()).count();
    assert!(missing > 0);
    let closing = {
        let mut stream = gone.stream();
        let mut rows = 0;
        while let Some(chunk) = stream.next_chunk().unwrap() {
            rows += chunk.len();
        }
        assert_eq!(rows, gone.time.len() - missing);
        stream.closing()
    };
    assert_eq!(closing.sampling.rows_dropped, missing as u64);
}

/// A jittering clock moves the samples, never the physics.
#[test]
fn jitter_moves_the_samples_within_the_stated_share() {
    let mut spec = quiet();
    spec.motion.slow_at = SlowAt::None;
    spec.motion.jitter_percent = 20.0;
    let made = run(&spec).unwrap();
    let worst = made
        .time
        .iter()
        .enumerate()
        .map(|(i, t)| (t * 1000.0 - i as f64).abs())
        .fold(0.0, f64::max);
    assert!((0.15..=0.2).contains(&worst), "{worst}");
    assert!(made.time.windows(2).all(|w| w[1] > w[0]));
}
