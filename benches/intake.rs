//! Throughput of the numeric reader: bytes of a plain table to chunks of SI samples.
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a failed reading ends the bench"
)]
#![allow(missing_docs, reason = "criterion writes the entry points")]

use std::fmt::Write as _;
use std::path::PathBuf;

use criterion::{Criterion, Throughput, criterion_group, criterion_main};
use loopwork::ingest::{self, IntakeOptions};
use loopwork::recording::Recording;

/// A table of `rows` rows and five columns as a dyno writes it.
fn table(rows: usize, comma: bool) -> String {
    let mut text =
        String::from("Time (s);Displacement (mm);Velocity (mm/s);Force (N);Temperature (°C)\n");
    for i in 0..rows {
        let t = i as f64 / 1000.0;
        let (s, c) = (std::f64::consts::TAU * 1.5 * t).sin_cos();
        let v = 235.619 * c;
        let ripple = ((i * 7919) % 997) as f64 / 100.0;
        let _ = writeln!(
            text,
            "{t:.4};{:.4};{v:.3};{:.2};{:.2}",
            25.0 * s,
            3.0 * v + 120.0 + ripple,
            25.0 + t / 100.0
        );
    }
    if comma {
        text.replace('.', ",")
    } else {
        text.replace(';', ",")
    }
}

fn read(path: &PathBuf) -> usize {
    let recording =
        ingest::open(std::slice::from_ref(path), &IntakeOptions::default()).expect("a table");
    let Recording::Samples(mut stream) = recording else {
        panic!("samples")
    };
    let mut rows = 0;
    while let Some(chunk) = stream.next_chunk().expect("rows") {
        rows += chunk.len();
    }
    rows
}

fn intake(c: &mut Criterion) {
    let folder = tempfile::tempdir().expect("a folder");
    let mut group = c.benchmark_group("intake");
    group.sample_size(10);
    for (name, rows, comma) in [
        ("10k rows", 10_000, false),
        ("1M rows", 1_000_000, false),
        ("1M rows, decimal comma", 1_000_000, true),
    ] {
        let path = folder.path().join(format!("{rows}-{comma}.csv"));
        let text = table(rows, comma);
        group.throughput(Throughput::Bytes(text.len() as u64));
        std::fs::write(&path, text).expect("a file");
        group.bench_function(name, |b| {
            b.iter(|| assert_eq!(read(&path), rows));
        });
    }
    group.finish();
}

criterion_group!(benches, intake);
criterion_main!(benches);
