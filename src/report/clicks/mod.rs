//! What the adjusters do: on the terminal and as a page.

mod page;
mod plots;
mod tables;
mod terminal;
mod words;

pub use page::files;
pub use terminal::terminal;

use super::page::Badge;
use crate::clicks::Clicks;

/// Name of the report folder.
pub fn folder_name(clicks: &Clicks) -> String {
    match (clicks.runs.first(), clicks.runs.last()) {
        (Some(first), Some(last)) => format!("clicks-{}-to-{}", first.name, last.name),
        _ => "clicks".into(),
    }
}

/// What the page was made from.
pub fn marker(clicks: &Clicks) -> String {
    let all: Vec<&str> = clicks.runs.iter().map(|r| r.sha256.as_str()).collect();
    format!("clicks {}", all.join(" "))
}

/// A run that does not fit, or repeats that differ, come before everything else.
fn badge(clicks: &Clicks) -> Badge {
    if !clicks.odd.is_empty() || clicks.repeats.iter().any(|r| r.more_than_usual) {
        Badge::Watch
    } else if clicks.adjusters.iter().any(|a| a.direction.is_some()) {
        Badge::Clear
    } else {
        Badge::Unsure
    }
}
