//! A comparison as a page.

use super::{badge, marker, plots, tables, terminal, text_of};
use crate::compare::{Comparison, Purpose, Verdict};
use crate::notice::Error;
use crate::report::format::dual;
use crate::report::page::{Block, Cell, Figure, Page, Section, Table};
use crate::report::plots::summary;
use crate::report::text::Text;
use crate::report::{Files, raster};
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::{Kind, Shown};

/// A comparison's report: a picture per plot and the page.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn files(
    comparison: &Comparison,
    base: &Run,
    others: &[Run],
    shown: Shown,
) -> Result<Files, Error> {
    let page = page(comparison, base, others, shown);
    let runs: Vec<&Run> = std::iter::once(base).chain(others).collect();
    let figures: Vec<Figure> = plots::overlay(comparison, &runs)
        .into_iter()
        .chain(
            Direction::BOTH
                .into_iter()
                .filter_map(|d| plots::difference(comparison, d)),
        )
        .collect();
    let sheet = summary::Sheet {
        plots: figures.iter().map(|figure| &figure.plot).collect(),
        groups: Vec::new(),
        lines: comparison
            .overall
            .iter()
            .flat_map(|o| &o.reasons)
            .take(REASONS)
            .map(text_of)
            .collect(),
    };
    let drawn = summary::svg(&page, &sheet, shown)?;
    let mut files = crate::report::page_files(&page)?;
    files.insert(0, ("summary.png".into(), raster::png(&drawn)?));
    Ok(files)
}

/// The most answers that the headline gives in full.
const ANSWERS: usize = 3;
/// The most reasons a summary sheet lists.
const REASONS: usize = 6;

/// The page.
fn page(comparison: &Comparison, base: &Run, others: &[Run], shown: Shown) -> Page {
    let runs: Vec<&Run> = std::iter::once(base).chain(others).collect();
    let sections = vec![
        decision(comparison),
        curves(comparison, &runs),
        differences(comparison),
        changes(comparison),
        findings(comparison),
        loops(comparison, &runs),
        cautions(comparison),
        provenance(&runs, comparison),
    ];
    Page {
        title: title(comparison),
        subtitle: subtitle(comparison),
        headline: headline(comparison),
        assumption: comparison
            .cautions
            .iter()
            .find(|c| c.code == "signs-assumed")
            .map(|c| text_of(&c.text)),
        badge: badge(comparison.worst()),
        sections: sections
            .into_iter()
            .filter(|s| !s.blocks.is_empty())
            .collect(),
        shown,
        marker: marker(comparison),
        maker: format!("{} {}", comparison.tool.name, comparison.tool.version),
    }
}

/// Why they are compared, and at which temperature if all are at one.
pub(super) fn subtitle(comparison: &Comparison) -> Text {
    let text = Text::from(terminal::purpose_words(comparison.purpose));
    match comparison.reference_c.first() {
        Some(Some(c)) if comparison.reference_c.iter().all(|r| r == &Some(*c)) => text
            .say(", curves as they would be at ")
            .num(dual(Kind::Temperature, Some(*c))),
        _ => text,
    }
}

/// The answers, one after the other; of many dampers how many stand how.
pub(super) fn headline(comparison: &Comparison) -> Text {
    let n = comparison.others.len();
    if n <= ANSWERS {
        return (0..n).fold(Text::new(), |text, i| {
            let text = if i == 0 { text } else { text.say(". ") };
            text.and(terminal::decision(comparison, i))
        });
    }
    let counts: Vec<String> = [Verdict::Outside, Verdict::Undecided, Verdict::Within]
        .into_iter()
        .filter_map(|v| {
            let all = comparison.overall.iter();
            let count = all.filter(|o| o.verdict == Some(v)).count();
            (count > 0).then(|| format!("{count} {}", v.word()))
        })
        .collect();
    Text::from(if counts.is_empty() {
        format!("{n} dampers against {}", comparison.base.name)
    } else {
        format!("Of {n} dampers: {}", counts.join(", "))
    })
}

pub(super) fn title(comparison: &Comparison) -> String {
    let names: Vec<&str> = std::iter::once(comparison.base.name.as_str())
        .chain(comparison.others.iter().map(|o| o.name.as_str()))
        .collect();
    match (names.as_slice(), comparison.purpose) {
        ([a, b], Purpose::Revalve) => format!("{a} → {b}"),
        ([a, b], _) => format!("{a} and {b}"),
        _ => names.join(", "),
    }
}

fn figure(section: Section, figure: Option<Figure>) -> Section {
    match figure {
        Some(f) => section.with(Block::Figure(Box::new(f))),
        None => section,
    }
}

fn table(section: Section, table: Table) -> Section {
    if table.rows.is_empty() {
        section
    } else {
        section.with(Block::Table(table))
    }
}

fn decision(comparison: &Comparison) -> Section {
    let mut section = Section::new("decision", "The answer and why");
    for (i, overall) in comparison.overall.iter().enumerate() {
        if comparison.overall.len() > 1 {
            section = section.with(Block::Prose(terminal::decision(comparison, i)));
        }
        let reasons: Vec<Text> = overall.reasons.iter().map(text_of).collect();
        if !reasons.is_empty() {
            section = section.with(Block::List(reasons));
        }
    }
    section
}

fn curves(comparison: &Comparison, runs: &[&Run]) -> Section {
    figure(
        Section::new("curves-section", "Curves, one over the other"),
        plots::overlay(comparison, runs),
    )
}

fn differences(comparison: &Comparison) -> Section {
    let mut section = Section::new("differences", "Differences, speed by speed");
    for direction in Direction::BOTH {
        section = figure(section, plots::difference(comparison, direction));
    }
    for direction in Direction::BOTH {
        for part in comparison.get(direction) {
            section = table(section, tables::by_speed(comparison, part, direction));
        }
    }
    section
}

fn changes(comparison: &Comparison) -> Section {
    let mut section = Section::new(
        "changes",
        "Gas, friction, slopes, knees, heat, loop width, lost motion",
    );
    for i in 0..comparison.others.len() {
        section = table(section, tables::changes(comparison, i));
        section = table(section, tables::steps(comparison, i));
    }
    section
}

fn findings(comparison: &Comparison) -> Section {
    let section = Section::new("findings", "Findings gained and lost");
    let found = tables::findings(comparison);
    if found.rows.is_empty() {
        section.with(Block::Prose(Text::from(
            "Nothing was found in one that is not in the other.",
        )))
    } else {
        section.with(Block::Table(found))
    }
}

fn loops(comparison: &Comparison, runs: &[&Run]) -> Section {
    let mut section = Section::new("loops", "Loops, side by side on equal scales");
    for one in plots::loops(comparison, runs) {
        section = section.with(Block::Figure(Box::new(one)));
    }
    section
}

fn cautions(comparison: &Comparison) -> Section {
    let mut list: Vec<Text> = comparison
        .cautions
        .iter()
        .map(|c| match &c.other {
            Some(other) => Text::from(format!("{other}: ")).and(text_of(&c.text)),
            None => text_of(&c.text),
        })
        .collect();
    list.push(Text::from(terminal::CLOSING));
    Section::new("cautions", "To bear in mind")
        .with(Block::List(comparison.notes.iter().map(text_of).collect()))
        .with(Block::Caution(list))
}

fn provenance(runs: &[&Run], comparison: &Comparison) -> Section {
    let mut files = Table::new(
        "Files",
        &[
            ("Damper", None),
            ("File", None),
            ("Rows", None),
            ("SHA-256", None),
        ],
    );
    let names = std::iter::once(&comparison.base).chain(&comparison.others);
    for (run, name) in runs.iter().zip(names) {
        for source in &run.source {
            files.rows.push(vec![
                Cell::Words(name.name.clone()),
                Cell::Words(source.path.clone()),
                Cell::Count(source.rows),
                Cell::Words(source.sha256.clone()),
            ]);
        }
    }
    Section::new("provenance", "Where this came from")
        .with(Block::Table(files))
        .with(Block::Prose(Text::from(format!(
            "Made by {} {}. The same files and options give the same page.",
            comparison.tool.name, comparison.tool.version
        ))))
}
