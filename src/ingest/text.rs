//! Lines of the decoded text: counting them, naming with them, telling a torn one.

use std::borrow::Cow;

use super::dialect::Dialect;

/// Most line breaks within one quoted cell of a header.
const BREAKS: usize = 8;

/// Lines in whose quoted cells line breaks stand (a header of several lines), joined by
/// blanks: the text comes in the last of the lines, the others are left empty, so that
/// lines keep their numbers. A quotation mark that opens no cell, such as an inch sign, or
/// is not closed soon, joins nothing; nor do rows of numbers.
pub(super) fn join_quoted<'a>(lines: &[&'a str]) -> Vec<Cow<'a, str>> {
    let mut out: Vec<Cow<'a, str>> = lines.iter().map(|l| Cow::Borrowed(*l)).collect();
    let mut i = 0;
    while i < lines.len() {
        let line = lines.get(i).copied().unwrap_or_default();
        if !line.contains('"') || is_mostly_digits(line) || !leaves_open(line, false) {
            i += 1;
            continue;
        }
        let closed = (i + 1..lines.len().min(i + 1 + BREAKS)).find(|j| {
            lines
                .get(*j)
                .is_some_and(|l| l.contains('"') && !leaves_open(l, true))
        });
        let Some(last) = closed else {
            i += 1;
            continue;
        };
        let joined = lines.get(i..=last).unwrap_or_default().join(" ");
        for (at, slot) in out.iter_mut().enumerate().take(last + 1).skip(i) {
            *slot = if at == last {
                Cow::Owned(joined.clone())
            } else {
                Cow::Borrowed("")
            };
        }
        i = last + 1;
    }
    out
}

fn is_mostly_digits(line: &str) -> bool {
    let letters = line.chars().filter(|c| c.is_alphabetic()).count();
    let digits = line.bytes().filter(u8::is_ascii_digit).count();
    digits > letters
}

/// True if a quoted cell is open at the end of the line. `open` says whether one was at its
/// beginning.
fn leaves_open(line: &str, open: bool) -> bool {
    let mut open = open;
    let mut cell_is_empty = !open;
    let mut chars = line.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '"' if open && chars.peek() == Some(&'"') => {
                chars.next();
            }
            '"' if open => open = false,
            '"' if cell_is_empty => open = true,
            ',' | ';' | '\t' | '|' if !open => {
                cell_is_empty = true;
                continue;
            }
            ' ' => continue,
            _ => {}
        }
        cell_is_empty = false;
    }
    open
}

/// A line of text as a label.
pub(super) fn label_of(text: &str) -> String {
    text.trim_matches(['#', '%', '*', ' ', '"', ';', ',', '\t', '=', '-'])
        .chars()
        .filter(|c| !c.is_control())
        .take(80)
        .collect()
}

/// True for `Speed 2`, `Speed;100;mm/s`: a word first, and little else.
pub(super) fn is_label(cells: &[String]) -> bool {
    let mut filled = cells.iter().map(|c| c.trim()).filter(|c| !c.is_empty());
    let word = filled
        .next()
        .is_some_and(|c| c.chars().any(char::is_alphabetic));
    word && filled.count() <= 3
}

/// At most so many lines and about so many bytes, cut at a line end.
pub(super) fn first_lines(block: &[u8], line_end: u8, lines: usize, bytes: usize) -> &[u8] {
    let part = if block.len() <= bytes {
        block
    } else {
        let head = block.get(..bytes).unwrap_or(block);
        match memchr::memrchr(line_end, head) {
            Some(end) => head.get(..=end).unwrap_or(head),
            // One line longer than that: all of it.
            None => {
                let end = memchr::memchr(line_end, block).map_or(block.len(), |at| at + 1);
                block.get(..end).unwrap_or(block)
            }
        }
    };
    if lines == usize::MAX {
        return part;
    }
    part.get(..offset_of_line(part, line_end, lines))
        .unwrap_or(part)
}

/// Where a line (from 0) begins.
pub(super) fn offset_of_line(block: &[u8], line_end: u8, line: usize) -> usize {
    match line.checked_sub(1) {
        None => 0,
        Some(before) => memchr::memchr_iter(line_end, block)
            .nth(before)
            .map_or(block.len(), |at| at + 1),
    }
}

/// Rows before the last one that are looked at for how they end.
const ROWS_BEFORE: usize = 64;

/// Fewer rows than this do not show that a column is written with fixed decimals.
const ROWS_NEEDED: usize = 8;

/// Where the last row begins, if it was cut off within a number. A file still being
/// written, or cut off, ends within a row, and its last number may lack digits: there is no
/// line end, as many cells as in the rows before, and fewer decimals in the last one, where
/// all rows before have the same number of them. A writer that leaves zeros at the end off
/// gives rows of varying decimals, of which none is called cut.
pub(super) fn torn_row(block: &[u8], line_end: u8, dialect: Dialect) -> Option<usize> {
    if block.is_empty() || block.last() == Some(&line_end) {
        return None;
    }
    let start = memchr::memrchr(line_end, block)? + 1;
    let (whole, torn) = block.split_at(start);
    let decimals = |line: &[u8]| {
        let line = line.trim_ascii_end();
        let mark = memchr::memrchr(dialect.decimal, line)?;
        let digits = line.get(mark + 1..)?;
        digits
            .iter()
            .all(u8::is_ascii_digit)
            .then_some(digits.len())
    };
    let mut before = whole
        .split_last()?
        .1
        .rsplit(|b| *b == line_end)
        .filter(|line| !line.trim_ascii().is_empty())
        .take(ROWS_BEFORE)
        .peekable();
    let last = *before.peek()?;
    let usual = decimals(last)?;
    let mut rows = 0;
    for line in before {
        // What stands above the first row of numbers has no such end.
        match decimals(line) {
            Some(n) if n == usual => rows += 1,
            None if line.iter().any(u8::is_ascii_alphabetic) => break,
            Some(_) | None => return None,
        }
    }
    let cells = |line: &[u8]| dialect.split(&String::from_utf8_lossy(line)).len();
    let torn_off = rows >= ROWS_NEEDED
        && decimals(torn).is_none_or(|n| n < usual)
        && !torn.trim_ascii().is_empty()
        && cells(last) == cells(torn);
    torn_off.then_some(start)
}
