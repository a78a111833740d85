//! Real loops of a friction device with backlash (Coble, Huggins, Cao, Ricles & Downey 2022,
//! Dataset-Friction-Damper-with-Backlash, CC BY-SA 4.0; figures from the README kept beside
//! the data). Read in place; skipped where they are not.
#![allow(clippy::unwrap_used, reason = "helpers of tests")]

use loopwork::findings::Verdict;
use loopwork::run::Run;

use super::support::{loopwork, reference};

/// File, stroke in, frequency Hz, heat J, dead band in (top, bottom).
type Published = (&'static str, f64, f64, f64, (f64, f64));

const RUNS: [Published; 6] = [
    ("ds1_1.0hz_35lb_1.0in", 2.0112, 1.0, 880.15, (0.164, 0.171)),
    ("ds1_0.5hz_20lb_1.0in", 2.0156, 0.5, 391.61, (0.117, 0.121)),
    ("ds2_0.5hz_30lb_1.0in", 2.0121, 0.5, 829.85, (0.186, 0.190)),
    (
        "ds2_1.0hz_36lb_0.5in",
        1.0083,
        1.0001,
        512.34,
        (0.202, 0.212),
    ),
    (
        "ds2_2.0hz_36lb_0.5in",
        1.0152,
        1.9999,
        446.15,
        (0.175, 0.190),
    ),
    (
        "ds3_0.25hz_30lb_0.5in",
        1.0101,
        0.2499,
        407.39,
        (0.184, 0.201),
    ),
];

fn analysed(name: &str) -> Option<Run> {
    let file = reference("friction-damper")?.join(format!("{name}.csv"));
    let out = loopwork()
        .args(["analyze", "--no-report", "--quiet", "--json", "-"])
        .arg(file)
        .output()
        .unwrap();
    assert_eq!(
        out.status.code(),
        Some(0),
        "{name}: {}",
        String::from_utf8_lossy(&out.stderr)
    );
    Some(serde_json::from_slice(&out.stdout).unwrap())
}

/// The step at full stroke.
fn full(run: &Run) -> &loopwork::steps::Step {
    run.steps
        .iter()
        .max_by(|a, b| a.stroke_m.total_cmp(&b.stroke_m))
        .unwrap()
}

#[test]
fn stroke_frequency_and_heat_agree_with_the_published_table() {
    for (name, stroke, frequency, heat, _) in RUNS {
        let Some(run) = analysed(name) else { return };
        let step = full(&run);
        let off = |a: f64, b: f64| (a / b - 1.0).abs();
        assert!(
            off(step.stroke_m, stroke * 0.0254) < 0.005,
            "{name} stroke {}",
            step.stroke_m
        );
        assert!(
            off(step.frequency_hz, frequency) < 0.005,
            "{name} frequency {}",
            step.frequency_hz
        );
        let got = step.energy_per_cycle_j.mean;
        assert!(off(got, heat) < 0.01, "{name} heat {got} against {heat}");
    }
}

/// Backlash loses the same travel at both reversals and is no cavitation: there is no oil.
/// A good working diagram is smooth and has no stretch parallel to the zero line at the change of
/// direction (workshop manuals of 1970s cars, figures of the "checking shock absorbers on a
/// stand" section, read in public copies): these diagrams have one, at both ends.
#[test]
fn backlash_is_play_at_both_reversals_and_never_cavitation() {
    for (name, .., (top, bottom)) in RUNS {
        let Some(run) = analysed(name) else { return };
        let of = |kind: &str| run.findings.iter().find(|f| f.kind == kind).unwrap();
        let play = of("play");
        assert!(play.is_there(), "{name}: {play:?}");
        assert_eq!(
            of("cavitation").verdict,
            Verdict::None,
            "{name}: {:?}",
            of("cavitation")
        );
        let lost = &full(&run).lost_motion_m;
        for (end, lost, band) in [
            ("rebound", lost.rebound_gross.unwrap(), top),
            ("compression", lost.compression_gross.unwrap(), bottom),
        ] {
            // The dead band of the table ends at a quarter of the plateau, lost motion at half
            // of the expected force, which comes later.
            let band = band * 0.0254;
            assert!(
                lost > 0.7 * band && lost < 2.5 * band,
                "{name}: lost at the start of {end} {lost}, dead band {band}"
            );
        }
    }
}

#[test]
fn an_earthquake_record_is_refused_with_advice() {
    let Some(folder) = reference("friction-damper") else {
        return;
    };
    let out = loopwork()
        .args(["analyze", "--no-report", "--quiet", "--json", "-"])
        .arg(folder.join("ds2_earthquake_kocaeli_dbe.csv"))
        .output()
        .unwrap();
    assert_eq!(out.status.code(), Some(3));
    assert!(out.stdout.is_empty());
    let text = String::from_utf8(out.stderr).unwrap();
    assert!(text.contains("repeat") && text.contains("help"), "{text}");
}
