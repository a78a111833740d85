//! `loopwork clicks`.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use super::Outcome;
use super::args::ClicksArgs;
use super::compare::{load_all, read_text, say_of, together};
use super::load::load_with;
use super::output::Results;
use crate::clicks::{
    Asked, Clicks, NamePattern, Setting, Settings, SettingsTable, check_sweep, clicks, from_labels,
};
use crate::notice::{Error, Place};
use crate::report::{clicks as shown, json};
use crate::run::Run;

/// Runs the command.
///
/// # Errors
/// As the stages it calls; [`crate::notice::Fault::Input`] at the end if one of the files could
/// not be used, the rest being done.
pub(super) fn run(args: &ClicksArgs) -> Result<Outcome, Error> {
    let output = &args.output;
    output.spare_inputs(&args.files)?;
    let asked = asked(args)?;
    let limits = args.limits.settings()?;
    // Settings that do not come from within the files first: a slip in them should not wait for
    // long recordings.
    let stated = stated(args)?;
    if let Some(stated) = &stated {
        check_sweep(stated)?;
    }
    if args.files.len() < 2 {
        return Err(Error::input(
            "one-setting",
            "one run is at one setting, so nothing can be said of what a click does",
        )
        .help("name the runs of two settings at least, better of six or more"));
    }
    let analysis = args.reference.settings(&args.analysis, None)?;
    let (runs, problems) = load_all(&args.files, &args.intake, &analysis, output.quiet);
    if runs.is_empty() {
        return Err(together(problems));
    }
    let to = match &args.to {
        None => None,
        Some(file) => Some(load_with(
            std::slice::from_ref(file),
            &args.intake,
            &analysis,
            output.quiet,
        )?),
    };
    if let Some(other) = &to {
        say_of(other, output.quiet);
    }
    let settings = match &stated {
        Some(stated) => of_loaded(&runs, &args.files, stated),
        None => labelled(&runs)?,
    };
    let result = clicks(&runs, &settings, &asked, to.as_ref(), &limits)?;
    let folder = output.report_folder(&shown::folder_name(&result));
    let files = match &folder {
        Some(_) => shown::files(&result, &runs, output.units.into())?,
        None => crate::report::Files::new(),
    };
    let json = match output.json {
        Some(_) => json::pretty::<Clicks>(&result)?,
        None => String::new(),
    };
    output.deliver(&Results {
        folder,
        files: &files,
        marker: &shown::marker(&result),
        json: &json,
        summary: &|| shown::terminal(&result, output.look()),
    })?;
    if !problems.is_empty() {
        return Err(together(problems));
    }
    let worst = result.meets.as_ref().and_then(|m| m.verdict);
    Ok(args.limits.outcome(worst))
}

/// What is asked beside the adjusters themselves.
fn asked(args: &ClicksArgs) -> Result<Asked, Error> {
    let mut at = BTreeMap::new();
    for text in &args.at {
        let read = text
            .split_once('=')
            .and_then(|(name, value)| Some((name.trim(), Setting::parse(value)?.value)))
            .filter(|(name, _)| !name.is_empty());
        let Some((name, value)) = read else {
            return Err(
                Error::usage("bad-option", format!("--at {text}: expected NAME=VALUE"))
                    .help("write it as --at \"Rebound clicks=7\""),
            );
        };
        at.insert(name.to_owned(), value);
    }
    let mut speeds = args.speed.clone();
    if let Some(wrong) = speeds.iter().find(|v| !(v.is_finite() && **v > 0.0)) {
        return Err(Error::usage(
            "bad-speed",
            format!("--speed {wrong}: a speed is a number of m/s above 0"),
        ));
    }
    speeds.sort_by(f64::total_cmp);
    speeds.dedup();
    Ok(Asked {
        speeds_m_s: (!speeds.is_empty()).then_some(speeds),
        at,
    })
}

/// Finds the settings of a file.
type OfFile = Box<dyn Fn(&Path) -> Option<Settings>>;

/// Settings of each file from a table or from its name; `None` if labels are to be read.
fn stated(args: &ClicksArgs) -> Result<Option<Vec<Settings>>, Error> {
    let of_file: OfFile;
    let (what, help) = if let Some(path) = &args.settings_table {
        let text = read_text(path, "table of settings")?;
        let table = SettingsTable::parse(&text, &path.display().to_string())?;
        of_file = Box::new(move |file| table.of(&file.display().to_string()).cloned());
        (
            format!("has no row, or more than one, in {}", path.display()),
            "give every file one row: its name, then one column an adjuster",
        )
    } else if let Some(pattern) = &args.from_name {
        let read = NamePattern::parse(pattern)?;
        of_file = Box::new(move |file| read.read(&file.file_stem()?.to_string_lossy()));
        (
            format!("has no name that reads as {pattern}"),
            "write what stands in the names, with each adjuster's name in braces: R{rebound}_C{compression}",
        )
    } else {
        return Ok(None);
    };
    let mut out = Vec::new();
    let mut problems = Vec::new();
    for file in &args.files {
        match of_file(file) {
            Some(settings) => out.push(settings),
            None => {
                let path = file.display().to_string();
                problems.push(
                    Error::input("setting-missing", format!("{path} {what}"))
                        .at(Place {
                            path: Some(path),
                            ..Place::default()
                        })
                        .help(help),
                );
            }
        }
    }
    if problems.is_empty() {
        Ok(Some(out))
    } else {
        Err(together(problems))
    }
}

/// The stated settings of those files that could be read.
fn of_loaded(runs: &[Run], files: &[PathBuf], stated: &[Settings]) -> Vec<Settings> {
    let paths: Vec<String> = files.iter().map(|f| f.display().to_string()).collect();
    runs.iter()
        .filter_map(|run| {
            let path = &run.source.first()?.path;
            let at = paths.iter().position(|p| p == path)?;
            stated.get(at).cloned()
        })
        .collect()
}

/// Settings from the labels in the files.
fn labelled(runs: &[Run]) -> Result<Vec<Settings>, Error> {
    let files: Vec<(&str, &BTreeMap<String, String>)> = runs
        .iter()
        .map(|r| {
            let path = r
                .source
                .first()
                .map_or(r.name.as_str(), |s| s.path.as_str());
            (path, &r.metadata)
        })
        .collect();
    from_labels(&files)
}
