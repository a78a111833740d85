//! `loopwork check`.

use std::borrow::Cow;
use std::path::Path;

use sha2::{Digest as _, Sha256};

use super::Outcome;
use super::args::{CheckArgs, IntakeArgs};
use super::compare::{read_text, say_of};
use super::load::load_with;
use super::output::Results;
use super::sheet::with_sheet;
use crate::compare::{
    Against, CHECK_TOLERANCE_PCT, CheckResult, CompareSettings, Named, Passed, SheetData, Target,
    check, named,
};
use crate::notice::Error;
use crate::report::{comparison, json};
use crate::run::Run;

/// Runs the command.
///
/// # Errors
/// As the stages it calls; [`crate::notice::Fault::Input`] for a target that cannot be used.
pub(super) fn run(args: &CheckArgs) -> Result<Outcome, Error> {
    let output = &args.output;
    output.spare_inputs(&[args.file.clone(), args.target.clone()])?;
    let tolerance = args.tolerance.unwrap_or(CHECK_TOLERANCE_PCT);
    if !(tolerance.is_finite() && tolerance > 0.0) {
        return Err(Error::usage(
            "bad-limit",
            format!("--tolerance {tolerance}: the tolerance is a percentage above 0"),
        ));
    }
    let stationery = args.sheet.stationery(output.units)?;
    // The target first: a slip in it should not wait for a long recording.
    let target = Loaded::read(args, tolerance)?;
    let run = load_with(
        std::slice::from_ref(&args.file),
        &args.intake,
        &args.reference.settings(&args.analysis, None)?,
        output.quiet,
    )?;
    say_of(&run, output.quiet);
    let sheet = SheetData {
        serial: args
            .serial
            .clone()
            .or_else(|| run.damper.as_ref().and_then(|d| d.serial.clone())),
        operator: args.operator.clone(),
        date: args.date.clone(),
    };
    let result = target.check(&run, sheet, tolerance);
    if result.criteria.is_empty() {
        return Err(Error::input(
            "no-shared-speed",
            format!(
                "{} and the target {} share no speed, so nothing can be checked",
                result.damper.name, result.target.name
            ),
        )
        .help("nothing is checked beyond what was measured"));
    }
    let folder = output.report_folder(&format!("{}-check", run.name));
    let files = match &folder {
        Some(_) => {
            let drawn = match result.reference_c {
                Some(_) => Cow::Borrowed(&run),
                None => run.measured(),
            };
            let shown = output.units.into();
            with_sheet(
                || comparison::check_files(&result, &drawn, shown),
                || comparison::check_sheet(&result, &drawn, &stationery, shown),
            )?
        }
        None => crate::report::Files::new(),
    };
    let json = match output.json {
        Some(_) => json::pretty::<CheckResult>(&result)?,
        None => String::new(),
    };
    output.deliver(&Results {
        folder,
        files: &files,
        marker: &comparison::check_marker(&result),
        json: &json,
        summary: &|| comparison::check_terminal(&result, output.look()),
    })?;
    Ok(match result.verdict {
        Passed::Pass => Outcome::Done,
        Passed::Fail | Passed::Undecided => Outcome::NotPassed,
    })
}

/// A target, read.
enum Loaded {
    Spec(Box<Target>, Named),
    Run(Box<Run>, Named),
}

impl Loaded {
    fn read(args: &CheckArgs, tolerance: f64) -> Result<Self, Error> {
        let path = &args.target;
        let is_toml = path
            .extension()
            .is_some_and(|e| e.eq_ignore_ascii_case("toml"));
        if is_toml {
            let text = read_text(path, "target")?;
            let shown = path.display().to_string();
            let target = Target::parse(&text, tolerance).map_err(|e| e.in_file(&shown))?;
            let hash = Sha256::digest(text.as_bytes());
            let name = Named {
                name: target.name.clone().unwrap_or_else(|| stem(path)),
                path: shown,
                sha256: hash.iter().map(|b| format!("{b:02x}")).collect(),
            };
            return Ok(Self::Spec(Box::new(target), name));
        }
        // The options for reading are those of the run; a target reads itself.
        let run = load_with(
            std::slice::from_ref(path),
            &IntakeArgs::default(),
            &args.reference.settings(&args.analysis, None)?,
            args.output.quiet,
        )?;
        say_of(&run, args.output.quiet);
        let name = named(&[&run]).swap_remove(0);
        Ok(Self::Run(Box::new(run), name))
    }

    fn check(&self, run: &Run, sheet: SheetData, tolerance: f64) -> CheckResult {
        let settings = CompareSettings::default();
        match self {
            Self::Spec(target, name) => {
                check(run, &Against::Spec(target), name.clone(), sheet, &settings)
            }
            Self::Run(other, name) => check(
                run,
                &Against::Run(other, tolerance),
                name.clone(),
                sheet,
                &settings,
            ),
        }
    }
}

fn stem(path: &Path) -> String {
    path.file_stem()
        .map_or_else(|| "target".into(), |s| s.to_string_lossy().into_owned())
}
