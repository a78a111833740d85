//! What makes a comparison weaker than it looks.

use super::comparison::Caution;
use super::grid::Curves;
use super::repeat::Repeats;
use super::sentence::{Sentence, say};
use super::settings::TEMPERATURE_APART_K;
use crate::findings::{Finding, Verdict as Seen, about_the_measurement};
use crate::recording::{Certainty, Role};
use crate::run::Run;
use crate::steps::{Direction, Step};
use crate::units::display::Kind;

/// Strokes further apart than this share are remarked on.
const STROKE_APART: f64 = 0.1;
/// Labels under which files name their machine (compared in lower case).
const MACHINE_LABELS: [&str; 6] = ["rig", "dyno", "bench", "machine", "test bench", "prüfstand"];

/// Cautions that concern all.
pub(super) fn cautions_of_all(base: &Run, others: &[Run], repeats: &Repeats) -> Vec<Caution> {
    let mut out = Vec::new();
    let assumed: Vec<&str> = std::iter::once(base)
        .chain(others)
        .filter(|r| r.conventions.certainty == Certainty::Assumed)
        .map(|r| r.name.as_str())
        .collect();
    if !assumed.is_empty() {
        out.push(caution(None, "signs-assumed", say(format!(
            "nothing settles which way is compression in {}: if the assumption is wrong, its compression was \
             compared with the other's rebound; settle it with --compression",
            assumed.join(", ")
        ))));
    }
    for run in std::iter::once(base).chain(others) {
        let seen = |f: &&Finding| about_the_measurement(&f.kind) && f.verdict >= Seen::Onset;
        let names: Vec<String> = run
            .findings
            .iter()
            .filter(seen)
            .map(|f| f.kind.replace('-', " "))
            .collect();
        if !names.is_empty() {
            out.push(caution(None, "measurement", say(format!(
                "the measurement of {}, or the way it was run, is in doubt ({}): that is no wear and no difference of \
                 the damper, but what is compared rests on it; its own analysis says what to check",
                run.name,
                names.join(", ")
            ))));
        }
    }
    if repeats.repeats > 0 && repeats.repeats < 3 {
        out.push(caution(None, "few-repeats", say(format!(
            "repeatability rests on {} repeat(s) and the usual figure; five or more would settle it",
            repeats.repeats
        ))));
    }
    out
}

/// Cautions about one other.
pub(super) fn cautions(
    base: &Run,
    other: &Run,
    same_data: bool,
    name: &str,
    (base_curves, other_curves): (&Curves, &Curves),
    (referred_to, taken_to): (Option<f64>, Option<f64>),
) -> Vec<Caution> {
    let mut out = Vec::new();
    let mut add = |code: &str, text: Sentence| out.push(caution(Some(name), code, text));
    if same_data {
        add(
            "same-data",
            say(
                "this is the same file as the base: the difference is zero by nature and shows nothing",
            ),
        );
        return out;
    }
    if base.steps.is_empty() != other.steps.is_empty() {
        add(
            "table-and-run",
            say(
                "one is a reduced table and the other a full run: only curves and fits can be compared, and the \
             table's forces are taken as total forces at mid-stroke",
            ),
        );
    } else if base.steps.is_empty() {
        add(
            "tables",
            say(
                "both are reduced tables: they hold no cycle spread, so intervals carry repeatability and the \
             gaps between speeds only",
            ),
        );
    }
    for direction in Direction::BOTH {
        let (a, b) = (base_curves.get(direction), other_curves.get(direction));
        if let Some(text) = ranges(direction, a.range(), b.range()) {
            add("speed-range", text);
        }
    }
    if let (Some(a), Some(b)) = (strokes(&base.steps), strokes(&other.steps))
        && (a[0] / b[0] - 1.0).abs().max((a[1] / b[1] - 1.0).abs()) > STROKE_APART
    {
        add("strokes-differ", say("driven over different strokes (")
            .join(stroke_words(a)).text(" and ").join(stroke_words(b))
            .text("): heat per cycle and hysteresis are not alike at equal speed; forces at mid-stroke are"));
    }
    if let Some(text) = asked(base, other, referred_to) {
        add("reference-temperature", text);
    }
    if let (Some(a), Some(b)) = (
        mean_temperature(&base.steps),
        mean_temperature(&other.steps),
    ) && (a - b).abs() > TEMPERATURE_APART_K
    {
        add(
            "temperatures-differ",
            say("measured at different temperatures (mean ")
                .number(a, Kind::Temperature)
                .text(" and ")
                .number(b, Kind::Temperature)
                .text("): ")
                .join(match (referred_to, taken_to) {
                    (Some(c), _) => {
                        say("both are compared as they would be at ").set(c, Kind::Temperature)
                    }
                    (None, Some(c)) => say(
                        "damping forces without gas and friction are compared as they would be at ",
                    )
                    .set(c.round(), Kind::Temperature)
                    .text(", total forces as measured"),
                    (None, None) => say("part of the difference is oil, not valving"),
                })
                .text("; gas pushes some 0.3 % a kelvin harder when warm"),
        );
    }
    if let Some(text) = units(base, other) {
        add("units-differ", text);
    }
    if let (Some(a), Some(b)) = (machine(base), machine(other))
        && a != b
    {
        add(
            "machines-differ",
            say(format!(
                "measured on different machines (\"{a}\" and \"{b}\"): their calibration differs by more than one \
             machine repeats"
            )),
        );
    }
    out
}

pub(super) fn caution(other: Option<&str>, code: &str, text: Sentence) -> Caution {
    Caution {
        other: other.map(str::to_owned),
        kind: code.to_owned(),
        code: code.to_owned(),
        text,
    }
}

/// Speeds one has and the other has not.
fn ranges(direction: Direction, a: Option<[f64; 2]>, b: Option<[f64; 2]>) -> Option<Sentence> {
    let word = direction.word();
    let (a, b) = match (a, b) {
        (Some(a), Some(b)) => (a, b),
        (None, None) => return Some(say(format!("neither has {word}"))),
        (None, Some(_)) => return Some(say(format!("the base has no {word}"))),
        (Some(_), None) => return Some(say(format!("it has no {word}, the base has"))),
    };
    let range = |r: [f64; 2]| {
        say("")
            .bare(r[0], Kind::Speed)
            .text(" to ")
            .number(r[1], Kind::Speed)
    };
    if a[0].max(b[0]) > a[1].min(b[1]) * 1.01 {
        return Some(
            say(format!(
                "{word}: no shared speeds, the base was measured from "
            ))
            .join(range(a))
            .text(" and this one from ")
            .join(range(b)),
        );
    }
    ((a[1] / b[1]).ln().abs() > 0.05).then(|| {
        say(format!("{word}: compared up to "))
            .number(a[1].min(b[1]), Kind::Speed)
            .text(" only; the base reaches ")
            .number(a[1], Kind::Speed)
            .text(", this one ")
            .number(b[1], Kind::Speed)
    })
}

fn strokes(steps: &[Step]) -> Option<[f64; 2]> {
    let all = || steps.iter().map(|s| s.stroke_m);
    (!steps.is_empty()).then(|| {
        [
            all().fold(f64::INFINITY, f64::min),
            all().fold(0.0, f64::max),
        ]
    })
}

fn stroke_words(s: [f64; 2]) -> Sentence {
    if (s[1] / s[0] - 1.0).abs() < 0.03 {
        say("").number(s[1], Kind::Travel)
    } else {
        say("")
            .bare(s[0], Kind::Travel)
            .text(" to ")
            .number(s[1], Kind::Travel)
    }
}

/// Mean over steps of the mean of first and last, °C.
pub fn mean_temperature(steps: &[Step]) -> Option<f64> {
    let all: Vec<f64> = steps
        .iter()
        .filter_map(|s| s.temperature_c)
        .map(|t| f64::midpoint(t.start, t.end))
        .collect();
    (!all.is_empty()).then(|| all.iter().sum::<f64>() / all.len() as f64)
}

/// What became of the temperature that was asked for.
fn asked(base: &Run, other: &Run, referred_to: Option<f64>) -> Option<Sentence> {
    let wanted = base.reference.as_ref().or(other.reference.as_ref())?;
    if let Some(c) = referred_to {
        return Some(
            say("curves, slopes and knees are compared as they would be at ")
                .set(c, Kind::Temperature)
                .text("; gas force, friction, heat, loop width and lost motion in the tables as measured"),
        );
    }
    let mut text = say("could not be referred to ")
        .set(wanted.temperature_c, Kind::Temperature)
        .text(", so both are compared as measured");
    for run in [base, other] {
        if let Some(why) = run.reference.as_ref().and_then(|r| r.why_not.as_ref()) {
            text = text.text(format!("; {}: {why}", run.name));
        }
    }
    Some(text)
}

fn units(a: &Run, b: &Run) -> Option<Sentence> {
    let unit = |r: &Run, role: Role| {
        r.channels
            .iter()
            .find(|c| c.role == role)
            .map(|c| c.unit.clone())
    };
    let differ: Vec<String> = [(Role::Displacement, "travel"), (Role::Force, "force")]
        .into_iter()
        .filter_map(|(role, word)| {
            let (x, y) = (unit(a, role)?, unit(b, role)?);
            (x != y).then(|| format!("{word} in {x} and {y}"))
        })
        .collect();
    (!differ.is_empty()).then(|| {
        say(format!(
            "recorded in different units ({}); both are converted exactly",
            differ.join(", ")
        ))
    })
}

fn machine(run: &Run) -> Option<&str> {
    run.metadata
        .iter()
        .find(|(k, _)| MACHINE_LABELS.contains(&k.to_lowercase().as_str()))
        .map(|(_, v)| v.trim())
        .filter(|v| !v.is_empty())
}
