//! Where dependencies come from and under which licences.

use std::collections::BTreeMap;
use std::process::Command;

use serde_json::Value;

use crate::support::in_tree;

/// Permissive licences that may be combined with ours.
const ALLOWED: [&str; 12] = [
    "MIT",
    "Apache-2.0",
    "Apache-2.0 WITH LLVM-exception",
    "BSD-2-Clause",
    "BSD-3-Clause",
    "ISC",
    "Zlib",
    "0BSD",
    "Unlicense",
    "CC0-1.0",
    "BSL-1.0",
    "Unicode-3.0",
];

/// Whether an SPDX expression can be met with allowed licences alone. `/` is an old `OR`.
fn permitted(expression: &str) -> bool {
    let flat = expression.replace(['(', ')'], "").replace('/', " OR ");
    flat.split(" AND ")
        .all(|part| part.split(" OR ").any(|one| ALLOWED.contains(&one.trim())))
}

fn metadata() -> Option<Value> {
    let cargo = option_env!("CARGO").unwrap_or("cargo");
    let output = Command::new(cargo)
        .args(["metadata", "--format-version", "1", "--locked"])
        .current_dir(in_tree(""))
        .output()
        .ok()?;
    output
        .status
        .success()
        .then(|| serde_json::from_slice(&output.stdout).ok())
        .flatten()
}

#[test]
fn dependencies_are_permissive_and_from_the_public_registry() {
    let Some(data) = metadata() else {
        // A machine that built this once but is off the network cannot list other platforms' crates.
        assert!(
            std::env::var("CI").is_err(),
            "the list of dependencies could not be read"
        );
        println!("skipped: the list of dependencies could not be read");
        return;
    };
    let packages = data["packages"].as_array().unwrap();
    assert!(packages.len() > 50);
    let mut versions: BTreeMap<&str, usize> = BTreeMap::new();
    for package in packages {
        let name = package["name"].as_str().unwrap();
        *versions.entry(name).or_default() += 1;
        let licence = package["license"].as_str().unwrap_or("none stated");
        assert!(permitted(licence), "{name}: {licence}");
        if name != "loopwork" {
            let source = package["source"].as_str().unwrap_or("a path");
            assert!(
                source.starts_with("registry+"),
                "{name} comes from {source}"
            );
        }
    }
    let twice: Vec<&str> = versions
        .iter()
        .filter(|(_, n)| **n > 1)
        .map(|(name, _)| *name)
        .collect();
    println!("crates in more than one version: {}", twice.join(", "));
}

#[test]
fn no_dependency_is_a_wildcard() {
    let manifest: toml::Table = std::fs::read_to_string(in_tree("Cargo.toml"))
        .unwrap()
        .parse()
        .unwrap();
    for section in ["dependencies", "dev-dependencies"] {
        for (name, entry) in manifest[section].as_table().unwrap() {
            let version = entry
                .as_str()
                .or_else(|| entry.get("version").and_then(toml::Value::as_str));
            assert!(version.is_some_and(|v| v != "*"), "{name} has no version");
        }
    }
}

#[test]
fn the_licence_check_can_refuse() {
    assert!(permitted("MIT OR LGPL-2.1-or-later"));
    assert!(permitted("(MIT OR Apache-2.0) AND Unicode-3.0"));
    assert!(!permitted("GPL-3.0-only"));
    assert!(!permitted("MIT AND LGPL-2.1"));
    assert!(!permitted("none stated"));
}
