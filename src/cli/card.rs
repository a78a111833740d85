//! `loopwork card`.

use super::Outcome;
use super::args::{CardArgs, CardKind};
use super::output::print;
use crate::corner::card::TEMPLATE;
use crate::notice::Error;

/// Prints the card.
///
/// # Errors
/// [`crate::notice::Fault::Output`].
pub(super) fn run(args: &CardArgs) -> Result<Outcome, Error> {
    print(match args.kind {
        CardKind::Corner => TEMPLATE,
    })?;
    Ok(Outcome::Done)
}
