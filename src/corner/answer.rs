//! The finished answer of a corner, complete and decided; serialised it is the JSON of
//! `corner`. SI; a number that could not be had is `null`, with the reason in `why_not`.

use std::collections::BTreeMap;

use serde::Serialize;

use super::car::Mode;
use super::card::CornerCard;
use crate::compare::{Named, Sentence};
use crate::run::Tool;
use crate::steps::{Direction, PerDirection};

/// The schema name of [`Corner`].
pub const CORNER_SCHEMA: &str = "loopwork.corner/1";

/// How a number was had.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "kebab-case")]
pub enum Level {
    /// One linear damper that suits the whole drive.
    Linearised,
    /// One linear damper for each frequency and size of motion.
    DescribingFunction,
    /// The measured curve, step by step.
    TimeDomain,
}

impl Level {
    /// The words for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Linearised => "linearised",
            Self::DescribingFunction => "describing function",
            Self::TimeDomain => "time domain",
        }
    }
}

/// A number with its 95 % interval, if it has one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Told {
    /// The number.
    pub value: f64,
    /// 95 % interval.
    pub ci95: Option<[f64; 2]>,
}

/// A point of the curve at the wheel.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WheelPoint {
    /// Wheel speed, m/s, positive both ways.
    pub velocity_m_s: f64,
    /// Damping force with friction, without gas, N; negative in rebound.
    pub force_n: f64,
    /// 95 % interval, N.
    pub ci95_n: Option<[f64; 2]>,
}

/// One kind of damping ratio at one speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Ratios {
    /// Compression.
    pub compression: Told,
    /// Rebound.
    pub rebound: Told,
    /// Mean of both.
    pub both: Told,
}

/// Damping ratios at one wheel speed, on the wheel rate.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Zeta {
    /// Wheel speed, m/s.
    pub wheel_speed_m_s: f64,
    /// Slope of the curve around that speed.
    pub local: Ratios,
    /// Force over speed.
    pub secant: Ratios,
    /// The linear damper that takes as much out of a sine of that peak speed.
    pub equal_energy: Ratios,
    /// Body and wheel mode with that linear damper; `null` without masses and tyre, or where
    /// a mode no longer swings.
    pub modes: Option<[Mode; 2]>,
}

/// A corner on a sine road.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Sine {
    /// Frequency, Hz.
    pub hz: f64,
    /// Amplitude of the road, m.
    pub amplitude_m: f64,
    /// Body motion per road motion.
    pub transmissibility: f64,
    /// Amplitude of wheel travel, m.
    pub travel_m: f64,
    /// Mean travel, m, negative when the body rides lower.
    pub offset_m: f64,
    /// Peak speed at the damper, m/s.
    pub damper_speed_m_s: f64,
    /// True where that is faster than measured.
    pub beyond_measured: bool,
    /// How it was had.
    pub level: Level,
}

/// Time and heat in one band of damper speed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SpeedBand {
    /// Direction.
    pub direction: Direction,
    /// From, m/s at the damper.
    pub from: f64,
    /// To; `null`: no end.
    pub to: Option<f64>,
    /// Share of all time.
    pub share_time: f64,
    /// Share of all heat.
    pub share_heat: f64,
}

/// Largest values of a drive.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Peaks {
    /// Fastest damper speed, m/s.
    pub damper_speed_m_s: PerDirection<f64>,
    /// Largest wheel travel up, m.
    pub up_m: f64,
    /// Largest wheel travel down, m.
    pub down_m: f64,
    /// Deepest into bump and droop stop, m; `null` without a gap on the card.
    pub into_stops_m: [Option<f64>; 2],
}

/// A corner on one road at one speed.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct OnRoad {
    /// Class of ISO 8608, or the name of a measured road.
    pub class: String,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// How it was had.
    pub level: Level,
    /// Rms body acceleration, m/s².
    pub body_acc: Told,
    /// The same weighted by W_k, m/s².
    pub weighted_acc: Told,
    /// Standard deviation of tyre load, N.
    pub tyre_load_sd: Told,
    /// The same over the load at rest.
    pub load_coefficient: Told,
    /// Share of time without load on the tyre.
    pub unloaded_share: Option<f64>,
    /// Standard deviation of wheel travel, m.
    pub travel_sd: Told,
    /// Mean travel, m: negative when the body rides lower.
    pub offset_m: Told,
    /// Rms speed at the damper, m/s.
    pub damper_speed_sd: Told,
    /// Contacts a minute with bump and droop stop; `null` without a gap on the card.
    pub contacts_per_min: [Option<f64>; 2],
    /// Heat, W.
    pub heat_w: Told,
    /// Temperature the damper settles at, °C; `null` without its cooling and air temperature.
    pub settles_c: Option<f64>,
    /// Time and heat by damper speed; empty where not counted.
    pub speed_bands: Vec<SpeedBand>,
    /// Shares of time by damper speed in even bins, compression and rebound.
    pub histogram: PerDirection<Vec<f64>>,
    /// Width of a bin, m/s.
    pub histogram_bin_m_s: f64,
    /// Share of time faster than measured.
    pub beyond_measured_share: f64,
    /// True where figures lean on the curve beyond its fastest measured speed.
    pub leans_beyond: bool,
    /// Peaks; `null` where too much of the time was beyond what was measured.
    pub peaks: Option<Peaks>,
}

/// Differences, other minus base, on the same road from the same start.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Difference {
    /// Road.
    pub class: String,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// How it was had.
    pub level: Level,
    /// Of each figure, in its unit.
    pub body_acc: Told,
    /// W_k-weighted, m/s².
    pub weighted_acc: Told,
    /// Tyre load, N.
    pub tyre_load_sd: Told,
    /// Travel, m.
    pub travel_sd: Told,
    /// Mean travel, m.
    pub offset_m: Told,
    /// Heat, W.
    pub heat_w: Told,
    /// Each over the base's own value, with intervals: body acceleration, weighted, tyre
    /// load, travel.
    pub share: [Told; 4],
    /// True where either leans on its curve beyond its fastest measured speed.
    pub leans_beyond: bool,
}

/// Change of damping ratio, equal energy, both directions.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ZetaChange {
    /// Wheel speed, m/s.
    pub wheel_speed_m_s: f64,
    /// Other minus base.
    pub change: Told,
}

/// Before and after.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Against {
    /// The other damper.
    pub other: Named,
    /// Damping ratio.
    pub zeta: Vec<ZetaChange>,
    /// On the roads.
    pub roads: Vec<Difference>,
}

/// Left and right on one road.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct PairOnRoad {
    /// Road.
    pub class: String,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// Half the difference of the sides' damping over their mean: right the firmer if
    /// positive (linearised).
    pub mismatch: Told,
    /// Rms roll acceleration, rad/s².
    pub roll_acc: f64,
    /// The same times half the track over rms heave acceleration.
    pub roll_share_of_heave: f64,
    /// Change of each side's tyre load variation against a matched pair of the mean, left and
    /// right, share.
    pub load_change: [f64; 2],
    /// Lean of the body from unlike mean forces, rad: left side lower if negative.
    pub lean_rad: f64,
    /// The same as a difference of ride height, left minus right, m.
    pub lean_m: f64,
    /// True where either side is driven faster than measured.
    pub leans_beyond: bool,
}

/// Left and right.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Pair {
    /// The run on the left (the one asked about).
    pub left: Named,
    /// The run on the right.
    pub right: Named,
    /// On the roads; empty without roll inertia and track.
    pub roads: Vec<PairOnRoad>,
    /// True if the measurement tells the two apart on some road.
    pub told_apart: bool,
}

/// What a damper does on its corner.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Corner {
    /// [`CORNER_SCHEMA`].
    pub schema: String,
    /// Who made it.
    pub tool: Tool,
    /// The damper.
    pub damper: Named,
    /// The card, SI.
    pub inputs: CornerCard,
    /// What was assumed.
    pub assumed: Vec<Sentence>,
    /// For each part that could not be had: why.
    pub why_not: BTreeMap<String, String>,
    /// The fastest measured damper speed, m/s.
    pub fastest_measured_m_s: PerDirection<f64>,
    /// Knees, m/s at the damper.
    pub knees_m_s: PerDirection<Vec<f64>>,
    /// The curve at the wheel.
    pub wheel_curve: PerDirection<Vec<WheelPoint>>,
    /// Spring rate at the wheel at ride height, N/m.
    pub wheel_rate_n_m: Option<f64>,
    /// Critical damping on the wheel rate, N·s/m.
    pub critical_n_s_m: Option<f64>,
    /// Body frequency on ride rate (on wheel rate without a tyre rate), Hz.
    pub body_hz: Option<f64>,
    /// Wheel hop, Hz.
    pub hop_hz: Option<f64>,
    /// Undamped modes from the 2×2 problem, Hz.
    pub undamped_hz: Option<[f64; 2]>,
    /// Modes with the damping at `modes_at_m_s`.
    pub modes: Option<[Mode; 2]>,
    /// Wheel speed of `modes`, m/s (equal energy).
    pub modes_at_m_s: Option<f64>,
    /// Damping that makes body acceleration and tyre load least on a road of white velocity,
    /// linear, over critical.
    pub least: Option<[Option<f64>; 2]>,
    /// Damping ratio against wheel speed.
    pub zeta: Vec<Zeta>,
    /// Sine roads.
    pub sine: Vec<Sine>,
    /// Roads.
    pub roads: Vec<OnRoad>,
    /// Before and after.
    pub against: Option<Against>,
    /// Left and right.
    pub pair: Option<Pair>,
    /// What these numbers do not know.
    pub cautions: Vec<String>,
}
