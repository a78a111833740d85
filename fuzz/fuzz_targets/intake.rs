//! Any bytes as a file: read or refused, never a panic, never a value that is not finite.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopwork::ingest::{self, IntakeOptions};
use loopwork::recording::Recording;

fuzz_target!(|bytes: &[u8]| {
    let Ok(mut file) = tempfile::NamedTempFile::new() else { return };
    if std::io::Write::write_all(&mut file, bytes).is_err() {
        return;
    }
    let Ok(Recording::Samples(mut stream)) = ingest::open(&[file.path().to_owned()], &IntakeOptions::default()) else {
        return;
    };
    let mut last = f64::NEG_INFINITY;
    while let Ok(Some(chunk)) = stream.next_chunk() {
        if chunk.starts_segment.is_some() {
            last = f64::NEG_INFINITY;
        }
        for t in &chunk.time {
            assert!(*t > last);
            last = *t;
        }
        assert!(chunk.travel.iter().chain(&chunk.force).all(|v| v.is_finite()));
    }
});
