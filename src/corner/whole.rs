//! The whole answer, in order.

use std::collections::BTreeMap;

use super::answer::{Against, CORNER_SCHEMA, Corner, Pair, ZetaChange};
use super::car::Car;
use super::card::CornerCard;
use super::damper::Damper;
use super::pair;
use super::road::Profile;
use super::roads::{self, Condition, Track, Way};
use super::setup::{self, Setup};
use crate::compare::{Sentence, named, say};
use crate::notice::Error;
use crate::run::{Run, Tool};
use crate::steps::Direction;
use crate::units::display::Kind;

/// Likely curves behind an interval.
pub const LIKELY: usize = 50;

/// What a corner is asked.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    /// The damper.
    pub run: &'a Run,
    /// Its corner.
    pub card: &'a CornerCard,
    /// Before and after: the other damper.
    pub against: Option<&'a Run>,
    /// Left and right: the damper of the other side.
    pub other_side: Option<&'a Run>,
    /// A measured road, by name, driven beside the classes.
    pub road: Option<(&'a str, &'a Profile)>,
}

/// Answers it.
///
/// # Errors
/// [`crate::notice::Fault::Input`] for a run without a curve in both directions.
pub fn corner(question: &Question<'_>) -> Result<Corner, Error> {
    let ready = |run: &Run, which: u64| {
        Damper::of(run, LIKELY, question.card.seed.wrapping_add(which)).map_err(|why| {
            Error::input("no-curve", format!("{}: {why}", run.name))
                .help("measure compression and rebound at several speeds")
        })
    };
    let damper = ready(question.run, 0)?;
    let against = question.against.map(|r| ready(r, 1)).transpose()?;
    let other_side = question.other_side.map(|r| ready(r, 2)).transpose()?;
    let runs: Vec<&Run> = [Some(question.run), question.against, question.other_side]
        .into_iter()
        .flatten()
        .collect();
    let mut names = named(&runs).into_iter();
    let setup = Setup::of(question.card);
    let mut out = statics(&setup, &damper);
    out.damper = names.next().unwrap_or_default();
    if let (Some(_), Some(other)) = (question.against, &against) {
        out.against = Some(Against {
            other: names.next().unwrap_or_default(),
            zeta: zeta_changes(&setup, &damper, other),
            roads: Vec::new(),
        });
    }
    if let (Some(_), Some(_)) = (question.other_side, &other_side) {
        out.pair = Some(Pair {
            left: out.damper.clone(),
            right: names.next().unwrap_or_default(),
            roads: Vec::new(),
            told_apart: false,
        });
    }
    match setup.car {
        Some(car) => {
            out.sine = setup::sine(&setup, &car, &damper);
            on_roads(
                &mut out,
                &setup,
                &car,
                question,
                [Some(&damper), against.as_ref(), other_side.as_ref()],
            );
        }
        None => {
            let why = format!(
                "the card leaves out {}",
                setup.missing([true; 4]).join(", ")
            );
            for part in ["sine", "roads"] {
                out.why_not.insert(part.into(), why.clone());
            }
            if out.against.is_some() {
                out.why_not.insert("against.roads".into(), why.clone());
            }
            if out.pair.is_some() {
                out.why_not.insert("pair.roads".into(), why);
            }
        }
    }
    Ok(out)
}

/// A road on which the damper is faster than measured for more of the time than this is told
/// by the curve's continuation, not by its measurement.
const MOST_BEYOND: f64 = 0.25;

fn is_held(driven: &roads::Driven) -> bool {
    driven.row.beyond_measured_share <= MOST_BEYOND && driven.row.body_acc.value.is_finite()
}

/// The drives that the measurement carries, with their conditions.
fn held(
    driven: Vec<roads::Driven>,
    conditions: Vec<Condition>,
) -> (Vec<roads::Driven>, Vec<Condition>) {
    driven
        .into_iter()
        .zip(conditions)
        .filter(|(d, _)| is_held(d))
        .unzip()
}

fn on_roads(
    out: &mut Corner,
    setup: &Setup,
    car: &Car,
    question: &Question<'_>,
    [damper, against, other_side]: [Option<&Damper>; 3],
) {
    let Some(damper) = damper else {
        return;
    };
    let all: Vec<&Damper> = [Some(damper), against, other_side]
        .into_iter()
        .flatten()
        .collect();
    let track = Track::of(setup, car, &all);
    let card = &setup.card;
    if track.dt() < setup::LEAST_STEP_S {
        out.why_not.insert(
            "roads".into(),
            "friction or the curve near rest is too steep for this corner: it would not move on such roads".into(),
        );
        return;
    }
    let classes = card.roads.iter().map(|class| Way::Class(*class));
    let measured = question
        .road
        .map(|(name, profile)| Way::Measured(name.to_owned(), profile.clone()));
    let conditions: Vec<Condition> = classes
        .chain(measured)
        .flat_map(|way| {
            card.speeds_m_s.iter().map(move |speed| Condition {
                way: way.clone(),
                speed: *speed,
            })
        })
        .collect();
    let (driven, conditions) = held(
        roads::drive_all(setup, car, damper, &track, &conditions),
        conditions,
    );
    if conditions.len()
        < card.speeds_m_s.len() * (card.roads.len() + usize::from(question.road.is_some()))
    {
        out.why_not.insert(
            "roads[]".into(),
            format!(
                "a road on which the damper is faster than measured for more than {} % of the time is left out: measure faster",
                100.0 * MOST_BEYOND
            ),
        );
    }
    for (condition, driven) in conditions.iter().zip(&driven) {
        out.roads
            .extend(roads::linearised(setup, car, damper, condition));
        out.roads.push(driven.row.clone());
    }
    if driven.iter().any(|d| d.row.peaks.is_none()) {
        out.why_not.insert(
            "roads[].peaks".into(),
            format!(
                "withheld where more than {} % of the time lies beyond the fastest measured speed (and not told by the linearised level)",
                100.0 * card.withhold_share
            ),
        );
    }
    if card.bump_m.is_none() || card.droop_m.is_none() {
        out.why_not.insert(
            "roads[].contacts_per_min".into(),
            "the card leaves out bump or droop travel".into(),
        );
    }
    if damper.cooling.is_none() {
        out.why_not.insert(
            "roads[].settles_c".into(),
            "the damper card leaves out cooling_w_per_k or air_temperature_c".into(),
        );
    }
    if let (Some(other), Some(part)) = (against, &mut out.against) {
        let others = roads::drive_all(setup, car, other, &track, &conditions);
        part.roads = roads::differences(&driven, &others);
        // The other damper may be measured less far.
        let good: Vec<bool> = others.iter().map(is_held).collect();
        let mut keep = good.iter();
        part.roads.retain(|_| keep.next().is_some_and(|k| *k));
    }
    if let (Some(other), Some(part)) = (other_side, &mut out.pair) {
        let conditions: Vec<Condition> = conditions
            .iter()
            .filter(|c| {
                roads::linearised(setup, car, other, c)
                    .is_some_and(|row| row.beyond_measured_share <= MOST_BEYOND)
            })
            .cloned()
            .collect();
        part.roads = pair::pair(setup, car, [damper, other], &track, &conditions);
        part.told_apart = part.roads.iter().any(|p| {
            p.mismatch
                .ci95
                .is_some_and(|[low, high]| low > 0.0 || high < 0.0)
        });
        if card.roll_inertia_kg_m2.is_none() || card.track_m.is_none() {
            out.why_not.insert(
                "pair.roads".into(),
                "the card leaves out roll_inertia_kg_m2 or track_mm".into(),
            );
        }
    }
}

fn zeta_changes(setup: &Setup, base: &Damper, other: &Damper) -> Vec<ZetaChange> {
    let Some(critical) = setup.critical else {
        return Vec::new();
    };
    let sums = |d: &Damper| -> (super::law::Sums, Vec<super::law::Sums>) {
        (
            setup.at_wheel(&d.law).sums(),
            d.likely.iter().map(|l| setup.at_wheel(l).sums()).collect(),
        )
    };
    let ((b, bs), (o, os)) = (sums(base), sums(other));
    setup::wheel_speeds(setup, &[base, other])
        .into_iter()
        .map(|v| {
            let apart = |b: &super::law::Sums, o: &super::law::Sums| {
                (o.sine_both(v) - b.sine_both(v)) / critical
            };
            let likely: Vec<f64> = bs.iter().zip(&os).map(|(b, o)| apart(b, o)).collect();
            ZetaChange {
                wheel_speed_m_s: v,
                change: setup::told(apart(&b, &o), &likely),
            }
        })
        .collect()
}

/// Everything that needs no road.
fn statics(setup: &Setup, damper: &Damper) -> Corner {
    let card = &setup.card;
    let zeta = setup::zeta(setup, damper);
    let modes = setup::modes_row(&zeta);
    let rate = setup.wheel_n_m;
    let body_hz = rate.zip(card.sprung_kg).map(|(k, m)| {
        let k = card.tyre_n_m.map_or(k, |t| super::car::ride_rate(k, t));
        super::car::frequency(k, m)
    });
    let hop_hz = match (rate, card.tyre_n_m, card.unsprung_kg) {
        (Some(k), Some(t), Some(m)) => Some(super::car::frequency(k + t, m)),
        _ => None,
    };
    let mut why_not = BTreeMap::new();
    let mut missing = |part: &str, needs: [bool; 4]| {
        let lacks = setup.missing(needs);
        if !lacks.is_empty() {
            let said = format!("the card leaves out {}", lacks.join(", "));
            why_not.insert(part.to_owned(), said);
        }
    };
    missing("wheel_rate_n_m", [true, false, false, false]);
    for part in ["critical_n_s_m", "zeta", "body_hz"] {
        missing(part, [true, true, false, false]);
    }
    missing("hop_hz", [true, false, true, true]);
    for part in ["modes", "undamped_hz", "least"] {
        missing(part, [true; 4]);
    }
    Corner {
        schema: CORNER_SCHEMA.into(),
        tool: Tool::this(),
        damper: crate::compare::Named::default(),
        inputs: card.clone(),
        assumed: assumed(setup, damper),
        why_not,
        fastest_measured_m_s: damper.law.fastest(),
        knees_m_s: damper.knees.clone(),
        wheel_curve: setup::wheel_curve(setup, damper),
        wheel_rate_n_m: rate,
        critical_n_s_m: setup.critical,
        body_hz,
        hop_hz,
        undamped_hz: setup.car.map(|c| c.undamped()),
        modes: modes.and_then(|z| z.modes),
        modes_at_m_s: modes.map(|z| z.wheel_speed_m_s),
        least: setup.car.zip(setup.critical).map(|(car, critical)| {
            [
                Some(car.least_acceleration() / critical),
                car.least_tyre_load().map(|c| c / critical),
            ]
        }),
        zeta,
        sine: Vec::new(),
        roads: Vec::new(),
        against: None,
        pair: None,
        cautions: CAUTIONS.iter().map(|c| (*c).to_owned()).collect(),
    }
}

const CAUTIONS: [&str; 4] = [
    "a quarter car knows nothing of pitch, roll bars, aero or the tyre's grip: it ranks two dampers on one corner, it does not set up a car",
    "ride is that of the body over the wheel, without seat, pitch and engine",
    "the tyre is a spring that always pulls: where it would leave the road, heat and tyre load are too high",
    "the curve is that of the temperature it was measured at; heat on the road is not fed back",
];

fn assumed(setup: &Setup, damper: &Damper) -> Vec<Sentence> {
    let card = &setup.card;
    let mut out = Vec::new();
    if card.spring_n_m.is_some() && card.spring_ratio.is_none() {
        out.push(say(
            "the spring moves with the damper (no spring_ratio on the card)",
        ));
    }
    if card.tyre_n_m.is_none() && setup.wheel_n_m.is_some() {
        out.push(say(
            "body frequency is on the wheel rate: the card has no tyre rate",
        ));
    }
    if card.bump_rate_n_m.is_none() && (card.bump_m.is_some() || card.droop_m.is_some()) {
        out.push(say(
            "stops are counted and not felt (no bump_rate on the card)",
        ));
    }
    if card.motion_ratio.steady().is_none() {
        out.push(say(format!(
            "curve, damping ratios and the linearised level take the motion ratio at ride height, {:.3}",
            setup.ratio
        )));
    }
    out.push(say(
        "the tyre has no damping of its own; all corners of a class are its geometric mean",
    ));
    out.extend(damper.assumed.iter().cloned());
    if let (Some(series), Some(car)) = (damper.series_n_m, setup.car) {
        // c(ω) = c/(1 + (ωc/K)²), with the steepest piece of the curve.
        let slopes = Direction::BOTH
            .iter()
            .flat_map(|d| damper.law.valves.get(*d).slopes());
        let lag = std::f64::consts::TAU * car.hop_hz() * slopes.fold(0.0, f64::max) / series;
        let less = lag * lag / (1.0 + lag * lag);
        out.push(
            say("what gives in series with the valves (")
                .number(series, Kind::Stiffness)
                .text(") is left out: at the wheel hop it would take ")
                .number(less, Kind::Share)
                .text(" off the damping at most"),
        );
    }
    out
}
