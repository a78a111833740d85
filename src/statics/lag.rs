//! Lag of the force channel, told apart from the gas spring and from compliance.
//!
//! At equal speed within a stroke, force while speeding up differs from force while slowing
//! down (eq. 1):
//!
//! `ΔF = k Δx − τ F′ Δa − (1/K) F′² Δa`
//!
//! with `k` the gas spring, `τ` a delay of the force channel, `K` a stiffness in series
//! with the oil (the oil's own compliance, the structure's), `F′` the slope of the curve
//! there. Travel and acceleration differences grow differently with frequency, `F′` and
//! `F′²` differently below and above a knee, so over a ladder of speeds the three can be
//! told apart; on one speed of a damper without a knee they cannot, and that is said.
//! First-order expansion of a delayed and of a series-spring (Maxwell) element; derived in
//! docs/methods/statics.md.

use std::borrow::Cow;

use super::rest::sound_alone;
use crate::signal::{Regression, robust_clustered, sample_circular};
use crate::statistics::{f_upper_tail, t_quantile};
use crate::steps::branches::{Passage, at_passage, passages};
use crate::steps::{Direction, Motion, PerDirection, Step};

/// What the loops say about `k`, `τ` and `1/K`.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct LoopCauses {
    /// Gas stiffness and its standard error, N/m.
    pub stiffness: Option<(f64, f64)>,
    /// Delay and its standard error, s.
    pub lag: Option<(f64, f64)>,
    /// Series compliance and its standard error, m/N.
    pub compliance: Option<(f64, f64)>,
    /// Factor of a 95 % interval (Student's t for the independent strokes at hand).
    pub t95: f64,
    /// What could and could not be told apart.
    pub said: Vec<String>,
}

/// Shares of the peak speed at which the branches are compared.
const SHARES: [f64; 22] = [
    0.06, 0.09, 0.12, 0.16, 0.2, 0.24, 0.28, 0.32, 0.36, 0.4, 0.44, 0.48, 0.52, 0.56, 0.6, 0.65,
    0.7, 0.75, 0.8, 0.85, 0.9, 0.94,
];
/// A cause is added only if the loops speak for it at this level.
const ADD_LEVEL: f64 = 0.01;
/// Force that cannot be relied on, as a share of the step's largest: keeps a very quiet
/// channel from giving all weight to one step.
const FLOOR_SHARE: f64 = 0.004;
/// A delay below this is not worth taking out, s.
const LEAST_LAG: f64 = 5e-5;
/// Rounds of shifting and fitting again.
const ROUNDS: usize = 8;

/// Rows of eq. 1 over all steps.
#[derive(Debug, Default)]
struct Rows {
    dx: Vec<f64>,
    slope_da: Vec<f64>,
    slope2_da: Vec<f64>,
    df: Vec<f64>,
    weight: Vec<f64>,
    cluster: Vec<usize>,
}

/// Fits eq. 1. `known_stiffness` is the gas spring from a slow step with its standard
/// error; `stated_lag` is a delay the person gave, which is then taken as known.
pub fn loop_causes(
    steps: &[Step],
    known_stiffness: Option<(f64, f64)>,
    stated_lag: Option<f64>,
) -> LoopCauses {
    let mut out = LoopCauses {
        t95: 1.96,
        ..LoopCauses::default()
    };
    let mut shift = stated_lag.unwrap_or(0.0);
    let loops = read(steps);
    let mut rows = gather(&loops, shift);
    if rows.df.len() < 8 {
        out.said
            .push("too few strokes with both branches to tell lag from gas stiffness".into());
        return out;
    }
    let Some(mut chosen) = choose(&rows, known_stiffness, stated_lag.is_some()) else {
        out.said
            .push("the loops do not separate gas stiffness from lag".into());
        return out;
    };
    if let (None, Some(_)) = (stated_lag, chosen.lag_column) {
        let longest = steps
            .iter()
            .map(Step::period_s)
            .fold(f64::INFINITY, f64::min)
            * 0.1;
        for _ in 0..ROUNDS {
            let Some(column) = chosen.lag_column else {
                break;
            };
            let more = chosen.fit.coefficients[column];
            shift = (shift + more).clamp(-longest, longest);
            rows = gather(&loops, shift);
            let Some(next) = refit(&rows, known_stiffness, &chosen) else {
                break;
            };
            chosen = next;
            if more.abs() < 1e-7 {
                break;
            }
        }
    }
    let strokes = rows.cluster.iter().copied().max().map_or(1, |m| m + 1);
    let freedom = strokes.saturating_sub(chosen.fit.coefficients.len()).max(1) as f64;
    out.t95 = t_quantile(0.975, freedom).unwrap_or(12.7);
    let read =
        |column: Option<usize>| column.map(|c| (chosen.fit.coefficients[c], chosen.fit.se(c)));
    out.stiffness = read(Some(0));
    out.compliance = read(chosen.compliance_column).filter(|(c, _)| *c > 0.0);
    out.lag = match stated_lag {
        Some(lag) => Some((lag, 0.0)),
        None => read(chosen.lag_column)
            .map(|(rest, se)| (shift + rest, se))
            .filter(|(lag, _)| lag.abs() > LEAST_LAG),
    };
    explain(&mut out, &chosen, stated_lag);
    out
}

fn explain(out: &mut LoopCauses, chosen: &Chosen, stated: Option<f64>) {
    let said = match (stated, out.lag, out.compliance) {
        (Some(_), ..) => "force delay as stated; gas stiffness from the loops with it taken out",
        (None, Some(_), Some(_)) => {
            "force delay, series compliance and gas stiffness told apart over the speeds"
        }
        (None, Some(_), None) if chosen.rivals => {
            "force delay and series compliance explain the loops about equally well; taken as delay"
        }
        (None, Some(_), None) => "force delay and gas stiffness told apart over the speeds",
        (None, None, Some(_)) => {
            "series compliance (oil, structure) and gas stiffness told apart over the speeds"
        }
        (None, None, None) => {
            "loop width is explained by gas stiffness; no delay of the force channel is seen"
        }
    };
    out.said.push(said.to_owned());
}

/// A step, and what its strokes say whatever the delay.
struct Loop<'a> {
    step: &'a Step,
    weight: f64,
    strokes: PerDirection<Vec<Place>>,
}

/// One speed of a stroke: where its branches pass it, and travel and acceleration there.
struct Place {
    passage: Passage,
    travel: (f64, f64),
    acceleration: (f64, f64),
}

fn read(steps: &[Step]) -> Vec<Loop<'_>> {
    let moving = steps.iter().filter(|s| s.motion != Motion::Triangle);
    moving.map(Loop::of).collect()
}

impl<'a> Loop<'a> {
    fn of(step: &'a Step) -> Self {
        let fold = &step.fold;
        let noise = step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt();
        let largest = step
            .peak_force_n
            .compression
            .abs()
            .max(step.peak_force_n.rebound.abs());
        let weight = 1.0 / (noise.powi(2) + (FLOOR_SHARE * largest).powi(2)).max(f64::MIN_POSITIVE);
        let places = |direction| {
            let peak = fold.peaks.get(direction);
            let speeds = SHARES.map(|s| s * peak.speed);
            let found = passages(
                &fold.velocity,
                fold.turn_phase,
                peak.phase,
                direction,
                &speeds,
            );
            let sound = sound_alone(step, direction);
            found
                .into_iter()
                .flatten()
                .filter(|p| p.up >= sound)
                .map(|passage| Place {
                    passage,
                    travel: at_passage(&fold.travel, &passage),
                    acceleration: at_passage(&fold.acceleration, &passage),
                })
                .collect()
        };
        Self {
            step,
            weight,
            strokes: PerDirection {
                compression: places(Direction::Compression),
                rebound: places(Direction::Rebound),
            },
        }
    }
}

fn gather(loops: &[Loop<'_>], shift: f64) -> Rows {
    let mut rows = Rows::default();
    let mut cluster = 0;
    for Loop {
        step,
        weight,
        strokes,
    } in loops
    {
        let late = shift * step.frequency_hz;
        let force = delayed(&step.fold.force, late);
        for direction in Direction::BOTH {
            let points: Vec<_> = strokes
                .get(direction)
                .iter()
                .map(|p| {
                    let f = at_passage(&force, &p.passage);
                    (p.passage.speed, f, p.travel, p.acceleration)
                })
                .collect();
            let mut any = false;
            for i in 0..points.len() {
                let Some(slope) = local_slope(&points, i, direction) else {
                    continue;
                };
                let (_, f, x, a) = points[i];
                let da = a.0 - a.1;
                rows.df.push(f.0 - f.1);
                rows.dx.push(x.0 - x.1);
                rows.slope_da.push(-slope * da);
                rows.slope2_da.push(-slope * slope * da);
                rows.weight.push(*weight);
                rows.cluster.push(cluster);
                any = true;
            }
            cluster += usize::from(any);
        }
    }
    rows
}

/// A loop's force as it was `late` of a period earlier.
fn delayed(force: &[f64], late: f64) -> Cow<'_, [f64]> {
    if late == 0.0 {
        return Cow::Borrowed(force);
    }
    let n = force.len();
    let at = |i| sample_circular(force, i as f64 / n as f64 + late);
    (0..n).map(at).collect()
}

type BranchPoint = (f64, (f64, f64), (f64, f64), (f64, f64));

/// Slope dF/dv of the branch mean at point `i`, N·s/m, by least squares over five points.
fn local_slope(points: &[BranchPoint], i: usize, direction: Direction) -> Option<f64> {
    let from = i.saturating_sub(2);
    let near = points.get(from..(i + 3).min(points.len()))?;
    if near.len() < 3 {
        return None;
    }
    let n = near.len() as f64;
    let mean_v = near.iter().map(|p| p.0).sum::<f64>() / n;
    let load = |p: &BranchPoint| direction.sign() * f64::midpoint(p.1.0, p.1.1);
    let mean_f = near.iter().map(load).sum::<f64>() / n;
    let top: f64 = near
        .iter()
        .map(|p| (p.0 - mean_v) * (load(p) - mean_f))
        .sum();
    let bottom: f64 = near.iter().map(|p| (p.0 - mean_v).powi(2)).sum();
    (bottom > 0.0).then(|| top / bottom)
}

/// A set of causes and its fit.
#[derive(Debug)]
struct Chosen {
    fit: Regression,
    lag_column: Option<usize>,
    compliance_column: Option<usize>,
    /// The other of delay and compliance would have done about as well.
    rivals: bool,
}

fn fit_with(rows: &Rows, known: Option<(f64, f64)>, lag: bool, compliance: bool) -> Option<Chosen> {
    let mut columns = vec![rows.dx.clone()];
    let lag_column = lag.then_some(columns.len());
    columns.extend(lag.then(|| rows.slope_da.clone()));
    let compliance_column = compliance.then_some(columns.len());
    columns.extend(compliance.then(|| rows.slope2_da.clone()));
    let (mut y, mut weight, mut cluster) =
        (rows.df.clone(), rows.weight.clone(), rows.cluster.clone());
    if let Some((k, se)) = known {
        // The slow step's stiffness is one more observation of the first coefficient. The
        // gas may be stiffer at speed (adiabatic against isothermal), hence the wide floor.
        for (j, column) in columns.iter_mut().enumerate() {
            column.push(f64::from(u8::from(j == 0)));
        }
        y.push(k);
        weight.push(1.0 / (se.powi(2) + (0.25 * k).powi(2)).max(f64::MIN_POSITIVE));
        cluster.push(cluster.iter().copied().max().map_or(0, |m| m + 1));
    }
    let fit = robust_clustered(&columns, &y, &weight, &cluster)?;
    Some(Chosen {
        fit,
        lag_column,
        compliance_column,
        rivals: false,
    })
}

fn refit(rows: &Rows, known: Option<(f64, f64)>, like: &Chosen) -> Option<Chosen> {
    let next = fit_with(
        rows,
        known,
        like.lag_column.is_some(),
        like.compliance_column.is_some(),
    )?;
    Some(Chosen {
        rivals: like.rivals,
        ..next
    })
}

/// Adds causes one at a time while the loops speak for them.
fn choose(rows: &Rows, known: Option<(f64, f64)>, lag_known: bool) -> Option<Chosen> {
    let strokes = rows.cluster.iter().copied().max().map_or(1, |m| m + 1);
    // Loss of each model on one scale: the plainest model's robust weights would favour it.
    let loss = |c: &Chosen| {
        let sizes: Vec<f64> = c
            .fit
            .residuals
            .iter()
            .take(rows.df.len())
            .zip(&rows.weight)
            .map(|(r, w)| w * r * r)
            .collect();
        trimmed(sizes)
    };
    let better = |more: &Chosen, less: &Chosen| {
        let freedom = strokes.saturating_sub(more.fit.coefficients.len()).max(1) as f64;
        let gain = (loss(less) - loss(more)) / (loss(more) / freedom).max(f64::MIN_POSITIVE);
        gain > 0.0 && f_upper_tail(gain, 1.0, freedom).is_some_and(|p| p < ADD_LEVEL)
    };
    let plain = fit_with(rows, known, false, false)?;
    let delay = if lag_known {
        None
    } else {
        fit_with(rows, known, true, false)
    };
    let soft = fit_with(rows, known, false, true).filter(|c| c.fit.coefficients[1] > 0.0);
    let both = if lag_known {
        None
    } else {
        fit_with(rows, known, true, true)
    };
    let first = match (delay, soft) {
        (Some(d), Some(s)) => {
            let rivals = (loss(&d) / loss(&s).max(f64::MIN_POSITIVE)).ln().abs() < 0.1;
            let pick = if loss(&d) <= loss(&s) || rivals { d } else { s };
            Some(Chosen { rivals, ..pick })
        }
        (d, s) => d.or(s),
    };
    let Some(first) = first.filter(|f| better(f, &plain)) else {
        return Some(plain);
    };
    let sensible = |c: &Chosen| {
        c.compliance_column
            .is_none_or(|k| c.fit.coefficients[k] > 0.0)
    };
    match both {
        Some(both) if sensible(&both) && better(&both, &first) => Some(both),
        _ => Some(first),
    }
}

/// Sum of the smaller nine tenths: a cavitating step must not decide about the lag.
fn trimmed(mut sizes: Vec<f64>) -> f64 {
    sizes.sort_by(f64::total_cmp);
    let keep = (sizes.len() * 9).div_ceil(10);
    sizes.iter().take(keep).sum()
}
