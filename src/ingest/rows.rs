//! Rows of numbers, fast: straight from bytes to SI columns, all cores, in order.

use rayon::prelude::*;

use super::dialect::Delimiter;
use super::{clock, number};
use crate::units::Unit;

/// Bytes one task takes at a time. Fixed, so that the pieces do not depend on the machine.
const PIECE: usize = 256 << 10;

/// One wanted column.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Slot {
    /// Field number, from 0.
    pub(super) field: usize,
    pub(super) scale: f64,
    pub(super) offset: f64,
    /// The unit of its cells; one may give its own after the number.
    pub(super) unit: Unit,
    /// Sign by which the column is turned round.
    pub(super) turn: f64,
    /// A row without it is of no use.
    pub(super) needed: bool,
    /// Written as clock time.
    pub(super) clock: bool,
}

impl Slot {
    #[inline]
    fn read(&self, bytes: &[u8], shape: &RowShape) -> Option<(f64, usize)> {
        let (number, used) = if self.clock {
            clock::leading(bytes, shape.delimiter == Delimiter::Mark(b','))?
        } else {
            number::leading(bytes, shape.decimal)?
        };
        Some((number * self.scale + self.offset, used))
    }

    /// The patient road: a cell of a line that was split with care.
    pub(super) fn patient(&self, cell: &str, decimal: u8) -> Option<f64> {
        let decimal = char::from(decimal);
        let number = if self.clock {
            clock::cell(cell)?
        } else if let Some(number) = number::cell(cell, decimal) {
            number
        } else {
            let (number, unit) = number::with_suffix(cell, decimal)?;
            let unit = if unit == self.unit.symbol {
                self.unit
            } else {
                Unit::named(self.unit.quantity, unit)?
            };
            return Some(unit.to_si(number) * self.turn);
        };
        Some(number * self.scale + self.offset)
    }
}

/// How rows are read.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct RowShape {
    pub(super) delimiter: Delimiter,
    pub(super) decimal: u8,
    pub(super) line_end: u8,
    /// Wanted columns by rising field number.
    pub(super) slots: Vec<Slot>,
}

/// Rows of one piece of text.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    /// One column per slot, SI.
    pub(super) columns: Vec<Vec<f64>>,
    /// Lines the fast road could not take.
    pub(super) odd: Vec<Odd>,
    /// Lines in the piece.
    pub(super) lines: u64,
}

/// A line that is no plain row of numbers, or a run of blank lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Odd {
    /// Rows of the piece before it.
    pub(super) rows_before: u32,
    /// Lines of the piece before it.
    pub(super) lines_before: u32,
    /// Where it is in the block.
    pub(super) from: u32,
    pub(super) to: u32,
    pub(super) blank: bool,
}

impl Rows {
    pub(super) fn len(&self) -> usize {
        self.columns.first().map_or(0, Vec::len)
    }

    /// Adds rows `from..to` of another piece with the same columns.
    pub(super) fn append(&mut self, piece: &Self, from: usize, to: usize) {
        for (into, column) in self.columns.iter_mut().zip(&piece.columns) {
            into.extend_from_slice(column.get(from..to).unwrap_or_default());
        }
    }

    fn note_odd(&mut self, line: &[u8], from: usize) {
        let blank = line.iter().all(u8::is_ascii_whitespace);
        let to = (from + line.len()) as u32;
        let rows_before = self.len() as u32;
        // A run of blank lines is one entry: a file of nothing else must not fill memory.
        if blank
            && let Some(last) = self.odd.last_mut()
            && last.blank
            && last.rows_before == rows_before
            && last.to as usize == from
        {
            last.to = to;
            return;
        }
        self.odd.push(Odd {
            rows_before,
            lines_before: self.lines as u32,
            from: from as u32,
            to,
            blank,
        });
    }
}

/// Reads a block of whole lines on all cores; pieces come back in order. Blocks are far
/// below 4 GB, so that places in them fit 32 bits.
pub(super) fn parse(block: &[u8], shape: &RowShape) -> Vec<Rows> {
    let mut pieces = Vec::new();
    let mut at = 0;
    while at < block.len() {
        let end = (at + PIECE).min(block.len());
        let cut = block
            .get(end..)
            .and_then(|tail| memchr::memchr(shape.line_end, tail))
            .map_or(block.len(), |n| end + n + 1);
        pieces.push((at, block.get(at..cut).unwrap_or_default()));
        at = cut;
    }
    if pieces.len() == 1 {
        return pieces
            .into_iter()
            .map(|(at, piece)| parse_piece(at, piece, shape))
            .collect();
    }
    pieces
        .into_par_iter()
        .map(|(at, piece)| parse_piece(at, piece, shape))
        .collect()
}

fn parse_piece(start: usize, piece: &[u8], shape: &RowShape) -> Rows {
    let width = shape.slots.len();
    // A row of n numbers takes at least 2n bytes; most take four times that.
    let room = piece.len() / (8 * width.max(1)) + 16;
    let mut rows = Rows {
        columns: vec![Vec::with_capacity(room); width],
        ..Rows::default()
    };
    let mut values = vec![0.0; width];
    let mut rest = piece;
    while !rest.is_empty() {
        let taken = match shape.delimiter {
            Delimiter::Mark(mark) => marked_row(rest, shape, mark, &mut values),
            Delimiter::Blanks => blank_row(rest, shape, &mut values),
        };
        if let Some(used) = taken {
            for (column, value) in rows.columns.iter_mut().zip(&values) {
                column.push(*value);
            }
            rest = rest.get(used..).unwrap_or_default();
        } else {
            let end = memchr::memchr(shape.line_end, rest).map_or(rest.len(), |at| at + 1);
            let (line, after) = rest.split_at(end);
            let from = start + piece.len() - rest.len();
            rows.note_odd(line, from);
            rest = after;
        }
        rows.lines += 1;
    }
    rows
}

/// Skips blanks.
#[inline]
fn blanks(bytes: &[u8], mut i: usize) -> usize {
    while matches!(bytes.get(i), Some(b' ')) {
        i += 1;
    }
    i
}

/// One row with a delimiter mark; its length, or `None` if it is odd.
#[inline]
fn marked_row(text: &[u8], shape: &RowShape, mark: u8, values: &mut [f64]) -> Option<usize> {
    let mut at = 0;
    let mut field = 0;
    for (slot, value) in shape.slots.iter().zip(values.iter_mut()) {
        while field < slot.field {
            if text.get(at) == Some(&b'"') {
                return None;
            }
            let tail = text.get(at..)?;
            let skip = memchr::memchr2(mark, shape.line_end, tail)?;
            if tail.get(skip) == Some(&shape.line_end) {
                return None;
            }
            at += skip + 1;
            field += 1;
        }
        at = blanks(text, at);
        let quoted = text.get(at) == Some(&b'"');
        if quoted {
            at += 1;
        }
        match slot.read(text.get(at..)?, shape) {
            Some((number, used)) => {
                *value = number;
                at += used;
            }
            None if !slot.needed => *value = f64::NAN,
            None => return None,
        }
        if quoted {
            if text.get(at) != Some(&b'"') {
                return None;
            }
            at += 1;
        }
        at = blanks(text, at);
        match text.get(at) {
            Some(b) if *b == mark => {
                at += 1;
                field += 1;
            }
            // The last wanted column may be the last of the line; more wanted after it and
            // the next round fails on the missing field.
            None | Some(b'\n' | b'\r') => field = usize::MAX,
            _ => return None,
        }
        if field == usize::MAX && !std::ptr::eq(slot, shape.slots.last()?) {
            return None;
        }
    }
    if field == usize::MAX {
        return Some(after_line(text, at, shape.line_end));
    }
    let tail = text.get(at..)?;
    Some(memchr::memchr(shape.line_end, tail).map_or(text.len(), |n| at + n + 1))
}

fn after_line(text: &[u8], at: usize, line_end: u8) -> usize {
    match text.get(at) {
        None => text.len(),
        Some(b) if *b == line_end => at + 1,
        _ => text
            .get(at..)
            .and_then(|tail| memchr::memchr(line_end, tail))
            .map_or(text.len(), |n| at + n + 1),
    }
}

/// One row with columns apart by blanks.
fn blank_row(text: &[u8], shape: &RowShape, values: &mut [f64]) -> Option<usize> {
    let is_blank = |b: Option<&u8>| matches!(b, Some(b' ' | b'\t'));
    let ends = |b: Option<&u8>| matches!(b, None | Some(b'\n' | b'\r'));
    let mut at = 0;
    let mut field = 0;
    let mut slots = shape.slots.iter().zip(values.iter_mut()).peekable();
    loop {
        while is_blank(text.get(at)) {
            at += 1;
        }
        if ends(text.get(at)) {
            break;
        }
        let Some((slot, _)) = slots.peek() else {
            let tail = text.get(at..)?;
            return Some(memchr::memchr(shape.line_end, tail).map_or(text.len(), |n| at + n + 1));
        };
        if field == slot.field {
            let (slot, value) = slots.next()?;
            let (number, used) = slot.read(text.get(at..)?, shape)?;
            *value = number;
            at += used;
            if !is_blank(text.get(at)) && !ends(text.get(at)) {
                return None;
            }
        } else {
            if text.get(at) == Some(&b'"') {
                return None;
            }
            while !is_blank(text.get(at)) && !ends(text.get(at)) {
                at += 1;
            }
        }
        field += 1;
    }
    if slots.peek().is_some() {
        return None;
    }
    Some(after_line(text, at, shape.line_end))
}
