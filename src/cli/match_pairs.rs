//! `loopwork match`.

use std::path::{Path, PathBuf};

use super::Outcome;
use super::args::{MatchArgs, MismatchBy};
use super::compare::{load_all, together};
use super::load;
use super::output::Results;
use super::sheet::with_sheet;
use crate::compare::{Mismatch, match_dampers};
use crate::notice::Error;
use crate::report::{comparison, json};

/// Runs the command.
///
/// # Errors
/// As the stages it calls; [`crate::notice::Fault::Input`] at the end if one of the files could
/// not be used, the rest being paired.
pub(super) fn run(args: &MatchArgs) -> Result<Outcome, Error> {
    let output = &args.output;
    let stationery = args.sheet.stationery(output.units)?;
    let settings = args.limits.settings()?;
    output.spare_inputs(&args.files)?;
    let axles = axles(&args.axle, &args.files)?;
    if args.files.len() < 2 {
        return Err(
            Error::usage("too-few", "one damper makes no pair").help("name two or more files")
        );
    }
    // One at a time, so that each run keeps the axle of its file.
    let (mut runs, mut of_runs, mut problems) = (Vec::new(), Vec::new(), Vec::new());
    let analysis = load::settings(&args.analysis, None)?;
    let (loaded, failed) = load_all(&args.files, &args.intake, &analysis, output.quiet);
    problems.extend(failed);
    for run in loaded {
        let path = run.source.first().map(|s| s.path.clone());
        let at = args
            .files
            .iter()
            .position(|f| Some(f.display().to_string()) == path);
        of_runs.push(at.and_then(|i| axles[i].clone()));
        runs.push(run);
    }
    if runs.len() < 2 {
        return Err(together(problems));
    }
    let mismatch = match args.mismatch {
        MismatchBy::Largest => Mismatch::Largest,
        MismatchBy::Rms => Mismatch::Rms,
    };
    let result = match_dampers(&runs, &of_runs, mismatch, &settings);
    let folder = output.report_folder("match");
    let files = match &folder {
        Some(_) => {
            let shown = output.units.into();
            with_sheet(
                || comparison::match_files(&result, &runs, shown),
                || comparison::match_sheet(&result, &runs, &stationery, shown),
            )?
        }
        None => crate::report::Files::new(),
    };
    let json = match output.json {
        Some(_) => json::pretty(&result)?,
        None => String::new(),
    };
    output.deliver(&Results {
        folder,
        files: &files,
        marker: &comparison::match_marker(&result),
        json: &json,
        summary: &|| comparison::match_terminal(&result, output.look()),
    })?;
    if !problems.is_empty() {
        return Err(together(problems));
    }
    Ok(args.limits.outcome(result.worst()))
}

/// The axle of each file.
fn axles(stated: &[String], files: &[PathBuf]) -> Result<Vec<Option<String>>, Error> {
    let mut out = vec![None; files.len()];
    for text in stated {
        let (file, axle) = text
            .rsplit_once('=')
            .filter(|(f, a)| !f.is_empty() && !a.trim().is_empty())
            .ok_or_else(|| {
                Error::usage("bad-option", format!("--axle {text}: expected FILE=AXLE"))
                    .help("write it as --axle left-front.csv=front")
            })?;
        let wanted = Path::new(file);
        let mut found = false;
        for (i, given) in files.iter().enumerate() {
            if given == wanted || given.file_name() == Some(wanted.as_os_str()) {
                out[i] = Some(axle.trim().to_owned());
                found = true;
            }
        }
        if !found {
            return Err(Error::usage(
                "unknown-file",
                format!("--axle {text}: {file} is not one of the files to match"),
            )
            .help("name the file as it is named among the files"));
        }
    }
    Ok(out)
}
