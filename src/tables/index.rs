//! The index page of a batch: outliers first, sortable, small curves, the family's bands.
//! Self-contained; shows what the tables hold and computes nothing but where ink goes.

mod chart;

use askama::Template;
use base64::Engine as _;
use sha2::{Digest as _, Sha256};

use super::population::{Drift, Population, points};
use super::rows::{RunRow, RunTables};
use crate::notice::Error;
use crate::report::format::{MISSING, bare, fixed};
use crate::report::palette;
use crate::steps::{Direction, PerDirection};
use crate::units::display::{Kind, Shown, quantity};

/// Runs listed on the page; the rest are in the tables.
pub const MOST_LISTED: usize = 5000;
/// Failed files listed.
const MOST_FAILED: usize = 1000;
/// Points of a small curve.
const SMALL_POINTS: usize = 24;

/// What the page needs of one run.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Entry {
    /// Its row.
    pub run: RunRow,
    /// Its curves, thinned: (speed m/s, force N).
    pub curve: PerDirection<Vec<(f32, f32)>>,
}

impl Entry {
    /// What the page needs of a run's tables.
    pub fn of(tables: &RunTables) -> Self {
        let small = |direction| {
            let all = points(tables, direction);
            let stride = all.len().div_ceil(SMALL_POINTS).max(1);
            let last = all.last().copied();
            let mut kept: Vec<(f64, f64)> = all.into_iter().step_by(stride).collect();
            kept.extend(last.filter(|l| kept.last() != Some(l)));
            kept.into_iter()
                .map(|(v, f)| (v as f32, f as f32))
                .collect()
        };
        Self {
            run: tables.run.clone(),
            curve: PerDirection {
                compression: small(Direction::Compression),
                rebound: small(Direction::Rebound),
            },
        }
    }
}

/// The order of the page: out of family by distance, then findings plainly there, findings
/// at the edge, the rest by distance; equal ones by name and path.
pub fn order(entries: &mut [Entry]) {
    let rank = |run: &RunRow| match run {
        run if run.out_of_family == Some(true) => 0,
        run if !run.developed.is_empty() => 1,
        run if !run.onset.is_empty() => 2,
        _ => 3,
    };
    entries.sort_by(|a, b| {
        let distance = |e: &Entry| e.run.family_distance.unwrap_or(0.0);
        rank(&a.run)
            .cmp(&rank(&b.run))
            .then(distance(b).total_cmp(&distance(a)))
            .then_with(|| (&a.run.name, &a.run.path).cmp(&(&b.run.name, &b.run.path)))
    });
}

struct Line {
    class: &'static str,
    badge: &'static str,
    name: String,
    path: String,
    reason: String,
    small: String,
    cells: Vec<(String, String)>,
}

struct Failed {
    path: String,
    code: String,
    message: String,
}

struct FamilyView {
    name: String,
    runs: usize,
    chart: String,
    limits: bool,
    drifts: Vec<String>,
}

#[derive(Template)]
#[template(path = "batch.html")]
struct IndexTemplate<'a> {
    style: String,
    script: &'a str,
    script_hash: String,
    maker: &'a str,
    headline: String,
    class: &'a str,
    heads: Vec<String>,
    lines: Vec<Line>,
    more: usize,
    failed: Vec<Failed>,
    more_failed: usize,
    families: Vec<FamilyView>,
}

const PAGE_STYLE: &str = include_str!("../../templates/page.css");
const STYLE: &str = include_str!("../../templates/batch.css");
const SCRIPT: &str = include_str!("../../templates/batch.js");

/// The page.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the template fails.
pub fn page(
    entries: &[Entry],
    population: &Population,
    shown: Shown,
    maker: &str,
) -> Result<String, Error> {
    let (mut good, bad): (Vec<Entry>, Vec<Entry>) = entries
        .iter()
        .cloned()
        .partition(|entry| entry.run.status == "ok");
    order(&mut good);
    let frame = chart::Frame::around(&good);
    let out = good
        .iter()
        .filter(|e| e.run.out_of_family == Some(true))
        .count();
    let found = good.iter().filter(|e| !e.run.developed.is_empty()).count();
    let class = match (out + found, bad.len()) {
        (0, 0) => "clear",
        (0, _) => "watch",
        _ => "act",
    };
    let hash = Sha256::digest(SCRIPT.as_bytes());
    let template = IndexTemplate {
        style: palette::css() + PAGE_STYLE + STYLE,
        script: SCRIPT,
        script_hash: base64::engine::general_purpose::STANDARD.encode(hash),
        maker,
        headline: headline(good.len(), bad.len(), out, found),
        class,
        heads: heads(shown),
        lines: good
            .iter()
            .take(MOST_LISTED)
            .map(|entry| line(entry, &frame, shown))
            .collect(),
        more: good.len().saturating_sub(MOST_LISTED),
        failed: bad.iter().take(MOST_FAILED).map(failed).collect(),
        more_failed: bad.len().saturating_sub(MOST_FAILED),
        families: population
            .families
            .iter()
            .map(|family| FamilyView {
                name: family.name.clone(),
                runs: family.runs,
                chart: chart::family(family, &good, shown),
                limits: Direction::BOTH
                    .iter()
                    .any(|d| family.bands.get(*d).iter().any(|b| b.spread.is_some())),
                drifts: family
                    .drifts
                    .iter()
                    .filter(|d| d.is_clear())
                    .map(|d| drift_words(d, shown))
                    .collect(),
            })
            .collect(),
    };
    template
        .render()
        .map_err(|e| Error::output("cannot-render", format!("the page could not be made: {e}")))
}

fn plural(n: usize, one: &str, many: &str) -> String {
    format!("{n} {}", if n == 1 { one } else { many })
}

fn headline(good: usize, bad: usize, out: usize, found: usize) -> String {
    let mut parts = vec![format!("{} analysed", plural(good, "run", "runs"))];
    if out > 0 {
        parts.push(format!("{out} out of family"));
    }
    if found > 0 {
        parts.push(format!("{found} with something plainly found"));
    }
    if bad > 0 {
        parts.push(format!(
            "{} could not be used",
            plural(bad, "file", "files")
        ));
    }
    parts.join(", ") + "."
}

/// Numbers of the table: heading, kind, how to get it.
type Figure = (&'static str, Kind, fn(&RunRow) -> Option<f64>);

const FIGURES: [Figure; 8] = [
    ("Top speed", Kind::Speed, |r| r.top_speed_m_s),
    ("Peak compression", Kind::Force, |r| {
        r.peak_force_compression_n
    }),
    ("Peak rebound", Kind::Force, |r| r.peak_force_rebound_n),
    ("Gas force", Kind::Force, |r| r.gas_force_n),
    ("Friction", Kind::Force, |r| r.friction_n),
    ("Knee, compression", Kind::Speed, |r| r.knee_compression_m_s),
    ("Knee, rebound", Kind::Speed, |r| r.knee_rebound_m_s),
    ("Heat", Kind::Energy, |r| r.heat_j),
];

fn heads(shown: Shown) -> Vec<String> {
    let mut heads = vec!["Made".to_owned(), "Distance from family".to_owned()];
    heads.extend(
        FIGURES
            .iter()
            .map(|(name, kind, _)| format!("{name}, {}", quantity(*kind, shown).symbol)),
    );
    heads
}

fn line(entry: &Entry, frame: &chart::Frame, shown: Shown) -> Line {
    let run = &entry.run;
    let (class, badge) = if run.out_of_family == Some(true) {
        ("act", "out of family")
    } else if !run.developed.is_empty() {
        ("act", "found")
    } else if !run.onset.is_empty() {
        ("watch", "onset")
    } else if run.duplicate_of.is_some() {
        ("unsure", "copy")
    } else {
        ("clear", "nothing found")
    };
    let mut reasons: Vec<String> = run.family_reason.iter().cloned().collect();
    reasons.extend((!run.developed.is_empty()).then(|| run.developed.replace(' ', ", ")));
    reasons.extend(
        (!run.onset.is_empty()).then(|| format!("onset: {}", run.onset.replace(' ', ", "))),
    );
    reasons.extend(
        run.duplicate_of
            .as_ref()
            .map(|p| format!("same content as {p}")),
    );
    let mut cells = vec![
        (run.recorded.clone(), run.day.clone()),
        (
            key(run.family_distance),
            run.family_distance
                .map_or_else(|| MISSING.to_owned(), |d| fixed(d, 1)),
        ),
    ];
    cells.extend(FIGURES.iter().map(|(_, kind, get)| {
        let value = get(run);
        (key(value), bare(*kind, value, shown))
    }));
    Line {
        class,
        badge,
        name: run.name.clone(),
        path: run.path.clone(),
        reason: reasons.join("; "),
        small: chart::small(entry, frame),
        cells,
    }
}

/// What a cell is sorted by.
fn key(value: Option<f64>) -> String {
    value.map_or_else(String::new, |v| format!("{v:e}"))
}

fn failed(entry: &Entry) -> Failed {
    Failed {
        path: entry.run.path.clone(),
        code: entry.run.error_code.clone().unwrap_or_default(),
        message: entry.run.error.clone().unwrap_or_default(),
    }
}

fn drift_words(drift: &Drift, shown: Shown) -> String {
    let change = match drift.unit {
        "N" => {
            let unit = quantity(Kind::Force, shown);
            let value = unit.difference_from_si(drift.change);
            format!("{} {}", fixed(value, 1), unit.symbol)
        }
        unit => format!("{} {unit}", fixed(drift.change, 1)),
    };
    format!(
        "{} moved by {change} from the first run to the last (chance of a trend this clear without \
         one: {}).",
        drift.what,
        if drift.chance < 1e-4 {
            "below 0.0001".to_owned()
        } else {
            fixed(drift.chance, 4)
        }
    )
}
