//! The result of one damper's run, complete and decided: every output renders this and
//! adds nothing. Serialised, it is the JSON of `analyze` (schema `loopwork.run/1`).

use std::borrow::Cow;
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
use crate::steps::{PerDirection, Step};

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

/// What became of a temperature that curves and fits were asked to be referred to (additive
/// to the contract: `reference`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Reference {
    /// The temperature asked for, °C.
    pub temperature_c: f64,
    /// True if `curve`, `fits` and `full_cycle_fits` are at that temperature; else they are as
    /// measured.
    pub applied: bool,
    /// Why not, if not.
    pub why_not: Option<String>,
    /// Lowest and highest mean temperature of the steps, °C.
    pub measured_c: Option<[f64; 2]>,
    /// Largest change of damping force the correction made, share of the force as measured.
    pub largest_correction: PerDirection<Option<f64>>,
    /// Largest change of gas force the correction made, N; 0 if the run does not show that
    /// gas changes with temperature.
    pub largest_gas_shift_n: Option<f64>,
}

/// Curve and fits before they were referred to a temperature.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct AsMeasured {
    /// Force–velocity curves.
    pub curve: Curve,
    /// Fits of the peak-velocity points.
    pub fits: Fits,
    /// Fits of the full-cycle curve.
    pub full_cycle_fits: Fits,
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
    /// The temperature the curve and both fits were asked to be referred to; `None` if none
    /// was asked for.
    #[serde(default)]
    pub reference: Option<Reference>,
    /// The curve and both fits as measured, where those above are not.
    #[serde(skip)]
    pub as_measured: Option<Box<AsMeasured>>,
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

impl Run {
    /// Temperature the curve and fits are at, °C; `None` if they are as measured.
    pub fn reference_c(&self) -> Option<f64> {
        self.reference
            .as_ref()
            .filter(|r| r.applied)
            .map(|r| r.temperature_c)
    }

    /// The run with curve and fits as measured.
    pub fn measured(&self) -> Cow<'_, Self> {
        match &self.as_measured {
            None => Cow::Borrowed(self),
            Some(kept) => {
                let mut run = self.clone();
                run.curve = kept.curve.clone();
                run.fits = kept.fits.clone();
                run.full_cycle_fits = kept.full_cycle_fits.clone();
                run.as_measured = None;
                if let Some(reference) = &mut run.reference {
                    reference.applied = false;
                }
                Cow::Owned(run)
            }
        }
    }
}
