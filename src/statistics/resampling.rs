//! Seeded bootstrap: one random stream per replicate, so the answer does not depend on how
//! many threads ran it; percentile and BCa limits; jackknife.

use rand::SeedableRng;
use rand_chacha::ChaCha8Rng;
use rayon::prelude::*;

use super::distributions::{normal_cdf, normal_quantile};
use super::summary::{Summary, of_sorted};

/// How often and from which seed.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Resampling {
    /// Replicates. 999 puts the 2.5 % and 97.5 % points on the 25th value from either end.
    pub replicates: usize,
    /// Seed; a fixed default, so that the same file gives the same report twice.
    pub seed: u64,
}

impl Default for Resampling {
    fn default() -> Self {
        Self {
            replicates: 999,
            seed: 20_251_125,
        }
    }
}

/// The random stream of replicate `index`: one ChaCha stream of the seed each, independent
/// of every other and of the order they are drawn in.
pub fn replicate_stream(seed: u64, index: usize) -> ChaCha8Rng {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    rng.set_stream(index as u64);
    rng
}

/// Runs `one` for every replicate in parallel and returns the results in replicate order;
/// replicates for which the statistic does not exist are `None`.
pub fn replicates<T, F>(settings: Resampling, one: F) -> Vec<Option<T>>
where
    T: Send,
    F: Fn(usize, &mut ChaCha8Rng) -> Option<T> + Sync,
{
    (0..settings.replicates)
        .into_par_iter()
        .map(|i| one(i, &mut replicate_stream(settings.seed, i)))
        .collect()
}

/// The finite values, sorted.
fn sorted(values: &[f64]) -> Vec<f64> {
    let mut kept: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    kept.sort_by(f64::total_cmp);
    kept
}

/// Percentile limits: the `α/2` and `1 − α/2` quantiles of the replicates (Efron &
/// Tibshirani 1993, An Introduction to the Bootstrap, ch. 13). `None` without replicates.
pub fn percentile_interval(replicates: &[f64], confidence: f64) -> Option<[f64; 2]> {
    let sorted = sorted(replicates);
    if sorted.is_empty() || !(0.0..1.0).contains(&confidence) {
        return None;
    }
    let tail = (1.0 - confidence) / 2.0;
    Some([of_sorted(&sorted, tail), of_sorted(&sorted, 1.0 - tail)])
}

/// Bias-corrected and accelerated limits (Efron 1987, J. Am. Stat. Assoc. 82:171–185):
/// `α_i = Φ(z0 + (z0 + z_i)/(1 − a(z0 + z_i)))`, with `z0` from the share of replicates
/// below the estimate (ties counted half) and `a` from the jackknife values' skewness.
/// Falls back on percentile limits when every replicate lies on one side of the estimate,
/// where the correction is not defined.
pub fn bca_interval(
    replicates: &[f64],
    estimate: f64,
    jackknife: &[f64],
    confidence: f64,
) -> Option<[f64; 2]> {
    let sorted = sorted(replicates);
    if sorted.is_empty() || !estimate.is_finite() {
        return None;
    }
    let below = sorted.iter().filter(|v| **v < estimate).count() as f64;
    let level = sorted.iter().filter(|v| **v == estimate).count() as f64;
    let share = (below + level / 2.0) / sorted.len() as f64;
    let Some(z0) = normal_quantile(share) else {
        return percentile_interval(replicates, confidence);
    };
    let a = acceleration(jackknife);
    let tail = (1.0 - confidence) / 2.0;
    let limit = |p: f64| {
        let z = z0 + normal_quantile(p)?;
        Some(of_sorted(&sorted, normal_cdf(z0 + z / (1.0 - a * z))))
    };
    Some([limit(tail)?, limit(1.0 - tail)?])
}

/// `Σd³ / (6 (Σd²)^{3/2})` with `d` the mean of the jackknife values minus each; 0 when they
/// do not vary.
fn acceleration(jackknife: &[f64]) -> f64 {
    let Some(summary) = Summary::of(jackknife) else {
        return 0.0;
    };
    let d = jackknife.iter().map(|v| summary.mean - v);
    let squares: f64 = d.clone().map(|d| d * d).sum();
    let cubes: f64 = d.map(|d| d * d * d).sum();
    if squares > 0.0 {
        cubes / (6.0 * squares.powf(1.5))
    } else {
        0.0
    }
}

/// Jackknife standard error from the leave-one-out values: `√((n−1)/n · Σ(θ_i − θ̄)²)`.
pub fn jackknife_se(leave_one_out: &[f64]) -> Option<f64> {
    let summary = Summary::of(leave_one_out)?;
    let n = summary.n as f64;
    Some(summary.sd? * (n - 1.0) / n.sqrt())
}
