//! A file is read right or refused with the reason: nothing is lost or changed without a word.

use std::f64::consts::TAU;
use std::fs;
use std::path::{Path, PathBuf};

use serde_json::Value;

use crate::support::loopwork;

const HEADER: &str = "time (s),travel (mm),force (N)";

/// Rows of (time s, travel mm, force N) of a charged damper on 50 mm of stroke, four cycles
/// at each of these frequencies, 500 samples a second, the damping force times `firmness`.
fn rows(hz: &[f64], firmness: f64) -> Vec<[f64; 3]> {
    let mut rows = Vec::new();
    let mut start = 0.0;
    for f in hz {
        let n = (4.0 / f * 500.0) as usize;
        for i in 0..n {
            let t = i as f64 / 500.0;
            let (x, v) = (
                -0.025 * (TAU * f * t).cos(),
                0.025 * TAU * f * (TAU * f * t).sin(),
            );
            let c = if v > 0.0 { 1200.0 } else { 2400.0 };
            let force = firmness * c * v + 200.0 + 2000.0 * x + 10.0 * (v / 0.002).tanh();
            rows.push([start + t, 1e3 * x, force]);
        }
        start += n as f64 / 500.0;
    }
    rows
}

fn line(row: &[f64; 3]) -> String {
    format!("{:.4},{:.5},{:.4}", row[0], row[1], row[2])
}

fn table(rows: &[[f64; 3]]) -> String {
    let lines: Vec<String> = rows.iter().map(line).collect();
    format!("{HEADER}\n{}\n", lines.join("\n"))
}

struct Said {
    code: i32,
    json: Value,
    errors: String,
}

/// What a command says to files, given by name and content.
fn run(command: &str, files: &[(&str, Vec<u8>)], options: &[&str]) -> Said {
    let folder = tempfile::tempdir().unwrap();
    let mut paths: Vec<PathBuf> = Vec::new();
    for (name, bytes) in files {
        let path = folder.path().join(name);
        fs::write(&path, bytes).unwrap();
        paths.push(path);
    }
    run_paths(command, &paths, options)
}

fn run_paths<P: AsRef<Path>>(command: &str, paths: &[P], options: &[&str]) -> Said {
    let mut run = loopwork();
    run.arg(command);
    for path in paths {
        run.arg(path.as_ref());
    }
    run.args(["--json", "-"]).args(options);
    if command == "analyze" {
        run.arg("--no-report");
    }
    let output = run.output().unwrap();
    Said {
        code: output.status.code().unwrap(),
        json: serde_json::from_slice(&output.stdout).unwrap_or(Value::Null),
        errors: String::from_utf8(output.stderr).unwrap(),
    }
}

fn inspect(bytes: impl Into<Vec<u8>>) -> Said {
    run("inspect", &[("run.csv", bytes.into())], &[])
}

#[test]
fn runs_of_several_dampers_are_not_joined() {
    let labelled = |serial: &str, hz: &[f64]| {
        format!("Serial number: {serial}\n{}", table(&rows(hz, 1.0))).into_bytes()
    };
    // Unlike serials, though the speeds add up to a ladder.
    let unlike = [
        ("a.csv", labelled("S-101", &[1.0])),
        ("b.csv", labelled("S-102", &[2.0])),
    ];
    let said = run("analyze", &unlike, &[]);
    assert_eq!(said.code, 3, "{}", said.errors);
    for word in ["S-101", "S-102", "compare", "batch", "--one-damper"] {
        assert!(said.errors.contains(word), "{word}: {}", said.errors);
    }
    assert_eq!(run("inspect", &unlike, &[]).code, 3);
    let meant = run("analyze", &unlike, &["--one-damper"]);
    assert_eq!(meant.code, 0, "{}", meant.errors);
    assert_eq!(meant.json["steps"].as_array().unwrap().len(), 2);
    // One ladder again, no labels.
    let again: Vec<(&str, Vec<u8>)> = ["a.csv", "b.csv", "c.csv"]
        .into_iter()
        .zip([1.0, 1.1, 1.2])
        .map(|(name, firm)| (name, table(&rows(&[1.0, 2.0], firm)).into_bytes()))
        .collect();
    let said = run("analyze", &again, &[]);
    assert_eq!(said.code, 3, "{}", said.errors);
    for word in ["b.csv", "repeats", "compare", "batch", "--one-damper"] {
        assert!(said.errors.contains(word), "{word}: {}", said.errors);
    }
    assert_eq!(run("analyze", &again, &["--one-damper"]).code, 0);
    // The same as a folder.
    let folder = tempfile::tempdir().unwrap();
    for (name, bytes) in &again {
        fs::write(folder.path().join(name), bytes).unwrap();
    }
    assert_eq!(run_paths("analyze", &[folder.path()], &[]).code, 3);
}

#[test]
fn one_dampers_speeds_in_files_of_their_own_are_one_run() {
    let files: Vec<(&str, Vec<u8>)> = [("v1.csv", 1.0), ("v2.csv", 2.0), ("v3.csv", 3.0)]
        .into_iter()
        .map(|(name, hz)| {
            let text = format!("Serial number: S-101\n{}", table(&rows(&[hz], 1.0)));
            (name, text.into_bytes())
        })
        .collect();
    let said = run("analyze", &files, &[]);
    assert_eq!(said.code, 0, "{}", said.errors);
    assert_eq!(said.json["steps"].as_array().unwrap().len(), 3);
}

#[test]
fn no_label_displaces_another() {
    let labels = "Part number: P-77\nSerial number: S-123\nDamper: front left\nSerial: Q9\n\
                  Kunde: A. Muster\nAuftrag: 4711\nFahrzeug: Wagen 3\nDate: 2026-11-02\n";
    let said = inspect(format!("{labels}{}", table(&rows(&[1.0], 1.0))));
    let values: Vec<&str> = said.json["metadata"]
        .as_object()
        .unwrap()
        .values()
        .map(|v| v.as_str().unwrap())
        .collect();
    for value in [
        "P-77",
        "S-123",
        "front left",
        "Q9",
        "A. Muster",
        "4711",
        "Wagen 3",
        "2026-11-02",
    ] {
        assert!(values.contains(&value), "{value}: {values:?}");
    }
    assert_eq!(said.json["metadata"]["serial"], "S-123");
    assert_eq!(said.json["metadata"]["customer"], "A. Muster");
}

/// A return alone, a feed alone, or both end a line, whichever most lines of the file have.
#[test]
fn line_ends_of_two_kinds_lose_no_row() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let text = table(&rows);
    let lines: Vec<&str> = text.lines().collect();
    let with = |end: &dyn Fn(usize) -> &'static str| -> Vec<u8> {
        let all = lines.iter().enumerate();
        all.flat_map(|(i, l)| [l.as_bytes(), end(i).as_bytes()].concat())
            .collect()
    };
    let plain = inspect(text.clone());
    for (name, bytes) in [
        ("second", with(&|i| if i % 2 == 1 { "\r" } else { "\n" })),
        ("header", with(&|i| if i % 2 == 0 { "\r" } else { "\n" })),
        ("one", with(&|i| if i == 700 { "\r" } else { "\n" })),
        ("windows", with(&|i| if i % 9 == 1 { "\r" } else { "\r\n" })),
        ("feeds", with(&|i| if i % 50 == 1 { "\n" } else { "\r" })),
        ("late", with(&|i| if i > 2900 { "\r" } else { "\n" })),
    ] {
        let said = inspect(bytes);
        assert_eq!(said.code, 0, "{name}: {}", said.errors);
        assert_eq!(said.json["source"][0]["rows"], rows.len(), "{name}");
        assert_eq!(
            said.json["sampling"]["rows_used"], plain.json["sampling"]["rows_used"],
            "{name}"
        );
        assert_eq!(said.json["steps"], plain.json["steps"], "{name}");
    }
}

/// RFC 8878, 3.1.1: a frame may end in a checksum of its content, which is held against it.
#[test]
fn a_packed_file_with_a_flipped_bit_is_refused_or_read_as_it_was() {
    let text = table(&rows(&[2.0], 1.0));
    let level = ruzstd::encoding::CompressionLevel::Fastest;
    let whole = ruzstd::encoding::compress_to_vec(text.as_bytes(), level);
    let plain = run("inspect", &[("run.csv.zst", whole.clone())], &[]);
    assert_eq!(plain.code, 0, "{}", plain.errors);
    for k in 1..12 {
        let mut bytes = whole.clone();
        let at = bytes.len() * k / 12;
        bytes[at] ^= 0x10;
        let said = run("inspect", &[("run.csv.zst", bytes)], &[]);
        assert!(
            said.code == 3 || said.json["steps"] == plain.json["steps"],
            "byte {at}"
        );
    }
    // Without the checksum, which the fifth byte's bit 2 announces, it is said that nothing
    // can be verified.
    let mut bare = whole;
    bare[4] &= !4;
    bare.truncate(bare.len() - 4);
    let said = run("inspect", &[("run.csv.zst", bare)], &[]);
    assert_eq!(said.code, 0, "{}", said.errors);
    assert!(said.errors.contains("no checksum"), "{}", said.errors);
}
