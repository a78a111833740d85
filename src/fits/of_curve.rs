//! Fits of a run's curve: of its peak-velocity points, and of its full-cycle curve.

use super::loops::fit_loops;
use super::{Fit, FitSettings, Fits, NoFit, Points, fit, fit_cycles};
use crate::curves::Curve;
use crate::statics::LoopCurve;
use crate::statistics::Resampling;
use crate::steps::Direction;

/// Peak-velocity points are the basis from this many speeds on; with fewer, a knee could not
/// be offered from them, and the full-cycle curve is used instead.
const FEWEST_SPEEDS: usize = 6;

/// Names of the bases.
pub const PEAKS: &str = "peak-velocity points";
/// The full-cycle curve.
pub const FULL_CYCLE: &str = "full-cycle curve";
/// A reduced table's own points.
pub const TABLE: &str = "sweep table";

/// Both fits of a run, and what there is to note about them.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct CurveFits {
    /// The fits to act on; `basis` says what they rest on.
    pub fits: Fits,
    /// Fits of the full-cycle curve.
    pub full_cycle: Fits,
    /// Why something is missing, or rests on less than usual.
    pub notes: Vec<String>,
}

/// Fits both directions (speed against resisting total force at mid-stroke).
/// `loops`, where the run has them, hold more than the points: they are fitted instead, unless
/// points are to be set aside, slopes bounded, or the force at rest held.
pub fn fit_curve(
    curve: &Curve,
    loops: Option<&[LoopCurve; 2]>,
    settings: &FitSettings,
    resampling: Resampling,
) -> CurveFits {
    let plain = !settings.robust && !settings.monotone && settings.through.is_none();
    let loops = loops.filter(|_| plain);
    let mut out = CurveFits::default();
    for direction in Direction::BOTH {
        let word = direction.word();
        let which = usize::from(direction == Direction::Rebound);
        let of_loops = loops.and_then(|both| fit_loops(&both[which], settings).ok());
        let whole = of_full_cycle(curve, direction, settings);
        let from_table = curve.peaks.get(direction).iter().any(|p| p.step.is_none());
        let speeds = distinct(curve.peaks.get(direction).iter().map(|p| p.velocity_m_s));
        let use_whole =
            of_loops.is_none() && !from_table && speeds < FEWEST_SPEEDS && whole.is_ok();
        if use_whole {
            out.notes.push(format!(
                "{word}: {speeds} speeds are too few for a knee, so the fit rests on the full-cycle curve; its \
                 intervals carry misfit only, not cycle spread"
            ));
        }
        let chosen = if let Some(fit) = of_loops {
            Ok(fit)
        } else if use_whole {
            whole.clone()
        } else {
            of_peaks(curve, direction, settings, resampling)
        };
        match chosen {
            Ok(fit) => {
                out.notes
                    .extend(fit.notes.iter().map(|n| format!("{word}: {n}")));
                *out.fits.get_mut(direction) = Some(fit);
            }
            Err(why) => out.notes.push(format!("no {word} fit: {}", why.reason)),
        }
        if !from_table {
            *out.full_cycle.get_mut(direction) = whole.ok();
        }
    }
    out
}

fn of_peaks(
    curve: &Curve,
    direction: Direction,
    settings: &FitSettings,
    resampling: Resampling,
) -> Result<Fit, NoFit> {
    let points = curve.peaks.get(direction);
    let cycles = curve.peak_cycles.get(direction);
    let sign = direction.sign();
    if cycles.len() == points.len() && cycles.iter().all(|c| !c.is_empty()) && !cycles.is_empty() {
        let resisting: Vec<Vec<(f64, f64)>> = cycles
            .iter()
            .map(|c| c.iter().map(|(v, f)| (*v, sign * f)).collect())
            .collect();
        let mut found = fit_cycles(&resisting, settings, resampling)?;
        PEAKS.clone_into(&mut found.basis);
        return Ok(found);
    }
    let speed: Vec<f64> = points.iter().map(|p| p.velocity_m_s).collect();
    let force: Vec<f64> = points.iter().map(|p| sign * p.force_n).collect();
    let mut found = fit(
        &Points {
            speed: &speed,
            force: &force,
            se: None,
        },
        settings,
    )?;
    let table = points.iter().any(|p| p.step.is_none());
    found.basis = if table { TABLE } else { PEAKS }.into();
    Ok(found)
}

fn of_full_cycle(
    curve: &Curve,
    direction: Direction,
    settings: &FitSettings,
) -> Result<Fit, NoFit> {
    let points = curve.get(direction);
    let sign = direction.sign();
    let speed: Vec<f64> = points.iter().map(|p| p.velocity_m_s).collect();
    let force: Vec<f64> = points.iter().map(|p| sign * p.total_force_n).collect();
    let se: Option<Vec<f64>> = points.iter().map(|p| p.se_n).collect();
    let mut found = fit(
        &Points {
            speed: &speed,
            force: &force,
            se: se.as_deref(),
        },
        settings,
    )?;
    FULL_CYCLE.clone_into(&mut found.basis);
    Ok(found)
}

/// Speeds that differ by more than 1 %.
fn distinct(speeds: impl Iterator<Item = f64>) -> usize {
    let mut all: Vec<f64> = speeds.collect();
    all.sort_by(f64::total_cmp);
    all.dedup_by(|b, a| *b < *a * 1.01);
    all.len()
}
