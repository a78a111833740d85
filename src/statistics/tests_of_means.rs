//! Tests of two means: difference (Student, Welch) and equivalence (two one-sided tests).

use super::distributions::{f_upper_tail, t_quantile, t_two_sided_p, t_upper_tail};
use super::summary::{Summary, differences};

/// A test of a difference against zero.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TTest {
    /// First mean minus second.
    pub difference: f64,
    /// Its standard error.
    pub se: f64,
    /// `difference/se` (infinite if nothing varies and the means differ).
    pub t: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Two-sided p.
    pub p: f64,
    /// Interval of the difference at the confidence asked for.
    pub ci: [f64; 2],
}

/// One of the two one-sided tests.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct OneSided {
    /// Distance from the bound over the standard error.
    pub t: f64,
    /// One-sided p.
    pub p: f64,
}

/// Equivalence by two one-sided tests (Schuirmann 1987, J. Pharmacokin. Biopharm.
/// 15:657–680).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Tost {
    /// First mean minus second.
    pub difference: f64,
    /// Its standard error.
    pub se: f64,
    /// Degrees of freedom.
    pub df: f64,
    /// Is the difference above the lower bound?
    pub lower: OneSided,
    /// Is the difference below the upper bound?
    pub upper: OneSided,
    /// The larger of the two p.
    pub p: f64,
    /// Interval at confidence `1 − 2α`; equivalent at `α` exactly when it lies inside the
    /// bounds.
    pub ci: [f64; 2],
}

/// `x/se`, with the limits when nothing varies.
fn ratio(x: f64, se: f64) -> f64 {
    if se > 0.0 {
        x / se
    } else if x == 0.0 {
        0.0
    } else {
        x.signum() * f64::INFINITY
    }
}

fn t_test(difference: f64, se: f64, df: f64, confidence: f64) -> Option<TTest> {
    let t = ratio(difference, se);
    let half = t_quantile(0.5 + confidence / 2.0, df)? * se;
    Some(TTest {
        difference,
        se,
        t,
        df,
        p: t_two_sided_p(t, df)?,
        ci: [difference - half, difference + half],
    })
}

/// Two one-sided tests of a difference with a known standard error and degrees of freedom,
/// against `bounds` (lower, upper) at level `alpha`. The general form: whatever made the
/// difference (paired, Welch, a fit) can be tested. `None` if the bounds are not in order.
pub fn tost_from_summaries(
    difference: f64,
    se: f64,
    df: f64,
    bounds: [f64; 2],
    alpha: f64,
) -> Option<Tost> {
    if !(bounds[0] < bounds[1] && difference.is_finite() && se >= 0.0) {
        return None;
    }
    let lower_t = ratio(difference - bounds[0], se);
    let upper_t = ratio(difference - bounds[1], se);
    let lower = OneSided {
        t: lower_t,
        p: t_upper_tail(lower_t, df)?,
    };
    let upper = OneSided {
        t: upper_t,
        p: t_upper_tail(-upper_t, df)?,
    };
    let half = t_quantile(1.0 - alpha, df)? * se;
    Some(Tost {
        difference,
        se,
        df,
        lower,
        upper,
        p: lower.p.max(upper.p),
        ci: [difference - half, difference + half],
    })
}

/// Difference, standard error and Welch–Satterthwaite degrees of freedom.
fn unequal(a: &Summary, b: &Summary) -> Option<(f64, f64, f64)> {
    let (sa, sb) = (a.sd?, b.sd?);
    let (na, nb) = (a.n as f64, b.n as f64);
    let (va, vb) = (sa * sa / na, sb * sb / nb);
    let total = va + vb;
    let df = if total > 0.0 {
        // Scaled by the total so that tiny variances do not underflow.
        let (qa, qb) = (va / total, vb / total);
        1.0 / (qa * qa / (na - 1.0) + qb * qb / (nb - 1.0))
    } else {
        na + nb - 2.0
    };
    Some((a.mean - b.mean, total.sqrt(), df))
}

/// Difference, standard error and degrees of freedom with one common variance.
fn pooled(a: &Summary, b: &Summary) -> Option<(f64, f64, f64)> {
    let (sa, sb) = (a.sd?, b.sd?);
    let (na, nb) = (a.n as f64, b.n as f64);
    let df = na + nb - 2.0;
    let variance = ((na - 1.0) * sa * sa + (nb - 1.0) * sb * sb) / df;
    Some((
        a.mean - b.mean,
        (variance * (1.0 / na + 1.0 / nb)).sqrt(),
        df,
    ))
}

/// Difference, standard error and degrees of freedom of paired values.
fn paired(a: &[f64], b: &[f64]) -> Option<(f64, f64, f64)> {
    let summary = Summary::of(&differences(a, b)?)?;
    Some((summary.mean, summary.se()?, summary.n as f64 - 1.0))
}

/// Welch's t test from summaries: variances need not be equal (Welch 1947, Biometrika
/// 34:28–35). `None` if either side has fewer than two values.
pub fn welch_from_summaries(a: &Summary, b: &Summary, confidence: f64) -> Option<TTest> {
    let (difference, se, df) = unequal(a, b)?;
    t_test(difference, se, df, confidence)
}

/// Welch's t test of two samples.
pub fn welch(a: &[f64], b: &[f64], confidence: f64) -> Option<TTest> {
    welch_from_summaries(&Summary::of(a)?, &Summary::of(b)?, confidence)
}

/// Student's t test with one common variance, from summaries.
pub fn pooled_t(a: &Summary, b: &Summary, confidence: f64) -> Option<TTest> {
    let (difference, se, df) = pooled(a, b)?;
    t_test(difference, se, df, confidence)
}

/// Student's t test of paired values. `None` if the lengths differ or fewer than two pairs.
pub fn paired_t(a: &[f64], b: &[f64], confidence: f64) -> Option<TTest> {
    let (difference, se, df) = paired(a, b)?;
    t_test(difference, se, df, confidence)
}

/// Equivalence of two samples, variances not assumed equal.
pub fn tost_welch(a: &Summary, b: &Summary, bounds: [f64; 2], alpha: f64) -> Option<Tost> {
    let (difference, se, df) = unequal(a, b)?;
    tost_from_summaries(difference, se, df, bounds, alpha)
}

/// Equivalence of two samples with one common variance.
pub fn tost_pooled(a: &Summary, b: &Summary, bounds: [f64; 2], alpha: f64) -> Option<Tost> {
    let (difference, se, df) = pooled(a, b)?;
    tost_from_summaries(difference, se, df, bounds, alpha)
}

/// Equivalence of paired values.
pub fn tost_paired(a: &[f64], b: &[f64], bounds: [f64; 2], alpha: f64) -> Option<Tost> {
    let (difference, se, df) = paired(a, b)?;
    tost_from_summaries(difference, se, df, bounds, alpha)
}

/// F test of equal variances: the ratio of the two variances and its two-sided p.
pub fn variance_ratio(a: &Summary, b: &Summary) -> Option<(f64, f64)> {
    let f = (a.sd? / b.sd?).powi(2);
    let upper = f_upper_tail(f, a.n as f64 - 1.0, b.n as f64 - 1.0)?;
    Some((f, (2.0 * upper.min(1.0 - upper)).min(1.0)))
}
