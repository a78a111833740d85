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
    let side = |towards: isize| {
        let limit = if towards > 0 { end + 2 } else { begin - 2 };
        let speed =
            |k: isize| direction.sign() * velocity[(top + towards * k).rem_euclid(n) as usize];
        Side::new((0..=(limit - top) * towards).map(speed))
    };
    let (before, after) = (side(-1), side(1));
    speeds
        .iter()
        .map(|&target| {
            let (up, up_part) = before.crossing(target)?;
            let (down, down_part) = after.crossing(target)?;
            Some(Passage {
                speed: target,
                up: ((top - up) as f64 - up_part) / n as f64,
                down: ((top + down) as f64 + down_part) / n as f64,
            })
        })
        .collect()
}

/// Speed outward from the peak on one side of it.
struct Side {
    speeds: Vec<f64>,
    /// Least speed up to here: it falls, so that a crossing can be found by halving.
    least: Vec<f64>,
}

impl Side {
    fn new(speeds: impl Iterator<Item = f64>) -> Self {
        let speeds: Vec<f64> = speeds.collect();
        let least = speeds.iter().scan(f64::INFINITY, |least, &v| {
            *least = least.min(v);
            Some(*least)
        });
        Self {
            least: least.collect(),
            speeds,
        }
    }

    /// Where speed first falls below `target`: whole samples from the peak, and the part of
    /// the next.
    fn crossing(&self, target: f64) -> Option<(isize, f64)> {
        // Speed may still rise at first, if the peak lies beside the highest sample.
        let reached = self.speeds.iter().position(|v| *v >= target)?;
        let below = if reached == 0 {
            self.least.partition_point(|v| *v >= target)
        } else {
            reached + self.speeds[reached..].iter().position(|v| *v < target)?
        };
        let (inner, outer) = (self.speeds[below - 1], *self.speeds.get(below)?);
        let share = (inner - target) / (inner - outer);
        Some((below as isize - 1, share))
    }
}

/// A channel at both phases of a passage: (speeding up, slowing down).
pub fn at_passage(values: &[f64], passage: &Passage) -> (f64, f64) {
    (
        sample_circular(values, passage.up),
        sample_circular(values, passage.down),
    )
}
