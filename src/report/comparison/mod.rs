//! Dampers side by side: comparison, check sheet, pairing; on the terminal and as pages.

mod tables;
mod terminal;

mod matching;
mod one_page;
mod page;
mod plots;
mod sheet;

pub use matching::{match_files, match_marker, match_terminal};
pub use one_page::{check_sheet, compare_sheet, match_sheet};
pub use page::files;
pub use sheet::{check_files, check_marker, check_terminal};
pub use terminal::{CLOSING, terminal};

use super::format::Dual;
use super::page::Badge;
use super::text::Text;
use crate::compare::{Comparison, Named, Sentence, Verdict};

/// Name of a comparison's report folder.
pub fn folder_name(comparison: &Comparison) -> String {
    match comparison.others.as_slice() {
        [only] => format!("{}-and-{}", comparison.base.name, only.name),
        many => format!("{}-and-{}-others", comparison.base.name, many.len()),
    }
}

/// What a comparison's page was made from.
pub fn marker(comparison: &Comparison) -> String {
    let all = std::iter::once(&comparison.base).chain(&comparison.others);
    format!("{} {}", comparison.purpose.word(), hashes(all))
}

fn hashes<'a>(names: impl Iterator<Item = &'a Named>) -> String {
    names
        .map(|n| n.sha256.as_str())
        .collect::<Vec<_>>()
        .join(" ")
}

/// How grave a verdict is.
fn badge(verdict: Option<Verdict>) -> Badge {
    match verdict {
        Some(Verdict::Within) => Badge::Clear,
        Some(Verdict::Outside) => Badge::Act,
        Some(Verdict::Undecided) => Badge::Watch,
        None => Badge::Unsure,
    }
}

/// A sentence in both unit systems.
fn text_of(sentence: &Sentence) -> Text {
    Text::from(Dual::by(|shown| sentence.shown(shown)))
}
