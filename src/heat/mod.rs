//! Heat: energy over the run, temperature, fade.

use serde::{Deserialize, Serialize};

/// Heat of one step.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct StepHeat {
    /// Step index.
    pub step: usize,
    /// Heat per cycle, J.
    pub energy_per_cycle_j: f64,
    /// Mean power, W.
    pub power_w: f64,
    /// Whole cycles in the step times heat per cycle, J.
    pub total_j: f64,
    /// Share of the compression stroke, 0..1.
    pub compression_share: Option<f64>,
    /// Share of friction, 0..1.
    pub friction_share: Option<f64>,
}

/// Heat of the run (contract: `heat`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Heat {
    /// Over all whole cycles, J.
    pub total_j: f64,
    /// Largest instantaneous power, W.
    pub peak_power_w: f64,
    /// By step.
    pub per_step: Vec<StepHeat>,
    /// What the temperature channel or the card says; `None` without either.
    pub temperature: Option<Temperature>,
}

/// Temperature over the run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Temperature {
    /// First, °C.
    pub start_c: Option<f64>,
    /// Last, °C.
    pub end_c: Option<f64>,
    /// Highest, °C.
    pub max_c: Option<f64>,
}
