//! All models, their AICc, and which one is taken.

use super::guard::{chance, gain};
use super::points::{NoFit, Prepared};
use super::segmented::{Segmented, name, segmented_of};
use super::settings::FitSettings;

/// Degrees of freedom a knee needs at the least. With 2, six speeds can show a knee if it is
/// many times the scatter; with 1, hardly anything could.
const FEWEST_SPARE: usize = 2;

/// A model that could be fitted.
#[derive(Debug, Clone)]
pub(super) struct Tried {
    pub(super) fit: Segmented,
    pub(super) aicc: Option<f64>,
    /// Simulated chance of its gain under the simpler model, where it came to that.
    pub(super) chance: Option<f64>,
}

/// The models tried, which is taken, and what there is to say about it.
#[derive(Debug)]
pub(super) struct Choice {
    pub(super) tried: Vec<Tried>,
    pub(super) taken: usize,
    pub(super) notes: Vec<String>,
}

/// `−2 ln L + 2K + 2K(K+1)/(n−K−1)`, with `K` the parameters of the mean plus one for the
/// error variance (none if it is known). R's `AIC()` counts the same way. `None` when
/// `n ≤ K + 1`: the correction is not defined.
/// (Hurvich & Tsai 1989, Biometrika 76:297–307.)
pub fn aicc(fit: &Segmented, floor: f64) -> Option<f64> {
    let k = (fit.parameters + usize::from(!fit.absolute)) as f64;
    let n = fit.n as f64;
    let spare = n - k - 1.0;
    (spare > 0.0).then(|| -2.0 * fit.log_likelihood(floor) + 2.0 * k + 2.0 * k * (k + 1.0) / spare)
}

/// `−2 ln L + K ln n` (Schwarz 1978, Ann. Stat. 6:461–464), `K` counted as in [`aicc`]. For
/// comparison; the choice does not use it.
pub fn bic(fit: &Segmented, floor: f64) -> f64 {
    let k = (fit.parameters + usize::from(!fit.absolute)) as f64;
    -2.0 * fit.log_likelihood(floor) + k * (fit.n as f64).ln()
}

/// Every model the points allow, none chosen yet.
#[derive(Debug)]
pub(super) struct Offered {
    /// Knees rising, with the criterion.
    pub(super) fits: Vec<(Segmented, Option<f64>)>,
    /// Why the next richer one is not among them.
    why_no_more: Option<String>,
}

/// Fits every model the points allow.
pub(super) fn offered(ready: &Prepared, settings: &FitSettings) -> Result<Offered, NoFit> {
    let floor = ready.rounding_rss();
    let line = segmented_of(ready, 0, settings)?;
    let criterion = aicc(&line, floor);
    let mut out = Offered {
        fits: vec![(line, criterion)],
        why_no_more: None,
    };
    for knees in 1..=settings.max_knees.min(2) {
        let fit = match segmented_of(ready, knees, settings) {
            Ok(fit) => fit,
            Err(why) => {
                out.why_no_more = Some(format!("not offered: {}", why.reason));
                break;
            }
        };
        let criterion = aicc(&fit, floor);
        if criterion.is_none() && !(knees == 1 && fit.residual_df() >= FEWEST_SPARE) {
            out.why_no_more = Some(format!(
                "not offered: {}: {} points are too few for its {} parameters",
                name(knees),
                fit.n,
                fit.parameters
            ));
            break;
        }
        out.fits.push((fit, criterion));
    }
    Ok(out)
}

impl Offered {
    /// Takes the simplest model that none beats.
    pub(super) fn choose(self, ready: &Prepared, settings: &FitSettings) -> Choice {
        let mut fits = self.fits.into_iter();
        let mut choice = Choice {
            tried: Vec::new(),
            taken: 0,
            notes: Vec::new(),
        };
        choice.tried.extend(fits.next().map(|(fit, aicc)| Tried {
            fit,
            aicc,
            chance: None,
        }));
        for (fit, criterion) in fits {
            choice.consider(ready, settings, fit, criterion);
        }
        choice.notes.extend(self.why_no_more);
        choice
    }
}

impl Choice {
    fn consider(
        &mut self,
        ready: &Prepared,
        settings: &FitSettings,
        fit: Segmented,
        criterion: Option<f64>,
    ) {
        let floor = ready.rounding_rss();
        let now = &self.tried[self.taken];
        let knees = fit.knees.len();
        let by_aicc = now
            .aicc
            .zip(criterion)
            .is_some_and(|(a, c)| c < a - settings.prefer_simpler_within);
        let better = by_aicc || (knees == 1 && too_few_for_aicc(&fit));
        let bends = bend(ready, &now.fit, &fit) > settings.material_bend;
        let mut simulated = None;
        if better && bends {
            let observed = gain(now.fit.rss.max(floor), fit.rss.max(floor));
            simulated = Some(chance(ready, &now.fit, knees, observed, settings));
        }
        let taken = simulated.is_some_and(|p| p <= settings.false_knee_rate);
        if by_aicc && !taken {
            self.notes.push(match simulated {
                None => format!(
                    "{} fits better by AICc, but moves the force by less than {} % of the largest: not taken",
                    name(knees),
                    settings.material_bend * 100.0
                ),
                Some(p) => format!(
                    "{} fits better by AICc, but a damper with {} would look as good in {:.1} % of measurements at these speeds: not taken",
                    name(knees),
                    match now.fit.knees.len() {
                        0 => "a straight line",
                        _ => "one knee",
                    },
                    p * 100.0
                ),
            });
        }
        self.tried.push(Tried {
            fit,
            aicc: criterion,
            chance: simulated,
        });
        if taken {
            self.taken = self.tried.len() - 1;
        }
    }
}

/// Is the small-sample correction of AICc larger than the penalty it corrects (`n < 2K + 2`,
/// twelve points for one knee)? There it refuses knees that the eye and an exact test see: at
/// seven points it asks for a 4000-fold drop in the sum of squares. The first knee is then
/// judged by the simulated chance alone, which is exact at any number of points.
fn too_few_for_aicc(fit: &Segmented) -> bool {
    let k = fit.parameters + usize::from(!fit.absolute);
    fit.n < 2 * k + 2
}

/// Largest difference of two fits at the measured speeds, over the largest force.
fn bend(ready: &Prepared, a: &Segmented, b: &Segmented) -> f64 {
    let top = ready
        .y
        .iter()
        .map(|y| (y + ready.offset).abs())
        .fold(0.0, f64::max);
    let away = ready
        .groups
        .iter()
        .map(|g| (a.value(g.x) - b.value(g.x)).abs())
        .fold(0.0, f64::max);
    if top > 0.0 { away / top } else { 0.0 }
}
