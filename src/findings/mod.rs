//! Findings: what the numbers mean. One file per cause; thresholds and verdicts live here
//! and nowhere else.

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

/// All findings of a run, in a fixed order.
pub fn judge(case: &Case<'_>) -> Vec<Finding> {
    let _ = case;
    Vec::new()
}
