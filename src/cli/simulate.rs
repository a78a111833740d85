//! `loopwork simulate`.

use std::io::Write as _;
use std::path::Path;

use super::args::SimulateArgs;
use super::{Outcome, write_aside};
use crate::notice::{Error, Place};
use crate::simulate;

/// Runs the command.
///
/// # Errors
/// Fault `Input` for a description that cannot be used, `Output` if the file cannot be written.
pub(super) fn run(args: &SimulateArgs) -> Result<Outcome, Error> {
    let bytes = make(&args.spec, args.seed)?;
    if args.out.as_os_str() == "-" {
        print(&bytes)?;
    } else {
        write_aside(&args.out, &bytes)?;
        say(args.quiet, &args.out, bytes.len());
    }
    Ok(Outcome::Done)
}

/// The CSV of one description.
fn make(spec: &Path, seed: Option<u64>) -> Result<Vec<u8>, Error> {
    let name = spec.display().to_string();
    let text = std::fs::read_to_string(spec).map_err(|error| {
        Error::input("cannot-read", format!("could not read {name}: {error}"))
            .at(Place {
                path: Some(name.clone()),
                ..Place::default()
            })
            .help("name a damper description (TOML); sample-runs/specs holds examples")
    })?;
    let mut described = simulate::from_toml(&text, &name)?;
    if let Some(seed) = seed {
        described.seed = seed;
    }
    let made = simulate::run(&described).map_err(|error| error.in_file(&name))?;
    let mut bytes = Vec::new();
    simulate::write_csv(&made, &described.output, &mut bytes)
        .map_err(|error| Error::output("cannot-write", error.to_string()))?;
    Ok(bytes)
}

/// Prints the CSV; a reader that closed the pipe has had enough, which is no fault.
fn print(bytes: &[u8]) -> Result<(), Error> {
    let mut out = std::io::stdout().lock();
    match out.write_all(bytes).and_then(|()| out.flush()) {
        Err(error) if error.kind() != std::io::ErrorKind::BrokenPipe => Err(Error::output(
            "cannot-write",
            format!("could not write to standard output: {error}"),
        )),
        _ => Ok(()),
    }
}

fn say(quiet: bool, path: &Path, bytes: usize) {
    if !quiet {
        let _ = writeln!(
            anstream::stderr(),
            "wrote {} ({:.0} kB)",
            path.display(),
            bytes as f64 / 1e3
        );
    }
}
