//! Peak-velocity points: force at the largest speed of every step, per direction.

use super::PeakPoint;
use crate::signal::{dot_circular, sample_circular};
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, Step};

/// A peak-velocity point with the cycles behind it, for resampling.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct PeakSample {
    /// The point.
    pub point: PeakPoint,
    /// (speed m/s, force N) of each kept cycle, our signs, the same corrections applied.
    pub cycles: Vec<(f64, f64)>,
}

/// The point of one step and direction: force with the channel's delay taken out, referred
/// to mid-stroke by the gas stiffness (a crank's peak speed is not at mid-stroke).
pub fn peak_sample(step: &Step, direction: Direction, level: &StaticLevel) -> PeakSample {
    let fold = &step.fold;
    let peak = fold.peaks.get(direction);
    let n = fold.force.len();
    let late = level.lag_s * step.frequency_hz;
    let read = |force: &[f64]| {
        if late == 0.0 {
            return dot_circular(force, peak.window_start, &peak.weights);
        }
        peak.weights
            .iter()
            .enumerate()
            .map(|(k, w)| {
                let phase = (peak.window_start + k as isize) as f64 / n as f64;
                w * sample_circular(force, phase + late)
            })
            .sum()
    };
    let offset = level.gas_stiffness_n_m * sample_circular(&fold.travel, peak.phase);
    let force = read(&fold.force) - offset;
    let spread = step.force_at_peak_velocity_n.get(direction);
    let se = spread.sd.map(|sd| sd / (spread.n as f64).sqrt());
    // A cycle a little longer in stroke or shorter in time is a little faster.
    let cycles = step
        .kept
        .iter()
        .map(|c| {
            let faster = c.stroke_m / step.stroke_m / (c.period_s * step.frequency_hz);
            (peak.speed * faster, read(&c.force) - offset)
        })
        .collect();
    PeakSample {
        point: PeakPoint {
            velocity_m_s: peak.speed,
            force_n: force,
            se_n: se,
            step: Some(step.index),
        },
        cycles,
    }
}
