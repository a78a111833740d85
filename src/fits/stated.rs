//! From the chosen model to what is reported.

use super::along::along_the_knees;
use super::choice::{Choice, Tried};
use super::points::Prepared;
use super::profile::{KneeIntervals, hull_of};
use super::segmented::{Segmented, Stated, name};
use super::settings::FitSettings;
use super::{Candidate, Fit, Knee, KneeBasis, Piece};

/// The result, all numbers decided.
pub(super) fn stated(
    ready: &Prepared,
    choice: Choice,
    mut notes: Vec<String>,
    settings: &FitSettings,
) -> Fit {
    let candidates = choice
        .tried
        .iter()
        .map(|t| candidate(t, settings))
        .collect();
    let taken = choice.taken;
    let Some(fit) = choice.tried.into_iter().nth(taken).map(|t| t.fit) else {
        return Fit::default();
    };
    let mut segments = pieces(&fit, settings);
    let intervals = KneeIntervals::new(ready, &fit, settings);
    let mut knees = knees(&fit, intervals.as_ref(), settings, &mut notes);
    if let Some(along) = intervals.and_then(|own| along_the_knees(ready, &fit, &own, settings)) {
        for (knee, force) in knees.iter_mut().zip(along.forces) {
            knee.force_ci95_n = Some(knee.force_ci95_n.map_or(force, |own| hull_of(own, force)));
        }
        for (piece, slope) in segments.iter_mut().zip(along.slopes) {
            piece.slope_ci95_n_s_m = Some(
                piece
                    .slope_ci95_n_s_m
                    .map_or(slope, |own| hull_of(own, slope)),
            );
        }
    }
    let (rmse, largest) = misfit(&fit);
    Fit {
        model: shape(&fit.slopes).into(),
        segments,
        knees,
        r2: r2(ready, &fit),
        rmse_n: rmse,
        max_residual_n: largest,
        points: fit.n,
        candidates,
        basis: String::new(),
        notes,
        solution: Some(fit),
    }
}

/// `linear`, `digressive` (every slope below the one before), `progressive` (above), `mixed`.
pub(super) fn shape(slopes: &[f64]) -> &'static str {
    if slopes.len() < 2 {
        "linear"
    } else if slopes.windows(2).all(|s| s[1] < s[0]) {
        "digressive"
    } else if slopes.windows(2).all(|s| s[1] > s[0]) {
        "progressive"
    } else {
        "mixed"
    }
}

fn candidate(tried: &Tried, settings: &FitSettings) -> Candidate {
    Candidate {
        model: name(tried.fit.knees.len()).into(),
        knees: tried.fit.knees.clone(),
        aicc: tried.aicc,
        rmse_n: misfit(&tried.fit).0,
        segments: pieces(&tried.fit, settings),
        chance: tried.chance,
    }
}

/// Root mean square and largest residual of the points with any weight.
fn misfit(fit: &Segmented) -> (f64, f64) {
    let used = || {
        fit.residuals
            .iter()
            .zip(&fit.weights)
            .filter(|(_, w)| **w > 0.0)
            .map(|(r, _)| *r)
    };
    let squares: f64 = used().map(|r| r * r).sum();
    (
        (squares / fit.n as f64).sqrt(),
        used().map(f64::abs).fold(0.0, f64::max),
    )
}

fn pieces(fit: &Segmented, settings: &FitSettings) -> Vec<Piece> {
    let t = fit.quantile(settings.confidence);
    (0..fit.slopes.len())
        .map(|j| {
            let from = if j == 0 {
                fit.range[0]
            } else {
                fit.knees[j - 1]
            };
            let to = fit.knees.get(j).copied().unwrap_or(fit.range[1]);
            let slope = fit.slopes[j];
            let half = t
                .zip(fit.cautious(fit.slope_se(j), Stated::Slope(j)))
                .map(|(t, se)| t * se);
            Piece {
                from_m_s: from,
                to_m_s: to,
                slope_n_s_m: slope,
                intercept_n: if j == 0 {
                    fit.intercept
                } else {
                    fit.knee_forces[j - 1] - slope * fit.knees[j - 1]
                },
                slope_ci95_n_s_m: half.map(|h| [slope - h, slope + h]),
            }
        })
        .collect()
}

pub(super) fn knees(
    fit: &Segmented,
    intervals: Option<&KneeIntervals<'_>>,
    settings: &FitSettings,
    notes: &mut Vec<String>,
) -> Vec<Knee> {
    let t = fit.quantile(settings.confidence);
    (0..fit.knees.len())
        .map(|j| {
            let at = fit.knees[j];
            let interval = intervals.and_then(|i| i.of.get(j));
            let open = interval.map_or([true; 2], |i| i.open);
            for (side, word) in ["below", "above"].iter().enumerate() {
                if open[side] {
                    notes.push(format!(
                        "the points do not bound the knee at {at:.4} m/s from {word}: measure more speeds there"
                    ));
                }
            }
            let force = fit.knee_forces[j];
            let half = t.zip(fit.cautious(fit.knee_force_se(j), Stated::KneeForce(j))).map(|(t, se)| t * se);
            Knee {
                velocity_m_s: at,
                force_n: force,
                ci95_m_s: interval.map_or(fit.range, |i| i.ends),
                force_ci95_n: half.map(|h| [force - h, force + h]),
                rounding_m_s: None,
                basis: KneeBasis::Peaks,
            }
        })
        .collect()
}

/// `1 − Σwr²/Σw(y − ȳ)²`, about the weighted mean, or about the given force at zero speed.
/// `None` if the forces do not vary.
fn r2(ready: &Prepared, fit: &Segmented) -> Option<f64> {
    let total: f64 = ready.w.iter().sum();
    let mean = if ready.anchored {
        0.0
    } else {
        ready
            .y
            .iter()
            .zip(&ready.w)
            .map(|(y, w)| y * w)
            .sum::<f64>()
            / total
    };
    let spread: f64 = ready
        .y
        .iter()
        .zip(&ready.w)
        .map(|(y, w)| w * (y - mean) * (y - mean))
        .sum();
    (spread > ready.rounding_rss()).then(|| 1.0 - fit.rss / spread)
}
