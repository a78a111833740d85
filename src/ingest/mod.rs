//! Intake: any text file a dyno, logger or spreadsheet wrote → SI samples in chunks.
//!
//! ```text
//! source     bytes → unpacked, decoded blocks of whole lines   (encoding)
//! dialect    delimiter, decimal mark
//! header     where the table begins, names, units, labelled values   (names, vocabulary)
//! plan       which column plays which role, in which unit, and why
//! rows       numbers → SI columns, fast                         (number)
//! assemble   columns → chunks: time base, seams, what is dropped
//! stream     files in a row as one recording
//! ```
//!
//! `docs/intake.md` lists every liberty the reader takes.

mod assemble;
mod dialect;
mod encoding;
mod header;
mod names;
mod number;
mod plan;
mod rows;
mod source;
mod stream;
mod vocabulary;

use std::path::PathBuf;

use crate::notice::Error;
use crate::recording::{Polarity, Recording, Role};

/// Everything the person said about the input (`--map`, `--unit`, `--rate`, …, a card).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct IntakeOptions {
    /// Role → column name or 1-based number.
    pub map: Vec<(Role, String)>,
    /// Role → unit name.
    pub unit: Vec<(Role, String)>,
    /// Samples per second where the file has no time.
    pub rate_hz: Option<f64>,
    /// Sign of travel in the file while being compressed.
    pub compression: Option<Polarity>,
    /// Sign of force in the file while compression is resisted.
    pub force: Option<Polarity>,
    /// Column delimiter; a blank stands for runs of blanks.
    pub delimiter: Option<char>,
    /// Decimal mark.
    pub decimal: Option<char>,
    /// Intake card.
    pub card: Option<PathBuf>,
}

/// Opens files (several may be one damper's speeds) and reads enough to understand them.
///
/// # Errors
/// [`crate::notice::Fault::Input`] when they cannot be read as a dyno's numbers.
pub fn open(paths: &[PathBuf], options: &IntakeOptions) -> Result<Recording, Error> {
    let stream = stream::Stream::open(paths, options)?;
    Ok(Recording::Samples(Box::new(stream)))
}
