//! `loopwork batch`.

use super::args::BatchArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &BatchArgs) -> Result<Outcome, Error> {
    Err(not_built("batch"))
}
