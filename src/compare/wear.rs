//! A used damper against its reference: friction, gas force, lost motion, findings, beside
//! the force lost by speed.

use serde::{Deserialize, Serialize};

use super::changes::FindingsChange;
use super::comparison::Comparison;
use super::sentence::{Sentence, say};
use super::uncertain::{Part, half_width, interval, total};
use super::verdict::Verdict;
use crate::run::Run;
use crate::statistics::Summary;
use crate::steps::{Direction, Step};
use crate::units::display::Kind;

/// One limit and what was found.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct WearCriterion {
    /// What is held against the limit: `friction`, `gas force`, `lost motion at the start of
    /// compression`, `lost motion at the start of rebound`, `new findings`.
    pub name: String,
    /// Change from the reference, SI; `None` if it could not be had.
    pub value: Option<f64>,
    /// SI unit.
    pub unit: String,
    /// Its 95 % interval.
    pub ci95: Option<[f64; 2]>,
    /// Lowest and highest change allowed, SI.
    pub limit: [Option<f64>; 2],
    /// Verdict; `None` if there was nothing to judge.
    pub verdict: Option<Verdict>,
    /// In words.
    pub text: Sentence,
}

/// All limits of one used damper.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Wear {
    /// Name of the other damper.
    pub other: String,
    /// The limits.
    pub criteria: Vec<WearCriterion>,
}

/// Half-width of a 95 % interval over its standard deviation, normal.
pub(super) const HALF_95: f64 = 1.959_963_984_540_054;

/// Holds other `i` of a comparison against the wear limits.
pub(super) fn wear(comparison: &Comparison, base: &Run, other: &Run, i: usize, same: bool) -> Wear {
    let settings = &comparison.settings;
    let limits = &settings.wear;
    let statics = comparison.statics.get(i).cloned().unwrap_or_default();
    let judge = |value: Option<f64>, error: Option<Part>, limit: [Option<f64>; 2]| {
        let error = if same { Some(Part::stated(0.0)) } else { error };
        let verdict = match (value, error) {
            (Some(v), Some(e)) => {
                Verdict::of_limits(v, &e, limit, settings.confidence, settings.alpha)
            }
            _ => Verdict::Undecided,
        };
        let ci = value
            .zip(error)
            .and_then(|(v, e)| interval(v, &e, settings.confidence));
        (verdict, ci)
    };
    let mut criteria = Vec::new();
    let mut add = |name: &str,
                   kind: Kind,
                   unit: &str,
                   value: Option<f64>,
                   error: Option<Part>,
                   limit: [Option<f64>; 2]| {
        let (verdict, ci95) = judge(value, error, limit);
        criteria.push(WearCriterion {
            name: name.to_owned(),
            value,
            unit: unit.to_owned(),
            ci95,
            limit,
            verdict: Some(verdict),
            text: in_words(name, kind, (value, ci95), limit, verdict),
        });
    };
    let part = |ci: Option<[f64; 2]>| ci.map(|[l, h]| Part::stated(0.5 * (h - l) / HALF_95));
    let has_loops = !base.steps.is_empty() && !other.steps.is_empty();
    if has_loops {
        let friction = statics.friction_n;
        add(
            "friction",
            Kind::Force,
            "N",
            friction.delta,
            part(friction.ci95),
            [None, Some(limits.friction_rise_n)],
        );
        let gas = statics.gas_force_n;
        let allowed = gas
            .base
            .map_or(0.0, |b| 0.01 * limits.gas_change_pct * b.abs())
            .max(limits.gas_change_n);
        add(
            "gas force",
            Kind::Force,
            "N",
            gas.delta,
            part(gas.ci95),
            [Some(-allowed), Some(allowed)],
        );
        for direction in Direction::BOTH {
            let growth = lost_growth(base, other, comparison, i, direction);
            add(
                &format!("lost motion at the start of {}", direction.word()),
                Kind::Travel,
                "m",
                growth.map(|g| g.0),
                growth.and_then(|g| g.1),
                [None, Some(limits.lost_motion_rise_m)],
            );
        }
    }
    let gained = comparison
        .findings
        .get(i)
        .map(FindingsChange::of_the_damper);
    if let Some(gained) = gained.filter(|g| !g.is_empty()) {
        let names: Vec<&str> = gained.iter().map(|f| f.kind.as_str()).collect();
        criteria.push(WearCriterion {
            name: "new findings".to_owned(),
            value: Some(names.len() as f64),
            unit: "1".to_owned(),
            ci95: None,
            limit: [None, Some(0.0)],
            verdict: Some(Verdict::Outside),
            text: say(format!(
                "found in the used damper and not in the reference: {}",
                names.join(", ")
            )),
        });
    }
    Wear {
        other: comparison.others[i].name.clone(),
        criteria,
    }
}

/// Largest growth of lost motion over the speeds both were driven at that can tell it from
/// the limit, with its error; of a speed that tells it best where none can.
fn lost_growth(
    base: &Run,
    other: &Run,
    comparison: &Comparison,
    i: usize,
    direction: Direction,
) -> Option<(f64, Option<Part>)> {
    let steps = &comparison.heat.get(i)?.steps;
    let find = |run: &'_ Run, index: usize| run.steps.iter().find(|s| s.index == index).cloned();
    let all: Vec<(f64, Option<Part>)> = steps
        .iter()
        .filter_map(|s| {
            let change = match direction {
                Direction::Compression => s.lost_compression_m,
                Direction::Rebound => s.lost_rebound_m,
            };
            let (a, b) = (find(base, s.base_step)?, find(other, s.other_step)?);
            let error = lost_error(base, &a, direction)
                .zip(lost_error(other, &b, direction))
                .map(|(x, y)| total(&[x, y]));
            Some((change.delta?, error))
        })
        .collect();
    let settings = &comparison.settings;
    let half = |e: &Option<Part>| {
        let half = e.as_ref().and_then(|e| half_width(e, settings.confidence));
        half.unwrap_or(f64::INFINITY)
    };
    let limit = settings.wear.lost_motion_rise_m;
    let tells = all.iter().filter(|(_, e)| half(e) <= limit);
    tells
        .max_by(|x, y| x.0.total_cmp(&y.0))
        .or_else(|| all.iter().min_by(|x, y| half(&x.1).total_cmp(&half(&y.1))))
        .copied()
}

/// A step's own spread counts together with the mean spread of all steps, which is worth
/// this many degrees of freedom: a slow step of two cycles says little by itself.
const SHARED_DF: f64 = 4.0;

/// Error of a step's lost motion: from cycle to cycle, and one sample of travel.
pub(super) fn lost_error(run: &Run, step: &Step, direction: Direction) -> Option<Part> {
    let spread = |step: &Step| {
        let each: Vec<f64> = step
            .series
            .iter()
            .filter_map(|c| match direction {
                Direction::Compression => c.lost_compression_m,
                Direction::Rebound => c.lost_rebound_m,
            })
            .collect();
        let summary = Summary::of(&each)?;
        Some((summary.sd?.powi(2), summary.n as f64))
    };
    let all: Vec<(f64, f64)> = run.steps.iter().filter_map(spread).collect();
    let known: f64 = all.iter().map(|(_, n)| n - 1.0).sum();
    let shared = all.iter().map(|(v, n)| v * (n - 1.0)).sum::<f64>() / known.max(1.0);
    let (own, n) = spread(step)?;
    let lent = SHARED_DF.min(known - (n - 1.0));
    let df = n - 1.0 + lent;
    let variance = ((n - 1.0) * own + lent * shared) / df / n;
    let grain = step.stroke_m / step.samples_per_cycle.max(1.0);
    Some(total(&[Part::estimated(variance, df), Part::stated(grain)]))
}

fn in_words(
    name: &str,
    kind: Kind,
    (value, ci): (Option<f64>, Option<[f64; 2]>),
    limit: [Option<f64>; 2],
    verdict: Verdict,
) -> Sentence {
    let Some(value) = value else {
        return say(format!("{name}: could not be had from both runs"));
    };
    let mut out = say(format!("{name}: ")).change(value, kind);
    if let Some(ci) = ci {
        out = out.text(" (95 % interval ").interval(ci, kind).text(")");
    }
    out = out.text(match verdict {
        Verdict::Within => ", within ",
        Verdict::Outside => ", outside ",
        Verdict::Undecided => ", cannot be told from ",
    });
    match limit {
        [Some(low), Some(high)] => out.interval([low, high], kind),
        [None, Some(high)] => out.text("the limit of ").change(high, kind),
        [Some(low), None] => out.text("the limit of ").change(low, kind),
        [None, None] => out.text("no limit"),
    }
}
