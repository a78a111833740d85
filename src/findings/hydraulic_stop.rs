//! A stop of oil: towards one end of the stroke force grows beyond what speed asks for, on the
//! way in alone, and in proportion to the valves' force.

use serde::{Deserialize, Serialize};

use super::places::{Place, counts, evidence};
use super::{Explanation, Finding, Look, Rule, Verdict};
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Force in the second half of the stroke over that at the same speed in the first, less
    /// one, from which it counts; at slow and fast steps alike.
    pub share: f64,
    /// The same, plain.
    pub plain_share: f64,
    /// It lies beyond this part of half the stroke.
    pub from: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            share: 0.2,
            plain_share: 0.5,
            from: 0.6,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "hydraulic-stop",
    line: "a stop of oil: force grows towards one end of the stroke, on the way in alone",
    explanation: Explanation {
        means: "Towards one end of its travel the damper closes passages of its own (a second piston, a cone, holes that are run over) and grows stiffer. \
Where it is built that way it is no fault; forces there are not the main valve's.",
        seen: "Force at one speed in the second half of a stroke against that in the first half, at slow and fast steps alike and at the same distance from \
the end.",
        alike: "Cavitation holds force up at the end of compression too, but not in slow steps. A rubber or spring stop pushes back on the way out and does \
not need speed. A late force channel grows with frequency.",
        next: "Run a shorter stroke about the middle: if the difference goes, the stop was reached. Compare dampers of this kind at the same mid-stroke \
position only.",
    },
    judge,
};

/// The stop, if there is one.
pub(super) fn stop(look: &Look<'_>) -> Option<Place> {
    let t = look.settings.hydraulic_stop;
    look.places()
        .iter()
        .copied()
        .filter(|p| {
            p.towards_end
                && p.travel_m.abs() >= t.from * p.half_stroke_m
                && counts(look, p, t.share)
        })
        .max_by(|a, b| a.share.total_cmp(&b.share))
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.hydraulic_stop;
    let places = look.places();
    if places.is_empty() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Force at one speed in both halves of a stroke needs two speeds over the whole stroke with a motion that is not of constant speed: run a sine.",
        );
    }
    let found = stop(look);
    let evidence = evidence(places, found, t.share, |p, word| {
        (
            format!(
                "{word} force in the second half of the stroke beyond that at the same speed in the first, slower half of the steps"
            ),
            p.share,
        )
    });
    let noise = places.iter().map(|p| p.noise_share).fold(0.0, f64::max);
    let Some(p) = found else {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "Force does not grow towards the ends of the stroke.",
        )
        .with(evidence)
        .would_show(
            "growth of force towards an end, share of the force there",
            t.share.max(noise),
            "1",
            t.plain_share,
            "record more cycles over the whole stroke.",
        );
    };
    let verdict = if p.share >= t.plain_share {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    let end = match p.direction {
        Direction::Compression => "full compression",
        Direction::Rebound => "full extension",
    };
    Finding::new(
        RULE.name,
        verdict,
        format!(
            "Force grows towards {end} at every speed, on the way in alone: a hydraulic stop, by design or by an adjuster. Forces there are the stop's; run a \
shorter stroke about the middle to read the main valve."
        ),
    )
    .on(Some(p.side()))
    .with(evidence)
    .sized("more force towards the end than at the same speed before", p.share, "1")
}
