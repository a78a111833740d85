//! Side by side, from the command line and through the library.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failed step fails the test"
)]

use std::collections::BTreeMap;
use std::path::PathBuf;
use std::process::Output;
use std::sync::OnceLock;

use loopwork::compare::{
    CompareSettings, Comparison, DirectionComparison, Moved, Purpose, Verdict, compare,
    least_total, match_dampers,
};
use loopwork::ingest::{self, IntakeOptions};
use loopwork::pipeline::{Settings, analyse};
use loopwork::run::Run;
use loopwork::steps::Direction;
use loopwork::units::display::Shown;
use serde_json::Value;

use crate::support::{in_tree, loopwork};

/// Sample runs that the library tests use, analysed once.
const USED: [&str; 5] = [
    "healthy-monotube",
    "worn-monotube",
    "pair-left",
    "pair-right",
    "revalve-before",
];

fn runs() -> &'static BTreeMap<&'static str, Run> {
    static RUNS: OnceLock<BTreeMap<&'static str, Run>> = OnceLock::new();
    RUNS.get_or_init(|| {
        USED.iter()
            .map(|name| (*name, load(&PathBuf::from(sample(name)))))
            .collect()
    })
}

fn load(path: &PathBuf) -> Run {
    let recording = ingest::open(std::slice::from_ref(path), &IntakeOptions::default()).unwrap();
    analyse(recording, &Settings::default()).unwrap()
}

fn of(base: &str, others: &[&str], purpose: Purpose, settings: &CompareSettings) -> Comparison {
    let all = runs();
    let others: Vec<Run> = others.iter().map(|o| all[o].clone()).collect();
    compare(&all[base], &others, &[], purpose, settings)
}

/// The sample runs were all made equally warm.
fn with_tolerance(percent: f64) -> CompareSettings {
    CompareSettings {
        temperature_range_k: 0.0,
        tolerance_pct: Some(percent),
        ..CompareSettings::default()
    }
}

fn sample(name: &str) -> String {
    in_tree("sample-runs")
        .join(format!("{name}.csv"))
        .display()
        .to_string()
}

fn run(arguments: &[&str]) -> Output {
    loopwork().args(arguments).output().unwrap()
}

fn json(arguments: &[&str]) -> (Option<i32>, Value) {
    let mut all = arguments.to_vec();
    all.extend(["--no-report", "--quiet", "--json", "-"]);
    let output = run(&all);
    let value = serde_json::from_slice(&output.stdout)
        .unwrap_or_else(|e| panic!("{e}: {}", String::from_utf8_lossy(&output.stderr)));
    (output.status.code(), value)
}

/// A small reduced table, written to a file of its own.
fn table(text: &str) -> (tempfile::TempDir, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("table.csv");
    std::fs::write(&path, text).unwrap();
    let shown = path.display().to_string();
    (folder, shown)
}

/// The pair of the sample runs: every rebound pressure 4 % lower, so that rebound force is 4 %
/// to 6 % lower at driven speeds (gas force does not scale); compression alike.
#[test]
fn a_known_pair_is_told_direction_by_direction() {
    // A floor above what low forces scatter by, so that the percentage decides.
    let at = |pct: f64| {
        let settings = CompareSettings {
            tolerance_floor_n: 20.0,
            ..with_tolerance(pct)
        };
        of("pair-left", &["pair-right"], Purpose::Pair, &settings)
    };
    let wide = at(12.0);
    assert_eq!(wide.compression[0].verdict, Some(Verdict::Within));
    assert_eq!(wide.overall[0].verdict, Some(Verdict::Within));
    for (v, pct) in wide.grid_m_s.iter().zip(&wide.rebound[0].delta_pct) {
        if let Some(pct) = pct.filter(|_| *v > 0.08) {
            assert!((-5.5..=-4.0).contains(&pct), "{v} m/s: {pct} %");
        }
    }
    let narrow = at(2.0);
    assert_eq!(narrow.compression[0].verdict, Some(Verdict::Within));
    assert_eq!(narrow.rebound[0].verdict, Some(Verdict::Outside));
    assert_eq!(narrow.overall[0].verdict, Some(Verdict::Outside));
}

/// The answer stands first and is one: the descriptions in `sample-runs/specs` are the truth
/// (rebound bleed closed; worn: less oil pressure, more friction; rebound 4 % softer).
#[test]
fn the_answer_is_in_the_words_of_the_purpose() {
    let answer = |base, other, purpose, settings: &CompareSettings| {
        let all = of(base, &[other], purpose, settings);
        all.overall[0].answer.shown(Shown::Si)
    };
    let usual = CompareSettings::default();
    let worn = answer("healthy-monotube", "worn-monotube", Purpose::Wear, &usual);
    assert!(
        worn.starts_with("worn beyond the limits: compression is softer by up to "),
        "{worn}"
    );
    for part in ["friction +", "gas force −", "new: high friction"] {
        assert!(worn.contains(part), "{part}: {worn}");
    }
    let wide = answer(
        "pair-left",
        "pair-right",
        Purpose::Pair,
        &with_tolerance(15.0),
    );
    assert!(wide.starts_with("a pair within 15 %: "), "{wide}");
    let narrow = CompareSettings {
        tolerance_floor_n: 20.0,
        ..with_tolerance(2.0)
    };
    let narrow = answer("pair-left", "pair-right", Purpose::Pair, &narrow);
    assert!(
        narrow.starts_with("not a pair within 2 %: rebound is softer by up to "),
        "{narrow}"
    );
    let unsure = answer("pair-left", "pair-right", Purpose::Pair, &usual);
    assert!(
        unsure.starts_with("cannot tell whether they are a pair within 5 %"),
        "{unsure}"
    );
    let same = answer(
        "healthy-monotube",
        "healthy-monotube",
        Purpose::Revalve,
        &usual,
    );
    assert!(same.starts_with("nothing moved"), "{same}");
    let output = run(&[
        "compare",
        &sample("revalve-before"),
        &sample("revalve-after"),
        "--as",
        "revalve",
        "--no-report",
    ]);
    let said = String::from_utf8_lossy(&output.stdout).replace("\n  ", " ");
    assert!(said.contains("Rebound is firmer by "), "{said}");
    assert!(said.contains("at low speed (bleed)"), "{said}");
    assert!(said.contains("compression is unchanged"), "{said}");
}

/// A load cell zeroed otherwise, or more charge, shifts every force and the force at rest alike:
/// no part of the valves' curve moves, and the shift is told as one of force at rest.
#[test]
fn a_shift_at_rest_moves_no_valve() {
    let base = &runs()["pair-left"];
    for shift in [-80.0, 20.0, 60.0, 200.0] {
        let mut other = base.clone();
        other.source[0].sha256 = format!("{:064x}", 1);
        for direction in Direction::BOTH {
            let curve = &mut other.curve;
            for point in curve.peaks.get_mut(direction) {
                point.force_n += shift;
            }
            for cycles in curve.peak_cycles.get_mut(direction) {
                cycles.iter_mut().for_each(|c| c.1 += shift);
            }
            let full = match direction {
                Direction::Compression => &mut curve.compression,
                Direction::Rebound => &mut curve.rebound,
            };
            full.iter_mut().for_each(|p| p.total_force_n += shift);
        }
        let statics = other.statics.as_mut().unwrap();
        statics.gas_force_n = statics.gas_force_n.map(|n| n + shift);
        statics.ci95.gas_force_n = statics.ci95.gas_force_n.map(|c| c.map(|n| n + shift));
        let all = compare(
            base,
            &[other],
            &[],
            Purpose::Revalve,
            &CompareSettings::default(),
        );
        let found = &all.revalve[0];
        assert!(found.zones.iter().all(|z| z.hydraulic), "{shift} N");
        assert!(
            found.zones.iter().all(|z| z.moved != Moved::Moved),
            "{shift} N: {found:?}"
        );
        assert_eq!(found.main_direction, None, "{shift} N");
        for direction in Direction::BOTH {
            let part = all.get(direction)[0].hydraulic.as_ref().unwrap();
            assert!(part.delta_n.iter().flatten().all(|d| d.abs() < 1e-6));
        }
        let said = all.overall[0].answer.shown(Shown::Si);
        assert!(said.contains("force at rest"), "{shift} N: {said}");
        assert!(
            !said.contains("firmer") && !said.contains("softer"),
            "{said}"
        );
    }
}

/// Where gas pushes the rod out, slow rebound has a force that does not resist: percentages
/// keep the sign of the change all the same.
#[test]
fn percentages_have_the_sign_of_what_the_damper_resists() {
    let all = of(
        "healthy-monotube",
        &["worn-monotube"],
        Purpose::Wear,
        &CompareSettings::default(),
    );
    let mut pushed = 0;
    for direction in Direction::BOTH {
        let part = &all.get(direction)[0];
        for k in 0..all.grid_m_s.len() {
            if let (Some(base), Some(delta), Some(pct)) =
                (part.base_n[k], part.delta_n[k], part.delta_pct[k])
            {
                pushed += usize::from(direction.sign() * base < 0.0);
                let resisting = direction.sign() * delta;
                assert!((pct - 100.0 * resisting / base.abs()).abs() < 1e-9);
            }
        }
    }
    assert!(pushed > 0, "no speed where gas outweighs damping");
}

#[test]
fn arrays_run_along_the_grid_and_add_up() {
    let all = of(
        "healthy-monotube",
        &["worn-monotube"],
        Purpose::Wear,
        &CompareSettings::default(),
    );
    let n = all.grid_m_s.len();
    assert!(all.grid_m_s.windows(2).all(|w| w[0] < w[1]));
    for direction in Direction::BOTH {
        let part = &all.get(direction)[0];
        for length in [
            part.base_n.len(),
            part.other_n.len(),
            part.delta_n.len(),
            part.delta_pct.len(),
            part.ci95_n.len(),
            part.tolerance_n.len(),
            part.verdicts.len(),
        ] {
            assert_eq!(length, n);
        }
        for k in 0..n {
            if let (Some(b), Some(o), Some(d)) = (part.base_n[k], part.other_n[k], part.delta_n[k])
            {
                assert!((o - b - d).abs() < 1e-9);
                let [low, high] = part.ci95_n[k].unwrap();
                assert!(low < d && d < high);
                assert_eq!(b.signum(), if b == 0.0 { 0.0 } else { b.signum() });
            }
        }
    }
}

/// Nothing is read beyond what either was driven at.
#[test]
fn no_speed_beyond_the_measured_is_compared() {
    let all = of(
        "pair-left",
        &["healthy-monotube"],
        Purpose::Pair,
        &CompareSettings::default(),
    );
    let top = |name: &str, direction: Direction| {
        let peaks = runs()[name].curve.peaks.get(direction);
        peaks.iter().map(|p| p.velocity_m_s).fold(0.0, f64::max)
    };
    for direction in Direction::BOTH {
        let limit = top("pair-left", direction).min(top("healthy-monotube", direction));
        for (v, d) in all.grid_m_s.iter().zip(&all.get(direction)[0].delta_n) {
            assert!(d.is_none() || *v <= 1.01 * limit);
        }
    }
}

#[test]
fn a_damper_against_itself_differs_by_nothing() {
    for purpose in [Purpose::Pair, Purpose::Wear] {
        let all = of(
            "healthy-monotube",
            &["healthy-monotube"],
            purpose,
            &with_tolerance(0.01),
        );
        assert_eq!(all.overall[0].verdict, Some(Verdict::Within), "{purpose:?}");
        for direction in Direction::BOTH {
            assert!(
                all.get(direction)[0]
                    .delta_n
                    .iter()
                    .flatten()
                    .all(|d| *d == 0.0)
            );
        }
        assert!(all.cautions.iter().any(|c| c.code == "same-data"));
    }
}

fn mirrored(x: &DirectionComparison, y: &DirectionComparison) {
    for k in 0..x.delta_n.len() {
        assert_eq!(x.delta_n[k].map(|d| -d), y.delta_n[k]);
        match (x.ci95_n[k], y.ci95_n[k]) {
            (Some(a), Some(b)) => {
                assert!((a[0] + b[1]).abs() < 1e-9 && (a[1] + b[0]).abs() < 1e-9);
            }
            (a, b) => assert_eq!(a, b),
        }
    }
}

/// The two ways round: every difference changes its sign, every interval its ends. Any others
/// beside change nothing about one of them.
#[test]
fn the_order_of_files_changes_no_fact() {
    let settings = CompareSettings::default();
    for a in USED {
        for b in USED {
            let (one, two) = (
                of(a, &[b], Purpose::Pair, &settings),
                of(b, &[a], Purpose::Pair, &settings),
            );
            assert_eq!(one.grid_m_s, two.grid_m_s);
            for direction in Direction::BOTH {
                mirrored(&one.get(direction)[0], &two.get(direction)[0]);
            }
        }
    }
    let [base, a, b, c, _] = USED;
    let (one, two) = (
        of(base, &[a, b, c], Purpose::Wear, &settings),
        of(base, &[c, a, b], Purpose::Wear, &settings),
    );
    assert_eq!(one.grid_m_s, two.grid_m_s);
    for (i, j) in [(0, 1), (1, 2), (2, 0)] {
        assert_eq!(one.compression[i], two.compression[j]);
        assert_eq!(one.rebound[i], two.rebound[j]);
        assert_eq!(one.statics[i], two.statics[j]);
        assert_eq!(one.fits[i], two.fits[j]);
        assert_eq!(one.heat[i], two.heat[j]);
        assert_eq!(one.overall[i], two.overall[j]);
    }
}

/// A second run that repeats well narrows the intervals, one that does not widens them.
#[test]
fn repeats_of_the_base_move_the_intervals() {
    let all = runs();
    let width = |repeats: &[Run]| {
        let c = compare(
            &all["pair-left"],
            &[all["pair-right"].clone()],
            repeats,
            Purpose::Pair,
            &with_tolerance(5.0),
        );
        let ci = c.rebound[0]
            .ci95_n
            .iter()
            .flatten()
            .last()
            .copied()
            .unwrap();
        ci[1] - ci[0]
    };
    let stated = width(&[]);
    // Compression of the two is alike, rebound 4 % apart: as repeats of one damper, bad ones.
    assert!(width(&[all["pair-right"].clone()]) > 1.5 * stated);
    assert!(width(&[all["pair-left"].clone()]) < stated);
}

/// Least totals found by networkx 3.6.1, `min_weight_matching` (which pairs as many as it
/// can), on graphs of `n` vertices whose integer costs come from the rule below: vertices,
/// seed, share of edges kept in %, pairs, least total.
const NETWORKX: [(usize, i64, i64, usize, i64); 12] = [
    (9, 1, 100, 4, 617),
    (10, 2, 100, 5, 560),
    (12, 3, 60, 6, 1986),
    (15, 4, 100, 7, 583),
    (16, 5, 40, 8, 2013),
    (20, 6, 100, 10, 789),
    (21, 7, 30, 10, 2133),
    (24, 8, 100, 12, 461),
    (30, 9, 25, 15, 2346),
    (40, 10, 100, 20, 906),
    (51, 11, 100, 25, 706),
    (60, 12, 15, 30, 7799),
];

#[test]
fn the_pairing_is_as_good_as_a_reference_librarys() {
    /// Four turns of the minimal standard generator (Park & Miller 1988).
    fn scrambled(start: i64) -> i64 {
        (0..4).fold(start % 2_147_483_647, |x, _| x * 16_807 % 2_147_483_647)
    }
    for (n, seed, share, pairs, total) in NETWORKX {
        let price = |i: usize, j: usize| {
            let (i, j) = (i as i64, j as i64);
            let kept = scrambled(seed * 7919 + i * 104_729 + j * 1_299_709) % 100 < share;
            kept.then(|| scrambled(seed * 1_000_003 + i * 1009 + j * 9176) % 1000)
        };
        let found = least_total(n, |i, j| price(i, j).map(|c| c as f64));
        let sum: i64 = found.iter().map(|(i, j)| price(*i, *j).unwrap()).sum();
        assert_eq!((found.len(), sum), (pairs, total), "{n} vertices");
    }
}

#[test]
fn matching_names_the_leftover_whatever_the_order() {
    let settings = CompareSettings::default();
    let with = |names: &[&str]| {
        let picked: Vec<Run> = names.iter().map(|n| runs()[n].clone()).collect();
        match_dampers(
            &picked,
            &[],
            loopwork::compare::Mismatch::Largest,
            &settings,
        )
    };
    let one = with(&["pair-left", "pair-right", "worn-monotube"]);
    assert_eq!(
        (one.pairs[0].a.as_str(), one.pairs[0].b.as_str()),
        ("pair-left", "pair-right")
    );
    assert_eq!(one.unpaired, ["worn-monotube"]);
    assert_eq!(one, with(&["worn-monotube", "pair-left", "pair-right"]));
    assert_eq!(one, with(&["pair-right", "worn-monotube", "pair-left"]));
}

#[test]
fn axles_keep_dampers_apart() {
    let picked: Vec<Run> = ["pair-left", "pair-right"]
        .map(|n| runs()[n].clone())
        .to_vec();
    let axles = [Some("front".to_owned()), Some("rear".to_owned())];
    let found = match_dampers(
        &picked,
        &axles,
        loopwork::compare::Mismatch::Largest,
        &CompareSettings::default(),
    );
    assert!(found.pairs.is_empty());
    assert_eq!(found.unpaired.len(), 2);
}

// From the command line.

#[test]
fn fail_on_decides_the_exit_code_and_json_stands_alone() {
    let (left, right) = (sample("pair-left"), sample("pair-right"));
    // Both were made equally warm: without a channel, that must be said.
    let folder = tempfile::tempdir().unwrap();
    let limits = folder.path().join("limits.toml");
    std::fs::write(&limits, "temperature_range_k = 0\n").unwrap();
    let limits = limits.display().to_string();
    let narrow = [
        "compare",
        &left,
        &right,
        "--tolerance",
        "2",
        "--limits",
        &limits,
    ];
    let (code, all) = json(&narrow);
    assert_eq!(code, Some(0));
    assert_eq!(all["schema"], "loopwork.compare/1");
    assert_eq!(all["purpose"], "pair");
    assert_eq!(all["overall"][0]["verdict"], "outside");
    let mut failing = narrow.to_vec();
    failing.extend(["--fail-on", "outside"]);
    assert_eq!(json(&failing).0, Some(1));
    let output = run(&["compare", &left, &right, "--tolerance", "-1", "--no-report"]);
    assert_eq!(output.status.code(), Some(2));
}

#[test]
fn a_file_that_cannot_be_used_leaves_the_rest_done() {
    let (left, right) = (sample("pair-left"), sample("pair-right"));
    let bad = sample("x-text");
    let (code, all) = json(&["compare", &left, &bad, &right]);
    assert_eq!(code, Some(3));
    assert_eq!(all["others"].as_array().unwrap().len(), 1);
    let (code, all) = json(&["match", &left, &bad, &right]);
    assert_eq!(code, Some(3));
    assert_eq!(all["pairs"].as_array().unwrap().len(), 1);
    let output = run(&["compare", &left, &bad, "--no-report"]);
    assert_eq!(output.status.code(), Some(3));
    assert!(String::from_utf8_lossy(&output.stderr).contains("x-text.csv"));
}

/// A reduced table against a full run, one direction only, speeds that do not meet.
#[test]
fn tables_are_compared_as_far_as_they_go() {
    let full = sample("pair-left");
    let (_keep, both) = table(
        "velocity (m/s),compression (N),rebound (N)\n0.05,430,-360\n0.2,655,-1150\n0.5,890,-1760\n1.0,1450,-2980\n",
    );
    let (code, all) = json(&["compare", &full, &both]);
    assert_eq!(code, Some(0));
    let codes: Vec<&str> = all["cautions"]
        .as_array()
        .unwrap()
        .iter()
        .filter_map(|c| c["code"].as_str())
        .collect();
    assert!(codes.contains(&"table-and-run"), "{codes:?}");
    assert!(all["statics"][0]["friction_n"]["delta"].is_null());
    let (_keep, fast) = table(
        "velocity (m/s),compression (N),rebound (N)\n2,2000,-4000\n3,3000,-6000\n4,4000,-8000\n",
    );
    let (code, all) = json(&["compare", &full, &fast]);
    assert_eq!(code, Some(3));
    assert_eq!(all["overall"][0]["verdict"], "undecided");
}

#[test]
fn a_check_passes_fails_or_cannot_tell() {
    let file = sample("pair-left");
    let folder = tempfile::tempdir().unwrap();
    let spec = folder.path().join("spec.toml");
    let spec_shown = spec.display().to_string();
    let with = |text: &str| {
        std::fs::write(&spec, text).unwrap();
        json(&["check", &file, "--target", &spec_shown, "--serial", "A-17"])
    };
    // Forces of the run are some 899 N and 1777 N at half a metre a second.
    let (code, all) =
        with("[[compression]]\nvelocity = 0.51\nforce = 900\n[limits]\nfriction = { max = 60 }\n");
    assert_eq!((code, &all["verdict"]), (Some(0), &Value::from("pass")));
    assert_eq!(all["schema"], "loopwork.check/1");
    assert_eq!(all["sheet"]["serial"], "A-17");
    let (code, all) = with("[[rebound]]\nvelocity = 0.51\nforce = 2200\n");
    assert_eq!((code, &all["verdict"]), (Some(1), &Value::from("fail")));
    assert!(all["criteria"][0]["margin"].as_f64().unwrap() < 0.0);
    let (code, all) = with("[[rebound]]\nvelocity = 1.9\nforce = 2200\n");
    assert_eq!(
        (code, &all["verdict"]),
        (Some(1), &Value::from("undecided"))
    );
    assert!(all["criteria"][0]["value"].is_null());
    std::fs::write(&spec, "[[rebound]]\nvelocity = 0.5\nmin = 9\nmax = 3\n").unwrap();
    let output = run(&["check", &file, "--target", &spec_shown, "--no-report"]);
    assert_eq!(output.status.code(), Some(3));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains("cross") && said.contains("spec.toml"),
        "{said}"
    );
}
