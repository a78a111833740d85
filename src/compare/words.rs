//! Verdicts in words.

use super::direction::DirectionComparison;
use super::sentence::{Sentence, say};
use super::verdict::Verdict;
use crate::steps::Direction;
use crate::units::display::Kind;

/// Why a direction got its verdict, with the worst speed.
pub fn reasons_of_direction(
    part: &DirectionComparison,
    direction: Direction,
    grid: &[f64],
) -> Sentence {
    let word = direction.word();
    let speeds: Vec<f64> = compared(part, grid);
    let (Some(low), Some(high)) = (speeds.first(), speeds.last()) else {
        return say(format!(
            "{word}: no speed was measured with both dampers, so nothing can be said"
        ));
    };
    let judged: Vec<f64> = part
        .decisive()
        .filter_map(|k| grid.get(k).copied())
        .collect();
    let (low, high) = (judged.first().unwrap_or(low), judged.last().unwrap_or(high));
    let n = judged.len();
    let count = |v: Verdict| part.verdicts.iter().flatten().filter(|x| **x == v).count();
    let tolerance = 0.01 * part.tolerance_pct.unwrap_or(0.0);
    let head = match part.verdict {
        Some(Verdict::Within) => say(format!("{word}: within "))
            .set(tolerance, Kind::Share)
            .text(format!(" at all {n} driven speeds")),
        Some(Verdict::Outside) => say(format!("{word}: outside "))
            .set(tolerance, Kind::Share)
            .text(format!(
                " at {} of {n} driven speeds",
                count(Verdict::Outside)
            )),
        _ => say(format!(
            "{word}: the data cannot tell at {} of {n} driven speeds whether it keeps to ",
            count(Verdict::Undecided)
        ))
        .set(tolerance, Kind::Share),
    };
    let range = head
        .text(", ")
        .bare(*low, Kind::Speed)
        .text(" to ")
        .number(*high, Kind::Speed);
    match worst(part, direction, grid) {
        Some(worst) => range.text("; worst ").join(worst),
        None => range,
    }
}

/// The worst speed in words: where, how much, how sure.
pub(super) fn worst(
    part: &DirectionComparison,
    direction: Direction,
    grid: &[f64],
) -> Option<Sentence> {
    let k = part.worst?;
    let at = *grid.get(k)?;
    let judged = part.judged();
    let delta = direction.sign() * (*judged.delta_n.get(k)?)?;
    let mut out = say("at ").number(at, Kind::Speed).text(": ");
    if let Some(Some(pct)) = judged.delta_pct.get(k) {
        out = out.change(0.01 * pct, Kind::Share).text(", ");
    }
    out = out.change(delta, Kind::Force);
    if let Some(Some([low, high])) = judged.ci95_n.get(k) {
        let mut ends = [direction.sign() * low, direction.sign() * high];
        ends.sort_by(f64::total_cmp);
        out = out
            .text(" (95 % interval ")
            .interval(ends, Kind::Force)
            .text(")");
    }
    Some(out)
}

/// Speeds at which both were read.
pub fn compared(part: &DirectionComparison, grid: &[f64]) -> Vec<f64> {
    grid.iter()
        .zip(&part.delta_n)
        .filter(|(_, d)| d.is_some())
        .map(|(v, _)| *v)
        .collect()
}
