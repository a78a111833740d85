//! `loopwork corner`.

use std::path::{Path, PathBuf};

use super::Outcome;
use super::args::CornerArgs;
use super::compare::{read_text, say_of};
use super::load::load_with;
use super::output::Results;
use crate::corner::{CornerCard, Question, corner, profile};
use crate::notice::Error;
use crate::report::{corner as report, json};
use crate::run::Run;

/// Runs the command.
///
/// # Errors
/// As the stages it calls; [`crate::notice::Fault::Input`] for a card or a road that cannot be
/// used.
pub(super) fn run(args: &CornerArgs) -> Result<Outcome, Error> {
    let output = &args.output;
    let others = [&args.against, &args.other_side, &args.road];
    let inputs: Vec<PathBuf> = args
        .files
        .iter()
        .chain([&args.corner])
        .chain(others.into_iter().flatten())
        .cloned()
        .collect();
    output.spare_inputs(&inputs)?;
    // The card first: a slip in it should not wait for a long recording.
    let shown = args.corner.display().to_string();
    let card = CornerCard::parse(&read_text(&args.corner, "corner card")?)
        .map_err(|e| e.in_file(&shown))?;
    let road = args.road.as_deref().map(|path| -> Result<_, Error> {
        let shown = path.display().to_string();
        let profile = profile::parse(&read_text(path, "road")?).map_err(|e| e.in_file(&shown))?;
        Ok((stem(path), profile))
    });
    let road = road.transpose()?;
    let settings = args
        .reference
        .settings(&args.analysis, args.name.as_deref())?;
    let load = |files: &[PathBuf], settings| -> Result<Run, Error> {
        let run = load_with(files, &args.intake, settings, output.quiet)?;
        say_of(&run, output.quiet);
        Ok(run)
    };
    let run = load(&args.files, &settings)?;
    // A name of its own is for the run asked about.
    let unnamed = args.reference.settings(&args.analysis, None)?;
    let other = |path: &Option<PathBuf>| {
        path.as_ref()
            .map(|p| load(std::slice::from_ref(p), &unnamed))
            .transpose()
    };
    let (against, other_side) = (other(&args.against)?, other(&args.other_side)?);
    let answer = corner(&Question {
        run: &run,
        card: &card,
        against: against.as_ref(),
        other_side: other_side.as_ref(),
        road: road
            .as_ref()
            .map(|(name, profile)| (name.as_str(), profile)),
    })?;
    let folder = output.report_folder(&report::folder_name(&answer));
    let files = match &folder {
        Some(_) => report::files(&answer, output.units.into())?,
        None => crate::report::Files::new(),
    };
    let json = match output.json {
        Some(_) => json::pretty(&answer)?,
        None => String::new(),
    };
    output.deliver(&Results {
        folder,
        files: &files,
        marker: &report::marker(&answer),
        json: &json,
        summary: &|| report::terminal(&answer, output.look()),
    })?;
    Ok(Outcome::Done)
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .map_or_else(|| "road".into(), |s| s.to_string_lossy().into_owned())
}
