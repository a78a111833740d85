//! Cycles: from a stream of samples to whole strokes on an even phase grid.
//!
//! A cycle runs from one full-extension reversal to the next. Its samples are put on
//! [`PHASES`] even points in time, so that everything after works on arrays of one length
//! whatever the sample rate.

mod despike;
mod finder;
mod phase_grid;
mod reversals;

pub use despike::Despiker;
pub use finder::{CycleFinder, Seen};
pub use reversals::{Reversal, ReversalFinder, Turn};

use crate::recording::Segment;

/// Points of the even phase grid of a cycle. 512 keeps the polygon error of a loop area
/// (2π/N)²/6 below 3e-5 and a cycle at 8 KB.
pub const PHASES: usize = 512;

/// One whole cycle, SI, our signs. `travel`, `force` and, if the file has it, `velocity`
/// have [`PHASES`] values at times `start_s + i / PHASES * period_s`.
#[derive(Debug, Clone, PartialEq)]
pub struct Cycle {
    /// Count of this cycle in the recording, from 0.
    pub index: u64,
    /// Which segment of the recording it was cut from, from 0.
    pub segment: u32,
    /// Time of its start (full extension), s.
    pub start_s: f64,
    /// Duration, s.
    pub period_s: f64,
    /// Phase (0..1) of the reversal at full compression.
    pub turn_phase: f64,
    /// Largest minus smallest travel, m.
    pub stroke_m: f64,
    /// Travel half-way between the reversals, m, in the recording's own zero.
    pub centre_m: f64,
    /// Samples the cycle was made from.
    pub samples: u32,
    /// Spikes taken out of the force channel in it.
    pub spikes: u32,
    /// Travel from mid-stroke, m, positive in compression.
    pub travel: Vec<f64>,
    /// Travel from mid-stroke at the end of the cycle, m (`travel[0]` if it closes).
    pub end_travel_m: f64,
    /// Force, N.
    pub force: Vec<f64>,
    /// The file's own velocity, m/s; empty if it has none.
    pub velocity: Vec<f64>,
    /// Mean temperature over the first and last tenth, °C.
    pub temperature_c: Option<(f64, f64)>,
    /// Largest force of the file's samples in it, and smallest, N (for clipping checks).
    pub force_range_n: (f64, f64),
}

impl Cycle {
    /// The same with its force alone, `travel` and `velocity` left empty: all that a step
    /// needs of the cycles it keeps, and a third of the room.
    pub fn force_only(&self) -> Self {
        Self {
            travel: Vec::new(),
            force: self.force.clone(),
            velocity: Vec::new(),
            ..*self
        }
    }
}

/// What the cycle finder could not use, for the notes.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CycleAccount {
    /// Whole cycles found.
    pub cycles: u64,
    /// Half cycles and pieces at the ends of segments.
    pub incomplete: u64,
    /// Samples seen.
    pub samples: u64,
    /// Spikes taken out of the force channel.
    pub spikes: u64,
    /// Labels of the segments.
    pub segments: Vec<Segment>,
}

impl CycleAccount {
    /// True if the recording is a single averaged loop, which intake repeats so that whole
    /// cycles can be cut: it is one cycle, however often it was counted.
    pub fn is_lone_loop(&self) -> bool {
        matches!(self.segments.as_slice(), [only] if only.closed_loop)
    }
}
