//! Findings through the library and the binary: what they say of sample runs, the texts
//! people read, thresholds from a settings file.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use std::fmt::Write as _;

use loopwork::findings::{Finding, RULES, Verdict};
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::Recording;
use loopwork::run::Run;
use loopwork::simulate::{Spec, from_toml, run};

use super::support::{in_tree, loopwork};

fn of_spec(spec: &Spec) -> Run {
    let sim = run(spec).unwrap();
    let mut settings = Settings::default();
    settings.resampling.replicates = 9;
    analyse(Recording::Samples(Box::new(sim.stream())), &settings).unwrap()
}

fn sample(name: &str) -> Run {
    let path = in_tree("sample-runs/specs").join(format!("{name}.toml"));
    let text = std::fs::read_to_string(path).unwrap();
    of_spec(&from_toml(&text, name).unwrap())
}

fn finding<'r>(run: &'r Run, kind: &str) -> &'r Finding {
    run.findings.iter().find(|f| f.kind == kind).unwrap()
}

fn there(run: &Run) -> Vec<&str> {
    run.findings
        .iter()
        .filter(|f| f.is_there())
        .map(|f| f.kind.as_str())
        .collect()
}

#[test]
fn a_healthy_damper_is_left_alone() {
    for name in ["healthy-monotube", "twin-tube-healthy"] {
        let run = sample(name);
        assert!(there(&run).is_empty(), "{name}: {:?}", there(&run));
    }
}

/// Speeds of the steps, slowest first, and whether a void changes force there by 15 % of half
/// the peak-to-peak force, by the simulated truth.
fn truth(name: &str) -> Vec<(f64, bool)> {
    let path = in_tree("sample-runs/specs").join(format!("{name}.toml"));
    let text = std::fs::read_to_string(path).unwrap();
    let sim = run(&from_toml(&text, name).unwrap()).unwrap();
    let mut steps: Vec<(f64, bool)> = sim
        .truth
        .steps
        .iter()
        .map(|s| (s.peak_velocity_m_s.compression, s.void_share >= 0.15))
        .collect();
    steps.sort_by(|a, b| a.0.total_cmp(&b.0));
    steps
}

/// Places of the true first speed and the one named, among the steps.
fn onset_places(name: &str, finding: &Finding) -> (usize, usize) {
    let steps = truth(name);
    let named = finding.onset_velocity_m_s.unwrap();
    let place = steps
        .iter()
        .enumerate()
        .min_by(|a, b| (a.1.0 - named).abs().total_cmp(&(b.1.0 - named).abs()))
        .unwrap()
        .0;
    (steps.iter().position(|s| s.1).unwrap(), place)
}

#[test]
fn a_monotube_short_of_gas_cavitates_in_compression() {
    let run = sample("low-gas-monotube");
    let f = finding(&run, "cavitation");
    assert_eq!(f.verdict, Verdict::Developed);
    assert_eq!(f.direction, Some(loopwork::findings::Side::Compression));
    let (first, named) = onset_places("low-gas-monotube", f);
    assert!(first.abs_diff(named) <= 1, "step {named}, true {first}");
    assert!(f.evidence.iter().any(|e| e.met && e.phase.is_some()));
}

#[test]
fn a_starved_twin_tube_loses_the_start_of_compression() {
    let run = sample("twin-tube-starved");
    let f = finding(&run, "cavitation");
    assert!(f.is_there());
    assert_eq!(f.direction, Some(loopwork::findings::Side::Rebound));
    let (first, named) = onset_places("twin-tube-starved", f);
    assert!(first.abs_diff(named) <= 1, "step {named}, true {first}");
}

#[test]
fn play_is_play_and_not_cavitation() {
    let run = sample("mount-play");
    let play = finding(&run, "play");
    assert_eq!(play.verdict, Verdict::Developed);
    assert_eq!(play.direction, Some(loopwork::findings::Side::Both));
    assert!(!finding(&run, "cavitation").is_there());
}

#[test]
fn air_churned_in_goes_soft_at_both_ends_and_is_no_void() {
    let mut spec = Spec {
        model: loopwork::simulate::Model::TwinTube,
        ..Spec::default()
    };
    let text =
        std::fs::read_to_string(in_tree("sample-runs/specs/twin-tube-healthy.toml")).unwrap();
    spec.damper = from_toml(&text, "twin-tube-healthy").unwrap().damper;
    spec.damper.charge_bar = 4.0;
    spec.motion.speeds_mm_s = vec![100.0, 200.0, 300.0, 400.0];
    spec.motion.cycles = 10;
    spec.motion.slow_cycles = 3;
    spec.faults.air_per_cycle_percent = 0.25;
    spec.faults.air_limit_percent = 20.0;
    let share = run(&spec)
        .unwrap()
        .truth
        .steps
        .iter()
        .map(|s| s.void_share)
        .fold(0.0, f64::max);
    assert!(share < 0.01, "the test is about air alone: {share}");
    let run = of_spec(&spec);
    assert!(
        finding(&run, "aeration").is_there(),
        "{:?}",
        finding(&run, "aeration")
    );
    assert!(
        !finding(&run, "cavitation").is_there(),
        "{:?}",
        finding(&run, "cavitation")
    );
}

#[test]
fn noise_that_hides_the_effect_leaves_it_open() {
    let mut spec = Spec::default();
    spec.sensors.force_noise_percent = 12.0;
    let run = of_spec(&spec);
    assert_eq!(finding(&run, "cavitation").verdict, Verdict::CannotTell);
    let sensor = finding(&run, "sensor");
    assert!(sensor.is_there(), "{sensor:?}");
}

#[test]
fn one_speed_alone_leaves_cavitation_open() {
    let mut spec = Spec::default();
    spec.motion.speeds_mm_s = vec![400.0];
    spec.motion.slow_at = loopwork::simulate::SlowAt::None;
    let run = of_spec(&spec);
    let f = finding(&run, "cavitation");
    assert_eq!(f.verdict, Verdict::CannotTell);
    assert!(f.advice.contains("one speed"), "{}", f.advice);
}

#[test]
fn a_clipped_load_cell_is_named() {
    let mut spec = Spec::default();
    spec.sensors.force_clip_n = 1500.0;
    let run = of_spec(&spec);
    let f = finding(&run, "sensor");
    assert_eq!(f.verdict, Verdict::Developed);
    assert!(f.advice.contains("limit"), "{}", f.advice);
}

#[test]
fn lost_motion_is_net_of_the_slow_step() {
    let mut spec = Spec::default();
    spec.damper.charge_bar = 0.3;
    spec.damper.compression.opening_bar = 0.2;
    spec.damper.compression.bleed_area_mm2 = 60.0;
    spec.faults.play_mm = 1.0;
    spec.motion.slow_cycles = 4;
    let run = of_spec(&spec);
    for step in &run.steps {
        let lost = &step.lost_motion_m;
        let (net, gross) = (lost.rebound_start.unwrap(), lost.rebound_gross.unwrap());
        let base = lost.rebound_baseline.unwrap();
        assert!((net - (gross - base).max(0.0)).abs() < 1e-12);
    }
    let slow = run.steps.iter().find(|s| s.top_speed() < 0.015).unwrap();
    assert!(slow.lost_motion_m.rebound_start.unwrap() < 1e-9);
    assert!(slow.lost_motion_m.rebound_gross.unwrap() > 2e-4);
}

/// A good working diagram is smooth and has no stretch parallel to the zero line at the change
/// of direction (workshop manuals of 1970s cars, "checking shock absorbers on a stand", public
/// copies; common practice): at no reversal of a good one does force stay away for more than
/// a hundredth of the stroke, and in the faulty ones it does.
#[test]
fn a_good_diagram_has_no_stretch_parallel_to_the_zero_line() {
    let longest = |name: &str| {
        let run = sample(name);
        run.steps
            .iter()
            .flat_map(|s| {
                let lost = &s.lost_motion_m;
                [lost.compression_gross, lost.rebound_gross].map(|l| l.unwrap() / s.stroke_m)
            })
            .fold(0.0, f64::max)
    };
    for name in [
        "healthy-monotube",
        "twin-tube-healthy",
        "pair-left",
        "pair-right",
    ] {
        assert!(longest(name) < 0.012, "{name}: {}", longest(name));
    }
    for name in ["low-gas-monotube", "twin-tube-starved", "mount-play"] {
        assert!(longest(name) > 0.018, "{name}: {}", longest(name));
    }
}

/// Friction on a 20 mm stroke below 5 mm/s is to be at most 55 N (a maker's public technical
/// requirements, 2019, following the Chinese standard for car dampers).
#[test]
fn friction_is_held_against_the_limit_of_a_slow_stroke() {
    let verdict = |newtons: f64| {
        let mut spec = Spec::default();
        spec.friction.sliding_n = newtons;
        spec.motion.slow_stroke_mm = 20.0;
        spec.motion.slow_mm_s = 4.9;
        spec.motion.slow_cycles = 3;
        spec.motion.speeds_mm_s = vec![100.0, 300.0];
        let run = of_spec(&spec);
        let friction = run.statics.as_ref().unwrap().friction_n.unwrap();
        assert!((friction - newtons).abs() < 3.0, "{friction} of {newtons}");
        finding(&run, "high-friction").verdict
    };
    assert_eq!(verdict(45.0), Verdict::None);
    assert!(verdict(70.0) >= Verdict::Onset);
    assert_eq!(verdict(140.0), Verdict::Developed);
}

/// The page that lists every threshold.
fn settings_page() -> String {
    let file = loopwork::cli::load::SettingsFile::default();
    format!(
        "# Settings\n\nA settings file (`--settings FILE.toml`) holds thresholds of your own. Every table and every line may be left \
out; a name that is\nnot known is refused. These are the defaults; what each means and why it has its value is in the\nfinding's file \
in `src/findings/`, what the finding means in [findings.md](findings.md). Units: SI, shares\nas ratios. \
`LOOPWORK_BLESS=1 cargo test --test suite findings` writes this page anew.\n\n```toml\n{}```\n",
        toml::to_string(&file).unwrap()
    )
}

#[test]
fn the_settings_page_lists_every_threshold() {
    kept_page("docs/settings.md", &settings_page());
    let text = settings_page();
    let toml = text
        .split("```toml\n")
        .nth(1)
        .unwrap()
        .trim_end_matches("```\n");
    let back: loopwork::cli::load::SettingsFile = toml::from_str(toml).unwrap();
    assert_eq!(back, loopwork::cli::load::SettingsFile::default());
}

/// The page that `explain` and docs share.
fn page() -> String {
    let mut out = String::from(
        "# Findings\n\nWhat `loopwork analyze` looks for. This page is made from the same text that `loopwork explain NAME`\n\
prints; `LOOPWORK_BLESS=1 cargo test --test suite findings` writes it anew.\n\n\
Each finding has a verdict: `none` (looked for and not there), `onset`, `developed`, or `cannot-tell` with\n\
the reason. It lists its evidence with number, unit and threshold. How well causes are told apart was\n\
measured: see [methods/findings.md](methods/findings.md).\n",
    );
    for rule in RULES {
        let e = rule.explanation;
        let _ = write!(
            out,
            "\n## {}\n\n{}.\n\n**What it means.** {}\n\n**How it is seen.** {}\n\n**What else looks like it.** {}\n\n\
**What to check next.** {}\n",
            rule.name,
            sentence(rule.line),
            e.means,
            e.seen,
            e.alike,
            e.next
        );
    }
    out
}

fn sentence(line: &str) -> String {
    let mut letters = line.chars();
    letters
        .next()
        .map(|c| c.to_uppercase().chain(letters).collect())
        .unwrap_or_default()
}

/// Compares a generated page with the one kept, or writes it when asked to.
fn kept_page(name: &str, page: &str) {
    let path = in_tree(name);
    if std::env::var_os("LOOPWORK_BLESS").is_some() {
        std::fs::write(&path, page).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept.replace("\r\n", "\n") == page,
        "{name} is out of date: run the test with LOOPWORK_BLESS=1"
    );
}

#[test]
fn the_docs_page_is_what_explain_says() {
    kept_page("docs/findings.md", &page());
}

#[test]
fn explain_lists_all_and_tells_one() {
    let out = loopwork().arg("explain").output().unwrap();
    assert_eq!(out.status.code(), Some(0));
    let text = String::from_utf8(out.stdout).unwrap();
    for rule in RULES {
        assert!(text.contains(rule.name), "{}", rule.name);
    }
    let out = loopwork().args(["explain", "Cavitation"]).output().unwrap();
    assert_eq!(out.status.code(), Some(0));
    let text = String::from_utf8(out.stdout).unwrap();
    for part in [
        "What it means",
        "How it is seen",
        "What else looks like it",
        "What to check next",
    ] {
        assert!(text.contains(part));
    }
    assert!(text.lines().all(|l| l.chars().count() <= 80), "{text}");
}

#[test]
fn an_unknown_name_gets_the_nearest_one() {
    let out = loopwork().args(["explain", "cavitaton"]).output().unwrap();
    assert_eq!(out.status.code(), Some(2));
    let text = String::from_utf8(out.stderr).unwrap();
    assert!(text.contains("did you mean `cavitation`"), "{text}");
}

#[test]
fn thresholds_can_be_set_and_a_misspelt_one_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let file = dir.path().join("mine.toml");
    let healthy = in_tree("sample-runs/healthy-monotube.csv");
    let analyse = || {
        loopwork()
            .args([
                "analyze",
                "--no-report",
                "--quiet",
                "--json",
                "-",
                "--settings",
            ])
            .arg(&file)
            .arg(&healthy)
            .output()
            .unwrap()
    };
    std::fs::write(&file, "[findings.high-friction]\nfriction_n = 12.0\n").unwrap();
    let out = analyse();
    assert_eq!(out.status.code(), Some(0));
    let run: Run = serde_json::from_slice(&out.stdout).unwrap();
    assert!(finding(&run, "high-friction").is_there());
    std::fs::write(&file, "[findings.high-friction]\nfricton_n = 12.0\n").unwrap();
    let out = analyse();
    assert_eq!(out.status.code(), Some(2));
    let text = String::from_utf8(out.stderr).unwrap();
    assert!(
        text.contains("friction_n") && text.contains("mine.toml"),
        "{text}"
    );
}

#[test]
fn a_card_with_bore_and_rod_gives_the_gas_margin() {
    let dir = tempfile::tempdir().unwrap();
    let card = dir.path().join("card.toml");
    std::fs::write(
        &card,
        "bore_mm = 46.0\nrod_mm = 14.0\ngas_charge_bar = 16.0\nkind = \"monotube\"\n",
    )
    .unwrap();
    let margin = |name: &str| {
        let out = loopwork()
            .args([
                "analyze",
                "--no-report",
                "--quiet",
                "--json",
                "-",
                "--damper",
            ])
            .arg(&card)
            .arg(in_tree("sample-runs").join(name))
            .output()
            .unwrap();
        assert_eq!(out.status.code(), Some(0));
        let run: Run = serde_json::from_slice(&out.stdout).unwrap();
        let low_gas = finding(&run, "low-gas").verdict;
        (run.gas_margin.unwrap(), low_gas)
    };
    let (healthy, low_gas) = margin("healthy-monotube.csv");
    assert!(healthy.margin > 1.3, "{healthy:?}");
    assert!(healthy.needed_charge_pa < 16e5);
    assert_eq!(low_gas, Verdict::None);
    let (short, low_gas) = margin("low-gas-monotube.csv");
    assert!(short.margin < 1.1, "{short:?}");
    assert_eq!(low_gas, Verdict::Developed);
}

/// A load cell at its limit: the description clips at 1500 N, which rebound of this damper
/// exceeds and compression does not.
#[test]
fn a_clipped_load_cell_is_a_finding_with_places_and_level() {
    let place = tempfile::tempdir().unwrap();
    let (spec, file) = (
        place.path().join("clip.toml"),
        place.path().join("clip.csv"),
    );
    let text = std::fs::read_to_string(in_tree("sample-runs/specs/healthy-monotube.toml")).unwrap();
    assert!(text.contains("[sensors]"));
    let text = text.replace("[sensors]", "[sensors]\nforce_clip_n = 1500.0");
    std::fs::write(&spec, text).unwrap();
    let made = loopwork()
        .arg("simulate")
        .arg(&spec)
        .arg("--out")
        .arg(&file)
        .output()
        .unwrap();
    assert!(made.status.success());
    let output = loopwork()
        .arg("analyze")
        .arg(&file)
        .args(["--no-report", "--quiet", "--json", "-"])
        .output()
        .unwrap();
    let run: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    let clipped = run["sampling"]["clipped"].as_array().unwrap();
    assert_eq!(clipped.len(), 1, "{clipped:?}");
    assert_eq!(clipped[0]["channel"], "force");
    let level = clipped[0]["level"].as_f64().unwrap();
    assert!((level + 1500.0).abs() < 1.0, "{level}");
    let findings = run["findings"].as_array().unwrap();
    let sensor = findings.iter().find(|f| f["kind"] == "sensor").unwrap();
    assert_eq!(sensor["verdict"], "developed", "{sensor}");
    let evidence = sensor["evidence"].as_array().unwrap();
    let places = evidence
        .iter()
        .find(|e| e["what"] == "places where force is cut off flat")
        .unwrap();
    assert_eq!(places["met"], true);
    assert_eq!(places["value"], clipped[0]["places"].as_f64().unwrap());
    let said = sensor["advice"].as_str().unwrap();
    assert!(said.contains("cut off flat"), "{said}");
    // The page and the terminal say it where they say what was read.
    let output = loopwork()
        .arg("analyze")
        .arg(&file)
        .arg("--no-report")
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout).replace("\n  ", " ");
    assert!(said.contains("Force is cut off flat at"), "{said}");
}

/// A card with a slip of a decimal mark, a sign or a unit is refused with its line.
#[test]
fn a_card_that_cannot_be_is_refused_with_its_line() {
    let dir = tempfile::tempdir().unwrap();
    let card = dir.path().join("card.toml");
    for (text, key, line) in [
        ("bore_mm = 46.0\nrod_mm = -14.0\n", "rod_mm", 2),
        ("rod_mm = 0\nbore_mm = 46.0\n", "rod_mm", 1),
        ("name = \"x\"\nrod_mm = 50.0\nbore_mm = 46.0\n", "rod_mm", 2),
        ("rod_mm = 0.55\n", "rod_mm", 1),
        (
            "rod_mm = 14.0\ngas_charge_bar = 200.0\n",
            "gas_charge_bar",
            2,
        ),
    ] {
        std::fs::write(&card, text).unwrap();
        let out = loopwork()
            .args(["analyze", "--no-report", "--damper"])
            .arg(&card)
            .arg(in_tree("sample-runs/healthy-monotube.csv"))
            .output()
            .unwrap();
        assert_eq!(out.status.code(), Some(3), "{text}");
        let said = String::from_utf8(out.stderr).unwrap();
        assert!(
            said.contains(key) && said.contains(&format!("card.toml:{line}")),
            "{text}: {said}"
        );
    }
}
