//! Rows that cannot be read: the first of them for people, the rest counted.

use super::look;
use super::plan::{Planned, role_word};
use crate::notice::{Error, Fault, Notice, PROBLEMS_SHOWN, Place, Severity};
use crate::recording::Role;
use crate::units::Quantity;

/// Longest part of a line that is kept.
const LONGEST: usize = 400;

/// The unreadable rows of one file.
#[derive(Debug, Clone, Default)]
pub(super) struct BadRows {
    first: Vec<Notice>,
    count: u64,
}

impl BadRows {
    pub(super) fn is_empty(&self) -> bool {
        self.count == 0
    }

    /// Takes note of a row whose cell `field` is no number; gives the reason to count it by.
    pub(super) fn note(
        &mut self,
        path: &str,
        column: Option<&Planned>,
        field: usize,
        cells: &[String],
        line: (&str, u64),
    ) -> String {
        self.count += 1;
        let (text, number) = line;
        let role = column.map_or(Role::Force, |c| c.role);
        let cell = cells.get(field).map(|c| c.trim());
        let reason = match cell {
            None => "row cut short".to_owned(),
            Some("") => format!("{} missing", role_word(role)),
            Some(cell) if is_other_mark(cell) => "another decimal mark".to_owned(),
            Some(_) => look::not_a_number(role),
        };
        if self.first.len() >= PROBLEMS_SHOWN {
            return reason;
        }
        let found = match cell {
            None => "the row ends before it".to_owned(),
            Some("") => "the cell is empty".to_owned(),
            Some(cell) if is_other_mark(cell) => {
                format!("found \"{cell}\", whose mark is not the file's decimal mark")
            }
            Some(cell) => format!("found \"{}\"", cell.chars().take(40).collect::<String>()),
        };
        let word = Quantity::of(role).word();
        let article = if word.starts_with('a') { "an" } else { "a" };
        let shown: String = text.chars().take(LONGEST).collect();
        let span = span_of(&shown, cells, field);
        self.first.push(
            Notice::error(
                "not-a-number",
                format!("{article} {word} was expected, {found}"),
            )
            .at(Place {
                path: Some(path.to_owned()),
                line: Some(number),
                column: Some(field + 1),
                column_name: column.map(|c| c.column.clone()),
                text: Some(shown),
                span,
            })
            .help("give a number there, or take the row out"),
        );
        reason
    }

    /// The first one, as a warning.
    pub(super) fn warning(&self, rows: u64) -> Option<Notice> {
        let mut first = self.first.first()?.clone();
        first.severity = Severity::Warning;
        first.code = "rows-dropped".to_owned();
        first.message = format!(
            "{} of {rows} rows cannot be read and are left out; the first: {}",
            self.count, first.message
        );
        first.help =
            Some("`loopwork inspect` lists the reasons; the report counts them".to_owned());
        Some(first)
    }

    /// All of them, as the reason to refuse the file.
    pub(super) fn error(&self) -> Error {
        let mut error = Error::many(Fault::Input, self.first.clone());
        let shown = error.problems.len() as u64;
        error.more = usize::try_from(self.count.saturating_sub(shown)).unwrap_or(usize::MAX);
        error
    }
}

/// A plain number with one point or comma; the file's decimal mark it cannot be, or the cell
/// would not be here.
fn is_other_mark(cell: &str) -> bool {
    let digits = cell.trim_start_matches(['-', '+']);
    digits.len() < 40
        && digits.matches([',', '.']).count() == 1
        && digits
            .chars()
            .all(|c| c.is_ascii_digit() || matches!(c, ',' | '.'))
}

/// Where a cell stands in its line.
fn span_of(shown: &str, cells: &[String], field: usize) -> Option<(usize, usize)> {
    let cell = cells
        .get(field)
        .map(|c| c.trim())
        .filter(|c| !c.is_empty())?;
    let start = cells.iter().take(field).fold(0, |at, before| {
        shown
            .get(at..)
            .and_then(|rest| rest.find(before.as_str()))
            .map_or(at, |n| at + n + before.len())
    });
    let at = start + shown.get(start..)?.find(cell)?;
    Some((at, at + cell.len()))
}
