//! A number made of independent parts, each with its own standard error and degrees of
//! freedom; their sum by Welch and Satterthwaite.

use crate::statistics::{normal_quantile, t_quantile, tost_from_summaries};

/// Degrees of freedom above which Student's t is the normal distribution to four digits.
const MANY: f64 = 1e5;

/// One source of error: variance and the degrees of freedom it was estimated with
/// (infinite for one that is stated).
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Part {
    /// Variance, squared unit of the number.
    pub variance: f64,
    /// Degrees of freedom.
    pub df: f64,
}

impl Part {
    /// A stated standard deviation.
    pub fn stated(sd: f64) -> Self {
        Self {
            variance: sd * sd,
            df: f64::INFINITY,
        }
    }

    /// An estimated one.
    pub fn estimated(variance: f64, df: f64) -> Self {
        Self { variance, df }
    }

    /// The part of `factor` times the number.
    #[must_use]
    pub fn times(self, factor: f64) -> Self {
        Self {
            variance: self.variance * factor * factor,
            df: self.df,
        }
    }
}

/// Sum of independent parts: `ν = (ΣV)² / Σ(V²/ν)` (Welch–Satterthwaite, GUM annex G.4).
pub fn total(parts: &[Part]) -> Part {
    let variance: f64 = parts.iter().map(|p| p.variance).sum();
    if variance <= 0.0 {
        return Part {
            variance: 0.0,
            df: f64::INFINITY,
        };
    }
    // Shares of the total, so that tiny variances do not underflow.
    let spread: f64 = parts
        .iter()
        .filter(|p| p.variance > 0.0)
        .map(|p| (p.variance / variance).powi(2) / p.df)
        .sum();
    Part {
        variance,
        df: if spread > 0.0 {
            1.0 / spread
        } else {
            f64::INFINITY
        },
    }
}

/// Half-width of the two-sided interval at `confidence`. `None` without degrees of freedom.
pub fn half_width(part: &Part, confidence: f64) -> Option<f64> {
    if part.variance == 0.0 {
        return Some(0.0);
    }
    let p = 0.5 + confidence / 2.0;
    let quantile = if part.df > MANY {
        normal_quantile(p)
    } else {
        t_quantile(p, part.df)
    };
    quantile.map(|q| q * part.variance.sqrt())
}

/// Half-width that holds for `n` numbers at once: `common` is one error that all of them
/// share and counts once, `own` each number's own, at a confidence of `1 − (1 − c)/n`
/// (Bonferroni). Half-widths add in squares.
pub fn half_width_of_many(common: &Part, own: &Part, confidence: f64, n: usize) -> Option<f64> {
    let each = 1.0 - (1.0 - confidence) / n.max(1) as f64;
    Some(half_width(common, confidence)?.hypot(half_width(own, each)?))
}

/// `value ± half-width`.
pub fn interval(value: f64, part: &Part, confidence: f64) -> Option<[f64; 2]> {
    half_width(part, confidence).map(|half| [value - half, value + half])
}

/// Whether two one-sided tests at `alpha` show the value inside `bounds`; `None` if they
/// cannot be made.
pub fn shown_inside(value: f64, part: &Part, bounds: [f64; 2], alpha: f64) -> Option<bool> {
    if part.variance == 0.0 {
        return Some(bounds[0] <= value && value <= bounds[1]);
    }
    tost_from_summaries(
        value,
        part.variance.sqrt(),
        part.df.min(MANY),
        bounds,
        alpha,
    )
    .map(|test| test.p <= alpha)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Welch degrees of freedom of the two-sample t test on AUTO83B, NIST/SEMATECH
    /// e-Handbook 1.3.5.3: 136.875.
    #[test]
    fn degrees_of_freedom_are_welchs() {
        let parts = [
            Part::estimated(6.4147_f64.powi(2) / 249.0, 248.0),
            Part::estimated(6.10771_f64.powi(2) / 79.0, 78.0),
        ];
        assert!((total(&parts).df - 136.875).abs() < 5e-3);
    }

    /// GUM annex H.1, end gauge: parts of 25 nm (18 degrees of freedom), 9.7 (25.6), 2.9
    /// (50), 16.6 (2) make 32 nm with 16 (rounded down); values from memory.
    #[test]
    fn end_gauge_of_the_gum() {
        let parts = [(25.0, 18.0), (9.7, 25.6), (2.9, 50.0), (16.6, 2.0)]
            .map(|(u, df): (f64, f64)| Part::estimated(u * u, df));
        let sum = total(&parts);
        assert_eq!(sum.variance.sqrt().round() as i64, 32);
        assert_eq!(sum.df.floor() as i64, 16);
    }
}
