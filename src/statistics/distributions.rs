//! Quantiles and tail areas of Student's t, F, χ² and the normal distribution.

use statrs::distribution::{
    ChiSquared, Continuous, ContinuousCDF, FisherSnedecor, Normal, StudentsT,
};

/// Newton steps after the library's own inverse. Two are enough for full precision from
/// its starting point; four cost nothing.
const POLISH_STEPS: usize = 4;

/// Newton's iteration on `cdf(x) = p`, kept only while it comes closer.
fn polish<D>(distribution: &D, start: f64, p: f64) -> f64
where
    D: ContinuousCDF<f64, f64> + Continuous<f64, f64>,
{
    let miss = |x: f64| distribution.cdf(x) - p;
    let mut x = start;
    let mut error = miss(x);
    for _ in 0..POLISH_STEPS {
        let slope = distribution.pdf(x);
        if slope <= 0.0 || !slope.is_finite() {
            break;
        }
        let next = x - error / slope;
        let next_error = miss(next);
        if !next.is_finite() || next_error.abs() >= error.abs() {
            break;
        }
        x = next;
        error = next_error;
    }
    x
}

/// Is `p` a probability strictly between 0 and 1, and is every one of `df` positive?
fn usable(p: f64, df: &[f64]) -> bool {
    p > 0.0 && p < 1.0 && df.iter().all(|d| *d > 0.0 && d.is_finite())
}

/// Quantile of Student's t: the `x` with `P(T ≤ x) = p` at `df` degrees of freedom
/// (fractions allowed, as Welch's test needs). `None` outside `0 < p < 1`, `df > 0`.
///
/// ```
/// let t = loopwork::statistics::t_quantile(0.975, 10.0).unwrap();
/// assert!((t - 2.228).abs() < 5e-4); // NIST/SEMATECH e-Handbook 1.3.6.7.2
/// ```
pub fn t_quantile(p: f64, df: f64) -> Option<f64> {
    if !usable(p, &[df]) {
        return None;
    }
    // Symmetric: work in the lower half, where the distribution function keeps its digits.
    let lower = p.min(1.0 - p);
    if lower == 0.5 {
        return Some(0.0);
    }
    let t = StudentsT::new(0.0, 1.0, df).ok()?;
    let x = polish(&t, t.inverse_cdf(lower), lower);
    Some(if p > 0.5 { -x } else { x })
}

/// `P(T > t)` for Student's t with `df` degrees of freedom.
pub fn t_upper_tail(t: f64, df: f64) -> Option<f64> {
    if t.is_nan() || !usable(0.5, &[df]) {
        return None;
    }
    if t.is_infinite() {
        return Some(if t > 0.0 { 0.0 } else { 1.0 });
    }
    // By symmetry the lower tail of −t, which does not cancel.
    StudentsT::new(0.0, 1.0, df).ok().map(|d| d.cdf(-t))
}

/// `P(|T| > |t|)` for Student's t with `df` degrees of freedom.
pub fn t_two_sided_p(t: f64, df: f64) -> Option<f64> {
    t_upper_tail(t.abs(), df).map(|p| (2.0 * p).min(1.0))
}

/// Quantile of F with `df1`, `df2` degrees of freedom. `None` outside `0 < p < 1`, `df > 0`.
pub fn f_quantile(p: f64, df1: f64, df2: f64) -> Option<f64> {
    if !usable(p, &[df1, df2]) {
        return None;
    }
    let f = FisherSnedecor::new(df1, df2).ok()?;
    Some(polish(&f, f.inverse_cdf(p), p))
}

/// `P(F > f)` with `df1`, `df2` degrees of freedom.
pub fn f_upper_tail(f: f64, df1: f64, df2: f64) -> Option<f64> {
    if f.is_nan() || f < 0.0 || !usable(0.5, &[df1, df2]) {
        return None;
    }
    if f.is_infinite() {
        return Some(0.0);
    }
    if f == 0.0 {
        return Some(1.0);
    }
    // 1/F has the F distribution with the degrees of freedom swapped: no cancellation.
    FisherSnedecor::new(df2, df1).ok().map(|d| d.cdf(1.0 / f))
}

/// Quantile of χ² with `df` degrees of freedom. `None` outside `0 < p < 1`, `df > 0`.
pub fn chi2_quantile(p: f64, df: f64) -> Option<f64> {
    if !usable(p, &[df]) {
        return None;
    }
    let c = ChiSquared::new(df).ok()?;
    Some(polish(&c, c.inverse_cdf(p), p))
}

/// Quantile of the standard normal distribution. `None` outside `0 < p < 1`.
pub fn normal_quantile(p: f64) -> Option<f64> {
    if !usable(p, &[]) {
        return None;
    }
    let n = Normal::new(0.0, 1.0).ok()?;
    Some(polish(&n, n.inverse_cdf(p), p))
}

/// `P(Z ≤ z)` for the standard normal distribution.
pub fn normal_cdf(z: f64) -> f64 {
    if z.is_nan() {
        return f64::NAN;
    }
    Normal::new(0.0, 1.0).map_or(f64::NAN, |n| n.cdf(z))
}
