//! The journal: one line of JSON per analysed file, only ever added to. A line is whole or
//! it is not there: what a kill or a full disk left of a last line is cut off when the
//! journal is next opened. Tables and page are made from it and can be made again.

use std::collections::BTreeMap;
use std::fs::{File, OpenOptions, TryLockError};
use std::io::{BufRead as _, BufReader, Read as _, Seek as _, SeekFrom, Write as _};
use std::path::{Path, PathBuf};
use std::time::{SystemTime, UNIX_EPOCH};

use serde::{Deserialize, Serialize};
use sha2::{Digest as _, Sha256};

use super::gather::{FileState, Found};
use super::hex;
use crate::cli::write::{cannot_write_in, refuse_file};
use crate::notice::Error;
use crate::tables::RunTables;
use crate::tables::day::Moment;

/// Folder inside a batch's folder that holds what is ours alone; it also marks the batch's
/// folder as not to be searched for runs.
pub(super) const OURS: &str = ".loopwork-batch";
const JOURNAL: &str = "journal.jsonl";
const LOCK: &str = "lock";

/// A file changed less than this before it was looked at could change again within the
/// same tick of the clock; it is told by its content next time.
const TICK_S: i64 = 2;

/// What is kept of one file.
#[derive(Debug, Clone, Serialize, Deserialize)]
pub(super) struct Record {
    /// As named.
    pub(super) path: String,
    /// How it looked before it was read.
    pub(super) state: Option<FileState>,
    /// What steered the analysis.
    pub(super) settings: String,
    /// Worth another try although nothing seems to have changed.
    pub(super) retry: bool,
    /// Too fresh to be trusted by its time.
    pub(super) fresh: bool,
    /// Its rows.
    pub(super) tables: RunTables,
}

impl Record {
    /// True if the file changed just before it was looked at.
    pub(super) fn is_fresh(state: Option<FileState>) -> bool {
        let now = SystemTime::now()
            .duration_since(UNIX_EPOCH)
            .ok()
            .and_then(|d| i64::try_from(d.as_secs()).ok());
        match (state, now) {
            (Some(state), Some(now)) => now - state.modified_s < TICK_S,
            _ => true,
        }
    }
}

/// Where a record lies, and what tells whether it still holds.
#[derive(Debug, Clone)]
struct Place {
    offset: u64,
    length: usize,
    head: Head,
}

/// The part of a record that is kept in memory.
#[derive(Debug, Clone, Deserialize)]
struct Head {
    path: String,
    state: Option<FileState>,
    settings: String,
    retry: bool,
    fresh: bool,
    tables: HeadTables,
}

#[derive(Debug, Clone, Deserialize)]
struct HeadTables {
    run: HeadRun,
}

#[derive(Debug, Clone, Deserialize)]
struct HeadRun {
    status: String,
    sha256: Option<String>,
    bytes: u64,
}

/// The journal of one batch folder, held by this process alone.
#[derive(Debug)]
pub(super) struct Journal {
    place: PathBuf,
    file: File,
    end: u64,
    settings: String,
    index: BTreeMap<String, Place>,
    /// Length of a file → content → a path that has it.
    contents: BTreeMap<u64, BTreeMap<String, String>>,
    /// Held until the process ends, whatever way it ends.
    _lock: File,
}

impl Journal {
    /// Opens the journal of a folder, which is made if missing.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`] if another batch holds it, if the folder has files
    /// of these names that are not ours, or if it cannot be written.
    pub(super) fn open(folder: &Path, settings: &str, overwrite: bool) -> Result<Self, Error> {
        let fail = |what: &str, error: &std::io::Error| cannot_write_in(folder, what, error);
        refuse_file(folder)?;
        let ours = folder.join(OURS);
        if !ours.is_dir() && !overwrite {
            for name in [
                "index.html",
                "runs.csv",
                "steps.csv",
                "curves.csv",
                "findings.csv",
            ] {
                if folder.join(name).exists() {
                    return Err(Error::output(
                        "would-overwrite",
                        format!(
                            "{} is there already and is not from a batch",
                            folder.join(name).display()
                        ),
                    )
                    .help("name another folder with --report, or pass --overwrite to replace it"));
                }
            }
        }
        std::fs::create_dir_all(&ours).map_err(|e| fail("make", &e))?;
        let lock = OpenOptions::new()
            .write(true)
            .create(true)
            .truncate(false)
            .open(ours.join(LOCK))
            .map_err(|e| fail("write to", &e))?;
        match lock.try_lock() {
            Ok(()) => {}
            Err(TryLockError::WouldBlock) => {
                return Err(Error::output(
                    "in-use",
                    format!("another batch is writing to {}", folder.display()),
                )
                .help("wait for it to end, or name another folder with --report"));
            }
            Err(TryLockError::Error(error)) => return Err(fail("lock", &error)),
        }
        clear_left_over(folder);
        let place = ours.join(JOURNAL);
        let file = OpenOptions::new()
            .read(true)
            .write(true)
            .create(true)
            .truncate(false)
            .open(&place)
            .map_err(|e| fail("write to", &e))?;
        let mut journal = Self {
            place,
            file,
            end: 0,
            settings: settings.to_owned(),
            index: BTreeMap::new(),
            contents: BTreeMap::new(),
            _lock: lock,
        };
        journal.scan().map_err(|e| fail("read", &e))?;
        Ok(journal)
    }

    fn scan(&mut self) -> std::io::Result<()> {
        let length = self.file.metadata()?.len();
        let mut reader = BufReader::with_capacity(1 << 20, &self.file);
        let mut heads = Vec::new();
        let mut line = Vec::new();
        let mut offset = 0_u64;
        loop {
            line.clear();
            let n = reader.read_until(b'\n', &mut line)?;
            if n == 0 || line.last() != Some(&b'\n') {
                break;
            }
            // A line that cannot be read is as good as not there: its file is done again.
            if let Ok(head) = serde_json::from_slice::<Head>(&line) {
                heads.push((offset, n, head));
            }
            offset += n as u64;
        }
        drop(reader);
        self.end = offset;
        if length > offset {
            self.file.set_len(offset)?;
        }
        for (offset, length, head) in heads {
            self.put(offset, length, head);
        }
        Ok(())
    }

    fn put(&mut self, offset: u64, length: usize, head: Head) {
        if head.settings != self.settings {
            return;
        }
        if let (HeadRun { status, .. }, Some(sha)) = (&head.tables.run, &head.tables.run.sha256)
            && status == "ok"
        {
            self.contents
                .entry(head.tables.run.bytes)
                .or_default()
                .insert(sha.clone(), head.path.clone());
        }
        self.index.insert(
            head.path.clone(),
            Place {
                offset,
                length,
                head,
            },
        );
    }

    /// Adds a record: the whole line or nothing of it.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`].
    pub(super) fn add(&mut self, record: &Record) -> Result<(), Error> {
        let fail = |error: &dyn std::fmt::Display| {
            Error::output(
                "cannot-write",
                format!("could not write to {}: {error}", self.place.display()),
            )
            .help(
                "make room or name another folder with --report; what was done before is kept, and \
                 the same command goes on from there",
            )
        };
        let mut line = serde_json::to_vec(record).map_err(|e| fail(&e))?;
        line.push(b'\n');
        let written = self
            .file
            .seek(SeekFrom::Start(self.end))
            .and_then(|_| self.file.write_all(&line));
        if let Err(error) = written {
            // If cutting off fails too, the next opening does it.
            let _ = self.file.set_len(self.end);
            return Err(fail(&error));
        }
        let offset = self.end;
        self.end += line.len() as u64;
        let run = &record.tables.run;
        let head = Head {
            path: record.path.clone(),
            state: record.state,
            settings: record.settings.clone(),
            retry: record.retry,
            fresh: record.fresh,
            tables: HeadTables {
                run: HeadRun {
                    status: run.status.clone(),
                    sha256: run.sha256.clone(),
                    bytes: run.bytes,
                },
            },
        };
        self.put(offset, line.len(), head);
        Ok(())
    }

    /// True if the file is recorded as it is now: by its time and length, or by its content.
    /// A file known by its content under another path gets a record of its own.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`].
    pub(super) fn knows(&mut self, file: &Found) -> Result<bool, Error> {
        let Some(state) = file.state else {
            return Ok(false);
        };
        let path = file.name();
        let known = self.index.get(&path);
        if let Some(head) = known.map(|p| &p.head)
            && head.state == Some(state)
            && !head.retry
            && !head.fresh
        {
            return Ok(true);
        }
        let failed_before = known.is_some_and(|p| p.head.tables.run.status != "ok");
        if !failed_before && !self.contents.contains_key(&state.bytes) {
            return Ok(false);
        }
        let Some(sha) = content(&file.path) else {
            return Ok(false);
        };
        let same = |place: &Place| place.head.tables.run.sha256.as_ref() == Some(&sha);
        if failed_before && self.index.get(&path).is_some_and(same) {
            return Ok(true);
        }
        let Some(twin) = self
            .contents
            .get(&state.bytes)
            .and_then(|c| c.get(&sha))
            .cloned()
        else {
            return Ok(false);
        };
        let Some(mut record) = self.read(&twin)? else {
            return Ok(false);
        };
        // Another record may stand for the twin by now.
        if record.tables.run.sha256.as_deref() != Some(sha.as_str()) {
            return Ok(false);
        }
        let run = &mut record.tables.run;
        if record.path != path {
            let stem = file.path.file_stem().unwrap_or_default();
            run.name = stem.to_string_lossy().into_owned();
            run.path.clone_from(&path);
        }
        if run.day_from != "label" {
            record
                .tables
                .set_moment(None, Moment::from_unix(state.modified_s));
        }
        record.path = path;
        record.state = Some(state);
        record.fresh = Record::is_fresh(record.state);
        record.retry = false;
        self.add(&record)?;
        Ok(true)
    }

    /// True if the file is recorded with this length and time.
    pub(super) fn has(&self, file: &Found) -> bool {
        self.index
            .get(&file.name())
            .is_some_and(|p| p.head.state == file.state && !p.head.retry)
    }

    /// The paths recorded under the present settings, in order.
    pub(super) fn paths(&self) -> Vec<String> {
        self.index.keys().cloned().collect()
    }

    /// The record of a path.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`] if the journal cannot be read any more.
    pub(super) fn read(&mut self, path: &str) -> Result<Option<Record>, Error> {
        let Some(place) = self.index.get(path) else {
            return Ok(None);
        };
        let mut line = vec![0; place.length];
        self.file
            .seek(SeekFrom::Start(place.offset))
            .and_then(|_| self.file.read_exact(&mut line))
            .map_err(|error| {
                Error::output(
                    "cannot-read",
                    format!("could not read {}: {error}", self.place.display()),
                )
                .help("it was there a moment ago; check the disk")
            })?;
        Ok(serde_json::from_slice(&line).ok())
    }
}

/// Fingerprint of a file's bytes; `None` if it cannot be read.
pub(super) fn content(path: &Path) -> Option<String> {
    let mut file = File::open(path).ok()?;
    let mut sha = Sha256::new();
    let mut block = vec![0; 1 << 18];
    loop {
        match file.read(&mut block).ok()? {
            0 => return Some(hex(&sha.finalize(), 32)),
            n => sha.update(block.get(..n)?),
        }
    }
}

/// Removes what a killed batch left half-written beside its tables, its journal and its split
/// tables. Nobody else can be writing: we hold the lock.
fn clear_left_over(folder: &Path) {
    let beside = [
        (folder.to_owned(), 1),
        (folder.join(OURS), 1),
        (folder.join("parquet"), 3),
    ];
    for (place, depth) in beside {
        let entries = walkdir::WalkDir::new(place).min_depth(1).max_depth(depth);
        for entry in entries.into_iter().flatten() {
            let name = entry.file_name().to_string_lossy();
            if entry.file_type().is_file() && name.starts_with(".loopwork-") {
                let _ = std::fs::remove_file(entry.path());
            }
        }
    }
}
