//! Any bytes as a file: read or refused, never a panic, never a value that is not finite,
//! time rising within each segment, as many values in each channel as samples.
#![no_main]

use libfuzzer_sys::fuzz_target;
use loopwork::ingest::{self, IntakeOptions};
use loopwork::recording::Recording;

fuzz_target!(|bytes: &[u8]| {
    let Ok(mut file) = tempfile::NamedTempFile::new() else { return };
    if std::io::Write::write_all(&mut file, bytes).is_err() {
        return;
    }
    let mut stream = match ingest::open(&[file.path().to_owned()], &IntakeOptions::default()) {
        Ok(Recording::Samples(stream)) => stream,
        Ok(Recording::Sweep { table, .. }) => {
            let pairs = || table.compression.iter().chain(&table.rebound);
            assert!(pairs().all(|(v, f)| v.is_finite() && *v >= 0.0 && f.is_finite()));
            return;
        }
        Err(error) => {
            assert!(!error.problems.is_empty());
            return;
        }
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
        let rows = chunk.time.len();
        assert!([&chunk.travel, &chunk.force].iter().all(|c| c.len() == rows));
        assert!(
            [&chunk.velocity, &chunk.temperature, &chunk.pressure]
                .iter()
                .all(|c| c.is_empty() || c.len() == rows)
        );
    }
    assert_eq!(stream.closing().sources.len(), 1);
});
