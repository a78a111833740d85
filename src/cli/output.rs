//! Where results go: standard output, a JSON file, a report folder. Shared by the commands.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::args::{OutputArgs, Units};
use super::write::{OutputSet, write_aside};
use crate::notice::Error;
use crate::report::terminal::Look;
use crate::report::{Files, names, sheet};
use crate::units::display::Shown;

/// The folder reports go to when none is named.
const REPORTS: &str = "reports";
/// Columns when the terminal does not say.
const USUAL_WIDTH: usize = 80;

impl From<Units> for Shown {
    fn from(units: Units) -> Self {
        match units {
            Units::Si => Self::Si,
            Units::Us => Self::Us,
        }
    }
}

impl OutputArgs {
    /// True if standard output is kept for JSON.
    pub fn json_on_stdout(&self) -> bool {
        self.json.as_deref() == Some(Path::new("-"))
    }

    /// How the terminal wants its text.
    pub fn look(&self) -> Look {
        Look {
            width: width(),
            plain: self.plain,
            shown: self.units.into(),
        }
    }

    /// The report folder for a run of this name; `None` if no report is wanted.
    pub fn report_folder(&self, name: &str) -> Option<PathBuf> {
        if self.no_report {
            return None;
        }
        Some(
            self.report
                .clone()
                .unwrap_or_else(|| Path::new(REPORTS).join(names::safe(name))),
        )
    }

    /// Refuses to write over a file that is also read.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Usage`].
    pub fn spare_inputs(&self, inputs: &[PathBuf]) -> Result<(), Error> {
        let Some(json) = self.json.as_deref().filter(|_| !self.json_on_stdout()) else {
            return Ok(());
        };
        let same = |input: &&PathBuf| match (input.canonicalize(), json.canonicalize()) {
            (Ok(a), Ok(b)) => a == b,
            _ => false,
        };
        match inputs.iter().find(same) {
            None => Ok(()),
            Some(input) => Err(Error::usage(
                "output-is-input",
                format!("--json {} would write over the input", input.display()),
            )
            .help("name another file for the JSON")),
        }
    }

    /// Hands over the results: report, JSON, summary, in that order, so that a failure to
    /// write is known before success is printed.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`].
    pub fn deliver(&self, results: &Results<'_>) -> Result<(), Error> {
        if let Some(folder) = &results.folder {
            let mut set = OutputSet::default();
            for (name, bytes) in results.files {
                set.add(name, bytes.as_slice());
            }
            set.replace_report(folder, results.marker, self.overwrite)?;
        }
        match self.json.as_deref() {
            None => {}
            Some(_) if self.json_on_stdout() => print_plain(results.json)?,
            Some(path) => write_aside(path, results.json.as_bytes())?,
        }
        if !self.quiet && !self.json_on_stdout() {
            print(&(results.summary)())?;
        }
        if let Some(folder) = &results.folder
            && !self.quiet
        {
            let page = folder.join("index.html");
            let _ = writeln!(anstream::stderr(), "report: {}", page.display());
            if results.files.iter().any(|(name, _)| name == sheet::FILE) {
                let sheet = folder.join(sheet::FILE);
                let _ = writeln!(anstream::stderr(), "sheet: {}", sheet.display());
            }
        }
        Ok(())
    }
}

/// Finished results of a command.
pub struct Results<'a> {
    /// Report folder, if a report is wanted.
    pub folder: Option<PathBuf>,
    /// Its files.
    pub files: &'a Files,
    /// What the report was made from.
    pub marker: &'a str,
    /// JSON text.
    pub json: &'a str,
    /// Makes the terminal text.
    pub summary: &'a dyn Fn() -> String,
}

/// Prints to standard output; colour codes are taken out where they do not belong. A
/// reader that closed the pipe has had enough, which is no fault.
///
/// # Errors
/// [`crate::notice::Fault::Output`].
pub fn print(text: &str) -> Result<(), Error> {
    write_out(anstream::stdout().lock(), text)
}

/// [`print`] for text that holds no colour codes, such as JSON, which escapes them.
fn print_plain(text: &str) -> Result<(), Error> {
    write_out(std::io::stdout().lock(), text)
}

fn write_out(mut out: impl std::io::Write, text: &str) -> Result<(), Error> {
    match out.write_all(text.as_bytes()).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Error::output(
            "cannot-write",
            format!("could not write to standard output: {error}"),
        )),
        _ => Ok(()),
    }
}

/// Columns of the terminal: `COLUMNS` if set, else the terminal's own, else 80.
pub fn width() -> usize {
    let set = std::env::var("COLUMNS")
        .ok()
        .and_then(|text| text.trim().parse::<usize>().ok())
        .filter(|columns| *columns > 0);
    set.or_else(|| terminal_size::terminal_size().map(|(w, _)| usize::from(w.0)))
        .unwrap_or(USUAL_WIDTH)
}
