//! Safe writing: everything is written aside and moved into place, so that a reader never
//! sees half a file and a failure leaves nothing behind.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use crate::notice::Error;

/// Writes `bytes` to `path` by way of a temporary file in the same folder, which is
/// created if missing.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if any of it fails; `path` is then as it was.
pub fn write_aside(path: &Path, bytes: &[u8]) -> Result<(), Error> {
    let fail = |what: &str, error: &std::io::Error| {
        Error::output(
            "cannot-write",
            format!("could not {what} {}: {error}", path.display()),
        )
        .help("check that the folder exists, is writable and has room, or name another place")
    };
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    std::fs::create_dir_all(folder).map_err(|e| fail("make the folder of", &e))?;
    let mut aside = tempfile::Builder::new()
        .prefix(".loopwork-")
        .tempfile_in(folder)
        .map_err(|e| fail("write beside", &e))?;
    aside.write_all(bytes).map_err(|e| fail("write", &e))?;
    aside.as_file().sync_all().map_err(|e| fail("write", &e))?;
    aside
        .persist(path)
        .map_err(|e| fail("put in place", &e.error))?;
    Ok(())
}

/// Files of one report, held in memory until all of them are made, then written together.
#[derive(Debug, Default)]
pub struct OutputSet {
    files: Vec<(PathBuf, Vec<u8>)>,
}

impl OutputSet {
    /// Adds a file by its name inside the folder.
    pub fn add(&mut self, name: impl Into<PathBuf>, bytes: impl Into<Vec<u8>>) {
        self.files.push((name.into(), bytes.into()));
    }

    /// Writes all files under `folder`, in the order they were added (add the page last, so
    /// that it never points at a picture that is not there yet).
    ///
    /// # Errors
    /// As [`write_aside`].
    pub fn write(&self, folder: &Path) -> Result<(), Error> {
        self.files
            .iter()
            .try_for_each(|(name, bytes)| write_aside(&folder.join(name), bytes))
    }
}
