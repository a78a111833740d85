//! From the samples of one cycle to the even phase grid.

use super::PHASES;
use crate::signal::{CubicGrid, HatGrid, quintic_on_grid};

/// Above this many samples per grid point, samples are averaged locally (which also takes
/// out noise); below it, the cubic through the neighbours is used.
const DENSE: f64 = 2.0;

/// Below this many samples in a cycle, travel is interpolated to a higher order.
const FEW: usize = 64;

/// Puts the channels of one cycle on the grid. What depends on the times alone is worked
/// out once for all channels.
pub(super) enum PhaseGrid {
    /// Many samples per point: the samples inside the cycle, and where they begin.
    Dense(HatGrid, usize),
    /// Few: weights of the neighbours.
    Sparse(CubicGrid),
    /// Very few: the same, and times, start and period for travel.
    Bare(CubicGrid, Vec<f64>, f64, f64),
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
            let grid = HatGrid::new(PHASES, phases);
            if grid.is_full() {
                return Self::Dense(grid, first);
            }
        }
        let grid = CubicGrid::new(times, start, period, PHASES);
        if end - first < FEW {
            return Self::Bare(grid, times.to_vec(), start, period);
        }
        Self::Sparse(grid)
    }

    /// Travel on the grid. Travel is smooth where force may have corners, so with few samples
    /// a higher order is worth having: the cubic takes 0.04 % off the stroke of a sine of 16
    /// samples, the quintic a hundredth of that.
    pub(super) fn put_travel(&self, values: &[f64]) -> Vec<f64> {
        if let Self::Bare(_, times, start, period) = self
            && let Some(travel) = quintic_on_grid(times, values, *start, *period, PHASES)
        {
            return travel;
        }
        self.put(values)
    }

    /// One channel on the grid.
    pub(super) fn put(&self, values: &[f64]) -> Vec<f64> {
        match self {
            Self::Dense(grid, first) => grid.put(&values[*first..*first + grid.samples()]),
            Self::Sparse(grid) | Self::Bare(grid, ..) => grid.put(values),
        }
    }
}
