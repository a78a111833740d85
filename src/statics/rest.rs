//! Forces at rest: gas force, gas stiffness and friction, from the slowest motion at hand.
//!
//! Eq. 2, fitted by least squares to the slow part of a step, cycle by cycle:
//!
//! `F = F₀ + k x + s (F_f + c_s |v| + d_s v²)`,  s = ±1 the direction
//!
//! The |v| terms carry what even a slow stroke pushes through the bleed, so that F₀ and F_f
//! are those of v → 0. The v² terms are kept only where they pay.

use crate::signal::{least_squares, sample_circular};
use crate::statistics::t_quantile;
use crate::steps::lost_motion::{StaticLevel, recovery};
use crate::steps::{Direction, Step};

/// What steers the estimate.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct RestSettings {
    /// A step whose peak speed is below this is a slow step, m/s.
    pub slow_m_s: f64,
    /// Without a slow step, speeds up to this are used, m/s: below most knees.
    pub low_m_s: f64,
    /// Samples slower than this share of the peak are left out: friction is turning round.
    pub turning_share: f64,
}

impl Default for RestSettings {
    fn default() -> Self {
        Self {
            slow_m_s: 0.015,
            low_m_s: 0.06,
            turning_share: 0.25,
        }
    }
}

/// An estimate with its 95 % half width.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Estimate {
    /// Value.
    pub value: f64,
    /// Half width of the 95 % interval.
    pub half_width: f64,
}

/// Gas force, stiffness and friction of one step.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Rest {
    /// Force at mid-stroke and v → 0, N.
    pub gas_force: Estimate,
    /// Stiffness, N/m.
    pub stiffness: Estimate,
    /// Friction, N.
    pub friction: Estimate,
    /// Whether the v² terms were kept.
    pub curved: bool,
}

/// The v² terms must take away this share of the squares to be kept: they cost precision.
const CURVED_PAYS: f64 = 0.3;
/// Part of the difference between the two extrapolations carried into the interval.
const EXTRAPOLATION_SHARE: f64 = 0.5;

/// Fits eq. 2 to one step, speeds up to `limit` m/s, force delayed by `lag` s. `stiffness`,
/// if given, is held fixed. `None` if too little of the loop is slow enough.
pub fn rest(
    step: &Step,
    settings: &RestSettings,
    limit: f64,
    lag: f64,
    stiffness: Option<f64>,
) -> Option<Rest> {
    let fold = &step.fold;
    let n = fold.force.len();
    let top = limit.min(step.top_speed());
    let lost = Direction::BOTH.map(|d| (turn_of(step, d), sound_alone(step, d)));
    let rows: Vec<usize> = (0..n)
        .filter(|&i| {
            let v = fold.velocity[i].abs();
            let phase = i as f64 / n as f64;
            v <= limit
                && v >= settings.turning_share * top
                && !lost.iter().any(|(from, to)| phase >= *from && phase < *to)
        })
        .collect();
    if rows.len() < 24 {
        return None;
    }
    let late = lag * step.frequency_hz;
    let held = stiffness.unwrap_or(0.0);
    let read = |force: &[f64]| -> Vec<f64> {
        rows.iter()
            .map(|&i| sample_circular(force, i as f64 / n as f64 + late) - held * fold.travel[i])
            .collect()
    };
    let columns = |curved: bool| -> Vec<Vec<f64>> {
        let column = |f: &dyn Fn(f64, f64) -> f64| -> Vec<f64> {
            rows.iter()
                .map(|&i| f(fold.travel[i], fold.velocity[i]))
                .collect()
        };
        let mut all = vec![column(&|_, _| 1.0), column(&|_, v| v.signum())];
        if stiffness.is_none() {
            all.push(column(&|x, _| x));
        }
        all.push(column(&|_, v| v.max(0.0)));
        all.push(column(&|_, v| v.min(0.0)));
        if curved {
            all.push(column(&|_, v| v.max(0.0).powi(2)));
            all.push(column(&|_, v| -v.min(0.0).powi(2)));
        }
        all
    };
    let weights = vec![1.0; rows.len()];
    let fit = |force: &[f64], curved: bool| least_squares(&columns(curved), &read(force), &weights);
    let straight = fit(&fold.force, false)?;
    let bent = fit(&fold.force, true);
    let curved = bent
        .as_ref()
        .is_some_and(|b| b.rss < (1.0 - CURVED_PAYS) * straight.rss);
    let (main, other) = match (&bent, curved) {
        (Some(b), true) => (b, &straight),
        (Some(b), false) => (&straight, b),
        (None, _) => (&straight, &straight),
    };
    // Cycles are the independent units; with fewer than three, the residuals must do.
    let per_cycle: Vec<Vec<f64>> = step
        .kept
        .iter()
        .filter_map(|c| fit(&c.force, curved))
        .map(|r| r.coefficients)
        .collect();
    let half_width = |k: usize| {
        let count = per_cycle.len() as f64;
        let spread = if per_cycle.len() >= 3 {
            let mean = per_cycle.iter().map(|c| c[k]).sum::<f64>() / count;
            let squares: f64 = per_cycle.iter().map(|c| (c[k] - mean).powi(2)).sum();
            t_quantile(0.975, count - 1.0).unwrap_or(12.7)
                * (squares / (count - 1.0) / count).sqrt()
        } else {
            let inflate = (rows.len() as f64 / step.samples_per_cycle.max(1.0))
                .max(1.0)
                .sqrt();
            2.0 * main.se(k) * inflate
        };
        // Spread over cycles knows nothing of a misfit they all share; the residuals know
        // both, so the larger of the two counts, not their sum.
        let misfit = 2.0 * main.se(k);
        let extrapolation =
            EXTRAPOLATION_SHARE * (main.coefficients[k] - other.coefficients[k]).abs();
        spread.max(misfit).hypot(extrapolation)
    };
    let estimate = |k: usize| Estimate {
        value: main.coefficients[k],
        half_width: half_width(k),
    };
    Some(Rest {
        gas_force: estimate(0),
        friction: estimate(1),
        stiffness: stiffness.map_or_else(
            || estimate(2),
            |value| Estimate {
                value,
                half_width: 0.0,
            },
        ),
        curved,
    })
}

/// Lost travel beyond this share of the stroke is kept out of what is read at rest.
const LOST_SHARE: f64 = 0.01;
/// And this much more, in times its own length: force is still coming back.
const LOST_MARGIN: f64 = 0.6;

/// Phase of the reversal that begins a stroke.
fn turn_of(step: &Step, direction: Direction) -> f64 {
    match direction {
        Direction::Compression => 0.0,
        Direction::Rebound => step.fold.turn_phase,
    }
}

/// Phase from which the stroke of `direction` carries force again after its reversal: play,
/// a void or air must not be read as gas stiffness or as lag. `expected` is what the curve of
/// other steps says, 0 where there is none yet, as for [`recovery`].
pub fn sound_from(
    step: &Step,
    direction: Direction,
    level: &StaticLevel,
    expected: &dyn Fn(f64) -> f64,
) -> f64 {
    let begin = turn_of(step, direction);
    let noise = step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt();
    let after = recovery(
        &step.fold,
        &step.fold.force,
        step.period_s(),
        direction,
        level,
        noise,
        expected,
    );
    if after.lost_m < LOST_SHARE * step.stroke_m {
        return f64::NEG_INFINITY;
    }
    after.phase + LOST_MARGIN * (after.phase - begin)
}

/// [`sound_from`] by the stroke alone, before statics and curve are known.
pub fn sound_alone(step: &Step, direction: Direction) -> f64 {
    sound_from(step, direction, &StaticLevel::default(), &|_| 0.0)
}
