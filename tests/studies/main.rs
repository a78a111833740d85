//! Simulation studies: rates and coverages over many seeded runs, printed as tables.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails is a test that fails"
)]

mod clicks;
mod compare;
mod diagnosis;
mod fits;
mod heat;
mod whole_way;
