//! Heat: energy over the run, temperature, fade.

use serde::{Deserialize, Serialize};

use crate::steps::energy::peak_power;
use crate::steps::{StartEnd, Step};

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

/// Heat of the run from its steps. `friction_n` gives the share of friction, `4·F·stroke/2`
/// per cycle (Coulomb: E = 4FX with X half the stroke).
pub fn heat(steps: &[Step], friction_n: Option<f64>) -> Heat {
    let per_step: Vec<StepHeat> = steps
        .iter()
        .map(|step| {
            let energy = step.energy_per_cycle_j;
            let share = |part: f64| (energy.mean > 0.0).then(|| part / energy.mean);
            StepHeat {
                step: step.index,
                energy_per_cycle_j: energy.mean,
                power_w: step.power_w,
                total_j: energy.mean * step.cycles as f64,
                compression_share: share(energy.compression),
                friction_share: friction_n
                    .and_then(|f| share(2.0 * f * step.stroke_m))
                    .map(|s| s.clamp(0.0, 1.0)),
            }
        })
        .collect();
    let peak_power_w = steps
        .iter()
        .map(|s| peak_power(&s.fold.velocity, &s.fold.force))
        .fold(0.0, f64::max);
    Heat {
        total_j: per_step.iter().map(|s| s.total_j).sum(),
        peak_power_w,
        per_step,
        temperature: temperature(steps),
    }
}

fn temperature(steps: &[Step]) -> Option<Temperature> {
    let seen: Vec<StartEnd> = steps.iter().filter_map(|s| s.temperature_c).collect();
    let (first, last) = (seen.first()?, seen.last()?);
    let max = seen
        .iter()
        .flat_map(|t| [t.start, t.end])
        .fold(f64::NEG_INFINITY, f64::max);
    Some(Temperature {
        start_c: Some(first.start),
        end_c: Some(last.end),
        max_c: Some(max),
    })
}
