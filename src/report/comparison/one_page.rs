//! The one-page sheets of a comparison, a check and a pairing.

use std::collections::BTreeMap;

use super::{matching, page, plots, sheet, tables, text_of};
use crate::compare::{CheckResult, Comparison, MatchResult, Passed, Sentence};
use crate::notice::Error;
use crate::report::Files;
use crate::report::format::{Dual, MISSING, dual, symbols};
use crate::report::page::Table;
use crate::report::palette::Ink;
use crate::report::sheet::{
    ALWAYS, CARE, Content, Fields, Grid, Stationery, draw, fastest_loop, file_name,
};
use crate::report::text::{Text, capital};
use crate::run::{Run, Tool};
use crate::steps::Direction;
use crate::units::display::{Kind, Shown};

/// The most reasons a sheet gives for an answer.
const REASONS: usize = 4;
/// The most speeds a sheet gives in one direction of one damper.
const SPEEDS: usize = 6;
/// The most other dampers whose forces a sheet gives speed by speed.
const OTHERS: usize = 2;
/// The most criteria a sheet lists.
const CRITERIA: usize = 12;
/// The most pairs a sheet lists.
const PAIRS: usize = 24;
/// The most notes a sheet gives.
const NOTES: usize = 4;

/// What the uncertainties of these sheets are.
const RANGES: &str = "Ranges are 95 % intervals; what the calibration of the machine's force and travel adds is not in them.";
/// Which way forces count in tables of two dampers.
const RESIST: &str = "In the tables by speed, base, other and change are total forces that resist, gas and friction in; valves is the change without them. More is firmer.";

fn maker(tool: &Tool) -> String {
    format!("{} {}", tool.name, tool.version)
}

fn sources<'a>(runs: impl Iterator<Item = &'a Run>) -> String {
    let each = runs.flat_map(|run| &run.source).map(|s| {
        let short: String = s.sha256.chars().take(16).collect();
        format!("{}, SHA-256 {short}…", file_name(&s.path))
    });
    each.collect::<Vec<_>>().join("; ")
}

/// Labels that all runs share: what differs is not of the sheet.
fn shared(runs: &[&Run]) -> BTreeMap<String, String> {
    let Some((first, rest)) = runs.split_first() else {
        return BTreeMap::new();
    };
    let kept = first.metadata.iter().filter(|(name, value)| {
        rest.iter()
            .all(|run| run.metadata.get(*name) == Some(*value))
    });
    kept.map(|(k, v)| (k.clone(), v.clone())).collect()
}

/// What of a sheet's statements holds whatever it is about, behind those of its own.
fn statements(own: Vec<String>, rule: &str, fields: &Fields) -> Vec<String> {
    let rule = fields
        .rule
        .clone()
        .unwrap_or_else(|| format!("Decision rule: {rule}"));
    let mut all = vec![rule];
    all.extend(own);
    all.push(RANGES.to_owned());
    all.extend(ALWAYS.map(str::to_owned));
    all.push(CARE.to_owned());
    all
}

/// Columns of a table as those of a sheet.
fn grid(table: &Table, kept: &[usize], rows: &[usize], shown: Shown) -> Grid {
    let mut names = kept.iter().map(|c| table.heading(*c).get(shown).to_owned());
    let heading = names.next().unwrap_or_default();
    Grid {
        heading,
        ink: None,
        columns: names.collect(),
        rows: rows
            .iter()
            .map(|r| kept.iter().map(|c| table.text(*r, *c, shown)).collect())
            .collect(),
        wide: true,
    }
}

/// The first notes of a result, each beginning with a capital.
fn noted(notes: &[Sentence], shown: Shown) -> impl Iterator<Item = String> + '_ {
    let first = notes.iter().take(NOTES);
    first.map(move |n| capital(&text_of(n).plain(shown)))
}

/// Places of at most `most` rows, evenly, the last included.
fn evenly(rows: usize, most: usize) -> Vec<usize> {
    if rows <= most {
        return (0..rows).collect();
    }
    (0..most).map(|i| i * (rows - 1) / (most - 1)).collect()
}

/// The sheet of a comparison.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn compare_sheet(
    comparison: &Comparison,
    base: &Run,
    others: &[Run],
    stationery: &Stationery,
    shown: Shown,
) -> Result<Files, Error> {
    let runs: Vec<&Run> = std::iter::once(base).chain(others).collect();
    let about = page::title(comparison);
    let known = BTreeMap::from([
        ("Part", about.clone()),
        ("Method", capital(&page::subtitle(comparison).plain(shown))),
    ]);
    let fields = Fields::of(
        &stationery.shop.labels,
        &shared(&runs),
        &stationery.labels,
        &known,
    );
    let mut answer = vec![page::headline(comparison).plain(shown)];
    let reasons = comparison.overall.iter().flat_map(|o| &o.reasons);
    answer.extend(
        reasons
            .take(REASONS)
            .map(|reason| capital(&text_of(reason).plain(shown))),
    );
    let mut grids = Vec::new();
    for i in 0..comparison.others.len().min(OTHERS) {
        for direction in Direction::BOTH {
            if let Some(part) = comparison.get(direction).get(i) {
                let table = tables::by_speed(comparison, part, direction);
                let ink = match direction {
                    Direction::Compression => Ink::Compression,
                    Direction::Rebound => Ink::Rebound,
                };
                let driven = tables::driven_rows(comparison, part);
                let rows: Vec<usize> = evenly(driven.len(), SPEEDS)
                    .into_iter()
                    .map(|i| driven[i])
                    .collect();
                let columns = tables::on_a_sheet(part);
                let kept: Vec<usize> = columns.iter().map(|(at, _)| *at).collect();
                let mut made = grid(&table, &kept, &rows, shown);
                let (newton, speed) = (symbols(Kind::Force), symbols(Kind::Speed));
                made.heading = format!("{}, {}", capital(direction.word()), newton.get(shown));
                made.columns = columns[1..]
                    .iter()
                    .map(|(_, name)| (*name).to_owned())
                    .collect();
                for name in made.rows.iter_mut().filter_map(|row| row.first_mut()) {
                    *name = format!("{name}\u{a0}{}", speed.get(shown));
                }
                made.ink = Some(ink);
                made.wide = false;
                grids.push(made);
            }
        }
        let table = tables::changes(comparison, i);
        let rows = evenly(table.rows.len(), SPEEDS);
        let mut made = grid(&table, &[0, 1, 2, 3, 4], &rows, shown);
        made.heading = comparison.others[i].name.clone();
        grids.push(made);
    }
    grids.retain(|grid| !grid.rows.is_empty());
    let cautions = comparison.cautions.iter().map(|c| match &c.other {
        Some(other) => format!("{other}: {}", text_of(&c.text).plain(shown)),
        None => capital(&text_of(&c.text).plain(shown)),
    });
    let notes = comparison
        .notes
        .iter()
        .map(|n| capital(&text_of(n).plain(shown)));
    let mut own: Vec<String> = cautions.chain(notes).take(NOTES).collect();
    own.insert(0, RESIST.to_owned());
    let rule = "within and outside are said only where the 95 % interval shows it; else undecided. Changes without a limit \
                are stated, not judged.";
    let content = Content {
        about,
        answer,
        plots: plots::overlay(comparison, &runs)
            .into_iter()
            .map(|figure| figure.plot)
            .collect(),
        grids,
        statements: statements(own, rule, &fields),
        fields,
        made_from: sources(runs.iter().copied()),
        maker: maker(&comparison.tool),
    };
    draw(&content, stationery, shown)
}

/// The sheet of a check.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn check_sheet(
    result: &CheckResult,
    run: &Run,
    stationery: &Stationery,
    shown: Shown,
) -> Result<Files, Error> {
    let mut known = BTreeMap::from([
        ("Part", result.damper.name.clone()),
        ("Method", capital(&sheet::subtitle(result).plain(shown))),
    ]);
    let stated = [
        ("Serial number", &result.sheet.serial),
        ("Operator", &result.sheet.operator),
        ("Tested", &result.sheet.date),
    ];
    let mut labels = stationery.labels.clone();
    for (name, value) in stated {
        if let Some(value) = value {
            known.insert(name, value.clone());
            labels
                .entry(name.to_owned())
                .or_insert_with(|| value.clone());
        }
    }
    let fields = Fields::of(&stationery.shop.labels, &run.metadata, &labels, &known);
    let all = result.worst_first();
    let rows = all.iter().take(CRITERIA).map(|c| {
        let kind = sheet::kind(c);
        let text = |dual: Dual| dual.get(shown).to_owned();
        vec![
            text(sheet::criterion_name(c)),
            text(dual(kind, c.target)),
            text(dual(kind, c.value)),
            c.ci95
                .map_or_else(|| MISSING.to_owned(), |ci| text(sheet::interval(kind, ci))),
            text(sheet::limits(c)),
            text(dual(kind, c.margin)),
            c.verdict.word().to_owned(),
        ]
    });
    let columns = [
        "target",
        "measured",
        "95 % interval",
        "limit",
        "margin",
        "verdict",
    ];
    let criteria = Grid {
        heading: "Worst margins first".into(),
        ink: None,
        columns: columns.map(str::to_owned).to_vec(),
        rows: rows.collect(),
        wide: true,
    };
    let rest = all.get(CRITERIA..).unwrap_or_default();
    let mut own = Vec::new();
    if !rest.is_empty() {
        let passed = rest.iter().filter(|c| c.verdict == Passed::Pass).count();
        own.push(format!(
            "{} more criteria are not listed here; {passed} of them are met. The report has them all.",
            rest.len()
        ));
    }
    own.extend(noted(&result.notes, shown));
    let assumed = crate::report::words::assumption(run);
    let mut answer = vec![sheet::headline(result).plain(shown)];
    answer.extend(assumed.as_ref().map(|text: &Text| text.plain(shown)));
    let figure = plots::check_figure(result, run).map(|figure| figure.plot);
    let rule = "a criterion passes only if the measurement, with its uncertainty, is shown to be inside the limit, and \
                fails only if its interval lies wholly outside; else it is undecided. One failed criterion fails the item.";
    let content = Content {
        about: format!("{} against {}", result.damper.name, result.target.name),
        answer,
        plots: figure.into_iter().chain(fastest_loop(run)).collect(),
        grids: vec![criteria],
        statements: statements(own, rule, &fields),
        fields,
        made_from: format!(
            "{}; target {}",
            sources(std::iter::once(run)),
            file_name(&result.target.path)
        ),
        maker: maker(&result.tool),
    };
    draw(&content, stationery, shown)
}

/// The sheet of a pairing.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn match_sheet(
    result: &MatchResult,
    runs: &[Run],
    stationery: &Stationery,
    shown: Shown,
) -> Result<Files, Error> {
    let all: Vec<&Run> = runs.iter().collect();
    let known = BTreeMap::from([
        ("Part", format!("{} dampers", result.dampers.len())),
        ("Method", capital(&matching::measure(result))),
    ]);
    let fields = Fields::of(
        &stationery.shop.labels,
        &shared(&all),
        &stationery.labels,
        &known,
    );
    let table = matching::pairs(result);
    let rows: Vec<usize> = (0..table.rows.len().min(PAIRS)).collect();
    let names: Vec<String> = (1..)
        .zip(&result.dampers)
        .take(PAIRS)
        .map(|(i, damper)| format!("{i} {}", damper.name))
        .collect();
    let mut own = vec![format!("Numbers in the plot: {}.", names.join(", "))];
    if table.rows.len() > PAIRS {
        let more = table.rows.len() - PAIRS;
        own.push(format!(
            "{more} more pairs are not listed here; the report has them all."
        ));
    }
    own.extend(noted(&result.notes, shown));
    let rule = "a pair is within or outside its tolerance only where the 95 % interval of the difference shows it; else \
                undecided.";
    let content = Content {
        about: "Best pairs".into(),
        answer: vec![matching::headline(result)],
        plots: plots::map(result).into_iter().map(|f| f.plot).collect(),
        grids: vec![grid(&table, &[0, 1, 2, 3, 4, 5, 6], &rows, shown)],
        statements: statements(own, rule, &fields),
        fields,
        made_from: sources(runs.iter()),
        maker: maker(&result.tool),
    };
    draw(&content, stationery, shown)
}
