//! Reads a file with polars' CSV reader once and says how long that took.

use std::time::Instant;

use polars_io::SerReader as _;
use polars_io::prelude::CsvReadOptions;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let mut arguments = std::env::args().skip(1);
    let path = arguments.next().ok_or("usage: polars-reader FILE.csv [THREADS]")?;
    let bytes = std::fs::metadata(&path)?.len() as f64;
    let mut options = CsvReadOptions::default();
    options.n_threads = arguments.next().map(|n| n.parse()).transpose()?;
    let begun = Instant::now();
    let frame = options.try_into_reader_with_file_path(Some(path.into()))?.finish()?;
    let seconds = begun.elapsed().as_secs_f64();
    println!("{:?} in {seconds:.3} s, {:.0} MB/s", frame.shape(), bytes / 1e6 / seconds);
    Ok(())
}
