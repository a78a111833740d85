//! A frame as CSV (RFC 4180): comma, decimal point, first row names, empty cell for what
//! could not be had. Numbers are written with the fewest digits that read back the same.

use std::io::Write;

use super::frame::{Column, Frame};

/// Writes the names of the columns.
///
/// # Errors
/// Those of the writer.
pub fn write_head(frame: &Frame, to: &mut impl Write) -> std::io::Result<()> {
    let mut writer = writer(to);
    writer.write_record(&frame.names)?;
    writer.flush()
}

/// Writes the rows.
///
/// # Errors
/// Those of the writer.
pub fn write_rows(frame: &Frame, to: &mut impl Write) -> std::io::Result<()> {
    let mut writer = writer(to);
    let mut cell = String::new();
    for row in 0..frame.height() {
        for column in &frame.columns {
            cell.clear();
            put(column, row, &mut cell);
            writer.write_field(&cell)?;
        }
        writer.write_record(None::<&[u8]>)?;
    }
    writer.flush()
}

fn writer<W: Write>(to: W) -> ::csv::Writer<W> {
    ::csv::WriterBuilder::new()
        .terminator(::csv::Terminator::CRLF)
        .from_writer(to)
}

fn put(column: &Column, row: usize, cell: &mut String) {
    use std::fmt::Write as _;
    // Writing to a string cannot fail.
    let _ = match column {
        Column::Text(cells) => match cells.get(row).and_then(Option::as_ref) {
            Some(text) => {
                guarded(text, cell);
                Ok(())
            }
            None => Ok(()),
        },
        Column::Real(cells) => match cells.get(row).copied().flatten() {
            Some(value) => write!(cell, "{value:?}"),
            None => Ok(()),
        },
        Column::Whole(cells) => match cells.get(row).copied().flatten() {
            Some(value) => write!(cell, "{value}"),
            None => Ok(()),
        },
        Column::Flag(cells) => match cells.get(row).copied().flatten() {
            Some(value) => write!(cell, "{value}"),
            None => Ok(()),
        },
    };
}

/// Text that a spreadsheet would take for a formula gets an apostrophe in front: names and
/// labels come from files we did not write.
fn guarded(text: &str, cell: &mut String) {
    if text.starts_with(['=', '+', '-', '@', '\t', '\r']) {
        cell.push('\'');
    }
    cell.push_str(text);
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::frame::row;

    row! {
        /// For the test.
        Sample = "samples" {
            #[doc = "A name"]
            name: String,
            #[doc = "A number"]
            value: Option<f64>,
            #[doc = "A count"]
            count: u64,
            #[doc = "A flag"]
            good: bool,
        }
    }

    /// Quoting as in RFC 4180, section 2, rules 6 and 7.
    #[test]
    fn a_frame_reads_back_as_it_was() {
        let mut frame = Frame::of::<Sample>();
        for (name, value) in [
            ("plain", Some(0.1)),
            ("a \"b\", c", None),
            ("two\nlines", Some(-1.0e-300)),
            ("=1+1", Some(f64::NAN)),
        ] {
            frame.push(&Sample {
                name: name.into(),
                value,
                count: 7,
                good: true,
            });
        }
        let mut bytes = Vec::new();
        write_head(&frame, &mut bytes).unwrap();
        write_rows(&frame, &mut bytes).unwrap();
        let text = String::from_utf8(bytes).unwrap();
        assert!(text.contains("\"a \"\"b\"\", c\",,7,true\r\n"), "{text}");
        let mut reader = ::csv::Reader::from_reader(text.as_bytes());
        let rows: Vec<Vec<String>> = reader
            .records()
            .map(|r| r.unwrap().iter().map(str::to_owned).collect())
            .collect();
        assert_eq!(rows.len(), 4);
        assert_eq!(rows[0][1].parse::<f64>().unwrap(), 0.1);
        assert_eq!(rows[2][0], "two\nlines");
        assert_eq!(rows[2][1].parse::<f64>().unwrap(), -1.0e-300);
        assert_eq!(rows[3][0], "'=1+1");
        assert_eq!(rows[3][1], "");
    }
}
