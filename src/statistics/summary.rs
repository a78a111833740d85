//! Mean, spread, order statistics, agreement of two methods.

use super::distributions::t_quantile;

/// Count, mean and sample standard deviation (divisor `n − 1`; `None` for one value).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Summary {
    /// Count.
    pub n: usize,
    /// Mean.
    pub mean: f64,
    /// Sample standard deviation.
    pub sd: Option<f64>,
}

impl Summary {
    /// Summarises values by Welford's update, which does not lose digits on large offsets
    /// (Welford 1962, Technometrics 4:419–420). `None` if empty or not all finite.
    pub fn of(values: &[f64]) -> Option<Self> {
        if values.is_empty() || values.iter().any(|v| !v.is_finite()) {
            return None;
        }
        // A first guess of the mean taken off: what is left is small and loses nothing.
        let origin = values[0];
        let (mut mean, mut squares) = (0.0, 0.0);
        for (i, value) in values.iter().enumerate() {
            let d = value - origin - mean;
            mean += d / (i + 1) as f64;
            squares += d * (value - origin - mean);
        }
        let n = values.len();
        let sd = (n > 1).then(|| (squares.max(0.0) / (n - 1) as f64).sqrt());
        Some(Self {
            n,
            mean: origin + mean,
            sd,
        })
    }

    /// Standard error of the mean, `sd/√n`.
    pub fn se(&self) -> Option<f64> {
        self.sd.map(|sd| sd / (self.n as f64).sqrt())
    }
}

/// Interval of a mean by Student's t: `mean ± t((1+confidence)/2, n−1)·sd/√n`.
/// `None` for fewer than two values.
pub fn t_interval(summary: &Summary, confidence: f64) -> Option<[f64; 2]> {
    let half = t_quantile(0.5 + confidence / 2.0, summary.n as f64 - 1.0)? * summary.se()?;
    Some([summary.mean - half, summary.mean + half])
}

/// `Σwx/Σw`. `None` if lengths differ, a weight is negative, or no weight is left.
pub fn weighted_mean(values: &[f64], weights: &[f64]) -> Option<f64> {
    if values.len() != weights.len() || weights.iter().any(|w| *w < 0.0 || !w.is_finite()) {
        return None;
    }
    let (mut mean, mut total) = (0.0, 0.0);
    for (value, weight) in values.iter().zip(weights) {
        if *weight > 0.0 {
            total += weight;
            mean += (value - mean) * weight / total;
        }
    }
    (total > 0.0 && mean.is_finite()).then_some(mean)
}

/// Quantile `p` (0 to 1) of the values, by linear interpolation between order statistics at
/// `h = (n − 1)p` (type 7 of Hyndman & Fan 1996, Am. Statistician 50:361–365). `None` if
/// empty, if a value is NaN, or outside `0 ≤ p ≤ 1`.
pub fn percentile(values: &[f64], p: f64) -> Option<f64> {
    if values.is_empty() || !(0.0..=1.0).contains(&p) || values.iter().any(|v| v.is_nan()) {
        return None;
    }
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    Some(of_sorted(&sorted, p))
}

/// [`percentile`] of values already sorted and not empty.
pub(super) fn of_sorted(sorted: &[f64], p: f64) -> f64 {
    let h = (sorted.len() - 1) as f64 * p;
    let low = h.floor() as usize;
    let high = (low + 1).min(sorted.len() - 1);
    let share = h - low as f64;
    if share == 0.0 {
        sorted[low]
    } else {
        sorted[low] + share * (sorted[high] - sorted[low])
    }
}

/// Median. `None` if empty or a value is NaN.
pub fn median(values: &[f64]) -> Option<f64> {
    percentile(values, 0.5)
}

/// Median absolute deviation from the median, not scaled (multiply by 1.4826 for the
/// standard deviation of a normal sample).
pub fn mad(values: &[f64]) -> Option<f64> {
    let centre = median(values)?;
    let away: Vec<f64> = values.iter().map(|v| (v - centre).abs()).collect();
    median(&away)
}

/// Agreement of two methods on the same items.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Agreement {
    /// Mean difference, first minus second.
    pub mean: f64,
    /// Standard deviation of the differences.
    pub sd: f64,
    /// `mean ± factor·sd`.
    pub limits: [f64; 2],
}

/// Limits of agreement (Bland & Altman 1986, Lancet i:307–310): the range that holds about
/// 95 % of the differences when `factor` is 1.96 (the paper rounds it to 2). `None` if the
/// lengths differ or there are fewer than two pairs.
pub fn bland_altman(a: &[f64], b: &[f64], factor: f64) -> Option<Agreement> {
    let summary = Summary::of(&differences(a, b)?)?;
    let sd = summary.sd?;
    Some(Agreement {
        mean: summary.mean,
        sd,
        limits: [summary.mean - factor * sd, summary.mean + factor * sd],
    })
}

/// `a − b`, item by item; `None` if the lengths differ.
pub(super) fn differences(a: &[f64], b: &[f64]) -> Option<Vec<f64>> {
    (a.len() == b.len()).then(|| a.iter().zip(b).map(|(x, y)| x - y).collect())
}
