//! Curves at a common temperature, end to end: the same synthetic damper run cold and hot.
//! The truth is the description's: one damper, 0.25 % of damping force lost per °C, gas that
//! warms with the oil.
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::path::{Path, PathBuf};

use serde_json::Value;

use super::support::{in_tree, loopwork};

/// A run that starts at `start_c`; a long fast step warms the damper, so that the run tells
/// how its force changes with temperature.
fn run_from(folder: &Path, start_c: f64, seed: u32) -> PathBuf {
    let spec = folder.join(format!("from-{start_c}.toml"));
    let text = format!(
        "seed = {seed}\n[damper]\ncharge_bar = 14.0\n\
         [motion]\nspeeds_mm_s = [100.0, 250.0, 500.0]\ncycles_of_each = [8, 8, 200]\n\
         slow_at = \"both\"\nslow_mm_s = 10.0\nslow_stroke_mm = 12.0\nslow_cycles = 4\n\
         end_pause_s = 20.0\nrate_hz = 200.0\n\
         [thermal]\nenabled = true\nstart_c = {start_c:.1}\nair_c = 22.0\noil_kg = 0.18\n\
         metal_kg = 0.50\nfade_percent_per_c = 0.25\n\
         [sensors]\nforce_noise_percent = 0.05\ntemperature_lag_s = 3.0\ntemperature_noise_c = 0.05\n\
         [output]\ntime_decimals = 3\ntravel_decimals = 3\n"
    );
    std::fs::write(&spec, text).unwrap();
    let file = folder.join(format!("from-{start_c}.csv"));
    let made = loopwork()
        .arg("simulate")
        .arg(&spec)
        .arg("--out")
        .arg(&file)
        .arg("--quiet")
        .output()
        .unwrap();
    assert!(made.status.success(), "{made:?}");
    file
}

fn json(command: &str, files: &[&Path], more: &[&str]) -> (Option<i32>, Value) {
    let output = loopwork()
        .arg(command)
        .args(files)
        .args(more)
        .args(["--no-report", "--quiet", "--json", "-"])
        .output()
        .unwrap();
    let value = serde_json::from_slice(&output.stdout).unwrap_or(Value::Null);
    assert!(
        !value.is_null(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    (output.status.code(), value)
}

/// Every (difference, low, high) of both directions.
fn differences(comparison: &Value) -> Vec<[f64; 3]> {
    ["compression", "rebound"]
        .into_iter()
        .flat_map(|direction| {
            let part = &comparison[direction][0];
            let deltas = part["delta_n"].as_array().unwrap().clone();
            let ends = part["ci95_n"].as_array().unwrap().clone();
            deltas
                .into_iter()
                .zip(ends)
                .filter_map(|(d, e)| Some([d.as_f64()?, e[0].as_f64()?, e[1].as_f64()?]))
        })
        .collect()
}

#[test]
fn cold_and_hot_differ_as_measured_and_agree_at_one_temperature() {
    let place = tempfile::tempdir().unwrap();
    let (cold, hot) = (
        run_from(place.path(), 20.0, 5),
        run_from(place.path(), 55.0, 6),
    );
    let files = [cold.as_path(), hot.as_path()];
    // The floor is above what the warming of one step scatters, and half of what 35 °C make.
    let limits = [
        "--as",
        "pair",
        "--tolerance",
        "5",
        "--tolerance-floor",
        "60",
    ];
    let with = |more: &[&str]| {
        let all: Vec<&str> = limits.iter().chain(more).copied().collect();
        json("compare", &files, &all).1
    };
    let strict = [
        "--as",
        "pair",
        "--tolerance",
        "2",
        "--tolerance-floor",
        "20",
        "--as-measured",
    ];
    let measured = json("compare", &files, &strict).1;
    assert_eq!(measured["overall"][0]["verdict"], "outside");
    // 0.25 % of 35 °C is 8.75 % of the cold force's value at 20 °C; at the middle of both
    // nothing of it is left.
    let valves = |c: &Value| {
        let all = c["rebound"][0]["hydraulic"]["delta_pct"]
            .as_array()
            .unwrap();
        let all: Vec<f64> = all.iter().filter_map(Value::as_f64).collect();
        all.iter().sum::<f64>() / all.len() as f64
    };
    let middle = with(&[]);
    assert!(valves(&measured) < -6.0, "{}", valves(&measured));
    assert!(valves(&middle).abs() < 2.0, "{}", valves(&middle));
    assert!(middle["reference_c"][0].is_null());
    let taken = middle["stories"][0]["temperature"]["taken_to_c"].as_f64();
    assert!(taken.is_some_and(|c| 30.0 < c && c < 60.0), "{taken:?}");
    assert!(measured["reference_c"][0].is_null());
    let apart = differences(&measured);
    assert!(
        apart.iter().filter(|d| d[1] > 0.0 || d[2] < 0.0).count() >= 6,
        "{apart:?}"
    );
    for asked in ["45", "113F", "45 °C"] {
        let referred = with(&["--reference-temperature", asked]);
        let c = referred["reference_c"][0].as_f64().unwrap();
        assert!((c - 45.0).abs() < 1e-9, "{asked}: {c}");
        assert_eq!(referred["overall"][0]["verdict"], "within", "{asked}");
        let all = differences(&referred);
        assert!(all.len() >= 12);
        for [delta, low, high] in all {
            assert!(
                low < 0.0 && high > 0.0,
                "{asked}: {delta} in {low} to {high}"
            );
        }
        let cautions = referred["cautions"].to_string();
        assert!(cautions.contains("as they would be at 45 °C"), "{cautions}");
    }
    // A run without a channel: both as measured, and why.
    let sample = in_tree("sample-runs/pair-left.csv");
    let (_, mixed) = json(
        "compare",
        &[&sample, &hot],
        &["--reference-temperature", "45"],
    );
    assert!(mixed["reference_c"][0].is_null());
    let cautions = mixed["cautions"].to_string();
    assert!(
        cautions.contains("could not be referred to 45 °C"),
        "{cautions}"
    );
    assert!(cautions.contains("no temperature channel"), "{cautions}");
    let (_, plain) = json("compare", &[&sample, &hot], &["--as-measured"]);
    // What a degree is worth is stated of the force at the temperature that was asked for, so
    // that intervals differ by a hair; the forces do not.
    for part in [Value::clone, |p: &Value| p["hydraulic"].clone()] {
        let of = |c: &Value| {
            let p = part(&c["rebound"][0]);
            [
                p["base_n"].clone(),
                p["other_n"].clone(),
                p["delta_n"].clone(),
            ]
        };
        assert_eq!(of(&mixed), of(&plain));
    }
    assert_eq!(mixed["fits"], plain["fits"]);
}

/// Force of the peak points by speed.
fn peaks(run: &Value, direction: &str) -> Vec<(f64, f64)> {
    let points = run["curve"]["peaks"][direction].as_array().unwrap();
    points
        .iter()
        .map(|p| {
            let number = |name: &str| p[name].as_f64().unwrap();
            (number("velocity_m_s"), number("force_n"))
        })
        .collect()
}

#[test]
fn a_hot_run_gives_the_cold_dampers_curve() {
    let place = tempfile::tempdir().unwrap();
    let hot = run_from(place.path(), 50.0, 7);
    let at = |more: &[&str]| json("analyze", &[hot.as_path()], more).1;
    let measured = at(&[]);
    assert!(measured["reference"].is_null());
    let referred = at(&["--reference-temperature", "20"]);
    assert_eq!(referred["reference"]["applied"], true);
    assert_eq!(referred["reference"]["temperature_c"], 20.0);
    // Steps and findings stay as measured.
    assert_eq!(referred["steps"], measured["steps"]);
    assert_eq!(referred["findings"], measured["findings"]);
    let notes = referred["notes"].to_string();
    assert!(notes.contains("referred to 20.0 °C"), "{notes}");
    // By the description damping at 20 °C is 1/(1 − 0.0025·(T − 20)) of what it is at T, the
    // fastest step's mean of about 65 °C: 13 % more. Gas, which pushes against rebound and with
    // compression, is a seventh less of 220 N or so.
    for (direction, from, to) in [("compression", 1.02, 1.13), ("rebound", 1.08, 1.18)] {
        let (before, after) = (peaks(&measured, direction), peaks(&referred, direction));
        let fastest = before.len() - 1;
        let growth = after[fastest].1 / before[fastest].1;
        assert!((from..to).contains(&growth), "{direction}: {growth}");
    }
    let fahrenheit = at(&["--reference-temperature", "68F"]);
    for direction in ["compression", "rebound"] {
        let (a, b) = (peaks(&referred, direction), peaks(&fahrenheit, direction));
        for (a, b) in a.iter().zip(&b) {
            assert!(
                (a.1 - b.1).abs() < 1e-6 * a.1.abs(),
                "{direction}: {a:?} {b:?}"
            );
        }
    }
    // The cold damper itself, and how far the hot run's correction may be out: within 2 % of
    // full scale (the change per degree is known to a few hundredths of a percent, times 60 °C).
    let cold = run_from(place.path(), 20.0, 8);
    let (_, cold) = json("analyze", &[&cold], &["--reference-temperature", "20"]);
    for direction in ["compression", "rebound"] {
        let (cold, hot) = (peaks(&cold, direction), peaks(&referred, direction));
        let scale = cold.iter().map(|p| p.1.abs()).fold(0.0, f64::max);
        for (a, b) in cold.iter().zip(&hot) {
            assert!((a.1 - b.1).abs() < 0.02 * scale, "{direction}: {a:?} {b:?}");
        }
    }
}

#[test]
fn without_a_channel_the_curve_stays_and_a_note_says_why() {
    let sample = in_tree("sample-runs/pair-left.csv");
    let (_, plain) = json("analyze", &[&sample], &[]);
    let (_, asked) = json("analyze", &[&sample], &["--reference-temperature", "20"]);
    assert_eq!(asked["reference"]["applied"], false);
    assert_eq!(
        asked["reference"]["why_not"],
        "there is no temperature channel"
    );
    assert_eq!(asked["curve"], plain["curve"]);
    assert_eq!(asked["fits"], plain["fits"]);
    let notes = asked["notes"].to_string();
    assert!(
        notes.contains("could not be referred to 20.0 °C: there is no temperature channel"),
        "{notes}"
    );
}

#[test]
fn a_hot_damper_is_checked_at_the_targets_temperature() {
    let place = tempfile::tempdir().unwrap();
    let (cold, hot) = (
        run_from(place.path(), 20.0, 9),
        run_from(place.path(), 55.0, 10),
    );
    let target = cold.to_str().unwrap();
    let held = |more: &[&str]| {
        let mut all = vec!["--target", target, "--tolerance", "5"];
        all.extend(more);
        json("check", &[&hot], &all)
    };
    let (code, measured) = held(&[]);
    assert_eq!(code, Some(1));
    assert_eq!(measured["verdict"], "fail");
    let (_, referred) = held(&["--reference-temperature", "45"]);
    assert_ne!(referred["verdict"], "fail");
    let passed = |v: &Value| {
        let all = v["criteria"].as_array().unwrap();
        all.iter().filter(|c| c["verdict"] == "pass").count()
    };
    assert!(passed(&referred) > passed(&measured));
    let notes = referred["notes"].to_string();
    assert!(notes.contains("as they would be at 45 °C"), "{notes}");
}

#[test]
fn the_page_says_at_which_temperature_it_is() {
    let place = tempfile::tempdir().unwrap();
    let hot = run_from(place.path(), 50.0, 11);
    let folder = place.path().join("report");
    let output = loopwork()
        .arg("analyze")
        .arg(&hot)
        .args(["--reference-temperature", "40", "--report"])
        .arg(&folder)
        .output()
        .unwrap();
    assert!(output.status.success());
    let said = String::from_utf8_lossy(&output.stdout);
    assert!(said.contains("as they would be at 40.0 °C"), "{said}");
    let page = std::fs::read_to_string(folder.join("index.html")).unwrap();
    assert!(page.contains("Curves and fits as they would be at "));
    // 40 °C is 104 °F, for the page's switch.
    assert!(page.contains("104\u{a0}°F"));
}

#[test]
fn what_is_no_temperature_is_refused() {
    let sample = in_tree("sample-runs/pair-left.csv");
    for text in ["warm", "20 bar", "900", "20X", "--5", "nan"] {
        let output = loopwork()
            .arg("analyze")
            .arg(&sample)
            .arg(format!("--reference-temperature={text}"))
            .arg("--no-report")
            .output()
            .unwrap();
        assert_eq!(output.status.code(), Some(2), "{text}");
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains("--reference-temperature"), "{text}: {said}");
    }
}
