//! Heat per cycle with its interval, shares, growth with speed, and whether force times
//! travel agrees with force times velocity.

use serde::{Deserialize, Serialize};

use super::{Interval, Measured};
use crate::signal::{dot_circular, least_squares, savitzky_golay};
use crate::statistics::t_quantile;
use crate::steps::{Fold, Spread, Step};

/// Heat of one step.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct StepHeat {
    /// Step index.
    pub step: usize,
    /// Heat per cycle, J.
    pub energy_per_cycle_j: f64,
    /// 95 % interval of the mean over cycles, J (repeatability; `null` for one cycle).
    pub energy_ci95_j: Option<Interval>,
    /// Heat of the compression stroke, J per cycle.
    pub compression_j: f64,
    /// Its 95 % interval.
    pub compression_ci95_j: Option<Interval>,
    /// Heat of the rebound stroke, J per cycle.
    pub rebound_j: f64,
    /// Its 95 % interval.
    pub rebound_ci95_j: Option<Interval>,
    /// Mean power, W.
    pub power_w: f64,
    /// Its 95 % interval.
    pub power_ci95_w: Option<Interval>,
    /// Largest instantaneous power of the mean loop, W.
    pub peak_power_w: f64,
    /// Whole cycles in the step times heat per cycle, J.
    pub total_j: f64,
    /// Share of the compression stroke, 0..1.
    pub compression_share: Option<f64>,
    /// Share of friction, 0..1; `null` where friction is not known well enough.
    pub friction_share: Option<f64>,
    /// Its 95 % interval.
    pub friction_share_ci95: Option<Interval>,
    /// Heat per cycle less friction, J.
    pub hydraulic_j: Option<f64>,
    /// How fast the channel warms during the step, °C/s.
    pub warming_c_per_s: Option<Measured>,
    /// Where temperature would settle if this step went on, °C, from the channel.
    pub settled_c: Option<Measured>,
}

/// How heat per cycle grows with speed: `E/stroke ∝ speed^exponent`. At one stroke this is
/// the exponent of force with speed (1 viscous, 2 an orifice, 0 friction).
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Growth {
    /// Exponent of the whole heat.
    pub total: Measured,
    /// Exponent of heat less friction.
    pub hydraulic: Option<Measured>,
    /// Steps used.
    pub steps: usize,
}

/// `∮ F dx` held against `∮ F v dt` with the file's own velocity, one step.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Closure {
    /// Step index.
    pub step: usize,
    /// From force and travel, J per cycle.
    pub from_travel_j: f64,
    /// From force and the file's velocity, J per cycle.
    pub from_velocity_j: f64,
    /// Difference over the first, signed.
    pub gap_share: f64,
    /// 95 % interval of that share; `null` for one cycle.
    pub gap_ci95: Option<Interval>,
    /// True if the interval leaves zero out: the gap is more than noise.
    pub beyond_noise: bool,
}

/// Friction as known: (N, half of its 95 % interval in N).
pub(super) type Friction = Option<(f64, f64)>;

/// Heat of every step.
pub(super) fn per_step(steps: &[Step], friction: Friction) -> Vec<StepHeat> {
    steps.iter().map(|step| one(step, friction)).collect()
}

fn one(step: &Step, friction: Friction) -> StepHeat {
    let energy = step.energy_per_cycle_j;
    let share = |part: f64| (energy.mean > 0.0).then(|| part / energy.mean);
    let interval = |mean: f64, sd: Option<f64>| {
        mean_interval(&Spread {
            mean,
            sd,
            n: energy.n,
        })
    };
    let whole = interval(energy.mean, energy.sd);
    // Coulomb: E = 4·F·X with X half the stroke.
    let unsure = friction.and_then(|(_, half)| share(2.0 * half * step.stroke_m));
    let rubbed = friction.map(|(f, _)| 2.0 * f * step.stroke_m);
    let friction_share = rubbed
        .and_then(share)
        .filter(|_| unsure.is_some_and(|half| half <= FRICTION_WITHIN));
    StepHeat {
        step: step.index,
        energy_per_cycle_j: energy.mean,
        energy_ci95_j: whole,
        compression_j: energy.compression,
        compression_ci95_j: interval(energy.compression, energy.compression_sd),
        rebound_j: energy.rebound,
        rebound_ci95_j: interval(energy.rebound, energy.rebound_sd),
        power_w: step.power_w,
        power_ci95_w: whole.map(|[a, b]| [a * step.frequency_hz, b * step.frequency_hz]),
        peak_power_w: peak_power(&step.fold),
        total_j: energy.mean * step.cycles as f64,
        compression_share: share(energy.compression),
        friction_share: friction_share.map(|s| s.clamp(0.0, 1.0)),
        friction_share_ci95: friction_share
            .zip(unsure)
            .map(|(s, half)| [(s - half).max(0.0), (s + half).min(1.0)]),
        hydraulic_j: rubbed.map(|r| (energy.mean - r).max(0.0)),
        warming_c_per_s: None,
        settled_c: None,
    }
}

/// Friction's share is stated if half its interval is below this.
const FRICTION_WITHIN: f64 = 0.1;

/// `mean ± t(0.975, n − 1)·sd/√n`.
fn mean_interval(spread: &Spread) -> Option<Interval> {
    let n = spread.n as f64;
    let half = t_quantile(0.975, n - 1.0)? * spread.sd? / n.sqrt();
    Some([spread.mean - half, spread.mean + half])
}

/// Points of the phase grid over which power is smoothed, so that noise does not raise the
/// largest value: a seventieth of a cycle, flat to 1e-4 at the top of a sine squared.
const POWER_WINDOW: usize = 7;

/// Largest power of a loop, W.
fn peak_power(fold: &Fold) -> f64 {
    let power: Vec<f64> = fold
        .velocity
        .iter()
        .zip(&fold.force)
        .map(|(v, f)| v * f)
        .collect();
    let weights = savitzky_golay(POWER_WINDOW, 2, 0).unwrap_or_default();
    let half = (POWER_WINDOW / 2) as isize;
    (0..power.len())
        .map(|i| dot_circular(&power, i as isize - half, &weights))
        .fold(0.0, f64::max)
}

/// Speeds must span this factor before an exponent is given: below it, a percent of error in
/// heat is more than a tenth in the exponent.
const LEAST_SPAN: f64 = 1.5;
/// Error of a step's heat that no repeat shows (calibration, temperature), as a share: keeps
/// one step that happened to repeat well from ruling the fit.
const FLOOR: f64 = 0.005;
/// Heat left after friction must stand above friction's own uncertainty by this factor.
const CLEAR: f64 = 3.0;

/// The growth of heat with speed over the steps, by weighted least squares of logarithms.
pub(super) fn growth(steps: &[Step], friction: Friction) -> Option<Growth> {
    let total = exponent(steps, |step| {
        let e = step.energy_per_cycle_j;
        Some((e.mean, standard_error(step)))
    })?;
    let hydraulic = friction.and_then(|(f, half)| {
        exponent(steps, |step| {
            let left = step.energy_per_cycle_j.mean - 2.0 * f * step.stroke_m;
            let unsure = step.stroke_m * half;
            (left > CLEAR * 2.0 * unsure).then_some((left, standard_error(step).hypot(unsure)))
        })
    });
    Some(Growth {
        total: total.0,
        hydraulic: hydraulic.map(|h| h.0),
        steps: total.1,
    })
}

fn standard_error(step: &Step) -> f64 {
    let e = step.energy_per_cycle_j;
    e.sd.unwrap_or(0.0) / (e.n.max(1) as f64).sqrt()
}

fn exponent(
    steps: &[Step],
    heat: impl Fn(&Step) -> Option<(f64, f64)>,
) -> Option<(Measured, usize)> {
    let (mut x, mut y, mut w) = (Vec::new(), Vec::new(), Vec::new());
    for step in steps {
        let speed = 0.5 * (step.peak_velocity_m_s.compression + step.peak_velocity_m_s.rebound);
        let Some((e, se)) = heat(step) else { continue };
        if e > 0.0 && speed > 0.0 && step.stroke_m > 0.0 {
            x.push(speed.ln());
            y.push((e / step.stroke_m).ln());
            w.push(1.0 / ((se / e).powi(2) + FLOOR * FLOOR));
        }
    }
    let low = x.iter().copied().fold(f64::INFINITY, f64::min);
    let high = x.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if x.len() < 2 || high - low < LEAST_SPAN.ln() {
        return None;
    }
    let n = x.len();
    let fit = least_squares(&[vec![1.0; n], x], &y, &w)?;
    let slope = fit.coefficients[1];
    let ci95 = t_quantile(0.975, n as f64 - 2.0).map(|t| {
        let half = t * fit.se(1);
        [slope - half, slope + half]
    });
    Some((Measured { value: slope, ci95 }, n))
}

/// The closure of every step with a velocity channel.
pub(super) fn closure(steps: &[Step]) -> Vec<Closure> {
    steps
        .iter()
        .filter_map(|step| {
            let energy = step.energy_per_cycle_j;
            let gap = energy.time_gap?;
            let base = energy.mean;
            if base <= 0.0 {
                return None;
            }
            let gap_ci95 = mean_interval(&gap).map(|[a, b]| [a / base, b / base]);
            Some(Closure {
                step: step.index,
                from_travel_j: base,
                from_velocity_j: base + gap.mean,
                gap_share: gap.mean / base,
                gap_ci95,
                beyond_noise: gap_ci95.is_some_and(|[a, b]| a > 0.0 || b < 0.0),
            })
        })
        .collect()
}
