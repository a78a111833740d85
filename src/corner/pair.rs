//! Left and right: two measured dampers under one body, on a road that is the same under both
//! wheels, the only one on which a matched pair does not roll.

use rayon::prelude::*;

use super::answer::PairOnRoad;
use super::car::Car;
use super::damper::Damper;
use super::law::{Branch, Law};
use super::linear;
use super::roads::{Condition, Track};
use super::setup::{Setup, told};
use super::sides::{self, Axle};
use crate::steps::Direction;

/// Seconds of road that a pair drives, at most.
const SECONDS: f64 = 150.0;

/// A pair on the classes' roads. Empty without roll inertia and track.
pub fn pair(
    setup: &Setup,
    car: &Car,
    [left, right]: [&Damper; 2],
    track: &Track,
    conditions: &[Condition],
) -> Vec<PairOnRoad> {
    let (Some(inertia), Some(width)) = (setup.card.roll_inertia_kg_m2, setup.card.track_m) else {
        return Vec::new();
    };
    let axle = Axle {
        car: *car,
        inertia,
        track: width,
    };
    let Some(mean) = mean_law(&left.law, &right.law) else {
        return Vec::new();
    };
    let corners = [&left.law, &right.law].map(|l| setup.corner(car, l));
    let matched = setup.corner(car, &mean);
    let [settle, whole] = track.steps();
    let steps = [settle, whole.min((SECONDS / track.dt()) as usize)];
    conditions
        .par_iter()
        .filter_map(|condition| {
            let w = condition.intensity()?;
            let under = |i: usize| track.velocity(w, i);
            let unlike = sides::driven(&axle, [&corners[0], &corners[1]], under, steps, track.dt());
            let alike = sides::driven(&axle, [&matched, &matched], under, steps, track.dt());
            let damping = |law: &Law| {
                linear::linearised(car, &setup.at_wheel(law), w).map(|l| (l.damping, l.means.speed))
            };
            let (l, r) = (damping(&left.law)?, damping(&right.law)?);
            let apart = |l: f64, r: f64| (r - l) / (r + l);
            let likely: Vec<f64> = left
                .likely
                .iter()
                .zip(&right.likely)
                .filter_map(|(l, r)| Some(apart(damping(l)?.0, damping(r)?.0)))
                .collect();
            let spring = linear::with_gas(car, &setup.at_wheel(&mean)).wheel_n_m;
            let lean_m = (unlike.force[0] - unlike.force[1]) / spring;
            // Three standard deviations of speed are met every few seconds.
            let fast = 3.0 * setup.ratio * l.1.max(r.1).sqrt();
            let slowest = [&left.law, &right.law]
                .iter()
                .flat_map(|law| Direction::BOTH.map(|d| *law.fastest().get(d)))
                .fold(f64::INFINITY, f64::min);
            Some(PairOnRoad {
                class: condition.name(),
                speed_m_s: condition.speed,
                mismatch: told(apart(l.0, r.0), &likely),
                roll_acc: unlike.roll,
                roll_share_of_heave: 0.5 * width * unlike.roll / unlike.heave,
                load_change: std::array::from_fn(|i| unlike.tyre[i] / alike.tyre[i] - 1.0),
                lean_rad: lean_m / width,
                lean_m,
                leans_beyond: fast > slowest,
            })
        })
        .collect()
}

/// The mean of two laws: what both sides of a matched pair would be.
fn mean_law(a: &Law, b: &Law) -> Option<Law> {
    let half = |x: &Branch, y: &Branch| {
        let points: Vec<(f64, f64)> = x.plus(y).nodes().map(|(v, f)| (v, 0.5 * f)).collect();
        Branch::through(&points)
    };
    // What gives adds up as compliance.
    let gives = |law: &Law| law.series_n_m.map_or(0.0, |k| 1.0 / k);
    let compliance = 0.5 * (gives(a) + gives(b));
    Some(Law {
        friction_n: 0.5 * (a.friction_n + b.friction_n),
        ramp_m_s: a.ramp_m_s,
        gas_n_m: 0.5 * (a.gas_n_m + b.gas_n_m),
        series_n_m: (compliance > 0.0).then(|| 1.0 / compliance),
        ..Law::of(
            half(&a.valves.compression, &b.valves.compression)?,
            half(&a.valves.rebound, &b.valves.rebound)?,
        )
    })
}
