//! What steers a fit, with the reason for every default.

use serde::Deserialize;

/// Settings of [`super::fit`]. Every default is a judgement; its reason stands beside it.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct FitSettings {
    /// A more complicated model must beat a simpler one by more than this in AICc. 2: models
    /// closer than that are both well supported (Burnham & Anderson 2002, sec. 2.6).
    pub prefer_simpler_within: f64,
    /// Knees tried, 0 to 2. 2: a bleed, a shim stack and a port that chokes.
    pub max_knees: usize,
    /// Allow only slopes that do not fall below zero. Off: a force that falls with speed is
    /// a finding, not something to hide.
    pub monotone: bool,
    /// Set outlying points aside (found by Tukey's biweight, tested against the rest). Off: an
    /// outlier should be looked at first.
    pub robust: bool,
    /// Force at zero speed, N, if it is known (a static offset); the fit then goes through it.
    pub through: Option<f64>,
    /// Distinct speeds a piece must hold, a speed at the knee counting for both sides. 2: a
    /// slope needs two. (A fixed force at zero speed counts as one.)
    pub min_points_per_piece: usize,
    /// Speeds closer than this share of the speed range count as one when distinct speeds are
    /// counted. 1 %: repeats of a step differ by a few tenths of a percent, and no slope can
    /// be had from two repeats.
    pub same_speed_within: f64,
    /// Confidence of all intervals.
    pub confidence: f64,
    /// Take `se` as the whole error, in newtons. Off: they are relative only, and the size
    /// comes from the residuals, because repeatability is smaller than the real error.
    pub absolute_se: bool,
    /// Variance added to every point's own, in squares of the median standard error. 1: the
    /// spread of 3 to 6 cycles is itself known only to 30–50 %, so a point that happened to
    /// repeat perfectly counts at most twice a typical one.
    pub se_floor: f64,
    /// Chance of taking a knee from a truly simpler damper, set by simulation at the points
    /// at hand. 4 %: a shop tests two directions of many dampers; the rates measured, with
    /// errors of several kinds, then stay below 5 %, and a halved slope is found in more than
    /// 95 % even with two speeds below the knee (`tests/studies/fits.rs`).
    pub false_knee_rate: f64,
    /// Simulated runs behind that chance. 999 resolves 4 % to a sixth of its size.
    pub guard_runs: usize,
    /// A knee must move the fitted force by more than this share of the largest force
    /// somewhere. 0.5 %: the accuracy of a measured peak force; a smaller bend may be the
    /// measurement's.
    pub material_bend: f64,
}

impl Default for FitSettings {
    fn default() -> Self {
        Self {
            prefer_simpler_within: 2.0,
            max_knees: 2,
            monotone: false,
            robust: false,
            through: None,
            min_points_per_piece: 2,
            same_speed_within: 0.01,
            confidence: 0.95,
            absolute_se: false,
            se_floor: 1.0,
            false_knee_rate: 0.04,
            guard_runs: 999,
            material_bend: 0.005,
        }
    }
}
