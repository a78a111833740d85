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

/// One reading is taken to be worth no less than one in this many independent ones (a
/// correlation of neighbours of 0.97): beyond it a handful of independent readings are left
/// and the intervals say nothing.
const MOST_REDUNDANCY: f64 = 66.0;
/// Longest memory looked for, readings: a beat between cycle and sampling can take this long.
const LONGEST_MEMORY: usize = 12;
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

/// Weighted least squares of rows in order of time. The covariance allows the scatter to
/// differ from place to place (White 1980, Econometrica 48:817–838) and rows to follow each
/// other. Where they do, it is multiplied by the ratio of the residuals' long-run variance to
/// their own, from an autoregression of theirs (den Haan & Levin 1997, Handbook of Statistics
/// 15); the degrees of freedom are those of so many fewer independent rows. Where
/// they alternate or beat, the scores' own products over [`LONGEST_MEMORY`] are taken instead
/// (Newey & West 1987, Econometrica 55:703–708), which narrows no more than the rows that
/// weigh most allow. `None` if a coefficient cannot be told.
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
    let redundancy = redundancy(&scores);
    let df = (n as f64 / redundancy.max(1.0) - p as f64).max(LEAST_DF);
    let variance = plain.rss / (n - p).max(1) as f64;
    let covariance = if variance > 0.0 {
        let bread = &plain.covariance / variance;
        let memory = if redundancy < 1.0 { LONGEST_MEMORY } else { 0 };
        sandwich(columns, &plain.residuals, weights, &bread, memory)
            * (redundancy.max(1.0) * n as f64 / (n - p) as f64)
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

/// Long-run variance over variance: `(1 − R²)/(1 − Σφ)²` of the autoregression `φ` with the
/// least AIC (Yule–Walker by Levinson's recursion). Above 1 where neighbours follow each
/// other, below where they alternate or beat; the latter, which narrows intervals, only if the
/// stricter BIC finds it too.
fn redundancy(scores: &[f64]) -> f64 {
    let n = scores.len();
    let most = LONGEST_MEMORY.min(n / 8);
    let product = |lag: usize| -> f64 {
        let late = scores.get(lag..).unwrap_or_default();
        late.iter().zip(scores).map(|(a, b)| a * b).sum()
    };
    let own = product(0);
    if own <= 0.0 {
        return 1.0;
    }
    let correlation: Vec<f64> = (0..=most).map(|lag| product(lag) / own).collect();
    let mut phi: Vec<f64> = Vec::new();
    let mut left = 1.0;
    // (criterion, ratio) of the best order so far, by AIC and by BIC.
    let mut best = [(0.0, 1.0); 2];
    let prices = [2.0, (n as f64).ln()];
    for order in 1..=most {
        let known: f64 = phi
            .iter()
            .enumerate()
            .map(|(j, f)| f * correlation[order - 1 - j])
            .sum();
        let partial = (correlation[order] - known) / left;
        let mirrored: Vec<f64> = phi.iter().rev().copied().collect();
        for (f, m) in phi.iter_mut().zip(&mirrored) {
            *f -= partial * m;
        }
        phi.push(partial);
        left *= 1.0 - partial * partial;
        if left <= 0.0 {
            break;
        }
        let gain = 1.0 - phi.iter().sum::<f64>();
        for (best, price) in best.iter_mut().zip(prices) {
            let criterion = n as f64 * left.ln() + price * order as f64;
            if criterion < best.0 {
                *best = (criterion, left / (gain * gain));
            }
        }
    }
    let [(_, by_aic), (_, by_bic)] = best;
    if by_aic < 1.0 && by_bic >= 1.0 {
        1.0
    } else {
        by_aic.min(MOST_REDUNDANCY)
    }
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
    memory: usize,
) -> DMatrix<f64> {
    let (n, p) = (residuals.len(), columns.len());
    // Scores in the scale of the coefficients: the columns may be of very different size.
    let scores = DMatrix::from_fn(n, p, |i, j| {
        (0..p).map(|k| bread[(j, k)] * columns[k][i]).sum::<f64>() * weights[i] * residuals[i]
    });
    let mut meat = scores.transpose() * &scores;
    for lag in 1..=memory.min(n - 1) {
        let weight = 1.0 - lag as f64 / (memory + 1) as f64;
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
