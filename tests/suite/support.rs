//! Shared by the tests: running the binary, places of files.
#![allow(dead_code, reason = "each test module uses its own part")]
#![allow(clippy::print_stdout, reason = "a skipped test says so")]

use std::path::PathBuf;

use assert_cmd::Command;

/// The `loopwork` binary, with an environment that cannot colour or widen its output.
pub(crate) fn loopwork() -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_loopwork"));
    command
        .env("NO_COLOR", "1")
        .env_remove("CLICOLOR_FORCE")
        .env("COLUMNS", "80");
    command
}

/// A file of the checkout.
pub(crate) fn in_tree(path: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(path)
}

/// The folder of outside reference data kept beside the checkout, if it is there; prints
/// that the test skips otherwise.
pub(crate) fn reference(path: &str) -> Option<PathBuf> {
    let place = in_tree("../shared/reference").join(path);
    if place.exists() {
        Some(place)
    } else {
        println!("skipped: {} is not here", place.display());
        None
    }
}
