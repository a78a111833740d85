//! Steps: runs of like cycles, and everything that can be said of one speed.

mod bounds;
pub mod branches;
mod builder;
pub mod energy;
mod gathering;
mod hysteresis;
pub mod lost_motion;
mod motion;
mod series;
mod supplied;
mod tally;

pub use builder::{StepBuilder, StepSettings, Steps};
pub use hysteresis::angular;
pub use motion::{Kinematics, SpeedPeak, fundamental_phase, kinematics};
pub use tally::{LoopTally, Tally};

use serde::{Deserialize, Serialize};

use crate::cycles::Cycle;

/// A pair of numbers, one per direction.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct PerDirection<T> {
    /// While the rod goes in.
    pub compression: T,
    /// While the rod comes out.
    pub rebound: T,
}

impl<T> PerDirection<T> {
    /// The value of one direction.
    pub fn get(&self, direction: Direction) -> &T {
        match direction {
            Direction::Compression => &self.compression,
            Direction::Rebound => &self.rebound,
        }
    }

    /// The value of one direction, to change.
    pub fn get_mut(&mut self, direction: Direction) -> &mut T {
        match direction {
            Direction::Compression => &mut self.compression,
            Direction::Rebound => &mut self.rebound,
        }
    }
}

/// Direction of motion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Direction {
    /// The rod goes in; velocity positive.
    Compression,
    /// The rod comes out; velocity negative.
    Rebound,
}

impl Direction {
    /// Both, compression first.
    pub const BOTH: [Self; 2] = [Self::Compression, Self::Rebound];

    /// +1 in compression, −1 in rebound.
    pub fn sign(self) -> f64 {
        match self {
            Self::Compression => 1.0,
            Self::Rebound => -1.0,
        }
    }

    /// The trade's word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Compression => "compression",
            Self::Rebound => "rebound",
        }
    }
}

/// Mean, sample standard deviation and count. `sd` is `None` for a single value.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Spread {
    /// Mean.
    pub mean: f64,
    /// Sample standard deviation.
    pub sd: Option<f64>,
    /// Count.
    pub n: u64,
}

/// Shape of the motion.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Motion {
    /// A sine.
    Sine,
    /// A crank with a finite rod.
    Crank,
    /// Constant speed both ways.
    Triangle,
    /// Anything else that repeats.
    Other,
}

/// Heat per cycle, J.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Energy {
    /// Mean over the cycles used.
    pub mean: f64,
    /// Sample standard deviation over cycles.
    pub sd: Option<f64>,
    /// Cycles.
    pub n: u64,
    /// Share taken out on the compression stroke (mean).
    pub compression: f64,
    /// Share taken out on the rebound stroke (mean).
    pub rebound: f64,
    /// Sample standard deviation of the compression stroke's share.
    #[serde(default)]
    pub compression_sd: Option<f64>,
    /// Sample standard deviation of the rebound stroke's share.
    #[serde(default)]
    pub rebound_sd: Option<f64>,
    /// `∮ F v dt` with the file's own velocity minus `∮ F dx`, cycle by cycle, J; `None`
    /// without a velocity channel.
    #[serde(default)]
    pub time_gap: Option<Spread>,
}

/// Loop width at equal speed, speeding up minus slowing down.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Hysteresis {
    /// Largest width, N (signed: positive if the force is larger while speeding up).
    pub max_width_n: PerDirection<Option<f64>>,
    /// Largest width over the force at that speed.
    pub share: PerDirection<Option<f64>>,
    /// Speed of the largest width, m/s.
    pub width_at_m_s: PerDirection<Option<f64>>,
    /// ∮ F dv over the cycle, N·m/s.
    pub loop_area_n_m_s: Option<f64>,
    /// Equivalent lag of force behind velocity, s: loop area taken as pure delay.
    pub lag_s: Option<f64>,
    /// Share of the loop area explained by the gas spring.
    pub gas_share: Option<f64>,
    /// Share explained by the force channel's delay.
    pub lag_share: Option<f64>,
    /// Share explained by oil and structure compliance.
    pub compliance_share: Option<f64>,
    /// What is left.
    pub remainder_share: Option<f64>,
    /// Width against speed on an even grid, for plots: (speed m/s, compression N, rebound N).
    pub widths: Vec<(f64, Option<f64>, Option<f64>)>,
}

/// Travel after a reversal before force has come back, m.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct LostMotion {
    /// After full extension, at the start of compression, less what the slow steps show.
    pub compression_start: Option<f64>,
    /// After full compression, at the start of rebound, less what the slow steps show.
    pub rebound_start: Option<f64>,
    /// At the start of compression, nothing taken off.
    pub compression_gross: Option<f64>,
    /// At the start of rebound, nothing taken off.
    pub rebound_gross: Option<f64>,
    /// What the slow steps show at the start of compression; `None` without a slow step, and
    /// then nothing is taken off.
    pub compression_baseline: Option<f64>,
    /// What the slow steps show at the start of rebound.
    pub rebound_baseline: Option<f64>,
}

/// One speed: a run of like cycles (contract: `steps[]`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Step {
    /// From 0, in order of time.
    pub index: usize,
    /// Whole cycles in the step.
    pub cycles: u64,
    /// Cycles the means are taken over (settling cycles left out).
    pub cycles_used: u64,
    /// Stroke, m.
    pub stroke_m: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Shape of the motion.
    pub motion: Motion,
    /// Largest departure of travel from the best sine, over half the stroke.
    pub departure_from_sine: f64,
    /// Travel between the start and the end of the first cycle, over the stroke: not nought
    /// while the machine changes stroke.
    pub closure: f64,
    /// Largest speed, m/s, positive both ways.
    pub peak_velocity_m_s: PerDirection<f64>,
    /// Force at the instant of the largest speed, N, our signs.
    pub force_at_peak_velocity_n: PerDirection<Spread>,
    /// Extreme force, N, our signs.
    pub peak_force_n: PerDirection<f64>,
    /// Travel from mid-stroke where the extreme force falls, m.
    pub peak_force_at_m: PerDirection<f64>,
    /// Heat per cycle, J.
    pub energy_per_cycle_j: Energy,
    /// Mean power, W.
    pub power_w: f64,
    /// Equivalent viscous coefficient, N·s/m.
    pub equivalent_damping_n_s_m: Option<f64>,
    /// Apparent stiffness −∮F dv/(πωX²), N/m.
    pub apparent_stiffness_n_m: Option<f64>,
    /// Loop width at equal speed.
    pub hysteresis: Hysteresis,
    /// Lost motion after each reversal.
    pub lost_motion_m: LostMotion,
    /// Temperature at the first and last cycle, °C.
    pub temperature_c: Option<StartEnd>,
    /// Supplied velocity over the derivative of travel: ratio (1 if they agree).
    pub velocity_ratio: Option<f64>,
    /// Supplied velocity behind the derivative of travel, s.
    pub velocity_delay_s: Option<f64>,
    /// Cycles at the start that had not settled.
    pub settling_cycles: u64,
    /// Segment of the recording, from 0.
    pub segment: u32,
    /// Time of the step's first cycle, s.
    pub start_s: f64,
    /// Travel of mid-stroke in the recording's own zero, m.
    pub centre_m: f64,
    /// Samples per cycle (mean).
    pub samples_per_cycle: f64,
    /// Cycle-to-cycle standard deviation of force about the folded loop, N (noise and drift).
    pub force_noise_n: f64,
    /// Mean loop on the phase grid.
    #[serde(skip)]
    pub fold: Fold,
    /// Summaries of the cycles in order; thinned by averaging when there are many.
    #[serde(skip)]
    pub series: Vec<CycleSummary>,
    /// Cycles kept for resampling, evenly spread over the step; of their channels, force
    /// alone ([`Cycle::force_only`]).
    #[serde(skip)]
    pub kept: Vec<Cycle>,
}

impl Step {
    /// Cycles kept at most, for resampling.
    pub const MOST_KEPT: usize = 64;

    /// Duration of a cycle, s.
    pub fn period_s(&self) -> f64 {
        1.0 / self.frequency_hz
    }

    /// The larger of the two peak speeds, m/s.
    pub fn top_speed(&self) -> f64 {
        self.peak_velocity_m_s
            .compression
            .max(self.peak_velocity_m_s.rebound)
    }
}

/// First and last value of a step.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct StartEnd {
    /// At the first cycle.
    pub start: f64,
    /// At the last cycle.
    pub end: f64,
}

/// What is kept of every cycle (or of a block of neighbours, once there are many).
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct CycleSummary {
    /// Index of the first cycle in the recording.
    pub first: u64,
    /// How many cycles are averaged here.
    pub count: u32,
    /// Start of the first, s.
    pub start_s: f64,
    /// Period, s.
    pub period_s: f64,
    /// Stroke, m.
    pub stroke_m: f64,
    /// Heat per cycle, J: whole, compression stroke, rebound stroke.
    pub energy_j: f64,
    /// Heat of the compression stroke, J.
    pub energy_compression_j: f64,
    /// Heat of the rebound stroke, J.
    pub energy_rebound_j: f64,
    /// Force at peak compression speed, N.
    pub force_compression_n: f64,
    /// Force at peak rebound speed, N (negative where the damper resists).
    pub force_rebound_n: f64,
    /// Mean of the forces at the two reversals, N: gas force and offset.
    pub force_at_turns_n: f64,
    /// Lost motion at the start of compression, m.
    pub lost_compression_m: Option<f64>,
    /// Lost motion at the start of rebound, m.
    pub lost_rebound_m: Option<f64>,
    /// Mean temperature, °C.
    pub temperature_c: Option<f64>,
}

/// Mean loop of a step on the phase grid ([`crate::cycles::PHASES`] points, phase 0 at full
/// extension), SI, our signs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Fold {
    /// Travel from mid-stroke, m.
    pub travel: Vec<f64>,
    /// Velocity, m/s, from the folded travel.
    pub velocity: Vec<f64>,
    /// Acceleration, m/s².
    pub acceleration: Vec<f64>,
    /// Force, N.
    pub force: Vec<f64>,
    /// Where speed peaks, and how to read force there.
    pub peaks: PerDirection<SpeedPeak>,
    /// Cycle-to-cycle standard deviation of force, N (empty for a single cycle).
    pub force_sd: Vec<f64>,
    /// Phase of the reversal at full compression.
    pub turn_phase: f64,
}
