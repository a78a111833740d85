//! Reports through the binary.
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::path::{Path, PathBuf};

use base64::Engine as _;
use sha2::{Digest as _, Sha256};

use super::support::{in_tree, loopwork};

fn sample(name: &str) -> PathBuf {
    in_tree("sample-runs").join(name)
}

fn made(input: &Path, folder: &Path, more: &[&str]) -> assert_cmd::assert::Assert {
    loopwork()
        .arg("analyze")
        .arg(input)
        .arg("--report")
        .arg(folder)
        .args(more)
        .assert()
}

fn names(folder: &Path) -> Vec<String> {
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .unwrap()
        .map(|e| e.unwrap().file_name().to_string_lossy().into_owned())
        .collect();
    names.sort();
    names
}

#[test]
fn a_report_is_one_page_and_its_pictures() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("out");
    made(&sample("low-gas-monotube.csv"), &folder, &[]).success();
    let names = names(&folder);
    for name in [
        "index.html",
        "summary.png",
        "force-speed.png",
        "force-travel.png",
        "force-velocity-loops.png",
        "heat.png",
        "hysteresis.png",
        "stability.png",
    ] {
        assert!(names.iter().any(|n| n == name), "{name} in {names:?}");
    }
    let page = std::fs::read_to_string(folder.join("index.html")).unwrap();
    assert!(page.len() < 1_000_000, "{} bytes", page.len());
    for name in names.iter().filter(|n| n.ends_with(".png")) {
        let bytes = std::fs::read(folder.join(name)).unwrap();
        assert_eq!(&bytes[..8], b"\x89PNG\r\n\x1a\n", "{name}");
    }
}

/// Content security: W3C CSP level 3 (hash sources); one script, and its hash is the one
/// the page states; nothing names another place.
#[test]
fn a_page_forbids_everything_but_its_own_script() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("out");
    made(&sample("healthy-monotube.csv"), &folder, &[]).success();
    let page = std::fs::read_to_string(folder.join("index.html")).unwrap();
    assert_eq!(page.matches("<script").count(), 1);
    let script = page
        .split_once("<script>")
        .and_then(|(_, rest)| rest.split_once("</script>"))
        .unwrap()
        .0;
    let hash = base64::engine::general_purpose::STANDARD.encode(Sha256::digest(script));
    assert!(page.contains("default-src 'none'"));
    assert!(page.contains(&format!("script-src 'sha256-{hash}'")));
    let without_names = page.replace("http://www.w3.org/2000/svg", "");
    for trace in [
        "http:", "https:", "//cdn", "<link", "<img", "@import", "url(",
    ] {
        assert!(!without_names.contains(trace), "{trace}");
    }
}

#[test]
fn the_same_run_makes_the_same_report_twice() {
    let place = tempfile::tempdir().unwrap();
    let (a, b) = (place.path().join("a"), place.path().join("b"));
    made(&sample("mount-play.csv"), &a, &[]).success();
    made(&sample("mount-play.csv"), &b, &[]).success();
    assert_eq!(names(&a), names(&b));
    for name in names(&a) {
        let same = std::fs::read(a.join(&name)).unwrap() == std::fs::read(b.join(&name)).unwrap();
        assert!(same, "{name} differs");
    }
}

#[test]
fn another_runs_report_is_left_alone() {
    let place = tempfile::tempdir().unwrap();
    let folder = place.path().join("out");
    made(&sample("pair-left.csv"), &folder, &["--quiet"]).success();
    let before = std::fs::read(folder.join("index.html")).unwrap();
    let refused = made(&sample("pair-right.csv"), &folder, &["--quiet"]).code(4);
    let said = String::from_utf8_lossy(&refused.get_output().stderr).into_owned();
    assert!(said.contains("different run"), "{said}");
    assert!(said.contains("--overwrite"), "{said}");
    assert_eq!(before, std::fs::read(folder.join("index.html")).unwrap());
    made(&sample("pair-left.csv"), &folder, &["--quiet"]).success();
    made(
        &sample("pair-right.csv"),
        &folder,
        &["--quiet", "--overwrite"],
    )
    .success();
    assert_ne!(before, std::fs::read(folder.join("index.html")).unwrap());
}

#[test]
fn what_cannot_be_written_leaves_nothing_and_says_so() {
    let place = tempfile::tempdir().unwrap();
    let file = place.path().join("file");
    std::fs::write(&file, "in the way").unwrap();
    for folder in [file.clone(), file.join("below")] {
        let failed = made(&sample("pair-left.csv"), &folder, &[]).code(4);
        assert!(failed.get_output().stdout.is_empty());
    }
    assert_eq!(names(place.path()), ["file"]);
}

#[test]
fn input_that_cannot_be_used_leaves_no_report() {
    let place = tempfile::tempdir().unwrap();
    for name in ["x-empty.csv", "x-header-only.csv", "x-constant-travel.csv"] {
        let folder = place.path().join(name);
        made(&sample(name), &folder, &[]).code(3);
    }
    assert!(names(place.path()).is_empty());
}

#[test]
fn json_on_standard_output_stands_alone() {
    let place = tempfile::tempdir().unwrap();
    let run = loopwork()
        .current_dir(place.path())
        .arg("analyze")
        .arg(sample("pair-left.csv"))
        .args(["--no-report", "--json", "-"])
        .assert()
        .success();
    let value: serde_json::Value = serde_json::from_slice(&run.get_output().stdout).unwrap();
    assert_eq!(value["schema"], "loopwork.run/1");
    assert!(names(place.path()).is_empty());
}

#[test]
fn json_never_goes_over_the_input() {
    let place = tempfile::tempdir().unwrap();
    let input = place.path().join("run.csv");
    std::fs::copy(sample("pair-left.csv"), &input).unwrap();
    let before = std::fs::read(&input).unwrap();
    loopwork()
        .arg("analyze")
        .arg(&input)
        .args(["--no-report", "--json"])
        .arg(&input)
        .assert()
        .code(2);
    assert_eq!(before, std::fs::read(&input).unwrap());
}

fn summary(name: &str, more: &[&str]) -> String {
    let run = loopwork()
        .arg("analyze")
        .arg(sample(name))
        .arg("--no-report")
        .args(more)
        .assert()
        .success();
    String::from_utf8(run.get_output().stdout.clone()).unwrap()
}

#[test]
fn the_summary_fits_eighty_columns_without_colour() {
    for name in ["low-gas-monotube.csv", "pair-left.csv", "hot-fade.csv"] {
        for more in [&[][..], &["--plain"], &["--units", "us"]] {
            let text = summary(name, more);
            for line in text.lines() {
                let width = unicode_width::UnicodeWidthStr::width(line);
                assert!(width <= 80, "{name} {more:?}: {width} columns: {line}");
            }
            assert!(!text.contains('\u{1b}'), "{name} {more:?}");
        }
    }
}

#[test]
fn plain_text_has_no_drawing_in_it() {
    let text = summary("low-gas-monotube.csv", &["--plain"]);
    let drawn = |c: &char| matches!(*c, '\u{2500}'..='\u{259f}' | '\u{2800}'..='\u{28ff}');
    assert_eq!(text.chars().find(drawn), None);
    assert!(text.contains("Gas force at mid-stroke: "), "{text}");
}

#[test]
fn quiet_is_quiet() {
    assert_eq!(summary("pair-left.csv", &["--quiet"]), "");
}

#[test]
fn us_units_reach_every_number_of_the_summary() {
    let text = summary("pair-left.csv", &["--units", "us"]);
    for unit in ["lbf", "in/s", "lbf·s/in", "ft·lbf"] {
        assert!(text.contains(unit), "{unit} in {text}");
    }
    let body = text.split("Read and assumed").next().unwrap();
    for unit in [" m/s", " mm", " N·s/m", " J "] {
        assert!(!body.contains(unit), "{unit} in {body}");
    }
}

#[test]
fn a_bad_damper_card_is_named_with_its_line() {
    let place = tempfile::tempdir().unwrap();
    let card = place.path().join("card.toml");
    std::fs::write(&card, "rod_mm = 12.4\nbore = 36\n").unwrap();
    let run = loopwork()
        .arg("analyze")
        .arg(sample("pair-left.csv"))
        .args(["--no-report", "--damper"])
        .arg(&card)
        .assert()
        .code(3);
    let said = String::from_utf8_lossy(&run.get_output().stderr).into_owned();
    assert!(said.contains("card.toml"), "{said}");
    assert!(said.contains("bore"), "{said}");
    assert!(said.contains('2'), "{said}");
}

/// Commands in the fenced blocks of `reports/README.md`.
fn example_commands() -> Vec<Vec<String>> {
    let text = std::fs::read_to_string(in_tree("reports/README.md")).unwrap();
    text.lines()
        .map(str::trim)
        .filter_map(|line| line.strip_prefix("loopwork "))
        .map(|line| line.split_whitespace().map(str::to_owned).collect())
        .collect()
}

/// Size of a picture and its pixels, unpacked: how tightly a build of the compressor packs
/// them does not matter.
fn pixels(name: &str, bytes: &[u8]) -> ((u32, u32), usize, Vec<u8>) {
    let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
    decoder.set_transformations(png::Transformations::EXPAND);
    let mut reader = decoder.read_info().unwrap();
    let mut data = vec![0; reader.output_buffer_size().unwrap()];
    let info = reader.next_frame(&mut data).unwrap();
    assert!(info.width > 0 && info.height > 0, "{name} is empty");
    data.truncate(info.buffer_size());
    ((info.width, info.height), info.color_type.samples(), data)
}

/// Pictures may differ by a rounding of the machine that made them: one pixel in a hundred,
/// no more.
fn loosely(name: &str, a: &[u8], b: &[u8]) {
    let (size, samples, old) = pixels(name, a);
    let (new_size, new_samples, new) = pixels(name, b);
    assert_eq!(
        (size, samples),
        (new_size, new_samples),
        "{name}: size of the picture"
    );
    let differ = old
        .chunks(samples)
        .zip(new.chunks(samples))
        .filter(|(a, b)| a != b)
        .count();
    let all = old.len() / samples;
    assert!(
        differ * 100 <= all,
        "{name}: {differ} of {all} pixels differ"
    );
}

#[test]
fn the_example_reports_are_what_their_commands_make() {
    let commands = example_commands();
    assert!(!commands.is_empty());
    let place = tempfile::tempdir().unwrap();
    for command in commands {
        let at = command.iter().position(|w| w == "--report").unwrap() + 1;
        let kept = in_tree(&command[at]);
        let fresh = place.path().join("fresh");
        let mut command = command.clone();
        command[at] = fresh.to_string_lossy().into_owned();
        if let Some(j) = command.iter().position(|w| w == "--json") {
            let json = fresh.join(Path::new(&command[j + 1]).file_name().unwrap());
            command[j + 1] = json.to_string_lossy().into_owned();
        }
        loopwork()
            .current_dir(in_tree(""))
            .args(&command)
            .assert()
            .success();
        assert_eq!(names(&kept), names(&fresh), "{command:?}");
        let mut total = 0;
        for name in names(&kept) {
            let (old, new) = (
                std::fs::read(kept.join(&name)).unwrap(),
                std::fs::read(fresh.join(&name)).unwrap(),
            );
            total += old.len();
            if name.ends_with(".png") {
                loosely(&name, &old, &new);
            } else if name.ends_with(".pdf") {
                let same = super::sheet::alike(&old, &new);
                assert!(same, "{name} of {} differs", kept.display());
            } else {
                let same = old == new;
                assert!(same, "{name} of {} differs", kept.display());
            }
        }
        assert!(total < 1_500_000, "{total} bytes");
        std::fs::remove_dir_all(&fresh).unwrap();
    }
}
