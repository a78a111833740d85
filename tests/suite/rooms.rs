//! Arrows between rooms point one way.

use std::fs;
use std::path::{Path, PathBuf};

use crate::support::in_tree;

/// Every room may use only rooms before it. Data goes down this list once.
const ORDER: [&str; 25] = [
    "notice",
    "recording",
    "units",
    "cards",
    "signal",
    "statistics",
    "ingest",
    "signs",
    "cycles",
    "steps",
    "statics",
    "curves",
    "fits",
    "heat",
    "findings",
    "run",
    "compare",
    "clicks",
    "corner",
    "report",
    "tables",
    "simulate",
    "pipeline",
    "cli",
    "main",
];

fn rust_files(folder: &Path, into: &mut Vec<PathBuf>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            rust_files(&path, into);
        } else if path.extension().is_some_and(|e| e == "rs") {
            into.push(path);
        }
    }
}

/// The rooms a source text names after `crate::`, comments and test modules left out.
fn used(text: &str) -> Vec<String> {
    let code = text.split("#[cfg(test)]").next().unwrap_or_default();
    let mut rooms = Vec::new();
    for line in code.lines().filter(|l| !l.trim_start().starts_with("//")) {
        for part in line.split("crate::").skip(1) {
            let name: String = part
                .chars()
                .take_while(|c| c.is_alphanumeric() || *c == '_')
                .collect();
            if ORDER.contains(&name.as_str()) {
                rooms.push(name);
            }
        }
    }
    rooms
}

fn rank(room: &str) -> usize {
    ORDER
        .iter()
        .position(|r| *r == room)
        .unwrap_or_else(|| panic!("room {room} has no place in ORDER"))
}

#[test]
fn no_room_uses_a_later_one() {
    let source = in_tree("src");
    let mut files = Vec::new();
    rust_files(&source, &mut files);
    assert!(files.len() > 50, "the walk found {} files", files.len());
    let mut wrong = Vec::new();
    for file in files {
        let inside = file.strip_prefix(&source).unwrap();
        let room = inside
            .iter()
            .next()
            .unwrap()
            .to_string_lossy()
            .trim_end_matches(".rs")
            .to_owned();
        if room == "lib" {
            continue;
        }
        for other in used(&fs::read_to_string(&file).unwrap()) {
            if rank(&other) > rank(&room) {
                wrong.push(format!("{} uses {other}", inside.display()));
            }
        }
    }
    assert!(
        wrong.is_empty(),
        "arrows that point back:\n{}",
        wrong.join("\n")
    );
}

#[test]
fn polars_plotters_and_clap_have_one_home_each() {
    let source = in_tree("src");
    let mut files = Vec::new();
    rust_files(&source, &mut files);
    for (name, home) in [
        ("polars", "tables"),
        ("plotters", "report"),
        ("clap", "cli"),
        ("csv", ""),
    ] {
        for file in &files {
            let inside = file.strip_prefix(&source).unwrap();
            let text = fs::read_to_string(file).unwrap();
            let uses = text
                .lines()
                .any(|l| l.trim_start().starts_with(&format!("use {name}::")));
            if uses && !home.is_empty() {
                assert!(inside.starts_with(home), "{} uses {name}", inside.display());
            }
        }
    }
}

#[test]
fn the_check_itself_sees_an_arrow() {
    assert_eq!(
        used("use crate::report::page;\n// use crate::cli::x;\n"),
        ["report"]
    );
    assert!(rank("report") > rank("steps"));
}
