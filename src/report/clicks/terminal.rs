//! The adjusters on the terminal: what a click does first, then the numbers.

use super::{badge, tables, words};
use crate::clicks::Clicks;
use crate::report::comparison::CLOSING;
use crate::report::terminal::{Look, Screen, clean};
use crate::report::text::capital;
use crate::steps::Direction;

/// Speeds across in a table.
const SPEEDS: usize = 4;

/// The summary.
pub fn terminal(clicks: &Clicks, look: Look) -> String {
    let mut screen = Screen::new(look);
    let shown = look.shown;
    screen.prose(0, &subtitle(clicks));
    screen.raw("\n");
    for line in words::headlines(clicks) {
        screen.verdict(badge(clicks), &line.shown(shown));
    }
    for odd in &clicks.odd {
        screen.item(2, &words::odd(odd).shown(shown));
    }
    for adjuster in &clicks.adjusters {
        screen.heading(&clean(&adjuster.name));
        screen.item(2, &words::counted(adjuster));
        for remark in words::remarks(adjuster) {
            screen.item(2, &remark.shown(shown));
        }
        for direction in Direction::BOTH {
            // The other direction has a table only if it is moved.
            let moved = adjuster
                .effect
                .iter()
                .any(|e| e.direction == direction && e.shown);
            if !moved && adjuster.direction.is_some() {
                continue;
            }
            let effects = tables::some(adjuster, direction, SPEEDS);
            if effects.is_empty() {
                continue;
            }
            let table =
                tables::by_setting(clicks, adjuster, direction, &effects, Some(shown), false);
            screen.raw("\n");
            screen.prose(
                2,
                &format!("{}, ± half the width of its 95 % interval", table.caption),
            );
            let all: Vec<usize> = (0..table.columns.len()).collect();
            screen.table(&table, &all);
        }
    }
    if let Some(meets) = &clicks.meets {
        screen.heading(&format!("To meet {}", clean(&meets.other)));
        for line in words::meets(meets) {
            screen.item(2, &line.shown(shown));
        }
    }
    if let Some(at) = &clicks.at {
        screen.heading(&format!("At {}", clean(&words::settings(&at.settings))));
        let table = tables::curve_at(clicks, at);
        screen.table(&table, &[0, 1, 2, 3, 4]);
    }
    if !clicks.repeats.is_empty() {
        screen.heading("Settings run more than once");
        for repeat in &clicks.repeats {
            screen.item(2, &words::repeated(repeat).shown(shown));
        }
    }
    screen.heading("To bear in mind");
    for caution in &clicks.cautions {
        screen.item(2, &caution.shown(shown));
    }
    screen.item(2, NOT_BEYOND);
    screen.raw("\n");
    screen.prose(0, CLOSING);
    screen.finish()
}

/// Said with every answer.
pub(super) const NOT_BEYOND: &str =
    "nothing is said of settings and speeds beyond those that were run";

/// What was looked at.
pub(super) fn subtitle(clicks: &Clicks) -> String {
    let names: Vec<String> = clicks.adjusters.iter().map(|a| a.name.clone()).collect();
    let held = if clicks.reference.len() > 1 {
        format!(
            "; while one is looked at the others stand at {}",
            words::settings(&clicks.reference)
        )
    } else {
        String::new()
    };
    capital(&format!(
        "{} runs; {}{held}",
        clicks.runs.len(),
        crate::report::words::listed(&names)
    ))
}
