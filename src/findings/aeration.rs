//! Air mixed into the oil: bubbles make the column soft, more so cycle by cycle.
//!
//! Lost motion of a soft column is `F/K`, at both reversals, and force builds up gently.
//! As the churned-in air grows, `K` falls, so lost travel rises and heat per cycle falls
//! while speed stays the same.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::statistics::t_quantile;
use crate::steps::{CycleSummary, Step};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Growth of lost motion (both ends together) over a run at one speed, share of the
    /// stroke, summed over the steps, that counts.
    pub growth_share: f64,
    /// Growth that is plain.
    pub growth_plain_share: f64,
    /// The smaller end's growth over the larger's, at least: a soft column loses travel in
    /// proportion to force, and rebound may carry ten times what compression does.
    pub both_ends: f64,
    /// Fall of heat per cycle over the steps, sum of shares, that must go with it.
    pub heat_fall: f64,
    /// Steps with at least three cycles after the first needed.
    pub least_steps: usize,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            growth_share: 0.004,
            growth_plain_share: 0.02,
            both_ends: 0.05,
            heat_fall: 0.002,
            least_steps: 2,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "aeration",
    line: "air churned into the oil: both reversals go soft, and softer cycle by cycle",
    explanation: Explanation {
        means: "Gas or air is mixed into the oil as bubbles. The oil column gives like a spring, so force builds up late after \
each reversal and the damper loses work. It comes from a low oil level, a twin-tube run on its side, a leaking floating \
piston or air left in at the last fill.",
        seen: "Lost motion at both reversals that is soft rather than flat and grows from cycle to cycle at constant speed, \
while heat per cycle falls. The travel lost is about force over the column's stiffness.",
        alike: "Cavitation shows at one end, flat and with an abrupt return. Play is the same at every speed and cycle, with the \
load cell at zero. Warming oil also lowers heat per cycle, but does not soften the reversals. Cycles that are only settling \
stop changing after a few.",
        next: "Let the damper stand upright until it has cooled, pump it slowly by hand through the whole stroke and run again: air that \
separates makes the first cycles sound and the fault return. If it stays, oil level and seals are for a shop that works by \
the maker's instructions.",
    },
    judge,
};

/// What the rule says.
pub(super) fn verdict(look: &Look<'_>) -> Verdict {
    judge(look).verdict
}

/// How one step changed over its cycles.
#[derive(Debug, Clone, Copy)]
struct Trend {
    compression: f64,
    rebound: f64,
    heat: f64,
    /// Variance of `compression + rebound`, and the degrees of freedom it rests on.
    variance: f64,
    freedom: usize,
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.aeration;
    let trends: Vec<(&Step, Trend)> = look
        .steps_by_speed()
        .into_iter()
        .filter(|s| s.top_speed() >= look.settings.look.slow_m_s)
        .filter_map(|s| trend(s).map(|t| (s, t)))
        .collect();
    if trends.len() < t.least_steps {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Too few cycles to see a change from cycle to cycle: run at least five, better ten, at each speed.",
        );
    }
    let sum = |pick: &dyn Fn(&Trend) -> f64| trends.iter().map(|(_, t)| pick(t)).sum::<f64>();
    let (compression, rebound) = (sum(&|t| t.compression), sum(&|t| t.rebound));
    let heat_fall = -sum(&|t| t.heat);
    let certain = growth_over_error(trends.iter().map(|(_, t)| t));
    let (least, most) = (compression.min(rebound), compression.max(rebound));
    let worst = trends
        .iter()
        .max_by(|a, b| (a.1.compression + a.1.rebound).total_cmp(&(b.1.compression + b.1.rebound)));
    let grows = Evidence::at_least(
        "growth of lost motion over the cycles at constant speed, both ends, sum over steps, share of the stroke",
        compression + rebound,
        "1",
        t.growth_share,
    );
    let evidence = vec![
        match worst {
            Some((step, _)) => grows.seen(step.index, None),
            None => grows,
        },
        Evidence::at_least(
            "growth at the end that grows less over the other",
            if most > 0.0 { least / most } else { 0.0 },
            "1",
            t.both_ends,
        ),
        Evidence::at_least(
            "fall of heat per cycle over the cycles at constant speed, sum over steps",
            heat_fall,
            "1",
            t.heat_fall,
        ),
        Evidence::at_least(
            "growth over its 95 % half width (scatter of the cycles about their trends)",
            certain,
            "1",
            1.0,
        ),
        Evidence::aside(
            "give of oil and structure",
            (look.give_m_n > 0.0).then_some(look.give_m_n),
            "m/N",
        ),
    ];
    if !evidence.iter().take(4).all(|e| e.met) {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "The loops do not go soft from cycle to cycle.",
        )
        .with(evidence);
    }
    let verdict = if compression + rebound >= t.growth_plain_share {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    let onset = trends
        .iter()
        .filter(|(_, t)| t.compression + t.rebound > 0.0)
        .map(|(s, _)| s.top_speed())
        .reduce(f64::min);
    Finding::new(
        RULE.name,
        verdict,
        "The oil column gets softer cycle by cycle while heat per cycle falls: air is being churned into the oil. Let it stand upright \
and cool, pump it slowly by hand and run again; if the first cycles are sound and the fault returns, that settles it. Oil level and \
seals are work for the maker's instructions and a licensed shop.",
    )
    .on(Some(Side::Both))
    .from_speed(onset)
    .with(evidence)
}

/// Change from the first to the last of the cycles by a straight line, lost motion as a share
/// of the stroke, heat as a share of itself.
fn trend(step: &Step) -> Option<Trend> {
    let cycles: Vec<&CycleSummary> = step
        .series
        .iter()
        // The first cycle comes out of another speed.
        .skip(1 + usize::try_from(step.settling_cycles).unwrap_or(0))
        .filter(|c| c.lost_compression_m.is_some() && c.lost_rebound_m.is_some())
        .collect();
    if cycles.len() < 3 || step.stroke_m <= 0.0 {
        return None;
    }
    let slope = |pick: &dyn Fn(&CycleSummary) -> f64| {
        let n = cycles.len() as f64;
        let middle = 0.5 * (n - 1.0);
        let mean = cycles.iter().map(|c| pick(c)).sum::<f64>() / n;
        let (mut top, mut bottom) = (0.0, 0.0);
        for (i, c) in cycles.iter().enumerate() {
            let x = i as f64 - middle;
            top += x * (pick(c) - mean);
            bottom += x * x;
        }
        let slope = top / bottom;
        let scatter: f64 = cycles
            .iter()
            .enumerate()
            .map(|(i, c)| (pick(c) - mean - slope * (i as f64 - middle)).powi(2))
            .sum();
        let variance = scatter / (n - 2.0) / bottom * (n - 1.0).powi(2);
        (slope * (n - 1.0), mean, variance)
    };
    let lost = |pick: &dyn Fn(&CycleSummary) -> Option<f64>| {
        let (growth, _, variance) = slope(&|c| pick(c).unwrap_or(0.0));
        (growth / step.stroke_m, variance / step.stroke_m.powi(2))
    };
    let (heat, mean, _) = slope(&|c| c.energy_j);
    let compression = lost(&|c| c.lost_compression_m);
    let rebound = lost(&|c| c.lost_rebound_m);
    Some(Trend {
        compression: compression.0,
        rebound: rebound.0,
        heat: if mean > 0.0 { heat / mean } else { 0.0 },
        variance: compression.1 + rebound.1,
        freedom: 2 * (cycles.len() - 2),
    })
}

/// Growth summed over the steps over the half width of its 95 % interval; infinite where the
/// cycles do not scatter at all.
fn growth_over_error<'a>(trends: impl Iterator<Item = &'a Trend>) -> f64 {
    let (growth, variance, freedom) = trends.fold((0.0, 0.0, 0), |(g, v, f), t| {
        (g + t.compression + t.rebound, v + t.variance, f + t.freedom)
    });
    let half = t_quantile(0.975, freedom as f64).unwrap_or(12.7) * variance.sqrt();
    if half > 0.0 {
        growth / half
    } else {
        f64::INFINITY * growth.signum()
    }
}
