//! A damper on its corner: on the terminal and as a page.

mod page;
mod plots;
mod tables;
mod terminal;

pub use page::files;
pub use terminal::terminal;

use crate::compare::{Named, Sentence};
use crate::corner::Corner;
use crate::corner::answer::{OnRoad, Told};
use crate::report::format::{Dual, dual, dual_interval, dual_within};
use crate::report::text::Text;
use crate::units::display::Kind;

/// Name of the report folder.
pub fn folder_name(corner: &Corner) -> String {
    let name = &corner.damper.name;
    match (&corner.against, &corner.pair) {
        (Some(against), _) => format!("{name}-and-{}-on-the-corner", against.other.name),
        (None, Some(pair)) => format!("{name}-beside-{}-on-the-corner", pair.right.name),
        (None, None) => format!("{name}-on-the-corner"),
    }
}

/// The dampers the answer is about, the one asked about first.
fn dampers(corner: &Corner) -> Vec<&Named> {
    let against = corner.against.as_ref().map(|a| &a.other);
    let right = corner.pair.as_ref().map(|p| &p.right);
    [Some(&corner.damper), against, right]
        .into_iter()
        .flatten()
        .collect()
}

/// What the page was made from.
pub fn marker(corner: &Corner) -> String {
    let hashes: Vec<&str> = dampers(corner).iter().map(|n| n.sha256.as_str()).collect();
    format!("corner {}", hashes.join(" "))
}

/// A sentence in both unit systems.
fn text_of(sentence: &Sentence) -> Text {
    Text::from(Dual::by(|shown| sentence.shown(shown)))
}

/// A number rounded as its interval allows.
fn rounded(kind: Kind, told: Told) -> Dual {
    dual_within(kind, told.value, told.ci95)
}

/// What it is and on what; the damping ratio in one sentence, with no verdict: habits of the
/// trade are stated, never applied.
fn headline(corner: &Corner) -> Text {
    let row = corner
        .modes_at_m_s
        .and_then(|v| corner.zeta.iter().find(|z| z.wheel_speed_m_s == v));
    let Some(row) = row.or(corner.zeta.first()) else {
        return Text::from(
            "The force at the wheel only: damping ratios and roads need more of the card",
        );
    };
    let both = row.equal_energy.both;
    let mut text = Text::from("Damping ratio ").num(rounded(Kind::Number, both));
    if let Some(ci) = both.ci95 {
        text = text
            .say(" (95 %: ")
            .num(dual_interval(Kind::Number, ci))
            .say(")");
    }
    text = text
        .say(" at ")
        .num(dual(Kind::Speed, Some(row.wheel_speed_m_s)))
        .say(" of the wheel: compression ")
        .num(rounded(Kind::Number, row.equal_energy.compression))
        .say(", rebound ")
        .num(rounded(Kind::Number, row.equal_energy.rebound));
    match corner.body_hz {
        Some(hz) => text
            .say("; body ")
            .num(dual(Kind::Frequency, Some(hz)))
            .say(match corner.hop_hz {
                Some(_) => ", wheel ",
                None => "",
            })
            .num(
                corner
                    .hop_hz
                    .map_or_else(Dual::default, |hz| dual(Kind::Frequency, Some(hz))),
            ),
        None => text,
    }
}

/// What every output of a corner ends with.
const CLOSING: &str = "Dampers hold gas at pressure, springs hold energy, bodies run hot, and a car rides on the result. \
     This is arithmetic on a measurement; it does not say that a part is fit to use. The maker's instructions, local \
     codes and licensed practice come first.";

/// What was asked, in a line.
fn subtitle(corner: &Corner) -> Text {
    let name = &corner.damper.name;
    Text::from(match (&corner.against, &corner.pair) {
        (Some(a), None) => format!(
            "{name} and {} on one corner, before and after",
            a.other.name
        ),
        (None, Some(p)) => format!("{name} (left) and {} (right) on one axle", p.right.name),
        (Some(a), Some(p)) => format!(
            "{name} on its corner, against {}, and beside {} (right)",
            a.other.name, p.right.name
        ),
        (None, None) => format!("{name} on its corner"),
    })
}

/// The answer on a second damper, if one was asked about: what is beyond doubt, on one road.
fn answer(corner: &Corner) -> Option<Text> {
    let row = tables::middle(corner)?;
    if let Some(against) = &corner.against {
        let change = against
            .roads
            .iter()
            .find(|d| d.class == row.class && d.speed_m_s == row.speed_m_s)?;
        let [body, ride, tyre, travel] = change.share;
        let told: Vec<Text> = [
            ("W_k-weighted acceleration", ride),
            ("body acceleration", body),
            ("tyre load variation", tyre),
            ("travel", travel),
        ]
        .into_iter()
        .filter(|(_, t)| t.ci95.is_some_and(|[low, high]| low > 0.0 || high < 0.0))
        .map(|(name, t)| {
            let more = if t.value > 0.0 { "more" } else { "less" };
            Text::from(format!("{name} "))
                .num(rounded(
                    Kind::Share,
                    Told {
                        value: t.value.abs(),
                        ..t
                    },
                ))
                .say(format!(" {more}"))
        })
        .collect();
        let text = on("With the second damper", row).say(": ");
        if told.is_empty() {
            return Some(text.say("no change that the measurement tells from none"));
        }
        let mut out = text;
        for (i, one) in told.into_iter().enumerate() {
            out = if i == 0 { out } else { out.say(", ") }.and(one);
        }
        return Some(out);
    }
    let pair = corner.pair.as_ref()?;
    if pair.roads.is_empty() {
        return None;
    }
    Some(Text::from(if pair.told_apart {
        "The measurement tells left from right"
    } else {
        "The measurement does not tell left from right: roll and lean may as well be none"
    }))
}

/// Words, and the road they are about.
fn on(words: &str, row: &OnRoad) -> Text {
    let road = if row.class.len() == 1 {
        format!("{words}, road class {} at ", row.class)
    } else {
        format!("{words}, road {} at ", row.class)
    };
    Text::from(road).num(dual(Kind::RoadSpeed, Some(row.speed_m_s)))
}

/// What a part of the answer is called.
fn part_words(part: &str) -> &str {
    match part {
        "wheel_rate_n_m" => "rate at the wheel",
        "undamped_hz" => "undamped modes",
        "least" => "damping of least acceleration and tyre load",
        "critical_n_s_m" => "critical damping",
        "zeta" => "damping ratios",
        "body_hz" => "body frequency",
        "hop_hz" => "wheel hop",
        "modes" => "damped modes",
        "sine" => "sine roads",
        "roads" => "roads",
        "roads[]" => "faster roads",
        "against.roads" => "change on the road",
        "pair.roads" => "left and right on the road",
        "roads[].peaks" => "peaks",
        "roads[].contacts_per_min" => "contacts with the stops",
        "roads[].settles_c" => "temperature on the road",
        other => other,
    }
}
