//! Frames over many runs; the only home of polars.
