//! Findings: what the numbers mean. One file per cause; thresholds and verdicts live here
//! and nowhere else.
//!
//! The list of rules stands at the end of this file, one line each. Each rule file holds the physics, the thresholds (named,
//! with a reason, settable through `[findings.<name>]` of a settings file), the judgement
//! and the text that `loopwork explain` and `docs/findings.md` are made from. Every rule
//! reads the loops through [`Look`], which is worked out once.

mod explain;
pub mod gas_margin;
pub mod lateness;
mod look;
mod places;
pub mod registry;
pub mod scale;
mod stroke;

pub use gas_margin::{GasMargin, gas_margin};
pub use look::Look;
pub use overheated::touch_warning;
pub use registry::{Explanation, Rule, about_the_measurement, rule};
pub use scale::Scale;
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

/// A quantity with its name: how large a finding is, or the least that would have been seen.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Measure {
    /// What it is, in words that stand before or after the number.
    pub what: String,
    /// Its value.
    pub value: f64,
    /// Unit (SI symbol, `1` for a ratio).
    pub unit: String,
}

impl Measure {
    /// A named quantity; `None` if it is no number.
    pub fn new(what: impl Into<String>, value: f64, unit: &str) -> Option<Self> {
        value.is_finite().then(|| Self {
            what: what.into(),
            value,
            unit: unit.into(),
        })
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
    /// How large it is, where it is there.
    #[serde(default)]
    pub size: Option<Measure>,
    /// The smallest effect that this run would have shown.
    #[serde(default)]
    pub smallest_seen: Option<Measure>,
    /// The finding that explains what was seen here, so that one cause is named once.
    #[serde(default)]
    pub explained_by: Option<String>,
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
            size: None,
            smallest_seen: None,
            explained_by: None,
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

    /// Adds how large it is; dropped where the finding is not there.
    #[must_use]
    pub fn sized(mut self, what: &str, value: f64, unit: &str) -> Self {
        self.size = Measure::new(what, value, unit).filter(|_| self.is_there());
        self
    }

    /// Adds the smallest effect that would have been seen. Where that is more than what
    /// matters, "not seen" says nothing: the verdict becomes `cannot-tell`, with what to run.
    #[must_use]
    pub fn would_show(
        mut self,
        what: &str,
        value: f64,
        unit: &str,
        matters: f64,
        run: &str,
    ) -> Self {
        self.smallest_seen = Measure::new(what, value, unit);
        let blind = self.smallest_seen.is_none() || value > matters;
        if self.verdict == Verdict::None && blind {
            self.verdict = Verdict::CannotTell;
            self.advice =
                format!("What would already matter is too small to show in this run: {run}");
        }
        self
    }

    /// Names the finding that explains what was seen: it is not there for a second time.
    #[must_use]
    pub fn explained(mut self, by: &str) -> Self {
        self.verdict = Verdict::None;
        self.direction = None;
        self.onset_velocity_m_s = None;
        self.size = None;
        self.smallest_seen = None;
        self.explained_by = Some(by.into());
        asides(&mut self.evidence);
        self
    }

    /// Evidence never contradicts the verdict: a sign above its threshold is not "not seen".
    fn consistent(mut self) -> Self {
        if self.verdict == Verdict::None && self.evidence.iter().any(|e| e.met) {
            self.verdict = Verdict::CannotTell;
            self.smallest_seen = None;
            self.advice = format!(
                "A sign of it is there, but not all that goes with it. {}",
                self.advice
            );
        }
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

/// Takes the thresholds off what is met: numbers worth knowing that decide nothing by
/// themselves, where the verdict rests on something else.
fn asides(evidence: &mut [Evidence]) {
    for entry in evidence.iter_mut().filter(|e| e.met) {
        entry.met = false;
        entry.threshold = None;
    }
}

/// A clause as a sentence: a capital first, one full stop last.
fn sentence(clause: &str) -> String {
    let mut text = format!("{}.", clause.trim_end_matches('.'));
    if let Some(first) = text.get(..1).map(str::to_uppercase) {
        text.replace_range(..1, &first);
    }
    text
}

/// All findings of a run, in the order of [`RULES`].
pub fn judge(case: &Case<'_>, settings: &FindingSettings) -> Vec<Finding> {
    let look = Look::new(*case, *settings);
    let found = RULES
        .iter()
        .map(|rule| (rule.judge)(&look).consistent())
        .collect();
    explain::once(found)
}

/// The one list of rules: module, settings table and place in the report follow from it.
macro_rules! findings {
    ($($(#[$doc:meta])* $name:ident;)*) => {
        $(mod $name;)*

        /// What steers the findings: thresholds of all rules, one table each in a settings file
        /// (`[findings.cavitation]`). Every table and every field may be left out.
        #[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
        #[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
        pub struct FindingSettings {
            /// How strokes are read, for all rules.
            pub look: look::Thresholds,
            $($(#[$doc])* pub $name: $name::Thresholds,)*
        }

        /// All rules, in the order they are reported.
        pub const RULES: &[Rule] = &[$($name::RULE),*];
    };
}

findings! {
    /// Cavitation.
    cavitation;
    /// Air in the oil.
    aeration;
    /// Play.
    play;
    /// Low gas force.
    low_gas;
    /// Friction and stick-slip.
    high_friction;
    /// Friction that varies over the stroke.
    side_load;
    /// Something elastic met at an end: bump and top-out.
    bump;
    /// A stop of oil: force grows towards one end with speed.
    hydraulic_stop;
    /// Force that depends on the place in the stroke.
    position;
    /// Force that depends on frequency.
    frequency;
    /// A coil or air spring still fitted.
    spring_fitted;
    /// A valve that does not close.
    leaking_check;
    /// Wide loops.
    hysteresis;
    /// Cycles that had not settled.
    unsettled;
    /// Force that falls over the run.
    fade;
    /// Too hot.
    overheated;
    /// Force at rest that moves.
    drift;
    /// Inertia in the force.
    moving_mass;
    /// Sensor trouble.
    sensor;
}
