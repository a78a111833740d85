//! Any bytes as a file, through the whole analysis: a run that serialises, or an error, never
//! a panic.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopwork::ingest::{self, IntakeOptions};
use loopwork::pipeline::{Settings, analyse};

fuzz_target!(|bytes: &[u8]| {
    let Ok(mut file) = tempfile::NamedTempFile::new() else { return };
    if std::io::Write::write_all(&mut file, bytes).is_err() {
        return;
    }
    let Ok(recording) = ingest::open(&[file.path().to_owned()], &IntakeOptions::default()) else {
        return;
    };
    if let Ok(run) = analyse(recording, &Settings::default()) {
        assert!(serde_json::to_string(&run).is_ok());
    }
});
