//! Adjusters: at which settings one damper was run, and what every click does. Settings come
//! from labels in the files, from file names by a pattern, or from a table; nothing is taken
//! for a setting that does not read as a number.
//!
//! Method, equations and measured error rates: `docs/methods/clicks.md`.

mod adjusters;
mod answer;
mod fitted;
mod meets;
mod monotone;
mod odd;
mod pattern;
mod process;
mod setting;
mod settings;
mod sweep;
mod table;

pub use answer::{
    Adjuster, At, Basis, CLICKS_SCHEMA, Clicks, Cross, CrossEffect, CurveAt, Effect, Interval,
    Measured, Meets, Odd, PointAt, Repeated, RunAt, Spacing, Span, Stop, WholeClicks,
};
pub use pattern::NamePattern;
pub use process::{Design, Observed, Posterior, Sampling, fit};
pub use setting::{CountedFrom, Setting, Unit};
pub use settings::{Settings, check_sweep, from_labels, is_adjuster_label};
pub use sweep::{Asked, clicks};
pub use table::{SettingsTable, TableRow};
