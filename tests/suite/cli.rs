//! The command line: exit codes, messages, nothing half-written.

use std::fs;

use crate::support::{in_tree, loopwork};

/// Runs `analyze` on a file and returns (exit code, standard error); nothing may be written.
fn refused(path: &std::path::Path) -> (i32, String) {
    let folder = tempfile::tempdir().unwrap();
    let report = folder.path().join("report");
    let json = folder.path().join("run.json");
    let output = loopwork()
        .arg("analyze")
        .arg(path)
        .arg("--report")
        .arg(&report)
        .arg("--json")
        .arg(&json)
        .output()
        .unwrap();
    assert!(
        output.stdout.is_empty(),
        "{}",
        String::from_utf8_lossy(&output.stdout)
    );
    let left: Vec<_> = fs::read_dir(folder.path())
        .unwrap()
        .map(|e| e.unwrap().path())
        .collect();
    assert!(left.is_empty(), "something was written: {left:?}");
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn what_cannot_be_used_is_refused_with_the_file_named_and_nothing_written() {
    for (name, word) in [
        ("x-empty.csv", "empty"),
        ("x-header-only.csv", "no table of numbers"),
        ("x-text.csv", "no table of numbers"),
        ("x-half-a-cycle.csv", "no whole cycle"),
        ("x-one-cycle.csv", "one whole cycle"),
        ("x-constant-travel.csv", "no whole cycle"),
        ("x-all-nan.csv", ""),
    ] {
        let (code, said) = refused(&in_tree("sample-runs").join(name));
        assert_eq!(code, 3, "{name}: {said}");
        assert!(said.contains(name), "{name}: {said}");
        assert!(said.contains(word), "{name}: {said}");
        assert!(said.contains("help"), "{name} says what to do: {said}");
    }
}

#[test]
fn a_missing_file_is_refused() {
    let (code, said) = refused(std::path::Path::new("no-such-run.csv"));
    assert_eq!(code, 3, "{said}");
    assert!(said.contains("no-such-run.csv"), "{said}");
}

#[test]
fn wrong_usage_is_exit_code_two() {
    for arguments in [
        &["analyze"][..],
        &["analyse", "x.csv"],
        &["analyze", "x.csv", "--units", "cubits"],
    ] {
        let output = loopwork().args(arguments).output().unwrap();
        assert_eq!(output.status.code(), Some(2), "{arguments:?}");
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn json_on_standard_output_is_alone_there() {
    let output = loopwork()
        .arg("analyze")
        .arg(in_tree("sample-runs/healthy-monotube.csv"))
        .args(["--no-report", "--json", "-"])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(0));
    let run: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(run["schema"], "loopwork.run/1");
    for key in [
        "tool",
        "source",
        "layout",
        "channels",
        "conventions",
        "sampling",
        "steps",
        "statics",
        "curve",
        "fits",
        "findings",
        "heat",
        "notes",
    ] {
        assert!(!run[key].is_null(), "{key} is missing");
    }
    let step = &run["steps"][0];
    for key in [
        "index",
        "cycles",
        "cycles_used",
        "stroke_m",
        "frequency_hz",
        "motion",
        "peak_velocity_m_s",
        "force_at_peak_velocity_n",
        "peak_force_n",
        "energy_per_cycle_j",
        "power_w",
        "equivalent_damping_n_s_m",
        "apparent_stiffness_n_m",
        "hysteresis",
        "lost_motion_m",
    ] {
        assert!(!step[key].is_null(), "steps[].{key} is missing");
    }
}

#[test]
fn a_place_that_cannot_be_written_is_exit_code_four() {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("in-the-way");
    fs::write(&file, "x").unwrap();
    let output = loopwork()
        .arg("analyze")
        .arg(in_tree("sample-runs/healthy-monotube.csv"))
        .args(["--no-report", "--quiet", "--json"])
        .arg(file.join("run.json"))
        .output()
        .unwrap();
    assert_eq!(
        output.status.code(),
        Some(4),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
}
