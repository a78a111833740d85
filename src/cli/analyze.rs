//! `loopwork analyze`.

use super::args::AnalyzeArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &AnalyzeArgs) -> Result<Outcome, Error> {
    Err(not_built("analyze"))
}
