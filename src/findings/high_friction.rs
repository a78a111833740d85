//! High friction and stick-slip.
//!
//! Friction is half the gap between the strokes of a slow loop, taken to zero speed. A seal
//! that sticks shows as a peak of force just after the reversal, before it slides.

use serde::{Deserialize, Serialize};

use super::stroke::load;
use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Friction that counts, N: a limit used by makers for passenger-car dampers on a 20 mm
    /// stroke below 5 mm/s without side load (a maker's public technical requirements, 2019).
    pub friction_n: f64,
    /// Friction that is plain, N: twice the limit.
    pub plain_n: f64,
    /// Force to break loose beyond sliding friction that counts, N …
    pub breakaway_n: f64,
    /// … and as a share of friction.
    pub breakaway_share: f64,
    /// The break-away peak is sought within this share of the stroke after the reversal.
    pub breakaway_within: f64,
    /// The interval of friction must be narrower than this share of the limit to say "none".
    pub certain_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            friction_n: 55.0,
            plain_n: 110.0,
            breakaway_n: 15.0,
            breakaway_share: 0.35,
            breakaway_within: 0.12,
            certain_share: 1.0,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "high-friction",
    line: "the seals or guides drag, or stick and let go",
    explanation: Explanation {
        means: "It takes much force to move the rod at all: tight or dry seals, a worn or misaligned guide, a swollen piston ring. Where it sticks, \
force builds up to a peak and drops as it lets go, which is felt as harshness.",
        seen: "Half the gap between the two strokes of the slow loop, taken to zero speed; a square-cornered loop without lost travel. For \
sticking: a peak just after the reversal above the force of sliding.",
        alike: "Even a slow step pushes oil through the bleed; that part is taken off. A bent rod drags more in one part of the stroke. A side load of \
the machine drags everywhere: a limit of 150 N is in use with side load against 55 N without.",
        next: "Run a slow step (20 mm stroke, below 5 mm/s, three cycles). Check that the machine pulls in line, loosen and refit the mounts and run again. \
Some warm-up strokes take out the friction of seals that have stood.",
    },
    judge,
};

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.high_friction;
    let statics = look.case.statics;
    let Some(friction) = statics.friction_n else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            look.why_not(
                "friction_n",
                "No friction could be had: run a slow step (20 mm stroke, below 5 mm/s).",
            ),
        );
    };
    let [low, high] = statics.ci95.friction_n.unwrap_or([friction, friction]);
    let (limit, plain) = (
        look.scale.newtons(t.friction_n),
        look.scale.newtons(t.plain_n),
    );
    let mut evidence = vec![
        Evidence::at_least(
            format!(
                "friction, lower end of the 95 % interval, against the limit by {}",
                look.scale.by
            ),
            low,
            "N",
            limit,
        ),
        Evidence::aside("friction", Some(friction), "N"),
        Evidence::aside("friction, upper end of the 95 % interval", Some(high), "N"),
    ];
    if !reaches_low(look) || super::spring_fitted::spring(look).is_some() {
        let told = "No step is slow enough, or a spring is fitted that hides it: run a slow step (20 mm stroke, below 5 mm/s, three cycles).";
        super::asides(&mut evidence);
        return Finding::new(RULE.name, Verdict::CannotTell, told).with(evidence);
    }
    let (sticks, peak) = breakaway(look, friction);
    evidence.extend(peak);
    let slow = look
        .of(Direction::Compression)
        .any(|s| s.speed_m_s < look.settings.look.slow_m_s);
    // A valve that opens at a set pressure and has no bleed steps at rest as friction does.
    let (verdict, advice) = if low >= limit && !slow {
        (
            Verdict::CannotTell,
            "Taken to rest from quick strokes, friction cannot be told from a valve that opens at a set force: run a slow step (20 mm stroke, below 5 mm/s, three cycles).",
        )
    } else if low >= plain {
        (
            Verdict::Developed,
            "Friction is high. Check that the machine pulls in line, refit the mounts and repeat the slow step; if it stays, look at seals, guide and rod \
by the maker's instructions.",
        )
    } else if low >= limit || sticks {
        (
            Verdict::Onset,
            if sticks {
                "The seal sticks and lets go at slow speed. Warm it up with some strokes and repeat the slow step; if it stays, look at seal and rod surface."
            } else {
                "Friction is above the usual limit for a damper of this size. Check alignment and mounts, warm the seals up and repeat the slow step."
            },
        )
    } else if high >= limit && (friction >= limit || (high - low) > t.certain_share * limit) {
        (
            Verdict::CannotTell,
            "The interval of friction reaches beyond the limit: run a slow step (20 mm stroke, below 5 mm/s, three cycles).",
        )
    } else {
        (
            Verdict::None,
            "Friction is within the usual limit for a damper of this size.",
        )
    };
    let there = verdict >= Verdict::Onset;
    Finding::new(RULE.name, verdict, advice)
        .on(there.then_some(Side::Both))
        .from_speed(
            there
                .then(|| look.of(Direction::Compression).next().map(|s| s.speed_m_s))
                .flatten(),
        )
        .with(evidence)
        .sized("of friction", friction, "N")
        .would_show(
            "friction",
            limit.max(high - low),
            "N",
            2.0 * limit,
            "run a slow step (20 mm stroke, below 5 mm/s, three cycles).",
        )
}

/// The slowest step may be this share of the fastest at most: friction read from quick steps
/// leans on the shape of the valves' force below them.
const LOW_SHARE: f64 = 0.15;

/// Whether the run reaches low enough for friction to be a claim.
fn reaches_low(look: &Look<'_>) -> bool {
    let speeds = || look.of(Direction::Compression).map(|s| s.speed_m_s);
    let slowest = speeds().fold(f64::INFINITY, f64::min);
    let fastest = speeds().fold(0.0, f64::max);
    slowest < look.settings.look.slow_m_s || (look.speeds() > 2 && slowest <= LOW_SHARE * fastest)
}

/// Smallest window, as a share of the cycle, that force is averaged over for the peak.
const SMOOTH: usize = 3;

/// Peak after the reversal above sliding, in the slow step.
fn breakaway(look: &Look<'_>, friction: f64) -> (bool, Option<Evidence>) {
    let t = look.settings.high_friction;
    let Some(stroke) = look
        .of(Direction::Compression)
        .find(|s| s.speed_m_s < look.settings.look.slow_m_s)
    else {
        return (false, None);
    };
    let Some(step) = look.case.steps.get(stroke.at) else {
        return (false, None);
    };
    let fold = &step.fold;
    let n = fold.force.len();
    let mut least = f64::INFINITY;
    let mut shown = [0.0, 0.0];
    for direction in Direction::BOTH {
        let begin = match direction {
            Direction::Compression => 0.0,
            Direction::Rebound => fold.turn_phase,
        };
        let at = |i: usize| {
            let around = (0..2 * SMOOTH + 1).map(|k| {
                let phase = begin + (i + k) as f64 / n as f64 - SMOOTH as f64 / n as f64;
                load(step, &fold.force, direction, &look.level, phase)
            });
            around.sum::<f64>() / (2 * SMOOTH + 1) as f64
        };
        let gone = |i: usize| {
            let origin = fold.travel[(begin * n as f64).round() as usize % n];
            (fold.travel[((begin * n as f64).round() as usize + i) % n] - origin).abs()
        };
        let peak = (0..n / 4)
            .take_while(|&i| gone(i) <= t.breakaway_within * step.stroke_m)
            .map(|i| (at(i), i))
            .fold((f64::NEG_INFINITY, 0), |a, b| if b.0 > a.0 { b } else { a });
        let slides: Vec<f64> = (n / 8..n / 4).map(at).collect();
        let sliding = crate::statistics::percentile(&slides, 0.5).unwrap_or(0.0);
        if peak.0 - sliding < least {
            least = peak.0 - sliding;
            let phase = begin + peak.1 as f64 / n as f64;
            shown = [begin, phase];
        }
    }
    let need = look
        .scale
        .newtons(t.breakaway_n)
        .max(t.breakaway_share * friction)
        .max(4.0 * stroke.error_n);
    let evidence = Evidence::at_least(
        "peak after the reversal of the slow step above sliding, the smaller of both ends",
        least,
        "N",
        need,
    );
    let met = evidence.met;
    (met, Some(evidence.seen(step.index, Some(shown))))
}
