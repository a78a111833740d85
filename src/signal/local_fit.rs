//! Local least-squares polynomials: the weights that turn a window of samples into the
//! value or derivative of the best polynomial at a point.
//!
//! Source: Savitzky & Golay (1964), Anal. Chem. 36:1627–1639, corrected by Steinier,
//! Termonia & Deltour (1972), Anal. Chem. 44:1906–1909.

use nalgebra::{DMatrix, DVector};

use super::lanes::range_of;

/// Weights `w` such that `Σ w_i y_i` is the `derivative`-th derivative at 0 of the
/// least-squares polynomial of `order` through the points `(at_i, y_i)`.
///
/// `at` may be unevenly spaced. Returns `None` if there are fewer distinct points than
/// `order + 1` or `derivative > order`.
pub fn polynomial_weights(at: &[f64], order: usize, derivative: usize) -> Option<Vec<f64>> {
    if derivative > order || at.len() <= order {
        return None;
    }
    if order == 0 && at.iter().all(|t| *t == 0.0) {
        return Some(vec![1.0 / at.len() as f64; at.len()]);
    }
    LocalPolynomial::new(at, order)?.weights(derivative)
}

/// Least-squares polynomial through a window of points, for any of its derivatives at 0.
#[derive(Debug, Clone)]
pub struct LocalPolynomial {
    scale: f64,
    q: DMatrix<f64>,
    r_transposed: DMatrix<f64>,
}

impl LocalPolynomial {
    /// Of `order`, through points at `at`, which may be unevenly spaced. `None` if there are
    /// no more than `order` of them, or all are at 0.
    pub fn new(at: &[f64], order: usize) -> Option<Self> {
        // Scaled to [-1, 1], so that powers stay well conditioned.
        let scale = at.iter().fold(0.0_f64, |m, t| m.max(t.abs()));
        if at.len() <= order || scale <= 0.0 || !scale.is_finite() {
            return None;
        }
        let design = DMatrix::from_fn(at.len(), order + 1, |i, j| (at[i] / scale).powi(j as i32));
        let qr = design.qr();
        Some(Self {
            scale,
            q: qr.q(),
            r_transposed: qr.r().transpose(),
        })
    }

    /// Weights whose dot product with the points' values is the `derivative`-th derivative.
    /// `None` beyond the order, or where the points do not tell it.
    pub fn weights(&self, derivative: usize) -> Option<Vec<f64>> {
        if derivative >= self.r_transposed.nrows() {
            return None;
        }
        let mut unit = DVector::zeros(self.r_transposed.nrows());
        unit[derivative] = 1.0;
        // w = Q R⁻ᵀ e: the row of (AᵀA)⁻¹Aᵀ that gives the wanted coefficient.
        let solved = self.r_transposed.solve_lower_triangular(&unit)?;
        let weights = &self.q * solved;
        let factorial: f64 = (1..=derivative).map(|k| k as f64).product();
        let factor = factorial / self.scale.powi(derivative as i32);
        let weights: Vec<f64> = weights.iter().map(|w| w * factor).collect();
        weights.iter().all(|w| w.is_finite()).then_some(weights)
    }
}

/// Savitzky–Golay weights for an odd `window` of even spacing 1, at its centre.
///
/// Returns `None` for an even window or one too short for `order`.
pub fn savitzky_golay(window: usize, order: usize, derivative: usize) -> Option<Vec<f64>> {
    if window.is_multiple_of(2) {
        return None;
    }
    let half = (window / 2) as f64;
    let at: Vec<f64> = (0..window).map(|i| i as f64 - half).collect();
    polynomial_weights(&at, order, derivative)
}

/// `Σ weights_k values[(start + k) mod n]`: a window of a periodic array that may wrap.
pub fn dot_circular(values: &[f64], start: isize, weights: &[f64]) -> f64 {
    let n = values.len() as isize;
    if n == 0 {
        return 0.0;
    }
    weights
        .iter()
        .enumerate()
        .map(|(k, w)| w * values[(start + k as isize).rem_euclid(n) as usize])
        .sum()
}

/// Least-squares straight line `a + b·t`: `[a, b]`. Sums of powers of scaled times, which
/// serves the many small windows of a long record at a fraction of [`polynomial_weights`].
pub fn line_through(t: &[f64], x: &[f64]) -> Option<[f64; 2]> {
    let scale = largest(t)?;
    let (mut s, mut y) = ([0.0; 3], [0.0; 2]);
    for (&t, &x) in t.iter().zip(x) {
        let u = t / scale;
        s[0] += 1.0;
        s[1] += u;
        s[2] += u * u;
        y[0] += x;
        y[1] += x * u;
    }
    let determinant = s[0] * s[2] - s[1] * s[1];
    if s[0] < 2.0 || determinant <= DEGENERATE * s[0] * s[2] {
        return None;
    }
    let a = (y[0] * s[2] - y[1] * s[1]) / determinant;
    let b = (y[1] * s[0] - y[0] * s[1]) / determinant;
    finite([a, b / scale])
}

/// Least-squares parabola `a + b·t + c·t²`: `[a, b, c]`. As [`line_through`].
pub fn parabola_through(t: &[f64], x: &[f64]) -> Option<[f64; 3]> {
    let scale = largest(t)?;
    let (mut s, mut y) = ([0.0; 5], [0.0; 3]);
    for (&t, &x) in t.iter().zip(x) {
        let u = t / scale;
        let uu = u * u;
        s[0] += 1.0;
        s[1] += u;
        s[2] += uu;
        s[3] += uu * u;
        s[4] += uu * uu;
        y[0] += x;
        y[1] += x * u;
        y[2] += x * uu;
    }
    // Cofactors of the symmetric 3 × 3 matrix.
    let (a, b, c) = (
        s[2] * s[4] - s[3] * s[3],
        s[3] * s[2] - s[1] * s[4],
        s[1] * s[3] - s[2] * s[2],
    );
    let determinant = s[0] * a + s[1] * b + s[2] * c;
    if s[0] < 3.0 || determinant <= DEGENERATE * s[0] * s[2] * s[4] {
        return None;
    }
    let (d, e, f) = (
        s[0] * s[4] - s[2] * s[2],
        s[2] * s[1] - s[0] * s[3],
        s[0] * s[2] - s[1] * s[1],
    );
    finite([
        (a * y[0] + b * y[1] + c * y[2]) / determinant,
        (b * y[0] + d * y[1] + e * y[2]) / determinant / scale,
        (c * y[0] + e * y[1] + f * y[2]) / determinant / (scale * scale),
    ])
}

/// A determinant below this share of its diagonal has lost its digits.
const DEGENERATE: f64 = 1e-10;

fn largest(t: &[f64]) -> Option<f64> {
    let (low, high) = range_of(t);
    let scale = high.max(-low);
    (scale > 0.0 && scale.is_finite()).then_some(scale)
}

fn finite<const N: usize>(values: [f64; N]) -> Option<[f64; N]> {
    values.iter().all(|v| v.is_finite()).then_some(values)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn assert_integers(
        window: usize,
        order: usize,
        derivative: usize,
        integers: &[f64],
        norm: f64,
    ) {
        let weights = savitzky_golay(window, order, derivative).unwrap();
        for (w, i) in weights.iter().zip(integers) {
            assert!((w - i / norm).abs() < 1e-12, "{weights:?}");
        }
    }

    /// Savitzky & Golay (1964), tables I–III, with the corrections of Steinier, Termonia &
    /// Deltour (1972). The 5-point smoothing row was read in a reprint; the others are from
    /// memory and recomputed with an independent library.
    #[test]
    fn weights_are_the_published_integers() {
        assert_integers(5, 2, 0, &[-3.0, 12.0, 17.0, 12.0, -3.0], 35.0);
        assert_integers(7, 2, 0, &[-2.0, 3.0, 6.0, 7.0, 6.0, 3.0, -2.0], 21.0);
        assert_integers(
            9,
            2,
            0,
            &[-21.0, 14.0, 39.0, 54.0, 59.0, 54.0, 39.0, 14.0, -21.0],
            231.0,
        );
        assert_integers(7, 4, 0, &[5.0, -30.0, 75.0, 131.0, 75.0, -30.0, 5.0], 231.0);
        assert_integers(5, 2, 1, &[-2.0, -1.0, 0.0, 1.0, 2.0], 10.0);
        assert_integers(5, 3, 1, &[1.0, -8.0, 0.0, 8.0, -1.0], 12.0);
        assert_integers(
            7,
            3,
            1,
            &[22.0, -67.0, -58.0, 0.0, 58.0, 67.0, -22.0],
            252.0,
        );
        assert_integers(
            9,
            3,
            1,
            &[
                86.0, -142.0, -193.0, -126.0, 0.0, 126.0, 193.0, 142.0, -86.0,
            ],
            1188.0,
        );
        // The second derivative of the table is of the coefficient, times 2!.
        assert_integers(5, 2, 2, &[2.0, -1.0, -2.0, -1.0, 2.0], 7.0);
    }

    /// Frequency response of the tabulated filters on a sine of 50 samples a period,
    /// computed with an independent library.
    #[test]
    fn first_derivative_gain_on_a_sine_is_as_computed_elsewhere() {
        for (window, order, gain) in [
            (5, 2, 0.9910785333),
            (7, 2, 0.9816942144),
            (11, 2, 0.9539208512),
            (9, 3, 0.9998360853),
        ] {
            let w = std::f64::consts::TAU / 50.0;
            let weights = savitzky_golay(window, order, 1).unwrap();
            let half = (window / 2) as f64;
            let slope: f64 = weights
                .iter()
                .enumerate()
                .map(|(k, c)| c * ((k as f64 - half) * w).sin())
                .sum();
            assert!(
                (slope / w - gain).abs() < 1e-9,
                "{window} {order}: {}",
                slope / w
            );
        }
    }

    #[test]
    fn a_window_too_short_has_no_weights() {
        assert!(savitzky_golay(3, 4, 0).is_none());
        assert!(savitzky_golay(4, 2, 0).is_none());
        assert!(polynomial_weights(&[0.0, 0.0, 0.0], 1, 0).is_none());
    }

    #[test]
    fn sums_of_powers_agree_with_the_orthogonal_way() {
        for (low, high) in [(-40, 41), (1, 38), (-30, 0), (-3, 60)] {
            let t: Vec<f64> = (low..high)
                .map(|i| 1e-3 * (f64::from(i) + 0.2 * f64::from(i % 3)))
                .collect();
            let x: Vec<f64> = t
                .iter()
                .map(|t| 0.02 + 3.0 * t + 80.0 * t * t + 1e-4 * (900.0 * t).sin())
                .collect();
            let by_weights = |order: usize, k: usize| -> f64 {
                polynomial_weights(&t, order, k)
                    .unwrap()
                    .iter()
                    .zip(&x)
                    .map(|(w, x)| w * x)
                    .sum()
            };
            let [a, b] = line_through(&t, &x).unwrap();
            assert!((a / by_weights(1, 0) - 1.0).abs() < 1e-10);
            assert!((b / by_weights(1, 1) - 1.0).abs() < 1e-10);
            let [a, b, c] = parabola_through(&t, &x).unwrap();
            assert!((a / by_weights(2, 0) - 1.0).abs() < 1e-10);
            assert!((b / by_weights(2, 1) - 1.0).abs() < 1e-9);
            assert!((2.0 * c / by_weights(2, 2) - 1.0).abs() < 1e-9);
        }
        assert!(line_through(&[0.5, 0.5], &[1.0, 2.0]).is_none());
        assert!(parabola_through(&[0.5, 0.7], &[1.0, 2.0]).is_none());
    }
}
