//! Decimal marks of two kinds in one file: what is refused, and what is left out.

use super::number::{Written, written};
use super::rows::Slot;
use crate::notice::{Error, Place};

/// So many rows whose every cell has one point or comma and three digits behind it, among
/// numbers with decimals, are decimals: thousands that swing pass through less than one.
const ROWS_NEEDED: usize = 50;

/// From this share on, numbers with the other mark are no slips.
const MANY: f64 = 0.2;

/// What the cells say of the marks.
#[derive(Debug, Clone, Default)]
pub(super) struct Marks {
    /// Thousands are set apart beyond doubt somewhere.
    grouped: bool,
    /// Fields in which one mark with three digits behind it sets no thousands apart.
    doubted: Vec<usize>,
    /// A cell was taken with its thousands set apart, and could have been read otherwise.
    taken: bool,
    /// A cell with the other mark.
    other: Option<u64>,
}

/// One column's cells by how they are written.
#[derive(Debug, Clone, Copy, Default)]
struct Count {
    whole: usize,
    fraction: usize,
    either: usize,
    other: usize,
    /// Row (from 0) of the first doubtful cell.
    first: usize,
}

impl Marks {
    /// Looks at the wanted cells of the first rows, each with its place in the file.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if a column has the other decimal mark.
    pub(super) fn of(
        rows: &[Vec<String>],
        slots: &[Slot],
        decimal: char,
        place: impl Fn(usize) -> Place,
    ) -> Result<Self, Error> {
        let mut marks = Self::default();
        let mut counts = vec![Count::default(); slots.len()];
        for (row, cells) in rows.iter().enumerate() {
            for (slot, count) in slots.iter().zip(&mut counts) {
                let Some(cell) = cells.get(slot.field).filter(|_| !slot.clock) else {
                    continue;
                };
                match written(cell, decimal) {
                    Written::Whole => count.whole += 1,
                    Written::Fraction => count.fraction += 1,
                    Written::Grouped => marks.grouped = true,
                    how @ (Written::Either | Written::Other) => {
                        if count.either + count.other == 0 {
                            count.first = row;
                        }
                        count.either += usize::from(how == Written::Either);
                        count.other += usize::from(how == Written::Other);
                    }
                    Written::Else => {}
                }
            }
        }
        if marks.grouped {
            return Ok(marks);
        }
        let decimals = counts.iter().any(|c| c.fraction > 0);
        for (slot, count) in slots.iter().zip(&counts) {
            let unlikely = decimals && count.whole == 0 && count.either >= ROWS_NEEDED;
            if count.fraction == 0 && count.other == 0 && !unlikely {
                continue;
            }
            let strange = (count.either + count.other) as f64;
            if strange > MANY * (strange + (count.whole + count.fraction) as f64) {
                return Err(other_mark(slot.field, decimal).at(place(count.first)));
            }
            marks.doubted.push(slot.field);
        }
        Ok(marks)
    }

    /// Is this number of a line read by the patient road none, since its mark may be the
    /// other decimal one?
    pub(super) fn doubt(&self, field: usize, cell: &str, decimal: char) -> bool {
        !self.grouped && self.doubted.contains(&field) && written(cell, decimal) == Written::Either
    }

    /// Takes note of a line that the fast road could not take.
    pub(super) fn note(&mut self, cells: &[String], slots: &[Slot], decimal: char, line: u64) {
        for slot in slots.iter().filter(|s| !s.clock) {
            let Some(cell) = cells.get(slot.field) else {
                continue;
            };
            match written(cell, decimal) {
                Written::Grouped => self.grouped = true,
                Written::Either if !self.doubted.contains(&slot.field) => self.taken = true,
                Written::Other => self.other = self.other.or(Some(line)),
                _ => {}
            }
        }
    }

    /// Other columns may stand in the fields from here on.
    pub(super) fn forget_fields(&mut self) {
        self.doubted.clear();
    }

    /// The line (from 1) that shows that numbers taken before were read wrong.
    pub(super) fn contradicted(&self) -> Option<u64> {
        self.other.filter(|_| self.taken && !self.grouped)
    }
}

/// A column, or a line, with the other decimal mark.
pub(super) fn other_mark(field: usize, decimal: char) -> Error {
    let (mark, other) = if decimal == ',' {
        ("comma", "point")
    } else {
        ("point", "comma")
    };
    Error::input(
        "mixed-decimal-marks",
        format!(
            "numbers in column {} have a decimal {other}, though the decimal mark of the file is a {mark}: \
             some of them would read a thousand times too large",
            field + 1
        ),
    )
    .help("export the run with one decimal mark throughout, or say which it is with --decimal")
}
