//! `loopwork inspect`.

use super::args::InspectArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &InspectArgs) -> Result<Outcome, Error> {
    Err(not_built("inspect"))
}
