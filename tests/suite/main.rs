//! End-to-end and cross-room tests, in one binary so that it links once.
#![allow(
    clippy::unwrap_used,
    clippy::expect_used,
    clippy::panic,
    reason = "a helper that fails is a test that fails"
)]

mod accuracy;
mod batch;
mod chunks;
mod cli;
mod clicks;
mod compare;
mod conversions;
mod corner;
mod dependencies;
mod findings;
mod fits;
mod fluid_damper;
mod friction_device;
mod heat;
mod hostile;
mod intake;
mod intake_cases;
mod layouts;
mod nothing_lost;
mod odd_writers;
mod reference;
mod references;
mod references_fits;
mod references_statistics;
mod report;
mod rooms;
mod sheet;
mod simulate;
mod statics;
mod stories;
mod support;
