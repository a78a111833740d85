//! A sweep of runs and their settings to the answer.

use std::collections::BTreeMap;

use super::adjusters::adjuster;
use super::answer::{At, Basis, CLICKS_SCHEMA, Clicks, CurveAt, PointAt, RunAt};
use super::fitted::{Fitted, interval, moments, split};
use super::meets::meets;
use super::odd::{odd, repeats};
use super::settings::{Settings, check_sweep};
use crate::compare::{
    CompareSettings, Moved, Purpose, Sentence, TEMPERATURE_APART_K, Zone, compare,
    mean_temperature, named, say,
};
use crate::notice::Error;
use crate::recording::Certainty;
use crate::run::{Run, Tool};
use crate::steps::Direction;
use crate::units::display::Kind;

/// What is asked of a sweep.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Asked {
    /// Speeds to look at, m/s; `None` takes those measured.
    pub speeds_m_s: Option<Vec<f64>>,
    /// A setting whose curve is wanted: adjuster and value.
    pub at: BTreeMap<String, f64>,
}

/// What every adjuster does, from runs of one damper and their settings, and which setting
/// meets the damper `to`.
///
/// # Errors
/// [`crate::notice::Fault::Input`] for what is no sweep (see [`check_sweep`]) or shares no
/// speed; [`crate::notice::Fault::Usage`] for a setting asked for that is beyond what was run.
pub fn clicks(
    runs: &[Run],
    settings: &[Settings],
    asked: &Asked,
    to: Option<&Run>,
    compare_settings: &CompareSettings,
) -> Result<Clicks, Error> {
    check_sweep(settings)?;
    check_asked(settings, &asked.at)?;
    let refs: Vec<&Run> = runs.iter().collect();
    let names = named(&refs);
    if let Some(twin) =
        (1..names.len()).find(|i| names[..*i].iter().any(|n| n.sha256 == names[*i].sha256))
    {
        return Err(Error::input(
            "same-file",
            format!(
                "{} holds the same bytes as another run of the sweep",
                names[twin].path
            ),
        )
        .help("name every run once: a copy is no repeat"));
    }
    let plain: Vec<At> = settings
        .iter()
        .map(|s| s.iter().map(|(k, v)| (k.clone(), v.value)).collect())
        .collect();
    let fitted = Fitted::of(
        runs,
        settings,
        asked.speeds_m_s.as_deref(),
        &asked.at,
        compare_settings,
    )?;
    let meets = match to {
        None => None,
        Some(other) => Some(meets(&fitted, other, &other.name, compare_settings)?),
    };
    let short: Vec<String> = names.iter().map(|n| n.name.clone()).collect();
    let adjusters = (0..fitted.axes.len())
        .map(|a| {
            let acts_on = |d| acts_on(runs, &plain, &fitted.axes[a].name, d, compare_settings);
            adjuster(&fitted, a, acts_on, compare_settings)
        })
        .collect();
    Ok(Clicks {
        schema: CLICKS_SCHEMA.into(),
        tool: Tool::this(),
        basis: if fitted.is_hydraulic() {
            Basis::Hydraulic
        } else {
            Basis::Total
        },
        reference: reference(&fitted, &plain),
        velocities_m_s: fitted.speeds.clone(),
        adjusters,
        repeats: repeats(&fitted, &short, &plain, compare_settings),
        odd: odd(&fitted, &short, &plain, compare_settings),
        at: (!asked.at.is_empty()).then(|| curve_at(&fitted, &asked.at, compare_settings)),
        meets,
        cautions: cautions(runs, &fitted),
        runs: names
            .into_iter()
            .zip(plain)
            .zip(runs)
            .map(|((name, settings), run)| RunAt {
                name: name.name,
                path: name.path,
                sha256: name.sha256,
                settings,
                temperature_c: mean_temperature(&run.steps),
            })
            .collect(),
        settings: *compare_settings,
    })
}

/// Refuses a setting asked for that no run can tell of.
fn check_asked(settings: &[Settings], at: &BTreeMap<String, f64>) -> Result<(), Error> {
    for (name, value) in at {
        let run: Vec<f64> = settings
            .iter()
            .filter_map(|s| s.get(name))
            .map(|s| s.value)
            .collect();
        let low = run.iter().copied().fold(f64::INFINITY, f64::min);
        let high = run.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if run.is_empty() {
            let known: Vec<&str> = settings
                .first()
                .map_or_else(Vec::new, |s| s.keys().map(String::as_str).collect());
            return Err(Error::usage(
                "unknown-adjuster",
                format!("no run has an adjuster called \"{name}\""),
            )
            .help(format!("the adjusters are: {}", known.join(", "))));
        }
        if !(low..=high).contains(value) {
            return Err(Error::usage(
                "beyond-settings",
                format!(
                    "\"{name}\" at {value} was asked for, but was run from {low} to {high} only"
                ),
            )
            .help("ask for a setting within what was run, or run the damper at that setting"));
        }
    }
    Ok(())
}

/// The reference as settings; adjusters that never moved stand where they stood.
fn reference(fitted: &Fitted, plain: &[At]) -> At {
    let mut out = plain.first().cloned().unwrap_or_default();
    for (axis, &place) in fitted.axes.iter().zip(&fitted.reference) {
        out.insert(axis.name.clone(), axis.grid[place]);
    }
    out
}

/// Parts of the curve that move between the lowest and the highest setting run with all else
/// equal, as a revalve is judged.
fn acts_on(
    runs: &[Run],
    plain: &[At],
    name: &str,
    direction: Direction,
    settings: &CompareSettings,
) -> Vec<String> {
    let mut best: Option<(f64, usize, usize)> = None;
    for (i, one) in plain.iter().enumerate() {
        for (j, other) in plain.iter().enumerate() {
            let alike = one
                .iter()
                .all(|(k, v)| k == name || other.get(k) == Some(v));
            let apart = other[name] - one[name];
            if alike && best.is_none_or(|b| apart > b.0) {
                best = Some((apart, i, j));
            }
        }
    }
    let Some((_, i, j)) = best.filter(|b| b.0 > 0.0) else {
        return Vec::new();
    };
    let both = compare(
        &runs[i],
        std::slice::from_ref(&runs[j]),
        &[],
        Purpose::Revalve,
        settings,
    );
    both.revalve
        .iter()
        .flat_map(|r| &r.zones)
        .filter(|z| z.direction == direction && z.moved == Moved::Moved)
        .map(|z| match z.zone {
            Zone::LowSpeed => "bleed".to_owned(),
            Zone::Knee => "knee".to_owned(),
            Zone::HighSpeed => "high-speed".to_owned(),
        })
        .collect()
}

/// The curve at a setting; adjusters not named stand at the reference.
fn curve_at(fitted: &Fitted, at: &BTreeMap<String, f64>, settings: &CompareSettings) -> CurveAt {
    let places: Vec<usize> = fitted
        .axes
        .iter()
        .zip(&fitted.reference)
        .map(|(axis, &stands)| {
            let asked = at.get(&axis.name).and_then(|v| axis.place(*v));
            asked.unwrap_or(stands)
        })
        .collect();
    let points = fitted
        .cells
        .iter()
        .map(|cell| {
            let draws = cell.draws(&places);
            let sign = cell.direction.sign();
            let force = sign * moments(&draws).0;
            let mut ci95_n = interval(&draws, settings.confidence).map(|x| sign * x);
            ci95_n.sort_by(f64::total_cmp);
            let hydraulic = fitted.is_hydraulic();
            let point = PointAt {
                velocity_m_s: cell.speed,
                hydraulic_n: hydraulic.then_some(force),
                total_n: force + fitted.rest_n(cell.direction),
                ci95_n,
            };
            (cell.direction, point)
        })
        .collect();
    let points = split(points);
    CurveAt {
        settings: fitted
            .axes
            .iter()
            .zip(&places)
            .map(|(axis, &p)| (axis.name.clone(), axis.grid[p]))
            .collect(),
        compression: points.compression,
        rebound: points.rebound,
    }
}

/// What makes the answer weaker than it looks.
fn cautions(runs: &[Run], fitted: &Fitted) -> Vec<Sentence> {
    let mut out = Vec::new();
    if !fitted.is_hydraulic() {
        out.push(say(
            "forces are total forces, as most runs do not tell gas force and friction: a change of charge or seal \
             between runs reads as a change of setting, and percentages count what is not damping",
        ));
    }
    if fitted.is_hydraulic() && !fitted.silent.is_empty() {
        let silent = fitted.silent.iter();
        let names: Vec<&str> = silent.map(|i| runs[*i].name.as_str()).collect();
        out.push(say(format!(
            "{} does not tell gas force and friction: those of the other runs are taken off, as it is one damper",
            names.join(", ")
        )));
    }
    if runs
        .iter()
        .any(|r| r.conventions.certainty == Certainty::Assumed)
    {
        out.push(say(
            "which way is compression was assumed in one run or more: if one of them is the other way round, it \
             does not belong with the rest; settle it with --compression",
        ));
    }
    let warmth: Vec<(&Run, f64)> = runs
        .iter()
        .filter_map(|r| Some((r, mean_temperature(&r.steps)?)))
        .collect();
    if warmth.len() < runs.len() {
        out.push(say(
            "temperature was not recorded in every run, so a warmer run may read as a softer setting",
        ));
    } else if let (Some(low), Some(high)) = (
        warmth.iter().min_by(|a, b| a.1.total_cmp(&b.1)),
        warmth.iter().max_by(|a, b| a.1.total_cmp(&b.1)),
    ) && high.1 - low.1 > TEMPERATURE_APART_K
    {
        out.push(
            say(format!("not run at one temperature: {} at ", low.0.name))
                .number(low.1, Kind::Temperature)
                .text(format!(", {} at ", high.0.name))
                .number(high.1, Kind::Temperature)
                .text("; part of what reads as setting is oil. --reference-temperature refers the curves to one"),
        );
    }
    if fitted.axes.iter().any(|a| a.run.len() < 4) {
        out.push(say(
            "fewer than four settings of an adjuster: between them the course is a guess, and the intervals say so",
        ));
    }
    if fitted.axes.len() > 1 && fitted.design.pairs.is_empty() {
        out.push(say(
            "the adjusters were not run in combination, so what they do together is taken to add up",
        ));
    }
    out
}
