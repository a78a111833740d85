//! A folder given as one damper's run: its text files, in the order people count.

use std::cmp::Ordering;
use std::path::{Path, PathBuf};

use crate::notice::Error;

/// Name endings of files that hold a dyno's table, packed or not.
const ENDINGS: [&str; 8] = ["csv", "txt", "tsv", "dat", "asc", "tab", "prn", "log"];

/// Most files taken from one folder as one damper's run; more is a shelf of runs.
const MOST_FILES: usize = 1000;

/// Replaces folders by the tables in them.
///
/// # Errors
/// [`crate::notice::Fault::Input`] if a folder cannot be read or holds none.
pub(super) fn expand(paths: &[PathBuf]) -> Result<Vec<PathBuf>, Error> {
    let mut files = Vec::new();
    for path in paths {
        if path.is_dir() {
            files.extend(tables_in(path)?);
        } else {
            files.push(path.clone());
        }
    }
    Ok(files)
}

fn tables_in(folder: &Path) -> Result<Vec<PathBuf>, Error> {
    let shown = folder.display().to_string();
    let entries = std::fs::read_dir(folder).map_err(|e| {
        Error::input(
            "cannot-open",
            format!("cannot read the folder {shown}: {e}"),
        )
        .help("check that you may read it")
        .in_file(&shown)
    })?;
    let mut files: Vec<PathBuf> = entries
        .filter_map(|entry| entry.ok().map(|e| e.path()))
        .filter(|path| path.is_file() && is_table(path))
        .collect();
    if files.is_empty() {
        return Err(Error::input(
            "empty-folder",
            format!(
                "the folder {shown} holds no file ending in .csv, .txt, .tsv, .dat or the like"
            ),
        )
        .help("name the files themselves")
        .in_file(&shown));
    }
    if files.len() > MOST_FILES {
        return Err(Error::input(
            "too-many-files",
            format!(
                "the folder {shown} holds {} tables; one damper's run has at most {MOST_FILES}",
                files.len()
            ),
        )
        .help("use `loopwork batch` for many runs, or name the files of one damper")
        .in_file(&shown));
    }
    files.sort_by(|a, b| natural(&a.to_string_lossy(), &b.to_string_lossy()));
    Ok(files)
}

fn is_table(path: &Path) -> bool {
    let name = path
        .file_name()
        .map(|n| n.to_string_lossy().to_lowercase())
        .unwrap_or_default();
    let bare = name
        .strip_suffix(".gz")
        .or_else(|| name.strip_suffix(".zst"))
        .unwrap_or(&name);
    !name.starts_with('.')
        && ENDINGS
            .iter()
            .any(|e| bare.rsplit_once('.').is_some_and(|(_, end)| end == *e))
}

/// Orders `run2` before `run10`.
fn natural(a: &str, b: &str) -> Ordering {
    let (mut a, mut b) = (a, b);
    loop {
        let number = |s: &str| s.bytes().take_while(u8::is_ascii_digit).count();
        let (na, nb) = (number(a), number(b));
        if na > 0 && nb > 0 {
            let (x, y) = (
                a[..na].trim_start_matches('0'),
                b[..nb].trim_start_matches('0'),
            );
            let order = x
                .len()
                .cmp(&y.len())
                .then_with(|| x.cmp(y))
                .then_with(|| na.cmp(&nb));
            if order != Ordering::Equal {
                return order;
            }
            a = &a[na..];
            b = &b[nb..];
            continue;
        }
        match (a.chars().next(), b.chars().next()) {
            (None, None) => return Ordering::Equal,
            (None, _) => return Ordering::Less,
            (_, None) => return Ordering::Greater,
            (Some(x), Some(y)) if x == y => {
                a = &a[x.len_utf8()..];
                b = &b[y.len_utf8()..];
            }
            (Some(x), Some(y)) => return x.cmp(&y),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_names_sort_as_numbers() {
        let mut names = ["run10.csv", "run2.csv", "run1.csv", "run02b.csv"];
        names.sort_by(|a, b| natural(a, b));
        assert_eq!(names, ["run1.csv", "run2.csv", "run02b.csv", "run10.csv"]);
    }
}
