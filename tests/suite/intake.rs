//! Intake: what a file says becomes SI samples, whatever it looks like.
#![allow(clippy::expect_used, reason = "a failed reading fails the test")]

use std::path::PathBuf;

use loopwork::ingest::{self, IntakeOptions};
use loopwork::recording::{Chunk, Closing, Recording, Understanding};
use proptest::prelude::*;
use proptest::test_runner::RngSeed;

use crate::layouts::{
    self, Arrangement, Bytes, Clock, LANGUAGES, Mark, RATE, Speed, UNIT_SETS, UnitPlace, Writing,
};
use crate::support::reference;

/// Everything of a recording in one go.
pub(crate) fn read_all(
    paths: &[PathBuf],
    options: &IntakeOptions,
) -> Result<(Understanding, Vec<Chunk>, Closing), String> {
    let recording = ingest::open(paths, options).map_err(|e| e.to_string())?;
    let Recording::Samples(mut stream) = recording else {
        return Err("a sweep table, not samples".into());
    };
    let understanding = stream.understanding().clone();
    let mut chunks = Vec::new();
    while let Some(chunk) = stream.next_chunk().map_err(|e| e.to_string())? {
        chunks.push(chunk);
    }
    let closing = stream.closing();
    Ok((understanding, chunks, closing))
}

#[test]
fn measured_friction_damper_files_read_in_full() {
    let Some(folder) = reference("friction-damper") else {
        return;
    };
    // Rows as the data set's README lists them; stroke in inches, force in kip.
    for (name, rows, stroke_in) in [
        ("ds1_1.0hz_35lb_1.0in.csv", 10_241, 2.0112),
        ("ds1_0.5hz_20lb_1.0in.csv", 18_433, 2.0156),
        ("ds3_0.25hz_30lb_0.5in.csv", 14_337, 1.0101),
    ] {
        let (_, chunks, closing) =
            read_all(&[folder.join(name)], &IntakeOptions::default()).expect(name);
        assert_eq!(closing.sources[0].rows, rows, "{name}");
        assert_eq!(closing.sampling.rows_dropped, 0, "{name}");
        let travel: Vec<f64> = chunks
            .iter()
            .flat_map(|c| c.travel.iter().copied())
            .collect();
        assert_eq!(travel.len() as u64, rows);
        let range = travel.iter().copied().fold(f64::MIN, f64::max)
            - travel.iter().copied().fold(f64::MAX, f64::min);
        assert!(
            (range / 0.0254 / stroke_in - 1.0).abs() < 0.02,
            "{name}: {range} m"
        );
    }
}

/// Largest difference over the truth's range.
fn off(read: &[f64], truth: &[f64]) -> f64 {
    if read.len() != truth.len() {
        return f64::INFINITY;
    }
    let range = truth.iter().copied().fold(f64::MIN, f64::max)
        - truth.iter().copied().fold(f64::MAX, f64::min);
    read.iter()
        .zip(truth)
        .map(|(a, b)| (a - b).abs() / range)
        .fold(0.0, f64::max)
}

/// Writes the truth that way, reads it back, and says what differs by more than 1e-6.
fn differs(w: &Writing) -> Option<String> {
    let truth = layouts::truth();
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("run.dat");
    std::fs::write(&path, layouts::write(&truth, w)).expect("a file");
    let mut options = IntakeOptions::default();
    if matches!(w.clock, Clock::Absent | Clock::Samples)
        && !(w.preamble || w.unit_place == UnitPlace::Preamble)
    {
        options.rate_hz = Some(RATE);
    }
    let (understanding, chunks, closing) = match read_all(&[path], &options) {
        Ok(read) => read,
        Err(error) => return Some(error),
    };
    let mut segments: Vec<Speed> = Vec::new();
    for chunk in chunks {
        if chunk.starts_segment.is_some() {
            segments.push(Speed::default());
        }
        let Some(to) = segments.last_mut() else {
            return Some("no segment".into());
        };
        to.time.extend(chunk.time);
        to.travel.extend(chunk.travel.iter().map(|x| x * w.signs.0));
        to.velocity
            .extend(chunk.velocity.iter().map(|x| x * w.signs.0));
        to.force.extend(chunk.force.iter().map(|x| x * w.signs.1));
        to.temperature.extend(chunk.temperature);
    }
    let expected = match w.arrangement {
        Arrangement::Series => {
            let mut all = Speed::default();
            for speed in &truth {
                all.time.extend(&speed.time);
                all.travel.extend(&speed.travel);
                all.velocity.extend(&speed.velocity);
                all.force.extend(&speed.force);
                all.temperature.extend(&speed.temperature);
            }
            vec![all]
        }
        _ => truth,
    };
    if segments.len() != expected.len() {
        return Some(format!(
            "{} segments; {:?}",
            segments.len(),
            closing.sampling
        ));
    }
    for (read, want) in segments.iter().zip(&expected) {
        let from_start = |t: &[f64]| t.iter().map(|x| x - t[0]).collect::<Vec<_>>();
        let mut all = vec![
            (
                "time",
                off(&from_start(&read.time), &from_start(&want.time)),
            ),
            ("travel", off(&read.travel, &want.travel)),
            ("force", off(&read.force, &want.force)),
        ];
        if w.velocity {
            all.push(("velocity", off(&read.velocity, &want.velocity)));
        }
        if w.temperature {
            all.push(("temperature", off(&read.temperature, &want.temperature)));
        }
        for (what, difference) in all {
            if difference.is_nan() || difference > 1e-6 {
                return Some(format!(
                    "{what} is off by {difference:e}; {:?}",
                    understanding.channels
                ));
            }
        }
    }
    if closing.sampling.rows_dropped > 0 {
        return Some(format!("dropped: {:?}", closing.sampling.dropped));
    }
    None
}

/// At least 60 ways of writing one recording, each a habit of some machine or spreadsheet.
fn ways() -> Vec<Writing> {
    let d = Writing::default();
    let mut ways = vec![d];
    for mark in [
        Mark::Comma,
        Mark::Semicolon,
        Mark::Tab,
        Mark::Pipe,
        Mark::Blanks,
    ] {
        ways.push(Writing { mark, ..d });
        ways.push(Writing {
            mark,
            decimal_comma: true,
            quoted: mark == Mark::Comma,
            ..d
        });
        ways.push(Writing {
            mark,
            quoted: true,
            preamble: true,
            ..d
        });
    }
    for unit_place in [
        UnitPlace::Round,
        UnitPlace::Square,
        UnitPlace::Underscore,
        UnitPlace::Slash,
        UnitPlace::Comma,
        UnitPlace::Blank,
        UnitPlace::OwnRow,
        UnitPlace::Preamble,
    ] {
        ways.push(Writing { unit_place, ..d });
        ways.push(Writing {
            unit_place,
            units: 1,
            mark: Mark::Semicolon,
            strangers: true,
            ..d
        });
        ways.push(Writing {
            unit_place,
            units: 2,
            mark: Mark::Tab,
            decimal_comma: true,
            ..d
        });
    }
    for units in 0..UNIT_SETS.len() {
        ways.push(Writing {
            units,
            unit_place: UnitPlace::Square,
            ..d
        });
    }
    for language in 0..LANGUAGES.len() {
        ways.push(Writing {
            language,
            mark: Mark::Semicolon,
            decimal_comma: true,
            unit_place: UnitPlace::Square,
            ..d
        });
        ways.push(Writing {
            language,
            unit_place: UnitPlace::OwnRow,
            arrangement: Arrangement::HeaderBlocks,
            ..d
        });
    }
    for arrangement in [
        Arrangement::Series,
        Arrangement::HeaderBlocks,
        Arrangement::LabelBlocks,
        Arrangement::Wide,
    ] {
        for clock in [Clock::Unit, Clock::Samples, Clock::OfDay, Clock::Absent] {
            ways.push(Writing {
                arrangement,
                clock,
                ..d
            });
            ways.push(Writing {
                arrangement,
                clock,
                preamble: true,
                mark: Mark::Semicolon,
                decimal_comma: true,
                ..d
            });
        }
        ways.push(Writing {
            arrangement,
            velocity: false,
            temperature: false,
            ..d
        });
    }
    for bytes in [
        Bytes::Utf8,
        Bytes::Bom,
        Bytes::Utf16Le,
        Bytes::Utf16Be,
        Bytes::Windows1252,
        Bytes::Gzip,
        Bytes::Zstd,
    ] {
        for line_end in ["\n", "\r\n", "\r"] {
            ways.push(Writing {
                bytes,
                line_end,
                preamble: true,
                ..d
            });
        }
    }
    for signs in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)] {
        ways.push(Writing { signs, ..d });
    }
    for order in 1..8 {
        ways.push(Writing {
            order: order * 13,
            strangers: true,
            ..d
        });
    }
    ways.push(Writing {
        thousands: true,
        quoted: true,
        units: 0,
        ..d
    });
    ways.push(Writing {
        thousands: true,
        mark: Mark::Semicolon,
        decimal_comma: true,
        ..d
    });
    ways.push(Writing {
        thousands: true,
        mark: Mark::Tab,
        ..d
    });
    ways.push(Writing {
        trailing: true,
        ..d
    });
    ways.push(Writing {
        trailing: true,
        mark: Mark::Semicolon,
        decimal_comma: true,
        preamble: true,
        ..d
    });
    ways
}

#[test]
fn one_recording_in_every_layout_reads_to_the_same_numbers() {
    let ways = ways();
    assert!(ways.len() >= 60, "{}", ways.len());
    let wrong: Vec<String> = ways
        .iter()
        .filter_map(|w| differs(w).map(|d| format!("{d}\n  {w:?}")))
        .collect();
    assert!(
        wrong.is_empty(),
        "{} of {} layouts read wrong:\n{}",
        wrong.len(),
        ways.len(),
        wrong.join("\n")
    );
    println!("{} layouts read alike", ways.len());
}

fn any_writing() -> impl Strategy<Value = Writing> {
    let marks = prop_oneof![
        Just((Mark::Comma, false)),
        Just((Mark::Semicolon, false)),
        Just((Mark::Semicolon, true)),
        Just((Mark::Tab, false)),
        Just((Mark::Tab, true)),
        Just((Mark::Pipe, false)),
        Just((Mark::Pipe, true)),
        Just((Mark::Blanks, false)),
        Just((Mark::Blanks, true)),
    ];
    let places = proptest::sample::select(vec![
        UnitPlace::Round,
        UnitPlace::Square,
        UnitPlace::Underscore,
        UnitPlace::Slash,
        UnitPlace::Comma,
        UnitPlace::Blank,
        UnitPlace::OwnRow,
        UnitPlace::Preamble,
    ]);
    let arrangements = proptest::sample::select(vec![
        Arrangement::Series,
        Arrangement::HeaderBlocks,
        Arrangement::LabelBlocks,
        Arrangement::Wide,
    ]);
    let clocks = proptest::sample::select(vec![
        Clock::Unit,
        Clock::Samples,
        Clock::OfDay,
        Clock::Absent,
    ]);
    let bytes = proptest::sample::select(vec![
        Bytes::Utf8,
        Bytes::Bom,
        Bytes::Utf16Le,
        Bytes::Utf16Be,
        Bytes::Gzip,
        Bytes::Zstd,
    ]);
    let signs = proptest::sample::select(vec![(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)]);
    let flags = (
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
        any::<bool>(),
    );
    (
        (
            marks,
            places,
            0..UNIT_SETS.len(),
            0..LANGUAGES.len(),
            arrangements,
        ),
        (
            clocks,
            bytes,
            proptest::sample::select(vec!["\n", "\r\n", "\r"]),
            signs,
            0_usize..120,
        ),
        flags,
    )
        .prop_map(
            |(
                (mark, unit_place, units, language, arrangement),
                (clock, bytes, line_end, signs, order),
                flags,
            )| {
                let (strangers, velocity, temperature, preamble, quoted, thousands, trailing) =
                    flags;
                Writing {
                    mark: mark.0,
                    decimal_comma: mark.1,
                    // A unit after a blank splits from its name where blanks are the delimiter.
                    unit_place,
                    units,
                    language,
                    arrangement,
                    clock,
                    bytes,
                    line_end,
                    signs,
                    order,
                    strangers,
                    velocity,
                    temperature,
                    preamble,
                    quoted,
                    thousands,
                    trailing: trailing && mark.0 != Mark::Blanks,
                }
            },
        )
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 48, failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

    #[test]
    fn any_combination_of_layout_and_units_reads_to_the_same_numbers(w in any_writing()) {
        let wrong = differs(&w);
        prop_assert!(wrong.is_none(), "{}", wrong.unwrap_or_default());
    }
}
