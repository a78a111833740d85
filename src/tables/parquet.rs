//! A frame as Parquet, zstd-compressed, through polars' eager data frame. Its crates are used
//! one by one: the collection's own crate brings operations that no table here needs, and
//! they take long to compile (`docs/performance.md`).

use polars_core::prelude::{
    Column as Series, DataFrame, NamedFrom as _, PolarsError, Series as Values,
};
use polars_io::parquet::write::{ParquetCompression, ParquetWriter};

use super::frame::{Column, Frame};

/// The bytes of a Parquet file with the frame in it. Columns named in `without` are left
/// out (a partition's key stands in its folder's name).
///
/// # Errors
/// Polars' own, as text.
pub fn bytes(frame: &Frame, without: &[&str]) -> Result<Vec<u8>, String> {
    make(frame, without).map_err(|error| error.to_string())
}

fn make(frame: &Frame, without: &[&str]) -> Result<Vec<u8>, PolarsError> {
    let columns: Vec<Series> = frame
        .names
        .iter()
        .zip(&frame.columns)
        .filter(|(name, _)| !without.contains(name))
        .map(|(name, column)| series(name, column).into())
        .collect();
    let mut data = DataFrame::new(frame.height(), columns)?;
    let mut bytes = Vec::new();
    ParquetWriter::new(&mut bytes)
        .with_compression(ParquetCompression::Zstd(None))
        .finish(&mut data)?;
    Ok(bytes)
}

fn series(name: &str, column: &Column) -> Values {
    match column {
        Column::Text(cells) => Values::new(name.into(), cells.as_slice()),
        Column::Real(cells) => Values::new(name.into(), cells.as_slice()),
        Column::Whole(cells) => Values::new(name.into(), cells.as_slice()),
        Column::Flag(cells) => Values::new(name.into(), cells.as_slice()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::tables::frame::row;
    use polars_io::prelude::{ParquetReader, SerReader as _};

    row! {
        /// For the test.
        Sample = "samples" {
            #[doc = "A name"]
            name: String,
            #[doc = "A number"]
            value: Option<f64>,
            #[doc = "A count"]
            count: u64,
        }
    }

    #[test]
    fn a_frame_comes_back_from_parquet() {
        let mut frame = Frame::of::<Sample>();
        for i in 0..1000_u64 {
            frame.push(&Sample {
                name: format!("run {i}"),
                value: (i % 3 != 0).then_some(i as f64 / 7.0),
                count: i,
            });
        }
        let bytes = bytes(&frame, &["count"]).unwrap();
        let back = ParquetReader::new(std::io::Cursor::new(&bytes))
            .finish()
            .unwrap();
        assert_eq!((back.height(), back.width()), (1000, 2));
        let values = back.column("value").unwrap().f64().unwrap();
        assert_eq!(values.get(0), None);
        assert_eq!(values.get(500), Some(500.0 / 7.0));
        let names = back.column("name").unwrap().str().unwrap();
        assert_eq!(names.get(999), Some("run 999"));
    }
}
