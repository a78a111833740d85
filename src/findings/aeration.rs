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
    /// Steps with at least three cycles after the first needed …
    pub least_steps: usize,
    /// … or cycles in the longest step: a long run at one speed shows a trend by itself.
    pub least_cycles: usize,
    /// Air that is there from the first cycle: travel that both ends give under the largest
    /// force, share of the stroke. Sound oil and structure give 1 to 2 % (common practice).
    pub give_share: f64,
    /// How abruptly force returns, over the steepest rise the curve has, at most: a gap and a
    /// void end with a jerk, a bubble does not.
    pub abrupt_most: f64,
    /// The end that gives less over the other, at least.
    pub give_both: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            growth_share: 0.004,
            growth_plain_share: 0.02,
            both_ends: 0.05,
            heat_fall: 0.002,
            least_steps: 2,
            least_cycles: 8,
            give_share: 0.025,
            abrupt_most: 0.15,
            give_both: 0.3,
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
    /// The same of `heat`.
    heat_variance: f64,
    heat_freedom: usize,
    /// Cycles it was read from.
    cycles: usize,
    /// Mean lost motion of both ends, share of the stroke.
    lost: f64,
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.aeration;
    let trends: Vec<(&Step, Trend)> = look
        .steps_by_speed()
        .into_iter()
        .filter(|s| s.top_speed() >= look.settings.look.slow_m_s)
        .filter_map(|s| trend(s).map(|t| (s, t)))
        .collect();
    if let Some(found) = steady(look).or_else(|| wide(look)) {
        return found;
    }
    let longest = trends.iter().map(|(_, t)| t.cycles).max().unwrap_or(0);
    if trends.len() < t.least_steps && longest < t.least_cycles {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Too few cycles to see a change from cycle to cycle: run at least five, better ten, at each speed.",
        );
    }
    let sum = |pick: &dyn Fn(&Trend) -> f64| trends.iter().map(|(_, t)| pick(t)).sum::<f64>();
    let (compression, rebound) = (sum(&|t| t.compression), sum(&|t| t.rebound));
    let growth = compression + rebound;
    let heat_fall = -sum(&|t| t.heat);
    let half = half_of(trends.iter().map(|(_, t)| (t.variance, t.freedom)));
    // Of a step of few cycles a fall of heat is as likely chance.
    let heat_half = half_of(
        trends
            .iter()
            .map(|(_, t)| (t.heat_variance, t.heat_freedom)),
    );
    let (least, most) = (compression.min(rebound), compression.max(rebound));
    let worst = trends
        .iter()
        .max_by(|a, b| (a.1.compression + a.1.rebound).total_cmp(&(b.1.compression + b.1.rebound)));
    // What scatters as much as it grows has not grown.
    let sure = growth > half;
    let grows = Evidence::at_least(
        "growth of lost motion over the cycles at constant speed beyond their scatter, both ends, sum over steps, share of \
the stroke",
        if sure { growth } else { 0.0 },
        "1",
        t.growth_share,
    );
    let sure = grows.met;
    let mut evidence = vec![match worst {
        Some((step, _)) => grows.seen(step.index, None),
        None => grows,
    }];
    let both = Evidence::at_least(
        "growth at the end that grows less over the other",
        if most > 0.0 { least / most } else { 0.0 },
        "1",
        t.both_ends,
    );
    let falls = Evidence::at_least(
        "fall of heat per cycle over the cycles at constant speed beyond its scatter, sum over steps",
        if heat_fall > heat_half {
            heat_fall
        } else {
            0.0
        },
        "1",
        t.heat_fall,
    );
    let goes_with = both.met && falls.met;
    evidence.extend([both, falls]);
    evidence.push(Evidence::aside(
        "half of the 95 % interval of that growth (scatter of the cycles about their trends)",
        Some(half),
        "1",
    ));
    evidence.push(Evidence::aside(
        "give of oil and structure",
        (look.give_m_n > 0.0).then_some(look.give_m_n),
        "m/N",
    ));
    if !sure || !goes_with {
        super::asides(&mut evidence[1..]);
        if sure {
            // What grows at one end or costs no heat is not air: warming, a void that deepens.
            super::asides(&mut evidence);
        }
        if late(look) || look.speeds() < 3 {
            return Finding::new(
                RULE.name,
                Verdict::CannotTell,
                "Force comes late, or only one or two speeds were run: a column that gives and a late force channel look alike. Run a stiff bar in place of the \
damper, or another stroke at the same speeds.",
            )
            .with(evidence);
        }
        return Finding::new(
            RULE.name,
            Verdict::None,
            "The loops do not go soft from cycle to cycle.",
        )
        .with(evidence)
        .would_show(
            "growth of lost motion over the run, share of the stroke",
            t.growth_share.max(half),
            "1",
            t.growth_plain_share,
            "run ten cycles at each speed.",
        );
    }
    let verdict = if growth >= t.growth_plain_share {
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
    .sized("of heat per cycle lost over the cycles", heat_fall, "1")
}

/// Share of what is lost that has to have grown within the steps for the growth to be the
/// story, not what was lost from the start.
const GROWN: f64 = 0.25;

/// Whether the lost motion of the run grew within its steps rather than standing there from
/// their first cycle, as a void's does.
pub(super) fn grew(look: &Look<'_>) -> bool {
    let (mut grown, mut lost) = (0.0, 0.0);
    for step in look.steps_by_speed() {
        if let Some(t) = trend(step) {
            grown += t.compression + t.rebound;
            lost += t.lost;
        }
    }
    verdict(look) >= Verdict::Onset && grown >= GROWN * lost
}

/// Whether both ends are soft from the first cycle.
pub(super) fn soft(look: &Look<'_>) -> bool {
    steady(look).is_some() || wide(look).is_some()
}

/// Delay of force as a share of the fastest cycle from which a soft column is as likely.
const LATE: f64 = 0.005;

/// What gives under the largest force, share of the stroke, above which it is no sound column
/// and no sound fixture: twice what those give (common practice).
pub(super) const GIVES: f64 = 0.02;
/// A delay this much the other way, over the delay fitted alone, says that neither is there.
const AGAINST: f64 = -0.4;

/// Air that is there from the first cycle, told from the widths of the loops.
fn wide(look: &Look<'_>) -> Option<Finding> {
    if !late(look) || look.gap().is_some() || !look.contacts().is_empty() || emptied(look) {
        return None;
    }
    let l = super::lateness::lateness(look).filter(|l| l.gives(GIVES, look))?;
    let lag = look.case.statics.force_lag_s.unwrap_or(0.0);
    if l.delay_s[0] < AGAINST * lag {
        return None;
    }
    let share = l.give_share(look);
    let evidence = vec![
        Evidence::at_least(
            "what gives under the largest force, told from a delay by the widths of the loops, share of the stroke",
            share,
            "1",
            GIVES,
        ),
        Evidence::aside(
            "delay of the force channel beside it",
            Some(l.delay_s[0]),
            "s",
        ),
    ];
    Some(given(evidence, share))
}

/// Travel lost, share of the stroke, from which a chamber is empty and not its oil soft.
const EMPTY: f64 = 0.15;

/// Whether travel is lost as a void loses it: far more at one end than at the other, where a
/// column gives at both; or more of it than a column gives.
fn emptied(look: &Look<'_>) -> bool {
    let t = look.settings.aeration;
    let [a, b] = crate::steps::Direction::BOTH.map(|d| {
        let of = look.quick(d).map(|s| s.lost.lost_m / s.stroke_m);
        of.fold(0.0, f64::max)
    });
    a.max(b) >= EMPTY || (a.max(b) >= GIVES && a.min(b) < t.give_both * a.max(b))
}

/// Whether force comes so late that a column that gives cannot be ruled out.
fn late(look: &Look<'_>) -> bool {
    let fastest = look.steps_by_speed().last().map_or(0.0, |s| s.frequency_hz);
    let lag = look.case.statics.force_lag_s.unwrap_or(0.0);
    lag * fastest >= LATE
}

/// Air that is there from the first cycle: both ends give softly, in proportion to force.
fn steady(look: &Look<'_>) -> Option<Finding> {
    let t = look.settings.aeration;
    if look.gap().is_some() || !look.contacts().is_empty() || emptied(look) {
        return None;
    }
    let mut evidence = Vec::new();
    for direction in crate::steps::Direction::BOTH {
        let stroke = look
            .quick(direction)
            .filter(|s| s.lost.lost_m > 0.0 && s.lost.wanted_n > 0.0)
            .max_by(|a, b| a.lost.wanted_n.total_cmp(&b.lost.wanted_n))?;
        let soft = stroke.lost.abruptness <= t.abrupt_most;
        let give = Evidence::at_least(
            format!(
                "travel given before half of the force is there, start of {}, share of the stroke",
                direction.word()
            ),
            stroke.lost.lost_m / stroke.stroke_m,
            "1",
            t.give_share,
        )
        .seen(stroke.step, Some(stroke.lost_phase()));
        if !(soft && give.met) {
            return None;
        }
        evidence.push(give);
    }
    let size = evidence.iter().filter_map(|e| e.value).fold(0.0, f64::max);
    let least = evidence
        .iter()
        .filter_map(|e| e.value)
        .fold(f64::INFINITY, f64::min);
    if least < t.give_both * size {
        return None;
    }
    Some(given(evidence, size))
}

/// A column that gives from the first cycle.
fn given(evidence: Vec<Evidence>, size: f64) -> Finding {
    Finding::new(
        RULE.name,
        Verdict::Onset,
        "Both reversals are soft from the first cycle: the column of oil gives more than oil does. Air left in at the last fill is the likely cause; \
a soft mount or frame gives in the same way. Let it stand upright, pump it slowly by hand through the whole stroke and run again; run a stiff \
bar in place of the damper to see what the machine gives.",
    )
    .on(Some(Side::Both))
    .with(evidence)
    .sized("of the stroke given before force is there", size, "1")
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
        let (growth, mean, variance) = slope(&|c| pick(c).unwrap_or(0.0));
        (
            growth / step.stroke_m,
            variance / step.stroke_m.powi(2),
            mean / step.stroke_m,
        )
    };
    let (heat, mean, heat_variance) = slope(&|c| c.energy_j);
    let compression = lost(&|c| c.lost_compression_m);
    let rebound = lost(&|c| c.lost_rebound_m);
    Some(Trend {
        compression: compression.0,
        rebound: rebound.0,
        heat: if mean > 0.0 { heat / mean } else { 0.0 },
        variance: compression.1 + rebound.1,
        freedom: 2 * (cycles.len() - 2),
        heat_variance: heat_variance / mean.powi(2).max(f64::MIN_POSITIVE),
        heat_freedom: cycles.len() - 2,
        cycles: cycles.len(),
        lost: compression.2 + rebound.2,
    })
}

/// Half of the 95 % interval of changes summed over the steps, by their variances and degrees
/// of freedom.
fn half_of(variances: impl Iterator<Item = (f64, usize)>) -> f64 {
    let (variance, freedom) = variances.fold((0.0, 0), |(v, f), t| (v + t.0, f + t.1));
    t_quantile(0.975, freedom as f64).unwrap_or(12.7) * variance.sqrt()
}
