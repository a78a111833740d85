//! What says that two runs are not what they are taken for: signs read the other way round,
//! serial numbers, ladders of speeds that do not meet.

use super::comparison::Caution;
use super::force_curve::ForceCurve;
use super::grid::Curves;
use super::sentence::{Sentence, say};
use super::settings::Purpose;
use crate::run::Run;
use crate::steps::Direction;

/// Code of the caution that the signs of two files differ.
pub(super) const SIGNS_DIFFER: &str = "signs-differ";
/// Codes of what is said before anything else.
pub(super) const FIRST: [&str; 3] = [SIGNS_DIFFER, "serial-numbers", "ladders-differ"];

/// Taken the other way round, forces agree to this factor's logarithm…
const ALIKE: f64 = 0.12;
/// …and as they are read they differ by this many times as much: only a damper whose two
/// directions differ plainly shows it.
const TIMES: f64 = 4.0;
/// Speeds below this share of the fastest are left out: gas and friction weigh more there.
const FAST: f64 = 0.3;
/// Fewer speeds driven with both than this share of all are remarked on.
const SHARED: f64 = 0.5;
/// Labels of serial numbers, in lower case (a file's own, or given with `--label`).
const SERIALS: [&str; 8] = [
    "serial",
    "serial number",
    "serial no",
    "serial no.",
    "s/n",
    "damper serial",
    "damper id",
    "seriennummer",
];

/// Cautions of this room about one other.
pub(super) fn cautions(
    (base, other): (&Run, &Run),
    (base_curves, other_curves): (&Curves, &Curves),
    same_speed: f64,
    purpose: Purpose,
) -> Vec<(&'static str, Sentence)> {
    let mut out = Vec::new();
    if turned_round(base_curves, other_curves) {
        out.push((SIGNS_DIFFER, say(
            "compression of the one looks like rebound of the other: one of the two files is read with its signs \
             the wrong way round, and nothing can be said until --compression or --force settles which",
        )));
    }
    if let Some(text) = serials(base, other, purpose) {
        out.push(("serial-numbers", text));
    }
    if let Some(text) = ladders(base_curves, other_curves, same_speed) {
        out.push(("ladders-differ", text));
    }
    out
}

/// Mean of |ln| of the ratio of two resisting forces at the speeds both have, the slow ones
/// left out; `None` where one does not resist, or without speeds.
fn apart(a: (&ForceCurve, Direction), b: (&ForceCurve, Direction)) -> Option<f64> {
    let top = a.0.range()?[1].min(b.0.range()?[1]);
    let all: Vec<f64> =
        a.0.speeds()
            .chain(b.0.speeds())
            .filter(|v| (FAST * top..=top).contains(v))
            .filter_map(|v| {
                let force = |(curve, direction): (&ForceCurve, Direction)| {
                    Some(direction.sign() * curve.at(v)?.force_n).filter(|f| *f > 0.0)
                };
                Some((force(a)? / force(b)?).ln().abs())
            })
            .collect();
    (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
}

/// Whether one of the two is read the other way round. Total force: read so, gas changes its
/// sign with the rest.
fn turned_round(a: &Curves, b: &Curves) -> bool {
    let (c, r) = (Direction::Compression, Direction::Rebound);
    let of = |x: Direction, y: Direction| apart((a.get(x), x), (b.get(y), y));
    let (Some(cc), Some(rr), Some(cr), Some(rc)) = (of(c, c), of(r, r), of(c, r), of(r, c)) else {
        return false;
    };
    let (as_read, turned) = (cc.min(rr), cr.max(rc));
    turned <= ALIKE && as_read > TIMES * turned.max(ALIKE / TIMES)
}

fn serial(run: &Run) -> Option<&str> {
    let card = run.damper.as_ref().and_then(|d| d.serial.as_deref());
    let label = || {
        run.metadata
            .iter()
            .find(|(k, _)| SERIALS.contains(&k.trim().to_lowercase().as_str()))
            .map(|(_, v)| v.as_str())
    };
    card.or_else(label).map(str::trim).filter(|s| !s.is_empty())
}

/// One damper before and after has one serial number; two of a pair have two.
fn serials(base: &Run, other: &Run, purpose: Purpose) -> Option<Sentence> {
    let (a, b) = (serial(base)?, serial(other)?);
    match purpose {
        Purpose::Revalve if a != b => Some(say(format!(
            "the files name two dampers (serial numbers {a} and {b}): what differs is told as if one damper had \
             been changed"
        ))),
        Purpose::Pair if a == b => Some(say(format!(
            "both files name the same damper (serial number {a}): two runs of one damper are no pair"
        ))),
        _ => None,
    }
}

/// Speeds driven with both are compared as measured; the others are read between.
fn ladders(a: &Curves, b: &Curves, same_speed: f64) -> Option<Sentence> {
    let driven = |c: &Curves| -> Vec<f64> {
        let of = |d: Direction| c.get(d).speeds().collect::<Vec<f64>>();
        let (c, r) = (of(Direction::Compression), of(Direction::Rebound));
        if c.len() >= r.len() { c } else { r }
    };
    let (a, b) = (driven(a), driven(b));
    let alike = |x: f64, y: f64| (x / y).ln().abs() <= 2.0 * same_speed;
    let shared = a
        .iter()
        .filter(|x| b.iter().any(|y| alike(**x, *y)))
        .count();
    let most = a.len().max(b.len());
    (most > 0 && (shared as f64) < SHARED * most as f64).then(|| {
        say(format!(
            "the ladders of speeds differ: {shared} speed(s) of {} and {} were driven with both; at the others one \
             of the two is read between its speeds",
            a.len(),
            b.len()
        ))
    })
}

/// A caution that says so first.
pub(super) fn stands_first(caution: &Caution) -> bool {
    FIRST.contains(&caution.code.as_str())
}
