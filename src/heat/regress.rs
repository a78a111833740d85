//! Least squares for rows that follow each other in time and are not independent.

use nalgebra::DMatrix;

use super::Measured;
use crate::signal::least_squares;
use crate::statistics::t_quantile;

/// A fit with a covariance that holds under serial correlation.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub(super) coefficients: Vec<f64>,
    pub(super) covariance: DMatrix<f64>,
    pub(super) residuals: Vec<f64>,
    /// Degrees of freedom, correlation allowed for.
    pub(super) df: f64,
}

/// Serial correlation of residuals is taken as no larger than this: beyond it a handful of
/// independent readings are left and the intervals say nothing.
const MOST_CORRELATION: f64 = 0.97;
/// Degrees of freedom are not taken below this: t(0.975, 2) = 4.3 is wide enough to warn.
const LEAST_DF: f64 = 2.0;

impl Fitted {
    /// Half the width of the 95 % interval of `Σ gradient·coefficient`.
    pub(super) fn half_width(&self, gradient: &[f64]) -> f64 {
        let mut variance = 0.0;
        for (i, a) in gradient.iter().enumerate() {
            for (j, b) in gradient.iter().enumerate() {
                variance += a * b * self.covariance[(i, j)];
            }
        }
        t_quantile(0.975, self.df).unwrap_or(f64::NAN) * variance.max(0.0).sqrt()
    }

    /// A coefficient with its interval, times `scale`.
    pub(super) fn measured(&self, k: usize, scale: f64) -> Measured {
        let mut gradient = vec![0.0; self.coefficients.len()];
        gradient[k] = scale;
        Measured::around(scale * self.coefficients[k], self.half_width(&gradient))
    }
}

/// Weighted least squares of rows in order of time. The covariance is Newey and West's
/// (1987, Econometrica 55:703–708, Bartlett weights) with the bandwidth of Andrews (1991,
/// Econometrica 59:817–858, AR(1) rule); the degrees of freedom are those of
/// `n(1 − ρ)/(1 + ρ)` independent rows. `None` if a coefficient cannot be told.
pub(super) fn in_time(columns: &[Vec<f64>], y: &[f64], weights: &[f64]) -> Option<Fitted> {
    let (n, p) = (y.len(), columns.len());
    if n < p + 2 {
        return None;
    }
    let plain = least_squares(columns, y, weights)?;
    let scores: Vec<f64> = plain
        .residuals
        .iter()
        .zip(weights)
        .map(|(r, w)| r * w.max(0.0).sqrt())
        .collect();
    let rho = lag_one(&scores).clamp(0.0, MOST_CORRELATION);
    let df = (n as f64 * (1.0 - rho) / (1.0 + rho) - p as f64).max(LEAST_DF);
    let variance = plain.rss / (n - p).max(1) as f64;
    let covariance = if variance > 0.0 {
        let bread = &plain.covariance / variance;
        sandwich(
            columns,
            &plain.residuals,
            weights,
            &bread,
            bandwidth(rho, n),
        ) * (n as f64 / (n - p) as f64)
    } else {
        plain.covariance.clone()
    };
    Some(Fitted {
        coefficients: plain.coefficients,
        covariance,
        residuals: plain.residuals,
        df,
    })
}

/// Andrews' bandwidth for Bartlett weights and AR(1) residuals.
fn bandwidth(rho: f64, n: usize) -> usize {
    let a = 4.0 * rho * rho / ((1.0 - rho) * (1.0 + rho)).powi(2);
    let wide = 1.1447 * (a * n as f64).cbrt();
    (wide.ceil() as usize).clamp(1, n / 3 + 1)
}

/// Correlation of neighbours.
pub(super) fn lag_one(values: &[f64]) -> f64 {
    let square: f64 = values.iter().map(|v| v * v).sum();
    let cross: f64 = values.windows(2).map(|w| w[0] * w[1]).sum();
    if square > 0.0 { cross / square } else { 0.0 }
}

fn sandwich(
    columns: &[Vec<f64>],
    residuals: &[f64],
    weights: &[f64],
    bread: &DMatrix<f64>,
    bandwidth: usize,
) -> DMatrix<f64> {
    let (n, p) = (residuals.len(), columns.len());
    // Scores in the scale of the coefficients: the columns may be of very different size.
    let scores = DMatrix::from_fn(n, p, |i, j| {
        (0..p).map(|k| bread[(j, k)] * columns[k][i]).sum::<f64>() * weights[i] * residuals[i]
    });
    let mut meat = scores.transpose() * &scores;
    for lag in 1..=bandwidth.min(n - 1) {
        let weight = 1.0 - lag as f64 / (bandwidth + 1) as f64;
        let cross = scores.rows(lag, n - lag).transpose() * scores.rows(0, n - lag);
        meat += (&cross + cross.transpose()) * weight;
    }
    meat
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Correlated noise widens the interval of a slope: for AR(1) with ρ the variance of a
    /// mean is (1 + ρ)/(1 − ρ) times the independent one (textbook result; e.g. Priestley,
    /// Spectral Analysis and Time Series, sec. 5.3, from memory).
    #[test]
    fn correlated_noise_widens_the_interval() {
        let rho: f64 = 0.7;
        let mut state = 12345_u64;
        let mut noise = || {
            let mut sum = 0.0;
            for _ in 0..12 {
                state = state
                    .wrapping_mul(6364136223846793005)
                    .wrapping_add(1442695040888963407);
                sum += (state >> 11) as f64 / (1_u64 << 53) as f64;
            }
            sum - 6.0
        };
        let n = 4000;
        let mut y = vec![0.0; n];
        for i in 1..n {
            y[i] = rho * y[i - 1] + noise();
        }
        let fit = in_time(&[vec![1.0; n]], &y, &vec![1.0; n]).unwrap();
        let naive = {
            let plain = least_squares(&[vec![1.0; n]], &y, &vec![1.0; n]).unwrap();
            plain.covariance[(0, 0)]
        };
        let ratio = fit.covariance[(0, 0)] / naive;
        let expected = (1.0 + rho) / (1.0 - rho);
        assert!((ratio / expected - 1.0).abs() < 0.25, "{ratio} {expected}");
    }
}
