//! Reads a file to its end and does nothing with it, for measuring intake alone:
//! `cargo run --release --example read_only -- FILE`.

#![allow(
    clippy::print_stdout,
    clippy::print_stderr,
    reason = "a tool for the bench says what it did"
)]

use loopwork::ingest::{self, IntakeOptions};
use loopwork::notice::Error;
use loopwork::recording::Recording;

fn rows_of(path: &str) -> Result<usize, Error> {
    let mut rows = 0;
    if let Recording::Samples(mut stream) = ingest::open(&[path.into()], &IntakeOptions::default())?
    {
        while let Some(chunk) = stream.next_chunk()? {
            rows += chunk.len();
        }
    }
    Ok(rows)
}

fn main() {
    let Some(path) = std::env::args().nth(1) else {
        eprintln!("usage: read_only FILE");
        return;
    };
    match rows_of(&path) {
        Ok(rows) => println!("{rows} rows"),
        Err(error) => eprintln!("{error}"),
    }
}
