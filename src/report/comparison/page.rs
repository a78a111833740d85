//! A comparison as a page.

use super::{badge, marker, tables, terminal, text_of};
use crate::compare::Comparison;
use crate::notice::Error;
use crate::report::Files;
use crate::report::page::{Block, Page, Section};
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Shown;

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
    let _ = (base, others);
    let mut numbers = Section::new("numbers", "Speed by speed");
    for direction in Direction::BOTH {
        for part in comparison.get(direction) {
            numbers = numbers.with(Block::Table(tables::by_speed(comparison, part, direction)));
        }
    }
    let mut other = Section::new("changes", "What else changed");
    for i in 0..comparison.others.len() {
        for table in [tables::changes(comparison, i), tables::steps(comparison, i)] {
            if !table.rows.is_empty() {
                other = other.with(Block::Table(table));
            }
        }
    }
    let page = Page {
        title: super::folder_name(comparison),
        subtitle: Text::from(terminal::purpose_words(comparison.purpose)),
        headline: Text::from(
            (0..comparison.others.len())
                .map(|i| terminal::decision(comparison, i))
                .collect::<Vec<_>>()
                .join("; "),
        ),
        assumption: comparison
            .cautions
            .iter()
            .find(|c| c.code == "signs-assumed")
            .map(|c| text_of(&c.text)),
        badge: badge(comparison.worst()),
        sections: vec![numbers, other],
        shown,
        marker: marker(comparison),
        maker: format!("{} {}", comparison.tool.name, comparison.tool.version),
    };
    crate::report::page_files(&page)
}
