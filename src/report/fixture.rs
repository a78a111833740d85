//! A hand-made run to render in tests: ten sine steps of a digressive damper with gas,
//! friction and a void at the start of rebound at high speed. The numbers are not an
//! analysis of anything.

use std::collections::BTreeMap;
use std::f64::consts::TAU;

use crate::cards::DamperCard;
use crate::curves::{Curve, CurvePoint, PeakPoint};
use crate::cycles::PHASES;
use crate::findings::{Evidence, Finding, Side, Verdict};
use crate::fits::{Candidate, Fit, Knee, Piece};
use crate::heat::{Heat, StepHeat, Temperature};
use crate::recording::{
    Certainty, Channel, Clipped, Conventions, Dropped, Layout, Polarity, Role, Sampling, SourceFile,
};
use crate::run::{RUN_SCHEMA, Run, Tool};
use crate::statics::{Statics, StaticsIntervals};
use crate::steps::{
    CycleSummary, Direction, Energy, Fold, Hysteresis, LostMotion, Motion, PerDirection, Spread,
    StartEnd, Step,
};

const KNEE: PerDirection<f64> = PerDirection {
    compression: 0.13,
    rebound: 0.10,
};
const LOW: PerDirection<f64> = PerDirection {
    compression: 4200.0,
    rebound: 8800.0,
};
const HIGH: PerDirection<f64> = PerDirection {
    compression: 640.0,
    rebound: 980.0,
};
const GAS: f64 = 180.0;
const FRICTION: f64 = 35.0;

fn resisting(direction: Direction, speed: f64) -> f64 {
    let (k, a, b) = (KNEE.get(direction), LOW.get(direction), HIGH.get(direction));
    a * speed.min(*k) + b * (speed - k).max(0.0)
}

fn force(x: f64, v: f64) -> f64 {
    let direction = if v >= 0.0 {
        Direction::Compression
    } else {
        Direction::Rebound
    };
    GAS + 900.0 * x
        + v.signum() * FRICTION * (v.abs() / 0.004).min(1.0)
        + direction.sign() * resisting(direction, v.abs())
}

fn fold(stroke: f64, frequency: f64) -> Fold {
    let amplitude = stroke / 2.0;
    let mut fold = Fold {
        turn_phase: 0.5,
        ..Fold::default()
    };
    for i in 0..PHASES {
        let phase = i as f64 / PHASES as f64;
        let v = amplitude * TAU * frequency * (TAU * phase).sin();
        let x = -amplitude * (TAU * phase).cos();
        let mut f = force(x, v);
        if (0.5..0.62).contains(&phase) && frequency > 2.5 {
            f = GAS;
        }
        fold.travel.push(x);
        fold.velocity.push(v);
        fold.force.push(f);
        fold.force_sd.push(4.0);
    }
    fold
}

fn step(index: usize, frequency: f64) -> Step {
    let stroke = 0.05;
    let fold = fold(stroke, frequency);
    let speed = stroke / 2.0 * TAU * frequency;
    let energy: f64 = (0..PHASES)
        .map(|i| {
            let j = (i + 1) % PHASES;
            (fold.travel[j] - fold.travel[i]) * (fold.force[i] + fold.force[j]) / 2.0
        })
        .sum();
    let peak = PerDirection {
        compression: force(0.0, speed),
        rebound: force(0.0, -speed),
    };
    let wobble = |i: usize| ((i * 7919 + index * 104729) % 101) as f64 / 101.0 - 0.5;
    let series = (0..12)
        .map(|i| {
            let settle = if i == 0 { 0.05 } else { 0.0 };
            let share = 1.0 + settle - 0.001 * i as f64 + 0.006 * wobble(i);
            CycleSummary {
                first: i as u64,
                count: 1,
                start_s: index as f64 * 20.0 + i as f64 / frequency,
                period_s: 1.0 / frequency,
                stroke_m: stroke,
                energy_j: energy * share,
                energy_compression_j: energy * 0.35 * share,
                energy_rebound_j: energy * 0.65 * share,
                force_compression_n: peak.compression * (1.0 + settle + 0.01 * wobble(i + 3)),
                force_rebound_n: peak.rebound * (1.0 + settle + 0.008 * wobble(i + 5)),
                force_at_turns_n: GAS,
                lost_compression_m: Some(0.0004),
                lost_rebound_m: Some(0.0004),
                temperature_c: Some(24.0 + 1.3 * index as f64 + 0.05 * i as f64),
            }
        })
        .collect();
    Step {
        index,
        cycles: 12,
        cycles_used: 11,
        stroke_m: stroke,
        frequency_hz: frequency,
        motion: Motion::Sine,
        closure: 0.0,
        departure_from_sine: 0.002,
        peak_velocity_m_s: PerDirection {
            compression: speed,
            rebound: speed,
        },
        force_at_peak_velocity_n: PerDirection {
            compression: Spread {
                mean: peak.compression,
                sd: Some(4.2),
                n: 11,
            },
            rebound: Spread {
                mean: peak.rebound,
                sd: Some(6.3),
                n: 11,
            },
        },
        peak_force_n: peak,
        peak_force_at_m: PerDirection::default(),
        energy_per_cycle_j: Energy {
            mean: energy,
            sd: Some(energy * 0.004),
            n: 11,
            compression: energy * 0.35,
            rebound: energy * 0.65,
            ..Energy::default()
        },
        power_w: energy * frequency,
        equivalent_damping_n_s_m: Some(2500.0),
        apparent_stiffness_n_m: Some(1100.0),
        hysteresis: Hysteresis {
            max_width_n: PerDirection {
                compression: Some(18.0 + 60.0 * speed * speed),
                rebound: Some(25.0 + 95.0 * speed * speed),
            },
            share: PerDirection {
                compression: Some(0.03),
                rebound: Some(0.04),
            },
            loop_area_n_m_s: Some(12.0 * speed),
            lag_s: Some(0.0011),
            gas_share: Some(0.4),
            lag_share: Some(0.2),
            compliance_share: Some(0.3),
            remainder_share: Some(0.1),
            ..Hysteresis::default()
        },
        lost_motion_m: LostMotion {
            compression_start: Some(0.0004),
            rebound_start: Some(if frequency > 2.5 {
                0.0004 + 0.0011 * (frequency - 2.5)
            } else {
                0.0004
            }),
            ..LostMotion::default()
        },
        temperature_c: Some(StartEnd {
            start: 24.0 + 1.3 * index as f64,
            end: 24.6 + 1.3 * index as f64,
        }),
        velocity_ratio: None,
        velocity_delay_s: None,
        settling_cycles: 1,
        segment: 0,
        start_s: index as f64 * 20.0,
        centre_m: 0.0,
        samples_per_cycle: 1000.0 / frequency,
        force_noise_n: 4.0,
        fold,
        series,
        kept: Vec::new(),
    }
}

fn fit(direction: Direction, fastest: f64) -> Fit {
    let (k, a, b) = (
        *KNEE.get(direction),
        *LOW.get(direction),
        *HIGH.get(direction),
    );
    let base = FRICTION + direction.sign() * GAS;
    let piece = |from: f64, to: f64, slope: f64, intercept: f64| Piece {
        from_m_s: from,
        to_m_s: to,
        slope_n_s_m: slope,
        intercept_n: intercept,
        slope_ci95_n_s_m: Some([0.97 * slope, 1.03 * slope]),
    };
    let segments = vec![
        piece(0.01, k, a, base),
        piece(k, fastest, b, base + (a - b) * k),
    ];
    Fit {
        model: "digressive".into(),
        knees: vec![Knee {
            velocity_m_s: k,
            force_n: base + a * k,
            ci95_m_s: [0.9 * k, 1.12 * k],
            force_ci95_n: None,
            ..Knee::default()
        }],
        r2: Some(0.9991),
        rmse_n: 6.4,
        max_residual_n: 11.2,
        points: 10,
        candidates: vec![Candidate {
            model: "one knee".into(),
            knees: vec![k],
            aicc: Some(31.0),
            rmse_n: 6.4,
            segments: segments.clone(),
            chance: None,
        }],
        segments,
        basis: "peak-velocity points".into(),
        ..Fit::default()
    }
}

fn curve(steps: &[Step], fastest: f64) -> Curve {
    let points = |direction: Direction| -> Vec<CurvePoint> {
        (1..=60)
            .map(|i| {
                let v = fastest * f64::from(i) / 60.0;
                let f = direction.sign() * resisting(direction, v);
                CurvePoint {
                    velocity_m_s: v,
                    force_n: f,
                    se_n: Some(3.0 + 14.0 * v),
                    total_force_n: f + GAS + direction.sign() * FRICTION,
                }
            })
            .collect()
    };
    let peaks = |direction: Direction| -> Vec<PeakPoint> {
        steps
            .iter()
            .map(|s| PeakPoint {
                velocity_m_s: *s.peak_velocity_m_s.get(direction),
                force_n: s.force_at_peak_velocity_n.get(direction).mean,
                se_n: Some(2.0),
                step: Some(s.index),
            })
            .collect()
    };
    Curve {
        compression: points(Direction::Compression),
        rebound: points(Direction::Rebound),
        peaks: PerDirection {
            compression: peaks(Direction::Compression),
            rebound: peaks(Direction::Rebound),
        },
        ..Curve::default()
    }
}

fn findings(steps: &[Step]) -> Vec<Finding> {
    let fastest = steps.len() - 1;
    let evidence =
        |what: &str, value: f64, unit: &str, threshold: f64, met: bool, phase| Evidence {
            what: what.into(),
            value: Some(value),
            unit: unit.into(),
            threshold: Some(threshold),
            met,
            step: Some(fastest),
            phase,
        };
    let plain = Finding::new("", Verdict::None, "");
    vec![
        Finding {
            kind: "play".into(),
            verdict: Verdict::None,
            direction: None,
            onset_velocity_m_s: None,
            evidence: vec![evidence(
                "lost travel in slow steps",
                0.0004,
                "m",
                0.001,
                false,
                None,
            )],
            advice: "Nothing to do.".into(),
            ..plain.clone()
        },
        Finding {
            kind: "cavitation".into(),
            verdict: Verdict::Developed,
            direction: Some(Side::Rebound),
            onset_velocity_m_s: Some(0.42),
            evidence: vec![
                evidence(
                    "lost travel at the start of rebound",
                    0.0031,
                    "m",
                    0.0015,
                    true,
                    Some([0.5, 0.62]),
                ),
                evidence("growth with speed", 3.4, "1", 1.5, true, None),
            ],
            advice: "Check the gas charge against the maker's figure before raising the speed."
                .into(),
            ..plain.clone()
        },
        Finding {
            kind: "low-gas".into(),
            verdict: Verdict::CannotTell,
            direction: None,
            onset_velocity_m_s: None,
            evidence: vec![],
            advice: "Give the rod diameter with --damper to turn force into pressure.".into(),
            ..plain
        },
    ]
}

/// The run.
pub(super) fn run() -> Run {
    let steps: Vec<Step> = [0.065, 0.16, 0.32, 0.51, 0.83, 1.27, 1.91, 2.7, 3.5, 4.1]
        .into_iter()
        .enumerate()
        .map(|(i, f)| step(i, f))
        .collect();
    let fastest = steps.iter().map(super::plots::speed_of).fold(0.0, f64::max);
    let total: f64 = steps.iter().map(|s| s.energy_per_cycle_j.mean * 12.0).sum();
    Run {
        schema: RUN_SCHEMA.into(),
        tool: Tool {
            name: "loopwork".into(),
            version: "0.0.0".into(),
        },
        source: vec![SourceFile {
            path: "front-left.csv".into(),
            sha256: "ab".repeat(32),
            bytes: 123_456,
            rows: 9876,
            encoding: "UTF-8".into(),
            delimiter: ";".into(),
            decimal_mark: ",".into(),
            layout: Layout::TimeSeries,
        }],
        layout: Layout::TimeSeries,
        channels: [
            (Role::Time, "Time", "s"),
            (Role::Displacement, "Travel", "mm"),
            (Role::Force, "Load", "N"),
        ]
        .map(|(role, column, unit)| Channel {
            role,
            column: column.into(),
            unit: unit.into(),
            unit_evidence: "header".into(),
            scale_to_si: 1.0,
        })
        .to_vec(),
        conventions: Conventions {
            displacement_sign: Polarity::Positive,
            force_sign: Polarity::Positive,
            certainty: Certainty::Proved,
            evidence: vec!["Heat is positive and the gas pushes the rod out.".into()],
        },
        sampling: Sampling {
            rate_hz: Some(1000.0),
            jitter: Some(0.0004),
            rows_used: 9870,
            rows_dropped: 6,
            dropped: vec![Dropped {
                reason: "force not a number".into(),
                count: 6,
            }],
            clipped: vec![Clipped {
                channel: "force".into(),
                level: -2500.0,
                unit: "N".into(),
                places: 12,
                samples: 96,
            }],
        },
        statics: Some(Statics {
            gas_force_n: Some(GAS),
            gas_stiffness_n_m: Some(900.0),
            friction_n: Some(FRICTION),
            method: "slow step, taken on to zero speed".into(),
            ci95: StaticsIntervals {
                gas_force_n: Some([176.0, 184.0]),
                gas_stiffness_n_m: Some([870.0, 930.0]),
                friction_n: Some([32.0, 38.0]),
                ..StaticsIntervals::default()
            },
            identifiable: vec!["A load-cell offset cannot be told from gas force.".into()],
            ..Statics::default()
        }),
        curve: curve(&steps, fastest),
        fits: PerDirection {
            compression: Some(fit(Direction::Compression, fastest)),
            rebound: Some(fit(Direction::Rebound, fastest)),
        },
        full_cycle_fits: PerDirection::default(),
        reference: None,
        as_measured: None,
        findings: findings(&steps),
        gas_margin: None,
        heat: Some(Heat {
            total_j: total,
            peak_power_w: 1234.0,
            per_step: vec![StepHeat::default()],
            temperature: Some(Temperature {
                start_c: Some(24.0),
                end_c: Some(36.3),
                max_c: Some(36.3),
                used: true,
                ..Temperature::default()
            }),
            ..Heat::default()
        }),
        notes: vec!["No velocity column; speed comes from travel.".into()],
        metadata: BTreeMap::from([("Damper".to_owned(), "FL 2".to_owned())]),
        damper: Some(DamperCard {
            name: Some("Touring front".into()),
            serial: Some("0042".into()),
            ..DamperCard::default()
        }),
        name: "front-left".into(),
        notices: Vec::new(),
        steps,
    }
}

mod tests {
    use super::super::{html, run_files, terminal};
    use crate::units::display::Shown;

    /// Writes the fixture's report where `LOOPWORK_LOOK` says, to look at.
    #[test]
    fn the_fixture_makes_every_file() {
        let run = super::run();
        let files = run_files(&run, Shown::Si).unwrap();
        let names: Vec<&str> = files.iter().map(|f| f.0.as_str()).collect();
        for needed in [
            "summary.png",
            "force-speed.png",
            "force-travel.png",
            "index.html",
        ] {
            assert!(names.contains(&needed), "{needed} in {names:?}");
        }
        if let Some(folder) = std::env::var_os("LOOPWORK_LOOK") {
            let folder = std::path::PathBuf::from(folder);
            std::fs::create_dir_all(&folder).unwrap();
            for (name, bytes) in &files {
                std::fs::write(folder.join(name), bytes).unwrap();
            }
            let look = terminal::Look::default();
            std::fs::write(folder.join("terminal.txt"), terminal::run(&run, look)).unwrap();
        }
    }

    #[test]
    fn the_summary_reads_as_it_did() {
        for (name, plain, shown, width) in [
            ("terminal", false, Shown::Si, 80),
            ("terminal_wide_us", false, Shown::Us, 120),
            ("terminal_plain", true, Shown::Si, 80),
        ] {
            let look = terminal::Look {
                width,
                plain,
                shown,
            };
            // Without colour: the codes are tested by their absence elsewhere.
            let text = terminal::run(&super::run(), look);
            insta::assert_snapshot!(name, anstream::adapter::strip_str(&text).to_string());
        }
    }

    /// Tags that carry the page's order, one a line.
    fn outline(page: &str) -> String {
        let mut lines = Vec::new();
        for piece in page.split('<').skip(1) {
            let (tag, text) = piece.split_once('>').unwrap_or((piece, ""));
            let word = tag.split(' ').next().unwrap_or("");
            let id = tag
                .split_once(" id=\"")
                .and_then(|(_, rest)| rest.split('"').next())
                .unwrap_or("");
            match word {
                "h1" | "h2" | "h3" | "figcaption" | "summary" | "caption" => {
                    let text: String = text.trim().chars().take(60).collect();
                    lines.push(format!("{word} {text}"));
                }
                "meta" => lines.push(tag.chars().take(60).collect()),
                "section" | "figure" | "article" | "nav" | "script" => {
                    lines.push(format!("{word} {id}"));
                }
                _ => {}
            }
        }
        lines.join("\n")
    }

    #[test]
    fn the_page_keeps_its_order() {
        let page = html::page(&super::run(), Shown::Si).html().unwrap();
        insta::assert_snapshot!("page_outline", outline(&page));
    }

    #[test]
    fn names_out_of_a_file_stay_text() {
        let mut run = super::run();
        let nasty = "</title><script>alert(1)</script>\"'=1+1";
        run.name = nasty.into();
        run.channels[0].column = nasty.into();
        run.metadata.insert(nasty.into(), nasty.into());
        run.source[0].path = nasty.into();
        run.notes.push(nasty.into());
        run.findings[1].advice = nasty.into();
        run.findings[1].kind = nasty.into();
        let page = html::page(&run, Shown::Si).html().unwrap();
        assert_eq!(page.matches("<script").count(), 1);
        assert!(!page.contains("alert(1)</script>"));
        assert!(page.contains("&lt;script&gt;alert(1)"));
        let text = terminal::run(&run, terminal::Look::default());
        assert!(text.contains("alert(1)"));
    }
}
