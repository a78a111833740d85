//! Card and damper together: the corner as far as it is known, and what needs no road.

use super::answer::{Level, Ratios, Sine, Told, WheelPoint, Zeta};
use super::car::{Car, critical};
use super::card::CornerCard;
use super::damper::Damper;
use super::law::{Law, Sums};
use super::linear;
use super::time::{self, Corner};
use super::travel::{Ratio, Stops, Suspension};
use crate::steps::{Direction, PerDirection};
use crate::units::STANDARD_GRAVITY;

/// Wheel speeds at which damping ratios are told, m/s, as far as measured.
const WHEEL_SPEEDS: [f64; 13] = [
    0.025, 0.05, 0.1, 0.15, 0.2, 0.3, 0.4, 0.5, 0.75, 1.0, 1.5, 2.0, 3.0,
];
/// A local slope is taken over this share of the speed to either side.
const LOCAL_HALF: f64 = 0.25;
/// Wheel speed whose modes are told, m/s.
const MODES_AT: f64 = 0.1;
/// Frequencies of sine roads, Hz: first, last, how many.
const SINE_HZ: (f64, f64, usize) = (0.4, 25.0, 49);
/// Every so many of them also in the time domain.
const TIMED: usize = 6;
/// Half width of a normal 95 % interval in standard deviations.
pub const HALF_95: f64 = 1.959_963_985;

/// A corner that asks for shorter steps than this is stiff beyond any damper that moves on a
/// road, s.
pub const LEAST_STEP_S: f64 = 1e-4;

/// A corner as far as its card goes.
#[derive(Debug, Clone)]
pub struct Setup {
    /// The card.
    pub card: CornerCard,
    /// Masses and rates, if all are known.
    pub car: Option<Car>,
    /// Rate at the wheel, N/m.
    pub wheel_n_m: Option<f64>,
    /// Critical damping, N·s/m.
    pub critical: Option<f64>,
    /// Damper travel over wheel travel at ride height.
    pub ratio: f64,
}

impl Setup {
    /// Of a card.
    pub fn of(card: &CornerCard) -> Self {
        let wheel_n_m = card.wheel_rate();
        let car = match (wheel_n_m, card.sprung_kg, card.unsprung_kg, card.tyre_n_m) {
            (Some(wheel_n_m), Some(sprung_kg), Some(unsprung_kg), Some(tyre_n_m)) => Some(Car {
                sprung_kg,
                unsprung_kg,
                wheel_n_m,
                tyre_n_m,
            }),
            _ => None,
        };
        Self {
            card: card.clone(),
            car,
            wheel_n_m,
            critical: wheel_n_m.zip(card.sprung_kg).map(|(k, m)| critical(k, m)),
            ratio: card.motion_ratio.at(0.0),
        }
    }

    /// Which of the things needed (rate at the wheel, sprung mass, unsprung mass, tyre rate) the
    /// card leaves out.
    pub fn missing(&self, needs: [bool; 4]) -> Vec<&'static str> {
        let lacks = [
            (self.wheel_n_m.is_none(), "a spring rate (or wheel rate)"),
            (self.card.sprung_kg.is_none(), "the sprung mass"),
            (self.card.unsprung_kg.is_none(), "the unsprung mass"),
            (self.card.tyre_n_m.is_none(), "the tyre rate"),
        ];
        lacks
            .into_iter()
            .zip(needs)
            .filter_map(|((missing, what), needed)| (missing && needed).then_some(what))
            .collect()
    }

    /// The spring.
    pub fn suspension(&self, car: &Car) -> Suspension {
        match self.card.spring_n_m {
            Some(spring) => Suspension::by_ratio(
                spring,
                &self.card.spring_travel(),
                car.sprung_kg * STANDARD_GRAVITY,
            ),
            None => Suspension::steady(car.wheel_n_m),
        }
    }

    /// The stops.
    pub fn stops(&self) -> Stops {
        Stops {
            bump_m: self.card.bump_m,
            droop_m: self.card.droop_m,
            rate_n_m: self.card.bump_rate_n_m.unwrap_or(0.0),
        }
    }

    /// Ready to be stepped with a law of the damper.
    pub fn corner(&self, car: &Car, law: &Law) -> Corner {
        Corner::new(
            car,
            law,
            self.suspension(car),
            self.stops(),
            &self.card.motion_ratio,
        )
    }

    /// The law at the wheel at ride height.
    pub fn at_wheel(&self, law: &Law) -> Law {
        law.at_wheel(self.ratio)
    }

    /// The longest step good for these laws, s.
    pub fn step(&self, car: &Car, laws: &[&Law]) -> f64 {
        // Steepest where the damper moves most per wheel travel.
        let [_, highest] = self.card.motion_ratio.span();
        let wheel: Vec<Law> = laws.iter().map(|l| l.at_wheel(highest)).collect();
        Corner::step(car, &wheel.iter().collect::<Vec<_>>())
    }
}

/// A number and its likely values as value and interval.
pub fn told(value: f64, likely: &[f64]) -> Told {
    Told {
        value,
        ci95: deviation(likely).map(|sd| [value - HALF_95 * sd, value + HALF_95 * sd]),
    }
}

/// The same from a standard deviation.
pub fn told_sd(value: f64, sd: f64) -> Told {
    Told {
        value,
        ci95: sd
            .is_finite()
            .then_some([value - HALF_95 * sd, value + HALF_95 * sd]),
    }
}

/// Sample standard deviation; `None` of fewer than two.
pub fn deviation(values: &[f64]) -> Option<f64> {
    crate::statistics::Summary::of(values)?.sd
}

/// The curve at the wheel, friction in, with intervals.
pub fn wheel_curve(setup: &Setup, damper: &Damper) -> PerDirection<Vec<WheelPoint>> {
    let of = |direction: Direction| {
        let branch = setup.at_wheel(&damper.law).whole(direction);
        let others: Vec<_> = damper
            .likely
            .iter()
            .map(|l| setup.at_wheel(l).whole(direction))
            .collect();
        let fastest = setup.at_wheel(&damper.law).valves.get(direction).fastest();
        branch
            .nodes()
            .filter(|(v, _)| *v > 0.0 && *v <= fastest)
            .map(|(v, f)| {
                let sign = direction.sign();
                let likely: Vec<f64> = others.iter().map(|b| sign * b.at(v)).collect();
                WheelPoint {
                    velocity_m_s: v,
                    force_n: sign * f,
                    ci95_n: told(sign * f, &likely).ci95,
                }
            })
            .collect()
    };
    PerDirection {
        compression: of(Direction::Compression),
        rebound: of(Direction::Rebound),
    }
}

/// Wheel speeds measured in both directions at which ratios are told, m/s.
pub fn wheel_speeds(setup: &Setup, dampers: &[&Damper]) -> Vec<f64> {
    let fastest = dampers
        .iter()
        .map(|d| {
            let f = setup.at_wheel(&d.law).fastest();
            f.compression.min(f.rebound)
        })
        .fold(f64::INFINITY, f64::min);
    let mut out: Vec<f64> = WHEEL_SPEEDS
        .into_iter()
        .filter(|v| *v < 0.97 * fastest)
        .collect();
    out.push(fastest);
    out
}

/// One way to tell damping at a speed: compression or rebound, N·s/m.
type Way = fn(&Law, &Sums, Direction, f64) -> f64;

fn local(law: &Law, _: &Sums, direction: Direction, v: f64) -> f64 {
    law.whole(direction).local(v, LOCAL_HALF)
}

fn secant(law: &Law, _: &Sums, direction: Direction, v: f64) -> f64 {
    law.whole(direction).at(v) / v
}

fn equal_energy(_: &Law, sums: &Sums, direction: Direction, v: f64) -> f64 {
    sums.sine(direction, v)
}

/// Damping ratios at the speeds of [`wheel_speeds`]; empty without critical damping.
pub fn zeta(setup: &Setup, damper: &Damper) -> Vec<Zeta> {
    let Some(critical) = setup.critical else {
        return Vec::new();
    };
    let ready = |law: &Law| {
        let law = setup.at_wheel(law);
        let sums = law.sums();
        (law, sums)
    };
    let measured = ready(&damper.law);
    let likely: Vec<_> = damper.likely.iter().map(ready).collect();
    let ratios = |way: Way, v: f64| {
        let three = |(law, sums): &(Law, Sums)| {
            let [c, r] = Direction::BOTH.map(|d| way(law, sums, d, v) / critical);
            [c, r, 0.5 * (c + r)]
        };
        let here = three(&measured);
        let others: Vec<[f64; 3]> = likely.iter().map(three).collect();
        let one = |i: usize| told(here[i], &others.iter().map(|o| o[i]).collect::<Vec<_>>());
        Ratios {
            compression: one(0),
            rebound: one(1),
            both: one(2),
        }
    };
    wheel_speeds(setup, &[damper])
        .into_iter()
        .map(|v| {
            let equal_energy = ratios(equal_energy, v);
            Zeta {
                wheel_speed_m_s: v,
                local: ratios(local, v),
                secant: ratios(secant, v),
                equal_energy,
                modes: setup
                    .car
                    .and_then(|car| car.modes(equal_energy.both.value * critical)),
            }
        })
        .collect()
}

/// The row whose modes are told: the nearest to a slow wheel.
pub fn modes_row(rows: &[Zeta]) -> Option<&Zeta> {
    rows.iter().min_by(|a, b| {
        let away = |z: &Zeta| (z.wheel_speed_m_s - MODES_AT).abs();
        away(a).total_cmp(&away(b))
    })
}

/// Sine roads of one peak speed over frequency: describing function throughout, the time
/// domain at some. A second motion at one frequency is a jump, and both are told.
pub fn sine(setup: &Setup, car: &Car, damper: &Damper) -> Vec<Sine> {
    use rayon::prelude::*;
    let law = setup.at_wheel(&damper.law);
    let fastest = damper.law.fastest();
    let beyond = |at_damper: f64| at_damper > fastest.compression.min(fastest.rebound);
    let (first, last, count) = SINE_HZ;
    let places: Vec<f64> = (0..count)
        .map(|i| first * (last / first).powf(i as f64 / (count - 1) as f64))
        .collect();
    let spring = linear::with_gas(car, &law).wheel_n_m;
    let corner = setup.corner(car, &damper.law);
    let longest = setup.step(car, &[&damper.law]);
    let steady = setup.card.motion_ratio.steady();
    let mut out: Vec<Sine> = Vec::new();
    for hz in &places {
        let amplitude = setup.card.sine_road_m_s / (std::f64::consts::TAU * hz);
        for motion in linear::on_sine(car, &law, *hz, amplitude) {
            let speed = motion.speed * setup.ratio;
            out.push(Sine {
                hz: *hz,
                amplitude_m: amplitude,
                transmissibility: motion.body,
                travel_m: motion.travel,
                offset_m: motion.mean_force / spring,
                damper_speed_m_s: speed,
                beyond_measured: beyond(speed),
                level: Level::DescribingFunction,
            });
        }
    }
    let places: &[f64] = if longest < LEAST_STEP_S { &[] } else { &places };
    let timed: Vec<Sine> = places
        .par_iter()
        .step_by(TIMED)
        .map(|hz| {
            let amplitude = setup.card.sine_road_m_s / (std::f64::consts::TAU * hz);
            // The body settles in seconds, whatever the road does.
            let settle = (12.0 * hz).ceil().max(8.0) as usize;
            let m = time::on_sine(&corner, *hz, amplitude, longest, [settle, 6]);
            let speed = m.speed * steady.unwrap_or(setup.ratio);
            Sine {
                hz: *hz,
                amplitude_m: amplitude,
                transmissibility: m.body,
                travel_m: m.travel,
                offset_m: m.offset,
                damper_speed_m_s: speed,
                beyond_measured: beyond(speed),
                level: Level::TimeDomain,
            }
        })
        .collect();
    out.extend(timed);
    out
}

/// Travel of the damper per travel of the wheel, for words.
pub fn ratio_words(ratio: &Ratio) -> String {
    match ratio.steady() {
        Some(r) => format!("{r:.3}"),
        None => {
            let [low, high] = ratio.span();
            format!(
                "{:.3} at ride height, {low:.3} to {high:.3} over travel",
                ratio.at(0.0)
            )
        }
    }
}
