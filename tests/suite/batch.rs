//! Batches: many files, bad ones among them, stopped and taken up again.

#![allow(
    clippy::unwrap_used,
    clippy::panic,
    reason = "a failed step fails the test"
)]

use std::collections::BTreeMap;
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};
use std::time::{Duration, Instant};

use crate::support::loopwork;

/// A run of three speeds from closed forms: gas + friction + damping with different
/// coefficients per direction, so that every file has its own content.
pub(crate) fn run_text(damping: f64, labels: &str) -> String {
    let mut text = String::from(labels);
    text.push_str("time (s),travel (mm),force (N)\n");
    let mut t0 = 0.0;
    for hz in [0.4, 1.0, 2.5_f64] {
        let (dt, w) = (1.0 / (hz * 120.0), std::f64::consts::TAU * hz);
        for i in 0..600 {
            let t = f64::from(i) * dt;
            let (x, v) = (-25.0 * (w * t).cos(), 0.025 * w * (w * t).sin());
            let force = 200.0
                + 2.0 * x
                + 30.0 * (v / 0.002).tanh()
                + damping * v * if v > 0.0 { 1.0 } else { 1.6 };
            let _ = writeln!(text, "{:.5},{x:.4},{force:.2}", t0 + t);
        }
        t0 += 600.0 * dt;
    }
    text
}

fn write_runs(folder: &Path, count: usize) {
    std::fs::create_dir_all(folder).unwrap();
    for i in 0..count {
        let damping = 1500.0 + 3.0 * i as f64;
        std::fs::write(
            folder.join(format!("run-{i:03}.csv")),
            run_text(damping, ""),
        )
        .unwrap();
    }
}

/// A table as rows of name → cell.
fn table(path: &Path) -> Vec<BTreeMap<String, String>> {
    let mut reader = csv::Reader::from_path(path).unwrap();
    let head = reader.headers().unwrap().clone();
    reader
        .records()
        .map(|r| {
            let record = r.unwrap();
            head.iter()
                .map(str::to_owned)
                .zip(record.iter().map(str::to_owned))
                .collect()
        })
        .collect()
}

/// Everything a batch gives, by name.
fn outputs(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    walkdir::WalkDir::new(folder)
        .into_iter()
        .map(Result::unwrap)
        .filter(|e| {
            e.file_type().is_file() && !e.path().to_string_lossy().contains(".loopwork-batch")
        })
        .map(|e| {
            let name = e.path().strip_prefix(folder).unwrap().to_owned();
            (name, std::fs::read(e.path()).unwrap())
        })
        .collect()
}

fn batch(inputs: &Path, out: &Path) -> assert_cmd::Command {
    let mut command = loopwork();
    command.arg("batch").arg(inputs).arg("--report").arg(out);
    command
}

#[test]
fn bad_files_become_rows_and_the_rest_is_analysed() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs.join("a"), 4);
    std::fs::write(runs.join("empty.csv"), "").unwrap();
    std::fs::write(runs.join("letter.txt"), "Dear Sir,\nthank you.\n").unwrap();
    std::fs::write(runs.join("photo.jpg"), [0xff, 0xd8]).unwrap();
    std::fs::write(runs.join(".hidden.csv"), "x").unwrap();
    let missing = place.path().join("gone.csv");
    let done = batch(&runs, &out).arg(&missing).assert().success();
    let said = String::from_utf8_lossy(&done.get_output().stderr).into_owned();
    assert!(
        said.contains("passed over 1 file of other kinds (photo.jpg)"),
        "{said}"
    );
    let rows = table(&out.join("runs.csv"));
    let status = |name: &str| {
        let row = rows.iter().find(|r| r["path"].ends_with(name)).unwrap();
        (row["status"].clone(), row["error"].clone())
    };
    assert_eq!(rows.len(), 7, "{rows:?}");
    for i in 0..4 {
        assert_eq!(status(&format!("run-{i:03}.csv")).0, "ok");
    }
    for name in ["empty.csv", "letter.txt", "gone.csv"] {
        let (state, message) = status(name);
        assert_eq!(state, "error", "{name}");
        assert!(!message.is_empty(), "{name}");
    }
    assert!(status("gone.csv").1.contains("could not open"));
    // Three speeds a run, and the curves join on the run's id.
    assert_eq!(table(&out.join("steps.csv")).len(), 12);
    let ids: std::collections::BTreeSet<String> = table(&out.join("curves.csv"))
        .iter()
        .map(|r| r["run_id"].clone())
        .collect();
    assert_eq!(ids.len(), 4);
    let page = std::fs::read_to_string(out.join("index.html")).unwrap();
    assert!(
        page.contains("4 runs analysed, 3 files could not be used"),
        "{page}"
    );
    assert!(!page.contains("http://") && !page.contains("https://"));
}

#[test]
fn a_second_batch_does_nothing_and_gives_the_same_bytes() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 5);
    std::fs::write(runs.join("bad.csv"), "no numbers here\n").unwrap();
    batch(&runs, &out).assert().success();
    let first = outputs(&out);
    let again = batch(&runs, &out).assert().success();
    let said = String::from_utf8_lossy(&again.get_output().stdout).into_owned();
    assert!(said.contains("(0 analysed now, 6 known before)"), "{said}");
    assert_eq!(first, outputs(&out));
    // Elsewhere, on one processor: the same tables.
    let other = place.path().join("other");
    batch(&runs, &other)
        .args(["--jobs", "1"])
        .assert()
        .success();
    assert_eq!(first, outputs(&other));
}

#[test]
fn a_moved_file_is_known_by_its_content_and_a_changed_one_is_done_again() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 3);
    batch(&runs, &out).assert().success();
    std::fs::create_dir(runs.join("kept")).unwrap();
    std::fs::copy(runs.join("run-000.csv"), runs.join("kept").join("copy.csv")).unwrap();
    std::fs::write(runs.join("run-001.csv"), run_text(2500.0, "")).unwrap();
    let again = batch(&runs, &out).assert().success();
    let said = String::from_utf8_lossy(&again.get_output().stdout).into_owned();
    assert!(
        said.contains("4 runs listed (1 analysed now, 3 known before, 1 copies"),
        "{said}"
    );
    let rows = table(&out.join("runs.csv"));
    let row = |name: &str| rows.iter().find(|r| r["path"].ends_with(name)).unwrap();
    // The copy sorts first, so the original is named as the copy of it.
    assert!(row("run-000.csv")["duplicate_of"].ends_with("copy.csv"));
    assert_eq!(row("copy.csv")["name"], "copy");
    let force =
        |r: &BTreeMap<String, String>| r["peak_force_compression_n"].parse::<f64>().unwrap();
    assert!(force(row("run-001.csv")) > 1.4 * force(row("run-002.csv")));
}

#[test]
fn a_batch_killed_at_any_moment_is_taken_up_without_loss() {
    let place = tempfile::tempdir().unwrap();
    let (runs, whole, torn) = (
        place.path().join("runs"),
        place.path().join("whole"),
        place.path().join("torn"),
    );
    write_runs(&runs, 24);
    batch(&runs, &whole).assert().success();
    for wait in [30, 90, 150, 210, 270, 330] {
        let mut child = Command::new(env!("CARGO_BIN_EXE_loopwork"))
            .args(["batch", "--quiet"])
            .arg(&runs)
            .arg("--report")
            .arg(&torn)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(Duration::from_millis(wait));
        // SIGKILL on Unix: no handler runs.
        child.kill().unwrap();
        child.wait().unwrap();
        // Whatever table is there reads to its end.
        for (name, bytes) in outputs(&torn) {
            assert!(
                bytes.ends_with(b"\n") || bytes.ends_with(b"PAR1") || name.ends_with("index.html"),
                "{}",
                name.display()
            );
        }
    }
    batch(&runs, &torn).assert().success();
    assert_eq!(outputs(&whole), outputs(&torn));
    let left: Vec<String> = std::fs::read_dir(torn.join(".loopwork-batch"))
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .filter(|n| n.starts_with(".loopwork-"))
        .collect();
    assert!(left.is_empty(), "{left:?}");
}

#[test]
fn what_a_killed_batch_left_half_written_goes_away_wherever_it_lies() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 2);
    batch(&runs, &out).assert().success();
    let before = outputs(&out);
    let split = out.join("parquet").join("curves").join("day=2026-11-25");
    std::fs::create_dir_all(&split).unwrap();
    for folder in [&out, &out.join(".loopwork-batch"), &split] {
        std::fs::write(folder.join(".loopwork-65HXVk"), b"half").unwrap();
    }
    batch(&runs, &out).assert().success();
    assert_eq!(outputs(&out), before);
    assert!(
        !out.join(".loopwork-batch")
            .join(".loopwork-65HXVk")
            .exists()
    );
}

#[test]
fn numbers_come_back_from_the_journal_as_they_went_in() {
    // Read loosely, these come back one unit in the last place off, and a batch that was taken
    // up again would differ from one that ran through.
    for number in [
        1.664_095_628_821_770_4e-12_f64,
        7.462_820_824_058_947e-13,
        6.339_089_695_424_616e-13,
    ] {
        let text = serde_json::to_string(&number).unwrap();
        let back: f64 = serde_json::from_str(&text).unwrap();
        assert_eq!(number.to_bits(), back.to_bits(), "{text}");
    }
}

#[test]
fn a_torn_last_line_of_the_journal_is_cut_off() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 3);
    batch(&runs, &out).assert().success();
    let first = outputs(&out);
    let journal = out.join(".loopwork-batch").join("journal.jsonl");
    let bytes = std::fs::read(&journal).unwrap();
    for keep in [bytes.len() - 1, bytes.len() - 200, bytes.len() / 2, 17, 0] {
        std::fs::write(&journal, &bytes[..keep]).unwrap();
        batch(&runs, &out).assert().success();
        assert_eq!(first, outputs(&out), "{keep} bytes kept");
    }
    // Rubbish in the middle costs only its own line.
    let mut spoilt = bytes;
    spoilt[40] = b'\x00';
    std::fs::write(&journal, &spoilt).unwrap();
    batch(&runs, &out).assert().success();
    assert_eq!(first, outputs(&out));
}

#[test]
fn two_batches_cannot_write_to_one_folder() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 1);
    batch(&runs, &out).assert().success();
    let lock = std::fs::File::options()
        .write(true)
        .open(out.join(".loopwork-batch").join("lock"))
        .unwrap();
    lock.lock().unwrap();
    let done = batch(&runs, &out).assert().code(4);
    let said = String::from_utf8_lossy(&done.get_output().stderr).into_owned();
    assert!(said.contains("another batch is writing to"), "{said}");
    drop(lock);
    batch(&runs, &out).assert().success();
}

#[test]
fn a_folder_with_files_that_are_not_ours_is_left_alone() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 1);
    std::fs::create_dir(&out).unwrap();
    std::fs::write(out.join("runs.csv"), "mine").unwrap();
    let done = batch(&runs, &out).assert().code(4);
    let said = String::from_utf8_lossy(&done.get_output().stderr).into_owned();
    assert!(said.contains("is not from a batch"), "{said}");
    assert_eq!(std::fs::read(out.join("runs.csv")).unwrap(), b"mine");
    batch(&runs, &out).arg("--overwrite").assert().success();
}

#[test]
fn results_inside_the_searched_folder_are_not_taken_for_runs() {
    let place = tempfile::tempdir().unwrap();
    write_runs(place.path(), 2);
    let out = place.path().join("results");
    batch(place.path(), &out).assert().success();
    let again = batch(place.path(), &out).assert().success();
    let said = String::from_utf8_lossy(&again.get_output().stdout).into_owned();
    assert!(
        said.contains("2 runs listed (0 analysed now, 2 known"),
        "{said}"
    );
}

#[test]
fn lines_come_in_the_order_of_the_files_and_nothing_is_kept() {
    let place = tempfile::tempdir().unwrap();
    let runs = place.path().join("runs");
    write_runs(&runs, 6);
    std::fs::write(runs.join("run-002.csv"), "nothing\n").unwrap();
    let list: String = std::fs::read_dir(&runs)
        .unwrap()
        .map(|e| format!("{}\n", e.unwrap().path().display()))
        .collect();
    let mut texts = Vec::new();
    for jobs in ["1", "3"] {
        let done = loopwork()
            .current_dir(place.path())
            .args([
                "batch",
                "--format",
                "jsonl",
                "--paths-from",
                "-",
                "--jobs",
                jobs,
            ])
            .write_stdin(list.clone())
            .assert()
            .success();
        texts.push(String::from_utf8(done.get_output().stdout.clone()).unwrap());
    }
    assert_eq!(texts[0], texts[1]);
    let lines: Vec<serde_json::Value> = texts[0]
        .lines()
        .map(|l| serde_json::from_str(l).unwrap())
        .collect();
    assert_eq!(lines.len(), 6);
    for (i, line) in lines.iter().enumerate() {
        assert_eq!(line["schema"], "loopwork.run/1");
        let path = line["source"][0]["path"].as_str().unwrap();
        assert!(path.ends_with(&format!("run-{i:03}.csv")), "{path}");
        assert_eq!(line["error"].is_object(), i == 2);
    }
    assert!(
        lines[2]["error"]["message"]
            .as_str()
            .is_some_and(|m| !m.is_empty())
    );
    assert!(!place.path().join("reports").exists());
}

#[test]
fn patterns_and_wrong_usage() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 3);
    let pattern = format!("{}/**/run-00[12].csv", place.path().display());
    loopwork()
        .args(["batch", &pattern, "--report"])
        .arg(&out)
        .assert()
        .success();
    assert_eq!(table(&out.join("runs.csv")).len(), 2);
    loopwork().arg("batch").assert().code(2);
    let none = loopwork()
        .args(["batch", &format!("{}/*.none", place.path().display())])
        .assert()
        .code(3);
    let said = String::from_utf8_lossy(&none.get_output().stderr).into_owned();
    assert!(said.contains("no file to analyse was found"), "{said}");
    std::fs::write(place.path().join("only.csv"), "").unwrap();
    batch(&place.path().join("only.csv"), &place.path().join("o2"))
        .assert()
        .code(3);
}

#[cfg(unix)]
#[test]
fn links_in_a_circle_end_with_a_warning() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs.join("deep"), 2);
    std::os::unix::fs::symlink(&runs, runs.join("deep").join("up")).unwrap();
    let done = batch(&runs, &out).assert().success();
    let said = String::from_utf8_lossy(&done.get_output().stderr).into_owned();
    assert!(said.contains("is a link back to"), "{said}");
    assert_eq!(table(&out.join("runs.csv")).len(), 2);
}

/// A file system of 600 kB, mounted where that is allowed: the disk is full for real.
#[cfg(target_os = "linux")]
#[test]
#[allow(clippy::print_stdout, reason = "a skipped test says so")]
fn a_full_disk_ends_in_a_plain_message_and_loses_nothing() {
    let place = tempfile::tempdir().unwrap();
    let (runs, disk) = (place.path().join("runs"), place.path().join("disk"));
    write_runs(&runs, 40);
    std::fs::create_dir(&disk).unwrap();
    let mounted = Command::new("mount")
        .args(["-t", "tmpfs", "-o", "size=600k", "tmpfs"])
        .arg(&disk)
        .stderr(Stdio::null())
        .status()
        .is_ok_and(|s| s.success());
    if !mounted {
        println!("skipped: a small file system cannot be mounted here");
        return;
    }
    let out = disk.join("out");
    let full = batch(&runs, &out).ok();
    let failed = match full {
        Err(error) => error.as_output().cloned(),
        Ok(_) => None,
    };
    let journal = out.join(".loopwork-batch").join("journal.jsonl");
    let kept = std::fs::read(&journal).unwrap_or_default();
    let room = Command::new("mount")
        .args(["-o", "remount,size=64m"])
        .arg(&disk)
        .status()
        .is_ok_and(|s| s.success());
    let after = room.then(|| batch(&runs, &out).output().unwrap());
    let rows = room.then(|| table(&out.join("runs.csv")).len());
    let _ = Command::new("umount").arg(&disk).status();
    let failed = failed.unwrap();
    assert_eq!(failed.status.code(), Some(4));
    let said = String::from_utf8_lossy(&failed.stderr).into_owned();
    assert!(
        said.contains("No space left on device") && said.contains("make room"),
        "{said}"
    );
    let done = kept.iter().filter(|b| **b == b'\n').count();
    assert!(
        done > 0 && done < 40,
        "{done} records on a disk for a part of them"
    );
    let after = String::from_utf8_lossy(&after.unwrap().stdout).into_owned();
    assert!(
        after.contains(&format!(
            "({} analysed now, {done} known before)",
            40 - done
        )),
        "{after}"
    );
    assert_eq!(rows, Some(40));
}

fn watch(incoming: &Path, out: &Path) -> std::process::Child {
    Command::new(env!("CARGO_BIN_EXE_loopwork"))
        .args([
            "batch", "--quiet", "--every", "0.1", "--settle", "2", "--watch",
        ])
        .arg(incoming)
        .arg("--report")
        .arg(out)
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .unwrap()
}

fn journal_lines(out: &Path) -> usize {
    std::fs::read(out.join(".loopwork-batch").join("journal.jsonl"))
        .map_or(0, |bytes| bytes.iter().filter(|b| **b == b'\n').count())
}

fn wait_until(what: &str, mut good: impl FnMut() -> bool) {
    let begun = Instant::now();
    while !good() {
        assert!(
            begun.elapsed() < Duration::from_secs(60),
            "waited in vain: {what}"
        );
        std::thread::sleep(Duration::from_millis(50));
    }
}

#[test]
fn a_watch_takes_complete_files_once_across_a_kill() {
    let place = tempfile::tempdir().unwrap();
    let (incoming, out) = (place.path().join("in"), place.path().join("out"));
    write_runs(&incoming, 2);
    let mut first = watch(&incoming, &out);
    wait_until("two runs", || journal_lines(&out) == 2);
    // A file that grows for a while is not taken before it has stopped.
    let text = run_text(3000.0, "");
    let growing = incoming.join("growing.csv");
    let parts: Vec<&str> = text.split_inclusive('\n').collect();
    for part in parts.chunks(parts.len() / 12) {
        use std::io::Write as _;
        let mut file = std::fs::File::options()
            .create(true)
            .append(true)
            .open(&growing)
            .unwrap();
        file.write_all(part.concat().as_bytes()).unwrap();
        assert_eq!(journal_lines(&out), 2);
        std::thread::sleep(Duration::from_millis(60));
    }
    wait_until("the grown run", || journal_lines(&out) == 3);
    first.kill().unwrap();
    first.wait().unwrap();
    // Arrived while nobody watched.
    std::fs::write(incoming.join("late.csv"), run_text(3100.0, "")).unwrap();
    let mut second = watch(&incoming, &out);
    wait_until("the late run", || journal_lines(&out) == 4);
    wait_until("tables", || {
        std::fs::read_to_string(out.join("runs.csv")).is_ok_and(|t| t.contains("late.csv"))
    });
    // Nothing comes twice, and a taken file stays listed when it is moved away.
    std::fs::remove_file(incoming.join("run-000.csv")).unwrap();
    std::thread::sleep(Duration::from_millis(600));
    assert_eq!(journal_lines(&out), 4);
    second.kill().unwrap();
    second.wait().unwrap();
    let rows = table(&out.join("runs.csv"));
    assert_eq!(rows.len(), 4);
    assert!(rows.iter().all(|r| r["status"] == "ok"), "{rows:?}");
}

#[cfg(unix)]
#[test]
fn an_interrupt_leaves_tables_of_what_was_done() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    write_runs(&runs, 40);
    let child = Command::new(env!("CARGO_BIN_EXE_loopwork"))
        .args(["batch", "--jobs", "1"])
        .arg(&runs)
        .arg("--report")
        .arg(&out)
        .stdout(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    wait_until("a few runs", || journal_lines(&out) >= 3);
    let sent = Command::new("kill")
        .args(["-INT", &child.id().to_string()])
        .status()
        .unwrap();
    assert!(sent.success());
    let ended = child.wait_with_output().unwrap();
    let done = table(&out.join("runs.csv")).len();
    if ended.status.code() == Some(130) {
        let said = String::from_utf8_lossy(&ended.stderr).into_owned();
        assert!(said.contains("goes on from here"), "{said}");
        assert!((3..40).contains(&done), "{done}");
    } else {
        // It was done before the signal came.
        assert_eq!(done, 40);
    }
    assert!(out.join("index.html").exists());
    batch(&runs, &out).assert().success();
    assert_eq!(table(&out.join("runs.csv")).len(), 40);
}

#[test]
fn families_and_days_come_from_the_labels() {
    let place = tempfile::tempdir().unwrap();
    let (runs, out) = (place.path().join("runs"), place.path().join("out"));
    std::fs::create_dir(&runs).unwrap();
    for i in 0..20_usize {
        let odd = i == 13;
        let damping = if odd {
            1900.0
        } else {
            1500.0 + 4.0 * ((i * 7) % 20) as f64
        };
        let labels = format!("lot: M{}\ndate: 2026-03-{:02}\n", i % 2, 1 + i / 4);
        std::fs::write(runs.join(format!("{i:02}.csv")), run_text(damping, &labels)).unwrap();
    }
    batch(&runs, &out)
        .args(["--family", "lot"])
        .assert()
        .success();
    let rows = table(&out.join("runs.csv"));
    let outside: Vec<&str> = rows
        .iter()
        .filter(|r| r["out_of_family"] == "true")
        .map(|r| r["name"].as_str())
        .collect();
    assert_eq!(outside, ["13"]);
    let row = rows.iter().find(|r| r["name"] == "13").unwrap();
    assert_eq!(
        (row["day"].as_str(), row["family"].as_str()),
        ("2026-03-04", "M1")
    );
    let bands = table(&out.join("population.csv"));
    assert!(
        bands
            .iter()
            .any(|r| r["family"] == "M0" && r["direction"] == "rebound")
    );
    let page = std::fs::read_to_string(out.join("index.html")).unwrap();
    let first = page.find("<b title=").unwrap();
    assert!(
        page[first..first + 200].contains("13.csv"),
        "outliers come first"
    );
}
