//! The answer of a comparison in one sentence, in the words its purpose asks for.

use super::changes::FindingsChange;
use super::comparison::Comparison;
use super::direction::DirectionComparison;
use super::revalve::{Moved, ZoneChange, at_rest_words};
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
        (
            at_rest_words(comparison, i),
            statics.map(|s| &s.gas_force_n),
        ),
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

/// The largest changes of what is judged at the speeds with this verdict, of either sign:
/// `rebound is softer by up to 485 N (at 4 of 12 speeds, most at 1.00 m/s) and firmer by 154 N at 0.010 m/s`.
fn furthest(
    part: &DirectionComparison,
    direction: Direction,
    grid: &[f64],
    wanted: Verdict,
) -> Option<Sentence> {
    let found: Vec<usize> = part
        .decisive()
        .filter(|k| part.verdicts.get(*k).copied().flatten() == Some(wanted))
        .collect();
    let mut sides: Vec<(f64, Sentence)> = [("firmer", 1.0), ("softer", -1.0)]
        .into_iter()
        .filter_map(|(word, sign)| one_side(part, direction, grid, &found, (word, sign)))
        .collect();
    sides.sort_by(|a, b| b.0.total_cmp(&a.0));
    let sides: Vec<Sentence> = sides.into_iter().map(|s| s.1).collect();
    (!sides.is_empty()).then(|| say(format!("{} is ", direction.word())).join(listed(sides)))
}

/// The largest change of one sign among places of the grid, N, and in words.
fn one_side(
    part: &DirectionComparison,
    direction: Direction,
    grid: &[f64],
    found: &[usize],
    (word, sign): (&str, f64),
) -> Option<(f64, Sentence)> {
    let judged = part.judged();
    let at = |x: &[Option<f64>], k: usize| x.get(k).copied().flatten();
    let change = |k: usize| at(judged.delta_n, k).map(|d| sign * direction.sign() * d);
    let all: Vec<(usize, f64)> = found
        .iter()
        .filter_map(|k| Some((*k, change(*k)?)))
        .filter(|(_, d)| *d > 0.0)
        .collect();
    let (worst, delta) = all.iter().copied().max_by(|a, b| a.1.total_cmp(&b.1))?;
    let by = say(format!("{word} by ")).text(if all.len() > 1 { "up to " } else { "" });
    let by = by.number(delta, Kind::Force);
    let by = match at(judged.delta_pct, worst).filter(|pct| pct.abs() < PLAIN_PCT) {
        Some(pct) => by
            .text(", ")
            .number(0.01 * pct.abs(), Kind::Share)
            .text(", "),
        None => by.text(" "),
    };
    let compared = part.decisive().count();
    let speed = *grid.get(worst)?;
    let by = match all.len() {
        1 => by.text("at ").number(speed, Kind::Speed),
        n if n == compared => by
            .text("at ")
            .number(speed, Kind::Speed)
            .text(" (all driven speeds)"),
        n => by
            .text("at ")
            .number(speed, Kind::Speed)
            .text(format!(" ({n} of {compared} driven speeds)")),
    };
    Some((delta, by))
}

/// The largest difference of a direction that keeps to its tolerance.
fn at_most(part: &DirectionComparison, direction: Direction, grid: &[f64]) -> Option<Sentence> {
    let k = part.worst?;
    let judged = part.judged();
    let delta = judged.delta_n.get(k).copied().flatten()?;
    let by = say(format!("{} differs by at most ", direction.word()));
    let by = match judged.delta_pct.get(k).copied().flatten() {
        Some(pct) => by.number(0.01 * pct.abs(), Kind::Share),
        None => by.number(delta.abs(), Kind::Force),
    };
    Some(by.text(" at ").number(*grid.get(k)?, Kind::Speed))
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
        Some(Verdict::Within) => say("still within the wear limits: ")
            .text(what_is_judged(comparison, i))
            .text(" holds to ")
            .join(tolerance(comparison, i))
            .text(" at every driven speed")
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

/// What verdicts of other `i` rest on.
fn what_is_judged(comparison: &Comparison, i: usize) -> &'static str {
    let valves = Direction::BOTH.into_iter().all(|d| {
        let part = comparison.get(d).get(i);
        part.is_some_and(|p| p.hydraulic.is_some())
    });
    if valves {
        "damping force (gas and friction taken off)"
    } else {
        "total force (gas and friction not taken off)"
    }
}

/// At how many speeds of a direction the data do not settle it.
fn unsettled(part: &DirectionComparison, direction: Direction) -> Option<Sentence> {
    let compared = part.decisive().count();
    let unsure = part.verdicts.iter().flatten();
    let unsure = unsure.filter(|v| **v == Verdict::Undecided).count();
    (unsure > 0).then(|| {
        say(format!(
            "{} may differ by more at {unsure} of {compared} driven speeds",
            direction.word()
        ))
    })
}

/// Findings the used damper has and the reference has not.
fn gained(comparison: &Comparison, i: usize) -> String {
    let found = comparison
        .findings
        .get(i)
        .map(FindingsChange::of_the_damper);
    let found = found.unwrap_or_default().into_iter();
    found
        .map(|f| f.kind.replace('-', " "))
        .collect::<Vec<_>>()
        .join(", ")
}

fn pair(comparison: &Comparison, i: usize, verdict: Option<Verdict>) -> Sentence {
    let within = tolerance(comparison, i);
    let head = match verdict {
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
    };
    at_rest(comparison, i)
        .into_iter()
        .fold(head, |out, one| out.text("; ").join(one))
}
