//! Comparison: two or more finished runs side by side. Takes [`crate::run::Run`]s, opens no
//! file.
//!
//! Method, equations and measured error rates: `docs/methods/compare.md`.

mod answer;
mod cautions;
pub mod changes;
mod check;
mod comparison;
mod criteria;
mod direction;
mod force_curve;
mod grid;
mod hydraulic;
mod identity;
mod matching;
mod names;
mod overall;
mod pairing;
mod repeat;
mod revalve;
mod sentence;
mod settings;
mod signs;
mod stories;
mod target;
mod two;
mod uncertain;
mod verdict;
mod warmth;
mod wear;
mod words;

pub use cautions::mean_temperature;
pub use check::{
    Against, CHECK_SCHEMA, CHECK_TOLERANCE_PCT, CheckResult, Criterion, Limit, Passed, SheetData,
    check,
};
pub use comparison::{COMPARE_SCHEMA, Caution, Comparison, Overall, TracePoint, compare};
pub use direction::{DeltaError, DirectionComparison, Judged};
pub use force_curve::{ForceCurve, Reading};
pub use grid::{Curves, curves_at_reference, curves_of, grid, standard_speeds};
pub use hydraulic::{Hydraulic, ValveForce, ratio_interval};
pub use matching::{MATCH_SCHEMA, MatchResult, Mismatch, Pair, match_dampers};
pub use names::{Named, named};
pub use pairing::least_total;
pub use repeat::Repeats;
pub use revalve::{Moved, Revalve, Zone, ZoneChange};
pub use sentence::{Sentence, say, three_digits};
pub use settings::{
    CompareSettings, PAIR_TOLERANCE_PCT, Purpose, REVALVE_TOLERANCE_PCT, Repeatability,
    TEMPERATURE_APART_K, WEAR_TOLERANCE_PCT, WearLimits,
};
pub use stories::{Cause, Stories};
pub use target::{Limits, Target, TargetPoint};
pub use uncertain::{Part, half_width, half_width_of_many, interval, shown_inside, total};
pub use verdict::Verdict;
pub use warmth::{Known, Warmth};
pub use wear::{Wear, WearCriterion};
pub use words::{compared, reasons_of_direction};
