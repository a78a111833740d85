//! Overheated: oil or body hotter than seals, oil or hands can take, measured or estimated.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};
use crate::heat::Heat;
use crate::notice::Notice;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Temperature from which oil and common seals begin to suffer, °C. 100: nitrile seals
    /// are rated to about 100 to 120 °C for long use (common practice).
    pub hot_c: f64,
    /// Temperature that is plainly too hot, °C.
    pub plain_c: f64,
    /// Burn threshold of bare metal for a contact of one minute, °C: 51 (EN ISO 13732-1, from
    /// memory).
    pub touch_minute_c: f64,
    /// The same for ten seconds, °C: 55 (likewise from memory).
    pub touch_ten_seconds_c: f64,
    /// The same for one second, °C: 65 (likewise from memory).
    pub touch_second_c: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            hot_c: 100.0,
            plain_c: 120.0,
            touch_minute_c: 51.0,
            touch_ten_seconds_c: 55.0,
            touch_second_c: 65.0,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "overheated",
    line: "oil or body hotter than oil, seals or hands can take, measured or estimated",
    explanation: Explanation {
        means: "The damper turned more into heat than it could give off. Hot oil is thin and ages fast, seals harden, gas pressure rises, and bare metal burns \
skin on touch.",
        seen: "The highest temperature of the channel if it can be believed, else the estimate from the masses and the cooling figure on the damper card; where \
the hardest step would settle if it went on.",
        alike: "A channel in °F read as °C, a loose thermocouple or a hot exhaust beside the sensor look hot too. A channel that cannot be true is named and not \
used.",
        next: "Let it cool before the next repeat and before touching it. Shorten the hard steps, or blow air over the body. Oil that has been this hot is best \
changed; follow the maker's instructions.",
    },
    judge,
};

/// The highest temperature known, °C, and whether it was measured.
fn hottest(heat: &Heat) -> Option<(f64, bool)> {
    let measured = heat
        .temperature
        .as_ref()
        .filter(|t| t.used)
        .and_then(|t| t.max_c)
        .map(|t| (t, true));
    let estimated = heat
        .forecasts
        .iter()
        .find(|f| f.basis == "card")
        .map(|f| (f.highest_c, false));
    measured.or(estimated)
}

/// A settling temperature above this is not given, °C.
const BELIEVED_C: f64 = 180.0;

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.overheated;
    let heat = look.case.heat;
    let Some((hottest, measured)) = hottest(heat) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "There is no temperature channel that can be used and no oil or metal mass on a damper card: how hot it got cannot be told. Do not touch the body \
after a hard run before you know.",
        );
    };
    let how = if measured { "measured" } else { "an estimate" };
    let mut evidence = vec![
        Evidence::at_least(
            format!("highest temperature, {how}"),
            hottest,
            "°C",
            t.hot_c,
        ),
        Evidence::aside(
            "burn threshold of bare metal for one minute's touch",
            Some(t.touch_minute_c),
            "°C",
        ),
    ];
    let hardest = heat
        .per_step
        .iter()
        .max_by(|a, b| a.power_w.total_cmp(&b.power_w));
    let settled = hardest.and_then(|s| {
        let measured = s.settled_c.map(|m| m.value);
        let card = || {
            let forecast = heat.forecasts.iter().find(|f| f.basis == "card")?;
            forecast
                .per_step
                .iter()
                .find(|p| p.step == s.step)?
                .settled_c
        };
        measured.or_else(card).map(|c| (c, s.step))
    });
    // A line drawn so far ahead is no estimate: oil and seals would be gone before.
    if let Some((c, step)) = settled.filter(|(c, _)| *c <= BELIEVED_C) {
        evidence.push(
            Evidence::aside(
                "where the hardest step would settle, an estimate",
                Some(c),
                "°C",
            )
            .seen(step, None),
        );
    }
    let (verdict, advice) = if hottest >= t.plain_c {
        (
            Verdict::Developed,
            "Far hotter than common oil and seals are made for. Stop, let it cool out of reach, and have oil and seals looked at as the maker prescribes.",
        )
    } else if hottest >= t.hot_c {
        (
            Verdict::Onset,
            "At the edge of what common oil and seals are made for. Let it cool before the next repeat; do not touch bare metal, which goes on warming for some minutes after the stop.",
        )
    } else if hottest >= t.touch_minute_c {
        (
            Verdict::None,
            "Not too hot for oil and seals, but too hot to hold: bare metal this warm burns skin, and the surface goes on warming for some minutes after the stop. Let it cool before handling.",
        )
    } else {
        (Verdict::None, "Neither oil nor body got hot in this run.")
    };
    Finding::new(RULE.name, verdict, advice)
        .with(evidence)
        .sized(how, hottest, "°C")
}

/// A warning about touching the body, where the numbers call for one.
pub fn touch_warning(heat: &Heat, t: &Thresholds) -> Option<Notice> {
    let (hottest, measured) = hottest(heat)?;
    let contact = if hottest >= t.touch_second_c {
        "a second"
    } else if hottest >= t.touch_ten_seconds_c {
        "ten seconds"
    } else if hottest >= t.touch_minute_c {
        "a minute"
    } else {
        return None;
    };
    Some(
        Notice::warning(
            "hot-surface",
            format!(
                "the damper reached {hottest:.0} °C ({}): bare metal this hot burns skin within {contact} of touch \
                 (burn thresholds after EN ISO 13732-1, from memory)",
                if measured { "measured" } else { "an estimate" }
            ),
        )
        .help("let it cool, or wear gloves made for heat, before touching it"),
    )
}
