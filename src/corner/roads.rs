//! A damper on the card's roads, linearised and in the time domain, with what its curve and
//! the road's finite length leave open.

use rayon::prelude::*;

use super::answer::{Difference, Level, OnRoad, Peaks, SpeedBand, Told};
use super::car::Car;
use super::damper::Damper;
use super::drive::{self, Bands, Figures, Plan, Sums, Weights};
use super::linear::{self, crossings, share_beyond};
use super::road::{self, Profile};
use super::setup::{HALF_95, Setup, deviation, told, told_sd};
use super::time::State;
use crate::statistics::t_quantile;
use crate::steps::{Direction, PerDirection};
use crate::units::STANDARD_GRAVITY;

/// A part of a drive lasts at least so long, s: the weighting needs the slowest motion of the
/// body resolved.
const PART_S: f64 = 12.0;
/// Parts that every likely law drives.
const LIKELY_PARTS: usize = 2;
/// Seconds a corner runs before it is read: some ten periods of the slowest body.
const SETTLE_S: f64 = 8.0;
/// A share of time beyond what was measured that a linearised figure does not feel.
const GAUSSIAN_BEYOND: f64 = 1e-3;
/// Bins of the histogram up to the fastest measured speed, and in all.
const BINS: (usize, usize) = (20, 40);

/// Where a corner drives.
#[derive(Debug, Clone, PartialEq)]
pub enum Way {
    /// A class of ISO 8608.
    Class(road::Class),
    /// A measured road: its name and points.
    Measured(String, Profile),
}

/// One road at one speed.
#[derive(Debug, Clone, PartialEq)]
pub struct Condition {
    /// Where.
    pub way: Way,
    /// How fast, m/s.
    pub speed: f64,
}

impl Condition {
    /// What the road is called.
    pub fn name(&self) -> String {
        match &self.way {
            Way::Class(class) => class.letter().to_owned(),
            Way::Measured(name, _) => name.clone(),
        }
    }

    /// Intensity of white velocity, m²/s; `None` for a measured road.
    pub fn intensity(&self) -> Option<f64> {
        match &self.way {
            Way::Class(class) => Some(road::intensity(class.density(), self.speed)),
            Way::Measured(..) => None,
        }
    }
}

/// Velocity under the wheel, step by step.
enum Under<'a> {
    Scaled(&'a [f64], f64),
    Own(Vec<f64>),
}

impl Under<'_> {
    #[inline]
    fn at(&self, i: usize) -> f64 {
        match self {
            Self::Scaled(normals, scale) => scale * normals[i],
            Self::Own(velocity) => velocity[i],
        }
    }
}

/// What all drives of one corner share: step, road, weighting.
pub struct Track {
    dt: f64,
    settle: usize,
    each: usize,
    parts: usize,
    normals: Vec<f64>,
    weights: Weights,
}

impl Track {
    /// For dampers that are to be driven alike.
    pub fn of(setup: &Setup, car: &Car, dampers: &[&Damper]) -> Self {
        let laws: Vec<_> = dampers
            .iter()
            .flat_map(|d| std::iter::once(&d.law).chain(&d.likely))
            .collect();
        let dt = setup.step(car, &laws);
        let settle = (SETTLE_S / dt).ceil() as usize;
        let each = ((PART_S / dt).ceil() as usize).next_power_of_two();
        let parts = ((setup.card.seconds / (each as f64 * dt)).ceil() as usize).max(4);
        Self {
            dt,
            settle,
            each,
            parts,
            normals: road::normals(settle + each * parts, setup.card.seed),
            weights: Weights::new(each, dt),
        }
    }

    /// Step, s.
    pub fn dt(&self) -> f64 {
        self.dt
    }

    /// Steps run in, and steps of one part times parts.
    pub fn steps(&self) -> [usize; 2] {
        [self.settle, self.each * self.parts]
    }

    /// Velocity of a class's road under the wheel at a step.
    pub fn velocity(&self, intensity: f64, i: usize) -> f64 {
        (intensity / self.dt).sqrt() * self.normals[i]
    }
}

/// A drive, with what differences need of it.
#[derive(Debug, Clone)]
pub struct Driven {
    /// The row.
    pub row: OnRoad,
    parts: Vec<Figures>,
    figures: Figures,
    /// Standard deviation of each figure from what the curve leaves open.
    curve_sd: [f64; Figures::COUNT],
}

/// A damper on all roads, time domain.
pub fn drive_all(
    setup: &Setup,
    car: &Car,
    damper: &Damper,
    track: &Track,
    conditions: &[Condition],
) -> Vec<Driven> {
    conditions
        .par_iter()
        .map(|condition| one(setup, car, damper, track, condition))
        .collect()
}

fn bands(setup: &Setup, damper: &Damper) -> Bands {
    let fastest = damper.law.fastest();
    let ends = |direction: Direction| {
        let mut ends = match &setup.card.bands_m_s {
            Some(own) => own.clone(),
            None => {
                let mut knees = damper.knees.get(direction).clone();
                knees.push(*fastest.get(direction));
                knees
            }
        };
        ends.sort_by(f64::total_cmp);
        ends.dedup();
        ends
    };
    Bands {
        ends: Direction::BOTH.map(ends),
        bin: fastest.compression.max(fastest.rebound) / BINS.0 as f64,
        bins: BINS.1,
        measured: Direction::BOTH.map(|d| *fastest.get(d)),
    }
}

fn one(setup: &Setup, car: &Car, damper: &Damper, track: &Track, condition: &Condition) -> Driven {
    let bands = bands(setup, damper);
    let own;
    let (under, settle, each, parts) = match &condition.way {
        Way::Class(_) => {
            let scale = (condition.intensity().unwrap_or(0.0) / track.dt).sqrt();
            (
                Under::Scaled(&track.normals, scale),
                track.settle,
                track.each,
                track.parts,
            )
        }
        Way::Measured(_, profile) => {
            // A road has one beginning: the corner meets it at rest.
            let velocity = profile.velocity(condition.speed, track.dt);
            let each = velocity.len();
            (Under::Own(velocity), 0, each, 1)
        }
    };
    let weights = if each == track.each {
        &track.weights
    } else {
        own = Weights::new(each, track.dt);
        &own
    };
    let plan = Plan {
        dt: track.dt,
        each,
        parts,
        ratio: setup.ratio,
        static_n: (car.sprung_kg + car.unsprung_kg) * STANDARD_GRAVITY,
        bands: Some(&bands),
        weights: Some(weights),
    };
    let run = |law: &super::law::Law, plan: &Plan<'_>| -> Vec<Sums> {
        let corner = setup.corner(car, law);
        let start = if settle > 0 {
            drive::run_in(&corner, |i| under.at(i), settle, track.dt)
        } else {
            State::default()
        };
        drive::drive(&corner, start, |i| under.at(settle + i), plan).0
    };
    let sums = run(&damper.law, &plan);
    let figures = |sums: &[Sums]| Sums::total(sums).figures(car.tyre_n_m);
    let short = Plan {
        parts: parts.min(LIKELY_PARTS),
        bands: None,
        ..plan
    };
    let base = figures(&sums[..short.parts]).all();
    let likely: Vec<[f64; Figures::COUNT]> = damper
        .likely
        .par_iter()
        .map(|law| figures(&run(law, &short)).all())
        .collect();
    let curve_sd = std::array::from_fn(|i| {
        let moved: Vec<f64> = likely.iter().map(|l| l[i] - base[i]).collect();
        deviation(&moved).unwrap_or(f64::NAN)
    });
    let parts: Vec<Figures> = sums.iter().map(|s| s.figures(car.tyre_n_m)).collect();
    let all = Sums::total(&sums);
    let whole = all.figures(car.tyre_n_m);
    Driven {
        row: row(
            setup,
            damper,
            condition,
            &all,
            (&whole, &parts, &curve_sd),
            &bands,
            plan.static_n,
            track.dt,
        ),
        parts,
        figures: whole,
        curve_sd,
    }
}

/// Standard deviation of a mean over parts of a road, widened as Student's t asks of few parts;
/// none for a road that is one part, which is that road and no other.
fn road_sd(parts: &[f64]) -> f64 {
    let n = parts.len() as f64;
    let wider = t_quantile(0.975, n - 1.0).map_or(1.0, |t| t / HALF_95);
    deviation(parts).map_or(0.0, |sd| wider * sd / n.sqrt())
}

#[allow(clippy::too_many_arguments, reason = "one place puts a row together")]
fn row(
    setup: &Setup,
    damper: &Damper,
    condition: &Condition,
    all: &Sums,
    (whole, parts, curve_sd): (&Figures, &[Figures], &[f64; Figures::COUNT]),
    bands: &Bands,
    static_n: f64,
    dt: f64,
) -> OnRoad {
    let values = whole.all();
    let number = |i: usize| {
        let of_parts: Vec<f64> = parts.iter().map(|p| p.all()[i]).collect();
        told_sd(values[i], curve_sd[i].hypot(road_sd(&of_parts)))
    };
    let beyond = all.beyond / all.n;
    let minutes = all.n * dt / 60.0;
    let gaps = [setup.card.bump_m, setup.card.droop_m];
    let heat = number(7);
    let ratio = |t: Told, by: f64| Told {
        value: t.value * by,
        ci95: t.ci95.map(|c| c.map(|e| e * by)),
    };
    let histogram = |side: usize| all.histogram[side].iter().map(|h| h / all.n).collect();
    OnRoad {
        class: condition.name(),
        speed_m_s: condition.speed,
        level: Level::TimeDomain,
        body_acc: number(0),
        weighted_acc: number(1),
        tyre_load_sd: number(2),
        load_coefficient: ratio(number(2), 1.0 / static_n),
        unloaded_share: Some(all.unloaded / all.n),
        travel_sd: number(3),
        offset_m: number(5),
        damper_speed_sd: ratio(number(4), setup.ratio),
        contacts_per_min: std::array::from_fn(|i| gaps[i].map(|_| all.contacts[i] / minutes)),
        heat_w: heat,
        settles_c: damper.cooling.map(|(g, air)| air + heat.value / g),
        speed_bands: speed_bands(all, bands),
        histogram: PerDirection {
            compression: histogram(0),
            rebound: histogram(1),
        },
        histogram_bin_m_s: bands.bin,
        beyond_measured_share: beyond,
        leans_beyond: beyond > 0.0,
        peaks: (beyond <= setup.card.withhold_share).then_some(Peaks {
            damper_speed_m_s: PerDirection {
                compression: all.fastest[0],
                rebound: all.fastest[1],
            },
            up_m: all.reach[0],
            down_m: all.reach[1],
            into_stops_m: std::array::from_fn(|i| gaps[i].map(|_| all.deepest[i])),
        }),
    }
}

fn speed_bands(all: &Sums, bands: &Bands) -> Vec<SpeedBand> {
    let energy: f64 = all.bands.iter().flatten().map(|b| b.1).sum();
    let mut out = Vec::new();
    for (side, direction) in Direction::BOTH.into_iter().enumerate() {
        let ends = &bands.ends[side];
        for (i, (time, heat)) in all.bands[side].iter().enumerate() {
            out.push(SpeedBand {
                direction,
                from: i.checked_sub(1).map_or(0.0, |j| ends[j]),
                to: ends.get(i).copied(),
                share_time: time / all.n,
                share_heat: if energy > 0.0 { heat / energy } else { 0.0 },
            });
        }
    }
    out
}

/// Differences of two dampers on the same road from the same start: the road's own chance is
/// then small, since both meet the same bumps.
pub fn differences(base: &[Driven], other: &[Driven]) -> Vec<Difference> {
    base.iter()
        .zip(other)
        .map(|(b, o)| {
            let (fb, fo) = (b.figures.all(), o.figures.all());
            let change = |i: usize| {
                let parts: Vec<f64> = b
                    .parts
                    .iter()
                    .zip(&o.parts)
                    .map(|(b, o)| o.all()[i] - b.all()[i])
                    .collect();
                let curves = b.curve_sd[i].hypot(o.curve_sd[i]);
                told_sd(fo[i] - fb[i], curves.hypot(road_sd(&parts)))
            };
            let share = |i: usize| {
                let t = change(i);
                Told {
                    value: t.value / fb[i],
                    ci95: t.ci95.map(|c| c.map(|e| e / fb[i])),
                }
            };
            Difference {
                class: b.row.class.clone(),
                speed_m_s: b.row.speed_m_s,
                level: Level::TimeDomain,
                body_acc: change(0),
                weighted_acc: change(1),
                tyre_load_sd: change(2),
                travel_sd: change(3),
                offset_m: change(5),
                heat_w: change(7),
                share: [share(0), share(1), share(2), share(3)],
                leans_beyond: b.row.leans_beyond || o.row.leans_beyond,
            }
        })
        .collect()
}

/// A damper on one class's road by statistical linearisation, at the ratio of ride height;
/// `None` for a measured road or a damper that takes no energy out.
pub fn linearised(
    setup: &Setup,
    car: &Car,
    damper: &Damper,
    condition: &Condition,
) -> Option<OnRoad> {
    let w = condition.intensity()?;
    let static_n = (car.sprung_kg + car.unsprung_kg) * STANDARD_GRAVITY;
    let figures = |law: &super::law::Law| {
        let law = setup.at_wheel(law);
        let spring = linear::with_gas(car, &law).wheel_n_m;
        linear::linearised(car, &law, w).map(|l| {
            [
                l.means.acceleration.sqrt(),
                l.means.weighted.sqrt(),
                car.tyre_n_m * l.means.tyre.sqrt(),
                l.means.travel.sqrt(),
                l.means.speed.sqrt(),
                l.mean_force / spring,
            ]
        })
    };
    let here = figures(&damper.law)?;
    let likely: Vec<[f64; 6]> = damper.likely.par_iter().filter_map(figures).collect();
    let number = |i: usize, by: f64| {
        told(
            by * here[i],
            &likely.iter().map(|l| by * l[i]).collect::<Vec<_>>(),
        )
    };
    let fastest = damper.law.fastest();
    let at_damper = here[4] * setup.ratio;
    let beyond = Direction::BOTH
        .iter()
        .map(|d| share_beyond(at_damper, *fastest.get(*d)))
        .sum::<f64>();
    let contact = |gap: Option<f64>, sign: f64| {
        gap.map(|gap| 60.0 * crossings(here[3], here[4], gap + sign * here[5]))
    };
    let heat = road::heat(car.tyre_n_m, w);
    Some(OnRoad {
        class: condition.name(),
        speed_m_s: condition.speed,
        level: Level::Linearised,
        body_acc: number(0, 1.0),
        weighted_acc: number(1, 1.0),
        tyre_load_sd: number(2, 1.0),
        load_coefficient: number(2, 1.0 / static_n),
        unloaded_share: Some(share_beyond(here[2], static_n)),
        travel_sd: number(3, 1.0),
        offset_m: number(5, 1.0),
        damper_speed_sd: number(4, setup.ratio),
        contacts_per_min: [
            contact(setup.card.bump_m, 1.0),
            contact(setup.card.droop_m, -1.0),
        ],
        heat_w: Told {
            value: heat,
            ci95: None,
        },
        settles_c: damper.cooling.map(|(g, air)| air + heat / g),
        speed_bands: Vec::new(),
        histogram: PerDirection::default(),
        histogram_bin_m_s: 0.0,
        beyond_measured_share: beyond,
        // A Gaussian has a little of everything.
        leans_beyond: beyond > GAUSSIAN_BEYOND,
        peaks: None,
    })
}
