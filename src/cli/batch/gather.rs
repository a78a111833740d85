//! From paths, folders and patterns to files, in order of their names.

use std::collections::BTreeMap;
use std::io::Read as _;
use std::path::{Path, PathBuf};
use std::time::UNIX_EPOCH;

use walkdir::WalkDir;

use super::journal::OURS;
use crate::notice::{Error, Fault, Notice};

/// Endings looked for in folders; a file that is named outright may have any.
const ENDINGS: [&str; 8] = ["csv", "txt", "tsv", "dat", "asc", "log", "prn", "tab"];
/// Packings that may follow them.
const PACKINGS: [&str; 2] = ["gz", "zst"];
/// Files told by name when left out.
const TOLD: usize = 3;

/// A file to analyse.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Found {
    /// As it was named or found.
    pub(super) path: PathBuf,
    /// Length, bytes; `None` if it could not be looked at.
    pub(super) state: Option<FileState>,
}

/// How a file looks from outside.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
pub(super) struct FileState {
    /// Length, bytes.
    pub(super) bytes: u64,
    /// Last change, seconds since 1970.
    pub(super) modified_s: i64,
    /// … and nanoseconds.
    pub(super) modified_ns: u32,
}

impl FileState {
    /// Looks at a file.
    pub(super) fn of(path: &Path) -> Option<Self> {
        let data = std::fs::metadata(path).ok()?;
        let modified = data.modified().ok()?;
        let (s, ns) = match modified.duration_since(UNIX_EPOCH) {
            Ok(d) => (i64::try_from(d.as_secs()).ok()?, d.subsec_nanos()),
            Err(before) => (-i64::try_from(before.duration().as_secs()).ok()?, 0),
        };
        Some(Self {
            bytes: data.len(),
            modified_s: s,
            modified_ns: ns,
        })
    }
}

impl Found {
    pub(super) fn at(path: PathBuf) -> Self {
        let state = FileState::of(&path);
        Self { path, state }
    }

    /// The path as text, for tables and messages.
    pub(super) fn name(&self) -> String {
        self.path.display().to_string()
    }
}

/// What was found and left out.
#[derive(Debug, Default)]
pub(super) struct Gathered {
    /// In order of path.
    pub(super) files: Vec<Found>,
    /// Files of other endings in folders.
    passed_over: usize,
    first_passed: Vec<String>,
    /// Places that could not be searched, and why.
    problems: Vec<String>,
}

impl Gathered {
    /// What a person should know of it.
    pub(super) fn remarks(&self) -> Vec<String> {
        let mut remarks = Vec::new();
        if self.passed_over > 0 {
            let more = if self.passed_over > self.first_passed.len() {
                ", …"
            } else {
                ""
            };
            remarks.push(format!(
                "passed over {} of other kinds ({}{more}); name a file outright to have it read",
                count(self.passed_over, "file"),
                self.first_passed.join(", "),
            ));
        }
        for problem in self.problems.iter().take(TOLD) {
            remarks.push(format!("warning: {problem}"));
        }
        if self.problems.len() > TOLD {
            remarks.push(format!(
                "warning: {} more places could not be searched",
                self.problems.len() - TOLD
            ));
        }
        remarks
    }

    /// The error for having found nothing.
    pub(super) fn nothing(&self) -> Error {
        let mut message = "no file to analyse was found".to_owned();
        if self.passed_over > 0 {
            message.push_str(&format!(
                ": {} of other kinds passed over ({})",
                count(self.passed_over, "file"),
                self.first_passed.join(", ")
            ));
        }
        let mut problems = vec![Notice::error("no-file", message).help(format!(
            "folders are searched for files ending in {} (also packed as .gz or .zst); name a file \
             outright if it ends otherwise",
            ENDINGS.map(|e| format!(".{e}")).join(", ")
        ))];
        problems.extend(
            self.problems
                .iter()
                .map(|p| Notice::warning("cannot-search", p.clone())),
        );
        Error::many(Fault::Input, problems)
    }
}

fn count(n: usize, what: &str) -> String {
    format!("{n} {what}{}", if n == 1 { "" } else { "s" })
}

/// All files that the paths, the list and the patterns stand for; each once.
///
/// # Errors
/// [`Fault::Usage`] if nothing was named or a pattern is malformed, [`Fault::Input`] if the
/// list of paths cannot be read.
pub(super) fn gather(paths: &[PathBuf], list: Option<&Path>) -> Result<Gathered, Error> {
    let mut named = paths.to_vec();
    if let Some(list) = list {
        named.extend(read_list(list)?);
    } else if named.is_empty() {
        return Err(Error::usage("no-path", "no file or folder was named").help(
            "name files or folders, or pass a list with --paths-from FILE (`-` for standard input)",
        ));
    }
    let mut gathered = Gathered::default();
    let mut files = BTreeMap::new();
    for path in &named {
        if path.is_dir() {
            search(path, &mut gathered, &mut files);
        } else if let (true, Some(pattern)) = (!path.exists(), pattern(path)) {
            let matches = glob::glob(pattern).map_err(|e| {
                Error::usage("bad-pattern", format!("the pattern {pattern}: {}", e.msg))
                    .help("`*` stands for any characters of a name, `**` for any folders")
            })?;
            let before = files.len();
            for entry in matches {
                match entry {
                    Ok(path) if path.is_dir() => search(&path, &mut gathered, &mut files),
                    Ok(path) => add(path, &mut files),
                    Err(error) => gathered.problems.push(error.to_string()),
                }
            }
            if files.len() == before {
                gathered
                    .problems
                    .push(format!("nothing matches the pattern {pattern}"));
            }
        } else {
            add(path.clone(), &mut files);
        }
    }
    gathered.files = files.into_values().collect();
    Ok(gathered)
}

fn pattern(path: &Path) -> Option<&str> {
    path.to_str().filter(|text| text.contains(['*', '?', '[']))
}

fn add(path: PathBuf, files: &mut BTreeMap<PathBuf, Found>) {
    files.entry(path.clone()).or_insert_with(|| Found::at(path));
}

fn search(folder: &Path, gathered: &mut Gathered, files: &mut BTreeMap<PathBuf, Found>) {
    let walk = WalkDir::new(folder)
        .follow_links(true)
        .sort_by_file_name()
        .into_iter()
        .filter_entry(|entry| {
            let hidden = entry.depth() > 0
                && entry
                    .file_name()
                    .to_str()
                    .is_some_and(|n| n.starts_with('.'));
            let ours = entry.file_type().is_dir() && entry.path().join(OURS).is_dir();
            !hidden && !ours
        });
    for entry in walk {
        match entry {
            Ok(entry) if entry.file_type().is_file() => {
                if is_candidate(entry.path()) {
                    add(entry.into_path(), files);
                } else {
                    gathered.passed_over += 1;
                    if gathered.first_passed.len() < TOLD {
                        let name = entry.file_name().to_string_lossy().into_owned();
                        gathered.first_passed.push(name);
                    }
                }
            }
            Ok(_) => {}
            Err(error) => gathered.problems.push(trouble(&error)),
        }
    }
}

fn trouble(error: &walkdir::Error) -> String {
    let place = error
        .path()
        .map_or_else(|| "a folder".to_owned(), |p| p.display().to_string());
    match (error.loop_ancestor(), error.io_error()) {
        (Some(above), _) => format!(
            "{place} is a link back to {}, which contains it; it was not followed",
            above.display()
        ),
        (None, Some(io)) => format!("{place} could not be searched: {io}"),
        (None, None) => format!("{place} could not be searched"),
    }
}

fn is_candidate(path: &Path) -> bool {
    let ending = |p: &Path| {
        p.extension()
            .and_then(|e| e.to_str())
            .map(str::to_lowercase)
            .unwrap_or_default()
    };
    let last = ending(path);
    if PACKINGS.contains(&last.as_str()) {
        let inner = path.with_extension("");
        return ENDINGS.contains(&ending(&inner).as_str());
    }
    ENDINGS.contains(&last.as_str())
}

/// Paths of a list, one per line (or, if it holds a zero byte, one per zero byte).
fn read_list(list: &Path) -> Result<Vec<PathBuf>, Error> {
    let mut bytes = Vec::new();
    let read = if list == Path::new("-") {
        std::io::stdin().read_to_end(&mut bytes)
    } else {
        std::fs::File::open(list).and_then(|mut file| file.read_to_end(&mut bytes))
    };
    read.map_err(|error| {
        Error::input(
            "cannot-read",
            format!(
                "could not read the list of paths {}: {error}",
                list.display()
            ),
        )
        .help("name a text file with one path per line, or `-` for standard input")
    })?;
    let mark = if bytes.contains(&0) { 0 } else { b'\n' };
    Ok(bytes
        .split(|b| *b == mark)
        .map(|line| {
            String::from_utf8_lossy(line)
                .trim_end_matches('\r')
                .to_owned()
        })
        .filter(|line| !line.trim().is_empty())
        .map(PathBuf::from)
        .collect())
}
