//! Outlying points set aside: Tukey's biweight around the exact search finds suspects, a test
//! against the rest decides.

use super::points::{NoFit, Prepared};
use super::segmented::{Segmented, segmented_of};
use super::settings::FitSettings;
use crate::statistics::{median, t_quantile};

/// Biweight constant: 95 % efficiency for normal errors (Holland & Welsch 1977, Commun.
/// Stat. A 6:813–827).
const BIWEIGHT: f64 = 4.685;
/// Median absolute residual to standard deviation, normal errors.
const NORMAL_MAD: f64 = 1.4826;
/// Rounds of reweighting; it settles in a few.
const ROUNDS: usize = 30;
/// Fits with one point left out are tried as starting points up to this many points; beyond
/// it a single bad point cannot pull the plain fit far.
const LEAVE_OUT_UPTO: usize = 60;
/// Below this weight a point counts as left out.
const NOTHING: f64 = 1e-3;
/// A point that keeps less than this share of its weight is a suspect.
const SUSPECT: f64 = 0.5;
/// Level of that test. 1 %: suspects were picked for lying far off, so more than this share of
/// clean sets loses a point; a point ten times the scatter off is still found among twelve.
const FALSE_OUTLIER: f64 = 0.01;

/// Takes all weight from outlying points. Suspects are those that lose more than half their
/// weight to the biweight, with the richest model up to one knee that the points allow (a
/// second knee would bend towards the outliers). Then the suspect that lies closest to the fit
/// of the rest comes back, as long as it is within what the rest lead one to expect:
/// `|r| ≤ t(1 − α/2(s+1), s − p)·√(σ²/w + SE²)` with `s` points in the fit (Hadi & Simonoff
/// 1993, J. Am. Stat. Assoc. 88:1264–1272). What remains has its own weight again, so its
/// scatter, and with it every interval, is not understated. Returns the places in the input
/// of the points set aside.
pub(super) fn set_aside(ready: &mut Prepared, settings: &FitSettings) -> Result<Vec<usize>, NoFit> {
    let plain = ready.w.clone();
    let knees = (0..=settings.max_knees.min(1))
        .rev()
        .find(|k| segmented_of(ready, *k, settings).is_ok_and(|f| f.residual_df() >= 2))
        .ok_or_else(|| NoFit::because("too few points to tell outliers from the rest"))?;
    let fit = start(ready, &plain, knees, settings)?;
    reweigh(ready, &plain, fit, knees, settings);
    let mut out: Vec<usize> = (0..plain.len())
        .filter(|i| ready.w[*i] < SUSPECT * plain[*i])
        .collect();
    loop {
        weigh(ready, &plain, &out, settings);
        if out.is_empty() {
            break;
        }
        let Ok(fit) = segmented_of(ready, knees, settings) else {
            // Too little is left to judge by: nothing can be called outlying.
            out.clear();
            continue;
        };
        let inside = fit.n as f64;
        let limit = t_quantile(
            1.0 - 0.5 * FALSE_OUTLIER / (inside + 1.0),
            fit.residual_df() as f64,
        );
        let closest = out
            .iter()
            .enumerate()
            .map(|(at, i)| (at, distance(&fit, ready, &plain, *i)))
            .min_by(|a, b| a.1.total_cmp(&b.1));
        match (closest, limit) {
            (Some((_, away)), Some(limit)) if away > limit => break,
            (Some((at, _)), _) => {
                out.remove(at);
            }
            (None, _) => break,
        }
    }
    Ok(out.iter().map(|i| ready.from[*i]).collect())
}

/// Gives every point its own weight but those `out`, which have none.
fn weigh(ready: &mut Prepared, plain: &[f64], out: &[usize], settings: &FitSettings) {
    ready.w = plain.to_vec();
    for i in out {
        ready.w[*i] = 0.0;
    }
    ready.regroup(settings.same_speed_within);
}

/// How far a point lies from a fit it is not part of, in standard errors of that distance.
fn distance(fit: &Segmented, ready: &Prepared, plain: &[f64], i: usize) -> f64 {
    let residual = fit.residuals[ready.from[i]].abs();
    let own = fit.sigma.unwrap_or(0.0) / plain[i].sqrt();
    let floor = (ready.rounding_rss() / plain.len() as f64).sqrt();
    residual / own.hypot(fit.se_at(ready.x[i]).unwrap_or(0.0)).max(floor)
}

/// Multiplies the weights by the biweight of the residuals until they settle.
fn reweigh(
    ready: &mut Prepared,
    plain: &[f64],
    mut fit: Segmented,
    knees: usize,
    settings: &FitSettings,
) {
    for _ in 0..ROUNDS {
        let factors = factors(&fit, ready, plain);
        let before = ready.w.clone();
        for ((w, p), f) in ready.w.iter_mut().zip(plain).zip(&factors) {
            *w = if *f < NOTHING { 0.0 } else { p * f };
        }
        ready.regroup(settings.same_speed_within);
        match segmented_of(ready, knees, settings) {
            Ok(next) => fit = next,
            Err(_) => {
                // Too much was taken away for this model: keep the last weights that allow it.
                ready.w = before;
                ready.regroup(settings.same_speed_within);
                break;
            }
        }
        let moved = before
            .iter()
            .zip(&ready.w)
            .map(|(a, b)| (a - b).abs())
            .fold(0.0, f64::max);
        if moved < 1e-6 {
            break;
        }
    }
}

/// The fit with the smallest median weighted residual: the plain one, or one that leaves a
/// point out.
fn start(
    ready: &mut Prepared,
    plain: &[f64],
    knees: usize,
    settings: &FitSettings,
) -> Result<Segmented, NoFit> {
    let mut best = segmented_of(ready, knees, settings)?;
    let mut scale = spread(&best, ready, plain);
    if plain.len() <= LEAVE_OUT_UPTO {
        for out in 0..plain.len() {
            ready.w = plain.to_vec();
            ready.w[out] = 0.0;
            ready.regroup(settings.same_speed_within);
            if let Ok(fit) = segmented_of(ready, knees, settings) {
                let s = spread(&fit, ready, plain);
                if s < scale {
                    (best, scale) = (fit, s);
                }
            }
        }
        ready.w = plain.to_vec();
        ready.regroup(settings.same_speed_within);
    }
    Ok(best)
}

/// Residuals over their plain standard deviation, in sorted order.
fn scaled(fit: &Segmented, ready: &Prepared, plain: &[f64]) -> Vec<f64> {
    ready
        .from
        .iter()
        .zip(plain)
        .map(|(from, w)| (fit.residuals[*from] * w.sqrt()).abs())
        .collect()
}

/// Robust scale: the median absolute residual, made larger for the parameters spent.
fn spread(fit: &Segmented, ready: &Prepared, plain: &[f64]) -> f64 {
    let n = plain.len() as f64;
    let spent = (n / (n - fit.parameters as f64).max(1.0)).sqrt();
    NORMAL_MAD * spent * median(&scaled(fit, ready, plain)).unwrap_or(0.0)
}

fn factors(fit: &Segmented, ready: &Prepared, plain: &[f64]) -> Vec<f64> {
    let scale = spread(fit, ready, plain).max((ready.rounding_rss() / plain.len() as f64).sqrt());
    scaled(fit, ready, plain)
        .iter()
        .map(|r| {
            if scale <= 0.0 {
                return 1.0;
            }
            let u = r / (BIWEIGHT * scale);
            if u < 1.0 { (1.0 - u * u).powi(2) } else { 0.0 }
        })
        .collect()
}
