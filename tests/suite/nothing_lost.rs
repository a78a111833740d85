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

/// Each row of the table by `row`, under a header.
fn written(header: &str, rows: &[[f64; 3]], row: impl Fn(usize, &[f64; 3]) -> String) -> String {
    let lines: Vec<String> = rows.iter().enumerate().map(|(i, r)| row(i, r)).collect();
    format!("{header}\n{}\n", lines.join("\n"))
}

const GERMAN: &str = "Zeit (s);Weg (mm);Kraft (kN)";

fn german(row: &[f64; 3]) -> String {
    format!("{:.4};{:.5};{:.3}", row[0], row[1], row[2] / 1e3).replace('.', ",")
}

/// Exchanges the decimal mark of the last cell for a point.
fn with_point(line: &str) -> String {
    let (before, force) = line.rsplit_once(';').unwrap();
    format!("{before};{}", force.replace(',', "."))
}

#[test]
fn a_column_with_another_decimal_mark_is_refused() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let right = inspect(written(GERMAN, &rows, |_, r| german(r)));
    assert_eq!(right.code, 0, "{}", right.errors);
    // Around nought, where 0.512 shows it, and far from it, where every cell is 1.512 and so on.
    for offset in [0.0, 4000.0] {
        let text = written(GERMAN, &rows, |_, r| {
            with_point(&german(&[r[0], r[1], r[2] + offset]))
        });
        let said = run("analyze", &[("run.csv", text.into_bytes())], &[]);
        assert_eq!(said.code, 3, "{offset}: {}", said.errors);
        assert!(said.errors.contains("decimal"), "{}", said.errors);
    }
}

#[test]
fn cells_with_another_decimal_mark_are_left_out_and_told() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let odd = |i: usize| i % 37 == 5;
    let header = "Zeit (s);Weg (mm);Kraft (N)";
    let line = |r: &[f64; 3]| format!("{:.4};{:.5};{:.3}", r[0], r[1], r[2]).replace('.', ",");
    let text = written(header, &rows, |i, r| {
        if odd(i) {
            with_point(&line(r))
        } else {
            line(r)
        }
    });
    let said = inspect(text);
    assert_eq!(said.code, 0, "{}", said.errors);
    let count = (0..rows.len()).filter(|i| odd(*i)).count();
    let dropped = &said.json["sampling"]["dropped"][0];
    assert_eq!(dropped["reason"], "another decimal mark");
    assert_eq!(dropped["count"], count);
    let said = run(
        "analyze",
        &[(
            "run.csv",
            written(header, &rows, |_, r| line(r)).into_bytes(),
        )],
        &[],
    );
    let whole = said.json["heat"]["total_j"].as_f64().unwrap();
    let text = written(header, &rows, |i, r| {
        if odd(i) {
            with_point(&line(r))
        } else {
            line(r)
        }
    });
    let said = run("analyze", &[("run.csv", text.into_bytes())], &[]);
    assert!(said.errors.contains("left out"), "{}", said.errors);
    let rest = said.json["heat"]["total_j"].as_f64().unwrap();
    assert!((rest / whole - 1.0).abs() < 1e-3, "{rest} {whole}");
}

#[test]
fn thousands_set_apart_are_still_taken() {
    let rows = rows(&[1.0, 3.0], 2.0);
    let grouped = |n: f64| {
        let text = format!("{:.0}", n.abs());
        let text = match text.len() {
            4.. => format!("{}.{}", &text[..text.len() - 3], &text[text.len() - 3..]),
            _ => text,
        };
        if n < 0.0 { format!("-{text}") } else { text }
    };
    let text = written("Zeit (s);Weg (mm);Kraft (N)", &rows, |_, r| {
        let before = format!("{:.4};{:.5}", r[0], r[1]).replace('.', ",");
        format!("{before};{}", grouped(r[2]))
    });
    let said = inspect(text);
    assert_eq!(said.code, 0, "{}", said.errors);
    assert_eq!(said.json["sampling"]["rows_used"], rows.len());
    assert!(rows.iter().any(|r| r[2] > 1000.0));
}

#[test]
fn blocks_are_each_read_by_the_header_above_them() {
    const OTHER: &str = "force (N),time (s),travel (mm)";
    let other = |r: &[f64; 3]| format!("{:.4},{:.4},{:.5}", r[2], r[0], r[1]);
    let block = |hz: f64, turned: bool| {
        let rows = rows(&[hz], 1.0);
        if turned {
            written(OTHER, &rows, |_, r| other(r))
        } else {
            table(&rows)
        }
    };
    let plain = [1.0, 2.0, 3.0, 4.0].map(|hz| block(hz, false)).concat();
    let mixed = [(1.0, false), (2.0, true), (3.0, false), (4.0, true)]
        .map(|(hz, turned)| block(hz, turned))
        .concat();
    let (plain, mixed) = (inspect(plain), inspect(mixed));
    assert_eq!(mixed.code, 0, "{}", mixed.errors);
    assert_eq!(plain.json["steps"].as_array().unwrap().len(), 4);
    assert_eq!(mixed.json["steps"], plain.json["steps"]);
    // Units of their own in a row under each header.
    let inches = |hz: f64| {
        written("time,travel,force\ns,in,lbf", &rows(&[hz], 1.0), |_, r| {
            format!(
                "{:.4},{:.7},{:.6}",
                r[0],
                r[1] / 25.4,
                r[2] / 4.448_221_615_260_5
            )
        })
    };
    let metric = |hz: f64| {
        written("time,travel,force\ns,mm,N", &rows(&[hz], 1.0), |_, r| {
            line(r)
        })
    };
    let units = inspect([metric(1.0), inches(2.0), metric(3.0), inches(4.0)].concat());
    assert_eq!(units.code, 0, "{}", units.errors);
    let strokes: Vec<f64> = units.json["steps"]
        .as_array()
        .unwrap()
        .iter()
        .map(|s| s["stroke_m"].as_f64().unwrap())
        .collect();
    assert_eq!(strokes.len(), 4);
    for stroke in strokes {
        assert!((stroke - 0.05).abs() < 1e-4, "{stroke}");
    }
}

#[test]
fn rows_under_the_header_of_a_results_table_are_no_samples() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let results = "velocity (m/s),compression force (N),rebound force (N)\n\
                   0.157,398.5,-376.1\n0.314,587.0,-753.2\n";
    let said = inspect(format!("{}{results}", table(&rows)));
    assert_eq!(said.code, 0, "{}", said.errors);
    assert_eq!(said.json["sampling"]["rows_used"], rows.len());
    assert_eq!(said.json["sampling"]["rows_dropped"], 2);
}

#[test]
fn what_no_dyno_does_is_refused() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let analyze =
        |text: String, options: &[&str]| run("analyze", &[("run.csv", text.into_bytes())], options);
    // Travel in mm under a header that says m.
    let long = table(&rows).replace("travel (mm)", "travel (m)");
    let said = analyze(long.clone(), &[]);
    assert_eq!(said.code, 3, "{}", said.errors);
    assert!(said.errors.contains("--unit"), "{}", said.errors);
    assert_eq!(analyze(long, &["--unit", "displacement=mm"]).code, 0);
    // Hundredths of seconds called seconds the other way: 15 m/s.
    let fast = written(HEADER, &rows, |_, r| {
        format!("{:.6},{:.5},{:.4}", r[0] / 100.0, r[1], r[2])
    });
    assert_eq!(analyze(fast.clone(), &[]).code, 3);
    let stated = ["--unit", "displacement=mm", "--unit", "time=s"];
    assert_eq!(analyze(fast, &stated).code, 0);
    // Time and travel have changed places in the header.
    let swapped = table(&rows).replace(HEADER, "travel (mm),time (s),force (N)");
    let said = analyze(swapped, &[]);
    assert_eq!(said.code, 3, "{}", said.errors);
    assert!(said.errors.contains("changed places"), "{}", said.errors);
    // Signs with which it would give out work.
    let signs = ["--compression", "positive", "--force", "negative"];
    let said = analyze(table(&rows), &signs);
    assert_eq!(said.code, 3, "{}", said.errors);
    assert!(said.errors.contains("give out work"), "{}", said.errors);
}

#[test]
fn signs_that_a_file_states_are_believed_and_checked() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let turned = written(HEADER, &rows, |_, r| line(&[r[0], -r[1], -r[2]]));
    let words = "Displacement: positive in rebound (extension)\nForce: positive in tension\n";
    let said = inspect(format!("{words}{turned}"));
    let signs = &said.json["conventions"];
    assert_eq!(signs["certainty"], "stated", "{signs}");
    assert_eq!(signs["displacement_sign"], "negative");
    assert_eq!(signs["force_sign"], "negative");
    // The names of the columns say it.
    let names = "time (s),travel positive in rebound (mm),force positive in tension (N)";
    let said = inspect(turned.replace(HEADER, names));
    assert_eq!(said.code, 0, "{}", said.errors);
    assert_eq!(said.json["conventions"]["certainty"], "stated");
    assert_eq!(said.json["conventions"]["force_sign"], "negative");
    // One of them cannot be: the damper would give out work.
    let words =
        "Sign convention: displacement positive in rebound, force positive in compression\n";
    let text = format!("{words}{turned}").into_bytes();
    let said = run("analyze", &[("run.csv", text)], &[]);
    assert_eq!(said.code, 3, "{}", said.errors);
    assert!(said.errors.contains("give out work"), "{}", said.errors);
}

#[test]
fn pressing_and_pulling_force_are_the_two_directions() {
    let speeds = [0.05, 0.1, 0.2, 0.3, 0.5, 0.7, 1.0];
    for (header, sign) in [
        ("Geschwindigkeit (m/s);Druckkraft (N);Zugkraft (N)", -1.0),
        ("Geschwindigkeit (m/s);Zugkraft (N);Druckkraft (N)", 1.0),
        (
            "Vitesse (m/s);Effort compression (N);Effort traction (N)",
            -1.0,
        ),
    ] {
        let mut text = format!("{header}\n");
        for v in speeds {
            let (c, r) = (1200.0 * v + 50.0, sign * (2400.0 * v + 50.0));
            let pair = if header.contains("Zugkraft (N);") {
                (r, c)
            } else {
                (c, r)
            };
            text += &format!("{v:.2};{:.0};{:.0}\n", pair.0, pair.1).replace('.', ",");
        }
        let said = run("analyze", &[("run.csv", text.into_bytes())], &[]);
        assert_eq!(said.code, 0, "{header}: {}", said.errors);
        let curve = &said.json["curve"];
        for (direction, want) in [("compression", 1250.0), ("rebound", -2450.0)] {
            let points = curve[direction].as_array().unwrap();
            assert_eq!(points.len(), speeds.len(), "{header} {direction}");
            assert_eq!(points[6]["force_n"].as_f64().unwrap(), want, "{header}");
        }
    }
}

#[test]
fn a_wide_table_may_name_speeds_and_give_units_in_a_second_row() {
    let mut text = String::from(
        "Travel @ 100 mm/s,Force @ 100 mm/s,Travel @ 200 mm/s,Force @ 200 mm/s\nmm,N,mm,N\n",
    );
    for i in 0..360 {
        let phase = TAU * f64::from(i) / 360.0;
        let x = -25.0 * phase.cos();
        let f = |v: f64| 1200.0 * v * phase.sin() + 200.0;
        text += &format!("{x:.4},{:.3},{x:.4},{:.3}\n", f(0.1), f(0.2));
    }
    let said = inspect(text);
    assert_eq!(said.code, 0, "{}", said.errors);
    assert_eq!(said.json["layout"], "wide");
    let steps = said.json["steps"].as_array().unwrap();
    assert_eq!(steps.len(), 2);
    for (step, want) in steps.iter().zip([0.1, 0.2]) {
        let speed = step["peak_velocity_m_s"].as_f64().unwrap();
        assert!((speed / want - 1.0).abs() < 0.01, "{speed}");
        assert!((step["stroke_m"].as_f64().unwrap() - 0.05).abs() < 1e-4);
    }
}

#[test]
fn a_card_does_not_refuse_a_file_without_its_thermocouple() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let folder = tempfile::tempdir().unwrap();
    let at = |name: &str| folder.path().join(name);
    let warm = written(&format!("{HEADER},oil temp (°C)"), &rows, |_, r| {
        format!("{},25.0", line(r))
    });
    fs::write(at("warm.csv"), warm).unwrap();
    fs::write(at("bare.csv"), table(&rows)).unwrap();
    fs::write(
        at("other.csv"),
        table(&rows).replace("force (N)", "load (N)"),
    )
    .unwrap();
    let card = at("card.toml");
    let card = card.to_str().unwrap();
    let made = run_paths("inspect", &[at("warm.csv")], &["--write-card", card]);
    assert_eq!(made.code, 0, "{}", made.errors);
    let said = run_paths("inspect", &[at("bare.csv")], &["--intake", card]);
    assert_eq!(said.code, 0, "{}", said.errors);
    assert!(said.errors.contains("oil temp"), "{}", said.errors);
    assert_eq!(said.json["steps"].as_array().unwrap().len(), 2);
    // What a run cannot do without is still held against the card.
    let said = run_paths("inspect", &[at("other.csv")], &["--intake", card]);
    assert_eq!(said.code, 3, "{}", said.errors);
}

#[test]
fn nuls_behind_the_data_are_room_that_was_not_written() {
    let rows = rows(&[1.0, 2.0], 1.0);
    let plain = inspect(table(&rows));
    for size in [100, 3_000, 300_000, 5_000_000] {
        let mut bytes = table(&rows).into_bytes();
        bytes.resize(bytes.len() + size, 0);
        let said = inspect(bytes);
        assert_eq!(said.code, 0, "{size}: {}", said.errors);
        assert_eq!(said.json["steps"], plain.json["steps"], "{size}");
        assert_eq!(said.json["sampling"]["rows_dropped"], 0, "{size}");
    }
    assert_eq!(inspect(vec![0_u8; 300_000]).code, 3);
}
