//! The report pages in a headless browser with the network shut (see `check.mjs`): no console
//! error, no request, plots inside the page at three widths, nothing cut in print, everything
//! shown with scripting off, nothing serious from axe (the accessibility rules of WCAG 2.x as
//! axe-core tests them). Every kind of page is looked at, and for every kind that shows names
//! from the input, one whose names would like to be scripts.
//!
//! Needs Chromium, Node.js and `npm ci` in `tests/browser`; skips where one is missing,
//! except under `CI=true`, where that is a failure.
#![expect(clippy::unwrap_used, reason = "a test may fail loudly")]

use std::ffi::{OsStr, OsString};
use std::fmt::Write as _;
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// The first of these programs that can be started.
fn program(names: &[&str]) -> Option<PathBuf> {
    let paths = std::env::var_os("PATH")?;
    std::env::split_paths(&paths)
        .flat_map(|folder| names.iter().map(move |name| folder.join(name)))
        .find(|path| path.is_file())
}

/// What the checks need, or what is missing.
fn needed() -> Result<(PathBuf, PathBuf), &'static str> {
    let chromium = std::env::var_os("CHROMIUM")
        .map(PathBuf::from)
        .or_else(|| program(&["chromium", "chromium-browser", "google-chrome"]))
        .ok_or("no Chromium")?;
    let node = program(&["node", "nodejs"]).ok_or("no Node.js")?;
    let tools = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/node_modules");
    if ["playwright-core", "axe-core"]
        .iter()
        .all(|tool| tools.join(tool).is_dir())
    {
        Ok((chromium, node))
    } else {
        Err("no browser tools (npm ci in tests/browser)")
    }
}

/// A page under test: its kind, as `check.mjs` names kinds, and its file.
type Page = (&'static str, PathBuf);

/// Makes a report into a folder and returns its page. `args` are the command and its input.
fn page_of<S: AsRef<OsStr>>(kind: &'static str, folder: &Path, args: &[S]) -> Page {
    let status = Command::new(env!("CARGO_BIN_EXE_loopwork"))
        .args(args)
        .args(["--quiet", "--report"])
        .arg(folder)
        .stdout(Stdio::null())
        .status()
        .unwrap();
    // 1 is a check that did not pass, which has a page as well.
    assert!(matches!(status.code(), Some(0 | 1)), "{kind}: {status}");
    (kind, folder.join("index.html"))
}

/// A run whose every name would like to be a script or a formula. A `stiffer` one stands
/// beside it in comparisons.
fn hostile(folder: &Path, stiffer: bool) -> PathBuf {
    let mut text = String::from(
        "\"damper\",\"<script>alert('label')</script>\"\n\
         \"=HYPERLINK(\"\"x\"\")\",\"'><img src=x onerror=alert(1)>\"\n\
         \"time</title><script>alert(2)</script> (s)\",\"travel\"\" onload=alert(3) (mm)\",\"force&lt;svg onload=alert(4)> (N)\"\n",
    );
    let slope = if stiffer { 3600.0 } else { 3000.0 };
    for step in [0.5, 1.0, 2.0, 4.0] {
        for i in 0..2000 {
            let t = f64::from(i) / 500.0;
            let phase = std::f64::consts::TAU * step * t;
            let (x, v) = (-25.0 * phase.cos(), 0.025 * step * phase.sin());
            let force = slope * v + 40.0 * v.signum() + 150.0;
            let clock = t + 10.0 * step;
            writeln!(text, "{clock:.4},{x:.5},{force:.3}").unwrap();
        }
    }
    let name = match (cfg!(windows), stiffer) {
        (true, false) => "&amp; 'onload=alert(5)' =cmd.csv",
        (true, true) => "@&lt;svg onload=alert(6)&gt;.csv",
        (false, false) => "<img src=x onerror=alert(5)> \"=cmd.csv",
        (false, true) => "'\"><svg onload=alert(6)>&lt;b onclick='alert(7)'&gt;.csv",
    };
    let path = folder.join(name);
    std::fs::write(&path, text).unwrap();
    path
}

/// A reduced table: a page without loops.
fn sweep(folder: &Path) -> PathBuf {
    let path = folder.join("table.csv");
    let mut text = String::from("velocity (m/s),compression (N),rebound (N)\n");
    for i in 1..=12 {
        let v = 0.05 * f64::from(i);
        let c = 4000.0 * v.min(0.15) + 500.0 * (v - 0.15).max(0.0);
        writeln!(text, "{v:.3},{c:.1},{:.1}", -1.8 * c).unwrap();
    }
    std::fs::write(&path, text).unwrap();
    path
}

/// What reads a [`hostile`] file.
const HOSTILE_ROLES: [&str; 12] = [
    "--map",
    "time=1",
    "--map",
    "displacement=2",
    "--map",
    "force=3",
    "--unit",
    "time=s",
    "--unit",
    "displacement=mm",
    "--unit",
    "force=N",
];

/// A name for the sheet.
const HOSTILE_NAME: &str = "<script>alert(8)</script>\" onmouseover=alert(9) \"";

/// One page of each kind at least.
fn pages(place: &Path) -> Vec<Page> {
    let samples = Path::new(env!("CARGO_MANIFEST_DIR")).join("sample-runs");
    let sample = |name: &str| samples.join(name).into_os_string();
    let at = |name: &str| place.join(name);
    let word = |text: &str| OsString::from(text);
    let hostiles = [
        hostile(place, false).into_os_string(),
        hostile(place, true).into_os_string(),
    ];
    let with_roles = |command: &str, files: &[OsString]| -> Vec<OsString> {
        std::iter::once(word(command))
            .chain(files.iter().cloned())
            .chain(HOSTILE_ROLES.map(OsString::from))
            .collect()
    };
    // A batch of the hostile files and one that cannot be used.
    let many = at("many");
    std::fs::create_dir(&many).unwrap();
    for (i, file) in hostiles.iter().enumerate() {
        let name = format!("{i} {}", Path::new(file).file_name().unwrap().display());
        std::fs::copy(file, many.join(name)).unwrap();
    }
    std::fs::write(many.join("<b onclick=alert(10)>.csv"), "nothing\n").unwrap();
    let pairs = ["pair-left", "pair-right", "healthy-monotube", "hot-fade"]
        .map(|name| sample(&format!("{name}.csv")));
    let mut out = vec![
        page_of(
            "run",
            &at("a"),
            &[word("analyze"), sample("low-gas-monotube.csv")],
        ),
        page_of(
            "run",
            &at("b"),
            &[
                word("analyze"),
                sample("hot-fade.csv"),
                word("--units"),
                word("us"),
            ],
        ),
        page_of("run", &at("c"), &with_roles("analyze", &hostiles[..1])),
        page_of(
            "table",
            &at("d"),
            &[word("analyze"), sweep(place).into_os_string()],
        ),
        page_of(
            "comparison",
            &at("e"),
            &[
                word("compare"),
                sample("revalve-before.csv"),
                sample("revalve-after.csv"),
                word("--as"),
                word("revalve"),
            ],
        ),
        page_of("comparison", &at("f"), &with_roles("compare", &hostiles)),
        page_of(
            "batch",
            &at("j"),
            &with_roles("batch", &[many.into_os_string()]),
        ),
    ];
    let mut check = vec![
        word("check"),
        sample("pair-right.csv"),
        word("--target"),
        sample("pair-left.csv"),
    ];
    for option in ["--serial", "--operator", "--date"] {
        check.extend([word(option), word(HOSTILE_NAME)]);
    }
    out.push(page_of("check", &at("g"), &check));
    out.push(page_of("match", &at("h"), &with_roles("match", &hostiles)));
    let mut matched = vec![word("match")];
    matched.extend(pairs);
    out.push(page_of("match", &at("i"), &matched));
    out
}

#[test]
fn pages_hold_up_in_a_browser() {
    let (chromium, node) = match needed() {
        Ok(found) => found,
        Err(missing) => {
            assert!(
                std::env::var("CI").as_deref() != Ok("true"),
                "{missing}, and CI=true"
            );
            println!("skipped: {missing}");
            return;
        }
    };
    let place = tempfile::tempdir().unwrap();
    let pages = pages(place.path());
    let output = Command::new(node)
        .arg(Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/browser/check.mjs"))
        .arg(chromium)
        .arg(place.path())
        .args(pages.iter().map(|(kind, path)| {
            let mut argument = OsString::from(format!("{kind}="));
            argument.push(path);
            argument
        }))
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&output.stdout);
    let errors = String::from_utf8_lossy(&output.stderr);
    println!("{errors}");
    assert!(output.status.success(), "{said}\n{errors}");
    assert!(
        said.contains(&format!("checked {} pages", pages.len())),
        "{said}\n{errors}"
    );
}
