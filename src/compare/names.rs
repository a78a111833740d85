//! Names of runs, each different from every other.

use serde::{Deserialize, Serialize};

use crate::run::Run;

/// A run by name, file and content (contract: `base`, `others[]`).
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Named {
    /// A name for people; unique within one comparison.
    pub name: String,
    /// Its file (the first, if there are several).
    pub path: String,
    /// SHA-256 of the file; of several, joined by `+`.
    pub sha256: String,
}

/// Names the runs. Runs of one name get their path instead; the same path twice gets a
/// number.
pub fn named(runs: &[&Run]) -> Vec<Named> {
    let path = |r: &Run| {
        r.source
            .first()
            .map_or_else(String::new, |s| s.path.clone())
    };
    let mut out: Vec<Named> = Vec::new();
    for run in runs {
        let shared = runs.iter().filter(|r| r.name == run.name).count() > 1;
        let wanted = if shared && !path(run).is_empty() {
            path(run)
        } else {
            run.name.clone()
        };
        let mut name = wanted.clone();
        let mut number = 2;
        while out.iter().any(|n| n.name == name) {
            name = format!("{wanted} ({number})");
            number += 1;
        }
        let hashes: Vec<&str> = run.source.iter().map(|s| s.sha256.as_str()).collect();
        out.push(Named {
            name,
            path: path(run),
            sha256: hashes.join("+"),
        });
    }
    out
}
