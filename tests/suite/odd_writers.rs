//! Files as odd dynos, loggers and spreadsheets write them: read to the numbers that were
//! written, or refused with a reason; never read to other numbers.
#![allow(
    clippy::expect_used,
    clippy::panic,
    reason = "a failed reading fails the test"
)]

use std::f64::consts::TAU;
use std::fmt::Write as _;

use loopwork::ingest::{self, IntakeOptions};
use loopwork::notice::Notice;
use loopwork::recording::{Chunk, Closing, Layout, Recording, Understanding};

use crate::intake::read_all;

/// Rows at this many samples per second: eight seconds.
const RATE: f64 = 500.0;
const ROWS: usize = 4000;

/// Time (s), travel (mm), force (N) of a charged damper: 50 mm stroke, 0.5 Hz, then 2 Hz.
fn truth(i: usize) -> (f64, f64, f64) {
    let t = i as f64 / RATE;
    let (turns, hz) = if t < 4.0 {
        (0.5 * t, 0.5)
    } else {
        (2.0 + 2.0 * (t - 4.0), 2.0)
    };
    let (sin, cos) = (TAU * turns).sin_cos();
    let (x, v) = (-25.0 * cos, 25.0 * TAU * hz * sin);
    let c = if v > 0.0 { 1.2 } else { 2.4 };
    (t, x, 200.0 + 2.0 * x + 10.0 * (v / 2.0).tanh() + c * v)
}

fn table(header: &str, row: impl Fn(usize, f64, f64, f64) -> String) -> String {
    let mut text = header.to_owned();
    for i in 0..ROWS {
        let (t, x, f) = truth(i);
        text += &row(i, t, x, f);
    }
    text
}

fn plain(_: usize, t: f64, x: f64, f: f64) -> String {
    format!("{t:.4},{x:.5},{f:.4}\n")
}

fn in_file(text: &str) -> Result<(Understanding, Vec<Chunk>, Closing), String> {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("run.csv");
    std::fs::write(&path, text).expect("a file");
    read_all(&[path], &IntakeOptions::default())
}

fn says<'a>(closing: &'a Closing, code: &str) -> Option<&'a Notice> {
    closing.notices.iter().find(|n| n.code == code)
}

/// Reads a text and holds it against the truth, row by row, time by its differences.
fn is_read(name: &str, text: &str) -> Closing {
    let (_, chunks, closing) = in_file(text).unwrap_or_else(|e| panic!("{name}: {e}"));
    let column = |pick: fn(&Chunk) -> &Vec<f64>| -> Vec<f64> {
        chunks
            .iter()
            .flat_map(|c| pick(c).iter().copied())
            .collect()
    };
    let (time, travel, force) = (
        column(|c| &c.time),
        column(|c| &c.travel),
        column(|c| &c.force),
    );
    let seams = chunks.iter().filter(|c| c.starts_segment.is_some()).count();
    assert_eq!(seams, 1, "{name}: segments");
    assert_eq!(closing.sources[0].layout, Layout::TimeSeries, "{name}");
    assert_eq!(time.len(), ROWS, "{name}: {:?}", closing.sampling.dropped);
    let begin = time[0];
    for i in 0..ROWS {
        let (t, x, f) = truth(i);
        assert!((time[i] - begin - t).abs() < 1e-4, "{name}: time, row {i}");
        assert!(
            (travel[i] - x * 1e-3).abs() < 1e-6,
            "{name}: travel, row {i}"
        );
        assert!((force[i] - f).abs() < 6e-3, "{name}: force, row {i}");
    }
    closing
}

fn is_refused(name: &str, text: &str, code: &str) {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("run.csv");
    std::fs::write(&path, text).expect("a file");
    match ingest::open(&[path], &IntakeOptions::default()) {
        Ok(_) => panic!("{name}: read"),
        Err(error) => {
            let first = error.problems.first().expect("a problem");
            assert_eq!(first.code, code, "{name}");
            assert!(first.help.is_some(), "{name}");
        }
    }
}

/// Minutes and seconds.
fn minutes(t: f64) -> String {
    format!("{:02}:{:07.4}", (t / 60.0) as u32, t % 60.0)
}

fn trimmed(value: f64, places: usize) -> String {
    let text = format!("{value:.places$}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

#[test]
fn line_breaks_within_header_cells_are_read() {
    is_read(
        "breaks",
        &table("\"Time\n(s)\",\"Travel\n(mm)\",\"Force\n(N)\"\n", plain),
    );
    is_read(
        "two breaks a cell, CRLF, decimal comma",
        &table(
            "\"Zeit\r\n[s]\";\"Weg\r\nGeber 1\r\n[mm]\";\"Kraft\r\n[N]\"\r\n",
            |_, t, x, f| format!("{t:.4};{x:.5};{f:.4}\r\n").replace('.', ","),
        ),
    );
    is_read(
        "line feeds within cells of a file of carriage returns",
        &table(
            "\"Time\n(s)\",\"Travel\n(mm)\",\"Force\n(N)\"\r",
            |_, t, x, f| format!("{t:.4},{x:.5},{f:.4}\r"),
        ),
    );
    is_read(
        "a delimiter and a blank line within cells, after quoted text",
        &table(
            "Report \"A\"\n\n\"Time\n\n(s)\",\"Travel,\nmain\n(mm)\",Force (N)\n",
            plain,
        ),
    );
    is_read(
        "inch signs and a quotation mark that never closes join nothing",
        &table(
            "Damper: 2\" body\nShaft \"thick, 14\nTime (s),Travel (mm),Force (N)\n",
            plain,
        ),
    );
}

#[test]
fn line_breaks_within_a_remark_cell_end_no_segment() {
    let remark = |i: usize| match i {
        0 | 700 => "\"a note\nof two lines\"",
        _ if i.is_multiple_of(300) => "\"fine, still\"",
        _ => "",
    };
    is_read(
        "remark last",
        &table("Time (s),Travel (mm),Force (N),Remark\n", |i, t, x, f| {
            format!("{t:.4},{x:.5},{f:.4},{}\n", remark(i))
        }),
    );
    is_read(
        "remark first",
        &table("Remark,Time (s),Travel (mm),Force (N)\n", |i, t, x, f| {
            format!("{},{t:.4},{x:.5},{f:.4}\n", remark(i))
        }),
    );
}

#[test]
fn pages_with_the_header_again_are_one_run() {
    let header = "Time (s),Travel (mm),Force (N)\n";
    is_read(
        "pages",
        &table(header, |i, t, x, f| {
            let page = if i % 60 == 59 {
                format!("\x0cPage {}\n{header}", i / 60 + 2)
            } else {
                String::new()
            };
            plain(i, t, x, f) + &page
        }),
    );
    // Where travel jumps or the text names a speed, a new run begins though time goes on.
    for (between, jump) in [(header, 10.0), ("Speed: 100 mm/s\n", 0.0)] {
        let text = table(header, |i, t, x, f| {
            let x = if i < 2000 { x } else { x + jump };
            let between = if i == 2000 { between } else { "" };
            format!("{between}{}", plain(i, t, x, f))
        });
        let (_, chunks, _) = in_file(&text).unwrap_or_else(|e| panic!("{e}"));
        let seams = chunks.iter().filter(|c| c.starts_segment.is_some()).count();
        assert_eq!(seams, 2, "{between}");
    }
}

#[test]
fn signs_quotes_and_units_within_cells_are_read() {
    let bracket = |v: f64| {
        if v < 0.0 {
            format!("({:.5})", -v)
        } else {
            format!("{v:.5}")
        }
    };
    let behind = |v: f64| {
        if v < 0.0 {
            format!("{:.5}-", -v)
        } else {
            format!("{v:.5}")
        }
    };
    let apart = |v: f64| format!("{} {:.5}", if v < 0.0 { '-' } else { '+' }, v.abs());
    let header = "Time (s),Travel (mm),Force (N)\n";
    let ways: [(&str, &dyn Fn(f64) -> String); 3] = [
        ("brackets", &bracket),
        ("minus behind", &behind),
        ("sign apart", &apart),
    ];
    for (name, number) in ways {
        is_read(
            name,
            &table(header, |_, t, x, f| {
                format!("{t:.4},{},{}\n", number(x), number(f))
            }),
        );
    }
    is_read(
        "single quotation marks",
        &table("'Time (s)','Travel (mm)','Force (N)'\n", |_, t, x, f| {
            format!("'{t:.4}','{x:.5}','{f:.4}'\n")
        }),
    );
    is_read(
        "rows quoted as a whole",
        &table("\"Time (s),Travel (mm),Force (N)\"\n", |_, t, x, f| {
            format!("\"{t:.4},{x:.5},{f:.4}\"\n")
        }),
    );
    is_read(
        "units in the cells, changing from row to row",
        &table("Time,Travel,Force\n", |_, t, x, f| {
            if f.abs() < 400.0 {
                format!("{t:.4} s,{x:.5} mm,{f:.4} N\n")
            } else {
                format!("{t:.4} s,{:.6} cm,{:.7} kN\n", x / 10.0, f / 1000.0)
            }
        }),
    );
    let inches = "Time,Travel,Force\n".to_owned()
        + &(0..60)
            .map(|i| format!("{i} s,{} furlong,1.5 N\n", i % 7))
            .collect::<String>();
    assert!(
        in_file(&inches).is_err(),
        "a unit nobody knows is no number"
    );
}

#[test]
fn clocks_of_twelve_hours_minutes_and_days_are_read() {
    let header = "Time,Travel (mm),Force (N)\n";
    // From five seconds before one in the afternoon over the full hour.
    is_read(
        "twelve hours",
        &table(header, |_, t, x, f| {
            let s = 12.0 * 3600.0 + 59.0 * 60.0 + 55.0 + t;
            let hour = (s / 3600.0) as u32;
            let clock = format!(
                "{}:{:02}:{:07.4} PM",
                (hour - 1) % 12 + 1,
                (s / 60.0) as u32 % 60,
                s % 60.0
            );
            format!("{clock},{x:.5},{f:.4}\n")
        }),
    );
    is_read(
        "minutes and seconds",
        &table(header, |_, t, x, f| {
            format!("{},{x:.5},{f:.4}\n", minutes(57.0 + t))
        }),
    );
    // Days since the end of 1899, as spreadsheets count; 46351 is 25 November 2026.
    let serial = is_read(
        "days",
        &table("Timestamp,Travel (mm),Force (N)\n", |_, t, x, f| {
            format!("{:.10},{x:.5},{f:.4}\n", 46_351.5 + t / 86_400.0)
        }),
    );
    let rate = serial.sampling.rate_hz.expect("a rate");
    assert!((rate - RATE).abs() < 0.01, "{rate}");
}

#[test]
fn a_clock_of_whole_seconds_is_spread_evenly() {
    let text = table("Time,Travel (mm),Force (N)\n", |_, t, x, f| {
        format!("10:59:{:02},{x:.5},{f:.4}\n", 51 + t as u32)
    });
    let (_, chunks, closing) = in_file(&text).unwrap_or_else(|e| panic!("{e}"));
    assert!(says(&closing, "time-coarse").is_some());
    let seams = chunks.iter().filter(|c| c.starts_segment.is_some()).count();
    assert_eq!(seams, 1);
    let time: Vec<f64> = chunks.iter().flat_map(|c| c.time.iter().copied()).collect();
    assert_eq!(time.len(), ROWS);
    for pair in time.windows(2) {
        let off = (pair[1] - pair[0]) * RATE - 1.0;
        assert!(off.abs() < 2e-3, "{off}");
    }
}

#[test]
fn names_with_blanks_over_columns_that_blanks_keep_apart_are_read() {
    let row = |_: usize, t: f64, x: f64, f: f64| format!("{t:8.4}   {x:9.5}   {f:10.4}\n");
    is_read(
        "two blanks or more",
        &table("Time (s)   Rod travel (mm)   Force (N)\n", row),
    );
    is_read("one blank", &table("Time (s) Travel (mm) Force (N)\n", row));
    is_read(
        "tabs under blanks",
        &table("Time (s)  Travel (mm)  Force (N)\n", |_, t, x, f| {
            format!("{t:.4}\t{x:.5}\t{f:.4}\n")
        }),
    );
}

#[test]
fn blocks_each_with_a_header_of_several_lines_are_told_apart() {
    let header = "\"Time\n(s)\",\"Travel\n(mm)\",\"Force\n(N)\"\n";
    let block: String = (0..2000).fold(header.to_owned(), |mut text, i| {
        let (t, x, f) = truth(i);
        text += &plain(i, t, x, f);
        text
    });
    let (_, chunks, closing) = in_file(&block.repeat(3)).unwrap_or_else(|e| panic!("{e}"));
    let seams = chunks.iter().filter(|c| c.starts_segment.is_some()).count();
    assert_eq!((seams, closing.sampling.rows_used), (3, 6000));
    assert_eq!(closing.sampling.rate_hz.map(f64::round), Some(RATE));
}

#[test]
fn a_time_unit_that_cannot_be_is_said() {
    let text = table("Time (s),Travel (mm),Force (N)\n", |_, t, x, f| {
        format!("{:.1},{x:.5},{f:.4}\n", t * 1000.0)
    });
    let (.., closing) = in_file(&text).unwrap_or_else(|e| panic!("{e}"));
    let notice = says(&closing, "sample-interval-odd").expect("said");
    assert!(
        notice
            .help
            .as_deref()
            .is_some_and(|h| h.contains("time=ms"))
    );
    let (.., closing) = in_file(&table("Time (s),Travel (mm),Force (N)\n", plain))
        .unwrap_or_else(|e| panic!("{e}"));
    assert!(says(&closing, "sample-interval-odd").is_none());
}

#[test]
fn commas_for_both_are_refused_and_not_guessed() {
    let text = table("Time (s),Travel (mm),Force (N)\n", |_, t, x, f| {
        format!("{t:.4},{x:.5},{f:.4}\n").replace('.', ",")
    });
    is_refused("commas", &text, "comma-for-both");
    // Six whole numbers under six names are six numbers.
    let whole = (0..400).fold(
        "Time (ms),Travel (mm),Force (N),a,b,c\n".to_owned(),
        |mut text, i| {
            let (_, x, f) = truth(i);
            let _ = writeln!(text, "{},{:.0},{f:.0},1,2,3", 2 * i, x * 1.0);
            text
        },
    );
    assert!(in_file(&whole).is_ok());
}

#[test]
fn names_units_and_column_numbers_over_a_table_are_no_rows() {
    is_read(
        "numbered columns",
        &table("Time,Travel,Force\ns,mm,N\n1,2,3\n", plain),
    );
}

#[test]
fn a_column_in_a_unit_of_something_else_is_not_taken() {
    let text = table(
        "Time (s),Crank speed (rpm),Travel (mm),Force (V),Force (N)\n",
        |_, t, x, f| format!("{t:.4},30,{x:.5},{:.5},{f:.4}\n", f / 500.0),
    );
    let closing = is_read("other units", &text);
    assert!(says(&closing, "velocity-unlike").is_none());
}

#[test]
fn a_last_row_is_only_called_cut_where_its_column_has_fixed_digits() {
    let whole = table("Time (s),Travel (mm),Force (N)\n", plain);
    let dropped = |text: &str| {
        let (.., closing) = in_file(text).unwrap_or_else(|e| panic!("{e}"));
        (closing.sampling.rows_used, closing.sampling.rows_dropped)
    };
    let all = ROWS as u64;
    assert_eq!(dropped(whole.trim_end()), (all, 0), "whole");
    // Cut within the last number: after its point, before it, and within its whole part.
    for cut in [2, 4, 6, 7] {
        assert_eq!(
            dropped(&whole[..whole.len() - cut]),
            (all - 1, 1),
            "cut {cut}"
        );
    }
    // A writer that leaves zeros off: the last row may well be whole.
    let mut short = table("Time (s),Travel (mm),Force (N)\n", |_, t, x, f| {
        format!("{},{},{}\n", trimmed(t, 4), trimmed(x, 3), trimmed(f, 2))
    });
    short += "8,-25,150";
    assert_eq!(dropped(&short), (all + 1, 0), "zeros left off");
}

#[test]
fn a_reduced_table_keeps_its_last_row() {
    let folder = tempfile::tempdir().expect("a folder");
    let path = folder.path().join("run.csv");
    std::fs::write(
        &path,
        "Velocity (mm/s),Compression (N),Rebound (N)\n25,61.25,-92.25\n50,101.25,-152.75\n100,150.75,-240.25\n200,191.25,-350.5",
    )
    .expect("a file");
    let recording = ingest::open(&[path], &IntakeOptions::default());
    let Ok(Recording::Sweep { table, .. }) = recording else {
        panic!("a sweep")
    };
    assert_eq!(table.compression.len(), 4);
    assert!((table.rebound[3].1 + 350.5).abs() < 1e-9);
}

#[test]
fn a_header_with_fewer_columns_begins_a_new_segment() {
    // Found by fuzzing: time and travel go on, velocity does not.
    let text = table(
        "time (s),travel (mm),force (N),velocity (mm/s)\n",
        |i, t, x, f| match i {
            0..2000 => format!("{t:.4},{x:.5},{f:.4},1.5\n"),
            2000 => format!("time (s),force (N),travel (mm)\n{t:.4},{f:.4},{x:.5}\n"),
            _ => format!("{t:.4},{f:.4},{x:.5}\n"),
        },
    );
    let (_, chunks, _) = in_file(&text).unwrap_or_else(|e| panic!("{e}"));
    let seams = chunks.iter().filter(|c| c.starts_segment.is_some()).count();
    assert_eq!(seams, 2);
    for chunk in &chunks {
        let rows = chunk.time.len();
        assert!(chunk.velocity.is_empty() || chunk.velocity.len() == rows);
    }
    let travel: Vec<f64> = chunks
        .iter()
        .flat_map(|c| c.travel.iter().copied())
        .collect();
    assert_eq!(travel.len(), ROWS);
    for (i, travel) in travel.iter().enumerate() {
        assert!((travel - truth(i).1 * 1e-3).abs() < 1e-6, "row {i}");
    }
}

#[test]
fn rows_under_a_header_with_travel_another_way_are_left_out() {
    // Velocity must not be taken for travel half-way through a run of travel.
    let header = "time (s),travel (mm),force (N)\n";
    let text = table(header, |i, t, x, f| match i {
        2000 => format!("time (s),velocity (mm/s),force (N)\n{t:.4},777,{f:.4}\n"),
        2001..2400 => format!("{t:.4},777,{f:.4}\n"),
        2400 => format!("{header}{t:.4},{x:.5},{f:.4}\n"),
        _ => plain(i, t, x, f),
    });
    let (_, chunks, closing) = in_file(&text).unwrap_or_else(|e| panic!("{e}"));
    assert_eq!(closing.sampling.rows_dropped, 400);
    let travel: Vec<f64> = chunks
        .iter()
        .flat_map(|c| c.travel.iter().copied())
        .collect();
    assert_eq!(travel.len(), ROWS - 400);
    assert!(travel.iter().all(|x| x.abs() < 0.026));
}
