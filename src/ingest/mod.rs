//! Intake: any text file a dyno, logger or spreadsheet wrote → SI samples in chunks.

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
    /// Column delimiter.
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
    let _ = (paths, options);
    Err(Error::input("not-built", "intake is not built yet"))
}
