//! Lost motion of every step and cycle, against what the healthy curve says.

use rayon::prelude::*;

use super::{Curve, Expected};
use crate::steps::lost_motion::{Recovery, StaticLevel, Stroke, recovery};
use crate::steps::{Direction, PerDirection, Step};

/// What the damper shows at a speed when nothing is wrong, per direction.
pub fn expectations(curve: &Curve) -> PerDirection<Expected> {
    let of = |direction| Expected::from_curve(curve, direction, f64::INFINITY);
    PerDirection {
        compression: of(Direction::Compression),
        rebound: of(Direction::Rebound),
    }
}

/// What happened after the reversal that begins the stroke of `direction`, on the step's
/// mean loop.
pub fn step_recovery(
    step: &Step,
    direction: Direction,
    level: &StaticLevel,
    expected: &PerDirection<Expected>,
) -> Recovery {
    let curve = expected.get(direction);
    recovery(
        &step.fold,
        &step.fold.force,
        step.period_s(),
        direction,
        level,
        noise_of_mean(step),
        &|v| curve.at(v),
    )
}

/// Standard deviation of the noise left in a step's mean loop, N.
fn noise_of_mean(step: &Step) -> f64 {
    step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt()
}

/// Steps slower than this at their peak set the baseline, m/s: what they lose, they lose
/// without speed. 15 mm/s, as for gas and friction, with a margin for cranks.
pub(super) const SLOW_M_S: f64 = 0.018;

/// Fills `lost_motion_m` of every step, net of the slow steps, and the gross values of the
/// cycles that were kept.
pub fn fill_lost_motion(
    steps: &mut [Step],
    level: &StaticLevel,
    expected: &PerDirection<Expected>,
) {
    let mut baseline = PerDirection::<Option<f64>>::default();
    let gross: Vec<[f64; 2]> = steps
        .par_iter_mut()
        .map(|step| fill_gross(step, level, expected))
        .collect();
    for (step, gross) in steps.iter().zip(gross) {
        if step.top_speed() < SLOW_M_S {
            for (direction, gross) in Direction::BOTH.into_iter().zip(gross) {
                let base = baseline.get_mut(direction);
                *base = Some(base.map_or(gross, |b: f64| b.max(gross)));
            }
        }
    }
    for step in steps {
        let lost = &mut step.lost_motion_m;
        let net = |gross: Option<f64>, base: Option<f64>| {
            gross.map(|g| (g - base.unwrap_or(0.0)).max(0.0))
        };
        lost.compression_baseline = baseline.compression;
        lost.rebound_baseline = baseline.rebound;
        lost.compression_start = net(lost.compression_gross, baseline.compression);
        lost.rebound_start = net(lost.rebound_gross, baseline.rebound);
    }
}

/// Lost motion of a step's mean loop, compression first, and of each kept cycle, nothing
/// taken off.
fn fill_gross(step: &mut Step, level: &StaticLevel, expected: &PerDirection<Expected>) -> [f64; 2] {
    let mean_noise = noise_of_mean(step);
    let period = step.period_s();
    let strokes = Direction::BOTH.map(|direction| {
        let curve = expected.get(direction);
        Stroke::new(&step.fold, direction, level, &|v| curve.at(v))
    });
    let lost = |force: &[f64], period: f64, noise: f64| {
        [0, 1].map(|side: usize| strokes[side].recovery(force, period, noise).lost_m)
    };
    let gross = lost(&step.fold.force, period, mean_noise);
    step.lost_motion_m.compression_gross = Some(gross[0]);
    step.lost_motion_m.rebound_gross = Some(gross[1]);
    for cycle in &step.kept {
        let [compression, rebound] = lost(&cycle.force, cycle.period_s, step.force_noise_n);
        if let Some(entry) = step
            .series
            .iter_mut()
            .find(|s| (s.first..s.first + u64::from(s.count)).contains(&cycle.index))
        {
            entry.lost_compression_m = Some(compression);
            entry.lost_rebound_m = Some(rebound);
        }
    }
    gross
}
