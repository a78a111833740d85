//! Lines of the decoded text: counting them, naming with them, telling a torn one.

use super::dialect::Dialect;

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

/// Where the last row begins, if it was cut off within a number. A file still being
/// written, or cut off, ends within a row, and its last number may lack digits: there is no
/// line end, as many cells as in the row before, and fewer decimals in the last one.
pub(super) fn torn_row(block: &[u8], line_end: u8, dialect: Dialect) -> Option<usize> {
    if block.is_empty() || block.last() == Some(&line_end) {
        return None;
    }
    let start = memchr::memrchr(line_end, block)? + 1;
    let (whole, torn) = block.split_at(start);
    let (_, before) = whole.split_last()?;
    let from = memchr::memrchr(line_end, before).map_or(0, |at| at + 1);
    let before = before.get(from..)?;
    let decimals = |line: &[u8]| {
        let line = line.trim_ascii_end();
        let mark = memchr::memrchr(dialect.decimal, line)?;
        let digits = line.get(mark + 1..)?;
        digits
            .iter()
            .all(u8::is_ascii_digit)
            .then_some(digits.len())
    };
    let cells = |line: &[u8]| dialect.split(&String::from_utf8_lossy(line)).len();
    let shorter = match (decimals(before), decimals(torn)) {
        (Some(b), Some(t)) => t < b,
        (Some(_), None) => true,
        _ => false,
    };
    let torn_off = shorter && cells(before) == cells(torn) && !torn.trim_ascii().is_empty();
    torn_off.then_some(start)
}
