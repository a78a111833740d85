//! Force that depends on the place in the stroke: a bypass, a groove, a worn stretch of bore.

use serde::{Deserialize, Serialize};

use super::places::{Place, counts, evidence};
use super::{Explanation, Finding, Look, Rule, Verdict, hydraulic_stop};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Difference of force at one speed between both halves of a stroke, over their mean, that
    /// counts; at slow and fast steps alike.
    pub share: f64,
    /// The same, plain.
    pub plain_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            share: 0.2,
            plain_share: 0.4,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "position",
    line: "force depends on the place in the stroke, not on speed alone",
    explanation: Explanation {
        means: "At one speed the damper gives another force in one part of its travel than in another: a bypass or groove by design, a worn or dented \
stretch of bore, a metering rod. One curve of force against speed does not describe it.",
        seen: "Force at one speed on either side of mid-stroke, at slow and fast steps alike: where it differs, and by how much of it.",
        alike: "Cavitation and a late force channel also set the two halves of a stroke apart, but grow with speed. Friction that varies over the stroke \
fades against the valves' force as speed rises. A bypass just about mid-stroke is alike on both sides: it needs strokes of other lengths to be seen.",
        next: "Run two strokes at the same speeds, about the middle and off it. Compare such dampers at the same mid-stroke position only.",
    },
    judge,
};

/// The place, if there is one that is no stop.
pub(super) fn found(look: &Look<'_>) -> Option<Place> {
    let t = look.settings.position;
    if hydraulic_stop::stop(look).is_some() {
        return None;
    }
    look.places()
        .iter()
        .copied()
        .filter(|p| counts(look, p, t.share))
        .max_by(|a, b| a.share.abs().total_cmp(&b.share.abs()))
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.position;
    let places = look.places();
    if places.is_empty() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Whether force depends on place needs two speeds over the whole stroke with a motion that is not of constant speed, best two strokes at one speed.",
        );
    }
    let found = found(look);
    let evidence = evidence(places, found, t.share, |p, word| {
        (
            format!(
                "difference of {word} force at one speed between both halves of the stroke over their mean, slower half of the steps"
            ),
            p.share.abs(),
        )
    });
    let noise = places.iter().map(|p| p.noise_share).fold(0.0, f64::max);
    let Some(p) = found else {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "Force at one speed is the same in both halves of the stroke.",
        )
        .with(evidence)
        .would_show(
            "difference of force between the halves of the stroke, share of it",
            t.share.max(noise),
            "1",
            2.0 * t.share,
            "record more cycles over the whole stroke.",
        );
    };
    let verdict = if p.share.abs() >= t.plain_share {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    Finding::new(
        RULE.name,
        verdict,
        "Force at one speed differs between the two halves of the stroke at every speed: it depends on place. Run two strokes at the same speeds to map it, \
and compare dampers of this kind at the same mid-stroke position only.",
    )
    .on(Some(p.side()))
    .with(evidence)
    .sized("of the force between the halves of the stroke", p.share.abs(), "1")
}
