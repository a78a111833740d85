//! From the samples of one cycle to the even phase grid.

use super::PHASES;
use crate::signal::{CubicGrid, HatGrid, hat_regression};

/// Above this many samples per grid point, samples are averaged locally (which also takes
/// out noise); below it, the cubic through the neighbours is used.
const DENSE: f64 = 2.0;

/// Puts the channels of one cycle on the grid. What depends on the times alone is worked
/// out once for all channels.
pub(super) enum PhaseGrid {
    /// Many samples per point: phases in cells of the samples inside the cycle, and where
    /// they begin.
    Dense(HatGrid, Vec<f64>, usize),
    /// Few: weights of the neighbours.
    Sparse(CubicGrid),
}

impl PhaseGrid {
    /// For samples at `times` (with a few before `start` and after `start + period`).
    pub(super) fn new(times: &[f64], start: f64, period: f64) -> Self {
        let first = times.partition_point(|&t| t < start);
        let end = times.partition_point(|&t| t < start + period);
        if (end - first) as f64 > DENSE * PHASES as f64 {
            let scale = PHASES as f64 / period;
            let phases: Vec<f64> = times[first..end]
                .iter()
                .map(|t| ((t - start) * scale).clamp(0.0, PHASES as f64 - 1e-9))
                .collect();
            let grid = HatGrid::new(PHASES, &phases);
            if grid.is_full() {
                return Self::Dense(grid, phases, first);
            }
        }
        Self::Sparse(CubicGrid::new(times, start, period, PHASES))
    }

    /// One channel on the grid.
    pub(super) fn put(&self, values: &[f64]) -> Vec<f64> {
        match self {
            Self::Dense(grid, phases, first) => {
                hat_regression(grid, phases, &values[*first..*first + phases.len()])
            }
            Self::Sparse(grid) => grid.put(values),
        }
    }
}
