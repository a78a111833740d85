//! The comparison: a base and others, everything side by side.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::cautions::{caution, cautions, cautions_of_all};
use super::changes::{
    FindingsChange, FitsChange, HeatChange, StaticsChange, findings_change, fits_change,
    heat_change,
};
use super::direction::{DirectionComparison, compare_direction};
use super::grid::{Curves, curves_of, grid};
use super::identity;
use super::names::{Named, named};
use super::overall::{notes, overall};
use super::repeat::Repeats;
use super::revalve::{Revalve, revalve, valves};
use super::sentence::Sentence;
use super::settings::{CompareSettings, Purpose};
use super::stories::Stories;
use super::two::Two;
use super::uncertain::{interval, total};
use super::verdict::Verdict;
use super::warmth::Warmth;
use super::wear::{Wear, wear};
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
    /// What valves, gas (or the cell's zero), seals and temperature did, one per other.
    #[serde(default)]
    pub stories: Vec<Stories>,
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
    /// Stable short name (contract: `kind`).
    #[serde(default)]
    pub kind: String,
    /// The same, under the name it had first.
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

    /// Whether other `i` is the very same data as the base.
    fn same_data(&self, i: usize) -> bool {
        self.others[i].sha256 == self.base.sha256
    }

    /// What makes the comparison with other `i` weaker than it looks.
    fn add_cautions(
        &mut self,
        (base, other): (&Run, &Run),
        curves: (&Curves, &Curves),
        warmth: Warmth,
        i: usize,
    ) {
        let (name, same) = (self.others[i].name.clone(), self.same_data(i));
        if !same {
            let same_speed = self.settings.same_speed;
            let found = identity::cautions((base, other), curves, same_speed, self.purpose);
            let found = found.into_iter();
            self.cautions
                .extend(found.map(|(code, text)| caution(Some(&name), code, text)));
        }
        let degrees = (self.reference_c[i], warmth.taken_to_c);
        self.cautions
            .extend(cautions(base, other, same, &name, curves, degrees));
        let range_k = self.settings.temperature_range_k;
        let text = warmth.caution(self.largest_n(i), range_k);
        if let Some(text) = text.filter(|_| !same) {
            self.cautions
                .push(caution(Some(&name), "temperature-unknown", text));
        }
    }

    /// The largest force that is judged, of the base against other `i`, N.
    fn largest_n(&self, i: usize) -> Option<f64> {
        let parts = Direction::BOTH
            .into_iter()
            .filter_map(|d| self.get(d).get(i));
        let all = parts.flat_map(|p| p.judged().base_n.iter().flatten().map(|n| n.abs()));
        all.max_by(f64::total_cmp)
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
    let twos: Vec<Two<'_>> = (0..others.len())
        .map(|i| {
            let name = &other_names[i];
            let both = match &referred[i] {
                Some(r) => (&r.base, &r.other),
                None => (base_curves, &other_curves[i]),
            };
            Two::of(
                &name.name,
                (base, &others[i]),
                (Cow::Borrowed(both.0), Cow::Borrowed(both.1)),
                referred[i].as_ref().map(|r| r.reference_c),
                &repeatability,
                name.sha256 == base_name.sha256,
                settings,
            )
        })
        .collect();
    let of = |direction: Direction| -> Vec<DirectionComparison> {
        let one = |(two, name): (&Two<'_>, &Named)| {
            let sides = two.sides(direction);
            let name = &name.name;
            compare_direction(name, direction, &sides, &grid_m_s, tolerance, settings)
        };
        twos.iter().zip(other_names).map(one).collect()
    };
    let (compression, rebound) = (of(Direction::Compression), of(Direction::Rebound));
    let statics: Vec<StaticsChange> = twos.iter().map(|t| t.statics.clone()).collect();
    let warmths: Vec<Warmth> = twos.iter().map(|t| t.warmth).collect();
    drop(twos);
    let mut out = Comparison {
        schema: COMPARE_SCHEMA.into(),
        tool: Tool::this(),
        purpose,
        base: base_name.clone(),
        others: other_names.to_vec(),
        compression,
        rebound,
        grid_m_s,
        statics,
        fits: (0..others.len())
            .map(|i| fits_change(&other_names[i].name, pair(i).0, pair(i).1))
            .collect(),
        heat: each(others, other_names, |n, o| {
            heat_change(n, base, o, settings)
        }),
        findings: each(others, other_names, |n, o| findings_change(n, base, o)),
        stories: Vec::new(),
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
        let both = (&curves[0], &curves[i + 1]);
        out.add_cautions((base, other), both, warmths[i], i);
        let zones = valves(&out, pair(i).0, i);
        out.stories.push(Stories {
            valves: zones.clone(),
            ..Stories::of(&out.statics[i], warmths[i])
        });
        match purpose {
            Purpose::Revalve => out.revalve.push(revalve(&out, zones, i)),
            Purpose::Wear => {
                let same = out.same_data(i);
                out.wear.push(wear(&out, base, other, i, same));
            }
            Purpose::Pair => {}
        }
        out.overall.push(overall(&out, i));
    }
    out
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
    let runs: Vec<&Run> = std::iter::once(base).chain(repeats).collect();
    Repeats::learnt(&of(base), &more, settings).with_statics(&runs, &settings.repeatability)
}

/// Both sides at one temperature.
struct AtReference {
    reference_c: f64,
    base: Curves,
    other: Curves,
}

/// Both sides at the temperature that was asked for. `None` if none was, or where a channel
/// does not allow it.
fn at_reference(base: &Run, other: &Run, settings: &CompareSettings) -> Option<AtReference> {
    base.reference.as_ref().or(other.reference.as_ref())?;
    let reference_c = base.reference_c()?;
    let both = other.reference_c() == Some(reference_c);
    both.then(|| AtReference {
        reference_c,
        base: curves_of(base, settings),
        other: curves_of(other, settings),
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
