//! A valve that does not close: low-speed force is missing in one direction.
//!
//! A check or shim stack that stays open is one more orifice beside the bleed. At low speed
//! force then grows with the square of speed from next to nothing, up to the speed where the
//! valve takes over: below a straight line from the origin to there. A bleed of its own
//! gives something between a line and a square.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::curves::Expected;
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Force at half a low speed over force at that speed, below which force grows faster than
    /// a bleed lets it: 0.5 is a line, 0.25 a square.
    pub half_speed: f64,
    /// Force at a tenth of the top speed over force there, below which low-speed force is
    /// missing; a digressive valve gives 0.3 and more, a line 0.1.
    pub tenth_speed: f64,
    /// One direction's tenth-speed share over the other's, at most.
    pub against_other: f64,
    /// Share of the low-speed force that may be missing unseen for "none" to be a claim.
    pub unseen_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            half_speed: 0.36,
            tenth_speed: 0.09,
            against_other: 0.5,
            unseen_share: 0.6,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "leaking-check",
    line: "a check or shim stack does not close: low-speed force is missing",
    explanation: Explanation {
        means: "Oil passes a valve that should be shut in this direction: a shim is cracked or held open by dirt, a check plate does not seat, a piston \
seal leaks. High-speed force may be nearly right, low-speed control is gone.",
        seen: "Force at a tenth of the top speed over force at the top, and how force doubles at low speed: through an open hole it grows with the square of \
speed (a quarter at half the speed), through a bleed nearer to a straight line.",
        alike: "A wide-open bleed or a progressive valve is built to look like this: only a twin, a build sheet or an earlier run can tell. Cavitation and \
play take force away near the reversals, not at low speed in mid-stroke.",
        next: "Compare with the other side of the pair or an earlier run of the same damper, and count the clicks of the bleed adjuster. If only one \
direction has lost its low speed, look at that stack and its seat; opening is for the maker's instructions.",
    },
    judge,
};

/// Shares of force in one direction.
struct Shape {
    tenth: f64,
    half: f64,
    speed: f64,
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.leaking_check;
    let shapes = Direction::BOTH.map(|d| shape(look, d));
    let mut evidence = Vec::new();
    let mut found = None;
    for (i, direction) in Direction::BOTH.into_iter().enumerate() {
        let Some(own) = &shapes[i] else { continue };
        let other = shapes[1 - i].as_ref().map(|s| s.tenth);
        let rows = [
            Evidence::below(
                format!(
                    "{} force at a tenth of the top speed over force at the top",
                    direction.word()
                ),
                own.tenth,
                "1",
                t.tenth_speed,
            ),
            Evidence::below(
                format!(
                    "{} force at half a low speed over force there",
                    direction.word()
                ),
                own.half,
                "1",
                t.half_speed,
            ),
            Evidence::below(
                format!(
                    "{} tenth-speed share over the other direction's",
                    direction.word()
                ),
                other.map_or(f64::NAN, |o| own.tenth / o.max(1e-6)),
                "1",
                t.against_other,
            ),
        ];
        if rows[0].met && rows[1].met {
            let single = rows[2].met;
            found = match found {
                None => Some((Side::from(direction), own.speed, single)),
                Some(_) => Some((Side::Both, own.speed, false)),
            };
        }
        evidence.extend(rows);
    }
    if evidence.is_empty() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "The curve does not reach low enough: run steps at a tenth and a twentieth of the top speed.",
        );
    }
    // What low-speed force could be gone without a word: a sound valve seldom gives as much at
    // a tenth of the speed as at the top of it.
    let unseen = shapes
        .iter()
        .flatten()
        .map(|s| 1.0 - s.tenth)
        .fold(0.0, f64::max);
    if found.is_none() {
        super::asides(&mut evidence);
    }
    match found {
        None => Finding::new(
            RULE.name,
            Verdict::None,
            "Low-speed force is there in both directions.",
        )
        .with(evidence)
        .would_show(
            "share of the low-speed force that could be missing unseen",
            unseen,
            "1",
            t.unseen_share,
            "compare with a sound damper of the kind or an earlier run (`loopwork compare --as wear`).",
        ),
        Some((side, speed, true)) if unlike_progressive(look, side) => Finding::new(
            RULE.name,
            Verdict::Onset,
            "Low-speed force is missing in one direction only and grows like through an open hole. Compare with the twin or an earlier run; if it was \
there once, a check or shim does not close.",
        )
        .on(Some(side))
        .from_speed(Some(speed))
        .with(evidence),
        Some((side, ..)) => Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Low-speed force is small and grows like through an open hole. That may be the valving: compare with the twin, the build sheet or an earlier run.",
        )
        .on(Some(side))
        .with(evidence),
    }
}

/// A valve made to rise faster than speed also starts from next to nothing, but goes on
/// rising; through a hole beside a stack, force flattens where the stack takes over.
fn unlike_progressive(look: &Look<'_>, side: Side) -> bool {
    let direction = match side {
        Side::Compression => Direction::Compression,
        Side::Rebound => Direction::Rebound,
        Side::Both => return false,
    };
    let points = look.case.curve.get(direction);
    let Some(top) = points.last().map(|p| p.velocity_m_s) else {
        return false;
    };
    let curve = Expected::from_curve(look.case.curve, direction, f64::INFINITY);
    // Slope over the last third below that over the middle: the stack has taken over.
    let slope = |a: f64, b: f64| (curve.at(b * top) - curve.at(a * top)) / (b - a);
    slope(0.67, 1.0) < FLATTENS * slope(0.2, 0.5)
}

/// See [`unlike_progressive`].
const FLATTENS: f64 = 0.7;

fn shape(look: &Look<'_>, direction: Direction) -> Option<Shape> {
    let points = look.case.curve.get(direction);
    let (first, last) = (points.first()?, points.last()?);
    let top = last.velocity_m_s;
    if points.len() < 6 || first.velocity_m_s > 0.06 * top {
        return None;
    }
    let curve = Expected::from_curve(look.case.curve, direction, f64::INFINITY);
    let at_top = curve.at(top);
    let low = 0.2 * top;
    let at_low = curve.at(low);
    (at_top > 0.0 && at_low > 0.0).then(|| Shape {
        tenth: curve.at(0.1 * top) / at_top,
        half: curve.at(0.5 * low) / at_low,
        speed: first.velocity_m_s,
    })
}
