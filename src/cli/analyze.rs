//! `loopwork analyze`.

use super::args::AnalyzeArgs;
use super::load::load_with;
use super::output::Results;
use super::sheet::with_sheet;
use super::{Outcome, diagnostics};
use crate::notice::Error;
use crate::pipeline::Settings;
use crate::report::{self, facts, json, sheet, terminal};
use crate::run::Run;

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(args: &AnalyzeArgs) -> Result<Outcome, Error> {
    let output = &args.output;
    output.spare_inputs(&args.files)?;
    let stationery = args.sheet.stationery(output.units)?;
    let settings = Settings {
        labels: stationery.labels.clone(),
        ..args
            .reference
            .settings(&args.analysis, args.name.as_deref())?
    };
    let run = load_with(&args.files, &args.intake, &settings, output.quiet)?;
    diagnostics::say_notices(&run.notices, output.quiet);
    let folder = output.report_folder(&run.name);
    let files = match &folder {
        Some(_) => {
            let shown = output.units.into();
            with_sheet(
                || report::run_files(&run, shown),
                || sheet::of_run(&run, &stationery, shown),
            )?
        }
        None => report::Files::new(),
    };
    let json = match output.json {
        Some(_) => json::pretty::<Run>(&run)?,
        None => String::new(),
    };
    output.deliver(&Results {
        folder,
        files: &files,
        marker: &facts::marker(&run),
        json: &json,
        summary: &|| terminal::run(&run, output.look()),
    })?;
    Ok(Outcome::Done)
}
