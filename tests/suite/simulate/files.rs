//! The command, the written files, the sample runs.

use loopwork::simulate::{SlowAt, Spec, run};

use crate::support::{in_tree, loopwork};

#[test]
fn the_same_seed_gives_the_same_bytes_and_another_seed_others() {
    let csv = |seed: u64| {
        let mut spec = Spec {
            seed,
            ..Spec::default()
        };
        spec.motion.speeds_mm_s = vec![200.0];
        spec.motion.slow_at = SlowAt::None;
        let mut bytes = Vec::new();
        loopwork::simulate::write_csv(&run(&spec).unwrap(), &spec.output, &mut bytes).unwrap();
        bytes
    };
    assert_eq!(csv(7), csv(7));
    assert_ne!(csv(7), csv(8));
}

#[test]
fn a_misspelt_name_is_found_with_its_line_and_the_nearest_word() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("front.toml");
    std::fs::write(&path, "seed = 3\n[damper]\nbore_m = 46\n").unwrap();
    let out = loopwork().arg("simulate").arg(&path).output().unwrap();
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(said.contains("front.toml:3"), "{said}");
    assert!(said.contains("did you mean `bore_mm`?"), "{said}");
    assert!(out.stdout.is_empty());
}

#[test]
fn an_impossible_value_is_named_with_what_was_expected() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("front.toml");
    std::fs::write(&path, "[damper]\nrod_mm = 50\n[motion]\nstroke_mm = -5\n").unwrap();
    let out = loopwork().arg("simulate").arg(&path).output().unwrap();
    assert_eq!(out.status.code(), Some(3));
    let said = String::from_utf8(out.stderr).unwrap();
    assert!(
        said.contains("motion.stroke_mm is -5, expected a number above zero"),
        "{said}"
    );
    assert!(said.contains("front.toml:2"), "{said}");
    assert!(said.contains("front.toml:4"), "{said}");
    assert!(
        said.contains("damper.rod_mm is 50, expected less than damper.bore_mm"),
        "{said}"
    );
}

/// The committed runs are what their descriptions make, byte for byte.
#[test]
fn the_sample_runs_can_be_made_again() {
    assert!(made_again("sample-runs") >= 11);
    assert_eq!(made_again("sample-runs/sweep"), 7);
}

/// Makes the runs of a folder's descriptions again and compares them; how many there are.
fn made_again(folder: &str) -> usize {
    let specs = in_tree(folder).join("specs");
    let made = tempfile::tempdir().unwrap();
    loopwork()
        .arg("simulate")
        .arg(&specs)
        .arg("--out")
        .arg(made.path())
        .arg("--quiet")
        .assert()
        .success();
    let mut compared = 0;
    for entry in std::fs::read_dir(made.path()).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_name().unwrap().to_str().unwrap();
        let kept = std::fs::read(in_tree(folder).join(name)).unwrap();
        assert!(
            std::fs::read(&path).unwrap() == kept,
            "{name} differs: run `loopwork simulate {folder}/specs --out {folder}`"
        );
        assert!(kept.len() < 2_000_000, "{name} is {} bytes", kept.len());
        compared += 1;
    }
    assert_eq!(compared, std::fs::read_dir(specs).unwrap().count());
    compared
}

/// Every name a description may hold is explained in docs/simulate.md.
#[test]
fn every_name_of_a_description_is_documented() {
    fn names(table: &toml::Table, out: &mut Vec<String>) {
        for (name, value) in table {
            out.push(name.clone());
            if let toml::Value::Table(inner) = value {
                names(inner, out);
            }
        }
    }
    let text = toml::to_string(&Spec::default()).unwrap();
    let mut all = Vec::new();
    names(&text.parse().unwrap(), &mut all);
    let page = std::fs::read_to_string(in_tree("docs/simulate.md")).unwrap();
    let missing: Vec<_> = all
        .iter()
        .filter(|name| !page.contains(&format!("`{name}`")) && !page.contains(&format!("{name}]")))
        .collect();
    assert!(missing.is_empty(), "{missing:?}");
    assert!(all.len() > 100);
    // A description written back and read again is the same one.
    assert_eq!(
        loopwork::simulate::from_toml(&text, "default").unwrap(),
        Spec::default()
    );
}

/// The files that must fail do: exit code 3, a message that names the file, nothing written.
#[test]
fn the_unusable_files_are_refused() {
    for name in [
        "x-empty.csv",
        "x-header-only.csv",
        "x-text.csv",
        "x-half-a-cycle.csv",
        "x-constant-travel.csv",
        "x-all-nan.csv",
    ] {
        let folder = tempfile::tempdir().unwrap();
        let out = loopwork()
            .current_dir(folder.path())
            .arg("analyze")
            .arg(in_tree("sample-runs").join(name))
            .output()
            .unwrap();
        let said = String::from_utf8_lossy(&out.stderr);
        assert_eq!(out.status.code(), Some(3), "{name}: {said}");
        assert!(said.contains(name) && said.contains("help:"), "{said}");
        assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
    }
}
