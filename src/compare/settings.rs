//! What steers a comparison: every judgement in it is a number here.

use serde::{Deserialize, Serialize};

/// Why dampers are put side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Purpose {
    /// Before and after a change of valving.
    Revalve,
    /// A reference and a used damper.
    Wear,
    /// Left and right, or any set that should match.
    Pair,
}

impl Purpose {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Revalve => "revalve",
            Self::Wear => "wear",
            Self::Pair => "pair",
        }
    }
}

/// How well a run of the same damper on the same machine comes out the same: standard
/// deviation of the force at one speed from run to run. Both parts add in squares.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Repeatability {
    /// Part that grows with force, % of it.
    pub pct: f64,
    /// Part that does not, N.
    pub n: f64,
    /// How many repeats the two numbers above are worth: their degrees of freedom.
    pub worth_repeats: f64,
}

impl Default for Repeatability {
    /// 0.5 % and 2 N for load cell, clamping and warming up together: common practice, from
    /// memory. Taken to be right to a quarter, which is worth `½·0.25⁻²` = 8 degrees of
    /// freedom (GUM G.4.2), so that one lucky or unlucky repeat does not rule alone.
    fn default() -> Self {
        Self {
            pct: 0.5,
            n: 2.0,
            worth_repeats: 8.0,
        }
    }
}

impl Repeatability {
    /// Standard deviation of one run at a force, N.
    pub fn sd_n(&self, force_n: f64) -> f64 {
        (0.01 * self.pct * force_n).hypot(self.n)
    }
}

/// Limits of `wear`: how far a used damper may be from its reference.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct WearLimits {
    /// Friction may rise by this, N.
    pub friction_rise_n: f64,
    /// Gas force may change by this share of the reference's, %…
    pub gas_change_pct: f64,
    /// …or by this, N, whichever is more.
    pub gas_change_n: f64,
    /// Lost motion may grow by this, m.
    pub lost_motion_rise_m: f64,
}

impl Default for WearLimits {
    /// Common practice, from memory: 30 N of friction, a fifth or 20 N of gas force, half a
    /// millimetre of lost motion are what a rebuilder would ask about.
    fn default() -> Self {
        Self {
            friction_rise_n: 30.0,
            gas_change_pct: 20.0,
            gas_change_n: 20.0,
            lost_motion_rise_m: 0.5e-3,
        }
    }
}

/// Settings of `compare`, `check` and `match`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct CompareSettings {
    /// Tolerance, % of the base's force; `None` takes the purpose's own.
    pub tolerance_pct: Option<f64>,
    /// The tolerance is never less than this, N: where force is small, percent mean nothing
    /// (10 N: a third of an ordinary damper's friction, by feel).
    pub tolerance_floor_n: f64,
    /// Confidence of the intervals that are shown.
    pub confidence: f64,
    /// Chance of calling something within tolerance that is not, at the edge of it.
    pub alpha: f64,
    /// Speeds closer than this share are one speed: drives do not repeat better (the trade
    /// standards allow 2 strokes in 100 a minute).
    pub same_speed: f64,
    /// Below this share of the slowest step's peak speed a loop is at its reversal, where
    /// lag and play rule: no force is read there.
    pub lowest_share: f64,
    /// Compare at a common temperature where both runs allow it and were measured this far
    /// apart or more, K; infinite never does.
    pub refer_beyond_k: f64,
    /// Where nobody recorded temperature: how far two runs may be apart, either way, K (10 K:
    /// a cold and a warm damper in one shop, common practice). 0 states that both were alike.
    pub temperature_range_k: f64,
    /// Loss of damping force a kelvin where no run shows its own, % (common practice).
    pub usual_pct_per_k: f64,
    /// Run-to-run repeatability.
    pub repeatability: Repeatability,
    /// Limits of `wear`.
    pub wear: WearLimits,
}

impl Default for CompareSettings {
    fn default() -> Self {
        Self {
            tolerance_pct: None,
            tolerance_floor_n: 10.0,
            confidence: 0.95,
            alpha: 0.05,
            same_speed: 0.01,
            lowest_share: 0.1,
            refer_beyond_k: TEMPERATURE_APART_K,
            temperature_range_k: 10.0,
            usual_pct_per_k: 0.25,
            repeatability: Repeatability::default(),
            wear: WearLimits::default(),
        }
    }
}

/// Mean temperatures further apart than this matter, K: at the common 0.2 % to 0.3 % a kelvin
/// that is more than one percent of force (common practice).
pub const TEMPERATURE_APART_K: f64 = 5.0;

/// Tolerance of a pair, %: common practice among those who match dampers, from memory.
pub const PAIR_TOLERANCE_PCT: f64 = 5.0;
/// Tolerance of a used damper against its reference, %: common practice, from memory; the
/// production band of QC/T 491-1999 (14 % and 40 N in rebound) is of the same size.
pub const WEAR_TOLERANCE_PCT: f64 = 15.0;
/// A revalve has no target of its own; what stays within this is called unchanged, %.
pub const REVALVE_TOLERANCE_PCT: f64 = 5.0;

impl CompareSettings {
    /// The tolerance that applies, %.
    pub fn tolerance(&self, purpose: Purpose) -> f64 {
        self.tolerance_pct.unwrap_or(match purpose {
            Purpose::Revalve => REVALVE_TOLERANCE_PCT,
            Purpose::Wear => WEAR_TOLERANCE_PCT,
            Purpose::Pair => PAIR_TOLERANCE_PCT,
        })
    }

    /// Allowed difference at a force, N.
    pub fn allowed_n(&self, force_n: f64, tolerance_pct: f64) -> f64 {
        (0.01 * tolerance_pct * force_n.abs()).max(self.tolerance_floor_n)
    }
}

impl CompareSettings {
    /// What is wrong with these settings, in words.
    ///
    /// # Errors
    /// The first setting that is out of its range.
    pub fn check(&self) -> Result<(), String> {
        let positive = |x: f64| x.is_finite() && x > 0.0;
        let not_negative = |x: f64| x.is_finite() && x >= 0.0;
        let rules = [
            (
                self.tolerance_pct.is_none_or(positive),
                "tolerance_pct",
                "a percentage above 0",
            ),
            (
                not_negative(self.tolerance_floor_n),
                "tolerance_floor_n",
                "a force of 0 N or more",
            ),
            (
                0.5 < self.confidence && self.confidence < 1.0,
                "confidence",
                "between 0.5 and 1",
            ),
            (
                0.0 < self.alpha && self.alpha < 0.5,
                "alpha",
                "between 0 and 0.5",
            ),
            (
                (0.0..=0.1).contains(&self.same_speed),
                "same_speed",
                "a share between 0 and 0.1",
            ),
            (
                (0.0..=1.0).contains(&self.lowest_share),
                "lowest_share",
                "a share between 0 and 1",
            ),
            (self.refer_beyond_k >= 0.0, "refer_beyond_k", "0 K or more"),
            (
                not_negative(self.temperature_range_k),
                "temperature_range_k",
                "0 K or more",
            ),
            (
                (0.0..=5.0).contains(&self.usual_pct_per_k),
                "usual_pct_per_k",
                "a percentage between 0 and 5",
            ),
            (
                not_negative(self.repeatability.pct),
                "repeatability.pct",
                "0 or more",
            ),
            (
                not_negative(self.repeatability.n),
                "repeatability.n",
                "0 N or more",
            ),
            (
                positive(self.repeatability.worth_repeats),
                "repeatability.worth_repeats",
                "above 0",
            ),
            (
                not_negative(self.wear.friction_rise_n),
                "wear.friction_rise_n",
                "0 N or more",
            ),
            (
                not_negative(self.wear.gas_change_pct),
                "wear.gas_change_pct",
                "0 or more",
            ),
            (
                not_negative(self.wear.gas_change_n),
                "wear.gas_change_n",
                "0 N or more",
            ),
            (
                not_negative(self.wear.lost_motion_rise_m),
                "wear.lost_motion_rise_m",
                "0 m or more",
            ),
        ];
        match rules.iter().find(|r| !r.0) {
            None => Ok(()),
            Some((_, name, range)) => Err(format!("{name} must be {range}")),
        }
    }
}
