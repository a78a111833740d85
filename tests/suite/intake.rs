//! Intake: what a file says becomes SI samples, whatever it looks like.

#![allow(clippy::panic, reason = "a failed reading fails the test")]

use std::path::PathBuf;

use loopwork::ingest::{self, IntakeOptions};
use loopwork::recording::{Chunk, Closing, Recording, Understanding};

use crate::support::reference;

/// Everything of a recording in one go.
pub(crate) fn read_all(
    paths: &[PathBuf],
    options: &IntakeOptions,
) -> (Understanding, Vec<Chunk>, Closing) {
    let recording = ingest::open(paths, options).unwrap_or_else(|e| panic!("{e}"));
    let Recording::Samples(mut stream) = recording else {
        panic!("a sweep table, not samples")
    };
    let understanding = stream.understanding().clone();
    let mut chunks = Vec::new();
    while let Some(chunk) = stream.next_chunk().unwrap_or_else(|e| panic!("{e}")) {
        chunks.push(chunk);
    }
    let closing = stream.closing();
    (understanding, chunks, closing)
}

#[test]
fn measured_friction_damper_files_read_in_full() {
    let Some(folder) = reference("friction-damper") else {
        return;
    };
    // Rows as the data set's README lists them; stroke in inches, force in kip.
    for (name, rows, stroke_in) in [
        ("ds1_1.0hz_35lb_1.0in.csv", 10_241, 2.0112),
        ("ds1_0.5hz_20lb_1.0in.csv", 18_433, 2.0156),
        ("ds3_0.25hz_30lb_0.5in.csv", 14_337, 1.0101),
    ] {
        let (_, chunks, closing) = read_all(&[folder.join(name)], &IntakeOptions::default());
        assert_eq!(closing.sources[0].rows, rows, "{name}");
        assert_eq!(closing.sampling.rows_dropped, 0, "{name}");
        let travel: Vec<f64> = chunks
            .iter()
            .flat_map(|c| c.travel.iter().copied())
            .collect();
        assert_eq!(travel.len() as u64, rows);
        let range = travel.iter().copied().fold(f64::MIN, f64::max)
            - travel.iter().copied().fold(f64::MAX, f64::min);
        assert!(
            (range / 0.0254 / stroke_in - 1.0).abs() < 0.02,
            "{name}: {range} m"
        );
    }
}
