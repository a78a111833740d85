//! The comparison: a base and others, everything side by side.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::answer::answer;
use super::cautions::{cautions, cautions_of_all, mean_temperature};
use super::changes::{
    FindingsChange, FitsChange, HeatChange, StaticsChange, findings_change, fits_change,
    heat_change, statics_change,
};
use super::direction::{DirectionComparison, Sides, compare_direction};
use super::grid::{Curves, curves_at_reference, curves_of, grid};
use super::hydraulic::{AtRest, hydraulic};
use super::names::{Named, named};
use super::repeat::Repeats;
use super::revalve::{Revalve, revalve};
use super::sentence::{Sentence, say};
use super::settings::{CompareSettings, Purpose};
use super::uncertain::{interval, total};
use super::verdict::Verdict;
use super::wear::{Wear, wear};
use super::words::reasons_of_direction;
use crate::run::{Run, Tool};
use crate::steps::{Direction, PerDirection};

/// The schema name of [`Comparison`].
pub const COMPARE_SCHEMA: &str = "loopwork.compare/1";

/// Verdict on one of the others (contract: `overall[]`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Overall {
    /// Name.
    pub other: String,
    /// Verdict; `None` if none was asked for (a revalve without a tolerance) .
    pub verdict: Option<Verdict>,
    /// The answer in one sentence.
    #[serde(default)]
    pub answer: Sentence,
    /// Why, the weightiest first.
    pub reasons: Vec<Sentence>,
}

/// Dampers side by side (contract: `compare`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Comparison {
    /// [`COMPARE_SCHEMA`].
    pub schema: String,
    /// Who made it.
    pub tool: Tool,
    /// Why they are compared.
    pub purpose: Purpose,
    /// What everything is compared with.
    pub base: Named,
    /// The others, in the order given.
    pub others: Vec<Named>,
    /// Speeds, m/s, rising.
    pub grid_m_s: Vec<f64>,
    /// Compression, one per other.
    pub compression: Vec<DirectionComparison>,
    /// Rebound, one per other.
    pub rebound: Vec<DirectionComparison>,
    /// Gas force, stiffness, friction, one per other.
    pub statics: Vec<StaticsChange>,
    /// Slopes and knees, one per other.
    pub fits: Vec<FitsChange>,
    /// Heat, hysteresis, lost motion at shared speeds, one per other.
    pub heat: Vec<HeatChange>,
    /// Findings gained and lost, one per other.
    pub findings: Vec<FindingsChange>,
    /// What moved, for `revalve`; one per other, else empty.
    pub revalve: Vec<Revalve>,
    /// Held against wear limits, for `wear`; one per other, else empty.
    pub wear: Vec<Wear>,
    /// Verdicts.
    pub overall: Vec<Overall>,
    /// Repeatability the intervals rest on.
    pub repeatability: Repeats,
    /// The settings used.
    pub settings: CompareSettings,
    /// Temperature that both were taken to before they were compared, °C, one per other;
    /// `null` where they are compared as measured.
    pub reference_c: Vec<Option<f64>>,
    /// What makes the comparison weaker than it looks, per other (`other` and text).
    pub cautions: Vec<Caution>,
    /// How the numbers were made.
    pub notes: Vec<Sentence>,
    /// The curves as they were read, base first, for drawing.
    #[serde(skip)]
    pub traces: Vec<PerDirection<Vec<TracePoint>>>,
}

/// A point of a curve as it was read.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TracePoint {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Total force at mid-stroke, N, our signs.
    pub force_n: f64,
    /// Its 95 % interval, run-to-run repeatability included.
    pub ci95_n: Option<[f64; 2]>,
    /// True at the peak speed of a driven step.
    pub driven: bool,
}

/// Points of a traced curve beside its anchors.
const TRACE_POINTS: usize = 96;

fn traced(
    curves: &Curves,
    repeats: &Repeats,
    settings: &CompareSettings,
) -> PerDirection<Vec<TracePoint>> {
    let of = |direction: Direction| {
        curves
            .get(direction)
            .trace(TRACE_POINTS)
            .into_iter()
            .map(|(v, r)| {
                let error = total(&[r.cycles, r.between, repeats.at(r.force_n)]);
                TracePoint {
                    velocity_m_s: v,
                    force_n: r.force_n,
                    ci95_n: interval(r.force_n, &error, settings.confidence),
                    driven: curves.get(direction).speeds().any(|s| s == v),
                }
            })
            .collect()
    };
    PerDirection {
        compression: of(Direction::Compression),
        rebound: of(Direction::Rebound),
    }
}

/// A caution about one of the others, or about all.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Caution {
    /// Name of the damper; `None` if it concerns all.
    pub other: Option<String>,
    /// Stable short name.
    pub code: String,
    /// The words.
    pub text: Sentence,
}

impl Comparison {
    /// One direction of all others.
    pub fn get(&self, direction: Direction) -> &[DirectionComparison] {
        match direction {
            Direction::Compression => &self.compression,
            Direction::Rebound => &self.rebound,
        }
    }

    /// The worst verdict of all others; `None` if none was given.
    pub fn worst(&self) -> Option<Verdict> {
        Verdict::all(self.overall.iter().filter_map(|o| o.verdict))
    }

    /// Others that share no speed with the base in either direction.
    pub fn without_shared_speed(&self) -> Vec<&str> {
        let none = |d: &DirectionComparison| d.delta_n.iter().all(Option::is_none);
        self.others
            .iter()
            .zip(self.compression.iter().zip(&self.rebound))
            .filter(|(_, (c, r))| none(c) && none(r))
            .map(|(o, _)| o.name.as_str())
            .collect()
    }
}

/// Compares `others` with `base`. `repeats` are further runs of the base damper, from which
/// run-to-run repeatability is learnt.
pub fn compare(
    base: &Run,
    others: &[Run],
    repeats: &[Run],
    purpose: Purpose,
    settings: &CompareSettings,
) -> Comparison {
    let all: Vec<&Run> = std::iter::once(base).chain(others).collect();
    let names = named(&all);
    let measured: Vec<Cow<'_, Run>> = all.iter().map(|r| r.measured()).collect();
    let curves: Vec<Curves> = measured.iter().map(|r| curves_of(r, settings)).collect();
    let (base_name, other_names) = split(&names);
    let (base_curves, other_curves) = (&curves[0], &curves[1..]);
    let repeatability = if repeats.is_empty() {
        Repeats::stated(&settings.repeatability)
    } else {
        learnt(base, repeats, settings)
    };
    let shared = |v: f64| {
        Direction::BOTH.iter().any(|d| {
            base_curves.get(*d).at(v).is_some()
                && other_curves.iter().any(|c| c.get(*d).at(v).is_some())
        })
    };
    let refs: Vec<&Curves> = curves.iter().collect();
    let grid_m_s = grid(&refs, settings, shared);
    let tolerance = match purpose {
        Purpose::Revalve => settings.tolerance_pct,
        _ => Some(settings.tolerance(purpose)),
    };
    let referred: Vec<Option<AtReference>> = others
        .iter()
        .map(|o| at_reference(base, o, settings))
        .collect();
    // Where a temperature was asked for, curve and fits of a pair are at it together or not at all.
    let pair = |i: usize| match &referred[i] {
        Some(_) => (base, &others[i]),
        None => (measured[0].as_ref(), measured[i + 1].as_ref()),
    };
    let drawn = |i: usize| match i.checked_sub(1) {
        Some(other) => referred[other].as_ref().map_or(&curves[i], |r| &r.other),
        None => match referred.first() {
            Some(Some(r)) if referred.iter().all(Option::is_some) => &r.base,
            _ => &curves[0],
        },
    };
    let base_rest = AtRest::of(base);
    let other_rests: Vec<Option<AtRest>> = others.iter().map(AtRest::of).collect();
    let of = |direction: Direction| -> Vec<DirectionComparison> {
        other_curves
            .iter()
            .zip(&referred)
            .zip(other_names.iter().zip(&other_rests))
            .map(|((curves, referred), (name, rest))| {
                let (base, other) = match referred {
                    Some(r) => (&r.base, &r.other),
                    None => (base_curves, curves),
                };
                let sides = Sides {
                    base: base.get(direction),
                    other: other.get(direction),
                    repeats: &repeatability,
                    same_data: name.sha256 == base_name.sha256,
                };
                let mut part =
                    compare_direction(&name.name, &sides, &grid_m_s, tolerance, settings);
                part.hydraulic = base_rest
                    .as_ref()
                    .zip(rest.as_ref())
                    .map(|(a, b)| hydraulic(direction, &sides, (a, b), &grid_m_s, settings));
                resisting_percent(part, direction)
            })
            .collect()
    };
    let mut out = Comparison {
        schema: COMPARE_SCHEMA.into(),
        tool: Tool::this(),
        purpose,
        base: base_name.clone(),
        others: other_names.to_vec(),
        compression: of(Direction::Compression),
        rebound: of(Direction::Rebound),
        grid_m_s,
        statics: each(others, other_names, |n, o| {
            let mut change = statics_change(n, base, o);
            if n != base_name.name || o.source != base.source {
                change.allow_for_runs(&repeatability, settings.confidence);
            }
            change
        }),
        fits: (0..others.len())
            .map(|i| fits_change(&other_names[i].name, pair(i).0, pair(i).1))
            .collect(),
        heat: each(others, other_names, |n, o| {
            heat_change(n, base, o, settings)
        }),
        findings: each(others, other_names, |n, o| findings_change(n, base, o)),
        revalve: Vec::new(),
        wear: Vec::new(),
        overall: Vec::new(),
        reference_c: referred
            .iter()
            .map(|r| r.as_ref().map(|r| r.reference_c))
            .collect(),
        cautions: cautions_of_all(base, others, &repeatability),
        notes: notes(&repeatability, tolerance, settings),
        traces: (0..all.len())
            .map(|i| traced(drawn(i), &repeatability, settings))
            .collect(),
        repeatability,
        settings: *settings,
    };
    for (i, other) in others.iter().enumerate() {
        let name = other_names[i].name.clone();
        let same = other_names[i].sha256 == base_name.sha256;
        let reference = referred[i].as_ref().map(|r| r.reference_c);
        let both = (&curves[0], &curves[i + 1]);
        out.cautions
            .extend(cautions(base, other, same, &name, both, reference));
        match purpose {
            Purpose::Revalve => out.revalve.push(revalve(&out, pair(i).0, i)),
            Purpose::Wear => out.wear.push(wear(&out, base, other, i, same)),
            Purpose::Pair => {}
        }
        out.overall.push(overall(&out, i));
    }
    out
}

/// Percentages with the sign of the resisting force's change, also where the base's force
/// does not resist (gas that pushes the rod out in slow rebound).
fn resisting_percent(mut part: DirectionComparison, direction: Direction) -> DirectionComparison {
    for (pct, base) in part.delta_pct.iter_mut().zip(&part.base_n) {
        if base.is_some_and(|b| direction.sign() * b < 0.0) {
            *pct = pct.map(|x| -x);
        }
    }
    part
}

/// Repeatability from repeats of the base: all at the temperature that was asked for, or all
/// as measured.
fn learnt(base: &Run, repeats: &[Run], settings: &CompareSettings) -> Repeats {
    let asked = base.reference_c();
    let at_one = asked.is_some() && repeats.iter().all(|r| r.reference_c() == asked);
    let of = |run: &Run| {
        if at_one {
            curves_of(run, settings)
        } else {
            curves_of(&run.measured(), settings)
        }
    };
    let more: Vec<Curves> = repeats.iter().map(of).collect();
    Repeats::learnt(&of(base), &more, settings)
}

/// Both sides at one temperature.
struct AtReference {
    reference_c: f64,
    base: Curves,
    other: Curves,
}

/// Both sides at the temperature that was asked for; if none was, at the common reference
/// temperature where their temperatures are far enough apart to matter. `None` where a
/// channel does not allow it.
fn at_reference(base: &Run, other: &Run, settings: &CompareSettings) -> Option<AtReference> {
    if base.reference.is_some() || other.reference.is_some() {
        let reference_c = base.reference_c()?;
        let both = other.reference_c() == Some(reference_c);
        return both.then(|| AtReference {
            reference_c,
            base: curves_of(base, settings),
            other: curves_of(other, settings),
        });
    }
    let apart = (mean_temperature(&base.steps)? - mean_temperature(&other.steps)?).abs();
    if apart < settings.refer_beyond_k {
        return None;
    }
    let (reference_c, base) = curves_at_reference(base, settings)?;
    let (other_c, other) = curves_at_reference(other, settings)?;
    (reference_c == other_c).then_some(AtReference {
        reference_c,
        base,
        other,
    })
}

fn split(names: &[Named]) -> (&Named, &[Named]) {
    (&names[0], &names[1..])
}

fn each<T>(others: &[Run], names: &[Named], one: impl Fn(&str, &Run) -> T) -> Vec<T> {
    others
        .iter()
        .zip(names)
        .map(|(o, n)| one(&n.name, o))
        .collect()
}

/// Verdict and reasons of one other.
fn overall(comparison: &Comparison, i: usize) -> Overall {
    let mut verdicts = Vec::new();
    let mut reasons: Vec<(Option<Verdict>, Sentence)> = Vec::new();
    if let Some(revalve) = comparison.revalve.get(i) {
        reasons.extend(revalve.sentences.iter().map(|s| (None, s.clone())));
    }
    for direction in Direction::BOTH {
        let Some(part) = comparison.get(direction).get(i) else {
            continue;
        };
        let compared = part.delta_n.iter().any(Option::is_some);
        if part.tolerance_pct.is_some() {
            let verdict = if compared {
                part.verdict
            } else {
                Some(Verdict::Undecided)
            };
            verdicts.extend(verdict);
            reasons.push((
                verdict,
                reasons_of_direction(part, direction, &comparison.grid_m_s),
            ));
        } else if !compared {
            reasons.push((
                None,
                say(format!(
                    "{}: no speed was measured with both dampers",
                    direction.word()
                )),
            ));
        }
    }
    if let Some(wear) = comparison.wear.get(i) {
        for criterion in &wear.criteria {
            verdicts.extend(criterion.verdict);
            reasons.push((criterion.verdict, criterion.text.clone()));
        }
    }
    // The worst first; the order within one verdict is kept.
    reasons.sort_by_key(|(v, _)| std::cmp::Reverse(*v));
    let verdict = Verdict::all(verdicts);
    Overall {
        other: comparison.others[i].name.clone(),
        answer: answer(comparison, i, verdict),
        verdict,
        reasons: reasons.into_iter().map(|(_, s)| s).collect(),
    }
}

fn notes(
    repeatability: &Repeats,
    tolerance: Option<f64>,
    settings: &CompareSettings,
) -> Vec<Sentence> {
    use crate::units::display::Kind;
    let mut out = vec![match repeatability.measured_over_stated {
        None => say("run-to-run repeatability was not measured: each run's force is taken to repeat to ")
            .set(0.01 * repeatability.pct, Kind::Share)
            .text(" and ")
            .set(repeatability.n, Kind::Force)
            .text(
                " (one standard deviation, common practice); give a second run of the base with --repeat to \
                 measure it",
            ),
        Some(ratio) => say(format!(
            "run-to-run repeatability from {} repeat(s) of the base, which spread {:.1} times as far as the \
             usual figure, held together with that figure: ",
            repeatability.repeats, ratio
        ))
        .set(0.01 * repeatability.pct, Kind::Share)
        .text(" and ")
        .set(repeatability.n, Kind::Force)
        .text(" (one standard deviation of one run)"),
    }];
    if let Some(pct) = tolerance {
        out.push(
            say("allowed difference: ")
                .set(0.01 * pct, Kind::Share)
                .text(" of the base's force, at least ")
                .set(settings.tolerance_floor_n, Kind::Force)
                .text(match settings.tolerance_pct {
                    Some(_) => "",
                    None => " (default, common practice; set your own with --tolerance)",
                }),
        );
        out.push(say(format!(
            "within: at every speed two one-sided tests at {:.0} % show the difference inside the tolerance; \
             outside: at some speed it lies outside at {:.0} % confidence, allowing for the number of speeds \
             looked at; else undecided",
            100.0 * settings.alpha,
            100.0 * settings.confidence
        )));
    }
    out.push(say(
        "forces are total forces at mid-stroke, gas and friction included; speeds both were not measured at \
         are left out",
    ));
    out
}
