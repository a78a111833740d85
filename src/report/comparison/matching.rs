//! Best pairs on the terminal and as a page.

use super::{badge, hashes, terminal::CLOSING};
use crate::compare::{MatchResult, Mismatch, Pair, Verdict};
use crate::notice::Error;
use crate::report::Files;
use crate::report::format::{MISSING, fixed};
use crate::report::page::{Block, Cell, Page, Section, Table};
use crate::report::plots::summary;
use crate::report::terminal::{Look, Screen};
use crate::report::text::Text;
use crate::run::Run;
use crate::units::display::{Kind, Shown};

/// What a pairing's page was made from.
pub fn match_marker(result: &MatchResult) -> String {
    format!("match {}", hashes(result.dampers.iter()))
}

/// The pairs.
pub(super) fn pairs(result: &MatchResult) -> Table {
    let mut table = Table::new(
        "Best pairs",
        &[
            ("Damper", None),
            ("Paired with", None),
            ("Axle", None),
            ("Mismatch, %", Some(Kind::Number)),
            ("Worst at", Some(Kind::Speed)),
            ("Direction", None),
            ("Verdict", None),
        ],
    );
    for pair in &result.pairs {
        table.rows.push(vec![
            Cell::Words(pair.a.clone()),
            Cell::Words(pair.b.clone()),
            Cell::Words(pair.axle.clone().unwrap_or_else(|| MISSING.into())),
            Cell::Number(Some(pair.mismatch_pct)),
            Cell::Number(Some(pair.worst_velocity_m_s)),
            Cell::Words(pair.worst_direction.map_or(MISSING, |d| d.word()).into()),
            Cell::Words(pair.verdict.map_or(MISSING, |v| v.word()).into()),
        ]);
    }
    table
}

/// All mismatches, one row a damper.
pub(super) fn all(result: &MatchResult) -> Table {
    let names: Vec<(&str, Option<Kind>)> = std::iter::once(("Mismatch, %", None))
        .chain(
            result
                .dampers
                .iter()
                .map(|d| (d.name.as_str(), Some(Kind::Number))),
        )
        .collect();
    let mut table = Table::new("Mismatch of every two", &names);
    for (damper, row) in result.dampers.iter().zip(&result.mismatch_pct) {
        let mut cells = vec![Cell::Words(damper.name.clone())];
        cells.extend(row.iter().map(|v| Cell::Number(*v)));
        table.rows.push(cells);
    }
    table
}

/// Pairs that the headline names one by one; more are counted.
const NAMED: usize = 3;

pub(super) fn headline(result: &MatchResult) -> String {
    let n = result.pairs.len();
    let pairs = if n > 0 && n <= NAMED {
        let each: Vec<String> = result.pairs.iter().map(in_words).collect();
        format!("Best pairs: {}", each.join("; "))
    } else {
        let counts: Vec<String> = [Verdict::Within, Verdict::Undecided, Verdict::Outside]
            .into_iter()
            .filter_map(|v| {
                let all = result.pairs.iter();
                let count = all.filter(|p| p.verdict == Some(v)).count();
                (count > 0).then(|| format!("{count} {}", v.word()))
            })
            .collect();
        let stand = if counts.is_empty() {
            String::new()
        } else {
            format!(": {}", counts.join(", "))
        };
        format!("{n} pairs{stand}")
    };
    let left = if result.unpaired.is_empty() {
        String::new()
    } else {
        format!("; left over: {}", result.unpaired.join(", "))
    };
    pairs + &left
}

fn in_words(pair: &Pair) -> String {
    let verdict = pair
        .verdict
        .map_or_else(String::new, |v| format!(", {}", v.word()));
    format!(
        "{} with {} ({} %{verdict})",
        pair.a,
        pair.b,
        fixed(pair.mismatch_pct, 1)
    )
}

/// What was made small, in words.
pub(super) fn measure(result: &MatchResult) -> String {
    let what = match result.mismatch {
        Mismatch::Largest => "largest difference",
        Mismatch::Rms => "root mean square difference",
    };
    format!(
        "out of {} dampers; mismatch is the {what}, {} % in all pairs together",
        result.dampers.len(),
        fixed(result.total_mismatch_pct, 1)
    )
}

/// The pairs on the terminal.
pub fn match_terminal(result: &MatchResult, look: Look) -> String {
    let mut screen = Screen::new(look);
    screen.verdict(badge(result.worst()), &headline(result));
    screen.prose(0, &measure(result));
    screen.raw("\n");
    let axles = result.axles.iter().any(Option::is_some);
    let kept: &[usize] = if axles {
        &[0, 1, 2, 3, 4, 5, 6]
    } else {
        &[0, 1, 3, 4, 5, 6]
    };
    screen.table(&pairs(result), kept);
    screen.heading("To bear in mind");
    for note in &result.notes {
        screen.prose(2, &format!("- {}", note.shown(look.shown)));
    }
    screen.raw("\n");
    screen.prose(0, CLOSING);
    screen.finish()
}

/// A pairing's report.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn match_files(result: &MatchResult, runs: &[Run], shown: Shown) -> Result<Files, Error> {
    let mut files = Table::new(
        "Files",
        &[("File", None), ("Rows", None), ("SHA-256", None)],
    );
    for source in runs.iter().flat_map(|r| &r.source) {
        files.rows.push(vec![
            Cell::Words(source.path.clone()),
            Cell::Count(source.rows),
            Cell::Words(source.sha256.clone()),
        ]);
    }
    let mut every = Section::new("all", "Every mismatch");
    if let Some(figure) = super::plots::map(result) {
        every = every.with(Block::Figure(Box::new(figure)));
    }
    let notes = result.notes.iter().map(super::text_of).collect();
    let page = Page {
        title: "Best pairs".into(),
        subtitle: Text::from(measure(result)),
        headline: Text::from(headline(result)),
        assumption: None,
        badge: badge(result.worst()),
        sections: vec![
            Section::new("pairs", "Pairs").with(Block::Table(pairs(result))),
            every.with(Block::Table(all(result))),
            Section::new("cautions", "To bear in mind")
                .with(Block::List(notes))
                .with(Block::Caution(vec![Text::from(CLOSING)])),
            Section::new("provenance", "Where this came from").with(Block::Table(files)),
        ],
        shown,
        marker: match_marker(result),
        maker: format!("{} {}", result.tool.name, result.tool.version),
    };
    let figures = page.figures();
    let sheet = summary::Sheet {
        plots: figures.iter().map(|figure| &figure.plot).collect(),
        groups: Vec::new(),
        lines: result
            .pairs
            .iter()
            .take(SHEET_LINES)
            .map(|pair| Text::from(in_words(pair)))
            .collect(),
    };
    crate::report::files_with_sheet(&page, &sheet)
}

/// The most pairs a summary sheet lists.
const SHEET_LINES: usize = 20;
