//! A comparison on the terminal: the decision first, then the numbers.

use super::{badge, tables, text_of};
use crate::compare::{Comparison, Purpose};
use crate::report::format::Dual;
use crate::report::terminal::{Look, Screen, clean};
use crate::report::text::{Text, capital};
use crate::steps::Direction;

/// What a comparison of this purpose is called.
pub(super) fn purpose_words(purpose: Purpose) -> &'static str {
    match purpose {
        Purpose::Revalve => "before and after a revalve",
        Purpose::Wear => "used against reference",
        Purpose::Pair => "as a pair",
    }
}

/// The answer on one other damper; its name stands before it where there are several.
pub(super) fn decision(comparison: &Comparison, i: usize) -> Text {
    let answer = comparison
        .overall
        .get(i)
        .map_or_else(Text::new, |o| text_of(&o.answer));
    if comparison.others.len() > 1 {
        let name = &comparison.others[i].name;
        Text::from(format!("{name}: ")).and(answer)
    } else {
        Text::from(Dual::by(|shown| capital(&answer.plain(shown))))
    }
}

/// The summary of a comparison.
pub fn terminal(comparison: &Comparison, look: Look) -> String {
    let mut screen = Screen::new(look);
    let shown = look.shown;
    let names: Vec<&str> = comparison.others.iter().map(|o| o.name.as_str()).collect();
    screen.prose(
        0,
        &format!(
            "{} (base) and {}, {}",
            comparison.base.name,
            names.join(", "),
            purpose_words(comparison.purpose)
        ),
    );
    for i in 0..comparison.others.len() {
        let Some(overall) = comparison.overall.get(i) else {
            continue;
        };
        screen.raw("\n");
        screen.verdict(
            badge(overall.verdict),
            &decision(comparison, i).plain(shown),
        );
        for reason in &overall.reasons {
            screen.prose(2, &format!("- {}", reason.shown(shown)));
        }
    }
    for direction in Direction::BOTH {
        for part in comparison.get(direction) {
            let table = tables::by_speed(comparison, part, direction);
            if table.rows.is_empty() {
                continue;
            }
            screen.heading(&clean(&table.caption));
            let kept: &[usize] = match (part.hydraulic.is_some(), part.tolerance_pct.is_some()) {
                (true, true) => &[0, 1, 2, 3, 5, 6, 7, 9],
                (true, false) => &[0, 1, 2, 3, 5, 6, 7],
                (false, true) => &[0, 1, 2, 3, 4, 6, 9],
                (false, false) => &[0, 1, 2, 3, 4, 6],
            };
            screen.table(&table, kept);
        }
    }
    for i in 0..comparison.others.len() {
        let table = tables::changes(comparison, i);
        if !table.rows.is_empty() {
            screen.heading(&format!("Also: {}", clean(&table.caption)));
            screen.table(&table, &[0, 1, 2, 3, 4]);
        }
    }
    let findings = tables::findings(comparison);
    if !findings.rows.is_empty() {
        screen.heading("Findings");
        screen.table(&findings, &[0, 1, 2, 5]);
    }
    screen.heading("To bear in mind");
    for caution in &comparison.cautions {
        let who = caution
            .other
            .as_ref()
            .filter(|_| comparison.others.len() > 1)
            .map_or_else(String::new, |o| format!("{o}: "));
        screen.prose(2, &format!("- {who}{}", caution.text.shown(shown)));
    }
    for note in &comparison.notes {
        screen.prose(2, &format!("- {}", note.shown(shown)));
    }
    screen.raw("\n");
    screen.prose(0, CLOSING);
    screen.finish()
}

/// What every output of a comparison ends with.
pub const CLOSING: &str = "Dampers hold gas at pressure, springs hold energy, bodies run hot. This compares \
     measurements; it does not say that a part is fit to use. The maker's instructions, local codes and \
     licensed practice come first.";
