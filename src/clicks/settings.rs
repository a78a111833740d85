//! The settings of all runs of a sweep.

use std::collections::{BTreeMap, BTreeSet};

use super::setting::Setting;
use crate::notice::{Error, Place};

/// Setting of each adjuster, by its name.
pub type Settings = BTreeMap<String, Setting>;

/// Words that make a label an adjuster's.
const WORDS: [&str; 5] = ["click", "clicks", "turn", "turns", "adjuster"];

/// Whether a label names an adjuster (`Rebound clicks`).
pub fn is_adjuster_label(label: &str) -> bool {
    label
        .to_lowercase()
        .split(|c: char| !c.is_alphanumeric())
        .any(|word| WORDS.contains(&word))
}

/// Settings from the labels of files, in their order: (path, labels) of each.
///
/// # Errors
/// [`crate::notice::Fault::Input`] for files without such a label, one that lacks a label
/// the others have, or one whose label is no number.
pub fn from_labels(files: &[(&str, &BTreeMap<String, String>)]) -> Result<Vec<Settings>, Error> {
    let names: BTreeSet<&str> = files
        .iter()
        .flat_map(|(_, labels)| labels.keys())
        .filter(|label| is_adjuster_label(label))
        .map(String::as_str)
        .collect();
    if names.is_empty() {
        return Err(Error::input(
            "no-settings",
            "no file has a label that names an adjuster, such as \"Rebound clicks: 3\"",
        )
        .help("write the setting above the header, or give file names or a table that hold it"));
    }
    let refused = |path: &str, code, what: String| {
        Err(Error::input(code, what)
            .at(Place {
                path: Some(path.to_owned()),
                ..Place::default()
            })
            .help("write a number of clicks or turns, such as 3, 2.5 or 1 1/2"))
    };
    let mut out = Vec::new();
    for (path, labels) in files {
        let mut settings = Settings::new();
        for name in &names {
            let Some(text) = labels.get(*name) else {
                return refused(
                    path,
                    "setting-missing",
                    format!("{path} has no label \"{name}\", other files of the sweep have"),
                );
            };
            let Some(setting) = Setting::parse(text) else {
                return refused(
                    path,
                    "setting-no-number",
                    format!("{path}: \"{name}\" is \"{text}\", expected a number"),
                );
            };
            settings.insert((*name).to_owned(), setting);
        }
        out.push(settings);
    }
    Ok(out)
}

/// Refuses what is no sweep.
///
/// # Errors
/// [`crate::notice::Fault::Input`] if every run is at one setting, or one adjuster is
/// counted in clicks here and turns there, or from closed here and from open there.
pub fn check_sweep(runs: &[Settings]) -> Result<(), Error> {
    let names: BTreeSet<&String> = runs.iter().flat_map(BTreeMap::keys).collect();
    let all = |name: &String| runs.iter().filter_map(|r| r.get(name)).collect::<Vec<_>>();
    for name in &names {
        let settings = all(name);
        let units: Vec<_> = settings.iter().filter_map(|s| s.unit).collect();
        let starts: Vec<_> = settings.iter().filter_map(|s| s.counted_from).collect();
        let differs = units.windows(2).any(|w| w[0] != w[1]);
        if differs || starts.windows(2).any(|w| w[0] != w[1]) {
            return Err(Error::input(
                "settings-counted-differently",
                format!("\"{name}\" is not counted the same way in every file"),
            )
            .help("count all of them in clicks or all in turns, and from the same end"));
        }
    }
    let moved = |name: &&String| all(name).windows(2).any(|w| w[0].value != w[1].value);
    if names.iter().any(moved) {
        return Ok(());
    }
    Err(Error::input(
        "one-setting",
        "every file is at the same setting, so nothing can be said of what a click does",
    )
    .help("run the damper at two settings at least, better at six or more"))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn labels(pairs: &[(&str, &str)]) -> BTreeMap<String, String> {
        let owned = |(a, b): &(&str, &str)| ((*a).to_owned(), (*b).to_owned());
        pairs.iter().map(owned).collect()
    }

    #[test]
    fn labels_give_settings_and_others_do_not_count() {
        let (a, b) = (
            labels(&[("Rebound clicks", "3"), ("Serial", "77")]),
            labels(&[("Rebound clicks", "6 from closed")]),
        );
        let runs = from_labels(&[("a.csv", &a), ("b.csv", &b)]).unwrap();
        assert_eq!(runs[0].len(), 1);
        assert_eq!(runs[1]["Rebound clicks"].value, 6.0);
        assert!(check_sweep(&runs).is_ok());
        assert!(!is_adjuster_label("Return spring"));
    }

    #[test]
    fn what_cannot_be_used_names_the_file() {
        let (a, b, c) = (
            labels(&[("Rebound clicks", "3")]),
            labels(&[("Rebound clicks", "soft")]),
            labels(&[("Serial", "77")]),
        );
        for (second, code) in [(&b, "\"soft\""), (&c, "no label")] {
            let error = from_labels(&[("a.csv", &a), ("b.csv", second)]).unwrap_err();
            assert_eq!(error.exit_code(), 3);
            let text = error.to_string();
            assert!(text.contains(code) && text.contains("b.csv"), "{text}");
        }
        assert!(from_labels(&[("c.csv", &c)]).is_err());
    }

    #[test]
    fn one_setting_is_no_sweep() {
        let at = |value| Settings::from([("x".to_owned(), Setting::bare(value))]);
        assert!(check_sweep(&[at(3.0), at(3.0)]).is_err());
        assert!(check_sweep(&[at(3.0), at(3.5)]).is_ok());
        let counted = |text| Settings::from([("x".to_owned(), Setting::parse(text).unwrap())]);
        assert!(check_sweep(&[counted("3 clicks"), counted("2 turns")]).is_err());
        let (closed, bare) = (counted("1 from closed"), counted("2"));
        assert!(check_sweep(&[closed, bare, counted("3 from open")]).is_err());
    }
}
