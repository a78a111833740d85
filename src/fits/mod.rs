//! Fits: straight line, one knee, two knees; exact search, chosen by AICc, with intervals.

use serde::{Deserialize, Serialize};

use crate::steps::PerDirection;

/// One straight piece.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// Speed where it starts, m/s.
    pub from_m_s: f64,
    /// Speed where it ends, m/s.
    pub to_m_s: f64,
    /// Slope, N·s/m.
    pub slope_n_s_m: f64,
    /// Resisting force at zero speed if the piece ran there, N.
    pub intercept_n: f64,
    /// 95 % interval of the slope.
    pub slope_ci95_n_s_m: Option<[f64; 2]>,
}

/// Where two pieces meet.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Knee {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Resisting force, N.
    pub force_n: f64,
    /// 95 % interval of the speed.
    pub ci95_m_s: [f64; 2],
}

/// A model that was tried.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// `line`, `one knee` or `two knees`.
    pub model: String,
    /// Speeds of its knees.
    pub knees: Vec<f64>,
    /// Corrected Akaike criterion (variance counted as a parameter).
    pub aicc: Option<f64>,
    /// Root mean square residual, N.
    pub rmse_n: f64,
    /// Its pieces.
    pub segments: Vec<Piece>,
}

/// The fit of one direction (contract: `fits.*`). Speeds and resisting forces.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// Shape: `linear`, `digressive`, `progressive`, `mixed`.
    pub model: String,
    /// Pieces, speed rising.
    pub segments: Vec<Piece>,
    /// Knees, speed rising.
    pub knees: Vec<Knee>,
    /// Coefficient of determination (about the mean).
    pub r2: Option<f64>,
    /// Root mean square residual, N.
    pub rmse_n: f64,
    /// Largest residual, N.
    pub max_residual_n: f64,
    /// Points used.
    pub points: usize,
    /// All models tried, chosen one included.
    pub candidates: Vec<Candidate>,
    /// `peak-velocity points`, `full-cycle curve` or `sweep table`.
    pub basis: String,
}

/// The fits of one run.
pub type Fits = PerDirection<Option<Fit>>;
