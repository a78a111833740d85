//! Statics: gas force, stiffness, friction, delay, moving mass and drift, from one model over
//! all loops of a run.

mod joint;
mod sound;
mod stated;

pub use joint::{JointSettings, LoopCurve};
pub use sound::{sound_alone, sound_from};
pub use stated::{Statics, StaticsIntervals, statics};

/// An interval, low end first.
pub type Interval = [f64; 2];
