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
    /// First of four samples, for each point of the grid.
    first: Vec<u32>,
    /// Their weights.
    weights: Vec<[f64; 4]>,
}

impl CubicGrid {
    /// `cells` points from `start` over `period`, for samples at `times`.
    pub fn new(times: &[f64], start: f64, period: f64, cells: usize) -> Self {
        let n = times.len();
        let mut first = vec![0; cells];
        let mut weights = vec![[f64::NAN; 4]; cells];
        if n < 2 {
            if n == 1 {
                weights.fill([1.0, 0.0, 0.0, 0.0]);
            }
            return Self { first, weights };
        }
        let share = 1.0 / cells as f64;
        let at = |cell: usize| start + period * cell as f64 * share;
        // The sample at or before each point, the last but one at most.
        let mut i = times.partition_point(|&t| t < start).clamp(1, n - 1) - 1;
        let inside = n >= 4 && times[0] <= start && at(cells.max(1) - 1) <= times[n - 1];
        for (cell, (first, weights)) in first.iter_mut().zip(&mut weights).enumerate() {
            let t = at(cell);
            while i + 2 < n && times[i + 1] <= t {
                i += 1;
            }
            if !inside && (n < 4 || t < times[0] || t > times[n - 1]) {
                let part = (t - times[i]) / (times[i + 1] - times[i]);
                (*first, *weights) = (i as u32, [1.0 - part, part, 0.0, 0.0]);
                continue;
            }
            let k = i.saturating_sub(1).min(n.saturating_sub(4));
            let Some(&[a, b, c, d]) = times.get(k..k + 4).and_then(<[f64]>::first_chunk) else {
                continue;
            };
            let (ta, tb, tc, td) = (t - a, t - b, t - c, t - d);
            *first = k as u32;
            *weights = [
                tb * tc * td / ((a - b) * (a - c) * (a - d)),
                ta * tc * td / ((b - a) * (b - c) * (b - d)),
                ta * tb * td / ((c - a) * (c - b) * (c - d)),
                ta * tb * tc / ((d - a) * (d - b) * (d - c)),
            ];
        }
        Self { first, weights }
    }

    /// One channel on the grid. NaN without samples.
    pub fn put(&self, values: &[f64]) -> Vec<f64> {
        let one = |(first, w): (&u32, &[f64; 4])| {
            let first = *first as usize;
            match values.get(first..first + 4) {
                Some(v) => v[0] * w[0] + v[1] * w[1] + v[2] * w[2] + v[3] * w[3],
                None => match values.get(first..) {
                    Some(few) if !few.is_empty() => few.iter().zip(w).map(|(v, w)| v * w).sum(),
                    _ => f64::NAN,
                },
            }
        };
        self.first.iter().zip(&self.weights).map(one).collect()
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

/// Local straight-line regression at every point of an even periodic grid, with a hat-shaped
/// weight one cell wide on either side: many samples become one value per cell without the
/// staircase of plain averaging.
///
/// A sample at `p` (0..1) of the way from one point to the next has weight `1 − p` and offset
/// `p` at the one, weight `p` and offset `p − 1` at the other.
#[derive(Debug, Clone)]
pub struct HatGrid {
    /// Where each sample lies between its two points, 0..1.
    parts: Vec<f64>,
    /// How many samples lie before each point, and in all.
    starts: Vec<u32>,
    weight: Vec<f64>,
    first: Vec<f64>,
    second: Vec<f64>,
}

impl HatGrid {
    /// A grid of `cells` points for samples at `phases` (in cells, 0 ≤ phase < cells, not
    /// falling).
    pub fn new(cells: usize, phases: Vec<f64>) -> Self {
        let mut parts = phases;
        let mut starts = Vec::with_capacity(cells + 1);
        for (i, part) in parts.iter_mut().enumerate() {
            let cell = (*part as usize).min(cells.saturating_sub(1));
            *part -= cell as f64;
            while starts.len() <= cell {
                starts.push(i as u32);
            }
        }
        starts.resize(cells + 1, parts.len() as u32);
        let mut grid = Self {
            parts,
            starts,
            weight: vec![0.0; cells],
            first: vec![0.0; cells],
            second: vec![0.0; cells],
        };
        grid.weight = grid.sums(|_, p, q| [q, p]);
        grid.first = grid.sums(|_, p, q| [q * p, p * -q]);
        grid.second = grid.sums(|_, p, q| [q * p * p, p * q * q]);
        grid
    }

    /// At every point, the sum over the samples around it of a term: of sample `i`, which lies
    /// `p` beyond one point and `q` before the next, `[the one's term, the next one's]`. Summed
    /// point by point, which keeps the sums in registers, in the order of the samples.
    fn sums(&self, term: impl Fn(usize, f64, f64) -> [f64; 2]) -> Vec<f64> {
        let cells = self.weight.len();
        let mut out = vec![0.0; cells];
        let mut carried = 0.0;
        for cell in 0..cells {
            let (from, to) = (self.starts[cell] as usize, self.starts[cell + 1] as usize);
            let mut here = carried;
            // The last samples speak for the first point.
            let mut next = if cell + 1 == cells { out[0] } else { 0.0 };
            for (i, &p) in self.parts[from..to].iter().enumerate() {
                let [one, other] = term(from + i, p, 1.0 - p);
                here += one;
                next += other;
            }
            out[cell] = here;
            carried = next;
        }
        if let Some(first) = out.first_mut() {
            *first = carried;
        }
        out
    }

    /// True if every cell has enough samples around it for a line.
    pub fn is_full(&self) -> bool {
        (0..self.weight.len()).all(|i| self.weight[i] > 0.5 && self.spread(i) > 1e-3)
    }

    fn spread(&self, i: usize) -> f64 {
        (self.weight[i] * self.second[i] - self.first[i] * self.first[i])
            / (self.weight[i] * self.weight[i])
    }

    /// Samples the grid was made for.
    pub fn samples(&self) -> usize {
        self.parts.len()
    }

    /// One channel on the grid; `values` are those of the samples it was made for.
    pub fn put(&self, values: &[f64]) -> Vec<f64> {
        let values = &values[..self.parts.len()];
        let sum = self.sums(|i, p, q| [q * values[i], p * values[i]]);
        let moment = self.sums(|i, p, q| {
            let bow = q * p * values[i];
            [bow, -bow]
        });
        let lines = self.weight.iter().zip(&self.first).zip(&self.second);
        let mut out = sum;
        for ((sum, moment), ((weight, first), second)) in out.iter_mut().zip(&moment).zip(lines) {
            let determinant = weight * second - first * first;
            *sum = (second * *sum - first * moment) / determinant;
        }
        out
    }
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
        let w = std::f64::consts::TAU / cells as f64;
        let values: Vec<f64> = phases.iter().map(|p| (p * w).sin()).collect();
        let line: Vec<f64> = phases.iter().map(|p| 3.0 - 0.25 * p).collect();
        let grid = HatGrid::new(cells, phases);
        assert!(grid.is_full());
        for (i, v) in grid.put(&line).iter().enumerate().take(cells - 1).skip(1) {
            assert!((v - (3.0 - 0.25 * i as f64)).abs() < 1e-12);
        }
        let out = grid.put(&values);
        for (i, v) in out.iter().enumerate() {
            // The kernel's bias is w²/12 of the value.
            assert!((v - (i as f64 * w).sin()).abs() < 1.1 * w * w / 12.0);
        }
    }
}
