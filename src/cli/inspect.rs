//! `loopwork inspect`.

use super::args::InspectArgs;
use super::{Outcome, not_built};
use crate::ingest;
use crate::notice::Error;
/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(args: &InspectArgs) -> Result<Outcome, Error> {
    let _ = ingest::open(&args.files, &args.intake.to_options()?)?;
    Err(not_built("inspect"))
}
