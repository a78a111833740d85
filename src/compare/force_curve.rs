//! Total force at mid-stroke as a function of speed, one run and direction, with what is
//! known of its error.
//!
//! The peak-velocity points are the anchors: at their speeds the force is theirs. Between
//! them the full-cycle curve says how force goes from one to the next: it is added to the
//! straight line between what the anchors and it differ by. A reduced table has no such
//! curve; there the value between points is half way between the chord and the triangle the
//! neighbouring chords make above or below it, and the error is as wide as that triangle.

use super::settings::CompareSettings;
use super::uncertain::{Part, total};
use crate::curves::Curve;
use crate::statistics::Summary;
use crate::steps::Direction;

/// A step's own spread is poor with few cycles; it is held together with the mean spread of
/// the run's steps, which counts as this many degrees of freedom (by feel: one step's worth).
const SHARED_DF: f64 = 4.0;

/// If what anchors and full-cycle curve differ by changes by more than this share of the
/// force from one anchor to the next, the curve is bent by something a peak does not see
/// (a void that refills, play), and is not used between them.
const SHAPE_APART: f64 = 0.05;

/// Standard deviation of something anywhere between two limits, over their distance.
const OF_RANGE: f64 = 0.288_675_134_594_812_9;

/// Force at one speed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reading {
    /// Total force at mid-stroke, N, our signs.
    pub force_n: f64,
    /// Error from cycle to cycle.
    pub cycles: Part,
    /// Error from reading between measured speeds.
    pub between: Part,
}

#[derive(Debug, Clone, Copy, PartialEq)]
struct Anchor {
    speed: f64,
    force: f64,
    error: Part,
}

/// Force against speed of one direction.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct ForceCurve {
    anchors: Vec<Anchor>,
    /// Full-cycle curve: speed, force, standard error.
    shape: Vec<(f64, f64, f64)>,
    lowest: f64,
    slack: f64,
}

impl ForceCurve {
    /// One direction of a run's curve. `table` says that it holds a reduced table's points;
    /// `correction_sd` gives a standard deviation, N, to add to the force of a step.
    pub fn of(
        curve: &Curve,
        table: bool,
        direction: Direction,
        settings: &CompareSettings,
        correction_sd: &dyn Fn(usize) -> f64,
    ) -> Self {
        let anchors = anchors(curve, direction, settings.same_speed, correction_sd);
        let shape: Vec<(f64, f64, f64)> = if table {
            Vec::new()
        } else {
            curve
                .get(direction)
                .iter()
                .filter(|p| p.total_force_n.is_finite())
                .map(|p| (p.velocity_m_s, p.total_force_n, p.se_n.unwrap_or(0.0)))
                .collect()
        };
        let first = anchors.first().map_or(f64::INFINITY, |a| a.speed);
        let lowest = match shape.first() {
            Some(point) => first.min(point.0.max(settings.lowest_share * first)),
            None => first,
        };
        Self {
            anchors,
            shape,
            lowest,
            slack: settings.same_speed,
        }
    }

    /// Lowest and highest speed that were measured; `None` without any.
    pub fn range(&self) -> Option<[f64; 2]> {
        self.anchors.last().map(|top| [self.lowest, top.speed])
    }

    /// The measured peak speeds, rising.
    pub fn speeds(&self) -> impl Iterator<Item = f64> + '_ {
        self.anchors.iter().map(|a| a.speed)
    }

    /// Readings over the whole range, for drawing: at every anchor, and `points` evenly
    /// between the ends.
    pub fn trace(&self, points: usize) -> Vec<(f64, Reading)> {
        let Some([low, high]) = self.range() else {
            return Vec::new();
        };
        let even = (0..=points).map(|i| low + (high - low) * i as f64 / points.max(1) as f64);
        let mut speeds: Vec<f64> = even.chain(self.speeds()).collect();
        speeds.sort_by(f64::total_cmp);
        speeds.dedup();
        speeds
            .into_iter()
            .filter_map(|v| self.at(v).map(|r| (v, r)))
            .collect()
    }

    /// Force at `speed`; `None` outside what was measured (a speed within
    /// [`CompareSettings::same_speed`] of the ends counts as measured).
    pub fn at(&self, speed: f64) -> Option<Reading> {
        let [low, high] = self.range()?;
        if !(speed >= low * (1.0 - self.slack) && speed <= high * (1.0 + self.slack)) {
            return None;
        }
        let after = self.anchors.partition_point(|a| a.speed < speed);
        match (
            after.checked_sub(1).and_then(|i| self.anchors.get(i)),
            self.anchors.get(after),
        ) {
            (Some(a), Some(b)) => Some(self.between(after, a, b, speed)),
            (None, Some(first)) => Some(self.below(first, speed)),
            (Some(last), None) => Some(self.beside(last, speed)),
            (None, None) => None,
        }
    }

    fn between(&self, after: usize, a: &Anchor, b: &Anchor, speed: f64) -> Reading {
        let w = (speed - a.speed) / (b.speed - a.speed);
        let cycles = Part {
            variance: (1.0 - w).powi(2) * a.error.variance + w * w * b.error.variance,
            df: a.error.df.min(b.error.df),
        };
        let chord = a.force + w * (b.force - a.force);
        let rest = |x: &Anchor| self.shape_at(x.speed).map_or(0.0, |s| x.force - s.0);
        let (ra, rb) = (rest(a), rest(b));
        let trusted = (rb - ra).abs() <= SHAPE_APART * a.force.abs().max(b.force.abs());
        let Some((drawn, se)) = self.shape_at(speed).filter(|_| trusted) else {
            let room = self.triangle(after, speed) - chord;
            return Reading {
                force_n: chord + 0.5 * room,
                cycles,
                between: Part::stated(OF_RANGE * room),
            };
        };
        // The curve's own noise counts in the middle and not at the anchors.
        let noise = 2.0 * (w * (1.0 - w)).sqrt() * se;
        let bend = 4.0 * w * (1.0 - w) * OF_RANGE * (rb - ra);
        Reading {
            force_n: drawn + ra + w * (rb - ra),
            cycles,
            between: Part::stated(noise.hypot(bend)),
        }
    }

    /// Below the slowest step: inside its loop.
    fn below(&self, first: &Anchor, speed: f64) -> Reading {
        let (Some((here, se)), Some((there, _))) =
            (self.shape_at(speed), self.shape_at(first.speed))
        else {
            return self.beside(first, speed);
        };
        let rest = first.force - there;
        let away = (1.0 - speed / first.speed).max(0.0);
        Reading {
            force_n: here + rest,
            cycles: first.error,
            between: Part::stated((away.sqrt() * se).hypot(2.0 * OF_RANGE * away * rest)),
        }
    }

    /// Within the slack of an end: the end's own force, moved along the slope there.
    fn beside(&self, end: &Anchor, speed: f64) -> Reading {
        let near = self
            .anchors
            .iter()
            .filter(|a| a.speed != end.speed)
            .min_by(|a, b| {
                (a.speed - end.speed)
                    .abs()
                    .total_cmp(&(b.speed - end.speed).abs())
            });
        let slope = match (near, self.shape.last()) {
            (Some(a), _) => (end.force - a.force) / (end.speed - a.speed),
            (None, Some(p)) if p.0 < end.speed => (end.force - p.1) / (end.speed - p.0),
            _ => 0.0,
        };
        let step = slope * (speed - end.speed);
        Reading {
            force_n: end.force + step,
            cycles: end.error,
            between: Part::stated(OF_RANGE * step),
        }
    }

    /// The full-cycle curve, drawn on to the fastest anchor.
    fn shape_at(&self, speed: f64) -> Option<(f64, f64)> {
        let last = *self.shape.last()?;
        if speed > last.0 {
            let top = self.anchors.last()?;
            if top.speed <= last.0 {
                return Some((last.1, last.2));
            }
            let w = ((speed - last.0) / (top.speed - last.0)).min(1.0);
            return Some((last.1 + w * (top.force - last.1), last.2));
        }
        let k = self.shape.partition_point(|p| p.0 < speed);
        let b = self.shape.get(k)?;
        let Some(a) = k.checked_sub(1).and_then(|i| self.shape.get(i)) else {
            return Some((b.1, b.2));
        };
        let w = (speed - a.0) / (b.0 - a.0);
        Some((a.1 + w * (b.1 - a.1), a.2 + w * (b.2 - a.2)))
    }

    /// The far side of the triangle over the chord that ends at anchor `after`: what a
    /// curve that bends one way can reach at most. The chord itself without neighbours.
    fn triangle(&self, after: usize, speed: f64) -> f64 {
        let line = |i: usize, j: usize| {
            let (a, b) = (self.anchors.get(i)?, self.anchors.get(j)?);
            Some(a.force + (b.force - a.force) * (speed - a.speed) / (b.speed - a.speed))
        };
        let before = after - 1;
        let chord = line(before, after).unwrap_or(0.0);
        let left = before.checked_sub(1).and_then(|i| line(i, before));
        let right = line(after, after + 1);
        let w = (speed - self.anchors[before].speed)
            / (self.anchors[after].speed - self.anchors[before].speed);
        match (left, right) {
            (Some(l), Some(r)) if (l - chord) * (r - chord) > 0.0 => {
                if (l - chord).abs() < (r - chord).abs() {
                    l
                } else {
                    r
                }
            }
            (Some(l), Some(r)) => {
                // An inflection: the nearer end's own line is the best guess of its size.
                chord + (1.0 - w) * w * ((l - chord) + (r - chord))
            }
            // At an end only one neighbour says how the curve bends; it still meets both anchors.
            (Some(l), None) => chord + (1.0 - w) * (l - chord),
            (None, Some(r)) => chord + w * (r - chord),
            (None, None) => chord,
        }
    }
}

/// Peak points with their errors, repeats of one speed joined.
fn anchors(
    curve: &Curve,
    direction: Direction,
    same: f64,
    correction_sd: &dyn Fn(usize) -> f64,
) -> Vec<Anchor> {
    let points = curve.peaks.get(direction);
    let cycles = curve.peak_cycles.get(direction);
    let spreads: Vec<Option<(f64, usize)>> = points
        .iter()
        .enumerate()
        .map(|(i, _)| {
            let forces: Vec<f64> = cycles.get(i)?.iter().map(|c| c.1).collect();
            let summary = Summary::of(&forces)?;
            Some((summary.sd?.powi(2), summary.n))
        })
        .collect();
    let known: f64 = spreads.iter().flatten().map(|(_, n)| *n as f64 - 1.0).sum();
    let shared = spreads
        .iter()
        .flatten()
        .map(|(v, n)| v * (*n as f64 - 1.0))
        .sum::<f64>()
        / known.max(1.0);
    let mut all: Vec<Anchor> = points
        .iter()
        .zip(&spreads)
        .filter(|(p, _)| p.force_n.is_finite() && p.velocity_m_s > 0.0)
        .map(|(p, spread)| {
            let error = spread.map_or(Part::stated(0.0), |(variance, n)| {
                let own = n as f64 - 1.0;
                // The run's other steps lend no more freedom than they have.
                let lent = SHARED_DF.min(known - own);
                let df = own + lent;
                Part::estimated((own * variance + lent * shared) / df / n as f64, df)
            });
            let corrected = Part::stated(p.step.map_or(0.0, correction_sd));
            Anchor {
                speed: p.velocity_m_s,
                force: p.force_n,
                error: total(&[error, corrected]),
            }
        })
        .collect();
    all.sort_by(|a, b| a.speed.total_cmp(&b.speed));
    let mut out: Vec<Vec<Anchor>> = Vec::new();
    for anchor in all {
        match out.last_mut() {
            Some(group) if anchor.speed <= group[0].speed * (1.0 + same) => group.push(anchor),
            _ => out.push(vec![anchor]),
        }
    }
    out.iter().map(|group| joined(group)).collect()
}

/// Several steps at one speed as one: their disagreement counts if it is more than their
/// cycles explain (a ladder up and down again meets a warmer damper).
fn joined(group: &[Anchor]) -> Anchor {
    let n = group.len() as f64;
    let mean = |pick: &dyn Fn(&Anchor) -> f64| group.iter().map(pick).sum::<f64>() / n;
    let force = mean(&|a| a.force);
    let within = Part {
        variance: mean(&|a| a.error.variance) / n,
        df: group.iter().map(|a| a.error.df).sum(),
    };
    let apart =
        group.iter().map(|a| (a.force - force).powi(2)).sum::<f64>() / ((n - 1.0).max(1.0) * n);
    let error = if apart > within.variance {
        Part::estimated(apart, within.df.min(n - 1.0 + SHARED_DF))
    } else {
        within
    };
    Anchor {
        speed: mean(&|a| a.speed),
        force,
        error,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// At a measured speed the force is the one that was measured, at both ends of a reduced table, too;
    /// between them a bent curve lies on the bent side of its chord.
    #[test]
    fn a_table_is_read_as_it_stands() {
        let points = [(0.05, 380.0), (0.1, 500.0), (0.26, 780.0), (1.04, 1740.0)];
        let anchors = points
            .iter()
            .map(|(speed, force)| Anchor {
                speed: *speed,
                force: *force,
                error: Part::stated(0.0),
            })
            .collect();
        let curve = ForceCurve {
            anchors,
            shape: Vec::new(),
            lowest: 0.05,
            slack: 0.01,
        };
        for (speed, force) in points {
            let read = curve.at(speed).unwrap();
            assert!(
                (read.force_n - force).abs() < 1e-9,
                "{speed}: {}",
                read.force_n
            );
            assert!(read.between.variance < 1e-12);
        }
        for (low, high) in [(0, 1), (2, 3)] {
            let speed = f64::midpoint(points[low].0, points[high].0);
            let chord = f64::midpoint(points[low].1, points[high].1);
            assert!(curve.at(speed).unwrap().force_n > chord);
        }
    }
}
