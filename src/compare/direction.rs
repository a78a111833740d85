//! One direction of two dampers, speed by speed.

use serde::{Deserialize, Serialize};

use super::force_curve::{ForceCurve, Reading};
use super::hydraulic::{AtRest, Hydraulic, hydraulic};
use super::repeat::Repeats;
use super::settings::CompareSettings;
use super::uncertain::{Part, interval, shown_inside, total};
use super::verdict::Verdict;
use super::warmth::Warmth;
use crate::steps::Direction;

/// One damper against the base in one direction (contract: `compression[]`, `rebound[]`).
/// Arrays run along the comparison's `grid_m_s`, `null` where one of the two was not
/// measured. Forces are total forces at mid-stroke, our signs.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct DirectionComparison {
    /// Name of the other damper.
    pub other: String,
    /// Force of the base, N.
    pub base_n: Vec<Option<f64>>,
    /// Force of the other, N.
    pub other_n: Vec<Option<f64>>,
    /// Other minus base, N.
    pub delta_n: Vec<Option<f64>>,
    /// The same in % of the size of the base's force: positive if the other resists more. `null` also
    /// where the base's force is smaller than the tolerance's floor.
    pub delta_pct: Vec<Option<f64>>,
    /// 95 % interval of `delta_n`.
    pub ci95_n: Vec<Option<[f64; 2]>>,
    /// The interval the equivalence test looks at: inside the tolerance means within.
    pub ci90_n: Vec<Option<[f64; 2]>>,
    /// True at the speeds that one of the two was driven at; only these decide, the others are
    /// read between.
    #[serde(default)]
    pub driven: Vec<bool>,
    /// Allowed difference, N, of what is judged: `hydraulic` where there is one.
    pub tolerance_n: Vec<Option<f64>>,
    /// Verdict of each driven speed.
    pub verdicts: Vec<Option<Verdict>>,
    /// Verdict of the direction.
    pub verdict: Option<Verdict>,
    /// Tolerance, % of the base's force.
    pub tolerance_pct: Option<f64>,
    /// Driven speed where the difference is the largest share of its tolerance.
    pub worst_velocity_m_s: Option<f64>,
    /// The same without gas and friction; `null` where one of the runs does not tell them.
    #[serde(default)]
    pub hydraulic: Option<Hydraulic>,
    /// The parts of the error at each speed, for averages over speeds.
    #[serde(skip)]
    pub errors: Vec<Option<DeltaError>>,
    /// Without gas, friction left in; only where friction is not shown to differ.
    #[serde(skip)]
    pub less_gas: Option<Hydraulic>,
    /// Place of `worst_velocity_m_s` along the grid.
    #[serde(skip)]
    pub worst: Option<usize>,
}

/// Where the error of a difference comes from.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct DeltaError {
    /// Cycle to cycle; independent from speed to speed.
    pub cycles: Part,
    /// Reading between measured speeds.
    pub between: Part,
    /// Run to run; the speeds of one run err together.
    pub runs: Part,
    /// Gas and friction taken off; zero in total force. The speeds of one run err together.
    pub rest: Part,
    /// Temperature; all speeds err together.
    pub warmth: Part,
}

impl DeltaError {
    /// All together.
    pub fn total(&self) -> Part {
        total(&[self.own(), self.common()])
    }

    /// What each speed errs by on its own.
    pub fn own(&self) -> Part {
        total(&[self.cycles, self.between])
    }

    /// What all speeds err by together.
    pub fn common(&self) -> Part {
        total(&[self.runs, self.rest, self.warmth])
    }

    /// Error of the difference of two numbers with these errors.
    #[must_use]
    pub fn of_difference(&self, other: &Self) -> Self {
        Self {
            cycles: total(&[self.cycles, other.cycles]),
            between: total(&[self.between, other.between]),
            // One factor for both runs, so the degrees of freedom do not add.
            runs: Part {
                variance: self.runs.variance + other.runs.variance,
                df: self.runs.df,
            },
            rest: total(&[self.rest, other.rest]),
            warmth: total(&[self.warmth, other.warmth]),
        }
    }
}

/// What of a direction is judged: forces without gas and friction where both runs tell them,
/// else total forces. Arrays run along the grid.
#[derive(Debug, Clone, Copy)]
pub struct Judged<'a> {
    /// Of the base, N, our signs.
    pub base_n: &'a [Option<f64>],
    /// Of the other, N.
    pub other_n: &'a [Option<f64>],
    /// Other minus base, N.
    pub delta_n: &'a [Option<f64>],
    /// In % of the size of the base's, positive if the other resists more.
    pub delta_pct: &'a [Option<f64>],
    /// 95 % interval of `delta_n`.
    pub ci95_n: &'a [Option<[f64; 2]>],
    /// Parts of the error of `delta_n`.
    pub errors: &'a [Option<DeltaError>],
}

impl DirectionComparison {
    /// What is judged.
    pub fn judged(&self) -> Judged<'_> {
        match &self.hydraulic {
            Some(h) => Judged {
                base_n: &h.base_n,
                other_n: &h.other_n,
                delta_n: &h.delta_n,
                delta_pct: &h.delta_pct,
                ci95_n: &h.ci95_n,
                errors: &h.errors,
            },
            None => Judged {
                base_n: &self.base_n,
                other_n: &self.other_n,
                delta_n: &self.delta_n,
                delta_pct: &self.delta_pct,
                ci95_n: &self.ci95_n,
                errors: &self.errors,
            },
        }
    }

    /// Places along the grid that were driven and compared.
    pub fn decisive(&self) -> impl Iterator<Item = usize> + '_ {
        self.driven
            .iter()
            .zip(&self.delta_n)
            .enumerate()
            .filter(|(_, (driven, delta))| **driven && delta.is_some())
            .map(|(k, _)| k)
    }

    /// Whether two one-sided tests show force without gas inside ±`allowed` at a place of the
    /// grid, friction being alike.
    fn less_gas_within(&self, k: usize, allowed: f64, settings: &CompareSettings) -> bool {
        let found = self.less_gas.as_ref().and_then(|h| {
            let delta = h.delta_n.get(k).copied().flatten()?;
            Some((delta, h.errors.get(k).copied().flatten()?))
        });
        found.is_some_and(|(d, e)| {
            shown_inside(d, &e.total(), [-allowed, allowed], settings.alpha) == Some(true)
        })
    }

    /// Holds each driven speed against its tolerance, and finds the worst of them. Where
    /// friction is alike, force without gas that is shown to keep to the same tolerance
    /// settles a speed that friction's error leaves open.
    fn decide(&mut self, settings: &CompareSettings) {
        let looks: Vec<usize> = self.decisive().collect();
        let n = self.delta_n.len();
        let (mut tolerance, mut verdicts) = (vec![None; n], vec![None; n]);
        let mut ci90 = vec![None; n];
        let mut worst: Option<(usize, f64)> = None;
        let judged = self.judged();
        for k in 0..n {
            let at = |x: &[Option<f64>]| x.get(k).copied().flatten();
            let (Some(b), Some(d), Some(Some(e))) =
                (at(judged.base_n), at(judged.delta_n), judged.errors.get(k))
            else {
                continue;
            };
            ci90[k] = interval(d, &e.total(), 1.0 - 2.0 * settings.alpha);
            let allowed = self.tolerance_pct.map(|pct| settings.allowed_n(b, pct));
            tolerance[k] = allowed;
            if !looks.contains(&k) {
                continue;
            }
            verdicts[k] = allowed.map(|a| {
                let levels = (settings.confidence, settings.alpha);
                let parts = (&e.common(), &e.own());
                // Both directions are looked at.
                let limits = [Some(-a), Some(a)];
                let found = Verdict::of_one_of_many(d, parts, limits, levels, 2 * looks.len());
                if found == Verdict::Undecided && self.less_gas_within(k, a, settings) {
                    Verdict::Within
                } else {
                    found
                }
            });
            let size = d.abs() / allowed.unwrap_or_else(|| settings.allowed_n(b, 1.0));
            if worst.is_none_or(|w| size > w.1) {
                worst = Some((k, size));
            }
        }
        self.worst = worst.map(|w| w.0);
        self.verdict = Verdict::all(verdicts.iter().flatten().copied());
        (self.tolerance_n, self.verdicts, self.ci90_n) = (tolerance, verdicts, ci90);
    }
}

/// Two sides of a comparison: curve and repeatability of each, and whether they are the
/// very same data (whose errors are then the same, too).
#[derive(Debug, Clone, Copy)]
pub(super) struct Sides<'a> {
    /// The base's curve.
    pub(super) base: &'a ForceCurve,
    /// The other's.
    pub(super) other: &'a ForceCurve,
    /// Gas and friction of both, where both tell them.
    pub(super) rest: Option<(&'a AtRest, &'a AtRest)>,
    /// Run-to-run repeatability.
    pub(super) repeats: &'a Repeats,
    /// Temperatures.
    pub(super) warmth: &'a Warmth,
    /// True if friction is told by both and not shown to differ.
    pub(super) friction_alike: bool,
    /// True if both come from the same bytes.
    pub(super) same_data: bool,
}

/// Compares one direction along `grid`. `tolerance_pct` of `None` gives no verdict.
pub(super) fn compare_direction(
    name: &str,
    direction: Direction,
    sides: &Sides<'_>,
    grid: &[f64],
    tolerance_pct: Option<f64>,
    settings: &CompareSettings,
) -> DirectionComparison {
    let mut out = DirectionComparison {
        other: name.to_owned(),
        tolerance_pct,
        hydraulic: sides
            .rest
            .map(|rest| hydraulic(direction, sides, rest, grid, settings, true)),
        less_gas: sides
            .rest
            .filter(|_| sides.friction_alike)
            .map(|rest| hydraulic(direction, sides, rest, grid, settings, false)),
        ..DirectionComparison::default()
    };
    for &speed in grid {
        let (base, other) = (sides.base.at(speed), sides.other.at(speed));
        out.base_n.push(base.map(|r| r.force_n));
        out.other_n.push(other.map(|r| r.force_n));
        let both = base.zip(other).map(|(b, o)| {
            let error = if sides.same_data {
                DeltaError::default()
            } else {
                let error = |r: &Reading| DeltaError {
                    cycles: r.cycles,
                    between: r.between,
                    runs: sides.repeats.at(r.force_n),
                    ..DeltaError::default()
                };
                // Oil changes damping, not what gas and friction add to it.
                let k = out.base_n.len() - 1;
                let damping = out.hydraulic.as_ref().and_then(|h| {
                    let (a, b) = ((*h.base_n.get(k)?)?, (*h.other_n.get(k)?)?);
                    Some(f64::midpoint(a.abs(), b.abs()))
                });
                let warmth = match damping {
                    Some(n) => sides.warmth.error(direction, n),
                    None => {
                        let total = f64::midpoint(b.force_n.abs(), o.force_n.abs());
                        sides.warmth.error_as_measured(direction, total)
                    }
                };
                DeltaError {
                    warmth,
                    ..error(&b).of_difference(&error(&o))
                }
            };
            (b.force_n, o.force_n - b.force_n, error)
        });
        let enough = |b: f64| b.abs() >= settings.tolerance_floor_n && b != 0.0;
        out.delta_n.push(both.map(|b| b.1));
        out.delta_pct.push(
            both.filter(|b| enough(b.0))
                .map(|b| 100.0 * direction.sign() * b.1 / b.0.abs()),
        );
        out.ci95_n
            .push(both.and_then(|(_, d, e)| interval(d, &e.total(), settings.confidence)));
        out.errors.push(both.map(|b| b.2));
        let near = |curve: &ForceCurve| {
            let same = |a: f64| (a / speed - 1.0).abs() <= settings.same_speed + f64::EPSILON;
            curve.speeds().any(same)
        };
        out.driven.push(near(sides.base) || near(sides.other));
    }
    out.decide(settings);
    out.worst_velocity_m_s = out.worst.and_then(|k| grid.get(k).copied());
    out
}
