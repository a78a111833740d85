//! What `clicks` answers (contract: schema `loopwork.clicks/1`). Forces are in newtons with
//! our signs; percentages and `firmer` count what resists, whichever the direction.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use super::setting::{CountedFrom, Unit};
use crate::compare::{CompareSettings, Sentence, Verdict};
use crate::run::Tool;
use crate::steps::Direction;

/// The schema name of [`Clicks`].
pub const CLICKS_SCHEMA: &str = "loopwork.clicks/1";

/// A setting of every adjuster.
pub type At = BTreeMap<String, f64>;

/// What forces are made of.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Basis {
    /// Gas and friction are taken off.
    #[default]
    Hydraulic,
    /// Total force, as most runs do not tell gas and friction.
    Total,
}

/// The whole answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clicks {
    /// [`CLICKS_SCHEMA`].
    pub schema: String,
    /// Who made it.
    pub tool: Tool,
    /// What the forces are made of.
    pub basis: Basis,
    /// Where the other adjusters stand while one is looked at.
    pub reference: At,
    /// The runs.
    pub runs: Vec<RunAt>,
    /// Speeds looked at, m/s.
    pub velocities_m_s: Vec<f64>,
    /// The adjusters, by name.
    pub adjusters: Vec<Adjuster>,
    /// Settings that were run more than once.
    pub repeats: Vec<Repeated>,
    /// Runs that the others do not bear out.
    pub odd: Vec<Odd>,
    /// The curve at a setting that was asked for.
    pub at: Option<CurveAt>,
    /// The setting that meets another damper, if one was named.
    pub meets: Option<Meets>,
    /// What makes the answer weaker than it looks.
    pub cautions: Vec<Sentence>,
    /// Settings of the comparison used.
    pub settings: CompareSettings,
}

/// One run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct RunAt {
    /// Name.
    pub name: String,
    /// File.
    pub path: String,
    /// SHA-256 of the file.
    pub sha256: String,
    /// Its settings.
    pub settings: At,
    /// Mean temperature, °C.
    pub temperature_c: Option<f64>,
}

/// One adjuster.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Adjuster {
    /// Name.
    pub name: String,
    /// Clicks or turns.
    pub unit: Unit,
    /// Where counting starts, if that was said.
    pub counted_from: Option<CountedFrom>,
    /// Settings that were run, rising.
    pub settings: Vec<f64>,
    /// The direction it works on most; `null` if no effect is shown in either.
    pub direction: Option<Direction>,
    /// Parts of the curve it moves, between its lowest and highest setting: `bleed` (below
    /// the knee), `knee`, `high-speed` (above it).
    pub acts_on: Vec<String>,
    /// Force against setting, both directions, every speed.
    pub effect: Vec<Effect>,
    /// Settings between which nothing happens.
    pub dead: Vec<Span>,
    /// What is left without dead ends; `null` if no effect is shown.
    pub usable: Option<Span>,
    /// Whether the clicks do alike.
    pub spacing: Option<Spacing>,
    /// What it does to the other direction.
    pub cross_effect: Vec<CrossEffect>,
    /// Whether it does anything to the other direction.
    pub cross: Option<Cross>,
}

/// Force against the setting of one adjuster, the others at the reference.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Effect {
    /// Direction.
    pub direction: Direction,
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Settings: those run, and whole clicks between.
    pub settings: Vec<f64>,
    /// Force at each, N, whatever the basis.
    pub force_n: Vec<f64>,
    /// The same if gas and friction are taken off, else `null`.
    pub hydraulic_n: Option<Vec<f64>>,
    /// 95 % interval of each.
    pub ci95_n: Vec<[f64; 2]>,
    /// The runs with the other adjusters at the reference.
    pub measured: Vec<Measured>,
    /// Mean change of force a click (or turn), N.
    pub n_per_click: Interval,
    /// The same in % of the mean force, positive where a higher number is firmer.
    pub pct_per_click: Option<Interval>,
    /// Force at the highest setting minus force at the lowest, N.
    pub range_n: f64,
    /// Its 95 % interval.
    pub range_ci95_n: [f64; 2],
    /// The same in % of the mean force, positive where the highest setting is firmest.
    pub range_pct: Option<f64>,
    /// True if an effect is shown, allowing for all that were looked at.
    pub shown: bool,
    /// True if force was taken to go one way with the setting.
    pub one_way: bool,
}

/// The force of one run.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// Setting of the adjuster.
    pub setting: f64,
    /// Force, N.
    pub force_n: f64,
}

/// A value with its 95 % interval.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Interval {
    /// Value.
    pub value: f64,
    /// Interval.
    pub ci95: [f64; 2],
}

/// From one setting to another.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Span {
    /// Lower setting.
    pub from: f64,
    /// Higher setting.
    pub to: f64,
}

/// Whether clicks do alike.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(tag = "is", rename_all = "kebab-case")]
pub enum Spacing {
    /// Every step is shown to do between half and one and a half times the mean.
    Even,
    /// A step is shown to do more than one and a half times the mean.
    Bunched {
        /// Where most happens.
        most: Span,
        /// Its rate over the mean rate.
        times_mean: f64,
    },
    /// Neither is shown.
    CannotTell,
}

/// What an adjuster does to the other direction at one speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct CrossEffect {
    /// The other direction.
    pub direction: Direction,
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Force at the highest setting minus force at the lowest, N.
    pub range_n: f64,
    /// In % of the force there, positive where the highest setting is firmest.
    pub range_pct: Option<f64>,
    /// 95 % interval of `range_n`.
    pub ci95_n: [f64; 2],
    /// True if shown, allowing for all that were looked at.
    pub shown: bool,
}

/// Whether there is a cross effect.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Cross {
    /// Shown at one speed or more.
    Shown,
    /// Shown to be smaller than what matters at every speed.
    None,
    /// Neither.
    CannotTell,
}

/// Runs at one setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Repeated {
    /// The setting.
    pub settings: At,
    /// The runs.
    pub runs: Vec<String>,
    /// Largest difference between two of them, N.
    pub largest_n: f64,
    /// The same in % of the force there.
    pub largest_pct: Option<f64>,
    /// Where.
    pub direction: Direction,
    /// Where, m/s.
    pub velocity_m_s: f64,
    /// True if that is more than run-to-run repeatability explains.
    pub more_than_usual: bool,
}

/// A run that the others do not bear out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Odd {
    /// The run.
    pub run: String,
    /// Its settings.
    pub settings: At,
    /// Direction.
    pub direction: Direction,
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Force found, N.
    pub force_n: f64,
    /// Force the other runs lead to expect, N, with its 95 % interval for one run.
    pub expected_n: Interval,
}

/// The curve at a setting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CurveAt {
    /// The setting.
    pub settings: At,
    /// Compression.
    pub compression: Vec<PointAt>,
    /// Rebound.
    pub rebound: Vec<PointAt>,
}

/// One speed of it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct PointAt {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Force without gas and friction, N; `null` if they are not told.
    pub hydraulic_n: Option<f64>,
    /// Force with the runs' mean gas force and friction, N.
    pub total_n: f64,
    /// 95 % interval of the hydraulic force, of the total force if that is not told.
    pub ci95_n: [f64; 2],
}

/// The setting that comes closest to another damper.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Meets {
    /// The other damper.
    pub other: String,
    /// The setting, as finely as it can be set.
    pub settings: At,
    /// 95 % interval of each.
    pub ci95_settings: BTreeMap<String, [f64; 2]>,
    /// The best whole clicks.
    pub whole_clicks: WholeClicks,
    /// What is left: the largest difference over speeds and directions, % of the other's
    /// force (of the force at which the tolerance is its floor, where that is more).
    pub mismatch_pct: f64,
    /// Its 95 % interval.
    pub ci95_pct: Option<[f64; 2]>,
    /// Where it is, m/s.
    pub worst_velocity_m_s: f64,
    /// Where it is.
    pub worst_direction: Direction,
    /// What a pair may differ by, %.
    pub tolerance_pct: f64,
    /// Whether the best whole clicks keep to it, at every speed.
    pub verdict: Option<Verdict>,
    /// Other whole clicks that are as good.
    pub as_good: Vec<At>,
    /// Where even the best setting is shown to be outside: it cannot be reached.
    pub stops: Vec<Stop>,
    /// True if gas and friction are taken off both.
    pub hydraulic: bool,
}

/// A setting in whole clicks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WholeClicks {
    /// The setting.
    pub settings: At,
    /// What is left, %.
    pub mismatch_pct: f64,
}

/// A speed that stops the damper from meeting the other.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Stop {
    /// Direction.
    pub direction: Direction,
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// The other's force, N.
    pub wanted_n: f64,
    /// This one's at its best setting, N.
    pub reached_n: f64,
    /// Adjusters that are at the end of what was run.
    pub at_end: Vec<String>,
}
