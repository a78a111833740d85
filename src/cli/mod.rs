//! The shell: arguments, one file per command, exit codes. The only home of the terminal,
//! the clock and the disk's output side.

pub mod args;
pub mod diagnostics;
mod intake_options;
pub mod load;
pub mod output;
pub mod sheet;
mod write;

mod analyze;
mod batch;
mod card;
mod check;
mod clicks;
mod compare;
mod corner;
mod explain;
mod inspect;
mod manual;
mod match_pairs;
mod simulate;

use std::ffi::OsString;
use std::process::ExitCode;

use clap::Parser as _;

use crate::notice::Error;
use args::{Cli, Command};

pub use write::{OutputSet, write_aside};

/// How a command ended, when it ended well.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Outcome {
    /// Done (exit code 0).
    Done,
    /// A check, or a comparison given a limit, did not pass (exit code 1).
    NotPassed,
    /// Stopped by the person; what was done is kept (exit code 130, as shells give it).
    Interrupted,
}

/// Parses the arguments, runs the command, prints its error if any, returns the exit code.
pub fn main(arguments: impl IntoIterator<Item = OsString>) -> ExitCode {
    let cli = match Cli::try_parse_from(arguments) {
        Ok(cli) => cli,
        Err(error) => {
            let code = if error.use_stderr() { 2 } else { 0 };
            // A closed pipe while printing help is not worth a complaint.
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    match run(&cli.command) {
        Ok(Outcome::Done) => ExitCode::SUCCESS,
        Ok(Outcome::NotPassed) => ExitCode::from(1),
        Ok(Outcome::Interrupted) => ExitCode::from(130),
        Err(error) => {
            diagnostics::say_error(&error);
            ExitCode::from(error.exit_code())
        }
    }
}

fn run(command: &Command) -> Result<Outcome, Error> {
    match command {
        Command::Inspect(args) => inspect::run(args),
        Command::Analyze(args) => analyze::run(args),
        Command::Compare(args) => compare::run(args),
        Command::Check(args) => check::run(args),
        Command::Match(args) => match_pairs::run(args),
        Command::Clicks(args) => clicks::run(args),
        Command::Batch(args) => batch::run(args),
        Command::Corner(args) => corner::run(args),
        Command::Card(args) => card::run(args),
        Command::Explain(args) => explain::run(args),
        Command::Simulate(args) => simulate::run(args),
        Command::Completions(args) => manual::completions(args),
        Command::Manual(args) => manual::manual(args),
    }
}
