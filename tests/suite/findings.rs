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

#[test]
fn a_monotube_short_of_gas_cavitates_in_compression() {
    let run = sample("low-gas-monotube");
    let f = finding(&run, "cavitation");
    assert_eq!(f.verdict, Verdict::Developed);
    assert_eq!(f.direction, Some(loopwork::findings::Side::Compression));
    // The damper with 1.5 bar first tears between 50 and 150 mm/s.
    let onset = f.onset_velocity_m_s.unwrap();
    assert!((0.05..0.25).contains(&onset), "{onset}");
    assert!(f.evidence.iter().any(|e| e.met && e.phase.is_some()));
}

#[test]
fn a_starved_twin_tube_loses_the_start_of_compression() {
    let run = sample("twin-tube-starved");
    let f = finding(&run, "cavitation");
    assert!(f.is_there());
    assert_eq!(f.direction, Some(loopwork::findings::Side::Rebound));
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
fn noise_that_hides_the_effect_leaves_it_open() {
    let mut spec = Spec::default();
    spec.sensors.force_noise_percent = 12.0;
    let run = of_spec(&spec);
    assert_eq!(finding(&run, "cavitation").verdict, Verdict::CannotTell);
    assert!(finding(&run, "sensor").is_there());
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

#[test]
fn the_docs_page_is_what_explain_says() {
    let path = in_tree("docs/findings.md");
    if std::env::var_os("LOOPWORK_BLESS").is_some() {
        std::fs::write(&path, page()).unwrap();
    }
    let kept = std::fs::read_to_string(&path).unwrap_or_default();
    assert!(
        kept.replace("\r\n", "\n") == page(),
        "docs/findings.md is out of date: run the test with LOOPWORK_BLESS=1"
    );
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
    assert!(text.lines().all(|l| l.chars().count() <= 110), "{text}");
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
