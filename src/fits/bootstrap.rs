//! Cycle bootstrap: whole cycles are drawn again, the chosen model fitted again.

use rand::RngExt;
use rand_chacha::ChaCha8Rng;

use super::points::{NoFit, Points, Prepared};
use super::profile::hull_of;
use super::segmented::estimates;
use super::settings::FitSettings;
use super::{Fit, fit};
use crate::statistics::{
    Resampling, Summary, bca_interval, median, percentile_interval, replicates,
};

/// Share of replicates that must have been fitted for their limits to be used.
const ENOUGH: f64 = 0.8;

/// Points that own their numbers: what a resampling step hands back.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct OwnedPoints {
    /// Speeds, m/s.
    pub speed: Vec<f64>,
    /// Resisting forces, N.
    pub force: Vec<f64>,
    /// Standard errors, N.
    pub se: Option<Vec<f64>>,
}

impl OwnedPoints {
    /// A view for the fits.
    pub fn view(&self) -> Points<'_> {
        Points {
            speed: &self.speed,
            force: &self.force,
            se: self.se.as_deref(),
        }
    }
}

/// Bootstrap limits of everything a fit states.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct BootstrapLimits {
    /// Of each knee, m/s.
    pub knees: Vec<Option<[f64; 2]>>,
    /// Of the force at each knee, N.
    pub knee_forces: Vec<Option<[f64; 2]>>,
    /// Of each slope, N·s/m.
    pub slopes: Vec<Option<[f64; 2]>>,
    /// Replicates that could be fitted.
    pub used: usize,
}

/// Draws points again with `resample(index, rng)`, refits the model with `knees` knees, and
/// takes limits: bias-corrected and accelerated if `left_out` (the same points with one
/// independent unit left out at a time) is given, else percentile. The result does not
/// depend on the number of threads: every replicate has a random stream of its own.
///
/// # Errors
/// [`NoFit`] if the original points cannot be fitted or too few replicates can.
pub fn bootstrap<F>(
    points: &Points<'_>,
    knees: usize,
    settings: &FitSettings,
    resampling: Resampling,
    left_out: &[OwnedPoints],
    resample: F,
) -> Result<BootstrapLimits, NoFit>
where
    F: Fn(usize, &mut ChaCha8Rng) -> OwnedPoints + Sync,
{
    let estimate = stated(points, knees, settings)?;
    let drawn: Vec<Vec<f64>> = replicates(resampling, |i, rng| {
        stated(&resample(i, rng).view(), knees, settings).ok()
    })
    .into_iter()
    .flatten()
    .collect();
    if (drawn.len() as f64) < ENOUGH * resampling.replicates as f64 || drawn.is_empty() {
        return Err(NoFit::because(format!(
            "no bootstrap interval: only {} of {} resampled sets could be fitted",
            drawn.len(),
            resampling.replicates
        )));
    }
    let jackknife: Vec<Vec<f64>> = left_out
        .iter()
        .filter_map(|p| stated(&p.view(), knees, settings).ok())
        .collect();
    let limits: Vec<Option<[f64; 2]>> = (0..estimate.len())
        .map(|column| {
            let values: Vec<f64> = drawn.iter().map(|d| d[column]).collect();
            if jackknife.len() > 2 {
                let without: Vec<f64> = jackknife.iter().map(|d| d[column]).collect();
                bca_interval(&values, estimate[column], &without, settings.confidence)
            } else {
                percentile_interval(&values, settings.confidence)
            }
        })
        .collect();
    Ok(BootstrapLimits {
        knees: limits[..knees].to_vec(),
        knee_forces: limits[knees..2 * knees].to_vec(),
        slopes: limits[2 * knees..].to_vec(),
        used: drawn.len(),
    })
}

/// Knees, forces at them, slopes.
fn stated(points: &Points<'_>, knees: usize, settings: &FitSettings) -> Result<Vec<f64>, NoFit> {
    estimates(&Prepared::new(points, settings)?, knees, settings)
}

/// Widens the intervals of a fit to hold the bootstrap's as well: the fit's own know how far
/// the points lie off the curve, the bootstrap's how well the cycles repeat; the honest
/// interval holds both.
pub fn widen(fit: &mut Fit, limits: &BootstrapLimits) {
    for (knee, more) in fit.knees.iter_mut().zip(&limits.knees) {
        if let Some(more) = more {
            knee.ci95_m_s = hull_of(knee.ci95_m_s, *more);
        }
    }
    for (knee, more) in fit.knees.iter_mut().zip(&limits.knee_forces) {
        if let Some(more) = more {
            knee.force_ci95_n = Some(knee.force_ci95_n.map_or(*more, |own| hull_of(own, *more)));
        }
    }
    for (piece, more) in fit.segments.iter_mut().zip(&limits.slopes) {
        if let Some(more) = more {
            piece.slope_ci95_n_s_m = Some(
                piece
                    .slope_ci95_n_s_m
                    .map_or(*more, |own| hull_of(own, *more)),
            );
        }
    }
}

/// Peak-velocity points from the cycles of every step: mean speed and force, and the
/// standard error of the force (that of a step with one cycle is the median of the others;
/// `None` if no step has two).
pub fn points_of_cycles<S: AsRef<[(f64, f64)]>>(steps: &[S]) -> OwnedPoints {
    let mut points = OwnedPoints::default();
    let mut errors = Vec::new();
    for step in steps {
        let (speed, force): (Vec<f64>, Vec<f64>) = step.as_ref().iter().copied().unzip();
        let (Some(speed), Some(force)) = (Summary::of(&speed), Summary::of(&force)) else {
            continue;
        };
        points.speed.push(speed.mean);
        points.force.push(force.mean);
        errors.push(force.se());
    }
    let known: Vec<f64> = errors.iter().flatten().copied().collect();
    points.se = median(&known).map(|typical| {
        errors
            .iter()
            .map(|e| e.unwrap_or(typical))
            .collect::<Vec<f64>>()
    });
    points
}

/// Which share of the speeds' departures within a step is real (0 to 1): the slope of the
/// forces' departures on what the curve would make of the speeds', all steps together, each
/// by how little its force scatters. Where a cycle truly ran faster its force says so; where
/// only its measured stroke or period is off, force does not follow (the reliability ratio of
/// errors in variables: Fuller 1987, Measurement Error Models, sec. 1.1). A cycle's length
/// ends where the next one's begins, so the errors of lengths cancel in a step's mean and
/// must not be drawn as if each cycle had its own.
fn real_share_of_speed(usable: &[&[(f64, f64)]], points: &OwnedPoints, fit: &Fit) -> f64 {
    let (mut together, mut alone) = (0.0, 0.0);
    for (i, cycles) in usable.iter().enumerate() {
        let (Some(v), Some(f)) = (points.speed.get(i), points.force.get(i)) else {
            continue;
        };
        let piece = fit.segments.iter().rfind(|s| s.from_m_s <= *v);
        let slope = piece
            .or(fit.segments.first())
            .map_or(0.0, |p| p.slope_n_s_m);
        let scatter: f64 = cycles.iter().map(|c| (c.1 - f) * (c.1 - f)).sum();
        if scatter <= 0.0 {
            continue;
        }
        for (speed, force) in *cycles {
            let expected = slope * (speed - v);
            together += expected * (force - f) / scatter;
            alone += expected * expected / scatter;
        }
    }
    if alone > 0.0 {
        (together / alone).clamp(0.0, 1.0)
    } else {
        1.0
    }
}

/// Fits peak-velocity points and widens the intervals by resampling whole cycles within each
/// step. `steps` holds, per step, the (speed, resisting force) of every cycle; steps without
/// a usable cycle are left out.
///
/// The mean of `c` cycles drawn with replacement varies too little by `(c−1)/c`; its
/// departure is stretched by `√(c/(c−1))`, which matters for three cycles.
///
/// # Errors
/// [`NoFit`] as [`fit`]. A failed bootstrap is a note, not an error.
pub fn fit_cycles<S: AsRef<[(f64, f64)]> + Sync>(
    steps: &[S],
    settings: &FitSettings,
    resampling: Resampling,
) -> Result<Fit, NoFit> {
    let points = points_of_cycles(steps);
    let mut out = fit(&points.view(), settings)?;
    let usable: Vec<&[(f64, f64)]> = steps
        .iter()
        .map(AsRef::as_ref)
        .filter(|s| !s.is_empty() && s.iter().all(|(v, f)| v.is_finite() && f.is_finite()))
        .collect();
    if usable.iter().all(|s| s.len() < 2) {
        return Ok(out);
    }
    let real = real_share_of_speed(&usable, &points, &out);
    let draw = |_: usize, rng: &mut ChaCha8Rng| {
        let mut again = points.clone();
        for (i, cycles) in usable.iter().enumerate() {
            let c = cycles.len();
            if c < 2 {
                continue;
            }
            let (mut v, mut f) = (0.0, 0.0);
            for _ in 0..c {
                let (speed, force) = cycles[rng.random_range(0..c)];
                v += speed / c as f64;
                f += force / c as f64;
            }
            let stretch = (c as f64 / (c as f64 - 1.0)).sqrt();
            again.speed[i] += (v - points.speed[i]) * stretch * real;
            again.force[i] += (f - points.force[i]) * stretch;
        }
        again
    };
    let knees = out.knees.len();
    match bootstrap(&points.view(), knees, settings, resampling, &[], draw) {
        Ok(limits) => widen(&mut out, &limits),
        Err(why) => out.notes.push(why.reason),
    }
    Ok(out)
}
