//! Wide loops: force at one speed depends on whether the damper speeds up or slows down,
//! beyond what gas spring and force delay explain.
//!
//! The usual rest is give: of the oil, of air in it, of the structure. A column of stiffness
//! `K` turns `F` into a travel `F/K`; with bore, rod and oil mass `K` is an effective bulk
//! modulus, and one far below that of oil points to trapped air.

use std::f64::consts::FRAC_PI_4;

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Largest width, gas and delay taken out, that counts, share of half the peak-to-peak force.
    pub width_share: f64,
    /// Width that is plain.
    pub plain_share: f64,
    /// Width is looked for from this share of the peak speed up: at the reversals every loop
    /// is wide.
    pub from: f64,
    /// After lost motion of more than this share of the stroke, width counts only once force
    /// is back.
    pub lost_share: f64,
    /// An effective bulk modulus below this, Pa, points to air: air-free mineral oil has
    /// 1.4 to 1.8 GPa (common handbook range, from memory), with hoses, walls and some
    /// dissolved air half of that is usual.
    pub soft_oil_pa: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            width_share: 0.15,
            plain_share: 0.35,
            from: 0.4,
            lost_share: 0.005,
            soft_oil_pa: 4e8,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "hysteresis",
    line: "loops that stay wide at speed after gas spring and force delay are taken out",
    explanation: Explanation {
        means: "At equal speed the damper gives another force while speeding up than while slowing down, beyond what the gas spring and a late force \
channel explain. Something gives under load: trapped air, soft mounts, the machine's frame; or something else on this list is at work.",
        seen: "Width of each stroke between its two branches at equal speed, gas force and force delay taken out, over the upper part of the speed range. \
With rod, bore and oil mass on the card the give is also stated as an effective bulk modulus.",
        alike: "Cavitation, play and air in the oil all widen loops; where one of them is found it is the better name. A force channel that is late \
widens every loop in proportion to acceleration and is estimated and taken out.",
        next: "Look at the other findings first. If none is there, run the same damper with another stroke at the same speeds: give scales with force, delay with \
acceleration. Check the frame and the mounts with a stiff bar in place of the damper.",
    },
    judge,
};

/// Density of mineral oil, kg/m³ (common value).
const OIL_DENSITY: f64 = 860.0;

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.hysteresis;
    let mut worst: Option<(f64, f64, usize, [f64; 2], Direction, f64)> = None;
    let mut onset: Option<f64> = None;
    for direction in Direction::BOTH {
        for stroke in look.quick(direction) {
            // Lost travel has findings of its own: start where force is back.
            let sound = stroke.sound_from(t.lost_share);
            let widths: Vec<(f64, [f64; 2])> = stroke
                .branches
                .iter()
                .zip(super::SHARES)
                .filter(|(_, share)| *share >= t.from)
                .filter_map(|(b, _)| *b)
                .filter(|b| b.passage.up >= sound)
                .map(|b| (b.down_n - b.up_n, [b.passage.up, b.passage.down]))
                .collect();
            // Two neighbours together, so that one noisy point does not decide.
            let wide = widths
                .windows(2)
                .map(|w| {
                    if w[0].0.abs() < w[1].0.abs() {
                        w[0]
                    } else {
                        w[1]
                    }
                })
                .max_by(|a, b| a.0.abs().total_cmp(&b.0.abs()));
            if let Some((width, phase)) = wide {
                let share = width.abs() / stroke.half_span_n.max(f64::MIN_POSITIVE);
                if share >= t.width_share {
                    onset = Some(onset.map_or(stroke.speed_m_s, |o: f64| o.min(stroke.speed_m_s)));
                }
                if worst.is_none_or(|w| share > w.0) {
                    worst = Some((
                        share,
                        width,
                        stroke.step,
                        phase,
                        direction,
                        stroke.speed_m_s,
                    ));
                }
            }
        }
    }
    let Some((share, width, step, phase, direction, _)) = worst else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "No stroke has two branches to compare: a motion of constant speed cannot show hysteresis.",
        );
    };
    let mut evidence = vec![
        Evidence::at_least(
            format!(
                "largest width in {} at speed, gas and delay taken out, share of half the peak-to-peak force",
                direction.word()
            ),
            share,
            "1",
            t.width_share,
        )
        .seen(step, Some(phase)),
        Evidence::aside("that width, slowing down less speeding up", Some(width), "N")
            .seen(step, None),
    ];
    if let Some(step) = look.steps_by_speed().last() {
        let h = &step.hysteresis;
        for (what, value) in [
            (
                "share of the fastest loop's area due to the gas spring",
                h.gas_share,
            ),
            ("share due to the force channel's delay", h.lag_share),
            ("share due to give of oil and structure", h.compliance_share),
            ("share not explained", h.remainder_share),
        ] {
            // Shares that lie outside 0 to 1 were not told apart.
            let value = value.filter(|v| (0.0..=1.0).contains(v));
            evidence.push(Evidence::aside(what, value, "1").seen(step.index, None));
        }
    }
    evidence.push(Evidence::aside(
        "force channel behind travel",
        look.case.statics.force_lag_s,
        "s",
    ));
    evidence.push(Evidence::aside(
        "stiffness in series with the oil",
        look.case.statics.series_stiffness_n_m,
        "N/m",
    ));
    let modulus = bulk_modulus(look);
    let soft = modulus.is_some_and(|b| b < t.soft_oil_pa);
    if let Some(b) = modulus {
        evidence.push(Evidence::aside(
            "effective bulk modulus of the oil column",
            Some(b),
            "Pa",
        ));
    }
    let error = look
        .quick(direction)
        .map(|s| s.error_n / s.half_span_n.max(f64::MIN_POSITIVE))
        .fold(0.0, f64::max);
    let verdict = if share >= t.plain_share {
        Verdict::Developed
    } else if share >= t.width_share {
        Verdict::Onset
    } else {
        return Finding::new(
            RULE.name,
            Verdict::None,
            if soft {
                "Loops are narrow at speed, but the oil column is soft for oil alone: air may be trapped. See aeration."
            } else {
                "Loops are narrow at speed once gas spring and force delay are taken out."
            },
        )
        .with(evidence)
        .would_show(
            "width of a loop at speed, share of half the peak-to-peak force",
            t.width_share.max(4.0 * error),
            "1",
            2.0 * t.width_share,
            "record more cycles at each speed.",
        );
    };
    let advice = if soft {
        "Loops stay wide and the oil column is softer than oil alone: trapped air is likely. See the other findings first, then let it stand, pump it \
slowly by hand and run again."
    } else {
        "Loops stay wide at speed. If cavitation, play or air is named above, that is the cause. Otherwise something gives under load: check mounts and \
frame with a stiff bar in place of the damper, and run another stroke at the same speeds."
    };
    Finding::new(RULE.name, verdict, advice)
        .on(Some(Side::from(direction)))
        .from_speed(onset)
        .with(evidence)
        .sized("of half the peak-to-peak force wide", share, "1")
}

/// `B = K·V/A²`: a closed column of volume `V` behind the ring area `A` has the stiffness
/// `K = B·A²/V`. `V` is taken as half the oil of the card.
fn bulk_modulus(look: &Look<'_>) -> Option<f64> {
    let card = look.case.card?;
    let stiffness = look.case.statics.series_stiffness_n_m?;
    let (bore, rod, oil) = (card.bore_mm?, card.rod_mm?, card.oil_kg?);
    let area = FRAC_PI_4 * (bore * bore - rod * rod) * 1e-6;
    let volume = 0.5 * oil / OIL_DENSITY;
    (area > 0.0 && volume > 0.0).then(|| stiffness * volume / (area * area))
}
