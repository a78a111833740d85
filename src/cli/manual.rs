//! `loopwork completions` and `loopwork manual`: made from the command definitions.

use clap::CommandFactory as _;

use super::Outcome;
use super::args::{Cli, CompletionsArgs, ManualArgs};
use super::output::print;
use crate::notice::Error;

/// Prints a completion script.
///
/// # Errors
/// [`crate::notice::Fault::Output`].
pub(super) fn completions(args: &CompletionsArgs) -> Result<Outcome, Error> {
    let mut script = Vec::new();
    let mut command = Cli::command();
    clap_complete::generate(args.shell, &mut command, "loopwork", &mut script);
    print(&String::from_utf8_lossy(&script))?;
    Ok(Outcome::Done)
}

/// Prints a manual page.
///
/// # Errors
/// [`crate::notice::Fault::Usage`] for a command that is not there,
/// [`crate::notice::Fault::Output`].
pub(super) fn manual(args: &ManualArgs) -> Result<Outcome, Error> {
    let mut whole = Cli::command();
    whole.build();
    let page = match args.command.as_deref() {
        None => whole,
        Some(name) => one(&whole, name)?,
    };
    let mut roff = Vec::new();
    clap_mangen::Man::new(page)
        .render(&mut roff)
        .map_err(|e| Error::output("cannot-write", format!("the page could not be made: {e}")))?;
    print(&String::from_utf8_lossy(&roff))?;
    Ok(Outcome::Done)
}

fn one(whole: &clap::Command, name: &str) -> Result<clap::Command, Error> {
    let names = || whole.get_subcommands().map(clap::Command::get_name);
    if let Some(found) = whole.find_subcommand(name) {
        let full = format!("loopwork-{}", found.get_name());
        return Ok(found.clone().name(full.clone()).display_name(full));
    }
    let near = names()
        .max_by(|a, b| strsim::jaro_winkler(a, name).total_cmp(&strsim::jaro_winkler(b, name)))
        .unwrap_or_default();
    Err(
        Error::usage("unknown-command", format!("there is no command {name}"))
            .help(format!("did you mean {near}? `loopwork --help` lists them")),
    )
}
