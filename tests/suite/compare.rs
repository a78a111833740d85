//! Side by side, from the command line and through the library.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failed step fails the test"
)]

use std::process::Output;

use serde_json::Value;

use crate::support::{in_tree, loopwork};

fn sample(name: &str) -> String {
    in_tree("sample-runs")
        .join(format!("{name}.csv"))
        .display()
        .to_string()
}

fn run(arguments: &[&str]) -> Output {
    loopwork().args(arguments).output().unwrap()
}

fn json(arguments: &[&str]) -> Value {
    let mut all = arguments.to_vec();
    all.extend(["--no-report", "--quiet", "--json", "-"]);
    let output = run(&all);
    serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)))
}

fn numbers(value: &Value) -> Vec<Option<f64>> {
    value
        .as_array()
        .unwrap()
        .iter()
        .map(Value::as_f64)
        .collect()
}

/// The pair of the sample runs: rebound 4 % to 5 % softer, compression alike (the
/// descriptions in sample-runs/specs say so).
#[test]
fn a_known_pair_is_told_direction_by_direction() {
    let (left, right) = (sample("pair-left"), sample("pair-right"));
    let all = json(&["compare", &left, &right, "--as", "pair"]);
    assert_eq!(all["schema"], "loopwork.compare/1");
    assert_eq!(all["purpose"], "pair");
    assert_eq!(all["compression"][0]["verdict"], "within");
    for pct in numbers(&all["rebound"][0]["delta_pct"]).iter().flatten() {
        assert!((-6.0..=-4.0).contains(pct), "{pct}");
    }
    let narrow = json(&["compare", &left, &right, "--tolerance", "2"]);
    assert_eq!(narrow["rebound"][0]["verdict"], "outside");
    assert_eq!(narrow["overall"][0]["verdict"], "outside");
    let wide = json(&["compare", &left, &right, "--tolerance", "9"]);
    assert_eq!(wide["overall"][0]["verdict"], "within");
}

#[test]
fn arrays_run_along_the_grid() {
    let all = json(&[
        "compare",
        &sample("healthy-monotube"),
        &sample("worn-monotube"),
    ]);
    let n = all["grid_m_s"].as_array().unwrap().len();
    for direction in ["compression", "rebound"] {
        for name in [
            "base_n",
            "other_n",
            "delta_n",
            "delta_pct",
            "ci95_n",
            "tolerance_n",
        ] {
            assert_eq!(
                all[direction][0][name].as_array().unwrap().len(),
                n,
                "{name}"
            );
        }
        let at = |name: &str| numbers(&all[direction][0][name]);
        for ((b, o), d) in at("base_n").iter().zip(at("other_n")).zip(at("delta_n")) {
            if let (Some(b), Some(o), Some(d)) = (b, o, d) {
                assert!((o - b - d).abs() < 1e-9);
            }
        }
    }
}

#[test]
fn a_damper_against_itself_differs_by_nothing() {
    let file = sample("healthy-monotube");
    for purpose in ["pair", "wear"] {
        let all = json(&["compare", &file, &file, "--as", purpose]);
        assert_eq!(all["overall"][0]["verdict"], "within", "{purpose}");
        for direction in ["compression", "rebound"] {
            assert!(
                numbers(&all[direction][0]["delta_n"])
                    .iter()
                    .flatten()
                    .all(|d| *d == 0.0)
            );
        }
        let codes: Vec<&str> = all["cautions"]
            .as_array()
            .unwrap()
            .iter()
            .filter_map(|c| c["code"].as_str())
            .collect();
        assert!(codes.contains(&"same-data"));
    }
}

/// The two ways round: every difference changes its sign, every interval its ends.
#[test]
fn the_order_of_two_files_changes_no_fact() {
    let (a, b) = (sample("revalve-before"), sample("pair-left"));
    let (one, two) = (json(&["compare", &a, &b]), json(&["compare", &b, &a]));
    assert_eq!(one["grid_m_s"], two["grid_m_s"]);
    for direction in ["compression", "rebound"] {
        let (x, y) = (&one[direction][0], &two[direction][0]);
        for (p, q) in numbers(&x["delta_n"]).iter().zip(numbers(&y["delta_n"])) {
            assert_eq!(p.map(|p| -p), q);
        }
        for (p, q) in x["ci95_n"]
            .as_array()
            .unwrap()
            .iter()
            .zip(y["ci95_n"].as_array().unwrap())
        {
            if p.is_null() {
                assert!(q.is_null());
                continue;
            }
            let (p, q) = (numbers(p), numbers(q));
            assert!((p[0].unwrap() + q[1].unwrap()).abs() < 1e-9);
            assert!((p[1].unwrap() + q[0].unwrap()).abs() < 1e-9);
        }
    }
}

#[test]
fn the_order_of_others_changes_no_fact_about_any() {
    let base = sample("healthy-monotube");
    let (a, b) = (sample("worn-monotube"), sample("low-gas-monotube"));
    let (one, two) = (
        json(&["compare", &base, &a, &b]),
        json(&["compare", &base, &b, &a]),
    );
    assert_eq!(one["grid_m_s"], two["grid_m_s"]);
    for part in [
        "compression",
        "rebound",
        "statics",
        "fits",
        "heat",
        "findings",
        "overall",
    ] {
        assert_eq!(one[part][0], two[part][1], "{part}");
        assert_eq!(one[part][1], two[part][0], "{part}");
    }
}

#[test]
fn fail_on_decides_the_exit_code() {
    let (left, right) = (sample("pair-left"), sample("pair-right"));
    let code = |extra: &[&str]| {
        let mut all = vec![
            "compare",
            left.as_str(),
            right.as_str(),
            "--no-report",
            "--quiet",
        ];
        all.extend(extra);
        run(&all).status.code().unwrap()
    };
    assert_eq!(code(&["--tolerance", "2"]), 0);
    assert_eq!(code(&["--tolerance", "2", "--fail-on", "outside"]), 1);
    assert_eq!(code(&["--tolerance", "9", "--fail-on", "undecided"]), 0);
    assert_eq!(code(&["--tolerance", "5", "--fail-on", "undecided"]), 1);
    assert_eq!(code(&["--tolerance", "-1"]), 2);
}

#[test]
fn a_file_that_cannot_be_used_leaves_the_rest_done() {
    let (left, right) = (sample("pair-left"), sample("pair-right"));
    let bad = sample("x-text");
    let output = run(&[
        "compare",
        &left,
        &bad,
        &right,
        "--no-report",
        "--quiet",
        "--json",
        "-",
    ]);
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("x-text.csv"), "{said}");
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(all["others"].as_array().unwrap().len(), 1);
    let output = run(&[
        "match",
        &left,
        &bad,
        &right,
        "--no-report",
        "--quiet",
        "--json",
        "-",
    ]);
    assert_eq!(output.status.code(), Some(3));
    let all: Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(all["pairs"].as_array().unwrap().len(), 1);
}

#[test]
fn matching_names_the_leftover_whatever_the_order() {
    let mut files: Vec<String> = ["pair-left", "pair-right", "twin-tube-healthy"]
        .map(sample)
        .to_vec();
    let with = |files: &[String]| {
        let mut all = vec!["match"];
        all.extend(files.iter().map(String::as_str));
        json(&all)
    };
    let one = with(&files);
    assert_eq!(one["schema"], "loopwork.match/1");
    assert_eq!(one["pairs"][0]["a"], "pair-left");
    assert_eq!(one["pairs"][0]["b"], "pair-right");
    assert_eq!(one["unpaired"][0], "twin-tube-healthy");
    files.rotate_left(1);
    assert_eq!(one, with(&files));
    files.reverse();
    assert_eq!(one, with(&files));
}

#[test]
fn axles_keep_dampers_apart() {
    let (left, right) = (sample("pair-left"), sample("pair-right"));
    let all = json(&[
        "match",
        &left,
        &right,
        "--axle",
        "pair-left.csv=front",
        "--axle",
        "pair-right.csv=rear",
    ]);
    assert!(all["pairs"].as_array().unwrap().is_empty());
    assert_eq!(all["unpaired"].as_array().unwrap().len(), 2);
    let output = run(&[
        "match",
        &left,
        &right,
        "--no-report",
        "--axle",
        "other.csv=front",
    ]);
    assert_eq!(output.status.code(), Some(2));
}
