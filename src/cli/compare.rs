//! `loopwork compare`.

use std::path::{Path, PathBuf};

use super::args::{CompareArgs, FailOn, IntakeArgs, LimitArgs, Purpose as Asked};
use super::load::load_with;
use super::output::Results;
use super::sheet::with_sheet;
use super::{Outcome, diagnostics};
use crate::compare::{self, CompareSettings, Purpose, Verdict};
use crate::notice::{Error, Fault, Notice, Place};
use crate::pipeline::Settings;
use crate::report::{comparison, json};
use crate::run::Run;

/// Runs the command.
///
/// # Errors
/// As the stages it calls; [`Fault::Input`] at the end if one of several files could not be
/// used, the rest being done.
pub(super) fn run(args: &CompareArgs) -> Result<Outcome, Error> {
    let output = &args.output;
    let stationery = args.sheet.stationery(output.units)?;
    let mut settings = args.limits.settings()?;
    if args.as_measured {
        settings.refer_beyond_k = f64::INFINITY;
    }
    let inputs: Vec<PathBuf> = std::iter::once(&args.base)
        .chain(&args.others)
        .chain(&args.repeat)
        .cloned()
        .collect();
    output.spare_inputs(&inputs)?;
    let analysis = args.reference.settings(&args.analysis, None)?;
    let base = load_with(
        std::slice::from_ref(&args.base),
        &args.intake,
        &analysis,
        output.quiet,
    )?;
    let (others, mut problems) = load_all(&args.others, &args.intake, &analysis, output.quiet);
    let (repeats, more) = load_all(&args.repeat, &args.intake, &analysis, output.quiet);
    problems.extend(more);
    if others.is_empty() {
        return Err(together(problems));
    }
    say_of(&base, output.quiet);
    let purpose = match args.purpose {
        Asked::Revalve => Purpose::Revalve,
        Asked::Wear => Purpose::Wear,
        Asked::Pair => Purpose::Pair,
    };
    let result = compare::compare(&base, &others, &repeats, purpose, &settings);
    let folder = output.report_folder(&comparison::folder_name(&result));
    let files = match &folder {
        Some(_) => {
            let shown = output.units.into();
            with_sheet(
                || comparison::files(&result, &base, &others, shown),
                || comparison::compare_sheet(&result, &base, &others, &stationery, shown),
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
        marker: &comparison::marker(&result),
        json: &json,
        summary: &|| comparison::terminal(&result, output.look()),
    })?;
    for name in result.without_shared_speed() {
        problems.push(Error::input(
            "no-shared-speed",
            format!(
                "{name} and {} share no speed in either direction, so their forces cannot be compared",
                result.base.name
            ),
        )
        .help("measure both over overlapping speeds; nothing is compared beyond what was measured"));
    }
    if !problems.is_empty() {
        return Err(together(problems));
    }
    Ok(args.limits.outcome(result.worst()))
}

/// Loads many runs, each on its own: those that can be used, and what is wrong with the rest.
/// One after another: an analysis uses all processors itself, and must not run inside the
/// pool it waits for.
pub(super) fn load_all(
    files: &[PathBuf],
    intake: &IntakeArgs,
    settings: &Settings,
    quiet: bool,
) -> (Vec<Run>, Vec<Error>) {
    let loaded: Vec<Result<Run, Error>> = files
        .iter()
        .map(|file| {
            load_with(std::slice::from_ref(file), intake, settings, quiet)
                .map_err(|e| e.in_file(&file.display().to_string()))
        })
        .collect();
    let (mut runs, mut problems) = (Vec::new(), Vec::new());
    for one in loaded {
        match one {
            Ok(run) => {
                say_of(&run, quiet);
                runs.push(run);
            }
            Err(error) => problems.push(error),
        }
    }
    (runs, problems)
}

/// Says a run's notices, naming its file: with several files a person must know which.
pub(super) fn say_of(run: &Run, quiet: bool) {
    let path = run.source.first().map(|s| s.path.clone());
    let notices: Vec<Notice> = run
        .notices
        .iter()
        .cloned()
        .map(|mut notice| {
            let place = notice.place.get_or_insert_with(Place::default);
            if place.path.is_none() {
                place.path.clone_from(&path);
            }
            notice
        })
        .collect();
    diagnostics::say_notices(&notices, quiet);
}

/// Several errors as one; wrong usage outweighs unusable input.
pub(super) fn together(errors: Vec<Error>) -> Error {
    let fault = if errors.iter().any(|e| e.fault == Fault::Usage) {
        Fault::Usage
    } else {
        Fault::Input
    };
    let problems: Vec<Notice> = errors.into_iter().flat_map(|e| e.problems).collect();
    if problems.is_empty() {
        return Error::input("no-input", "none of the files could be used");
    }
    Error::many(fault, problems)
}

impl LimitArgs {
    /// The settings these options ask for.
    ///
    /// # Errors
    /// [`Fault::Usage`] for a number that cannot be, [`Fault::Input`] for a limits file that
    /// cannot be read.
    pub(super) fn settings(&self) -> Result<CompareSettings, Error> {
        let mut settings = match &self.limits {
            Some(path) => limits_file(path)?,
            None => CompareSettings::default(),
        };
        if let Some(pct) = self.tolerance {
            settings.tolerance_pct = Some(pct);
        }
        if let Some(n) = self.tolerance_floor {
            settings.tolerance_floor_n = n;
        }
        if let Err(what) = settings.check() {
            return Err(Error::usage("bad-limit", what)
                .help("docs/methods/compare.md lists every limit and its range"));
        }
        Ok(settings)
    }

    /// The outcome a verdict makes under `--fail-on`.
    pub(super) fn outcome(&self, worst: Option<Verdict>) -> Outcome {
        let fails = match self.fail_on {
            None => false,
            Some(FailOn::Outside) => worst == Some(Verdict::Outside),
            Some(FailOn::Undecided) => worst.is_some_and(|v| v != Verdict::Within),
        };
        if fails {
            Outcome::NotPassed
        } else {
            Outcome::Done
        }
    }
}

fn limits_file(path: &Path) -> Result<CompareSettings, Error> {
    let text = read_text(path, "limits file")?;
    toml::from_str(&text).map_err(|e| bad_toml(path, &text, &e, "limits file"))
}

/// Reads a small text file a person wrote.
pub(super) fn read_text(path: &Path, what: &str) -> Result<String, Error> {
    let name = path.display().to_string();
    std::fs::read_to_string(path).map_err(|e| {
        Error::input(
            "cannot-read",
            format!("could not read the {what} {name}: {e}"),
        )
        .at(Place {
            path: Some(name),
            ..Place::default()
        })
    })
}

/// What is wrong with a TOML file, and where.
pub(super) fn bad_toml(path: &Path, text: &str, error: &toml::de::Error, what: &str) -> Error {
    let line = error.span().map(|span| {
        let before = text.get(..span.start).unwrap_or("");
        before.matches('\n').count() as u64 + 1
    });
    let shown = line.and_then(|l| text.lines().nth(usize::try_from(l - 1).ok()?));
    Error::input(
        "bad-toml",
        format!("the {what} cannot be used: {}", error.message()),
    )
    .at(Place {
        path: Some(path.display().to_string()),
        line,
        text: shown.map(str::to_owned),
        ..Place::default()
    })
    .help("docs/methods/compare.md lists what it may hold")
}
