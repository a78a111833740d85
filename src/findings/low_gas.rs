//! Low gas force or lost oil: the charge is not what it should be.
//!
//! The gas pushes the rod out with `p_gauge · A_rod` at mid-stroke. Held against the damper
//! card that tells how much charge is left; without a card only a force near zero together
//! with force missing from the lowest speeds up says something.

use std::f64::consts::FRAC_PI_4;

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};
use crate::cards::DamperKind;
use crate::steps::Direction;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Gas force over that of the card's charge below which it is low. Temperature alone moves
    /// it by about a third of a percent per °C, a load cell's zero by some newtons.
    pub share_of_card: f64,
    /// … and plainly low.
    pub plain_share_of_card: f64,
    /// Without a card: a gas force that is not above this, N, may be none at all.
    pub none_n: f64,
    /// Net lost motion from the lowest speeds up that counts as force missing there, share of
    /// the stroke.
    pub lost_share: f64,
    /// Lowest speeds are those below this share of the fastest.
    pub low_speed_share: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            share_of_card: 0.75,
            plain_share_of_card: 0.5,
            none_n: 40.0,
            lost_share: 0.03,
            low_speed_share: 0.4,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "low-gas",
    line: "the gas charge is weak, or oil is lost and the gas has more room",
    explanation: Explanation {
        means: "The gas pushes the rod out with less force than it should. Gas has leaked, or oil has, which gives the gas more room. With \
too little pressure behind the oil the damper cavitates at lower speed.",
        seen: "Mean force at rest (taken to zero speed at mid-stroke) against rod area times the charge on the damper card. Without a card: a \
force near zero together with force missing at one end from the lowest speeds up.",
        alike: "A load cell whose zero has drifted moves this force up or down by itself: check it with the damper off. A cold damper reads \
lower, a hot one higher, by a third of a percent per °C. Many twin-tubes have no charge by design.",
        next: "Zero the load cell with nothing fitted and read the force at rest again, at mid-stroke and at the charge's temperature. If it is \
still low, have the charge checked by someone equipped for it. Never loosen a valve or plug of a charged damper; the maker's \
instructions, local rules and licensed practice come first.",
    },
    judge,
};

const BAR: f64 = 1e5;

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.low_gas;
    let statics = look.case.statics;
    let Some(gas) = statics.gas_force_n else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            look.why_not(
                "gas_force_n",
                "No gas force could be had: run a slow step (below 15 mm/s).",
            ),
        );
    };
    if super::spring_fitted::spring(look).is_some() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "A spring is still fitted: its force and the gas' cannot be told apart. Take the spring off and run a slow step.",
        );
    }
    let interval = statics.ci95.gas_force_n.unwrap_or([gas, gas]);
    let card = look.case.card;
    if let Some(expected) = card
        .and_then(|c| Some((c.rod_mm?, c.gas_charge_bar?)))
        .map(|(rod, bar)| bar * BAR * FRAC_PI_4 * (rod * 1e-3).powi(2))
        .filter(|f| *f > 0.0)
    {
        return against_card(gas, interval, expected, &t);
    }
    let lost = Direction::BOTH.map(|d| low_speed_loss(look, d));
    let worst = lost[0].max(lost[1]);
    let none_n = look.scale.newtons(t.none_n);
    let near_zero = interval[0] <= none_n;
    let mut evidence = vec![
        Evidence::below("force at rest, mid-stroke", gas, "N", none_n),
        Evidence::at_least(
            "net lost motion at one end in the lower speeds, share of the stroke",
            worst,
            "1",
            t.lost_share,
        ),
    ];
    let uncharged = card.is_some_and(|c| c.kind == Some(DamperKind::TwinTube));
    if gas <= none_n
        && worst >= t.lost_share
        && look.gap().is_none()
        && look.contacts().is_empty()
        && !super::cavitation::silent(look)
    {
        return Finding::new(
            RULE.name,
            Verdict::Onset,
            "There is next to no gas force and force is missing from low speed up: gas or oil is likely lost. Zero the load cell with nothing \
fitted and look again; give rod diameter and charge on a damper card to put a figure on it. Charging and opening are for the maker's \
instructions and licensed practice.",
        )
        .with(evidence);
    }
    super::asides(&mut evidence);
    if uncharged {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Whether a twin-tube has the little gas it is made with needs rod diameter and charge on a damper card.",
        )
        .with(evidence);
    }
    if near_zero {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Force at rest is near zero. That is right for a damper without a charge and wrong for one with: give rod diameter and charge on a \
damper card, and zero the load cell with nothing fitted.",
        )
        .with(evidence);
    }
    Finding::new(
        RULE.name,
        Verdict::CannotTell,
        "The rod is pushed out at rest. Whether the charge is right needs rod diameter and charge on a damper card.",
    )
    .with(evidence)
}

fn against_card(gas: f64, interval: [f64; 2], expected: f64, t: &Thresholds) -> Finding {
    let share = gas / expected;
    let evidence = vec![
        Evidence::below(
            "force at rest over rod area times the card's charge",
            share,
            "1",
            t.share_of_card,
        ),
        Evidence::aside("force at rest, mid-stroke", Some(gas), "N"),
        Evidence::aside("force of the card's charge", Some(expected), "N"),
    ];
    let (low, high) = (interval[0] / expected, interval[1] / expected);
    let (verdict, advice) = if high < t.plain_share_of_card {
        (
            Verdict::Developed,
            "Less than half of the card's charge is left. Zero the load cell with nothing fitted to make sure, then have gas and oil checked by \
someone equipped for it; follow the maker's instructions, local rules and licensed practice.",
        )
    } else if share < t.share_of_card && low < t.share_of_card {
        if high < t.share_of_card {
            (
                Verdict::Onset,
                "Gas force is below the card's charge. Zero the load cell with nothing fitted, read the force at rest again at the charge's temperature, \
and have the charge checked by someone equipped for it if it stays low.",
            )
        } else {
            (
                Verdict::CannotTell,
                "Gas force looks low, but its interval reaches up to what the card asks for: run a slow step (below 15 mm/s, three cycles).",
            )
        }
    } else {
        (Verdict::None, "Gas force agrees with the card's charge.")
    };
    Finding::new(RULE.name, verdict, advice)
        .with(evidence)
        .sized("of the card's charge", share, "1")
        .would_show(
            "loss of gas force, share of the card's",
            (1.0 - t.share_of_card).max(0.5 * (high - low)),
            "1",
            1.0 - t.plain_share_of_card,
            "run a slow step (below 15 mm/s, three cycles).",
        )
}

/// Median net lost motion of the lower speeds, share of the stroke.
fn low_speed_loss(look: &Look<'_>, direction: Direction) -> f64 {
    let t = look.settings.low_gas;
    let fastest = look.of(direction).next_back().map_or(0.0, |s| s.speed_m_s);
    let shares: Vec<f64> = look
        .quick(direction)
        .filter(|s| s.speed_m_s < t.low_speed_share * fastest)
        .map(|s| s.net_m() / s.stroke_m)
        .collect();
    crate::statistics::percentile(&shares, 0.5).unwrap_or(0.0)
}
