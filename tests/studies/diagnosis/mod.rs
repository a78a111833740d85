//! Diagnosis over many seeded runs: are causes told apart?

mod dampers;
mod study;
