//! Files that mean harm or make no sense: a message and exit code 3, or a correct reading;
//! never a panic, a hang or a wrong number.
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a failed reading fails the test"
)]

use std::io::Write as _;
use std::time::{Duration, Instant};

use loopwork::ingest::{self, IntakeOptions};
use loopwork::recording::Recording;
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use crate::support::loopwork;

/// A guard against hanging on a loaded machine; the times are printed.
const HANG: Duration = Duration::from_secs(60);

fn good_rows(n: usize) -> String {
    let mut text = String::from("time (s),travel (mm),force (N)\n");
    for i in 0..n {
        let t = i as f64 / 200.0;
        let (s, c) = (std::f64::consts::TAU * t).sin_cos();
        text += &format!("{t:.4},{:.4},{:.3}\n", 25.0 * s, 150.0 + 300.0 * c);
    }
    text
}

fn gzip(bytes: &[u8]) -> Vec<u8> {
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
    packer.write_all(bytes).expect("memory");
    packer.finish().expect("memory")
}

#[test]
fn hostile_files_end_in_a_message_or_a_reading() {
    let folder = tempfile::tempdir().expect("a folder");
    let good = good_rows(1000);
    let mut wide = (0..10_000)
        .map(|i| format!("c{i}"))
        .collect::<Vec<_>>()
        .join(",")
        + "\n";
    for _ in 0..20 {
        wide += &((0..10_000)
            .map(|i| format!("{i}.5"))
            .collect::<Vec<_>>()
            .join(",")
            + "\n");
    }
    let (header, body) = good.split_once('\n').expect("a header");
    let backward = format!(
        "{header}\n{}",
        body.lines().rev().collect::<Vec<_>>().join("\n")
    );
    let bomb = gzip(&vec![b'\n'; 200 << 20]);
    let bomb_of_rows = gzip("0.1,0.2,0.3\n".repeat(20 << 20).as_bytes());
    let cases: Vec<(&str, Vec<u8>, Option<i32>)> = vec![
        ("empty", Vec::new(), Some(3)),
        ("one-byte", b"x".to_vec(), Some(3)),
        ("blank-lines", vec![b'\n'; 3 << 20], Some(3)),
        (
            "binary",
            (0..200_000_u32)
                .map(|i| (i.wrapping_mul(2_654_435_761) >> 13) as u8)
                .collect(),
            Some(3),
        ),
        ("nul-bytes", vec![0; 100_000], Some(3)),
        (
            "nul-in-a-row",
            good.replacen("0.0500", "0.05\0\0", 1).into_bytes(),
            None,
        ),
        ("one-long-line", vec![b'7'; 50 << 20], Some(3)),
        (
            "one-long-row",
            "1.5,".repeat(12 << 20).into_bytes(),
            Some(3),
        ),
        ("ten-thousand-columns", wide.into_bytes(), Some(3)),
        (
            "deep-quotes",
            ("\"".repeat(400_000) + "\n" + &good).into_bytes(),
            None,
        ),
        (
            "quote-never-closed",
            good.replacen("0.0500", "\"0.05", 1).into_bytes(),
            None,
        ),
        (
            "huge-numbers",
            good.replace("25.", "1e308").into_bytes(),
            None,
        ),
        ("infinities", good.replace("25.", "inf").into_bytes(), None),
        (
            "huge-exponents",
            good.replace("150.000", "1e999999999").into_bytes(),
            None,
        ),
        (
            "formulas",
            good.replacen(
                "force (N)",
                "force (N),=cmd|' /C calc'!A0,<script>alert(1)</script>",
                1,
            )
            .into_bytes(),
            None,
        ),
        (
            "script-in-preamble",
            format!("Damper: <script>alert(1)</script>\u{1b}[2J\n{good}").into_bytes(),
            Some(0),
        ),
        ("backward-time", backward.into_bytes(), Some(3)),
        ("gzip-bomb-of-lines", bomb, Some(3)),
        ("gzip-bomb-of-rows", bomb_of_rows, Some(3)),
        (
            "gzip-cut-short",
            gzip(good.as_bytes())[..3000].to_vec(),
            Some(3),
        ),
        ("zstd-magic-only", vec![0x28, 0xb5, 0x2f, 0xfd], Some(3)),
        (
            "utf16-odd-length",
            [
                &[0xff, 0xfe][..],
                &good
                    .encode_utf16()
                    .flat_map(u16::to_le_bytes)
                    .collect::<Vec<_>>()[..],
                b"x",
            ]
            .concat(),
            None,
        ),
        (
            "prose",
            "Once upon a time, in 1987, there were 3 dampers, 4 springs, and 12 bolts.\n"
                .repeat(2000)
                .into_bytes(),
            Some(3),
        ),
    ];
    for (name, bytes, expected) in cases {
        let path = folder.path().join(format!("{name}.csv"));
        std::fs::write(&path, bytes).expect("a file");
        let begun = Instant::now();
        let out = loopwork()
            .arg("inspect")
            .arg(&path)
            .timeout(HANG)
            .output()
            .expect("it ends");
        println!("{name}: {:?} in {:.2?}", out.status.code(), begun.elapsed());
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        let code = out.status.code();
        assert!(matches!(code, Some(0 | 3)), "{name}: {code:?}\n{said}");
        assert!(!said.contains("panicked"), "{name}: {said}");
        assert!(
            !said.contains('\u{1b}') && !String::from_utf8_lossy(&out.stdout).contains('\u{1b}'),
            "{name}"
        );
        if let Some(expected) = expected {
            assert_eq!(code, Some(expected), "{name}: {said}");
        }
        if code == Some(3) {
            assert!(said.contains("help:"), "{name}: {said}");
        }
        std::fs::remove_file(&path).expect("gone");
    }
}

#[test]
fn a_folder_and_a_missing_file_are_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    for path in [folder.path().to_owned(), folder.path().join("none.csv")] {
        let out = loopwork()
            .arg("inspect")
            .arg(path)
            .timeout(HANG)
            .output()
            .expect("it ends");
        assert_eq!(out.status.code(), Some(3));
    }
}

#[cfg(unix)]
#[test]
fn a_pipe_is_read_to_its_end() {
    let out = loopwork()
        .args(["inspect", "-"])
        .write_stdin(good_rows(3000))
        .timeout(HANG)
        .output()
        .expect("it ends");
    assert_eq!(
        out.status.code(),
        Some(0),
        "{}",
        String::from_utf8_lossy(&out.stderr)
    );
    assert!(String::from_utf8_lossy(&out.stdout).contains("3000 rows"));
}

#[cfg(unix)]
#[test]
fn a_pipe_nobody_writes_into_is_refused() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&path).status();
    if !made.is_ok_and(|s| s.success()) {
        println!("skipped: no mkfifo here");
        return;
    }
    let out = loopwork()
        .arg("inspect")
        .arg(&path)
        .timeout(HANG)
        .output()
        .expect("it ends");
    assert_eq!(out.status.code(), Some(3));
}

/// Everything intake can do with these bytes, without a panic; values must be finite and
/// time must rise within a segment.
fn digest(bytes: &[u8]) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("x.csv");
    std::fs::write(&path, bytes).expect("a file");
    let Ok(recording) = ingest::open(&[path], &IntakeOptions::default()) else {
        return;
    };
    let Recording::Samples(mut stream) = recording else {
        return;
    };
    let mut last = f64::NEG_INFINITY;
    loop {
        match stream.next_chunk() {
            Ok(Some(chunk)) => {
                if chunk.starts_segment.is_some() {
                    last = f64::NEG_INFINITY;
                }
                assert_eq!(chunk.travel.len(), chunk.time.len());
                assert_eq!(chunk.force.len(), chunk.time.len());
                for t in &chunk.time {
                    assert!(*t > last, "{t} after {last}");
                    last = *t;
                }
                assert!(
                    chunk
                        .travel
                        .iter()
                        .chain(&chunk.force)
                        .all(|v| v.is_finite())
                );
            }
            Ok(None) => break,
            Err(_) => return,
        }
    }
    let closing = stream.closing();
    assert_eq!(closing.sources.len(), 1);
}

/// Cases of each property here.
const CASES: u32 = 400;

proptest! {
    #![proptest_config(ProptestConfig { cases: CASES, failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_read_or_refused(bytes in proptest::collection::vec(any::<u8>(), 0..2000)) {
        digest(&bytes);
    }

    #[test]
    fn any_table_of_odd_cells_is_read_or_refused(
        header in proptest::sample::select(vec!["time (s),travel (mm),force (N)\n", "Weg;Kraft\n", "t\tx\tF\tv\n", "velocity,compression,rebound\n", "", "x1,F1,x2,F2\n", "Time,Angle (deg),Force\nStroke: 50 mm\n"]),
        rows in proptest::collection::vec(proptest::collection::vec("[-+]?[0-9]{0,4}[.,]?[0-9]{0,4}(e[-+]?[0-9]{1,4})?|OVER|---|\"|[0-9]{2}:[0-9]{2}:[0-9]{2}|nan|-inf| |=1\\+1", 1..6), 0..60),
        mark in proptest::sample::select(vec![",", ";", "\t", " ", "|"]),
        end in proptest::sample::select(vec!["\n", "\r\n", "\r", "\n\n"]),
    ) {
        let mut text = header.to_owned();
        for row in rows {
            text += &row.join(mark);
            text += end;
        }
        digest(text.as_bytes());
    }

    #[test]
    fn a_good_file_with_bytes_changed_is_read_or_refused(changes in proptest::collection::vec((any::<proptest::sample::Index>(), any::<u8>()), 1..40)) {
        let mut bytes = good_rows(60).into_bytes();
        for (at, byte) in changes {
            let at = at.index(bytes.len());
            bytes[at] = byte;
        }
        digest(&bytes);
    }
}

/// Megabytes that reading any file may take.
const MOST_MEGABYTES: u64 = 256;

/// Peak memory of `inspect` on a file, MB, and its exit code, by GNU time where it is at hand.
fn peak_megabytes(path: &std::path::Path) -> Option<(u64, Option<i32>)> {
    let folder = tempfile::tempdir().expect("a folder");
    let told = folder.path().join("peak");
    let out = std::process::Command::new("/usr/bin/time")
        .args(["-f", "%M", "-o"])
        .arg(&told)
        .arg(env!("CARGO_BIN_EXE_loopwork"))
        .arg("inspect")
        .arg(path)
        .output()
        .ok()?;
    let text = std::fs::read_to_string(&told).ok()?;
    let kilobytes: u64 = text.lines().last()?.trim().parse().ok()?;
    Some((kilobytes / 1024, out.status.code()))
}

#[test]
fn memory_stays_bounded_whatever_the_file() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("run.csv");
    let many_columns = "1.5,".repeat(1_800_000);
    let row_of_names: String = (0..30_000)
        .map(|i| format!("Run {i}\n{i}.5,{},{}\n", i % 50, i % 7))
        .fold("time (s),travel (mm),force (N)\n".into(), |a, b| a + &b);
    let half = |bytes: &[u8]| [bytes, &b"\"\n"[..]].concat();
    let cases: [(&str, Vec<u8>, Option<i32>); 6] = [
        ("a row of 7 MB", many_columns.into_bytes(), Some(3)),
        ("a line of 50 MB", vec![b'7'; 50 << 20], Some(3)),
        ("a quote of 20 MB", half(&vec![b'"'; 20 << 20]), Some(3)),
        (
            "300 packed megabytes",
            gzip("0.1,0.2,0.3\n".repeat(25 << 20).as_bytes()),
            Some(3),
        ),
        (
            "a name before every row",
            row_of_names.into_bytes(),
            Some(0),
        ),
        (
            "a million rows in no order",
            good_rows(300_000).replace("0,", "9,").into_bytes(),
            None,
        ),
    ];
    for (name, bytes, expected) in cases {
        std::fs::write(&path, bytes).expect("a file");
        let Some((megabytes, code)) = peak_megabytes(&path) else {
            println!("skipped: no GNU time here");
            return;
        };
        println!("{name}: {megabytes} MB, {code:?}");
        assert!(megabytes <= MOST_MEGABYTES, "{name}: {megabytes} MB");
        assert!(matches!(code, Some(0 | 3)), "{name}: {code:?}");
        if expected.is_some() {
            assert_eq!(code, expected, "{name}");
        }
    }
}
