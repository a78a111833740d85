//! Safe writing: everything is written aside and moved into place, so that a reader never
//! sees half a file and a failure leaves nothing behind.

use std::io::Write as _;
use std::path::{Path, PathBuf};

use crate::notice::Error;

/// Writes `bytes` to `path` by way of a temporary file in the same folder, which is
/// created if missing. A link is followed; a device or a pipe (`/dev/null`, `NUL`) is
/// written straight, since moving a file into its place would take the device away.
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
    if is_device(path) {
        return std::fs::OpenOptions::new()
            .write(true)
            .open(path)
            .and_then(|mut device| device.write_all(bytes))
            .map_err(|e| fail("write to", &e));
    }
    let linked = path
        .is_symlink()
        .then(|| path.canonicalize().ok())
        .flatten();
    let path = linked.as_deref().unwrap_or(path);
    let folder = match path.parent() {
        Some(parent) if !parent.as_os_str().is_empty() => parent,
        _ => Path::new("."),
    };
    std::fs::create_dir_all(folder).map_err(|e| fail("make the folder of", &e))?;
    let mut aside = aside_in(folder).map_err(|e| fail("write beside", &e))?;
    aside.write_all(bytes).map_err(|e| fail("write", &e))?;
    aside.as_file().sync_all().map_err(|e| fail("write", &e))?;
    aside
        .persist(path)
        .map_err(|e| fail("put in place", &e.error))?;
    Ok(())
}

/// Whether `path` names something that is neither a file nor a folder.
fn is_device(path: &Path) -> bool {
    if cfg!(windows) && path.as_os_str().eq_ignore_ascii_case("NUL") {
        return true;
    }
    path.metadata().is_ok_and(|m| !m.is_file() && !m.is_dir())
}

/// The error for a report's or a batch's folder that cannot be written.
pub(super) fn cannot_write_in(folder: &Path, what: &str, error: &std::io::Error) -> Error {
    Error::output(
        "cannot-write",
        format!("could not {what} {}: {error}", folder.display()),
    )
    .help("check that the place is writable and has room, or name another with --report")
}

/// Refuses a place for a folder where a file is.
///
/// # Errors
/// [`crate::notice::Fault::Output`].
pub(super) fn refuse_file(folder: &Path) -> Result<(), Error> {
    if folder.is_file() {
        return Err(Error::output(
            "not-a-folder",
            format!("{} is a file, not a folder", folder.display()),
        )
        .help("name a folder with --report"));
    }
    Ok(())
}

/// Temporary files are made for the owner alone; what is moved into place should have the
/// rights of any new file.
trait NewFileRights {
    /// The rights the process gives to new files, where the system has such a thing.
    fn permissions_of_a_new_file(&mut self) -> &mut Self;
}

impl NewFileRights for tempfile::Builder<'_, '_> {
    #[cfg(unix)]
    fn permissions_of_a_new_file(&mut self) -> &mut Self {
        use std::os::unix::fs::PermissionsExt as _;
        self.permissions(std::fs::Permissions::from_mode(0o666))
    }

    #[cfg(not(unix))]
    fn permissions_of_a_new_file(&mut self) -> &mut Self {
        self
    }
}

/// A temporary file in a folder, to be moved into place there.
pub(super) fn aside_in(folder: &Path) -> std::io::Result<tempfile::NamedTempFile> {
    tempfile::Builder::new()
        .prefix(".loopwork-")
        .permissions_of_a_new_file()
        .tempfile_in(folder)
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

/// The page that marks a folder as a report.
const PAGE: &str = "index.html";
/// How much of a page is read to learn what it was made from.
const HEAD: u64 = 16 * 1024;

impl OutputSet {
    /// Writes a report folder: all of it or nothing. A folder that is not there yet is made
    /// beside its place and moved in whole; in one that is, files are replaced one by one,
    /// the page last, and pictures of the page before that are not made any more go.
    ///
    /// A folder that holds the report of something else (its page says another `marker`), or
    /// files of these names that are no report, is left alone unless `overwrite` is set.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`].
    pub fn replace_report(
        &self,
        folder: &Path,
        marker: &str,
        overwrite: bool,
    ) -> Result<(), Error> {
        let fail = |what: &str, error: &std::io::Error| cannot_write_in(folder, what, error);
        refuse_file(folder)?;
        let old = Standing::read(folder);
        if !overwrite {
            self.refuse_foreign(folder, &old, marker)?;
        }
        let parent = match folder.parent() {
            Some(parent) if !parent.as_os_str().is_empty() => parent,
            _ => Path::new("."),
        };
        std::fs::create_dir_all(parent).map_err(|e| fail("make the folder of", &e))?;
        let aside = tempfile::Builder::new()
            .prefix(".loopwork-")
            .tempdir_in(parent)
            .map_err(|e| fail("write beside", &e))?;
        let made = aside.path().join("report");
        self.write(&made)?;
        if !folder.exists() && std::fs::rename(&made, folder).is_ok() {
            return Ok(());
        }
        std::fs::create_dir_all(folder).map_err(|e| fail("make", &e))?;
        for (name, _) in &self.files {
            let (from, to) = (made.join(name), folder.join(name));
            std::fs::rename(&from, &to).map_err(|e| fail("replace a file in", &e))?;
        }
        for stale in old.pictures {
            if !self
                .files
                .iter()
                .any(|(name, _)| *name == Path::new(&stale))
            {
                // A picture that stays behind is not worth failing for.
                let _ = std::fs::remove_file(folder.join(stale));
            }
        }
        Ok(())
    }

    fn refuse_foreign(&self, folder: &Path, old: &Standing, marker: &str) -> Result<(), Error> {
        if old.marker.as_deref() == Some(marker) {
            return Ok(());
        }
        let refuse = |what: String| {
            Err(Error::output("would-overwrite", what).help(
                "name another folder with --report or another name with --name, or pass \
                 --overwrite to replace it",
            ))
        };
        if old.marker.is_some() {
            return refuse(format!(
                "{} holds the report of a different run",
                folder.display()
            ));
        }
        match self.files.iter().find(|(n, _)| folder.join(n).exists()) {
            None => Ok(()),
            Some((name, _)) => refuse(format!(
                "{} is there already and is not one of our reports",
                folder.join(name).display()
            )),
        }
    }
}

/// What stands in a report folder.
#[derive(Debug, Default)]
struct Standing {
    /// What its page was made from; `None` without a page of ours.
    marker: Option<String>,
    /// Pictures its page listed.
    pictures: Vec<String>,
}

impl Standing {
    fn read(folder: &Path) -> Self {
        use std::io::Read as _;
        let mut head = Vec::new();
        let read = std::fs::File::open(folder.join(PAGE))
            .and_then(|file| file.take(HEAD).read_to_end(&mut head));
        if read.is_err() {
            return Self::default();
        }
        let head = String::from_utf8_lossy(&head);
        let content = |name: &str| {
            let (_, rest) = head.split_once(&format!("<meta name=\"{name}\" content=\""))?;
            rest.split_once('"').map(|(content, _)| content.to_owned())
        };
        let plain = |name: &&str| {
            name.ends_with(".png")
                && name
                    .chars()
                    .all(|c| c.is_ascii_alphanumeric() || matches!(c, '-' | '_' | '.'))
        };
        Self {
            marker: content("loopwork-made-from"),
            pictures: content("loopwork-pictures")
                .unwrap_or_default()
                .split(' ')
                .filter(plain)
                .map(str::to_owned)
                .collect(),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn set(marker: &str, pictures: &[&str]) -> OutputSet {
        let mut set = OutputSet::default();
        for picture in pictures {
            set.add(picture, marker.as_bytes());
        }
        let list = pictures.join(" ");
        set.add(
            PAGE,
            format!(
                "<meta name=\"loopwork-made-from\" content=\"{marker}\">\
                 <meta name=\"loopwork-pictures\" content=\"{list}\">"
            ),
        );
        set
    }

    #[test]
    fn a_report_gives_way_to_its_own_run_only() {
        let place = tempfile::tempdir().unwrap();
        let folder = place.path().join("new").join("left");
        set("one", &["a.png", "b.png"])
            .replace_report(&folder, "one", false)
            .unwrap();
        std::fs::write(folder.join("notes.txt"), "mine").unwrap();
        set("one", &["a.png"])
            .replace_report(&folder, "one", false)
            .unwrap();
        assert!(!folder.join("b.png").exists(), "stale picture");
        let error = set("two", &["a.png"])
            .replace_report(&folder, "two", false)
            .unwrap_err();
        assert_eq!(error.exit_code(), 4);
        assert!(error.to_string().contains("different run"), "{error}");
        assert_eq!(std::fs::read(folder.join("a.png")).unwrap(), b"one");
        set("two", &["a.png"])
            .replace_report(&folder, "two", true)
            .unwrap();
        assert_eq!(std::fs::read(folder.join("a.png")).unwrap(), b"two");
        assert!(folder.join("notes.txt").exists());
        let left: Vec<_> = std::fs::read_dir(place.path().join("new"))
            .unwrap()
            .map(|e| e.unwrap().file_name())
            .collect();
        assert_eq!(left, ["left"], "nothing stays beside");
    }

    #[cfg(unix)]
    #[test]
    fn devices_and_links_stay_what_they_are() {
        use std::os::unix::fs::{FileTypeExt as _, symlink};
        let place = tempfile::tempdir().unwrap();
        let (device, link) = (place.path().join("nowhere"), place.path().join("link"));
        symlink("/dev/null", &device).unwrap();
        write_aside(&device, b"gone").unwrap();
        assert!(device.is_symlink());
        let kind = std::fs::metadata("/dev/null").unwrap().file_type();
        assert!(kind.is_char_device());
        std::fs::write(place.path().join("file"), "old").unwrap();
        symlink("file", &link).unwrap();
        write_aside(&link, b"new").unwrap();
        assert!(link.is_symlink());
        assert_eq!(std::fs::read(place.path().join("file")).unwrap(), b"new");
    }

    #[test]
    fn a_page_that_is_not_ours_is_left_alone() {
        let place = tempfile::tempdir().unwrap();
        std::fs::write(place.path().join(PAGE), "<p>somebody's page</p>").unwrap();
        let error = set("one", &[])
            .replace_report(place.path(), "one", false)
            .unwrap_err();
        assert!(
            error.to_string().contains("not one of our reports"),
            "{error}"
        );
    }
}
