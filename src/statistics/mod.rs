//! Small statistics on slices: summaries, quantiles of the common distributions, tests of
//! means and of equivalence, resampling intervals. No damper words, no files.
//!
//! Distribution functions come from `statrs`; the quantiles are polished by Newton steps so
//! that they agree with their own distribution function to rounding. A statistic that does
//! not exist for the data given (a spread of one value, a test of one value against one) is
//! `None`, never a zero.

mod distributions;
mod resampling;
mod summary;
mod tests_of_means;

pub use distributions::{
    chi2_quantile, f_quantile, f_upper_tail, normal_cdf, normal_quantile, t_quantile,
    t_two_sided_p, t_upper_tail,
};
pub use resampling::{
    Resampling, bca_interval, jackknife_se, percentile_interval, replicate_stream, replicates,
};
pub use summary::{
    Agreement, Summary, bland_altman, mad, median, percentile, t_interval, weighted_mean,
};
pub use tests_of_means::{
    OneSided, TTest, Tost, paired_t, pooled_t, tost_from_summaries, tost_paired, tost_pooled,
    tost_welch, variance_ratio, welch, welch_from_summaries,
};
