//! Adjusters: at which settings one damper was run. Settings come from labels in the files,
//! from file names by a pattern, or from a table; nothing is taken for a setting that does
//! not read as a number.

mod pattern;
mod setting;
mod settings;
mod table;

pub use pattern::NamePattern;
pub use setting::{CountedFrom, Setting, Unit};
pub use settings::{Settings, check_sweep, from_labels, is_adjuster_label};
pub use table::{SettingsTable, TableRow};
