//! The corner: check values, laws that need no number of ours.

mod rows;
mod values;
