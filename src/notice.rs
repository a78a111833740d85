//! What the tool has to say to a person: notices that travel with a result, and errors
//! that end a run. Both carry a place, what was found, what was expected and what to do.

use std::fmt;

use serde::{Deserialize, Serialize};

/// How much a [`Notice`] matters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Severity {
    /// Worth knowing; nothing to do.
    Note,
    /// A liberty was taken or a number is weaker than usual; the person may want to act.
    Warning,
    /// The input cannot be used.
    Error,
}

/// Where in the input something was seen. All parts are optional; line and column count from 1.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Place {
    /// The file as the person named it (`-` for standard input).
    pub path: Option<String>,
    /// Line in the decoded text, from 1.
    pub line: Option<u64>,
    /// Column (field) number in that line, from 1.
    pub column: Option<usize>,
    /// The column's name in the header.
    pub column_name: Option<String>,
    /// The offending line as read, shortened if very long.
    pub text: Option<String>,
    /// Byte range of the offending cell inside `text`.
    pub span: Option<(usize, usize)>,
}

/// One thing to say, as data: renderers decide how it looks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Notice {
    /// Stable short name, kebab-case, such as `unit-assumed`.
    pub code: String,
    /// How much it matters.
    pub severity: Severity,
    /// One sentence: what was found and, where it applies, what was expected.
    pub message: String,
    /// Where it was seen.
    pub place: Option<Place>,
    /// What to do: the flag or the edit that settles it.
    pub help: Option<String>,
}

impl Notice {
    /// A notice without place or help.
    pub fn new(severity: Severity, code: &str, message: impl Into<String>) -> Self {
        Self {
            code: code.to_owned(),
            severity,
            message: message.into(),
            place: None,
            help: None,
        }
    }

    /// A note.
    pub fn note(code: &str, message: impl Into<String>) -> Self {
        Self::new(Severity::Note, code, message)
    }

    /// A warning.
    pub fn warning(code: &str, message: impl Into<String>) -> Self {
        Self::new(Severity::Warning, code, message)
    }

    /// An error.
    pub fn error(code: &str, message: impl Into<String>) -> Self {
        Self::new(Severity::Error, code, message)
    }

    /// Adds the place.
    #[must_use]
    pub fn at(mut self, place: Place) -> Self {
        self.place = Some(place);
        self
    }

    /// Adds what to do about it.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        self.help = Some(help.into());
        self
    }
}

/// Whose move it is when a run ends early; decides the exit code.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Fault {
    /// The command line or a settings file is wrong (exit code 2).
    Usage,
    /// The input cannot be used (exit code 3).
    Input,
    /// The output could not be written (exit code 4).
    Output,
}

impl Fault {
    /// The process exit code of this fault.
    pub fn exit_code(self) -> u8 {
        match self {
            Self::Usage => 2,
            Self::Input => 3,
            Self::Output => 4,
        }
    }
}

/// Why a run ended early: one or more problems, the first ten in full.
#[derive(Debug, Clone, PartialEq)]
pub struct Error {
    /// Whose move it is.
    pub fault: Fault,
    /// The problems, worst first; never empty.
    pub problems: Vec<Notice>,
    /// How many more there were beyond those kept.
    pub more: usize,
}

/// The most problems an [`Error`] keeps; the rest are counted.
pub const PROBLEMS_SHOWN: usize = 10;

impl Error {
    /// An error of one problem.
    pub fn new(fault: Fault, problem: Notice) -> Self {
        Self {
            fault,
            problems: vec![problem],
            more: 0,
        }
    }

    /// The input cannot be used.
    pub fn input(code: &str, message: impl Into<String>) -> Self {
        Self::new(Fault::Input, Notice::error(code, message))
    }

    /// The command line is wrong.
    pub fn usage(code: &str, message: impl Into<String>) -> Self {
        Self::new(Fault::Usage, Notice::error(code, message))
    }

    /// The output could not be written.
    pub fn output(code: &str, message: impl Into<String>) -> Self {
        Self::new(Fault::Output, Notice::error(code, message))
    }

    /// Several problems at once; keeps [`PROBLEMS_SHOWN`] and counts the rest.
    pub fn many(fault: Fault, mut problems: Vec<Notice>) -> Self {
        let more = problems.len().saturating_sub(PROBLEMS_SHOWN);
        problems.truncate(PROBLEMS_SHOWN);
        Self {
            fault,
            problems,
            more,
        }
    }

    /// Adds what to do to the first problem.
    #[must_use]
    pub fn help(mut self, help: impl Into<String>) -> Self {
        if let Some(first) = self.problems.first_mut() {
            first.help = Some(help.into());
        }
        self
    }

    /// Adds the place of the first problem.
    #[must_use]
    pub fn at(mut self, place: Place) -> Self {
        if let Some(first) = self.problems.first_mut() {
            first.place = Some(place);
        }
        self
    }

    /// The file named in every problem that has no path yet.
    #[must_use]
    pub fn in_file(mut self, path: &str) -> Self {
        for problem in &mut self.problems {
            let place = problem.place.get_or_insert_with(Place::default);
            place.path.get_or_insert_with(|| path.to_owned());
        }
        self
    }

    /// The process exit code.
    pub fn exit_code(&self) -> u8 {
        self.fault.exit_code()
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        for (i, problem) in self.problems.iter().enumerate() {
            if i > 0 {
                f.write_str("; ")?;
            }
            f.write_str(&problem.message)?;
        }
        if self.more > 0 {
            write!(f, "; and {} more", self.more)?;
        }
        Ok(())
    }
}

impl std::error::Error for Error {}
