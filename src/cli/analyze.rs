//! `loopwork analyze`.

use std::io::Write as _;

use super::Outcome;
use super::args::AnalyzeArgs;
use crate::notice::Error;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(args: &AnalyzeArgs) -> Result<Outcome, Error> {
    let options = args.intake.to_options()?;
    let recording = crate::ingest::open(&args.files, &options)?;
    let settings = crate::pipeline::Settings {
        name: args.name.clone(),
        force_lag_s: args.analysis.force_lag.map(|ms| ms * 1e-3),
        ..Default::default()
    };
    let run = crate::pipeline::analyse(recording, &settings)?;
    if args.output.json.is_some() {
        let text =
            serde_json::to_string_pretty(&run).map_err(|e| Error::output("json", e.to_string()))?;
        let _ = writeln!(anstream::stdout(), "{text}");
    }
    Ok(Outcome::Done)
}
