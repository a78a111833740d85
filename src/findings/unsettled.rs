//! Cycles that had not settled: the first ones of a step differ from the rest, or the step
//! drifts from its first cycle to its last.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};
use crate::steps::Step;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Spread of heat per cycle (standard deviation over mean) that counts.
    pub spread_share: f64,
    /// Spread that is plain.
    pub plain_share: f64,
    /// Settling cycles over all cycles of the run that count.
    pub settling_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            spread_share: 0.02,
            plain_share: 0.06,
            settling_share: 0.1,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "unsettled",
    line: "cycles of one speed differ: the damper or the machine had not settled",
    explanation: Explanation {
        means: "Cycles that should be alike are not. The first ones after a change of speed were left out, or the step wanders from cycle to cycle. \
Figures of such a step carry more doubt than their number of cycles suggests.",
        seen: "Cycles left out at the start of steps, and the spread of heat per cycle over the rest.",
        alike: "Fade changes slowly and goes with temperature. Air in the oil softens the reversals while it changes. A machine that does not hold its speed \
shows in stroke and frequency as well.",
        next: "Run more cycles at each speed and a few warm-up cycles before the first. If it stays, look at the machine's stroke and speed, then at fade and air.",
    },
    judge,
};

/// Standard deviations of the noise of heat that are taken off: few cycles scatter in their own
/// scatter.
const NOISE: f64 = 2.0;

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.unsettled;
    // What the force channel's noise alone makes of heat per cycle is no wandering.
    let spread = |s: &Step| {
        s.energy_per_cycle_j.sd.map(|sd| {
            let noise =
                NOISE * s.force_noise_n * 2.0 * s.stroke_m / s.samples_per_cycle.max(1.0).sqrt();
            (sd * sd - noise * noise).max(0.0).sqrt()
                / s.energy_per_cycle_j.mean.abs().max(f64::MIN_POSITIVE)
        })
    };
    let steps = look.steps_by_speed();
    let (mut settling, mut cycles) = (0, 0);
    for step in &steps {
        settling += step.settling_cycles;
        cycles += step.cycles;
    }
    let share = settling as f64 / cycles.max(1) as f64;
    let worst = steps
        .iter()
        .filter(|s| s.top_speed() >= look.settings.look.slow_m_s)
        .filter_map(|s| spread(s).map(|v| (v, s)))
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let mut evidence = vec![Evidence::at_least(
        "cycles left out because they had not settled, share of all",
        share,
        "1",
        t.settling_share,
    )];
    let Some((value, step)) = worst else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "One cycle a step cannot show whether it had settled: run at least three at each speed.",
        )
        .with(evidence);
    };
    evidence.push(
        Evidence::at_least(
            "largest spread of heat per cycle within a step",
            value,
            "1",
            t.spread_share,
        )
        .seen(step.index, None),
    );
    let (verdict, advice) = if value >= t.plain_share {
        (
            Verdict::Developed,
            "Cycles of one speed differ plainly. Run more cycles with a warm-up before, and look at fade, air and the machine's own speed.",
        )
    } else if value >= t.spread_share || share >= t.settling_share {
        (
            Verdict::Onset,
            "Some cycles had not settled. Run a few warm-up cycles before each step, or more cycles at each speed.",
        )
    } else {
        (Verdict::None, "Cycles of one speed are alike.")
    };
    let onset = steps
        .iter()
        .filter(|s| spread(s).is_some_and(|v| v >= t.spread_share))
        .map(|s| s.top_speed())
        .reduce(f64::min);
    Finding::new(RULE.name, verdict, advice)
        .from_speed(onset.filter(|_| verdict >= Verdict::Onset))
        .with(evidence)
        .sized("spread of heat per cycle", value, "1")
        .would_show(
            "spread of heat per cycle",
            t.spread_share,
            "1",
            t.plain_share,
            "run more cycles at each speed.",
        )
}
