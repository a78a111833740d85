//! One direction of two dampers, speed by speed.

use serde::{Deserialize, Serialize};

use super::force_curve::{ForceCurve, Reading};
use super::hydraulic::Hydraulic;
use super::repeat::Repeats;
use super::settings::CompareSettings;
use super::uncertain::{Part, interval, total};
use super::verdict::Verdict;

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
    /// The same in % of the base's force: positive if the other resists more. `null` also
    /// where the base's force is smaller than the tolerance's floor.
    pub delta_pct: Vec<Option<f64>>,
    /// 95 % interval of `delta_n`.
    pub ci95_n: Vec<Option<[f64; 2]>>,
    /// The interval the equivalence test looks at: inside the tolerance means within.
    pub ci90_n: Vec<Option<[f64; 2]>>,
    /// Allowed difference, N.
    pub tolerance_n: Vec<Option<f64>>,
    /// Verdict of each speed.
    pub verdicts: Vec<Option<Verdict>>,
    /// Verdict of the direction.
    pub verdict: Option<Verdict>,
    /// Tolerance, % of the base's force.
    pub tolerance_pct: Option<f64>,
    /// Speed where the difference is the largest share of its tolerance.
    pub worst_velocity_m_s: Option<f64>,
    /// The same without gas and friction; `null` where one of the runs does not tell them.
    #[serde(default)]
    pub hydraulic: Option<Hydraulic>,
    /// The parts of the error at each speed, for averages over speeds.
    #[serde(skip)]
    pub errors: Vec<Option<DeltaError>>,
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
}

impl DeltaError {
    /// All together.
    pub fn total(&self) -> Part {
        total(&[self.cycles, self.between, self.runs, self.rest])
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
        }
    }
}

/// Two sides of a comparison: curve and repeatability of each, and whether they are the
/// very same data (whose errors are then the same, too).
#[derive(Debug, Clone, Copy)]
pub struct Sides<'a> {
    /// The base's curve.
    pub base: &'a ForceCurve,
    /// The other's.
    pub other: &'a ForceCurve,
    /// Run-to-run repeatability.
    pub repeats: &'a Repeats,
    /// True if both come from the same bytes.
    pub same_data: bool,
}

/// Compares one direction along `grid`. `tolerance_pct` of `None` gives no verdict.
pub fn compare_direction(
    name: &str,
    sides: &Sides<'_>,
    grid: &[f64],
    tolerance_pct: Option<f64>,
    settings: &CompareSettings,
) -> DirectionComparison {
    let mut out = DirectionComparison {
        other: name.to_owned(),
        tolerance_pct,
        ..DirectionComparison::default()
    };
    let mut worst: Option<(f64, f64)> = None;
    let compared = |v: &&f64| sides.base.at(**v).is_some() && sides.other.at(**v).is_some();
    // Both directions are looked at.
    let looks = 2 * grid.iter().filter(compared).count();
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
                    rest: Part::default(),
                };
                error(&b).of_difference(&error(&o))
            };
            (b.force_n, o.force_n - b.force_n, error)
        });
        let allowed = both
            .zip(tolerance_pct)
            .map(|((b, ..), pct)| settings.allowed_n(b, pct));
        let verdict = both.zip(allowed).map(|((_, d, e), a)| {
            let own = total(&[e.cycles, e.between]);
            let levels = (settings.confidence, settings.alpha);
            Verdict::of_one_of_many(d, (&e.runs, &own), [Some(-a), Some(a)], levels, looks)
        });
        let enough = |b: f64| b.abs() >= settings.tolerance_floor_n && b != 0.0;
        let ci = |confidence: f64| both.and_then(|(_, d, e)| interval(d, &e.total(), confidence));
        out.delta_n.push(both.map(|b| b.1));
        out.delta_pct
            .push(both.filter(|b| enough(b.0)).map(|b| 100.0 * b.1 / b.0));
        out.ci95_n.push(ci(settings.confidence));
        out.ci90_n.push(ci(1.0 - 2.0 * settings.alpha));
        out.tolerance_n.push(allowed);
        out.verdicts.push(verdict);
        out.errors.push(both.map(|b| b.2));
        if let Some((b, d, _)) = both {
            let size = d.abs() / allowed.unwrap_or_else(|| settings.allowed_n(b, 1.0));
            if worst.is_none_or(|w| size > w.1) {
                worst = Some((speed, size));
            }
        }
    }
    out.worst_velocity_m_s = worst.map(|w| w.0);
    out.verdict = Verdict::all(out.verdicts.iter().flatten().copied());
    out
}
