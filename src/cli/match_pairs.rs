//! `loopwork match_pairs`.

use super::args::MatchArgs;
use super::{Outcome, not_built};
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(_args: &MatchArgs) -> Result<Outcome, Error> {
    Err(not_built("match_pairs"))
}
