//! From the samples of one cycle to the even phase grid.

use super::PHASES;
use crate::signal::{HatGrid, cubic_at, hat_regression};

/// Above this many samples per grid point, samples are averaged locally (which also takes
/// out noise); below it, the cubic through the neighbours is used.
const DENSE: f64 = 2.0;

/// Puts the channels of one cycle on the grid.
pub(super) struct PhaseGrid<'a> {
    times: &'a [f64],
    start: f64,
    period: f64,
    /// Phases in cells of the samples inside the cycle and where they begin, when dense.
    dense: Option<(HatGrid, Vec<f64>, usize)>,
}

impl<'a> PhaseGrid<'a> {
    /// For samples at `times` (with a few before `start` and after `start + period`).
    pub(super) fn new(times: &'a [f64], start: f64, period: f64) -> Self {
        let first = times.partition_point(|&t| t < start);
        let end = times.partition_point(|&t| t < start + period);
        let dense = ((end - first) as f64 > DENSE * PHASES as f64)
            .then(|| {
                let scale = PHASES as f64 / period;
                let phases: Vec<f64> = times[first..end]
                    .iter()
                    .map(|t| ((t - start) * scale).clamp(0.0, PHASES as f64 - 1e-9))
                    .collect();
                (HatGrid::new(PHASES, &phases), phases, first)
            })
            .filter(|(grid, ..)| grid.is_full());
        Self {
            times,
            start,
            period,
            dense,
        }
    }

    /// One channel on the grid.
    pub(super) fn put(&self, values: &[f64]) -> Vec<f64> {
        if let Some((grid, phases, first)) = &self.dense {
            return hat_regression(grid, phases, &values[*first..*first + phases.len()]);
        }
        let mut from = self
            .times
            .partition_point(|&t| t < self.start)
            .saturating_sub(1);
        (0..PHASES)
            .map(|i| {
                let t = self.start + self.period * i as f64 / PHASES as f64;
                cubic_at(self.times, values, t, &mut from)
            })
            .collect()
    }
}
