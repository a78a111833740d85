//! A corner on the terminal: the answer first, then the numbers, then what they rest on.

use super::{CLOSING, headline, tables, text_of};
use crate::corner::Corner;
use crate::corner::answer::Level;
use crate::report::page::{Badge, Table};
use crate::report::terminal::{Look, Screen, clean};

/// Terminals at least this wide get the wide tables.
const WIDE: usize = 100;

/// The summary.
pub fn terminal(corner: &Corner, look: Look) -> String {
    let mut screen = Screen::new(look);
    let shown = look.shown;
    screen.prose(0, &super::subtitle(corner).plain(shown));
    screen.raw("\n");
    screen.verdict(Badge::Unsure, &headline(corner).plain(shown));
    if let Some(answer) = super::answer(corner) {
        screen.verdict(Badge::Unsure, &answer.plain(shown));
    }
    for group in tables::facts(corner) {
        screen.heading(&group.heading);
        screen.pairs(&group.facts);
    }
    let wide = look.width >= WIDE;
    let every = |narrow: &'static [usize], all: &'static [usize]| if wide { all } else { narrow };
    let zeta = tables::zeta(corner);
    table(
        &mut screen,
        &zeta,
        every(&[0, 1, 2, 3, 4], &[0, 1, 2, 3, 4, 5, 6]),
    );
    if !zeta.rows.is_empty() {
        screen.prose(2, &tables::practice());
    }
    table(&mut screen, &tables::zeta_change(corner), &[0, 1, 2]);
    table(
        &mut screen,
        &tables::against(corner),
        every(&[0, 1, 2, 4, 5, 6], &[0, 1, 2, 3, 4, 5, 6]),
    );
    table(&mut screen, &tables::pair(corner), &[0, 1, 2, 3, 4, 5, 6]);
    table(
        &mut screen,
        &tables::roads(corner, Level::TimeDomain),
        every(
            &[0, 1, 2, 4, 5, 6, 8, 9],
            &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9, 10],
        ),
    );
    table(&mut screen, &tables::contacts(corner), &[0, 1, 2, 3, 4]);
    if let Some(row) = tables::middle(corner) {
        let mut bands = tables::bands(row);
        bands.caption = super::on(&bands.caption, row).plain(shown);
        table(&mut screen, &bands, &[0, 1, 2, 3]);
    }
    if !corner.why_not.is_empty() {
        screen.heading("Left out");
        for (part, why) in &corner.why_not {
            screen.item(2, &format!("{}: {why}", super::part_words(part)));
        }
    }
    screen.heading("Assumed");
    for sentence in &corner.assumed {
        screen.item(2, &text_of(sentence).plain(shown));
    }
    screen.heading("To bear in mind");
    for caution in &corner.cautions {
        screen.item(2, caution);
    }
    screen.raw("\n");
    screen.prose(0, CLOSING);
    screen.finish()
}

fn table(screen: &mut Screen, table: &Table, kept: &[usize]) {
    if !table.rows.is_empty() {
        screen.heading(&clean(&table.caption));
        screen.table(table, kept);
    }
}
