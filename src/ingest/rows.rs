//! Rows of numbers, fast: straight from bytes to SI columns.

use super::dialect::Delimiter;
use super::plain::{Habit, Window};
use super::{clock, number};
use crate::units::Unit;

/// Rows that wait, column by column, until they are added to the columns together.
const SHEET: usize = 64;

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
    /// The number at the start of some bytes, in the file's unit, and its length.
    fn read(&self, bytes: &[u8], shape: &RowShape) -> Option<(f64, usize)> {
        let (number, used) = if self.clock {
            clock::leading(bytes, shape.delimiter == Delimiter::Mark(b','))?
        } else {
            number::leading(bytes, shape.decimal)?
        };
        Some((number, used))
    }

    #[inline]
    fn si(&self, number: f64) -> f64 {
        number * self.scale + self.offset
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
        Some(self.si(number))
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

/// Rows of a block of text.
#[derive(Debug, Clone, Default)]
pub(super) struct Rows {
    /// One column per slot, SI.
    pub(super) columns: Vec<Vec<f64>>,
    /// Rows that stood in the columns before: a chunk's own columns that were lent to grow.
    pub(super) lead: usize,
    /// Lines the fast road could not take.
    pub(super) odd: Vec<Odd>,
    /// Lines in the block.
    pub(super) lines: u64,
}

/// A line that is no plain row of numbers, or a run of blank lines.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Odd {
    /// Rows of the block before it.
    pub(super) rows_before: u32,
    /// Lines of the block before it.
    pub(super) lines_before: u32,
    /// Where it is in the block.
    pub(super) from: u32,
    pub(super) to: u32,
    pub(super) blank: bool,
}

impl Odd {
    /// The line itself, or the blank lines.
    pub(super) fn of<'a>(&self, block: &'a [u8]) -> &'a [u8] {
        block
            .get(self.from as usize..self.to as usize)
            .unwrap_or_default()
    }
}

impl Rows {
    pub(super) fn len(&self) -> usize {
        self.columns
            .first()
            .map_or(0, |c| c.len() - self.lead.min(c.len()))
    }

    /// The numbers of one column.
    pub(super) fn column(&self, place: usize) -> Option<&[f64]> {
        self.columns.get(place).and_then(|c| c.get(self.lead..))
    }

    /// Adds rows `from..to` of another piece with the same columns.
    pub(super) fn append(&mut self, piece: &Self, from: usize, to: usize) {
        for (place, into) in self.columns.iter_mut().enumerate() {
            let numbers = piece.column(place).and_then(|c| c.get(from..to));
            into.extend_from_slice(numbers.unwrap_or_default());
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

/// A few rows on their way to the columns, which then grow by many numbers at a time.
struct Sheet {
    /// With how the numbers of the column are written.
    columns: Vec<(Habit, [f64; SHEET])>,
    rows: usize,
}

impl Sheet {
    fn new(width: usize) -> Self {
        Self {
            columns: vec![(Habit::default(), [0.0; SHEET]); width],
            rows: 0,
        }
    }

    /// A row has been written.
    #[inline]
    fn done(&mut self, columns: &mut [Vec<f64>]) {
        self.rows += 1;
        if self.rows == SHEET {
            self.empty(columns);
        }
    }

    #[inline(never)]
    fn empty(&mut self, columns: &mut [Vec<f64>]) {
        for (into, (_, from)) in columns.iter_mut().zip(&self.columns) {
            into.extend_from_slice(from.get(..self.rows).unwrap_or_default());
        }
        self.rows = 0;
    }
}

/// Reads the whole lines of a block from a place on. Blocks are far below 4 GB, so that
/// places in them fit 32 bits.
pub(super) fn parse(block: &[u8], from: usize, shape: &RowShape) -> Rows {
    parse_into(vec![Vec::new(); shape.slots.len()], block, from, shape)
}

/// As [`parse`], behind what stands in the columns, which are as many as the slots and of one
/// length.
pub(super) fn parse_into(
    mut columns: Vec<Vec<f64>>,
    block: &[u8],
    from: usize,
    shape: &RowShape,
) -> Rows {
    let width = shape.slots.len();
    // A row of n numbers takes at least 2n bytes; most take four times that.
    let room = (block.len() - from.min(block.len())) / (8 * width.max(1)) + 16;
    columns.iter_mut().for_each(|column| column.reserve(room));
    let mut rows = Rows {
        lead: columns.first().map_or(0, Vec::len),
        columns,
        ..Rows::default()
    };
    let mut sheet = Sheet::new(width);
    let mut at = from;
    while at < block.len() {
        let taken = match shape.delimiter {
            Delimiter::Mark(mark) => marked_row(block, at, shape, mark, &mut sheet),
            Delimiter::Blanks => blank_row(block, at, shape, &mut sheet),
        };
        if let Some(next) = taken {
            sheet.done(&mut rows.columns);
            at = next;
        } else {
            sheet.empty(&mut rows.columns);
            let next = after_line(block, at, shape.line_end);
            rows.note_odd(block.get(at..next).unwrap_or_default(), at);
            at = next;
        }
        rows.lines += 1;
    }
    sheet.empty(&mut rows.columns);
    rows
}

/// Where the line after the one at hand begins.
#[inline]
pub(super) fn after_line(text: &[u8], at: usize, line_end: u8) -> usize {
    if text.get(at) == Some(&line_end) {
        return at + 1;
    }
    next_line(text, at, line_end)
}

#[inline(never)]
fn next_line(text: &[u8], at: usize, line_end: u8) -> usize {
    text.get(at..)
        .and_then(|tail| memchr::memchr(line_end, tail))
        .map_or(text.len(), |n| at + n + 1)
}

/// Skips blanks.
#[inline]
fn blanks(bytes: &[u8], mut i: usize) -> usize {
    while matches!(bytes.get(i), Some(b' ')) {
        i += 1;
    }
    i
}

/// One row with a delimiter mark; the place of the next, or `None` if it is odd.
#[inline]
fn marked_row(
    text: &[u8],
    mut at: usize,
    shape: &RowShape,
    mark: u8,
    sheet: &mut Sheet,
) -> Option<usize> {
    let mut window = Window::open(text, at);
    let row = sheet.rows % SHEET;
    let mut field = 0;
    let mut slots = shape.slots.iter().zip(sheet.columns.iter_mut());
    while let Some((slot, (habit, column))) = slots.next() {
        while field < slot.field {
            at = next_cell(text, at, shape.line_end, mark)?;
            field += 1;
        }
        let plain = window
            .number(at, shape.decimal, habit)
            .filter(|_| !slot.clock);
        if let Some(plain) = &plain
            && plain.next == mark
        {
            column[row] = slot.si(plain.value);
            at = plain.end + 1;
            field += 1;
            continue;
        }
        let end = match plain {
            Some(plain) if matches!(plain.next, b'\n' | b'\r') => {
                column[row] = slot.si(plain.value);
                plain.end
            }
            _ => {
                let (number, end) = marked_cell(text, at, slot, shape)?;
                column[row] = slot.si(number);
                end
            }
        };
        match text.get(end) {
            Some(b) if *b == mark => {
                at = end + 1;
                field += 1;
            }
            // The last wanted column may be the last of the line.
            None | Some(b'\n' | b'\r') => {
                return slots
                    .next()
                    .is_none()
                    .then(|| after_line(text, end, shape.line_end));
            }
            _ => return None,
        }
    }
    Some(after_line(text, at, shape.line_end))
}

/// Skips a cell that is not wanted.
#[inline(never)]
fn next_cell(text: &[u8], at: usize, line_end: u8, mark: u8) -> Option<usize> {
    let tail = text.get(at..)?;
    if tail.first() == Some(&b'"') {
        return None;
    }
    let skip = memchr::memchr2(mark, line_end, tail)?;
    (tail.get(skip) != Some(&line_end)).then_some(at + skip + 1)
}

/// A cell that is not written plainly: blanks or quotation marks around it, an exponent,
/// nothing in it. Its value and the place after it.
#[cold]
#[inline(never)]
fn marked_cell(text: &[u8], at: usize, slot: &Slot, shape: &RowShape) -> Option<(f64, usize)> {
    let mut at = blanks(text, at);
    let quoted = text.get(at) == Some(&b'"');
    at += usize::from(quoted);
    let value = match slot.read(text.get(at..)?, shape) {
        Some((number, used)) => {
            at += used;
            number
        }
        None if !slot.needed => f64::NAN,
        None => return None,
    };
    if quoted {
        if text.get(at) != Some(&b'"') {
            return None;
        }
        at += 1;
    }
    Some((value, blanks(text, at)))
}

/// One row with columns apart by blanks.
#[inline(never)]
fn blank_row(text: &[u8], mut at: usize, shape: &RowShape, sheet: &mut Sheet) -> Option<usize> {
    let mut window = Window::open(text, at);
    let is_blank = |b: Option<&u8>| matches!(b, Some(b' ' | b'\t'));
    let ends = |b: Option<&u8>| matches!(b, None | Some(b'\n' | b'\r'));
    let row = sheet.rows % SHEET;
    let mut field = 0;
    let mut slots = shape.slots.iter().zip(sheet.columns.iter_mut()).peekable();
    loop {
        while is_blank(text.get(at)) {
            at += 1;
        }
        if ends(text.get(at)) {
            break;
        }
        let Some((slot, _)) = slots.peek() else {
            break;
        };
        if field == slot.field {
            let (slot, (habit, column)) = slots.next()?;
            let apart = |end: usize| is_blank(text.get(end)) || ends(text.get(end));
            match window.number(at, shape.decimal, habit) {
                Some(plain) if !slot.clock && apart(plain.end) => {
                    column[row] = slot.si(plain.value);
                    at = plain.end;
                }
                _ => {
                    let (number, used) = slot.read(text.get(at..)?, shape)?;
                    column[row] = slot.si(number);
                    at += used;
                }
            }
            if !apart(at) {
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::Quantity;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    fn shape(mark: u8, decimal: u8, fields: &[usize]) -> RowShape {
        let unit = Unit::named(Quantity::Length, "m").unwrap();
        let slot = |field: &usize| Slot {
            field: *field,
            scale: 1.0,
            offset: 0.0,
            unit,
            turn: 1.0,
            needed: true,
            clock: false,
        };
        RowShape {
            delimiter: Delimiter::Mark(mark),
            decimal,
            line_end: b'\n',
            slots: fields.iter().map(slot).collect(),
        }
    }

    /// Cells of every kind a writer may set: plain, long, with exponents, thousands set apart,
    /// blanks, signs, quotation marks, text behind, or no number at all.
    fn cell() -> impl Strategy<Value = String> {
        prop_oneof![
            8 => "-?[0-9]{1,8}(\\.[0-9]{0,8})?",
            2 => "[-+]?0{0,9}[0-9]{0,25}(\\.[0-9]{0,25}0{0,9})?",
            1 => "-?[0-9]{1,3}(\\.[0-9]{1,12})?[eE][-+]?[0-9]{1,3}",
            1 => " {0,2}[-+]?[0-9]{1,9}(\\.[0-9]{1,4})? {0,2}",
            1 => "\"-?[0-9]{1,9}(\\.[0-9]{1,9})?\"",
            1 => "-?[0-9]{1,3}('[0-9]{3}){1,2}(\\.[0-9]{1,4})?",
            1 => "-?[0-9]{1,3}(\\.[0-9]{1,3})? ?(mm|N|x)",
            1 => "[-+.eE0-9a-f ]{0,9}",
        ]
    }

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

        // Every row that is taken at once holds what the standard library reads in its cells,
        // to the last bit, wherever in the block it stands and whatever stands beside it.
        #[test]
        fn rows_hold_what_their_cells_say(table in proptest::collection::vec(proptest::collection::vec(cell(), 4), 1..30), comma in any::<bool>(), crlf in any::<bool>(), skipping in any::<bool>()) {
            let fields: &[usize] = if skipping { &[1, 3] } else { &[0, 1, 2, 3] };
            let (mark, decimal) = if comma { (";", ',') } else { (",", '.') };
            let written = |cell: &String| cell.replace('.', &decimal.to_string());
            let lines: Vec<String> = table.iter().map(|row| row.iter().map(written).collect::<Vec<_>>().join(mark)).collect();
            let text = lines.join(if crlf { "\r\n" } else { "\n" });
            let rows = parse(text.as_bytes(), 0, &shape(mark.as_bytes()[0], decimal as u8, fields));
            prop_assert_eq!(rows.lines as usize, text.lines().count());
            let odd: Vec<usize> = rows.odd.iter().flat_map(|odd| {
                let first = odd.lines_before as usize;
                let lines = odd.of(text.as_bytes()).split_inclusive(|b| *b == b'\n').count();
                first..first + lines
            }).collect();
            let taken = table.iter().enumerate().filter(|(i, _)| !odd.contains(i));
            let mut count = 0;
            for (row, (_, cells)) in taken.enumerate() {
                count += 1;
                for (column, field) in rows.columns.iter().zip(fields) {
                    let bare = cells[*field].trim_matches(['"', ' ']);
                    // Fortran's double precision writes 1d0.
                    let wanted: f64 = bare.replace('d', "e").parse().unwrap();
                    prop_assert_eq!(column[row].to_bits(), (wanted * 1.0 + 0.0).to_bits(), "{}", bare);
                }
            }
            prop_assert_eq!(rows.len(), count);
            // A row of plain numbers is taken at once.
            for i in odd {
                let plain = |cell: &String| cell.trim_start_matches('-').chars().all(|c| c.is_ascii_digit() || c == '.')
                    && cell.parse::<f64>().is_ok();
                prop_assert!(!table[i].iter().all(plain), "{:?}", table[i]);
            }
        }
    }
}
