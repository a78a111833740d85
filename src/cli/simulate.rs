//! `loopwork simulate`.

use super::args::SimulateArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &SimulateArgs) -> Result<Outcome, Error> {
    Err(not_built("simulate"))
}
