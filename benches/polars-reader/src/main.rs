//! Times polars' CSV reader on one file: one thread, then all.

use std::time::Instant;

use polars::prelude::{CsvReadOptions, SerReader as _};

/// Readings of which the best counts.
const TRIES: usize = 5;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let path = std::env::args().nth(1).ok_or("usage: polars-reader FILE.csv")?;
    let bytes = std::fs::metadata(&path)?.len() as f64;
    for threads in [Some(1), None] {
        let mut best = f64::INFINITY;
        let mut shape = (0, 0);
        for _ in 0..TRIES {
            let begun = Instant::now();
            let mut options = CsvReadOptions::default();
            options.n_threads = threads;
            let frame = options.try_into_reader_with_file_path(Some(path.clone().into()))?.finish()?;
            best = best.min(begun.elapsed().as_secs_f64());
            shape = frame.shape();
        }
        let name = threads.map_or("all threads".to_owned(), |n| format!("{n} thread"));
        println!("{name}: {shape:?} in {best:.3} s, {:.0} MB/s", bytes / 1e6 / best);
    }
    Ok(())
}
