//! `loopwork compare`.

use super::args::CompareArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &CompareArgs) -> Result<Outcome, Error> {
    Err(not_built("compare"))
}
