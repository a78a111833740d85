//! The corner: check values, laws that need no number of ours.

mod command;
mod rows;
mod values;
