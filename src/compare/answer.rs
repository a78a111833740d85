//! The answer of a comparison in one sentence, in the words its purpose asks for.

use super::comparison::Comparison;
use super::direction::DirectionComparison;
use super::revalve::{AT_REST, Moved, ZoneChange};
use super::sentence::{Sentence, say};
use super::settings::Purpose;
use super::verdict::Verdict;
use crate::steps::Direction;
use crate::units::display::Kind;

/// The answer on other `i`: what moved, whether it is worn, whether it is a pair. `verdict`
/// is the overall one.
pub(super) fn answer(comparison: &Comparison, i: usize, verdict: Option<Verdict>) -> Sentence {
    let compared = Direction::BOTH.into_iter().any(|d| {
        let part = comparison.get(d).get(i);
        part.is_some_and(|p| p.delta_n.iter().any(Option::is_some))
    });
    if !compared {
        return say("nothing can be said: no speed was measured with both dampers");
    }
    match comparison.purpose {
        Purpose::Revalve => revalve(comparison, i, verdict),
        Purpose::Wear => wear(comparison, i, verdict),
        Purpose::Pair => pair(comparison, i, verdict),
    }
}

/// Parts with a word between them, `, ` and at last ` and `.
fn listed(parts: Vec<Sentence>) -> Sentence {
    let last = parts.len().saturating_sub(1);
    let mut out = say("");
    for (k, part) in parts.into_iter().enumerate() {
        out = match k {
            0 => out,
            k if k == last => out.text(" and "),
            _ => out.text(", "),
        }
        .join(part);
    }
    out
}

fn revalve(comparison: &Comparison, i: usize, verdict: Option<Verdict>) -> Sentence {
    let Some(found) = comparison.revalve.get(i) else {
        return say("");
    };
    let judged = match verdict {
        None => say(""),
        Some(Verdict::Within) => say("within the limits: "),
        Some(Verdict::Outside) => say("outside the limits: "),
        Some(Verdict::Undecided) => say("cannot be told from the limits: "),
    };
    let valves = found.zones.iter().all(|z| z.hydraulic);
    let judged = if valves {
        judged
    } else {
        judged.text("total force, gas and friction not taken off: ")
    };
    let Some(main) = found.main_direction else {
        let unsure = found
            .zones
            .iter()
            .filter(|z| z.moved == Moved::CannotTell)
            .count();
        let rest = at_rest(comparison, i);
        let words = match (unsure, rest.is_empty(), valves) {
            (0, true, _) => "nothing moved, both curves are the same in every part",
            (0, false, true) => "the valves do the same in every part of both curves",
            (0, false, false) => "both curves are the same in every part",
            (_, _, true) => {
                "no change of the valves is shown, but not every part is shown to be the same either"
            }
            (_, _, false) => {
                "no change is shown, but not every part is shown to be the same either"
            }
        };
        return rest
            .into_iter()
            .fold(judged.text(words), |out, one| out.text("; ").join(one));
    };
    let mut out = judged.join(zones(&found.zones, main));
    let side = match main {
        Direction::Compression => Direction::Rebound,
        Direction::Rebound => Direction::Compression,
    };
    let others: Vec<&ZoneChange> = found.zones.iter().filter(|z| z.direction == side).collect();
    if others.iter().any(|z| z.moved == Moved::Moved) {
        out = out.text("; ").join(zones(&found.zones, side));
    } else if others.iter().all(|z| z.moved == Moved::Unchanged) && !others.is_empty() {
        out = out.text(format!("; {} is unchanged", side.word()));
    } else if !others.is_empty() {
        out = out.text(format!("; {} shows no change", side.word()));
    }
    at_rest(comparison, i)
        .into_iter()
        .fold(out, |out, one| out.text("; ").join(one))
}

/// What gas and seals did, where it is shown.
fn at_rest(comparison: &Comparison, i: usize) -> Vec<Sentence> {
    let statics = comparison.statics.get(i);
    [
        (AT_REST, statics.map(|s| &s.gas_force_n)),
        ("friction (seals)", statics.map(|s| &s.friction_n)),
    ]
    .into_iter()
    .filter_map(|(word, change)| {
        let change = change.filter(|c| c.moved() == Some(true))?;
        Some(say(format!("{word} ")).change(change.delta?, Kind::Force))
    })
    .collect()
}

/// What moved in one direction: `rebound is firmer by 62 % at low speed (bleed) and …`.
fn zones(all: &[ZoneChange], direction: Direction) -> Sentence {
    let moved = || {
        all.iter()
            .filter(|z| z.direction == direction && z.moved == Moved::Moved)
    };
    let groups = [("firmer", true), ("softer", false)]
        .into_iter()
        .filter_map(|(word, firmer)| {
            let parts: Vec<Sentence> = moved()
                .filter(|z| (z.delta_n > 0.0) == firmer)
                .map(|z| {
                    let by = match z.delta_pct {
                        Some(pct) => say("").number(0.01 * pct.abs(), Kind::Share),
                        None => say("").number(z.delta_n.abs(), Kind::Force),
                    };
                    by.text(format!(" at {}", z.zone.place()))
                })
                .collect();
            (!parts.is_empty()).then(|| say(format!("{word} by ")).join(listed(parts)))
        })
        .collect();
    say(format!("{} is ", direction.word())).join(listed(groups))
}

/// Where a direction is furthest from its tolerance among the speeds with this verdict:
/// `rebound is softer by up to 9.5 % (at 4 of 18 speeds, most at 0.031 m/s)`.
fn furthest(
    part: &DirectionComparison,
    direction: Direction,
    grid: &[f64],
    wanted: Verdict,
) -> Option<Sentence> {
    let at = |x: &[Option<f64>], k: usize| x.get(k).copied().flatten();
    let compared = part.delta_n.iter().flatten().count();
    let found: Vec<usize> = (0..grid.len())
        .filter(|k| at(&part.delta_n, *k).is_some())
        .filter(|k| part.verdicts.get(*k).copied().flatten() == Some(wanted))
        .collect();
    let size = |k: usize| {
        let allowed = at(&part.tolerance_n, k).filter(|t| *t > 0.0).unwrap_or(1.0);
        at(&part.delta_n, k).map_or(0.0, |d| d.abs() / allowed)
    };
    let worst = found
        .iter()
        .copied()
        .max_by(|a, b| size(*a).total_cmp(&size(*b)))?;
    let delta = direction.sign() * at(&part.delta_n, worst)?;
    let base = direction.sign() * at(&part.base_n, worst)?;
    let by = say(format!(
        "{} is {} by ",
        direction.word(),
        if delta > 0.0 { "firmer" } else { "softer" }
    ))
    .text(if found.len() > 1 { "up to " } else { "" });
    // A share of a force that is small or does not resist tells nobody anything.
    let by = match at(&part.delta_pct, worst).filter(|pct| base > 0.0 && pct.abs() < PLAIN_PCT) {
        Some(pct) => by.number(0.01 * pct.abs(), Kind::Share),
        None => by.number(delta.abs(), Kind::Force),
    };
    let speed = *grid.get(worst)?;
    Some(match found.len() {
        1 => by.text(" at ").number(speed, Kind::Speed),
        n if n == compared => by
            .text(" (all speeds, most at ")
            .number(speed, Kind::Speed)
            .text(")"),
        n => by
            .text(format!(" ({n} of {compared} speeds, most at "))
            .number(speed, Kind::Speed)
            .text(")"),
    })
}

/// The largest difference of a direction that keeps to its tolerance.
fn at_most(part: &DirectionComparison, direction: Direction, grid: &[f64]) -> Option<Sentence> {
    let speed = part.worst_velocity_m_s?;
    let k = grid.iter().position(|v| *v == speed)?;
    let delta = (*part.delta_n.get(k)?)?;
    let by = say(format!("{} differs by at most ", direction.word()));
    let by = match part.delta_pct.get(k).copied().flatten() {
        Some(pct) => by.number(0.01 * pct.abs(), Kind::Share),
        None => by.number(delta.abs(), Kind::Force),
    };
    Some(by.text(" at ").number(speed, Kind::Speed))
}

/// Changes from this on are told in newton: the force they are a share of is small.
const PLAIN_PCT: f64 = 100.0;

/// [`furthest`] of the directions with this verdict.
fn furthest_of(comparison: &Comparison, i: usize, verdict: Verdict) -> Vec<Sentence> {
    Direction::BOTH
        .into_iter()
        .filter_map(|d| {
            let part = comparison.get(d).get(i)?;
            let wanted = part.verdict == Some(verdict);
            wanted.then(|| furthest(part, d, &comparison.grid_m_s, verdict))?
        })
        .collect()
}

fn tolerance(comparison: &Comparison, i: usize) -> Sentence {
    let pct = Direction::BOTH
        .into_iter()
        .find_map(|d| comparison.get(d).get(i)?.tolerance_pct)
        .unwrap_or(0.0);
    say("").set(0.01 * pct, Kind::Share)
}

fn wear(comparison: &Comparison, i: usize, verdict: Option<Verdict>) -> Sentence {
    let criteria = comparison.wear.get(i).map_or(&[][..], |w| &w.criteria);
    let of = |wanted: Verdict| criteria.iter().filter(move |c| c.verdict == Some(wanted));
    match verdict {
        Some(Verdict::Within) => say("still within the wear limits: forces hold to ")
            .join(tolerance(comparison, i))
            .text(" at every speed compared")
            .text(if criteria.is_empty() {
                ""
            } else {
                ", and friction, gas force and lost motion keep to theirs"
            }),
        Some(Verdict::Outside) => {
            let mut parts = furthest_of(comparison, i, Verdict::Outside);
            parts.extend(of(Verdict::Outside).map(|c| match c.value {
                Some(value) if c.unit == "N" => {
                    say(format!("{} ", c.name)).change(value, Kind::Force)
                }
                Some(value) if c.unit == "m" => {
                    say(format!("{} ", c.name)).change(value, Kind::Travel)
                }
                _ => say(format!("new: {}", gained(comparison, i))),
            }));
            say("worn beyond the limits: ").join(listed(parts))
        }
        _ => {
            let mut parts: Vec<Sentence> = Direction::BOTH
                .into_iter()
                .filter(|d| {
                    let part = comparison.get(*d).get(i);
                    part.is_some_and(|p| p.verdict != Some(Verdict::Within))
                })
                .map(|d| say(format!("{} force", d.word())))
                .collect();
            parts.extend(of(Verdict::Undecided).map(|c| say(c.name.clone())));
            say("cannot tell whether it is worn beyond the limits: the data do not settle ")
                .join(listed(parts))
        }
    }
}

/// At how many speeds of a direction the data do not settle it.
fn unsettled(part: &DirectionComparison, direction: Direction) -> Option<Sentence> {
    let compared = part.delta_n.iter().flatten().count();
    let unsure = part.verdicts.iter().flatten();
    let unsure = unsure.filter(|v| **v == Verdict::Undecided).count();
    (unsure > 0).then(|| {
        say(format!(
            "{} may differ by more at {unsure} of {compared} speeds",
            direction.word()
        ))
    })
}

/// Findings the used damper has and the reference has not.
fn gained(comparison: &Comparison, i: usize) -> String {
    let found = comparison.findings.get(i).map_or(&[][..], |f| &f.gained);
    let names: Vec<String> = found.iter().map(|f| f.kind.replace('-', " ")).collect();
    names.join(", ")
}

fn pair(comparison: &Comparison, i: usize, verdict: Option<Verdict>) -> Sentence {
    let within = tolerance(comparison, i);
    match verdict {
        Some(Verdict::Within) => say("a pair within ").join(within).text(": ").join(listed(
            Direction::BOTH
                .into_iter()
                .filter_map(|d| at_most(comparison.get(d).get(i)?, d, &comparison.grid_m_s))
                .collect(),
        )),
        Some(Verdict::Outside) => say("not a pair within ")
            .join(within)
            .text(": ")
            .join(listed(furthest_of(comparison, i, Verdict::Outside))),
        _ => {
            let unsure: Vec<Sentence> = Direction::BOTH
                .into_iter()
                .filter_map(|d| unsettled(comparison.get(d).get(i)?, d))
                .collect();
            let head = say("cannot tell whether they are a pair within ").join(within);
            if unsure.is_empty() {
                head
            } else {
                head.text(": ")
                    .join(listed(unsure))
                    .text("; a repeat of the base (--repeat) would help to settle it")
            }
        }
    }
}
