//! Speeding up and slowing down: the two branches of a stroke at equal speed.

use super::Direction;
use crate::signal::sample_circular;

/// Both passages of a stroke through one speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Passage {
    /// Speed, m/s.
    pub speed: f64,
    /// Phase while speeding up.
    pub up: f64,
    /// Phase while slowing down.
    pub down: f64,
}

/// Where the stroke of `direction` passes each of `speeds` before and after its peak at
/// `peak_phase`. A speed the stroke does not reach, or does not fall back from, gives `None`.
pub fn passages(
    velocity: &[f64],
    turn_phase: f64,
    peak_phase: f64,
    direction: Direction,
    speeds: &[f64],
) -> Vec<Option<Passage>> {
    let n = velocity.len() as isize;
    let place = |phase: f64| (phase * n as f64).round() as isize;
    let (begin, end) = match direction {
        Direction::Compression => (0, place(turn_phase)),
        Direction::Rebound => (place(turn_phase), n),
    };
    let mut top = place(peak_phase);
    if top < begin {
        top += n;
    }
    let speed = |i: isize| direction.sign() * velocity[i.rem_euclid(n) as usize];
    let crossing = |target: f64, towards: isize| {
        let mut i = top;
        let limit = if towards > 0 { end + 2 } else { begin - 2 };
        while i != limit {
            let (inner, outer) = (speed(i), speed(i + towards));
            if inner >= target && outer < target {
                let share = (inner - target) / (inner - outer);
                return Some((i as f64 + towards as f64 * share) / n as f64);
            }
            i += towards;
        }
        None
    };
    speeds
        .iter()
        .map(|&target| {
            let up = crossing(target, -1)?;
            let down = crossing(target, 1)?;
            Some(Passage {
                speed: target,
                up,
                down,
            })
        })
        .collect()
}

/// A channel at both phases of a passage: (speeding up, slowing down).
pub fn at_passage(values: &[f64], passage: &Passage) -> (f64, f64) {
    (
        sample_circular(values, passage.up),
        sample_circular(values, passage.down),
    )
}
