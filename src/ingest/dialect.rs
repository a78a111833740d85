//! Delimiter and decimal mark, chosen by which reading makes most cells numbers.

use super::{clock, number};
use crate::units::Unit;

/// What separates columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Delimiter {
    /// One character.
    Mark(u8),
    /// Runs of blanks or tabs.
    Blanks,
}

impl Delimiter {
    /// The contract's name for it.
    pub(super) fn name(self) -> String {
        match self {
            Self::Mark(b'\t') => "tab".into(),
            Self::Mark(mark) => char::from(mark).to_string(),
            Self::Blanks => "blanks".into(),
        }
    }
}

/// How a line splits into cells and a cell into a number.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Dialect {
    pub(super) delimiter: Delimiter,
    pub(super) decimal: u8,
}

/// Candidates, most usual first: a tie goes to the earlier.
const CANDIDATES: [Dialect; 9] = [
    of(Delimiter::Mark(b','), b'.'),
    of(Delimiter::Mark(b';'), b','),
    of(Delimiter::Mark(b';'), b'.'),
    of(Delimiter::Mark(b'\t'), b'.'),
    of(Delimiter::Mark(b'\t'), b','),
    of(Delimiter::Mark(b'|'), b'.'),
    of(Delimiter::Mark(b'|'), b','),
    of(Delimiter::Blanks, b'.'),
    of(Delimiter::Blanks, b','),
];

/// Comma for both is only possible where cells are in quotes.
const QUOTED_COMMA: Dialect = of(Delimiter::Mark(b','), b',');

const fn of(delimiter: Delimiter, decimal: u8) -> Dialect {
    Dialect { delimiter, decimal }
}

/// Blanks must win by more than this: a table with tabs or commas also splits at blanks.
const BLANKS_WORTH: f64 = 0.98;

/// What a cell that needs thousands separators to be a number counts for: enough to win
/// against text, too little to win against a plain number.
const GROUPED_WORTH: f64 = 0.6;

impl Dialect {
    /// The cells of a line. Quotes around a cell are taken off, doubled quotes inside made
    /// single; a quote that never closes takes the rest of the line. A line that is one
    /// quoted cell with delimiters in it was quoted as a whole.
    pub(super) fn split(self, line: &str) -> Vec<String> {
        match self.delimiter {
            Delimiter::Blanks => split_blanks(line),
            Delimiter::Mark(mark) => {
                let mark = char::from(mark);
                let cells = split_mark(line, mark);
                match cells.as_slice() {
                    [whole] if whole.contains(mark) && whole.len() < line.len() => {
                        split_mark(whole, mark)
                    }
                    _ => cells,
                }
            }
        }
    }

    pub(super) fn number(self, cell: &str) -> Option<f64> {
        number::cell(cell, char::from(self.decimal))
    }
}

fn split_mark(line: &str, mark: char) -> Vec<String> {
    let mut cells = Vec::new();
    let mut cell = String::new();
    let mut quoted = false;
    let mut chars = line.chars().peekable();
    while let Some(c) = chars.next() {
        if quoted {
            if c == '"' {
                if chars.peek() == Some(&'"') {
                    chars.next();
                    cell.push('"');
                } else {
                    quoted = false;
                }
            } else {
                cell.push(c);
            }
        } else if c == '"' && cell.trim().is_empty() {
            cell.clear();
            quoted = true;
        } else if c == mark {
            cells.push(std::mem::take(&mut cell));
        } else {
            cell.push(c);
        }
    }
    cells.push(cell);
    cells
}

fn split_blanks(line: &str) -> Vec<String> {
    let mut cells = Vec::new();
    let mut rest = line.trim();
    while !rest.is_empty() {
        if let Some(inner) = rest.strip_prefix('"')
            && let Some(end) = inner.find('"')
        {
            cells.push(inner[..end].to_owned());
            rest = inner[end + 1..].trim_start();
            continue;
        }
        let end = rest.find([' ', '\t']).unwrap_or(rest.len());
        cells.push(rest[..end].to_owned());
        rest = rest[end..].trim_start();
    }
    cells
}

/// Picks the dialect for these lines, with what the person fixed.
pub(super) fn sniff(lines: &[&str], delimiter: Option<Delimiter>, decimal: Option<u8>) -> Dialect {
    let mut best = (f64::NEG_INFINITY, CANDIDATES[0]);
    let mut consider: Vec<Dialect> = CANDIDATES.to_vec();
    if lines.iter().any(|l| l.contains('"')) || decimal == Some(b',') {
        consider.push(QUOTED_COMMA);
    }
    for candidate in consider {
        if delimiter.is_some_and(|d| d != candidate.delimiter)
            || decimal.is_some_and(|d| d != candidate.decimal)
        {
            continue;
        }
        let mut score = worth(lines, candidate);
        if candidate.delimiter == Delimiter::Blanks {
            score *= BLANKS_WORTH;
        }
        if score > best.0 + 1e-9 {
            best = (score, candidate);
        }
    }
    if best.0 == f64::NEG_INFINITY {
        let mut fixed = CANDIDATES[0];
        fixed.delimiter = delimiter.unwrap_or(fixed.delimiter);
        fixed.decimal = decimal.unwrap_or(fixed.decimal);
        return fixed;
    }
    best.1
}

/// True for a cell that holds a number, with or without a unit after it, or a clock time.
pub(super) fn holds_number(dialect: Dialect, cell: &str) -> bool {
    dialect.number(cell).is_some()
        || clock::cell(cell).is_some()
        || number::with_suffix(cell, char::from(dialect.decimal))
            .is_some_and(|(_, unit)| Unit::any(unit).is_some())
}

/// Sum over rows of numeric cells × their share of the row, for rows of two cells or more.
fn worth(lines: &[&str], dialect: Dialect) -> f64 {
    lines
        .iter()
        .map(|line| {
            let cells = dialect.split(line);
            if cells.len() < 2 {
                return 0.0;
            }
            let filled = cells.iter().filter(|c| !c.trim().is_empty()).count();
            let numeric = cells.iter().filter(|c| holds_number(dialect, c)).count();
            // Sentences with a number in them are no rows.
            if 2 * numeric < filled {
                return 0.0;
            }
            let numbers: f64 = cells
                .iter()
                .map(|cell| {
                    if !holds_number(dialect, cell) {
                        0.0
                    } else if number::needs_grouping(cell, char::from(dialect.decimal)) {
                        GROUPED_WORTH
                    } else {
                        1.0
                    }
                })
                .sum();
            numbers * numbers / filled.max(1) as f64
        })
        .sum()
}
