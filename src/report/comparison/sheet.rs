//! A check on the terminal and as a sheet for the customer.

use super::terminal::CLOSING;
use super::text_of;
use crate::compare::{CheckResult, Criterion, Passed};
use crate::notice::Error;
use crate::report::Files;
use crate::report::format::{Dual, MISSING, decimals, dual, dual_interval, fixed};
use crate::report::page::{Badge, Block, Cell, Fact, FactGroup, Page, Section, Table};
use crate::report::plots::summary;
use crate::report::terminal::{Look, Screen};
use crate::report::text::{Text, capital};
use crate::run::Run;
use crate::units::display::{Kind, Shown, kind_of_symbol, quantity};

/// What a sheet was made from.
pub fn check_marker(result: &CheckResult) -> String {
    format!("check {} {}", result.damper.sha256, result.target.sha256)
}

fn badge(verdict: Passed) -> Badge {
    match verdict {
        Passed::Pass => Badge::Clear,
        Passed::Undecided => Badge::Watch,
        Passed::Fail => Badge::Act,
    }
}

/// The answer, as a sentence stands.
pub(super) fn headline(result: &CheckResult) -> Text {
    let answer = text_of(&result.answer);
    Text::from(Dual::by(|shown| capital(&answer.plain(shown))))
}

pub(super) fn kind(criterion: &Criterion) -> Kind {
    match criterion.unit.as_str() {
        "1" => Kind::Share,
        unit => kind_of_symbol(unit).unwrap_or(Kind::Number),
    }
}

pub(super) fn limits(criterion: &Criterion) -> Dual {
    let kind = kind(criterion);
    match (criterion.limit.min, criterion.limit.max) {
        (Some(low), Some(high)) => dual_interval(kind, [low, high]),
        (Some(low), None) => {
            let d = dual(kind, Some(low));
            Dual::by(|s| format!("at least {}", d.get(s)))
        }
        (None, Some(high)) => {
            let d = dual(kind, Some(high));
            Dual::by(|s| format!("at most {}", d.get(s)))
        }
        (None, None) => Dual::same("not found"),
    }
}

/// An interval without its unit, which stands beside it.
pub(super) fn interval(kind: Kind, ends: [f64; 2]) -> Dual {
    Dual::by(|shown| {
        let unit = quantity(kind, shown);
        let [low, high] = ends.map(|x| unit.from_si(x));
        let places = decimals(high - low).min(decimals(low.abs().max(high.abs())));
        format!("{} to {}", fixed(low, places), fixed(high, places))
    })
}

/// A criterion's name, its speed in both unit systems.
pub(super) fn criterion_name(c: &Criterion) -> Dual {
    match (c.direction, c.velocity_m_s) {
        (Some(direction), Some(speed)) => {
            let speed = dual(Kind::Speed, Some(speed));
            Dual::by(|s| format!("{} at {}", direction.word(), speed.get(s)))
        }
        _ => Dual::same(c.name.clone()),
    }
}

fn criteria(result: &CheckResult) -> Table {
    let columns = [
        ("Criterion", None),
        ("Limit", None),
        ("Measured", None),
        ("95 % interval", None),
        ("Margin", None),
        ("Verdict", None),
        ("Remark", None),
    ];
    let remarks = result.criteria.iter().any(|c| c.remark.is_some());
    let kept = columns.len() - usize::from(!remarks);
    let mut table = Table::new("Criteria", &columns[..kept]);
    for c in &result.criteria {
        let kind = kind(c);
        let mut row = vec![
            Cell::Dual(criterion_name(c)),
            Cell::Dual(limits(c)),
            Cell::Dual(dual(kind, c.value)),
            Cell::Dual(
                c.ci95
                    .map_or_else(|| Dual::same(MISSING), |ci| interval(kind, ci)),
            ),
            Cell::Dual(dual(kind, c.margin)),
            Cell::Words(c.verdict.word().into()),
            Cell::Dual(
                c.remark
                    .as_ref()
                    .map_or_else(Dual::default, |r| text_of(r).dual()),
            ),
        ];
        row.truncate(kept);
        table.rows.push(row);
    }
    table
}

/// The check on the terminal.
pub fn check_terminal(result: &CheckResult, look: Look) -> String {
    let mut screen = Screen::new(look);
    screen.verdict(badge(result.verdict), &headline(result).plain(look.shown));
    screen.prose(
        0,
        &format!("{} against {}", result.damper.name, result.target.name),
    );
    screen.raw("\n");
    let table = criteria(result);
    let remarks = result.criteria.iter().any(|c| c.remark.is_some());
    if look.width >= 100 && remarks {
        screen.table(&table, &[0, 1, 2, 3, 4, 5, 6]);
    } else {
        screen.table(&table, &[0, 1, 2, 3, 4, 5]);
        for c in &result.criteria {
            if let Some(remark) = &c.remark {
                screen.prose(2, &format!("- {}: {}", c.name, remark.shown(look.shown)));
            }
        }
    }
    screen.heading("To bear in mind");
    for note in &result.notes {
        screen.prose(2, &format!("- {}", note.shown(look.shown)));
    }
    screen.raw("\n");
    screen.prose(0, CLOSING);
    screen.finish()
}

/// What it is held against, and at which temperature.
pub(super) fn subtitle(result: &CheckResult) -> Text {
    let text = Text::from(format!("held against {}", result.target.name));
    match result.reference_c {
        None => text,
        Some(c) => text
            .say(", curve as it would be at ")
            .num(dual(Kind::Temperature, Some(c))),
    }
}

/// The sheet.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn check_files(result: &CheckResult, run: &Run, shown: Shown) -> Result<Files, Error> {
    let fact = |name: &str, value: Option<&str>| Fact {
        name: Dual::same(name),
        value: Dual::same(value.unwrap_or(MISSING)),
        remark: Text::new(),
    };
    let mut data = vec![
        fact("Damper", Some(&result.damper.name)),
        fact("Serial number", result.sheet.serial.as_deref()),
        fact("Target", Some(&result.target.name)),
    ];
    data.extend([
        fact("Tested by", result.sheet.operator.as_deref()),
        fact("Date", result.sheet.date.as_deref()),
    ]);
    let mut measured = Section::new("criteria", "Criteria");
    if let Some(figure) = super::plots::check_figure(result, run) {
        measured = measured.with(Block::Figure(Box::new(figure)));
    }
    let notes = result.notes.iter().map(text_of).collect();
    let page = Page {
        title: result
            .sheet
            .serial
            .clone()
            .unwrap_or_else(|| result.damper.name.clone()),
        subtitle: subtitle(result),
        headline: headline(result),
        assumption: crate::report::words::assumption(run),
        badge: badge(result.verdict),
        sections: vec![
            Section::new("sheet", "Test sheet").with(Block::Facts(vec![FactGroup {
                heading: "Tested".into(),
                ink: None,
                facts: data,
            }])),
            measured.with(Block::Table(criteria(result))),
            Section::new("sign", "Signed").with(Block::SignOff(vec![
                "Tested by".into(),
                "Date".into(),
                "Received by".into(),
            ])),
            Section::new("method", "How it was judged")
                .with(Block::List(notes))
                .with(Block::Caution(vec![Text::from(CLOSING)]))
                .with(Block::Prose(Text::from(format!(
                    "File {}, SHA-256 {}. Target {}, SHA-256 {}. Made by {} {}.",
                    result.damper.path,
                    result.damper.sha256,
                    result.target.path,
                    result.target.sha256,
                    result.tool.name,
                    result.tool.version
                )))),
        ],
        shown,
        marker: check_marker(result),
        maker: format!("{} {}", result.tool.name, result.tool.version),
    };
    let figures = page.figures();
    let sheet = summary::Sheet {
        plots: figures.iter().map(|figure| &figure.plot).collect(),
        groups: Vec::new(),
        lines: sheet_lines(result),
    };
    crate::report::files_with_sheet(&page, &sheet)
}

/// Who and when, then what is not met, the worst first.
fn sheet_lines(result: &CheckResult) -> Vec<Text> {
    let data = [
        ("Damper", Some(&result.damper.name)),
        ("serial number", result.sheet.serial.as_ref()),
        ("tested by", result.sheet.operator.as_ref()),
        ("date", result.sheet.date.as_ref()),
    ];
    let data: Vec<String> = data
        .into_iter()
        .filter_map(|(name, value)| Some(format!("{name} {}", value?)))
        .collect();
    let mut lines = vec![Text::from(data.join(", "))];
    let mut bad: Vec<&Criterion> = result
        .criteria
        .iter()
        .filter(|c| c.verdict != Passed::Pass)
        .collect();
    bad.sort_by_key(|c| std::cmp::Reverse(c.verdict));
    lines.extend(bad.into_iter().take(SHEET_LINES).map(|c| {
        let value = dual(kind(c), c.value);
        Text::from(format!("{}: ", c.verdict.word()))
            .num(criterion_name(c))
            .say(", measured ")
            .num(value)
            .say(", limit ")
            .num(limits(c))
    }));
    lines
}

/// The most criteria a summary sheet lists.
const SHEET_LINES: usize = 8;
