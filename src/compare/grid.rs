//! The speeds a comparison is made at.

use super::force_curve::ForceCurve;
use super::settings::CompareSettings;
use super::wear::HALF_95;
use crate::curves::{Curve, FullCycleSettings, curve};
use crate::heat::referred_steps;
use crate::run::Run;
use crate::steps::{Direction, PerDirection};

/// Strokes per minute at which the trade's standards test a 100 mm stroke: peak speed is
/// `π·0.1·n/60` (QC/T 545-1999, QC/T 491-2018: 0.13, 0.26, 0.52, 1.04 m/s, and 10 and 75
/// a minute between them).
const STROKES_PER_MINUTE: [f64; 6] = [10.0, 25.0, 50.0, 75.0, 100.0, 200.0];
/// A speed many makers quote, m/s.
const QUOTED_M_S: f64 = 0.3;
/// More speeds than this help nobody; near ones are then joined.
const MOST_SPEEDS: usize = 60;

/// The standards' speeds, m/s, rising.
pub fn standard_speeds() -> Vec<f64> {
    let mut all: Vec<f64> = STROKES_PER_MINUTE
        .iter()
        .map(|n| std::f64::consts::PI * 0.1 * n / 60.0)
        .chain([QUOTED_M_S])
        .collect();
    all.sort_by(f64::total_cmp);
    all
}

/// Both directions of one run.
pub type Curves = PerDirection<ForceCurve>;

/// Force against speed of both directions, as the run states them: as measured, or at the
/// temperature it was asked to be referred to.
pub fn curves_of(run: &Run, settings: &CompareSettings) -> Curves {
    run.reference_c()
        .and_then(|_| curves_at_reference(run, settings))
        .map_or_else(|| both(&run.curve, run, settings, &|_, _| 0.0), |r| r.1)
}

/// The same at the heat stage's reference temperature, and that temperature, °C; `None`
/// without a temperature channel or if it does not tell how force changes with it.
pub fn curves_at_reference(run: &Run, settings: &CompareSettings) -> Option<(f64, Curves)> {
    let temperature = run.heat.as_ref()?.temperature.as_ref()?;
    let referred = temperature.referred.as_ref()?;
    let level = run.statics.as_ref()?.level();
    let steps = referred_steps(&run.steps, &level, referred);
    let moved = curve(&steps, &level, &FullCycleSettings::default());
    let correction = |direction: Direction, step: usize| {
        referred
            .points
            .get(direction)
            .iter()
            .find(|p| p.step == step)
            .and_then(|p| p.correction_half_n)
            .map_or(0.0, |half| half / HALF_95)
    };
    Some((
        referred.reference_c,
        both(&moved, run, settings, &correction),
    ))
}

fn both(
    curve: &Curve,
    run: &Run,
    settings: &CompareSettings,
    correction_sd: &dyn Fn(Direction, usize) -> f64,
) -> Curves {
    let of = |direction| {
        ForceCurve::of(curve, run.steps.is_empty(), direction, settings, &|step| {
            correction_sd(direction, step)
        })
    };
    PerDirection {
        compression: of(Direction::Compression),
        rebound: of(Direction::Rebound),
    }
}

/// Every speed that any of the runs measured, and the standards', where `wanted` says so;
/// speeds that are the same to [`CompareSettings::same_speed`] are one, the lowest of them,
/// so that none lies beyond what was measured. Does not depend on the order of `curves`.
pub fn grid(
    curves: &[&Curves],
    settings: &CompareSettings,
    wanted: impl Fn(f64) -> bool,
) -> Vec<f64> {
    let mut all: Vec<f64> = curves
        .iter()
        .flat_map(|c| Direction::BOTH.map(|d| c.get(d)))
        .flat_map(|c| c.speeds().collect::<Vec<f64>>())
        .chain(standard_speeds())
        .filter(|v| wanted(*v))
        .collect();
    all.sort_by(f64::total_cmp);
    let mut same = settings.same_speed.max(f64::EPSILON);
    loop {
        let mut out: Vec<f64> = Vec::new();
        for speed in &all {
            if out.last().is_none_or(|first| *speed > first * (1.0 + same)) {
                out.push(*speed);
            }
        }
        if out.len() <= MOST_SPEEDS {
            return out;
        }
        same *= 1.5;
    }
}
