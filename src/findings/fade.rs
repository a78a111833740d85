//! Fade: force at one speed falls over the run, with temperature or with cycles alone.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::heat::{Course, Measured};
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Share of the force at one speed lost within a step or between repeats of a speed that
    /// counts. 5 %: twice what a rig repeats, and about where drivers notice (common
    /// practice).
    pub loss: f64,
    /// Loss that is plain.
    pub plain_loss: f64,
    /// Steps whose peak speed and stroke agree within this share repeat one speed.
    pub same_speed: f64,
    /// Loss of heat per 1000 cycles that does not go with temperature and counts on its own.
    pub drift_per_1000_cycles: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            loss: 0.05,
            plain_loss: 0.15,
            same_speed: 0.02,
            drift_per_1000_cycles: 0.05,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "fade",
    line: "force at one speed falls over the run, with warming or with cycles alone",
    explanation: Explanation {
        means: "The damper gives less force at the same speed later in the run than earlier. Warm oil is thinner, so some fade is normal; much of it means \
thin oil, a hard-worked damper, or air churned into the oil.",
        seen: "Force at peak speed over the cycles of long steps, force of repeats of one speed, change of force per °C, and drift that does not go with \
temperature.",
        alike: "Air in the oil softens the reversals as well and comes within few cycles. Cavitation depends on speed, not on time. A load cell that warms \
moves the force of both strokes the same way. First cycles that had not settled are left out.",
        next: "Repeat the speed once the damper has cooled. If the force comes back, it went with temperature: compare dampers at a common temperature. If it \
does not, look for air, a leak or wear.",
    },
    judge,
};

/// A loss found somewhere.
struct Loss {
    what: String,
    share: f64,
    sure: bool,
    step: usize,
    direction: Direction,
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.fade;
    let heat = look.case.heat;
    let mut losses: Vec<Loss> = within_steps(look);
    losses.extend(between_repeats(look));
    let temperature = heat.temperature.as_ref().filter(|t| t.used);
    let sensitivity = temperature.and_then(|t| t.sensitivity.as_ref());
    let clear = |v: &Measured| v.is_clear_of_zero();
    let with_warming = sensitivity.is_some_and(|s| {
        s.compression_percent_per_c.as_ref().is_some_and(clear)
            || s.rebound_percent_per_c.as_ref().is_some_and(clear)
    });
    if losses.is_empty() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Fade shows over a dozen cycles or more at one speed, or when a speed is repeated later: this run has neither. Add a long step, or repeat the \
first speed at the end.",
        );
    }
    losses.sort_by(|a, b| b.share.total_cmp(&a.share));
    let mut evidence: Vec<Evidence> = losses
        .iter()
        .take(4)
        .map(|l| {
            let entry = if l.sure || l.share < t.loss {
                Evidence::at_least(l.what.as_str(), l.share, "1", t.loss)
            } else {
                // Not clear of its scatter: a number, no sign.
                Evidence::aside(l.what.as_str(), Some(l.share), "1")
            };
            entry.seen(l.step, None)
        })
        .collect();
    if let Some(s) = sensitivity {
        for (name, value) in [
            ("compression", s.compression_percent_per_c),
            ("rebound", s.rebound_percent_per_c),
        ] {
            evidence.push(Evidence::aside(
                format!("change of {name} damping force per degree"),
                value.map(|v| 0.01 * v.value),
                "1/K",
            ));
        }
    }
    let drift = sensitivity
        .and_then(|s| s.drift_percent_per_1000_cycles)
        .filter(Measured::is_clear_of_zero)
        .map(|d| -0.01 * d.value);
    let cycles: u64 = look.case.steps.iter().map(|s| s.cycles).sum();
    let drifts =
        drift.is_some_and(|d| d >= t.drift_per_1000_cycles && d * 1e-3 * cycles as f64 >= t.loss);
    if let Some(d) = drift {
        let what = "loss of heat per 1000 cycles that does not go with temperature";
        evidence.push(if drifts {
            Evidence::at_least(what, d, "1", t.drift_per_1000_cycles)
        } else {
            Evidence::aside(what, Some(d), "1")
        });
    }
    let worst = losses
        .iter()
        .filter(|l| l.sure)
        .map(|l| l.share)
        .fold(0.0, f64::max);
    let verdict = if worst >= t.plain_loss {
        Verdict::Developed
    } else if worst >= t.loss || drifts {
        Verdict::Onset
    } else {
        Verdict::None
    };
    let advice = match verdict {
        Verdict::Developed | Verdict::Onset if drifts => {
            "Force falls with cycles beyond what temperature explains: look for air in the oil, a leak or wear before blaming warm oil. Let the damper cool \
and repeat the first speed."
        }
        Verdict::Developed | Verdict::Onset if with_warming => {
            "Force falls as the damper warms. Compare dampers at a common temperature, and let it cool and repeat the first speed to see the force come back."
        }
        Verdict::Developed | Verdict::Onset => {
            "Force falls over the run; without a temperature channel it cannot be told whether warm oil, air or wear is behind it. Let the damper cool and \
repeat the first speed, with a thermocouple on the body."
        }
        _ => "Force at one speed holds over the run.",
    };
    let side = side_of(&losses, t.loss).filter(|_| verdict >= Verdict::Onset);
    let unsure = losses
        .iter()
        .filter(|l| !l.sure)
        .map(|l| l.share)
        .fold(0.0, f64::max);
    Finding::new(RULE.name, verdict, advice)
        .on(side)
        .with(evidence)
        .sized("of the force at one speed lost over the run", worst, "1")
        .would_show(
            "loss of force at one speed",
            t.loss.max(unsure),
            "1",
            t.plain_loss,
            "run more cycles at one speed, or repeat the first speed at the end.",
        )
}

fn side_of(losses: &[Loss], least: f64) -> Option<Side> {
    let on = |d: Direction| {
        losses
            .iter()
            .any(|l| l.sure && l.direction == d && l.share >= least)
    };
    match (on(Direction::Compression), on(Direction::Rebound)) {
        (true, true) => Some(Side::Both),
        (true, false) => Some(Side::Compression),
        (false, true) => Some(Side::Rebound),
        (false, false) => None,
    }
}

fn within_steps(look: &Look<'_>) -> Vec<Loss> {
    let course = |courses: &[Course], what: &str| {
        courses
            .iter()
            .find(|c| c.what == what)
            .and_then(|c| c.change_share)
    };
    let mut out = Vec::new();
    for fade in &look.case.heat.fade {
        for (direction, what) in [
            (Direction::Compression, "compression force"),
            (Direction::Rebound, "rebound force"),
        ] {
            if let Some(change) = course(&fade.courses, what) {
                out.push(Loss {
                    what: format!("loss of {what} within the step"),
                    share: -change.value,
                    sure: change.is_clear_of_zero(),
                    step: fade.step,
                    direction,
                });
            }
        }
    }
    out
}

/// First and last step of one speed.
fn between_repeats(look: &Look<'_>) -> Vec<Loss> {
    let same = look.settings.fade.same_speed;
    let steps = look.case.steps;
    let mut out = Vec::new();
    for (i, first) in steps.iter().enumerate() {
        let alike = |a: f64, b: f64| (a / b - 1.0).abs() <= same;
        let repeats = |s: &&crate::steps::Step| {
            alike(s.top_speed(), first.top_speed()) && alike(s.stroke_m, first.stroke_m)
        };
        // Only the first of its speed begins a pair, and slow steps show friction, not fade.
        if first.top_speed() < look.settings.look.slow_m_s || steps[..i].iter().any(|s| repeats(&s))
        {
            continue;
        }
        let Some(last) = steps[i + 1..].iter().rfind(repeats) else {
            continue;
        };
        for direction in Direction::BOTH {
            let (a, b) = (
                first.force_at_peak_velocity_n.get(direction),
                last.force_at_peak_velocity_n.get(direction),
            );
            let still = look.level.gas_force_n;
            let (from, to) = (a.mean - still, b.mean - still);
            if from == 0.0 {
                continue;
            }
            let se = |s: &crate::steps::Spread| s.sd.unwrap_or(0.0) / (s.n.max(1) as f64).sqrt();
            out.push(Loss {
                what: format!(
                    "loss of {} force from the first to the last step of one speed",
                    direction.word()
                ),
                share: 1.0 - to / from,
                sure: (from - to).abs() > SURE * se(a).hypot(se(b)),
                step: last.index,
                direction,
            });
        }
    }
    out
}

/// Standard errors by which two steps must differ.
const SURE: f64 = 3.0;
