//! Adjusters, from files to the answer. The runs are reduced tables written here from laws
//! that the program does not know: what a needle, a dead end and a leak to the other
//! direction do is the truth the answer is held against.

use std::path::Path;

use serde_json::Value;

use crate::support::loopwork;

/// Speeds of the tables, m/s.
const SPEEDS: [f64; 5] = [0.05, 0.1, 0.26, 0.52, 1.04];

/// Compression that no adjuster touches, N.
fn compression(v: f64) -> f64 {
    120.0 + 700.0 * v.powf(0.8)
}

/// Rebound fully open, N.
fn rebound(v: f64) -> f64 {
    200.0 + 1500.0 * v.powf(0.7)
}

/// A needle that closes slowly: e-fold in six clicks.
fn needle(clicks: f64) -> f64 {
    1.0 + 0.8 * (-clicks / 6.0).exp()
}

/// A needle that does nothing from twelve clicks on.
fn dead_end(clicks: f64) -> f64 {
    1.0 + 0.6 * (12.0 - clicks).max(0.0) / 12.0
}

/// An error of one run, ±0.5 %, that follows no law: the digits of the golden section.
fn wobble(i: usize) -> f64 {
    0.005 * (2.0 * ((i as f64 + 1.0) * 0.618_033_988_75).fract() - 1.0)
}

/// One run's table; `label` stands above the header.
fn write(path: &Path, label: &str, i: usize, rebound_factor: f64, compression_factor: f64) {
    let mut text = format!("{label}\nvelocity (m/s),compression (N),rebound (N)\n");
    for v in SPEEDS {
        let run = 1.0 + wobble(i);
        text += &format!(
            "{v},{:.1},{:.1}\n",
            run * compression_factor * compression(v),
            -run * rebound_factor * rebound(v)
        );
    }
    std::fs::write(path, text).unwrap();
}

/// A sweep of settings under a law; `labelled` gives what the label says for a setting.
fn sweep(
    folder: &Path,
    settings: &[f64],
    law: impl Fn(f64) -> f64,
    leak: impl Fn(f64) -> f64,
    labelled: impl Fn(f64) -> f64,
) -> Vec<String> {
    settings
        .iter()
        .enumerate()
        .map(|(i, s)| {
            let path = folder.join(format!("run_R{s}.csv"));
            let label = format!("Rebound clicks: {}", labelled(*s));
            write(&path, &label, i, law(*s), leak(*s));
            path.display().to_string()
        })
        .collect()
}

fn run(files: &[String], more: &[&str]) -> (Option<i32>, String, String) {
    let output = loopwork()
        .arg("clicks")
        .args(files)
        .args(["--no-report"])
        .args(more)
        .output()
        .unwrap();
    (
        output.status.code(),
        String::from_utf8_lossy(&output.stdout).into_owned(),
        String::from_utf8_lossy(&output.stderr).into_owned(),
    )
}

/// Three speeds are enough for these tests.
const FEW: [&str; 2] = ["--speed", "0.1,0.52,1.04"];

fn json(files: &[String], more: &[&str]) -> Value {
    let mut all = vec!["--quiet", "--json", "-", FEW[0], FEW[1]];
    all.extend(more);
    let (code, out, err) = run(files, &all);
    assert_eq!(code, Some(0), "{err}");
    serde_json::from_str(&out).unwrap()
}

const SEVEN: [f64; 7] = [0.0, 3.0, 6.0, 9.0, 12.0, 15.0, 18.0];

fn same(x: f64) -> f64 {
    x
}

fn one(_: f64) -> f64 {
    1.0
}

/// What a click does, which direction, and the curve at a setting that was not run: within
/// 2 % of full scale of the law, and within its own interval.
#[test]
fn a_needle_is_told_and_read_between_its_clicks() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(folder.path(), &SEVEN, needle, one, same);
    let all = json(&files, &["--at", "Rebound clicks=7"]);
    assert_eq!(all["schema"], "loopwork.clicks/1");
    // Reduced tables tell neither gas nor friction, so forces are total and say so.
    assert_eq!(all["basis"], "total");
    let adjuster = &all["adjusters"][0];
    assert_eq!(adjuster["name"], "Rebound clicks");
    assert_eq!(adjuster["direction"], "rebound");
    assert_ne!(adjuster["cross"], "shown", "nothing moves compression");
    let fastest = adjuster["effect"]
        .as_array()
        .unwrap()
        .iter()
        .rfind(|e| e["direction"] == "rebound")
        .unwrap();
    let truth = -rebound(1.04) * (needle(18.0) - needle(0.0));
    let ends = fastest["range_ci95_n"].as_array().unwrap();
    assert!(ends[0].as_f64().unwrap() < truth && truth < ends[1].as_f64().unwrap());
    assert!((fastest["range_n"].as_f64().unwrap() / truth - 1.0).abs() < 0.05);
    let full = rebound(1.04) * needle(0.0);
    for point in all["at"]["rebound"].as_array().unwrap() {
        let v = point["velocity_m_s"].as_f64().unwrap();
        let Some(known) = SPEEDS.iter().find(|s| (**s - v).abs() < 1e-9) else {
            continue;
        };
        let truth = -rebound(*known) * needle(7.0);
        let found = point["total_n"].as_f64().unwrap();
        assert!((found - truth).abs() < 0.02 * full, "{v}: {found} {truth}");
        let ci = point["ci95_n"].as_array().unwrap();
        let (low, high) = (ci[0].as_f64().unwrap(), ci[1].as_f64().unwrap());
        assert!(low < truth && truth < high, "{v}: {low} {truth} {high}");
    }
}

/// Dead clicks are told to one step of the sweep, and none where there are none.
#[test]
fn dead_clicks_are_those_of_the_law() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(folder.path(), &SEVEN, dead_end, one, same);
    let all = json(&files, &[]);
    let adjuster = &all["adjusters"][0];
    assert_eq!(adjuster["dead"].as_array().unwrap().len(), 1, "{adjuster}");
    assert_eq!(adjuster["dead"][0]["from"], 12.0);
    assert_eq!(adjuster["dead"][0]["to"], 18.0);
    assert_eq!(adjuster["usable"]["to"], 12.0);
    let even = tempfile::tempdir().unwrap();
    let files = sweep(even.path(), &SEVEN, |c| 1.5 - c / 36.0, one, same);
    let all = json(&files, &[]);
    assert!(all["adjusters"][0]["dead"].as_array().unwrap().is_empty());
}

/// A leak of 8 % to the other direction is shown, with an interval that holds it.
#[test]
fn a_cross_effect_is_told_with_its_size() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(
        folder.path(),
        &SEVEN,
        needle,
        |c| 1.08 - 0.08 * c / 18.0,
        same,
    );
    let all = json(&files, &[]);
    let adjuster = &all["adjusters"][0];
    assert_eq!(adjuster["cross"], "shown");
    let held = adjuster["cross_effect"]
        .as_array()
        .unwrap()
        .iter()
        .any(|c| {
            let v = c["velocity_m_s"].as_f64().unwrap();
            let truth = -0.08 * compression(v);
            let ci = c["ci95_n"].as_array().unwrap();
            c["shown"] == true && ci[0].as_f64().unwrap() < truth && truth < ci[1].as_f64().unwrap()
        });
    assert!(held, "{}", adjuster["cross_effect"]);
}

/// One run labelled as another setting is pointed out by name.
#[test]
fn a_mislabelled_run_is_pointed_out() {
    let folder = tempfile::tempdir().unwrap();
    let swapped = |s: f64| if s == 3.0 { 10.0 } else { s };
    let files = sweep(folder.path(), &SEVEN, |c| 1.5 - c / 36.0, one, swapped);
    let (code, out, _) = run(&files, &FEW);
    assert_eq!(code, Some(0));
    assert!(
        out.contains("run_R3") && out.contains("does not go with the others"),
        "{out}"
    );
    let right = tempfile::tempdir().unwrap();
    let files = sweep(right.path(), &SEVEN, |c| 1.5 - c / 36.0, one, same);
    assert!(!run(&files, &FEW).1.contains("does not go with the others"));
}

/// Settings from names and from a table are the same as from labels.
#[test]
fn settings_come_from_names_and_tables_too() {
    let folder = tempfile::tempdir().unwrap();
    let settings = [0.0, 4.0, 8.0];
    let files = sweep(folder.path(), &settings, needle, one, same);
    let of = |all: &Value| all["adjusters"][0]["settings"].clone();
    let labels = json(&files, &[]);
    let names = json(&files, &["--from-name", "R{rebound}"]);
    assert_eq!(of(&labels), of(&names));
    let table = folder.path().join("sweep.csv");
    std::fs::write(
        &table,
        "file,rebound\nrun_R0.csv,0\nrun_R4.csv,4\nrun_R8.csv,8\n",
    )
    .unwrap();
    let table = table.display().to_string();
    let tabled = json(&files, &["--settings-table", &table]);
    assert_eq!(of(&labels), of(&tabled));
    assert_eq!(
        names["adjusters"][0]["effect"],
        tabled["adjusters"][0]["effect"]
    );
}

/// What cannot be used says which file and what to do, with the contract's exit codes.
#[test]
fn what_is_no_sweep_is_refused_with_what_to_do() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(folder.path(), &[0.0, 5.0, 10.0], needle, one, same);
    let refused = |files: &[String], more: &[&str], code: i32, words: [&str; 2]| {
        let (found, _, err) = run(files, more);
        assert_eq!(found, Some(code), "{err}");
        let flat = err.split_whitespace().collect::<Vec<_>>().join(" ");
        for word in words {
            assert!(flat.contains(word), "{word}: {flat}");
        }
    };
    refused(&files[..1], &[], 3, ["one setting", "six or more"]);
    refused(
        &files,
        &["--at", "Rebound clicks=11"],
        2,
        ["0 to 10", "run the damper"],
    );
    refused(
        &files,
        &["--at", "Bump=1"],
        2,
        ["\"Bump\"", "Rebound clicks"],
    );
    refused(
        &files,
        &["--at", "seven"],
        2,
        ["NAME=VALUE", "--at \"Rebound clicks=7\""],
    );
    refused(
        &files,
        &["--speed", "3"],
        3,
        ["3 m/s", "within what all runs measured"],
    );
    refused(
        &files,
        &["--from-name", "C{compression}"],
        3,
        ["run_R0.csv", "in braces"],
    );
    // No label at all; one file without the label the others have; all at one setting.
    let bare = folder.path().join("bare.csv");
    write(&bare, "Serial: 7", 9, 1.0, 1.0);
    let bare = bare.display().to_string();
    let other = folder.path().join("other.csv");
    write(&other, "Serial: 8", 8, 1.1, 1.0);
    let other = other.display().to_string();
    refused(
        &[bare.clone(), other],
        &[],
        3,
        ["Rebound clicks: 3", "file names or a table"],
    );
    refused(
        &[files[0].clone(), bare],
        &[],
        3,
        ["bare.csv", "number of clicks or turns"],
    );
    let again = tempfile::tempdir().unwrap();
    let alike = sweep(again.path(), &[0.0, 5.0], needle, one, |_| 4.0);
    refused(&alike, &[], 3, ["same setting", "two settings"]);
}

/// Two runs of one setting that differ by more than a run repeats are pointed out; two that
/// agree are told to.
#[test]
fn repeats_are_held_against_each_other() {
    for (factor, words) in [
        (1.08, "more than a run repeats"),
        (1.0, "no more than a run repeats"),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let mut files = sweep(folder.path(), &[0.0, 4.0, 8.0, 12.0], needle, one, same);
        let back = folder.path().join("back.csv");
        write(&back, "Rebound clicks: 4", 7, factor * needle(4.0), 1.0);
        files.push(back.display().to_string());
        let (code, out, _) = run(&files, &FEW);
        assert_eq!(code, Some(0));
        let flat = out.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(words), "{flat}");
    }
}

/// The report is written, and holds every adjuster's figure.
#[test]
fn the_report_holds_a_figure_of_each_direction() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(folder.path(), &[0.0, 4.0, 8.0, 12.0], needle, one, same);
    let report = folder.path().join("report");
    let status = loopwork()
        .arg("clicks")
        .args(&files)
        .args(FEW)
        .args(["--quiet", "--report", &report.display().to_string()])
        .output()
        .unwrap()
        .status;
    assert!(status.success());
    let page = std::fs::read_to_string(report.join("index.html")).unwrap();
    assert!(page.contains("What the adjusters do") && page.contains("Rebound clicks"));
    assert!(report.join("setting-0-rebound.png").exists() && report.join("fan-0.png").exists());
    let map = std::fs::read_to_string(report.join("map.csv")).unwrap();
    // Two directions, three speeds, thirteen whole clicks, a header.
    assert_eq!(map.lines().count(), 2 * 3 * 13 + 1);
}

/// Another damper that is this one at a setting that was not run: the setting is found to
/// half a click, its whole clicks meet it, and one far off is no neighbour as good.
#[test]
fn the_setting_that_meets_another_damper_is_found() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(folder.path(), &SEVEN, |c| 1.5 - c / 36.0, one, same);
    let other = folder.path().join("left.csv");
    write(&other, "Serial: 4", 11, 1.5 - 7.0 / 36.0, 1.0);
    let other = other.display().to_string();
    let all = json(&files, &["--to", &other]);
    let meets = &all["meets"];
    let found = meets["settings"]["Rebound clicks"].as_f64().unwrap();
    assert!((found - 7.0).abs() <= 0.5, "{found}");
    let ends = meets["ci95_settings"]["Rebound clicks"].as_array().unwrap();
    assert!(ends[0].as_f64().unwrap() <= 7.0 && 7.0 <= ends[1].as_f64().unwrap());
    let whole = meets["whole_clicks"]["settings"]["Rebound clicks"]
        .as_f64()
        .unwrap();
    assert!((whole - 7.0).abs() <= 1.0, "{whole}");
    assert_eq!(meets["verdict"], "within", "{meets}");
    assert!(meets["stops"].as_array().unwrap().is_empty());
    for near in meets["as_good"].as_array().unwrap() {
        assert!((near["Rebound clicks"].as_f64().unwrap() - 7.0).abs() <= 2.0);
    }
}

/// What no setting reaches is said, with the speeds that stop it, and `--fail-on` makes it the
/// exit code.
#[test]
fn what_cannot_be_reached_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let files = sweep(
        folder.path(),
        &[0.0, 4.0, 8.0, 12.0],
        |c| 1.5 - c / 36.0,
        one,
        same,
    );
    let other = folder.path().join("left.csv");
    write(&other, "Serial: 4", 11, 2.0, 1.0);
    let other = other.display().to_string();
    let more = [FEW[0], FEW[1], "--to", &other, "--fail-on", "outside"];
    let (code, out, err) = run(&files, &more);
    assert_eq!(code, Some(1), "{err}");
    let flat = out.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(
        flat.contains("cannot be reached within what was run"),
        "{flat}"
    );
    assert!(
        flat.contains("rebound at 1.04 m/s: wanted 3481 N"),
        "{flat}"
    );
    assert!(
        flat.contains("Rebound clicks at the end of what was run"),
        "{flat}"
    );
}

/// Two adjusters run one at a time about a middle: each is found on its own direction, the
/// others held at the middle, and what they do together is said to be taken as a sum. A
/// square of both lets the fit look for an interaction instead.
#[test]
fn two_adjusters_are_told_apart() {
    let folder = tempfile::tempdir().unwrap();
    let mut at = vec![(4, 0), (4, 4), (4, 8), (4, 12), (0, 4), (8, 4), (12, 4)];
    let law = |c: i32| 1.3 - f64::from(c) / 40.0;
    let make = |at: &[(i32, i32)]| -> Vec<String> {
        at.iter()
            .enumerate()
            .map(|(i, (r, c))| {
                let path = folder.path().join(format!("r{r}c{c}.csv"));
                let label = format!("Rebound clicks: {r}\nCompression clicks: {c}");
                write(&path, &label, i, law(*r), law(*c));
                path.display().to_string()
            })
            .collect()
    };
    let adds = |all: &Value| all["cautions"].to_string().contains("taken to add up");
    let all = json(&make(&at), &[]);
    assert_eq!(all["adjusters"][0]["direction"], "compression");
    assert_eq!(all["adjusters"][1]["direction"], "rebound");
    assert_eq!(all["reference"]["Rebound clicks"], 4.0);
    assert_eq!(all["reference"]["Compression clicks"], 4.0);
    for adjuster in all["adjusters"].as_array().unwrap() {
        assert_ne!(adjuster["cross"], "shown", "{adjuster}");
    }
    assert!(adds(&all));
    at.push((12, 12));
    assert!(!adds(&json(&make(&at), &[])));
}
