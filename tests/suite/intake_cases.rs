//! What intake infers, repairs, refuses and says, case by case.
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a failed reading fails the test"
)]

use std::f64::consts::TAU;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};

use loopwork::ingest::{self, IntakeOptions};
use loopwork::notice::Notice;
use loopwork::recording::{
    Certainty, Chunk, Closing, Layout, Polarity, Recording, Role, StatedSigns, Understanding,
};
use loopwork::signs::Settler;

use crate::intake::read_all;
use crate::support::loopwork;

struct Read {
    understanding: Understanding,
    chunks: Vec<Chunk>,
    closing: Closing,
}

impl Read {
    fn says(&self, code: &str) -> Option<&Notice> {
        self.closing.notices.iter().find(|n| n.code == code)
    }

    fn column(&self, pick: impl Fn(&Chunk) -> &Vec<f64>) -> Vec<f64> {
        self.chunks
            .iter()
            .flat_map(|c| pick(c).iter().copied())
            .collect()
    }

    fn dropped(&self, reason: &str) -> u64 {
        let found = self
            .closing
            .sampling
            .dropped
            .iter()
            .find(|d| d.reason == reason);
        found.map_or(0, |d| d.count)
    }

    fn unit(&self, role: Role) -> (&str, &str) {
        let channel = self
            .understanding
            .channels
            .iter()
            .find(|c| c.role == role)
            .expect("the role");
        (&channel.unit, &channel.unit_evidence)
    }
}

fn in_file(text: impl AsRef<[u8]>, options: &IntakeOptions) -> Result<Read, String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("run.csv");
    std::fs::write(&path, text).expect("a file");
    let (understanding, chunks, closing) = read_all(&[path], options)?;
    Ok(Read {
        understanding,
        chunks,
        closing,
    })
}

fn read(text: impl AsRef<[u8]>) -> Read {
    in_file(text, &IntakeOptions::default()).unwrap_or_else(|e| panic!("{e}"))
}

/// Travel (m), velocity (m/s), force (N) of a charged damper at 1 Hz, 50 mm stroke.
fn sample(t: f64) -> (f64, f64, f64) {
    let x = 0.025 * (TAU * t).sin();
    let v = 0.025 * TAU * (TAU * t).cos();
    let c = if v > 0.0 { 1200.0 } else { 2400.0 };
    (x, v, 200.0 + 2000.0 * x + 10.0 * (v / 0.002).tanh() + c * v)
}

/// Rows `time, travel in mm, velocity in mm/s, force in N` at 500 Hz, changed by `edit`.
fn rows(header: &str, seconds: f64, edit: impl Fn(usize, &mut Vec<String>)) -> String {
    let mut text = format!("{header}\n");
    for i in 0..(seconds * 500.0) as usize {
        let t = i as f64 / 500.0;
        let (x, v, f) = sample(t);
        let mut cells = vec![
            format!("{t:.4}"),
            format!("{:.6}", x * 1e3),
            format!("{:.5}", v * 1e3),
            format!("{f:.5}"),
        ];
        edit(i, &mut cells);
        let _ = writeln!(text, "{}", cells.join(","));
    }
    text
}

const HEADER: &str = "time (s),travel (mm),velocity (mm/s),force (N)";

#[test]
fn a_bare_temperature_that_starts_at_70_can_only_be_fahrenheit() {
    let hot = read(rows(
        "time (s),travel (mm),velocity (mm/s),force (N),temp",
        3.0,
        |i, c| c.push(format!("{:.2}", 70.0 + i as f64 * 0.01)),
    ));
    assert_eq!(hot.unit(Role::Temperature).0, "°F");
    assert!(hot.unit(Role::Temperature).1.starts_with("inferred"));
    assert!((hot.column(|c| &c.temperature)[0] - 21.111).abs() < 1e-3);
    let cool = read(rows(
        "time (s),travel (mm),velocity (mm/s),force (N),temp",
        3.0,
        |_, c| c.push("22.5".into()),
    ));
    assert_eq!(cool.unit(Role::Temperature), ("°C", "assumed: °C"));
    assert!(cool.says("unit-assumed").is_some());
}

#[test]
fn a_bare_velocity_takes_its_unit_from_the_derivative_of_travel() {
    let inches = read(rows(
        "time (s),travel (mm),velocity,force (N)",
        3.0,
        |i, c| c[2] = format!("{:.6}", sample(i as f64 / 500.0).1 / 0.0254),
    ));
    assert_eq!(inches.unit(Role::Velocity).0, "in/s");
    assert!(inches.says("unit-assumed").is_none());
    let turned = read(rows(HEADER, 3.0, |_, c| {
        c[2] = if let Some(p) = c[2].strip_prefix('-') {
            p.to_owned()
        } else {
            format!("-{}", c[2])
        }
    }));
    assert!(turned.says("velocity-turned").is_some());
    let wrong = read(rows(
        "time (s),travel (mm),velocity (m/s),force (N)",
        3.0,
        |_, _| {},
    ));
    assert!(
        wrong
            .says("velocity-factor")
            .expect("said")
            .message
            .contains("1000")
    );
}

#[test]
fn swapped_columns_are_pointed_out() {
    let swapped = read(rows(
        "time (s),force (N),velocity (mm/s),travel (mm)",
        3.0,
        |_, _| {},
    ));
    let notice = swapped.says("columns-swapped").expect("said");
    assert!(
        notice
            .help
            .as_deref()
            .expect("help")
            .contains("--map displacement=\"force (N)\"")
    );
    assert!(
        read(rows(HEADER, 3.0, |_, _| {}))
            .says("columns-swapped")
            .is_none()
    );
}

#[test]
fn damaged_rows_are_left_out_and_counted_by_reason() {
    let damaged = read(rows(HEADER, 4.0, |i, c| match i {
        300 => c[3] = "OVER".into(),
        400 | 401 => c[1] = "---".into(),
        500 => c[3] = String::new(),
        600 => c.truncate(2),
        700 => c[1] = "812.5".into(),
        800 => c[0] = "1.5980".into(),
        900 => c[0] = "0.2".into(),
        1003..=1006 => c[3] = "0".into(),
        _ => {}
    }));
    assert_eq!(damaged.dropped("force not a number"), 1);
    assert_eq!(damaged.dropped("displacement not a number"), 2);
    assert_eq!(damaged.dropped("force missing"), 1);
    assert_eq!(damaged.dropped("row cut short"), 1);
    assert_eq!(damaged.dropped("travel spike"), 1);
    assert_eq!(damaged.dropped("time repeats"), 1);
    assert_eq!(damaged.dropped("time runs backward"), 1);
    assert_eq!(damaged.dropped("force drops out to zero"), 4);
    assert_eq!(damaged.closing.sampling.rows_dropped, 12);
    assert_eq!(damaged.closing.sampling.rows_used, 2000 - 12);
    // What is left is the truth.
    let (time, travel) = (damaged.column(|c| &c.time), damaged.column(|c| &c.travel));
    assert_eq!(time.len(), 2000 - 12);
    for (t, x) in time.iter().zip(&travel) {
        assert!((x - sample(*t).0).abs() < 1e-8, "{t}");
    }
    let said = damaged.says("rows-dropped").expect("said");
    assert_eq!(said.place.as_ref().and_then(|p| p.line), Some(302));
}

#[test]
fn a_last_row_cut_off_within_a_number_is_left_out() {
    let whole = rows(HEADER, 2.0, |_, _| {});
    let torn = read(&whole[..whole.len() - 4]);
    assert_eq!(torn.dropped("last row cut short"), 1);
    assert_eq!(torn.closing.sampling.rows_used, 999);
    let ended = read(whole.trim_end());
    assert_eq!(ended.closing.sampling.rows_used, 1000);
}

#[test]
fn a_file_of_many_blocks_reads_the_same_packed_or_not() {
    use sha2::Digest as _;
    use std::io::Write as _;
    // Longer than two of the reader's blocks, so that rows straddle their edges.
    let count = 260_000;
    let text = rows(HEADER, f64::from(count) / 500.0, |_, _| {}).replace('\n', "\r\n");
    assert!(text.len() > 9 << 20);
    let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
    packer.write_all(text.as_bytes()).expect("memory");
    let packed = packer.finish().expect("memory");
    let digest = |bytes: &[u8]| -> String {
        sha2::Sha256::digest(bytes)
            .iter()
            .map(|b| format!("{b:02x}"))
            .collect()
    };
    for bytes in [text.as_bytes(), packed.as_slice()] {
        let read = read(bytes);
        let source = &read.closing.sources[0];
        assert_eq!(
            (source.rows, read.closing.sampling.rows_dropped),
            (count as u64, 0)
        );
        assert_eq!(
            (source.bytes, source.sha256.as_str()),
            (bytes.len() as u64, digest(bytes).as_str())
        );
        assert!(read.chunks.len() >= 3);
        assert_eq!(
            read.chunks
                .iter()
                .filter(|c| c.starts_segment.is_some())
                .count(),
            1
        );
        let (time, travel, force) = (
            read.column(|c| &c.time),
            read.column(|c| &c.travel),
            read.column(|c| &c.force),
        );
        assert_eq!(time.len(), count as usize);
        for (i, t) in time.iter().enumerate() {
            let (x, _, f) = sample(i as f64 / 500.0);
            assert!((t - i as f64 / 500.0).abs() < 1e-9);
            assert!(
                (travel[i] - x).abs() < 1e-8 && (force[i] - f).abs() < 1e-4,
                "row {i}"
            );
        }
    }
}

#[test]
fn columns_may_change_places_from_block_to_block() {
    let first = rows(HEADER, 2.0, |_, _| {});
    let second = rows(
        "force (N),time (s),travel (mm),velocity (mm/s)",
        2.0,
        |_, c| c.rotate_right(1),
    );
    let both = read(first + &second);
    let starts = both
        .chunks
        .iter()
        .filter(|c| c.starts_segment.is_some())
        .count();
    assert_eq!(
        (starts, both.closing.sources[0].layout),
        (2, Layout::Blocks)
    );
    let (travel, force) = (both.column(|c| &c.travel), both.column(|c| &c.force));
    assert_eq!(travel.len(), 2000);
    for i in 0..1000 {
        assert!(
            (travel[i] - travel[i + 1000]).abs() < 1e-12
                && (force[i] - force[i + 1000]).abs() < 1e-9
        );
    }
}

#[test]
fn a_clipped_load_cell_is_reported_and_a_clean_one_is_not() {
    let clipped = read(rows(HEADER, 5.0, |_, c| {
        let f: f64 = c[3].parse().expect("a number");
        c[3] = format!("{:.5}", f.clamp(-150.0, 320.0));
    }));
    assert!(
        clipped
            .says("force-clipped")
            .expect("said")
            .message
            .contains("320")
    );
    let coarse = read(rows(HEADER, 5.0, |_, c| {
        let f: f64 = c[3].parse().expect("a number");
        c[3] = format!("{:.0}", f / 5.0)
            .parse::<f64>()
            .map(|n| format!("{}", n * 5.0))
            .expect("a number");
        c[1] = format!("{:.1}", c[1].parse::<f64>().expect("a number"));
    }));
    assert!(coarse.says("force-clipped").is_none() && coarse.says("travel-clipped").is_none());
}

#[test]
fn time_with_too_few_digits_is_spread_evenly() {
    let coarse = read(rows(HEADER, 6.0, |i, c| {
        c[0] = format!("{:.2}", (i as f64 / 500.0 * 100.0).floor() / 100.0);
    }));
    assert!(coarse.says("time-coarse").is_some());
    let time = coarse.column(|c| &c.time);
    assert_eq!(time.len(), 3000);
    let mean = (time[2999] - time[0]) / 2999.0;
    assert!((mean * 500.0 - 1.0).abs() < 1e-3, "{mean}");
    assert!(
        time.windows(2)
            .all(|w| (w[1] - w[0]) * 500.0 > 0.9 && (w[1] - w[0]) * 500.0 < 1.1)
    );
}

#[test]
fn without_time_and_rate_the_assumption_is_loud() {
    let bare = read(
        rows("t,travel (mm),v,force (N)", 40.0, |_, c| {
            c.remove(2);
            c.remove(0);
        })
        .replace("t,travel (mm),v,force (N)", "travel (mm),force (N)"),
    );
    assert!(
        bare.says("time-assumed")
            .expect("said")
            .help
            .as_deref()
            .expect("help")
            .contains("--rate")
    );
    assert!(
        bare.chunks[0]
            .starts_segment
            .as_ref()
            .expect("a segment")
            .time_is_assumed
    );
    let by_velocity = read(
        rows("x", 40.0, |_, c| {
            c.remove(0);
        })
        .replacen('x', "travel (mm),velocity (mm/s),force (N)", 1),
    );
    assert!(by_velocity.says("time-assumed").is_none());
    let time = by_velocity.column(|c| &c.time);
    assert!(
        ((time[1] - time[0]) * 500.0 - 1.0).abs() < 1e-3,
        "{}",
        time[1]
    );
}

fn sweep(text: &str, options: &IntakeOptions) -> (loopwork::recording::SweepTable, Closing) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("sweep.csv");
    std::fs::write(&path, text).expect("a file");
    match ingest::open(&[path], options).unwrap_or_else(|e| panic!("{e}")) {
        Recording::Sweep { table, closing, .. } => (table, *closing),
        Recording::Samples(_) => panic!("samples, not a sweep table"),
    }
}

#[test]
fn sweep_tables_come_out_in_our_signs_however_they_are_written() {
    let plain = IntakeOptions::default();
    let want_c = vec![(0.05, 150.0), (0.1, 260.0), (0.2, 400.0)];
    let want_r = vec![(0.05, -300.0), (0.1, -520.0), (0.2, -800.0)];
    for text in [
        "velocity (m/s),compression force (N),rebound force (N)\n0.05,150,300\n0.1,260,520\n0.2,400,800\n",
        "Speed [mm/s];Bump [N];Rebound [N]\n50;150;-300\n100;260;-520\n200;400;-800\n",
        "Geschwindigkeit [mm/s];Druckstufe [N];Zugstufe [N]\n50;-150;300\n100;-260;520\n200;-400;800\n",
        "velocity (m/s),force (N)\n-0.2,-800\n-0.1,-520\n-0.05,-300\n0.05,150\n0.1,260\n0.2,400\n",
        "velocity (m/s),force (N)\n-0.2,800\n-0.1,520\n-0.05,300\n0.05,-150\n0.1,-260\n0.2,-400\n",
    ] {
        let (table, closing) = sweep(text, &plain);
        let close = |a: &[(f64, f64)], b: &[(f64, f64)]| {
            a.len() == b.len()
                && a.iter()
                    .zip(b)
                    .all(|(p, q)| (p.0 - q.0).abs() < 1e-12 && (p.1 - q.1).abs() < 1e-9)
        };
        assert!(
            close(&table.compression, &want_c),
            "{text}: {:?}",
            table.compression
        );
        assert!(
            close(&table.rebound, &want_r),
            "{text}: {:?}",
            table.rebound
        );
        assert_eq!(closing.sources[0].layout, Layout::SweepTable);
    }
    let turned = IntakeOptions {
        compression: Some(Polarity::Negative),
        ..plain
    };
    let (table, _) = sweep(
        "velocity (m/s),force (N)\n-0.2,400\n-0.1,260\n0.1,-520\n0.2,-800\n",
        &turned,
    );
    assert_eq!(table.compression, vec![(0.1, 260.0), (0.2, 400.0)]);
    assert_eq!(table.rebound, vec![(0.1, -520.0), (0.2, -800.0)]);
}

#[test]
fn one_averaged_loop_per_speed_is_closed_and_timed_by_its_label() {
    let mut text = String::from("travel (mm),force (N)\n");
    for speed in [50.0, 200.0] {
        let _ = writeln!(text, "\nSpeed {speed} mm/s");
        for i in 0..200 {
            let (x, _, f) = sample(i as f64 / 200.0 + 0.13);
            let _ = writeln!(text, "{:.6},{f:.4}", x * 1e3);
        }
    }
    let loops = read(&text);
    assert!(loops.says("closed-loop").is_some());
    assert!(loops.says("time-assumed").is_none());
    assert_eq!(loops.closing.sampling.rows_used, 400);
    assert_eq!(loops.chunks.len(), 2);
    for (chunk, speed) in loops.chunks.iter().zip([0.05, 0.2]) {
        let segment = chunk.starts_segment.as_ref().expect("a segment");
        assert!(segment.closed_loop);
        assert_eq!(chunk.len(), 600);
        // Peak velocity of a sine is π · stroke · frequency.
        let period = chunk.time[200] - chunk.time[0];
        assert!(
            (std::f64::consts::PI * 0.05 / period / speed - 1.0).abs() < 2e-3,
            "{period}"
        );
        assert!(chunk.time.windows(2).all(|w| w[1] > w[0]));
        assert!(chunk.travel[0] < -0.0249);
    }
}

#[test]
fn crank_angle_becomes_travel_with_the_stroke_given() {
    let text = rows("time (s),crank angle (deg),v,force (N)", 3.0, |i, c| {
        c[1] = format!("{:.6}", i as f64 / 500.0 * 360.0);
        c[2] = "0".into();
    })
    .replacen(",v,", ",status,", 1);
    let refused = in_file(&text, &IntakeOptions::default())
        .err()
        .expect("refused");
    assert!(refused.contains("stroke"), "{refused}");
    let options = IntakeOptions {
        crank_stroke_m: Some(0.05),
        rod_ratio: Some(0.0),
        ..IntakeOptions::default()
    };
    let travel = in_file(&text, &options)
        .expect("read")
        .column(|c| &c.travel);
    for (i, x) in travel.iter().enumerate() {
        assert!((x + 0.025 * (TAU * i as f64 / 500.0).cos()).abs() < 1e-8);
    }
}

#[test]
fn velocity_alone_is_integrated_and_its_drift_taken_off() {
    let text = rows("time (s),x,velocity (mm/s),force (N)", 8.0, |i, c| {
        c[2] = format!("{:.6}", sample(i as f64 / 500.0).1 * 1e3 + 4.0);
        c.remove(1);
    })
    .replacen(",x,", ",", 1);
    let read = read(&text);
    let travel = read.column(|c| &c.travel);
    assert_eq!(travel.len(), 4000);
    let offset = travel.iter().sum::<f64>() / 4000.0;
    for (i, x) in travel.iter().enumerate().skip(600).take(2800) {
        assert!(
            (x - offset - sample(i as f64 / 500.0).0).abs() < 0.005 * 0.025,
            "{i}: {x}"
        );
    }
}

#[test]
fn several_files_and_folders_join_in_the_order_people_count() {
    let folder = tempfile::tempdir().expect("a folder");
    for (name, from) in [("run10.csv", 10.0), ("run2.csv", 2.0), ("notes.pdf", 0.0)] {
        let text = rows(HEADER, 2.0, |_, c| c[3] = format!("{from}"));
        std::fs::write(folder.path().join(name), text).expect("a file");
    }
    let (understanding, chunks, closing) =
        read_all(&[folder.path().to_owned()], &IntakeOptions::default()).expect("read");
    assert_eq!(understanding.layout, Layout::Blocks);
    assert_eq!(closing.sources.len(), 2);
    let firsts: Vec<f64> = chunks
        .iter()
        .filter(|c| c.starts_segment.is_some())
        .map(|c| c.force[0])
        .collect();
    assert_eq!(firsts, [2.0, 10.0]);
}

#[test]
fn all_four_signs_are_proved_and_stated_ones_obeyed() {
    for (sx, sf) in [(1.0, 1.0), (1.0, -1.0), (-1.0, 1.0), (-1.0, -1.0)] {
        let mut settler = Settler::new();
        // A slow damper: bleed, friction, gas; ten cycles at 0.2 Hz.
        let mut chunk = Chunk {
            starts_segment: Some(Default::default()),
            ..Chunk::default()
        };
        for i in 0..10_000 {
            let t = i as f64 / 200.0;
            let (x, v) = (
                0.025 * (TAU * 0.2 * t).sin(),
                0.025 * TAU * 0.2 * (TAU * 0.2 * t).cos(),
            );
            let f = 180.0
                + 600.0 * x
                + 20.0 * (v / 0.0005).tanh()
                + if v > 0.0 { 800.0 } else { 2500.0 } * v;
            let noise = ((i * 7919) % 101) as f64 / 50.0 - 1.0;
            chunk.time.push(t);
            chunk.travel.push(sx * x);
            chunk.force.push(sf * (f + noise));
        }
        settler.add(&chunk);
        let (found, notices) = settler.settle(StatedSigns::default());
        assert_eq!(found.certainty, Certainty::Proved, "{:?}", found.evidence);
        assert_eq!(
            (found.displacement_sign.factor(), found.force_sign.factor()),
            (sx, sf)
        );
        assert!(notices.is_empty());
        // One stated: the other follows from dissipation.
        let x = if sx > 0.0 {
            Polarity::Positive
        } else {
            Polarity::Negative
        };
        let (one, _) = settler.settle(StatedSigns {
            compression: Some(x),
            force: None,
        });
        assert_eq!(one.force_sign.factor(), sf);
        // Stated against physics: obeyed, and said.
        let f = if sf > 0.0 {
            Polarity::Negative
        } else {
            Polarity::Positive
        };
        let (obeyed, said) = settler.settle(StatedSigns {
            compression: Some(x),
            force: Some(f),
        });
        assert_eq!(obeyed.force_sign, f);
        assert_eq!(said[0].code, "signs-contradict-physics");
    }
}

#[test]
fn without_gas_the_direction_is_assumed_and_the_flag_named() {
    let mut settler = Settler::new();
    let mut chunk = Chunk {
        starts_segment: Some(Default::default()),
        ..Chunk::default()
    };
    for i in 0..10_000 {
        let t = i as f64 / 200.0;
        let (x, v) = (
            0.025 * (TAU * 0.2 * t).sin(),
            0.025 * TAU * 0.2 * (TAU * 0.2 * t).cos(),
        );
        chunk.time.push(t);
        chunk.travel.push(x);
        // An offset of the load cell, but no rise: no proof of gas.
        chunk
            .force
            .push(-(90.0 + 20.0 * (v / 0.0005).tanh() + 1500.0 * v));
    }
    settler.add(&chunk);
    let (found, notices) = settler.settle(StatedSigns::default());
    assert_eq!(found.certainty, Certainty::Assumed);
    assert_eq!(
        (found.displacement_sign, found.force_sign),
        (Polarity::Positive, Polarity::Negative)
    );
    assert!(
        notices[0]
            .help
            .as_deref()
            .expect("help")
            .contains("--compression")
    );
}

#[test]
fn a_card_reads_its_machine_again_and_refuses_another() {
    let folder = tempfile::tempdir().expect("a folder");
    let at = |name: &str| -> PathBuf { folder.path().join(name) };
    let german = rows("Zeit [s],Weg [mm],v [mm/s],Kraft [N]", 4.0, |_, _| {})
        .replace(',', ";")
        .replace('.', ",");
    std::fs::write(at("a.csv"), &german).expect("a file");
    std::fs::write(at("b.csv"), rows(HEADER, 4.0, |_, _| {})).expect("a file");
    std::fs::write(at("c.csv"), german.replacen("[mm]", "[in]", 1)).expect("a file");
    let run = |args: &[&Path]| {
        loopwork()
            .arg("inspect")
            .args(args)
            .output()
            .expect("it runs")
    };
    let write = run(&[
        &at("a.csv"),
        Path::new("--write-card"),
        &at("card.toml"),
        Path::new("--force"),
        Path::new("positive"),
        Path::new("--compression"),
        Path::new("positive"),
    ]);
    assert!(
        write.status.success(),
        "{}",
        String::from_utf8_lossy(&write.stderr)
    );
    let again = run(&[
        &at("a.csv"),
        Path::new("--intake"),
        &at("card.toml"),
        Path::new("--json"),
        Path::new("-"),
    ]);
    assert!(
        again.status.success(),
        "{}",
        String::from_utf8_lossy(&again.stderr)
    );
    let json: serde_json::Value = serde_json::from_slice(&again.stdout).expect("JSON");
    assert_eq!(json["schema"], "loopwork.inspect/1");
    assert_eq!(json["conventions"]["certainty"], "stated");
    assert_eq!(json["channels"][1]["unit"], "mm");
    assert_eq!(
        json["steps"][0]["cycles"].as_u64().map(|n| n >= 2),
        Some(true)
    );
    for (name, differences) in [
        ("b.csv", ["delimiter", "decimal mark"]),
        ("c.csv", ["unit of displacement", "says mm"]),
    ] {
        let other = run(&[&at(name), Path::new("--intake"), &at("card.toml")]);
        assert_eq!(other.status.code(), Some(3));
        let said = String::from_utf8_lossy(&other.stderr).into_owned();
        for difference in differences {
            assert!(said.contains(difference), "{said}");
        }
    }
    std::fs::write(
        at("bad.toml"),
        "schema = \"loopwork.intake/1\"\ncolour = 1\n",
    )
    .expect("a file");
    let bad = run(&[&at("a.csv"), Path::new("--intake"), &at("bad.toml")]);
    assert_eq!(bad.status.code(), Some(2));
}

#[test]
fn an_error_shows_the_line_with_the_cell_marked() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("bad.csv");
    let text = rows(HEADER, 1.0, |i, c| {
        if i > 3 {
            c[3] = "OVER".into();
        }
    });
    std::fs::write(&path, text).expect("a file");
    let out = loopwork()
        .arg("inspect")
        .arg("bad.csv")
        .current_dir(folder.path())
        .output()
        .expect("it runs");
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8_lossy(&out.stderr).into_owned();
    assert!(
        said.contains("a force was expected, found \"OVER\""),
        "{said}"
    );
    assert!(
        said.contains("6 | 0.0080,1.256") && said.contains("^^^^ column 4, force (N)"),
        "{said}"
    );
    assert_eq!(said.matches("error:").count(), 10, "{said}");
    assert!(said.contains("and 486 more problems"), "{said}");
}

#[test]
fn a_wrong_option_names_the_nearest_word() {
    for (args, near) in [
        (["--map", "forse=F"], "did you mean force?"),
        (["--unit", "force=lbff"], "did you mean lbf?"),
        (["--delimiter", "semi"], "use one of"),
    ] {
        let out = loopwork()
            .args(["inspect", "nothing.csv"])
            .args(args)
            .output()
            .expect("it runs");
        assert_eq!(out.status.code(), Some(2));
        let said = String::from_utf8_lossy(&out.stderr).into_owned();
        assert!(said.contains(near), "{said}");
    }
}
