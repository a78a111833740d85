//! Statics: gas force, gas stiffness, friction, and the lag of the force channel, which
//! must be known before a loop can be read.

use serde::{Deserialize, Serialize};

/// An interval, low end first.
pub type Interval = [f64; 2];

/// Gas force, stiffness, friction (contract: `statics`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Statics {
    /// Mean force at v → 0 and mid-stroke, N: gas force plus any load-cell offset.
    pub gas_force_n: Option<f64>,
    /// Rise of that force with compression, N/m.
    pub gas_stiffness_n_m: Option<f64>,
    /// Friction, N.
    pub friction_n: Option<f64>,
    /// How they were found, one sentence.
    pub method: String,
    /// 95 % intervals.
    pub ci95: StaticsIntervals,
    /// Gas pressure above atmosphere, Pa, if the rod diameter is known.
    pub gas_pressure_pa: Option<f64>,
    /// Delay of the force channel behind travel, s, as estimated.
    pub force_lag_s: Option<f64>,
    /// Its 95 % interval, s.
    pub force_lag_ci95_s: Option<Interval>,
    /// Delay taken out before curves were made, s (stated or estimated; 0 if none).
    pub force_lag_applied_s: f64,
    /// Series compliance of oil and structure, N/m, if it can be told from lag.
    pub series_stiffness_n_m: Option<f64>,
    /// Its 95 % interval.
    pub series_stiffness_ci95_n_m: Option<Interval>,
    /// What the speeds at hand could and could not tell apart.
    pub identifiable: Vec<String>,
}

/// 95 % intervals of [`Statics`].
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct StaticsIntervals {
    /// Of the gas force.
    pub gas_force_n: Option<Interval>,
    /// Of the gas stiffness.
    pub gas_stiffness_n_m: Option<Interval>,
    /// Of the friction.
    pub friction_n: Option<Interval>,
}
