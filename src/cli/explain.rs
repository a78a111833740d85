//! `loopwork explain`.

use super::args::ExplainArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &ExplainArgs) -> Result<Outcome, Error> {
    Err(not_built("explain"))
}
