//! Curves: force against velocity per direction, from peaks and from whole cycles.

use serde::{Deserialize, Serialize};

use crate::steps::PerDirection;

/// One point of the full-cycle curve (contract: `curve.*[]`).
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Speed, m/s, positive both ways.
    pub velocity_m_s: f64,
    /// Force with gas and friction taken out, N, our signs (negative in rebound). For a
    /// sweep table: the force as given.
    pub force_n: f64,
    /// Standard error from cycle to cycle, N.
    pub se_n: Option<f64>,
    /// Force at mid-stroke with gas and friction in, N.
    pub total_force_n: f64,
}

/// One peak-velocity point.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct PeakPoint {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Total force there, referred to mid-stroke and with the lag taken out, N, our signs.
    pub force_n: f64,
    /// Standard error, N.
    pub se_n: Option<f64>,
    /// The step it comes from; `None` for a sweep table.
    pub step: Option<usize>,
}

/// The curves of one run (contract: `curve`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Full-cycle curve in compression, speed rising.
    pub compression: Vec<CurvePoint>,
    /// Full-cycle curve in rebound, speed rising.
    pub rebound: Vec<CurvePoint>,
    /// Peak-velocity points, speed rising.
    pub peaks: PerDirection<Vec<PeakPoint>>,
}
