//! Lost motion of every step and cycle, against what the healthy curve says.

use super::{Curve, Expected};
use crate::steps::lost_motion::{Recovery, StaticLevel, recovery};
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
    let noise = step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt();
    let curve = expected.get(direction);
    recovery(
        &step.fold,
        &step.fold.force,
        step.period_s(),
        direction,
        level,
        noise,
        &|v| curve.at(v),
    )
}

/// Fills `lost_motion_m` of the step and of the cycles that were kept.
pub fn fill_lost_motion(step: &mut Step, level: &StaticLevel, expected: &PerDirection<Expected>) {
    let lost = |direction| step_recovery(step, direction, level, expected).lost_m;
    let (compression, rebound) = (lost(Direction::Compression), lost(Direction::Rebound));
    step.lost_motion_m.compression_start = Some(compression);
    step.lost_motion_m.rebound_start = Some(rebound);
    for cycle in &step.kept {
        let of = |direction: Direction| {
            let curve = expected.get(direction);
            let noise = step.force_noise_n;
            recovery(
                &step.fold,
                &cycle.force,
                cycle.period_s,
                direction,
                level,
                noise,
                &|v| curve.at(v),
            )
            .lost_m
        };
        let values = (of(Direction::Compression), of(Direction::Rebound));
        if let Some(entry) = step
            .series
            .iter_mut()
            .find(|s| (s.first..s.first + u64::from(s.count)).contains(&cycle.index))
        {
            entry.lost_compression_m = Some(values.0);
            entry.lost_rebound_m = Some(values.1);
        }
    }
}
