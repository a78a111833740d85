//! Run-to-run repeatability: stated, or learnt from repeats of the base.

use serde::{Deserialize, Serialize};

use super::grid::{Curves, grid};
use super::settings::{CompareSettings, Repeatability};
use super::uncertain::Part;
use super::wear::HALF_95;
use crate::run::Run;
use crate::statics::Statics;
use crate::steps::Direction;

/// The repeatability a comparison rests on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Repeats {
    /// Standard deviation of one run, % of force…
    pub pct: f64,
    /// …and N, added in squares.
    pub n: f64,
    /// Repeats of the base that were given.
    pub repeats: usize,
    /// Degrees of freedom behind it: what the stated numbers are worth, and the repeats.
    pub df: f64,
    /// Standard deviation of one run's force at rest, N; `null` where it is only stated.
    #[serde(default)]
    pub gas_n: Option<f64>,
    /// Of one run's friction, N; `null` where it is only stated.
    #[serde(default)]
    pub friction_n: Option<f64>,
    /// What the repeats alone say: their spread over the stated one.
    pub measured_over_stated: Option<f64>,
}

/// What a run tells of itself: a value and its 95 % interval.
type Told = fn(&Statics) -> (Option<f64>, Option<[f64; 2]>);

impl Repeats {
    /// Only stated.
    pub fn stated(stated: &Repeatability) -> Self {
        Self {
            pct: stated.pct,
            n: stated.n,
            repeats: 0,
            df: stated.worth_repeats,
            gas_n: None,
            friction_n: None,
            measured_over_stated: None,
        }
    }

    /// Learnt from other runs of the base damper: the stated shape times one factor,
    /// `k² = (ν₀ + ν·m²)/(ν₀ + ν)`, with `ν₀` what the stated numbers are worth, `ν` the
    /// number of repeats and `m²` the mean, over both directions and all shared speeds, of
    /// the squared spread over its stated size; what cycle spread explains is taken off.
    /// Speeds of one run err together, so each repeat counts once, not once a speed.
    pub fn learnt(base: &Curves, repeats: &[Curves], settings: &CompareSettings) -> Self {
        let stated = settings.repeatability;
        let runs: Vec<&Curves> = std::iter::once(base).chain(repeats).collect();
        let Some(ratio) = ratio_squared(&runs, settings) else {
            return Self::stated(&stated);
        };
        let n = repeats.len() as f64;
        let worth = stated.worth_repeats.max(0.0);
        let factor = ((worth + n * ratio) / (worth + n)).sqrt();
        Self {
            pct: factor * stated.pct,
            n: factor * stated.n,
            repeats: repeats.len(),
            df: worth + n,
            gas_n: None,
            friction_n: None,
            measured_over_stated: Some(ratio.sqrt()),
        }
    }

    /// With the spread of force at rest and friction of the base and its repeats, held together with the
    /// stated figure as the curves' is; what their own intervals explain is taken off.
    #[must_use]
    pub(super) fn with_statics(mut self, runs: &[&Run], stated: &Repeatability) -> Self {
        let learn = |of: Told| {
            let all: Vec<(f64, f64)> = runs
                .iter()
                .filter_map(|r| {
                    let (value, ci) = of(r.statics.as_ref()?);
                    Some((value?, ci.map_or(0.0, |[l, h]| 0.5 * (h - l) / HALF_95)))
                })
                .collect();
            let n = all.len() as f64 - 1.0;
            if n < 1.0 {
                return None;
            }
            let mean = all.iter().map(|a| a.0).sum::<f64>() / (n + 1.0);
            let spread = all.iter().map(|a| (a.0 - mean).powi(2)).sum::<f64>() / n;
            let explained = all.iter().map(|a| a.1 * a.1).sum::<f64>() / (n + 1.0);
            let worth = stated.worth_repeats.max(0.0);
            let known = worth * stated.sd_n(mean).powi(2);
            Some(((known + n * (spread - explained).max(0.0)) / (worth + n)).sqrt())
        };
        self.gas_n = learn(|s| (s.gas_force_n, s.ci95.gas_force_n));
        self.friction_n = learn(|s| (s.friction_n, s.ci95.friction_n));
        self
    }

    /// Error of one run's force at rest.
    pub(super) fn of_gas(&self, force_n: f64) -> Part {
        self.learnt_or(self.gas_n, force_n)
    }

    /// Error of one run's friction.
    pub(super) fn of_friction(&self, force_n: f64) -> Part {
        self.learnt_or(self.friction_n, force_n)
    }

    fn learnt_or(&self, sd: Option<f64>, force_n: f64) -> Part {
        sd.map_or_else(
            || self.at(force_n),
            |sd| Part {
                variance: sd * sd,
                df: self.df,
            },
        )
    }

    /// Error of one run's damping force: the part that grows with force. The part that does not
    /// (a shift of the cell, drag of the clamping) is in the run's own force at rest and
    /// friction as well, and is taken off with them.
    pub fn of_damping(&self, force_n: f64) -> Part {
        let sd = 0.01 * self.pct * force_n;
        Part {
            variance: sd * sd,
            df: self.df,
        }
    }

    /// Error of one run at a force.
    pub fn at(&self, force_n: f64) -> Part {
        let sd = (0.01 * self.pct * force_n).hypot(self.n);
        Part {
            variance: sd * sd,
            df: self.df,
        }
    }
}

/// Mean of (spread between runs)² over (stated)², speeds and directions together.
fn ratio_squared(runs: &[&Curves], settings: &CompareSettings) -> Option<f64> {
    let (mut sum, mut count) = (0.0, 0usize);
    for direction in Direction::BOTH {
        let curves: Vec<_> = runs.iter().map(|c| c.get(direction)).collect();
        let speeds = grid(runs, settings, |v| curves.iter().all(|c| c.at(v).is_some()));
        for speed in speeds {
            let read: Vec<_> = curves.iter().filter_map(|c| c.at(speed)).collect();
            let n = read.len() as f64;
            if read.len() < 2 {
                continue;
            }
            let mean = read.iter().map(|r| r.force_n).sum::<f64>() / n;
            let spread = read.iter().map(|r| (r.force_n - mean).powi(2)).sum::<f64>() / (n - 1.0);
            let explained = read.iter().map(|r| r.cycles.variance).sum::<f64>() / n;
            let stated = settings.repeatability.sd_n(mean).powi(2);
            if stated > 0.0 {
                sum += (spread - explained).max(0.0) / stated;
                count += 1;
            }
        }
    }
    (count > 0).then(|| sum / count as f64)
}
