//! Files to results on all processors.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Condvar, Mutex, PoisonError, mpsc};
use std::time::Duration;

use serde::Serialize;

use super::Plan;
use super::gather::{FileState, Found};
use super::journal::{Record, content};
use crate::ingest;
use crate::notice::{Error, Notice, Place};
use crate::pipeline;
use crate::recording::{Chunk, Closing, Recording, SampleStream, Understanding};
use crate::run::{RUN_SCHEMA, Run};
use crate::tables::RunTables;
use crate::tables::day::Moment;
use crate::tables::rows::labelled_moment;

/// How often a waiting worker looks whether it should stop.
const GLANCE: Duration = Duration::from_millis(100);

/// Calls `one` for every item on `jobs` threads and `take` with each result on this one: as
/// they come, or with a `window` in the order of the items, at most that many ahead. Ends
/// early when `stop` is set or `take` fails.
///
/// # Errors
/// The first of `take`.
pub(super) fn for_each<T: Sync, R: Send>(
    items: &[T],
    jobs: usize,
    window: Option<usize>,
    stop: &AtomicBool,
    one: impl Fn(&T) -> R + Sync,
    mut take: impl FnMut(usize, R) -> Result<(), Error>,
) -> Result<(), Error> {
    let gate = Gate {
        counts: Mutex::new((0, 0)),
        moved: Condvar::new(),
        items: items.len(),
        window,
    };
    let failed = AtomicBool::new(false);
    let jobs = jobs.min(items.len()).max(1);
    // With a file per processor, reading one file on many threads would only add switching.
    let alone = items.len() >= jobs && jobs > 1;
    std::thread::scope(|scope| {
        let (send, receive) = mpsc::sync_channel(2 * jobs);
        for _ in 0..jobs {
            let send = send.clone();
            let (gate, one, failed) = (&gate, &one, &failed);
            scope.spawn(move || {
                let work = || {
                    let halt = || stop.load(Ordering::SeqCst) || failed.load(Ordering::SeqCst);
                    while let Some(i) = gate.next(&halt) {
                        let Some(item) = items.get(i) else { return };
                        if send.send((i, one(item))).is_err() {
                            return;
                        }
                    }
                };
                let pool = rayon::ThreadPoolBuilder::new()
                    .num_threads(1)
                    .use_current_thread();
                match pool.build() {
                    Ok(pool) if alone => pool.install(work),
                    _ => work(),
                }
            });
        }
        drop(send);
        let mut outcome = Ok(());
        let mut early = BTreeMap::new();
        let mut next = 0;
        for (i, result) in receive {
            if outcome.is_err() {
                continue;
            }
            let mut deliver = |i, result| {
                if outcome.is_ok() {
                    outcome = take(i, result);
                }
                gate.delivered();
            };
            if window.is_some() {
                early.insert(i, result);
                while let Some(result) = early.remove(&next) {
                    deliver(next, result);
                    next += 1;
                }
            } else {
                deliver(i, result);
            }
            if outcome.is_err() {
                failed.store(true, Ordering::SeqCst);
            }
        }
        outcome
    })
}

/// Hands out items, not too far ahead of what has been delivered.
struct Gate {
    /// Handed out, delivered.
    counts: Mutex<(usize, usize)>,
    moved: Condvar,
    items: usize,
    window: Option<usize>,
}

impl Gate {
    fn next(&self, halt: &impl Fn() -> bool) -> Option<usize> {
        let mut counts = self.counts.lock().unwrap_or_else(PoisonError::into_inner);
        loop {
            if halt() || counts.0 >= self.items {
                return None;
            }
            if self.window.is_none_or(|w| counts.0 < counts.1 + w) {
                counts.0 += 1;
                return Some(counts.0 - 1);
            }
            counts = self
                .moved
                .wait_timeout(counts, GLANCE)
                .unwrap_or_else(PoisonError::into_inner)
                .0;
        }
    }

    fn delivered(&self) {
        self.counts.lock().unwrap_or_else(PoisonError::into_inner).1 += 1;
        self.moved.notify_all();
    }
}

/// What came of one file.
pub(super) struct Done {
    file: Found,
    result: Result<Box<Run>, Error>,
    /// The file could not be opened: worth another try next time.
    unreadable: bool,
}

/// Code of the error of an analysis that was stopped.
const STOPPED: &str = "stopped";

/// Analyses one file. Whatever happens, it comes back as a result.
pub(super) fn analyse(file: &Found, plan: &Plan) -> Done {
    let done = |result, unreadable| Done {
        file: file.clone(),
        result,
        unreadable,
    };
    if let Err(error) = std::fs::File::open(&file.path) {
        let name = file.name();
        let error = Error::input("cannot-read", format!("could not open {name}: {error}"))
            .at(Place {
                path: Some(name),
                ..Place::default()
            })
            .help("check that it is still there and may be read");
        return done(Err(error), true);
    }
    let result = catch_unwind(AssertUnwindSafe(|| {
        let paths = std::slice::from_ref(&file.path);
        let recording = match ingest::open(paths, &plan.options)? {
            Recording::Samples(inner) => Recording::Samples(Box::new(Stoppable {
                inner,
                stop: Arc::clone(&plan.stop),
            })),
            other => other,
        };
        pipeline::analyse(recording, &plan.settings).map(Box::new)
    }));
    let result = result.unwrap_or_else(|_| {
        Err(Error::input(
            "internal",
            "this file met a mistake in the program; it is left out",
        )
        .help("please report it, with the file if you can"))
    });
    done(result.map_err(|e| e.in_file(&file.name())), false)
}

/// A stream that ends with an error when the batch is stopped.
struct Stoppable {
    inner: Box<dyn SampleStream + Send>,
    stop: Arc<AtomicBool>,
}

impl SampleStream for Stoppable {
    fn understanding(&self) -> &Understanding {
        self.inner.understanding()
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        if self.stop.load(Ordering::SeqCst) {
            return Err(Error::input(STOPPED, "stopped"));
        }
        self.inner.next_chunk()
    }

    fn closing(&mut self) -> Closing {
        self.inner.closing()
    }
}

/// The line of a file that failed.
#[derive(Serialize)]
struct FailedLine<'a> {
    schema: &'a str,
    source: [FailedSource<'a>; 1],
    error: FailedError<'a>,
}

#[derive(Serialize)]
struct FailedSource<'a> {
    path: &'a str,
}

#[derive(Serialize)]
struct FailedError<'a> {
    code: &'a str,
    message: String,
    line: Option<u64>,
    column: Option<usize>,
    help: Option<&'a str>,
    more: usize,
}

impl Done {
    fn was_stopped(&self) -> bool {
        self.result
            .as_ref()
            .is_err_and(|e| e.problems.first().is_some_and(|p| p.code == STOPPED))
    }

    /// A line of JSON and whether it is a run; `None` if the analysis was stopped.
    pub(super) fn into_line(self) -> Option<(String, bool)> {
        if self.was_stopped() {
            return None;
        }
        let name = self.file.name();
        let (text, ok) = match &self.result {
            Ok(run) => (serde_json::to_string::<Run>(run), true),
            Err(error) => {
                let first = error.problems.first();
                let place = first.and_then(|p| p.place.as_ref());
                let line = FailedLine {
                    schema: RUN_SCHEMA,
                    source: [FailedSource { path: &name }],
                    error: FailedError {
                        code: first.map_or("unknown", |p| &p.code),
                        message: error.to_string(),
                        line: place.and_then(|p| p.line),
                        column: place.and_then(|p| p.column),
                        help: first.and_then(|p| p.help.as_deref()),
                        more: error.more,
                    },
                };
                (serde_json::to_string(&line), false)
            }
        };
        // Plain data with text keys always serialises.
        let mut text = text.unwrap_or_default();
        text.push('\n');
        Some((text, ok))
    }

    /// A record for the journal; `None` if the analysis was stopped.
    pub(super) fn into_record(self, fingerprint: &str) -> Option<Record> {
        if self.was_stopped() {
            return None;
        }
        let state = self.file.state.or_else(|| FileState::of(&self.file.path));
        let of_file = Moment::from_unix(state.map_or(0, |s| s.modified_s));
        let mut tables = match &self.result {
            Ok(run) => {
                let mut tables = RunTables::of(run);
                tables.set_moment(labelled_moment(run), of_file);
                tables
            }
            Err(error) => {
                let mut tables = failed(error, of_file);
                tables.run.sha256 = content(&self.file.path);
                tables
            }
        };
        tables.run.path = self.file.name();
        if tables.run.name.is_empty() {
            let stem = self.file.path.file_stem().unwrap_or_default();
            tables.run.name = stem.to_string_lossy().into_owned();
        }
        if tables.run.bytes == 0 {
            tables.run.bytes = state.map_or(0, |s| s.bytes);
        }
        Some(Record {
            path: self.file.name(),
            state,
            settings: fingerprint.to_owned(),
            retry: self.unreadable,
            fresh: Record::is_fresh(state),
            tables,
        })
    }
}

fn failed(error: &Error, of_file: Moment) -> RunTables {
    let mut tables = RunTables::default();
    tables.set_moment(None, of_file);
    tables.run.status = "error".into();
    tables.run.error_code = error.problems.first().map(|p: &Notice| p.code.clone());
    let place = error.problems.first().and_then(|p| p.place.as_ref());
    let help = error.problems.first().and_then(|p| p.help.as_ref());
    let mut text = match place.and_then(|p| p.line) {
        Some(line) => format!("line {line}: {error}"),
        None => error.to_string(),
    };
    if let Some(help) = help {
        text.push_str("; ");
        text.push_str(help);
    }
    tables.run.error = Some(text);
    tables.run.labels = "{}".into();
    tables
}
