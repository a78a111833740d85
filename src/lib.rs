//! `loopwork`: from a damper dynamometer's CSV to what the damper does.
//!
//! Data flows one way, and each stage has a room of its own:
//!
//! ```text
//! bytes        ingest      any text file → SI samples in chunks, and what was understood
//! recording    recording   the samples, where they came from, what was dropped
//!              signs       which way is compression, proved where physics can prove it
//! cycles       cycles      reversals → cycles on an even phase grid   (signal: its numerics)
//!              statistics  quantiles, tests of means, resampling: what the rest leans on
//! steps        steps       cycles of one stroke and speed → folded loop, heat, hysteresis
//! statics      statics     gas force, gas stiffness, friction, force-channel lag
//! curves       curves      force against velocity per direction, with its spread
//! fits         fits        straight line, one knee, two knees: exact, with intervals
//! heat         heat        energy, temperature, fade
//! findings     findings    one file per cause: evidence, verdict, advice
//! comparison   compare     two or more runs side by side, checks, best pairs
//!              corner      what the damper does on the car it is fitted to
//! adjusters    clicks      at which settings one damper was run, what a click does
//! output       report      terminal, JSON, HTML, plots     tables: frames over many runs
//! ```
//!
//! A room may use only rooms above it in this list (`tests/suite/rooms.rs` holds the
//! order and fails on an arrow that points back). [`pipeline`] is the one place that
//! knows the order of the stages, and [`cli`] the only one that touches the terminal,
//! the clock and the disk's output side.
//!
//! Inside, everything is SI and in one set of signs (`docs/conventions.md`): travel,
//! velocity and force are positive in compression, force when the damper resists
//! being compressed.

pub mod cards;
pub mod cli;
pub mod clicks;
pub mod compare;
pub mod corner;
pub mod curves;
pub mod cycles;
pub mod findings;
pub mod fits;
pub mod heat;
pub mod ingest;
pub mod notice;
pub mod pipeline;
pub mod recording;
pub mod report;
pub mod run;
pub mod signal;
pub mod signs;
pub mod simulate;
pub mod statics;
pub mod statistics;
pub mod steps;
pub mod tables;
pub mod units;
