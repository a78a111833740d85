//! Force that depends on frequency: a soft second stage that takes small, quick strokes.

use serde::{Deserialize, Serialize};

use super::places::other_frequency;
use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Difference of force at one peak speed between two strokes, over its mean, that counts.
    pub share: f64,
    /// The same, plain.
    pub plain_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            share: 0.12,
            plain_share: 0.25,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "frequency",
    line: "force depends on frequency: one speed at two strokes gives two forces",
    explanation: Explanation {
        means: "At the same speed the damper gives less force for short, quick strokes than for long, slow ones, or the other way round. Dampers with a soft \
second stage are built to; air in the oil and soft mounts do it too.",
        seen: "Force at mid-stroke at one peak speed, run at two strokes: the same place and speed, another frequency.",
        alike: "Warming between the two steps lowers force at any stroke: repeat the first. Air in the oil softens the reversals as well. A stop or bypass \
depends on place: it does not reach mid-stroke.",
        next: "Run one peak speed at two strokes, one half of the other, and again in the other order. A curve of force against speed holds for the stroke it was \
run at.",
    },
    judge,
};

/// Whether force was seen to depend on frequency.
pub(super) fn found(look: &Look<'_>) -> bool {
    let share = look.settings.frequency.share;
    other_frequency(look).is_some_and(|a| a.share.abs() >= share)
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.frequency;
    let Some(apart) = other_frequency(look) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Whether force depends on frequency needs one peak speed at two strokes: add a step of half the stroke at twice the frequency.",
        );
    };
    let evidence = vec![
        Evidence::at_least(
            format!(
                "difference of {} force at one peak speed between two strokes, over the mean",
                apart.direction.word()
            ),
            apart.share.abs(),
            "1",
            t.share,
        )
        .seen(apart.step, None),
        Evidence::aside("longer stroke", Some(apart.strokes_m[1]), "m"),
        Evidence::aside("shorter stroke", Some(apart.strokes_m[0]), "m"),
        Evidence::aside(
            "frequency of the longer",
            Some(apart.frequencies_hz[1]),
            "Hz",
        ),
        Evidence::aside(
            "frequency of the shorter",
            Some(apart.frequencies_hz[0]),
            "Hz",
        ),
    ];
    let share = apart.share.abs();
    let verdict = if share >= t.plain_share {
        Verdict::Developed
    } else if share >= t.share {
        Verdict::Onset
    } else {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "One speed at two strokes gives one force.",
        )
        .with(evidence)
        .would_show(
            "difference of force between two strokes, share of it",
            t.share,
            "1",
            t.plain_share,
            "record more cycles.",
        );
    };
    Finding::new(
        RULE.name,
        verdict,
        "One speed gives two forces at two strokes: force depends on frequency. A soft second stage does this by design; repeat the first stroke to rule out \
warming, and compare dampers at the same strokes only.",
    )
    .on(Some(Side::from(apart.direction)))
    .from_speed(Some(apart.speed_m_s))
    .with(evidence)
    .sized("of the force between two strokes at one speed", share, "1")
}
