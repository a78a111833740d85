//! Files as they arrive. A folder is looked at again and again; a file is taken once it has
//! not changed for some looks in a row. What has been done is in the journal, so that a
//! restart goes on where it stopped.

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::sync::atomic::Ordering;
use std::time::{Duration, Instant, SystemTime, UNIX_EPOCH};

use indicatif::ProgressBar;

use super::gather::{FileState, Found, gather};
use super::journal::Journal;
use super::{Account, Plan, analyse_into, folder, publish, publish_options, say};
use crate::cli::Outcome;
use crate::cli::args::{BatchArgs, BatchFormat};
use crate::notice::Error;

/// How often a sleeping watch looks whether it should stop.
const GLANCE: Duration = Duration::from_millis(100);
/// Shortest and longest time between looks, s.
const EVERY: [f64; 2] = [0.05, 86_400.0];
/// While files keep coming, the tables are made again at most this often: making them takes
/// time in proportion to all runs so far.
const PUBLISH_EVERY: Duration = Duration::from_secs(10);

/// Runs the watch until it is stopped.
///
/// # Errors
/// As [`super::run`]; a folder that goes away is waited for.
pub(super) fn run(args: &BatchArgs, plan: &Plan) -> Result<Outcome, Error> {
    if args.format == BatchFormat::Jsonl || args.output.json.is_some() {
        return Err(Error::usage(
            "watch-keeps",
            "--watch keeps account in a folder and cannot give lines",
        )
        .help("leave out --format jsonl and --json"));
    }
    if !(EVERY[0]..=EVERY[1]).contains(&args.every) {
        return Err(Error::usage(
            "bad-interval",
            format!(
                "--every {}: between {} and {} seconds",
                args.every, EVERY[0], EVERY[1]
            ),
        ));
    }
    if let Some(missing) = args.watch.iter().find(|dir| !dir.is_dir()) {
        return Err(Error::input(
            "no-folder",
            format!("{} is not a folder", missing.display()),
        )
        .help("name an existing folder with --watch"));
    }
    let out = folder(args);
    let mut journal = Journal::open(&out, &plan.fingerprint, args.output.overwrite)?;
    let mut places: Vec<PathBuf> = args.watch.clone();
    places.extend(args.paths.iter().cloned());
    let mut settling = Settling::new(args);
    say(
        plan.quiet,
        &[format!(
            "watching {}; Ctrl-C ends it",
            args.watch
                .iter()
                .map(|d| d.display().to_string())
                .collect::<Vec<_>>()
                .join(", ")
        )],
    );
    let mut total = Account::default();
    let mut stale = true;
    let mut published: Option<Instant> = None;
    while !plan.stop.load(Ordering::SeqCst) {
        let gathered = gather(&places, args.paths_from.as_deref())?;
        let ready = settling.ready(gathered.files, &journal);
        let none = ready.is_empty();
        if !none {
            let account = analyse_into(&ready, &mut journal, plan, &ProgressBar::hidden())?;
            total.analysed += account.analysed;
            total.failed += account.failed;
            total.known += account.known;
            stale = true;
            tell(&ready, &mut journal, plan)?;
        }
        if stale && (none || published.is_none_or(|at| at.elapsed() > PUBLISH_EVERY)) {
            publish::publish(&out, &mut journal, None, &publish_options(args))?;
            published = Some(Instant::now());
            stale = false;
        }
        if none {
            sleep(args.every, plan);
        }
    }
    let last = publish::publish(&out, &mut journal, None, &publish_options(args))?;
    if !plan.quiet {
        crate::cli::output::print(&last.summary(&total))?;
    }
    Ok(Outcome::Interrupted)
}

fn tell(ready: &[Found], journal: &mut Journal, plan: &Plan) -> Result<(), Error> {
    if plan.quiet {
        return Ok(());
    }
    for file in ready {
        if let Some(record) = journal.read(&file.name())? {
            let run = &record.tables.run;
            let word = match &run.error {
                None => "analysed".to_owned(),
                Some(error) => format!("could not be used: {error}"),
            };
            say(false, &[format!("{}: {word}", run.path)]);
        }
    }
    Ok(())
}

fn sleep(seconds: f64, plan: &Plan) {
    let until = Instant::now() + Duration::from_secs_f64(seconds);
    while !plan.stop.load(Ordering::SeqCst) {
        let left = until.saturating_duration_since(Instant::now());
        if left.is_zero() {
            return;
        }
        std::thread::sleep(left.min(GLANCE));
    }
}

/// Which files have stopped changing.
struct Settling {
    looks: u32,
    /// A file untouched for this long needs no more looks, s.
    calm_s: f64,
    seen: BTreeMap<PathBuf, (FileState, u32)>,
    /// Handed out before; one that could not be opened is not tried again until it changes.
    tried: BTreeMap<PathBuf, FileState>,
}

impl Settling {
    fn new(args: &BatchArgs) -> Self {
        Self {
            looks: args.settle.max(1),
            calm_s: (args.every * f64::from(args.settle)).max(10.0),
            seen: BTreeMap::new(),
            tried: BTreeMap::new(),
        }
    }

    /// Files that are complete and not in the journal as they are.
    fn ready(&mut self, files: Vec<Found>, journal: &Journal) -> Vec<Found> {
        let mut seen = BTreeMap::new();
        let mut ready = Vec::new();
        for file in files {
            let Some(state) = file.state else { continue };
            if journal.has(&file) || self.tried.get(&file.path) == Some(&state) {
                continue;
            }
            let looks = match self.seen.get(&file.path) {
                Some((before, looks)) if *before == state => looks + 1,
                _ => 1,
            };
            if state.bytes > 0 && (looks > self.looks || self.is_calm(&state)) {
                self.tried.insert(file.path.clone(), state);
                ready.push(file);
            } else {
                seen.insert(file.path.clone(), (state, looks));
            }
        }
        self.seen = seen;
        ready
    }

    fn is_calm(&self, state: &FileState) -> bool {
        SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .is_ok_and(|now| now.as_secs_f64() - state.modified_s as f64 > self.calm_s)
    }
}
