//! The order of the stages: recording in, finished run out.

use crate::cards::DamperCard;
use crate::notice::Error;
use crate::recording::Recording;
use crate::run::Run;

/// What steers an analysis.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Settings {
    /// What is known of the damper.
    pub card: Option<DamperCard>,
    /// Delay of the force channel, s, if the person knows it.
    pub force_lag_s: Option<f64>,
    /// A name for the run; the file's stem if left out.
    pub name: Option<String>,
}

/// Analyses one damper's recording.
///
/// # Errors
/// [`crate::notice::Fault::Input`] when no cycle can be found or the motion does not repeat.
pub fn analyse(recording: Recording, settings: &Settings) -> Result<Run, Error> {
    let _ = (recording, settings);
    Err(Error::input("not-built", "the analysis is not built yet"))
}
