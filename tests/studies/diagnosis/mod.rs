//! Diagnosis over many seeded runs: are causes told apart?

mod confusion;
mod dampers;
mod plain;
mod study;
