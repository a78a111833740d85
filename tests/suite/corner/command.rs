//! `loopwork corner` and `loopwork card corner` through the binary. Numbers with an id such as
//! A46 are rows of the check values, whose sources `values.rs` and `rows.rs` name.

use std::fs;
use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use serde_json::Value;

use crate::support::{in_tree, loopwork};

/// A card with one short road, so that a test takes seconds.
const SHORT: &str = "roads = [\"C\"]\nspeeds_m_s = [20]\nseconds = 120\n";
/// R1 of the check values: 22 N/mm, 300 kg, 40 kg, 200 N/mm at the wheel.
const R1: &str = "motion_ratio = 1.0\nwheel_rate_n_mm = 22\nsprung_kg = 300\nunsprung_kg = 40\n\
                  tyre_rate_n_mm = 200\n";

/// A sweep table of a linear damper of `c` N·s/m at the damper, without gas and friction.
fn linear(folder: &Path, name: &str, c: f64, ratio: f64) -> PathBuf {
    let mut text = String::from("Velocity (m/s),Compression force (N),Rebound force (N)\n");
    for i in 1..=30 {
        // Far beyond what any road below asks for: nothing leans on what is not measured.
        let v = 0.1 * f64::from(i) * ratio;
        text.push_str(&format!("{v:.12},{:.9},{:.9}\n", c * v, c * v));
    }
    let path = folder.join(name);
    fs::write(&path, text).unwrap();
    path
}

fn answer(run: &Path, card: &str, more: &[&str]) -> Value {
    let folder = tempfile::tempdir().unwrap();
    let shown = folder.path().join("card.toml");
    fs::write(&shown, card).unwrap();
    let output = loopwork()
        .arg("corner")
        .arg(run)
        .arg("--corner")
        .arg(&shown)
        .args(more)
        .args(["--no-report", "--json", "-"])
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}",
        String::from_utf8_lossy(&output.stderr)
    );
    serde_json::from_slice(&output.stdout).unwrap()
}

/// The linear damper of R1, 1600 N·s/m, on R1.
fn reference() -> &'static Value {
    static ANSWER: OnceLock<Value> = OnceLock::new();
    ANSWER.get_or_init(|| {
        let folder = tempfile::tempdir().unwrap();
        let run = linear(folder.path(), "linear.csv", 1600.0, 1.0);
        answer(&run, &format!("{R1}{SHORT}"), &[])
    })
}

fn number(value: &Value, path: &str) -> f64 {
    value
        .pointer(path)
        .and_then(Value::as_f64)
        .unwrap_or_else(|| panic!("no number at {path}"))
}

fn near(found: f64, expected: f64, share: f64, what: &str) {
    assert!(
        (found / expected - 1.0).abs() < share,
        "{what}: {found}, expected {expected}"
    );
}

fn refused(card: &str) -> (i32, String) {
    let folder = tempfile::tempdir().unwrap();
    let shown = folder.path().join("card.toml");
    fs::write(&shown, card).unwrap();
    let json = folder.path().join("out.json");
    let output = loopwork()
        .arg("corner")
        .arg(in_tree("sample-runs/revalve-before.csv"))
        .arg("--corner")
        .arg(&shown)
        .args(["--no-report", "--json"])
        .arg(&json)
        .output()
        .unwrap();
    assert!(!json.exists() && output.stdout.is_empty());
    (
        output.status.code().unwrap(),
        String::from_utf8(output.stderr).unwrap(),
    )
}

#[test]
fn the_printed_card_reads_back_with_every_key_it_offers() {
    let output = loopwork().args(["card", "corner"]).output().unwrap();
    assert!(output.status.success());
    let text = String::from_utf8(output.stdout).unwrap();
    let card = loopwork::corner::CornerCard::parse(&text).unwrap();
    // Wheel up 10 mm, damper in 7.5 mm, 40 N/mm: 22.5 N/mm at the wheel.
    assert_eq!(card.motion_ratio.at(0.0), 0.75);
    near(card.wheel_rate().unwrap(), 22_500.0, 1e-12, "wheel rate");
    // Each line that is commented out is a good line, too.
    for line in text.lines().filter_map(|l| l.strip_prefix("# ")) {
        let key = line.split(" = ").next().unwrap_or("");
        let is_key = line.contains(" = ")
            && key
                .chars()
                .all(|c| c.is_ascii_lowercase() || c == '_' || c.is_ascii_digit());
        if !is_key {
            continue;
        }
        let mut kept: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        let rival = match key {
            "motion_ratio" | "motion_ratio_table" => "damper_in_mm",
            "wheel_rate_n_mm" => "spring_rate_n_mm",
            _ => "none",
        };
        kept.retain(|l| !l.starts_with(rival));
        kept.push(line);
        let card = loopwork::corner::CornerCard::parse(&kept.join("\n"));
        assert!(card.is_ok(), "{line}: {:?}", card.err());
    }
}

#[test]
fn a_card_in_other_units_is_the_same_card() {
    let read = |text: &str| loopwork::corner::CornerCard::parse(text).unwrap();
    let si = read("motion_ratio = 0.8\nspring_rate_n_mm = 50\nsprung_kg = 300\nbump_mm = 50.8");
    // 1 lbf/in = 0.175126835 N/mm, 1 lb = 0.45359237 kg, 1 in = 25.4 mm (NIST SP 811, B.8).
    let us = read(&format!(
        "wheel_up_in = 2.0\ndamper_in_in = 1.6\nspring_rate_lb_in = {}\nsprung_lb = {}\nbump_in = 2.0",
        50.0 / 0.175_126_835_246,
        300.0 / 0.453_592_37
    ));
    near(
        us.spring_n_m.unwrap(),
        si.spring_n_m.unwrap(),
        1e-9,
        "spring",
    );
    near(us.sprung_kg.unwrap(), si.sprung_kg.unwrap(), 1e-12, "mass");
    near(us.bump_m.unwrap(), si.bump_m.unwrap(), 1e-12, "bump");
    near(us.motion_ratio.at(0.0), 0.8, 1e-12, "ratio");
}

#[test]
fn a_bad_card_is_refused_with_its_line_and_what_was_expected() {
    for (card, line, words) in [
        (
            "motion_ratio = 0.7\nsprung_kg = \"heavy\"\n",
            2,
            "expected a number",
        ),
        (
            "motion_ratio = 0.7\nsprung_kg = -3\n",
            2,
            "expected 2 to 20000",
        ),
        (
            "motion_ratio = 0.7\n\nsprong_kg = 300\n",
            3,
            "nearest: sprung_kg",
        ),
        ("motion_ratio = 1.4\n", 1, "is this the inverse"),
        ("motion_ratio = 0.7\ndamper_in_mm = 7\n", 2, "both given"),
        ("motion_ratio = 0.7\nroads = [\"A\", \"Q\"]\n", 2, "A to D"),
        (
            "motion_ratio = 0.7\nunsprung_kg = 300\nsprung_kg = 40\n",
            2,
            "swapped",
        ),
        (
            "motion_ratio = 0.7\nspring_rate_n_mm 40\n",
            2,
            "cannot be read",
        ),
    ] {
        let (code, said) = refused(card);
        assert_eq!(code, 3, "{card}: {said}");
        assert!(
            said.contains(&format!("card.toml:{line}")),
            "{card}: {said}"
        );
        assert!(said.contains(words), "{card}: {said}");
        assert!(said.contains("help"), "{card}: {said}");
    }
    let (code, said) = refused("sprung_kg = 300\n");
    assert_eq!(code, 3);
    assert!(
        said.contains("motion ratio") && said.contains("wheel up 10 mm"),
        "{said}"
    );
}

#[test]
fn wrong_usage_and_missing_files_have_their_codes() {
    let run = in_tree("sample-runs/revalve-before.csv");
    let code = |arguments: &[&str]| {
        let output = loopwork().args(arguments).output().unwrap();
        output.status.code()
    };
    let run = run.to_str().unwrap();
    assert_eq!(code(&["corner", run]), Some(2));
    assert_eq!(code(&["card", "moon"]), Some(2));
    assert_eq!(
        code(&["corner", run, "--corner", "no-such-card.toml"]),
        Some(3)
    );
}

#[test]
fn without_spring_and_masses_only_the_force_at_the_wheel_is_told_and_the_rest_has_a_reason() {
    let folder = tempfile::tempdir().unwrap();
    let run = linear(folder.path(), "linear.csv", 1600.0, 1.0);
    let told = answer(&run, "motion_ratio = 0.5\n", &[]);
    // F at the wheel = r·F(r·v) = r² c v (method of the corner, A07).
    for p in told["wheel_curve"]["compression"].as_array().unwrap() {
        let v = number(p, "/velocity_m_s");
        near(
            number(p, "/force_n"),
            0.25 * 1600.0 * v,
            1e-9,
            "force at the wheel",
        );
    }
    assert!(told["roads"].as_array().unwrap().is_empty());
    assert!(told["body_hz"].is_null() && told["critical_n_s_m"].is_null());
    for part in [
        "zeta",
        "body_hz",
        "hop_hz",
        "critical_n_s_m",
        "modes",
        "roads",
        "sine",
    ] {
        let why = told["why_not"][part].as_str().unwrap_or("");
        assert!(why.contains("leaves out"), "{part}: {why}");
    }
    assert!(
        !told["why_not"]["body_hz"]
            .as_str()
            .unwrap()
            .contains("tyre")
    );
}

#[test]
fn the_linear_reference_car_meets_its_published_and_closed_forms() {
    let told = reference();
    // corner-values A03 to A06, A14 to A17: by formula and by eigenvalues (scipy).
    near(number(told, "/body_hz"), 1.293_63, 1e-5, "body");
    near(number(told, "/hop_hz"), 11.856_78, 1e-5, "hop");
    near(number(told, "/undamped_hz/0"), 1.292_77, 1e-5, "mode 1");
    near(number(told, "/undamped_hz/1"), 11.864_63, 1e-5, "mode 2");
    near(number(told, "/modes/0/zeta"), 0.2690, 3e-4, "body mode");
    near(number(told, "/modes/1/zeta"), 0.2789, 3e-4, "wheel mode");
    for z in told["zeta"].as_array().unwrap() {
        for way in ["local", "secant", "equal_energy"] {
            for side in ["compression", "rebound", "both"] {
                let ratio = number(z, &format!("/{way}/{side}/value"));
                near(ratio, 0.3114, 2e-4, "damping ratio on wheel rate");
            }
        }
    }
    // Closed forms for white road velocity, class C at 20 m/s: heat k_t W/2 (A46), W_k-weighted
    // acceleration (A57, two independent ways).
    let (linearised, timed) = (&told["roads"][0], &told["roads"][1]);
    assert_eq!(linearised["level"], "linearised");
    assert_eq!(timed["level"], "time-domain");
    near(number(linearised, "/heat_w/value"), 101.06, 1e-4, "heat");
    near(
        number(linearised, "/weighted_acc/value"),
        1.2984,
        1e-3,
        "ride",
    );
    near(
        number(linearised, "/offset_m/value") + 1.0,
        1.0,
        1e-9,
        "no jacking of equal sides",
    );
    // The time domain agrees within three standard errors (the interval has two).
    for figure in [
        "body_acc",
        "weighted_acc",
        "tyre_load_sd",
        "travel_sd",
        "heat_w",
    ] {
        let value = number(timed, &format!("/{figure}/value"));
        let low = number(timed, &format!("/{figure}/ci95/0"));
        let expected = number(linearised, &format!("/{figure}/value"));
        let error = (value - low) / 1.96;
        assert!(
            (value - expected).abs() < 3.0 * error && error < 0.05 * value,
            "{figure}: {value} ± {error}, expected {expected}"
        );
    }
}

#[test]
fn a_ratio_with_curve_and_card_rescaled_gives_the_same_numbers() {
    // r = 0.5: the damper sees half the speed, so for the same force at the wheel its curve
    // is F/r at v·r.
    let folder = tempfile::tempdir().unwrap();
    let run = linear(folder.path(), "linear.csv", 6400.0, 0.5);
    let card = format!(
        "{}{SHORT}",
        R1.replace("motion_ratio = 1.0", "motion_ratio = 0.5")
    );
    let told = answer(&run, &card, &[]);
    for path in [
        "/modes/0/zeta",
        "/zeta/3/equal_energy/both/value",
        "/roads/0/body_acc/value",
    ] {
        near(number(&told, path), number(reference(), path), 1e-6, path);
    }
    // Half the speed at the damper, the same heat.
    let path = "/roads/0/damper_speed_sd/value";
    near(
        2.0 * number(&told, path),
        number(reference(), path),
        1e-6,
        path,
    );
    // Friction's ramp, and so the nodes, are those of the damper: the road differs only by
    // its step.
    near(
        number(&told, "/roads/1/heat_w/value"),
        number(reference(), "/roads/1/heat_w/value"),
        0.05,
        "heat in the time domain",
    );
}

#[test]
fn real_loops_keep_heat_momentum_and_shares_and_change_against_themselves_by_nothing() {
    let run = in_tree("sample-runs/revalve-before.csv");
    let card = format!("{R1}{SHORT}bump_mm = 60\ndroop_mm = 70\n").replace("= 1.0", "= 0.75");
    let told = answer(&run, &card, &["--against", run.to_str().unwrap()]);
    let (linearised, timed) = (&told["roads"][0], &told["roads"][1]);
    // The road puts k_t W/2 in, only the damper takes it out, whatever its curve (A46).
    let heat = number(timed, "/heat_w/value");
    let error = (heat - number(timed, "/heat_w/ci95/0")) / 1.96;
    assert!(
        (heat - 101.06).abs() < 3.0 * error && error < 6.0,
        "{heat} ± {error}"
    );
    // Rebound is the stronger: the body rides lower, in both levels.
    assert!(number(timed, "/offset_m/value") < 0.0 && number(linearised, "/offset_m/value") < 0.0);
    // The weighting takes away, never adds much, and the levels agree roughly.
    near(
        number(timed, "/weighted_acc/value"),
        number(linearised, "/weighted_acc/value"),
        0.1,
        "ride",
    );
    let bands = timed["speed_bands"].as_array().unwrap();
    for share in ["/share_time", "/share_heat"] {
        let sum: f64 = bands.iter().map(|b| number(b, share)).sum();
        near(sum, 1.0, 1e-9, share);
    }
    for z in told["zeta"].as_array().unwrap() {
        for way in ["local", "secant", "equal_energy"] {
            let ratio = &z[way]["both"];
            let value = number(ratio, "/value");
            assert!(number(ratio, "/ci95/0") < value && value < number(ratio, "/ci95/1"));
        }
    }
    // Before and after: the same file on the same road is no change at all, and is not told
    // as one.
    let change = &told["against"]["roads"][0];
    for figure in [
        "body_acc",
        "weighted_acc",
        "tyre_load_sd",
        "travel_sd",
        "offset_m",
        "heat_w",
    ] {
        assert_eq!(number(change, &format!("/{figure}/value")), 0.0, "{figure}");
        assert!(
            number(change, &format!("/{figure}/ci95/0")) < 0.0,
            "{figure}"
        );
    }
}

#[test]
fn the_same_seed_gives_the_same_bytes_and_us_units_the_same_numbers() {
    let folder = tempfile::tempdir().unwrap();
    let run = linear(folder.path(), "linear.csv", 1600.0, 1.0);
    let card = folder.path().join("card.toml");
    fs::write(&card, format!("{R1}{SHORT}").replace("120", "20")).unwrap();
    let output = |units: &str, json: bool| {
        let mut command = loopwork();
        command.arg("corner").arg(&run).arg("--corner").arg(&card);
        command.args(["--no-report", "--units", units]);
        if json {
            command.args(["--json", "-"]);
        }
        let output = command.output().unwrap();
        assert!(output.status.success());
        String::from_utf8(output.stdout).unwrap()
    };
    assert_eq!(output("si", true), output("us", true));
    let (si, us) = (output("si", false), output("us", false));
    assert!(
        si.contains("km/h") && si.contains("N·s/m") && !si.contains("mph"),
        "{si}"
    );
    // 22 N/mm = 125.6 lbf/in, 300 kg = 661.4 lb, 20 m/s = 44.7 mph (NIST SP 811, B.8).
    for words in ["126 lbf/in", "661 lb", "44.7", "mph"] {
        assert!(us.contains(words), "{words}: {us}");
    }
    assert!(!us.contains("km/h") && !us.contains(" N/mm"), "{us}");
}

#[test]
fn a_road_that_the_measurement_does_not_carry_is_left_out_with_the_reason() {
    let folder = tempfile::tempdir().unwrap();
    let slow = folder.path().join("slow.csv");
    // Measured to 0.05 m/s only, and falling at the end: carried on, it would feed energy in.
    let mut text = String::from("Velocity (m/s),Compression force (N),Rebound force (N)\n");
    for (v, f) in [
        (0.01, 20.0),
        (0.02, 40.0),
        (0.03, 55.0),
        (0.04, 60.0),
        (0.05, 57.0),
    ] {
        text.push_str(&format!("{v},{f},{f}\n"));
    }
    fs::write(&slow, text).unwrap();
    let told = answer(&slow, &format!("{R1}{SHORT}"), &[]);
    assert!(
        told["roads"].as_array().unwrap().is_empty(),
        "{}",
        told["roads"]
    );
    assert!(
        told["why_not"]["roads[]"]
            .as_str()
            .unwrap()
            .contains("measure faster")
    );
    assert!(!told["zeta"].as_array().unwrap().is_empty());
}

#[test]
fn the_page_holds_the_figures_tables_and_what_was_assumed() {
    let folder = tempfile::tempdir().unwrap();
    let before = linear(folder.path(), "before.csv", 1600.0, 1.0);
    let after = linear(folder.path(), "after.csv", 2000.0, 1.0);
    let card = folder.path().join("card.toml");
    fs::write(&card, format!("{R1}{SHORT}").replace("120", "20")).unwrap();
    let report = folder.path().join("report");
    let output = loopwork()
        .arg("corner")
        .arg(&before)
        .arg("--corner")
        .arg(&card)
        .arg("--against")
        .arg(&after)
        .arg("--report")
        .arg(&report)
        .output()
        .unwrap();
    assert!(output.status.success());
    for name in ["summary.png", "damping-ratio.png", "change.png"] {
        assert!(
            fs::metadata(report.join(name)).unwrap().len() > 1000,
            "{name}"
        );
    }
    let page = fs::read_to_string(report.join("index.html")).unwrap();
    let text = String::from_utf8(output.stdout).unwrap();
    for words in [
        "Damping ratio by wheel speed",
        "Change on the same road",
        "On the road, time domain",
        "forces of the table are taken as they are",
        "a quarter car knows nothing of pitch",
    ] {
        assert!(page.contains(&words.replace('\'', "&#39;")), "{words}");
        let flat = text.split_whitespace().collect::<Vec<_>>().join(" ");
        assert!(flat.contains(words), "{words}: {text}");
    }
    assert!(page.contains("mph") && page.contains("km/h"));
    // A linear damper a quarter firmer: 0.3114 and 0.3893.
    assert!(text.contains("0.311") && text.contains("0.078"), "{text}");
}

#[test]
fn a_measured_road_is_driven_beside_the_classes() {
    let folder = tempfile::tempdir().unwrap();
    let run = linear(folder.path(), "linear.csv", 1600.0, 1.0);
    let road = folder.path().join("lane.csv");
    // A sine of 20 m: at 20 m/s it shakes the corner at 1 Hz.
    let mut text = String::from("distance,height\n");
    for i in 0..4000 {
        let x = 0.25 * f64::from(i);
        text.push_str(&format!(
            "{x},{:.9}\n",
            0.01 * (std::f64::consts::TAU * x / 20.0).sin()
        ));
    }
    fs::write(&road, text).unwrap();
    let told = answer(
        &run,
        &format!("{R1}{SHORT}"),
        &["--road", road.to_str().unwrap()],
    );
    let lane = told["roads"]
        .as_array()
        .unwrap()
        .iter()
        .find(|r| r["class"] == "lane")
        .unwrap();
    // |z_s/z_r| of equation (7) at 1 Hz, by hand with complex numbers: body acceleration rms
    // is that times (2π)² · 0.01/√2.
    let (s2, w) = (-(std::f64::consts::TAU).powi(2), std::f64::consts::TAU);
    let link = num_complex(22_000.0, 1600.0 * w);
    let body = add(link, (300.0 * s2, 0.0));
    let wheel = add(link, (40.0 * s2 + 200_000.0, 0.0));
    let whole = add(times(body, wheel), times((-1.0, 0.0), times(link, link)));
    let size = |c: (f64, f64)| c.0.hypot(c.1);
    let ratio = size(link) * 200_000.0 / size(whole);
    let expected = ratio * w * w * 0.01 / std::f64::consts::SQRT_2;
    near(
        number(lane, "/body_acc/value"),
        expected,
        0.03,
        "body on a sine lane",
    );

    fs::write(&road, "distance,height\n0,0\n1,zero\n").unwrap();
    let card = folder.path().join("card.toml");
    fs::write(&card, R1).unwrap();
    let output = loopwork()
        .arg("corner")
        .arg(&run)
        .arg("--corner")
        .arg(&card)
        .arg("--road")
        .arg(&road)
        .arg("--no-report")
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(3), "{said}");
    assert!(said.contains("lane.csv:3"), "{said}");
}

fn num_complex(re: f64, im: f64) -> (f64, f64) {
    (re, im)
}

fn add(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0 + b.0, a.1 + b.1)
}

fn times(a: (f64, f64), b: (f64, f64)) -> (f64, f64) {
    (a.0 * b.0 - a.1 * b.1, a.0 * b.1 + a.1 * b.0)
}

#[test]
fn left_and_right_alike_do_not_roll_and_unlike_do() {
    let folder = tempfile::tempdir().unwrap();
    // A51_0.1 of the check values (Lyapunov and frequency integral): R1, c(1 ∓ 0.1).
    let left = linear(folder.path(), "left.csv", 1440.0, 1.0);
    let right = linear(folder.path(), "right.csv", 1760.0, 1.0);
    let card = format!("{R1}{SHORT}roll_inertia_kg_m2 = 181.5\ntrack_mm = 1500\n");
    let alike = answer(&left, &card, &["--other-side", left.to_str().unwrap()]);
    let p = &alike["pair"]["roads"][0];
    assert!(number(p, "/roll_acc") < 1e-9 && number(p, "/lean_m").abs() < 1e-9);
    assert_eq!(alike["pair"]["told_apart"], false);
    let unlike = answer(&left, &card, &["--other-side", right.to_str().unwrap()]);
    let p = &unlike["pair"]["roads"][0];
    near(
        number(p, "/mismatch/value"),
        0.1,
        1e-6,
        "mismatch: right the firmer",
    );
    // Two minutes of one road: roll, and the share of heave (0.2526 · 0.75 m / 1.5392).
    near(number(p, "/roll_acc"), 0.252_577, 0.15, "roll");
    near(
        number(p, "/roll_share_of_heave"),
        0.123_07,
        0.05,
        "roll of heave",
    );
    // Softer side: 826.12 N against firmer 796.46 N.
    assert!(number(p, "/load_change/0") > 0.0 && number(p, "/load_change/1") < 0.0);
    assert_eq!(unlike["pair"]["told_apart"], true);
}
