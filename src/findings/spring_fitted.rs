//! A spring still fitted: force at rest rises over the stroke far more than gas makes it.
//!
//! At equal travel the valves push the two strokes of a slow loop apart by the same amount at
//! the same distance on either side of mid-stroke, so the slope of their mean over travel is the
//! spring's. Gas on a rod rises by tens of newtons over a stroke; a coil by hundreds to
//! thousands, in a straight line; an air spring as much, ever steeper.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};
use crate::signal::least_squares;
use crate::steps::Step;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Rise of force at rest over the stroke that counts, share of half the largest
    /// peak-to-peak force less half that rise …
    pub rise_share: f64,
    /// … and at least this on a car's damper, N: gas on a thick rod over a long stroke gives up
    /// to a hundred (common practice).
    pub least_n: f64,
    /// Rise of stiffness from one end to the other, over its mean, from which it is an air spring.
    pub stiffens: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            rise_share: 0.2,
            least_n: 250.0,
            stiffens: 0.5,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "spring-fitted",
    line: "a coil or air spring works beside the damper: force at rest rises over the stroke",
    explanation: Explanation {
        means: "What the machine compresses is not the damper alone: the coil spring was left on, or the damper holds an air spring. Force at rest is \
the spring's, and says nothing of the gas charge.",
        seen: "Mean of both strokes at equal travel in the slowest step: how far it rises over the stroke, against the forces of the run; and whether it \
rises in a straight line (a coil) or ever steeper (air).",
        alike: "Gas rises as well, by tens of newtons on a car's damper. A bump contact rises over the last part of the stroke alone. A late force channel \
tilts quick loops, not slow ones.",
        next: "Take the spring off and run again. Springs hold energy: use the proper tool. Where the air spring is part of the damper, run it at the pressure \
it works at and read damping alone from this page.",
    },
    judge,
};

/// A spring as the slowest loop shows it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Spring {
    /// Rise over the stroke, N.
    pub rise_n: f64,
    /// Stiffness at mid-stroke, N/m.
    pub stiffness_n_m: f64,
    /// Rise of stiffness from end to end, over the mean.
    pub stiffens: f64,
    /// The step.
    pub step: usize,
}

/// The step read is slower than this share of the fastest.
const SLOW_SHARE: f64 = 0.35;
/// Points of the middle line.
const POINTS: usize = 21;
/// Ends of the stroke left out, each: what happens at a reversal is not the spring's.
const ENDS: f64 = 0.1;

/// The middle line of the slowest step with enough stroke, as a spring.
fn measure(look: &Look<'_>) -> Option<Spring> {
    let steps = look.steps_by_speed();
    let longest = steps.iter().map(|s| s.stroke_m).fold(0.0, f64::max);
    let fastest = steps.last()?.top_speed();
    let step = steps.into_iter().find(|s| s.stroke_m >= 0.15 * longest)?;
    // At speed all that bends a loop tilts its middle line.
    if step.top_speed() > SLOW_SHARE * fastest {
        return None;
    }
    let line = middle(look, step)?;
    let half = 0.5 * step.stroke_m;
    let x: Vec<f64> = line.iter().map(|p| p.0 / half).collect();
    let y: Vec<f64> = line.iter().map(|p| p.1).collect();
    let columns = vec![
        vec![1.0; x.len()],
        x.clone(),
        x.iter().map(|x| x * x).collect(),
        x.iter().map(|x| x * x * x).collect(),
    ];
    let fit = least_squares(&columns, &y, &vec![1.0; x.len()])?;
    let (slope, cubic) = (*fit.coefficients.get(1)?, *fit.coefficients.get(3)?);
    let rise = 2.0 * (slope + cubic);
    Some(Spring {
        rise_n: rise * longest / step.stroke_m,
        stiffness_n_m: rise / step.stroke_m,
        // Even terms are the valves' unlike forces as much as air's: thirds of the line tell.
        stiffens: {
            let third = line.len() / 3;
            let slope = |part: &[(f64, f64)]| match (part.first(), part.last()) {
                (Some(a), Some(b)) if b.0 > a.0 => (b.1 - a.1) / (b.0 - a.0),
                _ => f64::NAN,
            };
            let (low, high) = (
                slope(&line[..=third]),
                slope(&line[line.len() - third - 1..]),
            );
            (high - low) / (0.5 * (high + low)).abs().max(f64::MIN_POSITIVE)
        },
        step: step.index,
    })
}

/// Mean of both strokes at equal travel: (travel, N).
fn middle(look: &Look<'_>, step: &Step) -> Option<Vec<(f64, f64)>> {
    let fold = &step.fold;
    let n = fold.force.len();
    let turn = (fold.turn_phase * n as f64).round() as usize;
    if turn < 8 || turn + 8 > n {
        return None;
    }
    let (bottom, top) = (fold.travel[0], fold.travel[turn % n]);
    let late = (look.level.lag_s * step.frequency_hz * n as f64).round() as usize;
    let at = |from: usize, to: usize, x: f64| {
        (from..to).find_map(|i| {
            let (a, b) = (fold.travel[i % n], fold.travel[(i + 1) % n]);
            ((a <= x && b > x) || (a >= x && b < x)).then(|| {
                let share = (x - a) / (b - a);
                let (f, g) = (fold.force[(i + late) % n], fold.force[(i + 1 + late) % n]);
                f + share * (g - f)
            })
        })
    };
    let line: Vec<(f64, f64)> = (0..POINTS)
        .filter_map(|k| {
            let share = ENDS + (1.0 - 2.0 * ENDS) * k as f64 / (POINTS - 1) as f64;
            let x = bottom + share * (top - bottom);
            Some((x, 0.5 * (at(0, turn, x)? + at(turn, n, x)?)))
        })
        .collect();
    (line.len() >= POINTS / 2).then_some(line)
}

/// Rise that counts, N.
fn needed(look: &Look<'_>, spring: &Spring) -> f64 {
    let t = look.settings.spring_fitted;
    let damping = (look.scale.force_n - 0.5 * spring.rise_n.abs()).max(0.0);
    look.scale.newtons(t.least_n).max(t.rise_share * damping)
}

/// The spring, if one is fitted.
pub(super) fn spring(look: &Look<'_>) -> Option<Spring> {
    measure(look).filter(|s| s.rise_n >= needed(look, s))
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.spring_fitted;
    let Some(seen) = measure(look) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "No step is slow enough beside the fastest to show the force at rest over the stroke: run a slow step.",
        );
    };
    let need = needed(look, &seen);
    let mut evidence = vec![
        Evidence::at_least(
            "rise of force at rest over the stroke",
            seen.rise_n,
            "N",
            need,
        )
        .seen(seen.step, None),
        Evidence::aside("stiffness at mid-stroke", Some(seen.stiffness_n_m), "N/m"),
    ];
    if spring(look).is_none() {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "Force at rest rises no more over the stroke than gas makes it.",
        )
        .with(evidence)
        .would_show(
            "rise of force at rest over the stroke",
            need,
            "N",
            2.0 * need,
            "run a slow step.",
        );
    }
    evidence.push(Evidence::aside(
        "how much stiffer it gets from end to end, over the mean",
        Some(seen.stiffens),
        "1",
    ));
    let advice = if seen.stiffens >= t.stiffens {
        "Force rises over the stroke, ever steeper: an air spring works beside the damping. Gas pressure and charge cannot be read from it; curves here \
hold what is left once a straight line is taken out."
    } else {
        "Force rises over the stroke in a straight line and far more than gas makes it: a coil spring is still fitted. Take it off with the proper tool and \
run again; until then nothing here speaks of the gas charge."
    };
    Finding::new(RULE.name, Verdict::Developed, advice)
        .with(evidence)
        .sized("of rise over the stroke", seen.rise_n, "N")
}
