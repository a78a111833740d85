//! One model behind gas, friction, delay, moving mass and curve, fitted to all loops of all
//! steps at once:
//!
//! `F(t) = F₀ + k x + k₂ x² + F_f σ(v) ± h±(|v|) + m a + z t`, read late by `τ`
//!
//! with `h±` any curve that is nought at rest. What the run cannot tell stays as wide as
//! what was allowed beforehand, and shows as such.

mod basis;
mod rows;
mod solve;
mod total;

use rayon::prelude::*;
use rows::{Derivatives, Ground, PER_COMPLIANCE, PER_MS, Row, TERMS, Term, force_derivatives};
use solve::{OfTerms, Prior, Solution, WANDERINGS, solve, with_scatter};

use crate::steps::{Direction, Step};
use basis::SpeedNodes;
pub use total::LoopCurve;

/// What a person states, and what is allowed beforehand.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct JointSettings {
    /// Mass that moves with the cell, kg, if stated.
    pub moving_mass_kg: Option<f64>,
    /// Delay of the force channel, s, if stated.
    pub delay_s: Option<f64>,
    /// Standard deviation allowed for the mass otherwise, kg.
    pub mass_spread_kg: f64,
    /// … for the delay, s.
    pub delay_spread_s: f64,
    /// … for the drift over the run, share of the largest force.
    pub drift_share: f64,
    /// … for the stiffening over half the stroke, share of the largest force.
    pub stiffening_share: f64,
    /// … for the compliance, m/N.
    pub compliance_spread_m_n: f64,
}

impl Default for JointSettings {
    fn default() -> Self {
        Self {
            moving_mass_kg: None,
            delay_s: None,
            mass_spread_kg: 2.0,
            delay_spread_s: 0.004,
            drift_share: 0.05,
            stiffening_share: 0.1,
            compliance_spread_m_n: 4e-7,
        }
    }
}

/// A value with its standard error.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct Told {
    /// Value.
    pub(super) value: f64,
    /// Standard error.
    pub(super) se: f64,
    /// Standard error before the run was looked at.
    pub(super) before: f64,
}

/// Mass, delay and drift lean on differences between loops, where what the folded travel is
/// off by counts in full: their errors are doubled, and not believed below these.
const DYNAMIC_CAUTION: f64 = 2.0;
const LEAST_DELAY_S: f64 = 3e-5;
/// A longer delay is a filter's, which leaves more than a delay behind it.
const FILTER_DELAY_S: f64 = 0.003;
const LEAST_MASS_KG: f64 = 0.03;

impl Told {
    fn beside(self, least: f64) -> Self {
        Self {
            se: (DYNAMIC_CAUTION * self.se).hypot(least),
            ..self
        }
    }
}

/// The fitted model.
#[derive(Debug)]
pub(super) struct Joint {
    /// Force at rest and mid-stroke at the start of the record, N.
    pub(super) rest: Told,
    /// Its rise, N/m.
    pub(super) spring: Told,
    /// Half the jump of force with the direction, N.
    pub(super) friction: Told,
    /// Mass that moves with the cell, kg.
    pub(super) mass: Told,
    /// Drift of the zero from start to end, N.
    pub(super) drift: Told,
    /// Delay, s.
    pub(super) delay: Told,
    /// Compliance, m/N.
    pub(super) compliance: Told,
    /// Half strokes that were used.
    pub(super) clusters: usize,
    /// What the loops say of the total force, compression and rebound.
    pub(super) curves: Option<[LoopCurve; 2]>,
}

/// Rounds of fitting, taking out the delay found, and weighing by the scatter found.
const ROUNDS: usize = 4;
/// Size of the random walk before the last round.
const USUAL_WANDERING: [f64; 1] = [2.0];
/// How gradually friction changes sign is known to this share of the friction.
const ROUNDING_SHARE: f64 = 0.5;
/// Residuals of this many standard deviations have half a say.
const BEYOND: f64 = 3.0;
/// Scatter below this share of the largest force is not believed: no bench is better.
const FLOOR: f64 = 0.000_5;

/// One fit of some steps.
struct Fitted {
    solution: Solution,
    rows: Vec<Row>,
    /// Delay taken out before the last round, s.
    delay: f64,
    priors: [Prior; TERMS],
    /// Variance of each coefficient from the scatter over half strokes.
    scatter: OfTerms,
    reach: f64,
}

impl Fitted {
    fn variance(&self, j: usize) -> f64 {
        self.solution.covariance[(j, j)].max(self.scatter[j])
    }

    fn told(&self, term: Term, unit: f64) -> Told {
        let j = term.at();
        Told {
            value: self.solution.terms[j] * unit,
            se: self.variance(j).sqrt() * unit,
            before: self.priors[j].precision.powf(-0.5) * unit,
        }
    }

    /// Whether mass or delay come out as nothing can be: something else is in the loops.
    fn is_absurd(&self) -> bool {
        let mass = self.told(Term::Mass, 1.0);
        let delay = self.told(Term::Delay, PER_MS);
        mass.value < -3.0 * mass.se - 0.2 || delay.value + self.delay < -3.0 * delay.se - 5e-4
    }
}

/// Terms that act on moving force: told by sound strokes, then held while all are read.
const DYNAMIC: [Term; 4] = [Term::Mass, Term::Delay, Term::Smearing, Term::Compliance];
/// A step that would keep less than one in so many of its samples keeps all.
const MOST_LOST: usize = 5;
/// The fastest steps are left aside at most this often where mass or delay come out absurd.
const MOST_LEFT_ASIDE: usize = 3;

/// What is asked of the run.
struct Question<'a> {
    steps: &'a [Step],
    nodes: [&'a SpeedNodes; 2],
    tops: [f64; 2],
    lost: Vec<[f64; 2]>,
    derivatives: Vec<Derivatives>,
    settings: &'a JointSettings,
}

impl Question<'_> {
    /// Fits the steps in `used`; `held` are priors of the dynamic terms from a fit before,
    /// with the delay already taken out.
    fn fit(&self, used: &[bool], held: Option<&Fitted>) -> Option<Fitted> {
        let steps = self.steps;
        let mut delay = held.map_or(self.settings.delay_s.unwrap_or(0.0), |h| h.delay);
        let mut fitted: Option<(Solution, Vec<Row>, [Prior; TERMS])> = None;
        let mut reach = 0.0;
        for round in 0..ROUNDS {
            let ground = Ground::new(steps, &self.derivatives, delay);
            reach = ground.reach;
            let before = fitted.as_ref().map(|(s, ..)| s);
            let slope = |d: Direction, v: f64| {
                before.map_or(0.0, |solution| {
                    let which = usize::from(d == Direction::Rebound);
                    let base = if which == 0 { 0 } else { self.nodes[0].len() };
                    let (j, _) = self.nodes[which].place(v);
                    let low = if j == 0 {
                        0.0
                    } else {
                        solution.nodes[base + j - 1]
                    };
                    (solution.nodes[base + j] - low) / self.nodes[which].width(j)
                })
            };
            let mut rows = ground.rows(self.nodes, &slope, used);
            self.leave_out_lost(&mut rows);
            if rows.len() < 2 * TERMS {
                return None;
            }
            let scale = largest(&rows);
            weigh(
                &mut rows,
                fitted.as_ref().map(|(s, r, _)| (s, r)),
                scale,
                steps,
            );
            let units = self.tops.map(|top| scale / top);
            let friction = before.map_or(0.1 * scale, |b| b.terms[Term::Friction.at()].abs());
            let mut priors = priors(self.settings, &ground, scale, delay);
            if let Some(b) = before {
                let (rise, rest) = (b.terms[Term::Spring.at()], b.terms[Term::Rest.at()].abs());
                let stiffening = rise * rise / rest.max(rise.abs()).max(f64::MIN_POSITIVE);
                let sd =
                    (1.5 * stiffening).clamp(0.003 * scale, self.settings.stiffening_share * scale);
                priors[Term::Stiffening.at()].precision = sd.powi(-2);
            }
            priors[Term::Rounding.at()].precision =
                (ROUNDING_SHARE * friction).max(1e-3 * scale).powi(-2);
            if let Some(held) = held {
                for term in DYNAMIC {
                    let j = term.at();
                    let shift = if term == Term::Delay {
                        (held.delay - delay) / PER_MS
                    } else {
                        0.0
                    };
                    priors[j] = Prior {
                        mean: held.solution.terms[j] + shift,
                        precision: 1.0 / held.variance(j),
                    };
                }
            }
            let wanderings = if round + 1 < ROUNDS {
                &USUAL_WANDERING[..]
            } else {
                &WANDERINGS[..]
            };
            let solution = solve(&rows, self.nodes, units, &priors, wanderings)?;
            if held.is_none() && round + 2 < ROUNDS {
                delay = (delay + solution.terms[Term::Delay.at()] * PER_MS).clamp(-0.02, 0.04);
            }
            fitted = Some((solution, rows, priors));
        }
        let (solution, rows, priors) = fitted?;
        let scatter = with_scatter(&rows, &solution, 4 * steps.len());
        Some(Fitted {
            solution,
            rows,
            delay,
            priors,
            scatter,
            reach,
        })
    }

    /// Leaves out what is lost after reversals, but not nearly all of a step: there the whole
    /// loop is unlike a damper's, and no part of it is better.
    fn leave_out_lost(&self, rows: &mut Vec<Row>) {
        let mut counts = vec![(0_usize, 0_usize); self.steps.len()];
        for row in rows.iter() {
            let (all, left) = &mut counts[row.step];
            *all += 1;
            *left += usize::from(!in_lost(row, self.steps, &self.lost));
        }
        rows.retain(|r| {
            let (all, left) = counts[r.step];
            MOST_LOST * left < all || !in_lost(r, self.steps, &self.lost)
        });
    }

    /// The steps whose strokes carry force from the reversal on; all, where hardly any does.
    fn sound(&self) -> Vec<bool> {
        let sound: Vec<bool> = self
            .lost
            .iter()
            .map(|l| l.iter().all(|phase| !phase.is_finite()))
            .collect();
        let count = sound.iter().filter(|s| **s).count();
        if 2 * count >= sound.len() {
            sound
        } else {
            vec![true; sound.len()]
        }
    }
}

impl Joint {
    /// Fits a run. `None` where no sample says anything of one of the directions.
    pub(super) fn fit(steps: &[Step], settings: &JointSettings) -> Option<Self> {
        let top = |d: Direction| {
            steps
                .iter()
                .map(|s| *s.peak_velocity_m_s.get(d))
                .fold(0.0, f64::max)
        };
        let tops = Direction::BOTH.map(top);
        if tops.iter().any(|t| *t <= 0.0) {
            return None;
        }
        let nodes = tops.map(SpeedNodes::new);
        let question = Question {
            steps,
            nodes: [&nodes[0], &nodes[1]],
            tops,
            lost: rows::lost(steps),
            derivatives: steps.par_iter().map(force_derivatives).collect(),
            settings,
        };
        let all = vec![true; steps.len()];
        let mut used = all.clone();
        let mut fitted = question.fit(&used, None)?;
        if fitted.is_absurd() {
            used = question.sound();
            fitted = question.fit(&used, None)?;
        }
        for _ in 0..MOST_LEFT_ASIDE {
            let left = used.iter().filter(|u| **u).count();
            if !fitted.is_absurd() || left < 4 {
                break;
            }
            let mut speeds: Vec<f64> = steps
                .iter()
                .zip(&used)
                .filter(|(_, u)| **u)
                .map(|(s, _)| s.top_speed())
                .collect();
            speeds.sort_by(f64::total_cmp);
            let limit = speeds[speeds.len() * 2 / 3];
            for (u, s) in used.iter_mut().zip(steps) {
                *u &= s.top_speed() < limit;
            }
            fitted = question.fit(&used, None)?;
        }
        if used != all {
            fitted = question.fit(&all, Some(&fitted))?;
        }
        let told = |term: Term, unit: f64| fitted.told(term, unit);
        let mut delayed = told(Term::Delay, PER_MS).beside(LEAST_DELAY_S);
        delayed.value += fitted.delay;
        let curves = total::loop_curves(&fitted.rows, [&nodes[0], &nodes[1]], &fitted.priors);
        Some(Self {
            rest: told(Term::Rest, 1.0),
            spring: if fitted.delay.abs() > FILTER_DELAY_S {
                told(Term::Spring, 1.0 / fitted.reach).beside(0.0)
            } else {
                told(Term::Spring, 1.0 / fitted.reach)
            },
            friction: told(Term::Friction, 1.0),
            mass: told(Term::Mass, 1.0).beside(LEAST_MASS_KG),
            drift: told(Term::Drift, 1.0).beside(0.0),
            delay: delayed,
            compliance: told(Term::Compliance, PER_COMPLIANCE),
            clusters: 4 * used.len(),
            curves,
        })
    }

    /// Degrees of freedom that intervals are stated with: half strokes are what scatters
    /// independently.
    pub(super) fn freedom(&self) -> f64 {
        (self.clusters as f64 - 4.0).max(6.0)
    }
}

fn in_lost(row: &Row, steps: &[Step], lost: &[[f64; 2]]) -> bool {
    let n = steps[row.step].fold.force.len() as f64;
    let which = usize::from(row.sign < 0.0);
    (row.phase as f64) / n < lost[row.step][which]
}

/// Largest force about the middle, N.
fn largest(rows: &[Row]) -> f64 {
    let (low, high) = rows
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), r| {
            (a.min(r.force), b.max(r.force))
        });
    (0.5 * (high - low)).max(f64::MIN_POSITIVE)
}

/// Weights from the scatter of the fit before: each step's own, less where neighbouring
/// samples err together, none for what lies far off.
fn weigh(rows: &mut [Row], before: Option<(&Solution, &Vec<Row>)>, scale: f64, steps: &[Step]) {
    let Some((solution, old)) = before else {
        let even = (0.01 * scale).powi(-2);
        rows.iter_mut().for_each(|r| r.weight = even);
        return;
    };
    let mut weights = vec![(0.0, 0.0); steps.len()];
    let mut from = 0;
    while from < old.len() {
        let step = old[from].step;
        let mut to = from;
        while to < old.len() && old[to].step == step {
            to += 1;
        }
        let residuals = &solution.residuals[from..to];
        let n = residuals.len() as f64;
        let mut sorted: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
        sorted.sort_by(f64::total_cmp);
        let robust = 1.4826 * sorted[sorted.len() / 2];
        let sd = robust.max(FLOOR * scale);
        let inside: Vec<f64> = residuals
            .iter()
            .map(|r| r.clamp(-2.0 * BEYOND * sd, 2.0 * BEYOND * sd))
            .collect();
        let squares: f64 = inside.iter().map(|r| r * r).sum();
        let variance = (squares / n).max((FLOOR * scale).powi(2));
        let together = together(&inside, squares, &old[from..to]);
        weights[step] = (sd, 1.0 / (variance * together));
        from = to;
    }
    // Residuals of the same samples, where they are still rows.
    let mut k = 0;
    for row in rows.iter_mut() {
        while k < old.len() && (old[k].step, old[k].phase) < (row.step, row.phase) {
            k += 1;
        }
        let (sd, weight) = weights[row.step];
        let off = match old.get(k) {
            Some(o) if (o.step, o.phase) == (row.step, row.phase) => solution.residuals[k],
            _ => 0.0,
        };
        // Cauchy's weights: far samples lose their say, but none for good.
        let u = off / (BEYOND * sd.max(f64::MIN_POSITIVE));
        row.weight = weight / (1.0 + u * u);
    }
}

/// How many neighbouring samples err together: one plus twice the sum of the
/// autocorrelations within half strokes, with falling weights (Newey & West 1987).
fn together(residuals: &[f64], squares: f64, rows: &[Row]) -> f64 {
    const REACH: usize = 24;
    if squares <= 0.0 {
        return 1.0;
    }
    let mut sum = 1.0;
    for lag in 1..REACH.min(residuals.len()) {
        let product: f64 = (lag..residuals.len())
            .filter(|i| rows[*i].cluster == rows[*i - lag].cluster)
            .map(|i| residuals[i] * residuals[i - lag])
            .sum();
        sum += 2.0 * (1.0 - lag as f64 / REACH as f64) * product / squares;
    }
    sum.max(1.0)
}

fn priors(settings: &JointSettings, ground: &Ground<'_>, scale: f64, delay: f64) -> [Prior; TERMS] {
    let spread = |sd: f64| 1.0 / (sd * sd);
    let mut out = [Prior::default(); TERMS];
    out[Term::Rest.at()].precision = spread(10.0 * scale);
    out[Term::Friction.at()].precision = spread(10.0 * scale);
    out[Term::Spring.at()].precision = spread(3.0 * scale);
    out[Term::Stiffening.at()].precision = spread(settings.stiffening_share * scale);
    out[Term::Mass.at()] = match settings.moving_mass_kg {
        Some(mass) => Prior {
            mean: mass,
            precision: spread(0.02 * mass.abs() + 0.01),
        },
        None => Prior {
            mean: 0.0,
            precision: spread(settings.mass_spread_kg),
        },
    };
    out[Term::Drift.at()].precision = if ground.clock.1 > 0.0 && ground.steps.len() > 1 {
        spread(settings.drift_share * scale)
    } else {
        spread(1e-6 * scale)
    };
    let (stated, allowed) = match settings.delay_s {
        Some(stated) => (stated, 2e-5),
        None => (0.0, settings.delay_spread_s),
    };
    out[Term::Delay.at()] = Prior {
        mean: (stated - delay) / PER_MS,
        precision: spread(allowed / PER_MS),
    };
    out[Term::Smearing.at()].precision = spread(3.0);
    out[Term::Compliance.at()].precision = spread(settings.compliance_spread_m_n / PER_COMPLIANCE);
    out
}
