//! `loopwork check`.

use super::args::CheckArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &CheckArgs) -> Result<Outcome, Error> {
    Err(not_built("check"))
}
