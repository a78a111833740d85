//! Curves and fits at a temperature the person asked for.

use crate::curves::{Curve, curve};
use crate::heat::{Heat, Referred, referred_steps};
use crate::run::Reference;
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, PerDirection, Step};

use super::Settings;

/// Half-width of a 95 % interval over its standard deviation, normal.
const HALF_95: f64 = 1.959_963_984_540_054;

/// The curves at `temperature_c`, and what is to be said of it. The curve is `None`, and the
/// reason is given, where the temperature channel does not allow it for every step.
pub(super) fn refer(
    steps: &[Step],
    level: &StaticLevel,
    heat: &Heat,
    temperature_c: f64,
    settings: &Settings,
) -> (Reference, Option<Curve>) {
    match possible(steps, heat) {
        Err(why) => {
            let reference = Reference {
                temperature_c,
                applied: false,
                why_not: Some(why),
                ..Reference::default()
            };
            (reference, None)
        }
        Ok(referred) => {
            let moved = referred_steps(steps, level, referred);
            let mut out = curve(&moved, level, &settings.full_cycle);
            widen(&mut out, referred);
            (said(temperature_c, referred, level), Some(out))
        }
    }
}

/// The referred forces of every step in both directions, or why they could not be had.
fn possible<'a>(steps: &[Step], heat: &'a Heat) -> Result<&'a Referred, String> {
    let Some(temperature) = heat.temperature.as_ref() else {
        return Err("there is no temperature channel".into());
    };
    if let Some(problem) = temperature.problem.as_ref().filter(|_| !temperature.used) {
        return Err(format!("the temperature channel is not used: {problem}"));
    }
    let Some(referred) = temperature.referred.as_ref() else {
        return Err(
            "the run does not tell how force changes with temperature: one speed has to be seen at \
             temperatures some degrees apart"
                .into(),
        );
    };
    let complete = Direction::BOTH.into_iter().all(|d| {
        let points = referred.points.get(d);
        steps
            .iter()
            .all(|s| points.iter().any(|p| p.step == s.index))
    });
    if complete {
        Ok(referred)
    } else {
        Err("not every step has a temperature and a change per degree that reaches so far".into())
    }
}

/// Adds what the correction is unsure of to the standard errors of the curves.
fn widen(curve: &mut Curve, referred: &Referred) {
    for direction in Direction::BOTH {
        let points = referred.points.get(direction);
        let mut halves: Vec<(f64, f64)> = points
            .iter()
            .map(|p| (p.velocity_m_s, p.correction_half_n.unwrap_or(0.0) / HALF_95))
            .collect();
        halves.sort_by(|a, b| a.0.total_cmp(&b.0));
        for peak in curve.peaks.get_mut(direction) {
            let own = points.iter().find(|p| Some(p.step) == peak.step);
            let more = own.and_then(|p| p.correction_half_n).unwrap_or(0.0) / HALF_95;
            peak.se_n = peak.se_n.map(|se| se.hypot(more));
        }
        let full = match direction {
            Direction::Compression => &mut curve.compression,
            Direction::Rebound => &mut curve.rebound,
        };
        for point in full {
            let more = between(&halves, point.velocity_m_s);
            point.se_n = point.se_n.map(|se| se.hypot(more));
        }
    }
}

/// Read off between points, level beyond their ends.
fn between(points: &[(f64, f64)], at: f64) -> f64 {
    let after = points.partition_point(|p| p.0 < at);
    match (
        after.checked_sub(1).and_then(|i| points.get(i)),
        points.get(after),
    ) {
        (Some(a), Some(b)) if b.0 > a.0 => a.1 + (at - a.0) / (b.0 - a.0) * (b.1 - a.1),
        (Some(one), _) | (None, Some(one)) => one.1,
        (None, None) => 0.0,
    }
}

/// How far the correction went.
fn said(temperature_c: f64, referred: &Referred, level: &StaticLevel) -> Reference {
    let all = || {
        Direction::BOTH
            .into_iter()
            .flat_map(|d| referred.points.get(d))
    };
    let low = all().map(|p| p.temperature_c).fold(f64::INFINITY, f64::min);
    let high = all()
        .map(|p| p.temperature_c)
        .fold(f64::NEG_INFINITY, f64::max);
    let largest = |direction: Direction| {
        let still = level.gas_force_n + direction.sign() * level.friction_n;
        referred
            .points
            .get(direction)
            .iter()
            .map(|p| p.factor(still) - 1.0)
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
    };
    Reference {
        temperature_c,
        applied: true,
        why_not: None,
        measured_c: Some([low, high]),
        largest_correction: PerDirection {
            compression: largest(Direction::Compression),
            rebound: largest(Direction::Rebound),
        },
        largest_gas_shift_n: all()
            .map(|p| p.gas_shift_n)
            .max_by(|a, b| a.abs().total_cmp(&b.abs())),
    }
}

/// What the notes say about it.
pub(super) fn note(reference: &Reference) -> String {
    let asked = reference.temperature_c;
    let [low, high] = match (&reference.why_not, reference.measured_c) {
        (Some(why), _) => {
            return format!(
                "curves and fits could not be referred to {asked:.1} °C: {why}; they are as measured"
            );
        }
        (None, Some(ends)) => ends,
        (None, None) => [asked, asked],
    };
    let percent =
        |c: Option<f64>| c.map_or_else(|| "–".to_owned(), |c| format!("{:+.1} %", 100.0 * c));
    let beyond = (low - asked).max(asked - high);
    let gas = match reference.largest_gas_shift_n.filter(|g| *g != 0.0) {
        Some(shift) => format!("gas force by up to {shift:+.1} N, friction not at all"),
        None => "gas force and friction not at all".to_owned(),
    };
    let mut text = format!(
        "curves and fits are referred to {asked:.1} °C; the steps were measured at {low:.1} to {high:.1} °C. \
         Damping force was changed by up to {} in compression and {} in rebound, {gas}; steps, loops, heat and \
         findings are as measured",
        percent(reference.largest_correction.compression),
        percent(reference.largest_correction.rebound),
    );
    if beyond > FAR_C {
        text.push_str(&format!(
            "; {beyond:.0} °C beyond what was measured, a straight line in temperature is a guess: oil thins \
             faster when cold"
        ));
    }
    text
}

/// A reference this far outside the measured temperatures is remarked on, °C (by feel: oil's
/// viscosity leaves a straight line by a few percent over it).
const FAR_C: f64 = 15.0;
