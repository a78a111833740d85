//! Where each stroke carries force again after its reversal: what a void, play or air swallows
//! must not be read as gas stiffness, delay or friction.

use crate::steps::lost_motion::{StaticLevel, recovery};
use crate::steps::{Direction, Step};

/// Lost travel beyond this share of the stroke is kept out of what is read at rest.
const LOST_SHARE: f64 = 0.01;
/// And this much more, in times its own length: force is still coming back.
const LOST_MARGIN: f64 = 0.6;

/// Phase of the reversal that begins a stroke.
fn turn_of(step: &Step, direction: Direction) -> f64 {
    match direction {
        Direction::Compression => 0.0,
        Direction::Rebound => step.fold.turn_phase,
    }
}

/// Phase from which the stroke of `direction` carries force again after its reversal: play,
/// a void or air must not be read as gas stiffness or as lag. `expected` is what the curve of
/// other steps says, 0 where there is none yet, as for [`recovery`].
pub fn sound_from(
    step: &Step,
    direction: Direction,
    level: &StaticLevel,
    expected: &dyn Fn(f64) -> f64,
) -> f64 {
    let begin = turn_of(step, direction);
    let noise = step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt();
    let after = recovery(
        &step.fold,
        &step.fold.force,
        step.period_s(),
        direction,
        level,
        noise,
        expected,
    );
    if after.lost_m < LOST_SHARE * step.stroke_m {
        return f64::NEG_INFINITY;
    }
    after.phase + LOST_MARGIN * (after.phase - begin)
}

/// [`sound_from`] by the stroke alone, before statics and curve are known.
pub fn sound_alone(step: &Step, direction: Direction) -> f64 {
    sound_from(step, direction, &StaticLevel::default(), &|_| 0.0)
}
