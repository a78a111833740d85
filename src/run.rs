//! The result of one damper's run, complete and decided: every output renders this and
//! adds nothing. Serialised, it is the JSON of `analyze` (schema `loopwork.run/1`).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::cards::DamperCard;
use crate::curves::Curve;
use crate::findings::{Finding, GasMargin};
use crate::fits::Fits;
use crate::heat::Heat;
use crate::notice::Notice;
use crate::recording::{Channel, Conventions, Layout, Sampling, SourceFile};
use crate::statics::Statics;
use crate::steps::Step;

/// Name and version of the program that made a result.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Tool {
    /// `loopwork`.
    pub name: String,
    /// Version.
    pub version: String,
}

impl Tool {
    /// This program.
    pub fn this() -> Self {
        Self {
            name: env!("CARGO_PKG_NAME").into(),
            version: env!("CARGO_PKG_VERSION").into(),
        }
    }
}

/// The schema name of [`Run`].
pub const RUN_SCHEMA: &str = "loopwork.run/1";

/// One damper's run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Run {
    /// [`RUN_SCHEMA`].
    pub schema: String,
    /// Who made it.
    pub tool: Tool,
    /// Input files.
    pub source: Vec<SourceFile>,
    /// Layout of the numbers.
    pub layout: Layout,
    /// Columns.
    pub channels: Vec<Channel>,
    /// Signs.
    pub conventions: Conventions,
    /// Time base and dropped rows.
    pub sampling: Sampling,
    /// Speeds, in order of time. Empty for a sweep table.
    pub steps: Vec<Step>,
    /// Gas force, stiffness, friction, lag. `None` for a sweep table.
    pub statics: Option<Statics>,
    /// Force–velocity curves.
    pub curve: Curve,
    /// Fits of the peak-velocity points (or what `basis` says).
    pub fits: Fits,
    /// Fits of the full-cycle curve.
    pub full_cycle_fits: Fits,
    /// What it means.
    pub findings: Vec<Finding>,
    /// How far the damper is from cavitating; `None` without bore and rod on the card.
    pub gas_margin: Option<GasMargin>,
    /// Heat. `None` for a sweep table.
    pub heat: Option<Heat>,
    /// What could not be had and why, what was assumed.
    pub notes: Vec<String>,
    /// Labelled values from the file's preamble.
    pub metadata: BTreeMap<String, String>,
    /// The damper card used.
    pub damper: Option<DamperCard>,
    /// A short name for people and file names.
    pub name: String,
    /// Intake's and the analysis' notices as data, for renderers.
    #[serde(skip)]
    pub notices: Vec<Notice>,
}
