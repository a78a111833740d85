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

/// [`cubic_at`] on an even grid over one period, the weights worked out once for any number
/// of channels sampled at the same times.
#[derive(Debug, Clone)]
pub struct CubicGrid {
    /// First of four samples, and their weights.
    points: Vec<(u32, [f64; 4])>,
}

impl CubicGrid {
    /// `cells` points from `start` over `period`, for samples at `times`.
    pub fn new(times: &[f64], start: f64, period: f64, cells: usize) -> Self {
        let n = times.len();
        let mut i = times.partition_point(|&t| t < start).saturating_sub(1);
        let points = (0..cells)
            .map(|cell| {
                let t = start + period * cell as f64 / cells as f64;
                if n < 2 {
                    let weight = if n == 1 { 1.0 } else { f64::NAN };
                    return (0, [weight, 0.0, 0.0, 0.0]);
                }
                i = i.min(n - 2);
                while i + 2 < n && times[i + 1] <= t {
                    i += 1;
                }
                while i > 0 && times[i] > t {
                    i -= 1;
                }
                if n < 4 || t < times[0] || t > times[n - 1] {
                    let part = (t - times[i]) / (times[i + 1] - times[i]);
                    return (i as u32, [1.0 - part, part, 0.0, 0.0]);
                }
                let k = i.saturating_sub(1).min(n - 4);
                let (a, b, c, d) = (times[k], times[k + 1], times[k + 2], times[k + 3]);
                let (ta, tb, tc, td) = (t - a, t - b, t - c, t - d);
                let weights = [
                    tb * tc * td / ((a - b) * (a - c) * (a - d)),
                    ta * tc * td / ((b - a) * (b - c) * (b - d)),
                    ta * tb * td / ((c - a) * (c - b) * (c - d)),
                    ta * tb * tc / ((d - a) * (d - b) * (d - c)),
                ];
                (k as u32, weights)
            })
            .collect();
        Self { points }
    }

    /// One channel on the grid. NaN without samples.
    pub fn put(&self, values: &[f64]) -> Vec<f64> {
        self.points
            .iter()
            .map(|(first, w)| match values.get(*first as usize..) {
                Some([a, b, c, d, ..]) => a * w[0] + b * w[1] + c * w[2] + d * w[3],
                Some(few) if !few.is_empty() => few.iter().zip(w).map(|(v, w)| v * w).sum(),
                _ => f64::NAN,
            })
            .collect()
    }
}

/// A smooth channel with few samples on an even grid over one period: the quintic through the
/// six samples around each point (Lagrange; error O(h⁶)). `None` with fewer than six samples
/// or where the grid leaves them.
pub fn quintic_on_grid(
    times: &[f64],
    values: &[f64],
    start: f64,
    period: f64,
    cells: usize,
) -> Option<Vec<f64>> {
    let n = times.len().min(values.len());
    let last = start + period * (cells.max(1) - 1) as f64 / cells as f64;
    if n < 6 || start < times[0] || last > times[n - 1] {
        return None;
    }
    let at = |cell: usize| {
        let t = start + period * cell as f64 / cells as f64;
        let after = times[..n].partition_point(|&s| s <= t);
        let k = after.saturating_sub(3).min(n - 6);
        let (x, y) = (&times[k..k + 6], &values[k..k + 6]);
        let term = |j: usize| {
            let others = (0..6).filter(|&m| m != j);
            y[j] * others.map(|m| (t - x[m]) / (x[j] - x[m])).product::<f64>()
        };
        (0..6).map(term).sum()
    };
    Some((0..cells).map(at).collect())
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
    // Phases are nearly always below `cells`: a division would be the dearest step of all.
    let mut i = low as usize;
    if i >= cells {
        i %= cells;
    }
    let next = if i + 1 == cells { 0 } else { i + 1 };
    [(i, part, 1.0 - part), (next, part - 1.0, part)]
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
    fn the_grid_gives_what_single_points_give() {
        let times: Vec<f64> = (0..40)
            .map(|i| f64::from(i) * 0.1 + 0.01 * f64::from(i % 3))
            .collect();
        let values: Vec<f64> = times.iter().map(|t| (3.0 * t).sin()).collect();
        for (start, period, n) in [
            (0.33, 3.1, 40),
            (-0.2, 5.0, 40),
            (0.05, 0.2, 3),
            (0.0, 1.0, 1),
        ] {
            let grid = CubicGrid::new(&times[..n], start, period, 64);
            let mut from = 0;
            for (i, v) in grid.put(&values[..n]).into_iter().enumerate() {
                let t = start + period * i as f64 / 64.0;
                let one = cubic_at(&times[..n], &values[..n], t, &mut from);
                assert!(
                    (v - one).abs() <= 1e-12 * one.abs().max(1.0),
                    "{i}: {v} {one}"
                );
            }
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
