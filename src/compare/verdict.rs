//! The three answers, and how many of them make one.

use serde::{Deserialize, Serialize};

use super::uncertain::{Part, half_width_of_many, interval, shown_inside, total};

/// Whether a difference keeps to its tolerance.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Verdict {
    /// Shown to be inside.
    Within,
    /// The data cannot tell.
    Undecided,
    /// Shown to be outside.
    Outside,
}

impl Verdict {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Within => "within",
            Self::Undecided => "undecided",
            Self::Outside => "outside",
        }
    }

    /// Of one value with its error against bounds: `within` if two one-sided tests at
    /// `alpha` show it inside, `outside` if its interval at `confidence` lies wholly
    /// outside, else `undecided`.
    pub fn of(value: f64, error: &Part, bounds: [f64; 2], confidence: f64, alpha: f64) -> Self {
        if shown_inside(value, error, bounds, alpha) == Some(true) {
            return Self::Within;
        }
        match interval(value, error, confidence) {
            Some([low, high]) if low > bounds[1] || high < bounds[0] => Self::Outside,
            _ => Self::Undecided,
        }
    }

    /// Of one of `n` values that are looked at together: as [`Verdict::of`], but outside only
    /// if it would be, allowing for the chance that so many give. `common` is the error
    /// they share, `own` this value's own.
    pub fn of_one_of_many(
        value: f64,
        (common, own): (&Part, &Part),
        limits: [Option<f64>; 2],
        (confidence, alpha): (f64, f64),
        n: usize,
    ) -> Self {
        let alone = Self::of_limits(value, &total(&[*common, *own]), limits, confidence, alpha);
        if alone != Self::Outside {
            return alone;
        }
        let over = limits[1].map_or(f64::NEG_INFINITY, |l| value - l);
        let under = limits[0].map_or(f64::NEG_INFINITY, |l| l - value);
        match half_width_of_many(common, own, confidence, n) {
            Some(half) if over.max(under) > half => Self::Outside,
            _ => Self::Undecided,
        }
    }

    /// Of one value against limits of which either may be missing.
    pub fn of_limits(
        value: f64,
        error: &Part,
        limits: [Option<f64>; 2],
        confidence: f64,
        alpha: f64,
    ) -> Self {
        // A limit far beyond any error is the same as none, and finite for the tests.
        let far = value.abs()
            + limits.iter().flatten().map(|l| l.abs()).sum::<f64>()
            + 1e3 * (error.variance.sqrt() + 1.0);
        let bounds = [limits[0].unwrap_or(-far), limits[1].unwrap_or(far)];
        if bounds[0] < bounds[1] {
            return Self::of(value, error, bounds, confidence, alpha);
        }
        // No room between the limits: only an exact value can be shown to be there.
        if error.variance == 0.0 && value == bounds[0] && bounds[0] == bounds[1] {
            Self::Within
        } else {
            match interval(value, error, confidence) {
                Some([low, high]) if low > bounds[1] || high < bounds[0] => Self::Outside,
                _ => Self::Undecided,
            }
        }
    }

    /// Of many that must all hold: `outside` if any is, `within` only if all are (an
    /// intersection–union test keeps the level of its parts: Berger 1982, Technometrics
    /// 24:295–300). `None` of none.
    pub fn all(each: impl IntoIterator<Item = Self>) -> Option<Self> {
        each.into_iter().max()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The sleep data (Student 1908, Biometrika 6:1–25) with bounds of ±3 h: paired, the
    /// two one-sided tests give p = 0.00266, equivalent at 5 %; as two groups p = 0.0560,
    /// not (statsmodels 0.15 `ttost_paired`, `ttost_ind`).
    #[test]
    fn sleep_data_are_within_when_paired_and_undecided_when_not() {
        let se_paired = 1.58 / 4.062_127_683;
        let paired = Part::estimated(se_paired * se_paired, 9.0);
        let bounds = [-3.0, 3.0];
        assert_eq!(
            Verdict::of(-1.58, &paired, bounds, 0.95, 0.05),
            Verdict::Within
        );
        let se_groups = 1.58 / 1.860_813_467;
        let groups = Part::estimated(se_groups * se_groups, 17.776_473_52);
        assert_eq!(
            Verdict::of(-1.58, &groups, bounds, 0.95, 0.05),
            Verdict::Undecided
        );
    }

    #[test]
    fn one_outside_outweighs_all_within() {
        use Verdict::{Outside, Undecided, Within};
        assert_eq!(Verdict::all([Within, Outside, Undecided]), Some(Outside));
        assert_eq!(Verdict::all([Within, Undecided]), Some(Undecided));
        assert_eq!(Verdict::all([Within, Within]), Some(Within));
        assert_eq!(Verdict::all([]), None);
    }

    #[test]
    fn nothing_is_outside_by_its_value_alone() {
        let wide = Part::estimated(100.0, 3.0);
        assert_eq!(
            Verdict::of(12.0, &wide, [-10.0, 10.0], 0.95, 0.05),
            Verdict::Undecided
        );
    }
}
