//! `loopwork simulate`.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use super::args::SimulateArgs;
use super::{Outcome, write_aside};
use crate::notice::{Error, Place};
use crate::simulate;

/// Runs the command.
///
/// # Errors
/// Fault `Input` for a description that cannot be used, `Output` if a file cannot be written.
pub(super) fn run(args: &SimulateArgs) -> Result<Outcome, Error> {
    if args.spec.is_dir() {
        return run_folder(args);
    }
    let bytes = make(&args.spec, args.seed)?;
    if args.out.as_os_str() == "-" {
        print(&bytes)?;
    } else {
        write_aside(&args.out, &bytes)?;
        say(args.quiet, &args.out, bytes.len());
    }
    Ok(Outcome::Done)
}

/// Every description of a folder. All are made before any is written, so that a mistake in
/// one leaves the old files as they were.
fn run_folder(args: &SimulateArgs) -> Result<Outcome, Error> {
    if args.out.as_os_str() == "-" {
        return Err(Error::usage(
            "folder-needs-out",
            format!(
                "{} is a folder of descriptions, and there is no folder for the runs",
                args.spec.display()
            ),
        )
        .help("add --out FOLDER"));
    }
    let mut made = Vec::new();
    for spec in descriptions(&args.spec)? {
        let out = args
            .out
            .join(spec.file_stem().unwrap_or_default())
            .with_extension("csv");
        made.push((out, make(&spec, args.seed)?));
    }
    for (out, bytes) in &made {
        write_aside(out, bytes)?;
        say(args.quiet, out, bytes.len());
    }
    Ok(Outcome::Done)
}

/// The TOML files of a folder, by name.
fn descriptions(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let unreadable = |error: std::io::Error| {
        Error::input(
            "cannot-read",
            format!("could not list {}: {error}", folder.display()),
        )
    };
    let mut found = Vec::new();
    for entry in std::fs::read_dir(folder).map_err(unreadable)? {
        let path = entry.map_err(unreadable)?.path();
        if path.extension().is_some_and(|e| e == "toml") && path.is_file() {
            found.push(path);
        }
    }
    found.sort();
    if found.is_empty() {
        return Err(Error::input(
            "no-descriptions",
            format!("{} holds no .toml file", folder.display()),
        )
        .help("name a damper description, or a folder of them"));
    }
    Ok(found)
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
