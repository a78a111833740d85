//! Tables over many runs: tidy frames for other programs, population statistics, and the
//! index page that lists them.
//!
//! ```text
//! frame        columns of one kind each, and how a row is laid into them
//! rows         the four tables: runs, steps, curves, findings
//! csv          a frame as CSV        parquet   a frame as Parquet (feature `tables`)
//! day          the day a run was made, as its file says
//! population   what is usual in a family, who is outside, what drifts
//! index        the page
//! ```
//!
//! Nothing here touches the disk; the shell does.

pub mod csv;
pub mod day;
pub mod frame;
pub mod index;
#[cfg(feature = "tables")]
pub mod parquet;
pub mod population;
pub mod rows;

pub use frame::{Column, Frame};
pub use rows::{CurveRow, FindingRow, RunRow, RunTables, StepRow};
