//! Findings: what the numbers mean. One file per cause; thresholds and verdicts live here
//! and nowhere else.
//!
//! [`registry`] lists the rules. Each rule file holds the physics, the thresholds (named,
//! with a reason, settable through `[findings.<name>]` of a settings file), the judgement
//! and the text that `loopwork explain` and `docs/findings.md` are made from. Every rule
//! reads the loops through [`Look`], which is worked out once.

mod aeration;
mod cavitation;
mod end_contact;
mod fade;
pub mod gas_margin;
mod high_friction;
mod hysteresis;
mod leaking_check;
pub mod look;
mod low_gas;
mod overheated;
mod play;
pub mod registry;
mod sensor;
mod settings;
mod side_load;
mod stroke;
mod unsettled;

pub use gas_margin::{GasMargin, gas_margin};
pub use look::Look;
pub use overheated::touch_warning;
pub use registry::{Explanation, RULES, Rule, rule};
pub use settings::FindingSettings;
pub use stroke::{Branches, SHARES, Stroke, load};

use serde::{Deserialize, Serialize};

use crate::cards::DamperCard;
use crate::curves::Curve;
use crate::fits::Fits;
use crate::heat::Heat;
use crate::recording::Sampling;
use crate::statics::Statics;
use crate::steps::{Direction, Step};

/// How sure a finding is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Verdict {
    /// Looked for and not there.
    None,
    /// The data cannot tell; the advice says why.
    CannotTell,
    /// Beginning, or at the edge of what can be seen.
    Onset,
    /// Plainly there.
    Developed,
}

/// Which direction a finding concerns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Side {
    /// Compression.
    Compression,
    /// Rebound.
    Rebound,
    /// Both.
    Both,
}

impl From<Direction> for Side {
    fn from(direction: Direction) -> Self {
        match direction {
            Direction::Compression => Self::Compression,
            Direction::Rebound => Self::Rebound,
        }
    }
}

/// One number that speaks for or against a finding.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Evidence {
    /// What was measured, in words.
    pub what: String,
    /// Its value; `None` where it could not be had.
    pub value: Option<f64>,
    /// Unit of value and threshold (SI symbol, `1` for a ratio).
    pub unit: String,
    /// The threshold it is held against.
    pub threshold: Option<f64>,
    /// Whether the threshold is met (speaks for the finding).
    pub met: bool,
    /// Step it was seen in.
    pub step: Option<usize>,
    /// Where on the loop, phase 0..1 from and to, for marking it on plots.
    pub phase: Option<[f64; 2]>,
}

impl Evidence {
    /// A value held against a threshold it must reach.
    pub fn at_least(what: impl Into<String>, value: f64, unit: &str, threshold: f64) -> Self {
        Self {
            what: what.into(),
            value: value.is_finite().then_some(value),
            unit: unit.into(),
            threshold: Some(threshold),
            met: value >= threshold,
            step: None,
            phase: None,
        }
    }

    /// A value held against a threshold it must stay below.
    pub fn below(what: impl Into<String>, value: f64, unit: &str, threshold: f64) -> Self {
        Self {
            met: value < threshold,
            ..Self::at_least(what, value, unit, threshold)
        }
    }

    /// A number worth knowing that decides nothing.
    pub fn aside(what: impl Into<String>, value: Option<f64>, unit: &str) -> Self {
        Self {
            what: what.into(),
            value: value.filter(|v| v.is_finite()),
            unit: unit.into(),
            threshold: None,
            met: false,
            step: None,
            phase: None,
        }
    }

    /// Where it was seen.
    #[must_use]
    pub fn seen(mut self, step: usize, phase: Option<[f64; 2]>) -> Self {
        self.step = Some(step);
        self.phase = phase;
        self
    }
}

/// A finding (contract: `findings[]`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Finding {
    /// Name, kebab-case, as `loopwork explain` takes it.
    pub kind: String,
    /// Verdict.
    pub verdict: Verdict,
    /// Direction concerned.
    pub direction: Option<Side>,
    /// First speed at which it shows, m/s.
    pub onset_velocity_m_s: Option<f64>,
    /// The evidence, for and against.
    pub evidence: Vec<Evidence>,
    /// What to do, or what would settle it.
    pub advice: String,
}

impl Finding {
    /// A finding without direction, speed or evidence.
    pub fn new(kind: &str, verdict: Verdict, advice: impl Into<String>) -> Self {
        Self {
            kind: kind.into(),
            verdict,
            direction: None,
            onset_velocity_m_s: None,
            evidence: Vec::new(),
            advice: advice.into(),
        }
    }

    /// Adds the evidence.
    #[must_use]
    pub fn with(mut self, evidence: Vec<Evidence>) -> Self {
        self.evidence = evidence;
        self
    }

    /// Adds the direction.
    #[must_use]
    pub fn on(mut self, side: Option<Side>) -> Self {
        self.direction = side;
        self
    }

    /// Adds the first speed at which it shows.
    #[must_use]
    pub fn from_speed(mut self, speed: Option<f64>) -> Self {
        self.onset_velocity_m_s = speed;
        self
    }

    /// True if it was found, be it only beginning.
    pub fn is_there(&self) -> bool {
        self.verdict >= Verdict::Onset
    }
}

/// Everything a rule may look at.
#[derive(Debug, Clone, Copy)]
pub struct Case<'a> {
    /// The steps, lost motion and hysteresis shares filled in.
    pub steps: &'a [Step],
    /// Gas force, friction, lag.
    pub statics: &'a Statics,
    /// Curves.
    pub curve: &'a Curve,
    /// Fits of the peak points.
    pub fits: &'a Fits,
    /// Heat.
    pub heat: &'a Heat,
    /// Time base and dropped rows.
    pub sampling: &'a Sampling,
    /// What is known of the damper.
    pub card: Option<&'a DamperCard>,
}

/// All findings of a run, in the order of [`RULES`].
pub fn judge(case: &Case<'_>, settings: &FindingSettings) -> Vec<Finding> {
    let look = Look::new(*case, *settings);
    RULES.iter().map(|rule| (rule.judge)(&look)).collect()
}
