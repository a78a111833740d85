//! From uneven samples to an even grid.

/// Value at `t` of the cubic through the four samples around it (Lagrange; error O(h⁴)).
///
/// `from` is where the search starts and is left at the sample at or before `t`, so that a
/// rising sequence of `t` costs O(1) each. `times` must rise. Outside the samples, and with
/// fewer than four of them, the nearest pair is extended in a straight line.
pub fn cubic_at(times: &[f64], values: &[f64], t: f64, from: &mut usize) -> f64 {
    let n = times.len().min(values.len());
    match n {
        0 => return f64::NAN,
        1 => return values[0],
        _ => {}
    }
    let mut i = (*from).min(n - 2);
    while i + 2 < n && times[i + 1] <= t {
        i += 1;
    }
    while i > 0 && times[i] > t {
        i -= 1;
    }
    *from = i;
    if n < 4 || t < times[0] || t > times[n - 1] {
        let h = times[i + 1] - times[i];
        return values[i] + (values[i + 1] - values[i]) * (t - times[i]) / h;
    }
    let k = i.saturating_sub(1).min(n - 4);
    let (a, b, c, d) = (times[k], times[k + 1], times[k + 2], times[k + 3]);
    let (ta, tb, tc, td) = (t - a, t - b, t - c, t - d);
    values[k] * (tb * tc * td) / ((a - b) * (a - c) * (a - d))
        + values[k + 1] * (ta * tc * td) / ((b - a) * (b - c) * (b - d))
        + values[k + 2] * (ta * tb * td) / ((c - a) * (c - b) * (c - d))
        + values[k + 3] * (ta * tb * tc) / ((d - a) * (d - b) * (d - c))
}

/// Sums of a local straight-line regression at every point of an even periodic grid, with
/// a hat-shaped weight one cell wide on either side: many samples become one value per
/// cell without the staircase of plain averaging.
#[derive(Debug, Clone)]
pub struct HatGrid {
    weight: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
}

impl HatGrid {
    /// A grid of `cells` points for samples at `phases` (in cells, 0 ≤ phase < cells).
    pub fn new(cells: usize, phases: &[f64]) -> Self {
        let mut grid = Self {
            weight: vec![0.0; cells],
            first: vec![0.0; cells],
            second: vec![0.0; cells],
        };
        for &phase in phases {
            for (cell, offset, weight) in neighbours(phase, cells) {
                grid.weight[cell] += weight;
                grid.first[cell] += weight * offset;
                grid.second[cell] += weight * offset * offset;
            }
        }
        grid
    }

    /// True if every cell has enough samples around it for a line.
    pub fn is_full(&self) -> bool {
        (0..self.weight.len()).all(|i| self.weight[i] > 0.5 && self.spread(i) > 1e-3)
    }

    fn spread(&self, i: usize) -> f64 {
        (self.weight[i] * self.second[i] - self.first[i] * self.first[i])
            / (self.weight[i] * self.weight[i])
    }
}

/// Values on the grid of [`HatGrid`] for samples `values` at `phases`.
pub fn hat_regression(grid: &HatGrid, phases: &[f64], values: &[f64]) -> Vec<f64> {
    let cells = grid.weight.len();
    let mut sum = vec![0.0; cells];
    let mut moment = vec![0.0; cells];
    for (&phase, &value) in phases.iter().zip(values) {
        for (cell, offset, weight) in neighbours(phase, cells) {
            sum[cell] += weight * value;
            moment[cell] += weight * offset * value;
        }
    }
    (0..cells)
        .map(|i| {
            let determinant = grid.weight[i] * grid.second[i] - grid.first[i] * grid.first[i];
            (grid.second[i] * sum[i] - grid.first[i] * moment[i]) / determinant
        })
        .collect()
}

/// The two cells a sample speaks for: index, offset from the cell's point, weight.
fn neighbours(phase: f64, cells: usize) -> [(usize, f64, f64); 2] {
    let low = phase.floor();
    let part = phase - low;
    let i = (low as usize) % cells;
    [(i, part, 1.0 - part), ((i + 1) % cells, part - 1.0, part)]
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn cubic_is_exact_on_a_cubic_with_uneven_times() {
        let times = [0.0, 0.9, 2.1, 2.9, 4.2, 5.0];
        let f = |t: f64| 1.0 - 2.0 * t + 0.5 * t * t - 0.1 * t * t * t;
        let values: Vec<f64> = times.iter().map(|&t| f(t)).collect();
        let mut from = 0;
        for t in [0.1, 1.0, 2.5, 3.3, 4.9] {
            assert!((cubic_at(&times, &values, t, &mut from) - f(t)).abs() < 1e-12);
        }
    }

    #[test]
    fn hat_regression_is_exact_on_a_line_and_close_on_a_sine() {
        let cells = 64;
        let phases: Vec<f64> = (0..4096)
            .map(|i| i as f64 * cells as f64 / 4096.0)
            .collect();
        let grid = HatGrid::new(cells, &phases);
        assert!(grid.is_full());
        let w = std::f64::consts::TAU / cells as f64;
        let values: Vec<f64> = phases.iter().map(|p| (p * w).sin()).collect();
        let out = hat_regression(&grid, &phases, &values);
        for (i, v) in out.iter().enumerate() {
            // The kernel's bias is w²/12 of the value.
            assert!((v - (i as f64 * w).sin()).abs() < 1.1 * w * w / 12.0);
        }
    }
}
