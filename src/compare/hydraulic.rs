//! Force without gas and friction: what the valves are judged by.
//!
//! `F_hyd = F − F_rest − s·F_friction`, with `s` = +1 in compression and −1 in rebound
//! (method.md §10). What is taken off errs alike at every speed of a run.

use serde::{Deserialize, Serialize};

use super::direction::{DeltaError, Sides};
use super::force_curve::Reading;
use super::grid::{Curves, curves_of};
use super::settings::CompareSettings;
use super::uncertain::{Part, half_width, interval, total};
use super::wear::HALF_95;
use crate::run::Run;
use crate::statics::Statics;
use crate::steps::Direction;

/// Standard deviation of something anywhere in a range, over the range.
const OF_RANGE: f64 = 0.288_675_134_594_812_9;
/// A force stands clear of zero if the half-width of its interval is less than this share of
/// it (by feel: beyond, a percentage's own interval grows lopsided and tells nobody anything).
const CLEAR: f64 = 0.5;

/// One direction without gas and friction (contract: `hydraulic`). Arrays run along the
/// comparison's `grid_m_s`; our signs.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Hydraulic {
    /// Of the base, N.
    pub base_n: Vec<Option<f64>>,
    /// Of the other, N.
    pub other_n: Vec<Option<f64>>,
    /// Other minus base, N.
    pub delta_n: Vec<Option<f64>>,
    /// The same in % of the base's, positive if the other resists more; `null` where the
    /// base's does not stand clear of zero.
    pub delta_pct: Vec<Option<f64>>,
    /// 95 % interval of `delta_n`.
    pub ci95_n: Vec<Option<[f64; 2]>>,
    /// True if friction is still in, as one of the runs does not tell it: valves and seals
    /// together.
    #[serde(default)]
    pub with_friction: bool,
    /// Parts of the error of `delta_n`.
    #[serde(skip)]
    pub errors: Vec<Option<DeltaError>>,
    /// Parts of the error of `base_n`.
    #[serde(skip)]
    pub base_errors: Vec<Option<DeltaError>>,
}

/// What a run's force holds beside damping.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct AtRest {
    gas: (f64, Part),
    /// `None` where the run does not tell it.
    friction: Option<(f64, Part)>,
}

impl AtRest {
    /// Gas and friction of a run, with their errors; `None` where the run does not tell gas.
    pub(super) fn of(run: &Run) -> Option<Self> {
        let statics = run.statics.as_ref()?;
        let half = |ci: Option<[f64; 2]>| ci.map(|[low, high]| 0.5 * (high - low) / HALF_95);
        let gas = Part::stated(half(statics.ci95.gas_force_n)?);
        let drift = drift(statics);
        Some(Self {
            // Of the middle of the record; the speeds lie all over it.
            gas: (
                statics.gas_force_n? + 0.5 * drift,
                total(&[gas, Part::stated(OF_RANGE * drift)]),
            ),
            friction: statics
                .friction_n
                .zip(half(statics.ci95.friction_n))
                .map(|(n, sd)| (n, Part::stated(sd))),
        })
    }

    fn n(&self, direction: Direction, friction: bool) -> f64 {
        let friction = self.friction.filter(|_| friction).map_or(0.0, |f| f.0);
        self.gas.0 + direction.sign() * friction
    }

    fn error(&self, friction: bool) -> Part {
        let friction = self.friction.filter(|_| friction);
        total(&[self.gas.1, friction.map_or(Part::default(), |f| f.1)])
    }
}

/// A run's force against speed with what it holds at rest taken off, where the run tells it.
#[derive(Debug, Clone, PartialEq)]
pub struct ValveForce {
    curves: Curves,
    rest: Option<AtRest>,
}

impl ValveForce {
    /// Of a run, at the temperature [`curves_of`] states.
    pub fn of(run: &Run, settings: &CompareSettings) -> Self {
        Self {
            curves: curves_of(run, settings),
            rest: AtRest::of(run).filter(|r| r.friction.is_some()),
        }
    }

    /// Whether the run tells gas force and friction; without them forces are total forces.
    pub fn is_without_rest(&self) -> bool {
        self.rest.is_some()
    }

    /// The same with what other runs of the same damper hold at rest on average, their
    /// disagreement counting as error; unchanged where they do not tell, either.
    #[must_use]
    pub fn with_rest_of(mut self, others: &[Self]) -> Self {
        let told: Vec<AtRest> = others.iter().filter_map(|o| o.rest).collect();
        let n = told.len() as f64;
        let mean = |pick: &dyn Fn(&AtRest) -> (f64, Part)| {
            let value = told.iter().map(|r| pick(r).0).sum::<f64>() / n;
            let apart = told
                .iter()
                .map(|r| (pick(r).0 - value).powi(2))
                .sum::<f64>();
            let own = told.iter().map(|r| pick(r).1.variance).sum::<f64>() / n;
            let spread = (own + apart / (n - 1.0).max(1.0)).sqrt();
            (value, Part::stated(spread))
        };
        if !told.is_empty() {
            self.rest = Some(AtRest {
                gas: mean(&|r| r.gas),
                friction: Some(mean(&|r| r.friction.unwrap_or_default())),
            });
        }
        self
    }

    /// The same as total force.
    #[must_use]
    pub fn in_total(mut self) -> Self {
        self.rest = None;
        self
    }

    /// The curves.
    pub fn curves(&self) -> &Curves {
        &self.curves
    }

    /// Gas force and friction as they stand in the total force of a direction, N, our
    /// signs; 0 where not told.
    pub fn rest_n(&self, direction: Direction) -> f64 {
        self.rest.map_or(0.0, |r| r.n(direction, true))
    }

    /// Force that resists, N, and the run's own error of it (repeats not counted); `None`
    /// outside what was measured.
    pub fn resists(&self, direction: Direction, speed: f64) -> Option<(f64, Part)> {
        let reading = self.curves.get(direction).at(speed)?;
        let rest = self.rest.map_or(Part::default(), |r| r.error(true));
        Some((
            direction.sign() * (reading.force_n - self.rest_n(direction)),
            total(&[reading.cycles, reading.between, rest]),
        ))
    }
}

/// The drift of the force at rest, N, where it is shown; else 0.
fn drift(statics: &Statics) -> f64 {
    match (statics.zero_drift_n, statics.ci95.zero_drift_n) {
        (Some(drift), Some([low, high])) if low > 0.0 || high < 0.0 => drift,
        _ => 0.0,
    }
}

/// One direction of both runs without gas and, unless it is to be left in, friction, at one
/// temperature where `warmth` says so.
pub(super) fn hydraulic(
    direction: Direction,
    sides: &Sides<'_>,
    rest: (&AtRest, &AtRest),
    grid: &[f64],
    settings: &CompareSettings,
    less_friction: bool,
) -> Hydraulic {
    let friction = less_friction && rest.0.friction.is_some() && rest.1.friction.is_some();
    let mut out = Hydraulic {
        with_friction: !friction,
        ..Hydraulic::default()
    };
    let factors = sides.warmth.factors(direction);
    for &speed in grid {
        let side = |reading: Option<Reading>, rest: &AtRest, factor: f64| {
            let reading = reading?;
            let force = reading.force_n - rest.n(direction, friction);
            let error = DeltaError {
                cycles: reading.cycles,
                between: reading.between,
                runs: sides.repeats.of_damping(force),
                rest: rest.error(friction),
                warmth: Part::default(),
            };
            Some((factor * force, error))
        };
        let base = side(sides.base.at(speed), rest.0, factors[0]);
        let other = side(sides.other.at(speed), rest.1, factors[1]);
        let both = base.zip(other).map(|((b, eb), (o, eo))| {
            let error = if sides.same_data {
                DeltaError::default()
            } else {
                DeltaError {
                    warmth: sides
                        .warmth
                        .error(direction, f64::midpoint(b.abs(), o.abs())),
                    ..eb.of_difference(&eo)
                }
            };
            (b, o - b, error)
        });
        out.base_n.push(base.map(|b| b.0));
        out.other_n.push(other.map(|o| o.0));
        out.delta_n.push(both.map(|b| b.1));
        out.delta_pct
            .push(base.zip(both).and_then(|((b, error), (_, d, _))| {
                let resists = direction.sign() * b;
                is_clear(resists, &error.total(), settings.confidence)
                    .then(|| 100.0 * direction.sign() * d / resists)
            }));
        out.ci95_n
            .push(both.and_then(|(_, d, e)| interval(d, &e.total(), settings.confidence)));
        out.errors.push(both.map(|b| b.2));
        out.base_errors.push(base.map(|b| b.1));
    }
    out
}

/// Whether a resisting force stands clear of zero, so that percentages of it mean something.
pub(super) fn is_clear(force: f64, error: &Part, confidence: f64) -> bool {
    force > 0.0 && half_width(error, confidence).is_some_and(|half| half < CLEAR * force)
}

/// Interval of `other / base` for two independent numbers with standard errors, `t` the
/// quantile of Student's t: the ratios `r` with `|other − r·base| ≤ t·√(s²_other + r²·s²_base)`
/// (Fieller, J. R. Stat. Soc. B 16 (1954) 175). `None` where they have no two ends, as `base`
/// is not told from zero.
pub fn ratio_interval(other: (f64, f64), base: (f64, f64), t: f64) -> Option<[f64; 2]> {
    let (square, product) = (base.0 * base.0 - (t * base.1).powi(2), other.0 * base.0);
    let rest = other.0 * other.0 - (t * other.1).powi(2);
    if square <= 0.0 || square.is_nan() {
        return None;
    }
    let root = (product * product - square * rest).max(0.0).sqrt();
    Some([(product - root) / square, (product + root) / square])
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Without an error of the base the interval is the other's own over the base.
    #[test]
    fn ratio_to_a_sure_number_is_a_plain_interval() {
        let found = ratio_interval((30.0, 2.0), (10.0, 0.0), 2.0).unwrap();
        assert!((found[0] - 2.6).abs() < 1e-12 && (found[1] - 3.4).abs() < 1e-12);
    }

    /// Both ends solve the equation Fieller's theorem states; a base within its own error of
    /// zero has no interval.
    #[test]
    fn ratio_interval_solves_its_equation() {
        let (o, so, b, sb, t) = (31.0, 2.5, 11.0, 1.5, 2.1);
        let found = ratio_interval((o, so), (b, sb), t).unwrap();
        assert!(found[0] < o / b && o / b < found[1]);
        for r in found {
            let limit = t * f64::hypot(so, r * sb);
            assert!(((o - r * b).abs() - limit).abs() < 1e-9);
        }
        assert_eq!(ratio_interval((o, so), (3.0, 1.5), t), None);
    }
}
