//! Mass that moves with the load cell: its inertia is in the force that is read.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Largest inertia force over half the peak-to-peak force of that step that counts.
    pub share: f64,
    /// The same, plain.
    pub plain_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            share: 0.02,
            plain_share: 0.1,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "moving-mass",
    line: "a mass moves with the load cell, and its inertia is read as force",
    explanation: Explanation {
        means: "Clevis, rod or fixture on the moving side of the load cell is pushed to and fro with the damper. What that takes stands in the force channel: in \
phase with travel, against it, and growing with the square of frequency.",
        seen: "A mass fitted over all loops together with gas, friction, delay and the curve; its inertia in the quickest step against the force there.",
        alike: "Gas and springs are in phase with travel too, but do not grow with frequency. A late force channel grows with it the other way round.",
        next: "Weigh what hangs on the moving side of the cell, or run the fixture without a damper. Mount the cell on the side that stands still. The inertia is \
taken out of curves and knees, not of loops.",
    },
    judge,
};

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.moving_mass;
    let statics = look.case.statics;
    let Some((mass, [low, high])) = statics.moving_mass_kg.zip(statics.ci95.moving_mass_kg) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            look.why_not(
                "moving_mass_kg",
                "Whether a mass moves with the load cell needs quick steps of several frequencies.",
            ),
        );
    };
    // The quickest step by acceleration, and the force there.
    let worst = look
        .steps_by_speed()
        .into_iter()
        .map(|s| {
            let peak = s
                .fold
                .acceleration
                .iter()
                .fold(0.0_f64, |m, a| m.max(a.abs()));
            let span = 0.5 * (s.peak_force_n.compression - s.peak_force_n.rebound);
            (peak / span.max(f64::MIN_POSITIVE), s.index, peak)
        })
        .max_by(|a, b| a.0.total_cmp(&b.0));
    let Some((per_kg, step, acceleration)) = worst else {
        return Finding::new(RULE.name, Verdict::CannotTell, "No step could be read.");
    };
    let least = low.max(0.0) * per_kg;
    if least >= t.share
        && (look.gap().is_some() || look.soft() || look.speeds() < 3 || constant_speed(look))
    {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Something else bends the loops as a mass would, or too few speeds were run: settle the other findings first, and weigh what hangs on the cell.",
        );
    }
    let evidence = vec![
        Evidence::at_least(
            "inertia in the quickest step over half the peak-to-peak force there, at least (95 %)",
            least,
            "1",
            t.share,
        )
        .seen(step, None),
        Evidence::aside("moving mass", Some(mass), "kg"),
        Evidence::aside("largest inertia force", Some(mass * acceleration), "N"),
    ];
    if least < t.share {
        let unseen = 0.5 * (high - low) + t.share / per_kg.max(f64::MIN_POSITIVE);
        return Finding::new(
            RULE.name,
            Verdict::None,
            "No mass to speak of moves with the load cell.",
        )
        .with(evidence)
        .would_show(
            "moving mass",
            unseen,
            "kg",
            2.0 * t.plain_share / per_kg.max(f64::MIN_POSITIVE),
            "add quicker steps.",
        );
    }
    let verdict = if least >= t.plain_share {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    Finding::new(
        RULE.name,
        verdict,
        "A mass moves with the load cell and its inertia is in the force: weigh what hangs on the moving side. It is taken out of curves and knees; loops, peaks \
and heat are as recorded.",
    )
    .with(evidence)
    .sized("moves with the load cell", mass, "kg")
}

/// Whether the quick steps run at constant speed: what turns the corners there, a mass or a
/// column that gives, cannot be told.
fn constant_speed(look: &Look<'_>) -> bool {
    Direction::BOTH
        .into_iter()
        .flat_map(|d| look.quick(d))
        .all(|s| s.branches.iter().all(Option::is_none))
}
