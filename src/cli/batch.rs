//! `loopwork batch`: many runs at once.
//!
//! ```text
//! gather    paths, folders, patterns → files, in order of their names
//! work      files → results, on all processors
//! journal   what has been analysed, kept so that nothing is done twice or lost
//! publish   journal → tables and index page
//! watch     files as they arrive
//! ```

mod gather;
mod journal;
mod publish;
mod watch;
mod work;

use std::io::Write as _;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::Duration;

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};
use sha2::{Digest as _, Sha256};

use super::args::{BatchArgs, BatchFormat};
use super::load::settings;
use super::{Outcome, write_aside};
use crate::ingest::IntakeOptions;
use crate::notice::{Error, Fault};
use crate::pipeline::Settings;
use crate::run::Tool;
use gather::Found;
use journal::Journal;

/// Folder of a batch when none is named.
const FOLDER: &str = "reports/batch";

/// What all parts of a batch need.
struct Plan {
    options: IntakeOptions,
    settings: Settings,
    /// Fingerprint of everything that steers a result.
    fingerprint: String,
    jobs: usize,
    quiet: bool,
    stop: Arc<AtomicBool>,
}

/// Runs the command.
///
/// # Errors
/// Fault `Usage` without a path or with options that cannot be used, `Input` if not one
/// file could be used, `Output` if something could not be written.
pub(super) fn run(args: &BatchArgs) -> Result<Outcome, Error> {
    let plan = plan(args)?;
    if !args.watch.is_empty() {
        return watch::run(args, &plan);
    }
    let gathered = gather::gather(&args.paths, args.paths_from.as_deref())?;
    if gathered.files.is_empty() {
        return Err(gathered.nothing());
    }
    say(plan.quiet, &gathered.remarks());
    if args.format == BatchFormat::Jsonl || args.output.json.is_some() {
        return lines(args, &plan, &gathered.files);
    }
    let folder = folder(args);
    let mut journal = Journal::open(&folder, &plan.fingerprint, args.output.overwrite)?;
    let bar = bar(gathered.files.len(), plan.quiet);
    let account = analyse_into(&gathered.files, &mut journal, &plan, &bar)?;
    bar.finish_and_clear();
    let listed = args.fresh.then_some(gathered.files.as_slice());
    let published = publish::publish(&folder, &mut journal, listed, &publish_options(args))?;
    finish(args, &plan, &folder, &account, &published)
}

fn plan(args: &BatchArgs) -> Result<Plan, Error> {
    let options = args.intake.to_options()?;
    let settings = settings(&args.analysis, None)?;
    let cores = std::thread::available_parallelism().map_or(1, usize::from);
    if args.jobs == Some(0) {
        return Err(Error::usage("bad-jobs", "--jobs 0: nothing would be done")
            .help("leave --jobs out to use every processor"));
    }
    let stop = Arc::new(AtomicBool::new(false));
    let flag = Arc::clone(&stop);
    // Without a handler an interrupt ends the program at once, which loses nothing either.
    let _ = ctrlc::set_handler(move || {
        if flag.swap(true, Ordering::SeqCst) {
            #[expect(clippy::exit, reason = "a second interrupt means now")]
            std::process::exit(130);
        }
    });
    Ok(Plan {
        fingerprint: fingerprint(&options, &settings),
        options,
        settings,
        jobs: args.jobs.unwrap_or(cores),
        quiet: args.output.quiet,
        stop,
    })
}

/// Sixteen hex digits over the program's version, the options, the settings and the intake
/// card's content.
fn fingerprint(options: &IntakeOptions, settings: &Settings) -> String {
    let mut sha = Sha256::new();
    sha.update(Tool::this().version.as_bytes());
    sha.update(format!("{options:?}{settings:?}").as_bytes());
    if let Some(card) = options.card.as_deref().and_then(|p| std::fs::read(p).ok()) {
        sha.update(card);
    }
    hex(&sha.finalize(), 8)
}

fn hex(bytes: &[u8], most: usize) -> String {
    bytes
        .iter()
        .take(most)
        .map(|b| format!("{b:02x}"))
        .collect()
}

fn folder(args: &BatchArgs) -> PathBuf {
    args.output
        .report
        .clone()
        .unwrap_or_else(|| PathBuf::from(FOLDER))
}

fn publish_options(args: &BatchArgs) -> publish::Options<'_> {
    publish::Options {
        by: &args.by,
        family: args.family.as_deref(),
        shown: args.output.units.into(),
        page: !args.output.no_report,
    }
}

/// What came of a batch's files.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
struct Account {
    analysed: usize,
    failed: usize,
    known: usize,
    interrupted: bool,
}

/// Analyses what the journal does not hold yet and writes it there as it comes.
fn analyse_into(
    files: &[Found],
    journal: &mut Journal,
    plan: &Plan,
    bar: &ProgressBar,
) -> Result<Account, Error> {
    let mut account = Account::default();
    let mut wanted = Vec::new();
    for file in files {
        if plan.stop.load(Ordering::SeqCst) {
            break;
        }
        if journal.knows(file)? {
            account.known += 1;
            bar.inc(1);
        } else {
            wanted.push(file.clone());
        }
    }
    let one = |file: &Found| work::analyse(file, plan);
    work::for_each(&wanted, plan.jobs, None, &plan.stop, one, |_, result| {
        let Some(record) = result.into_record(&plan.fingerprint) else {
            return Ok(());
        };
        match record.tables.run.status.as_str() {
            "ok" => account.analysed += 1,
            _ => account.failed += 1,
        }
        bar.inc(1);
        journal.add(&record)
    })?;
    account.interrupted = plan.stop.load(Ordering::SeqCst);
    Ok(account)
}

/// One JSON object per run, in the order of the files.
fn lines(args: &BatchArgs, plan: &Plan, files: &[Found]) -> Result<Outcome, Error> {
    let to_file = args.output.json.as_deref().filter(|p| *p != Path::new("-"));
    let mut kept = Vec::new();
    let bar = bar(files.len(), plan.quiet);
    let mut good = 0_usize;
    let mut closed = false;
    let one = |file: &Found| work::analyse(file, plan);
    let window = Some(4 * plan.jobs);
    let done = work::for_each(files, plan.jobs, window, &plan.stop, one, |_, result| {
        let Some((line, ok)) = result.into_line() else {
            return Ok(());
        };
        good += usize::from(ok);
        bar.inc(1);
        if to_file.is_some() {
            kept.extend_from_slice(line.as_bytes());
            return Ok(());
        }
        let mut out = std::io::stdout().lock();
        match out.write_all(line.as_bytes()).and_then(|()| out.flush()) {
            Err(error) if error.kind() == std::io::ErrorKind::BrokenPipe => {
                // The reader has had enough, which is no fault.
                closed = true;
                plan.stop.store(true, Ordering::SeqCst);
                Ok(())
            }
            Err(error) => Err(Error::output(
                "cannot-write",
                format!("could not write to standard output: {error}"),
            )),
            Ok(()) => Ok(()),
        }
    });
    bar.finish_and_clear();
    done?;
    if let Some(path) = to_file {
        write_aside(path, &kept)?;
    }
    if closed {
        return Ok(Outcome::Done);
    }
    if plan.stop.load(Ordering::SeqCst) {
        return Ok(Outcome::Interrupted);
    }
    if good == 0 {
        return Err(none_usable(files.len()));
    }
    Ok(Outcome::Done)
}

fn none_usable(files: usize) -> Error {
    Error::new(
        Fault::Input,
        crate::notice::Notice::error(
            "no-usable-file",
            if files == 1 {
                "the file could not be used".to_owned()
            } else {
                format!("none of the {files} files could be used")
            },
        )
        .help("the reason stands with each file; `loopwork inspect FILE` says more about one"),
    )
}

fn finish(
    args: &BatchArgs,
    plan: &Plan,
    folder: &Path,
    account: &Account,
    published: &publish::Published,
) -> Result<Outcome, Error> {
    if !plan.quiet {
        super::output::print(&published.summary(account))?;
        let place = if args.output.no_report {
            folder.to_path_buf()
        } else {
            folder.join("index.html")
        };
        say(false, &[format!("result: {}", place.display())]);
    }
    if account.interrupted {
        say(
            plan.quiet,
            &["stopped; what was done is kept, and the same command goes on from here".into()],
        );
        return Ok(Outcome::Interrupted);
    }
    if account.analysed + account.known == 0 && account.failed > 0 {
        return Err(none_usable(account.failed));
    }
    Ok(Outcome::Done)
}

fn say(quiet: bool, remarks: &[String]) {
    if quiet {
        return;
    }
    for remark in remarks {
        // A closed standard error leaves nobody to tell.
        let _ = writeln!(anstream::stderr(), "{remark}");
    }
}

/// Progress on standard error: how far, how fast, how long still.
fn bar(files: usize, quiet: bool) -> ProgressBar {
    if quiet {
        return ProgressBar::hidden();
    }
    let bar =
        ProgressBar::with_draw_target(Some(files as u64), ProgressDrawTarget::stderr_with_hz(4));
    if let Ok(style) =
        ProgressStyle::with_template("{wide_bar} {pos} of {len} files, {per_sec}, {eta} left")
    {
        bar.set_style(style);
    }
    bar.enable_steady_tick(Duration::from_millis(500));
    bar
}
