//! The time domain: the law as it is, stepped along a road.
//!
//! States are travel (body over wheel, positive where they part), body speed, tyre
//! deflection (wheel over road) and wheel speed, and the force of the valves where a spring
//! stands in series with them: road height itself is never needed. Classical Runge–Kutta of
//! the fourth order; road velocity is held over a step.

use std::f64::consts::TAU;

use super::car::Car;
use super::law::{Branch, Law, Lookup};
use super::travel::{Ratio, Stops, Suspension};
use crate::steps::Direction;

/// Steps per period of the wheel hop, at least.
const PER_HOP: f64 = 50.0;
/// A step times the fastest decay of the corner is kept below this; the method itself is
/// stable to 2.78.
const DECAY: f64 = 0.8;
/// A spring in series so stiff that steps would have to be this many times shorter is left
/// out: it then changes nothing that these steps can see.
pub const MOST_SHORTER: f64 = 4.0;

/// One corner, ready to be stepped.
#[derive(Debug, Clone)]
pub struct Corner {
    car: Car,
    valves: [Lookup; 2],
    /// Valves turned round: speed of a force, for a spring in series.
    turned: Option<[Lookup; 2]>,
    series: f64,
    friction: f64,
    ramp: f64,
    suspension: Suspension,
    stops: Stops,
    ratio: Option<Ratio>,
}

/// State of a corner.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct State {
    /// Travel, body over wheel, m; negative when compressed.
    pub travel: f64,
    /// Body speed, m/s, upwards.
    pub body: f64,
    /// Tyre deflection, wheel over road, m; negative when pressed.
    pub tyre: f64,
    /// Wheel speed, m/s, upwards.
    pub wheel: f64,
    /// Force of the valves where a spring stands in series, N.
    pub valves: f64,
}

impl State {
    #[inline]
    fn moved(&self, by: &Self, dt: f64) -> Self {
        Self {
            travel: self.travel + dt * by.travel,
            body: self.body + dt * by.body,
            tyre: self.tyre + dt * by.tyre,
            wheel: self.wheel + dt * by.wheel,
            valves: self.valves + dt * by.valves,
        }
    }
}

/// What acts at one instant.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Forces {
    /// Of the damper, at the wheel, N; positive when it resists compression.
    pub damper: f64,
    /// Of spring, gas and stops on the body, N.
    pub spring: f64,
}

impl Corner {
    /// A corner. `law` is the damper's own; at the wheel it acts by `ratio`.
    pub fn new(car: &Car, law: &Law, suspension: Suspension, stops: Stops, ratio: &Ratio) -> Self {
        let steady = ratio.steady();
        let law = match steady {
            Some(r) => law.at_wheel(r),
            None => law.clone(),
        };
        // A ratio that changes with travel leaves no place for a spring in series.
        let yields = law.series_n_m.filter(|_| steady.is_some());
        let gas = law.gas_n_m
            * if steady.is_some() {
                1.0
            } else {
                ratio.at(0.0).powi(2)
            };
        let turned = yields.and_then(|_| {
            let of = |b: &Branch| turned(b).map(|t| Lookup::new(&t));
            Some([of(&law.valves.compression)?, of(&law.valves.rebound)?])
        });
        // Friction without a spring in series joins the valves: one look-up for both.
        let whole = |d| {
            if turned.is_some() {
                law.valves.get(d).clone()
            } else {
                law.whole(d)
            }
        };
        Self {
            car: *car,
            valves: Direction::BOTH.map(|d| Lookup::new(&whole(d))),
            series: law.series_n_m.unwrap_or(0.0),
            friction: if turned.is_some() {
                law.friction_n
            } else {
                0.0
            },
            ramp: law.ramp_m_s,
            turned,
            suspension: suspension.stiffer(gas),
            stops,
            ratio: steady.is_none().then(|| ratio.clone()),
        }
    }

    /// The longest step that is good for these corners, s.
    pub fn step(car: &Car, laws: &[&Law]) -> f64 {
        let mut step = 1.0 / (car.hop_hz() * PER_HOP);
        let inverse = 1.0 / car.sprung_kg + 1.0 / car.unsprung_kg;
        for law in laws {
            for direction in Direction::BOTH {
                let whole = law.whole(direction);
                let steepest = whole.slopes().fold(0.0, f64::max);
                if steepest > 0.0 {
                    step = step.min(DECAY / (steepest * inverse));
                }
                if let Some(k) = law.series_n_m {
                    let flattest = law
                        .valves
                        .get(direction)
                        .slopes()
                        .fold(f64::INFINITY, f64::min);
                    if flattest > 0.0 {
                        step = step.min(DECAY * flattest / k);
                    }
                }
            }
        }
        step
    }

    /// Forces in a state.
    #[inline]
    pub fn forces(&self, s: &State) -> Forces {
        let closing = s.wheel - s.body;
        let spring = self.suspension.force(s.travel) + self.stops.force(s.travel);
        let damper = match (&self.turned, &self.ratio) {
            (Some(_), _) => s.valves + self.rubbed(closing),
            (None, None) => self.resisted(closing),
            (None, Some(ratio)) => {
                let r = ratio.at(-s.travel);
                r * self.resisted(r * closing)
            }
        };
        Forces { damper, spring }
    }

    #[inline]
    fn resisted(&self, closing: f64) -> f64 {
        if closing >= 0.0 {
            self.valves[0].at(closing).0
        } else {
            -self.valves[1].at(-closing).0
        }
    }

    #[inline]
    fn rubbed(&self, closing: f64) -> f64 {
        self.friction * (closing / self.ramp).clamp(-1.0, 1.0)
    }

    /// Rate of change on a road that rises at `road` m/s.
    #[inline]
    pub fn rate(&self, s: &State, road: f64) -> State {
        let f = self.forces(s);
        let closing = s.wheel - s.body;
        let valves = match &self.turned {
            None => 0.0,
            Some(turned) => {
                let through = if s.valves >= 0.0 {
                    turned[0].at(s.valves).0
                } else {
                    -turned[1].at(-s.valves).0
                };
                self.series * (closing - through)
            }
        };
        State {
            travel: -closing,
            body: (f.spring + f.damper) / self.car.sprung_kg,
            tyre: s.wheel - road,
            wheel: (-f.spring - f.damper - self.car.tyre_n_m * s.tyre) / self.car.unsprung_kg,
            valves,
        }
    }

    /// One step on road velocities at its beginning, middle and end. Returns the state after
    /// it and the rate at its beginning.
    #[inline]
    pub fn stepped(&self, s: &State, road: [f64; 3], dt: f64) -> (State, State) {
        let k1 = self.rate(s, road[0]);
        let k2 = self.rate(&s.moved(&k1, 0.5 * dt), road[1]);
        let k3 = self.rate(&s.moved(&k2, 0.5 * dt), road[1]);
        let k4 = self.rate(&s.moved(&k3, dt), road[2]);
        let sixth = dt / 6.0;
        let after = s
            .moved(&k1, sixth)
            .moved(&k2, 2.0 * sixth)
            .moved(&k3, 2.0 * sixth)
            .moved(&k4, sixth);
        (after, k1)
    }

    /// Its stops.
    #[inline]
    pub fn stops(&self) -> &Stops {
        &self.stops
    }

    /// Tyre rate, N/m.
    #[inline]
    pub fn tyre_n_m(&self) -> f64 {
        self.car.tyre_n_m
    }

    /// Speed at the damper, m/s, positive in compression. `steady` is the ratio where it does
    /// not change.
    #[inline]
    pub fn damper_speed(&self, s: &State, steady: f64) -> f64 {
        let closing = s.wheel - s.body;
        match &self.ratio {
            None => steady * closing,
            Some(ratio) => ratio.at(-s.travel) * closing,
        }
    }
}

/// Speed against force. `None` for a curve that does not rise throughout.
fn turned(branch: &Branch) -> Option<Branch> {
    let nodes: Vec<(f64, f64)> = branch.nodes().map(|(v, f)| (f, v)).collect();
    nodes
        .windows(2)
        .all(|w| w[1].0 > w[0].0)
        .then(|| Branch::through(&nodes))
        .flatten()
}

/// True if a law can have its spring in series: both curves rise throughout.
pub fn can_yield(law: &Law) -> bool {
    Direction::BOTH
        .iter()
        .all(|d| turned(law.valves.get(*d)).is_some())
}

/// What a sine road comes to in the time domain.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SineMotion {
    /// Fundamental of body motion per road motion.
    pub body: f64,
    /// Amplitude of the fundamental of travel, m.
    pub travel: f64,
    /// Mean travel, m, body over wheel.
    pub offset: f64,
    /// Fastest speed of wheel against body, m/s.
    pub speed: f64,
}

/// A corner on a sine road once it has settled: `cycles` run in, then `kept` cycles read.
pub fn on_sine(
    corner: &Corner,
    hz: f64,
    amplitude: f64,
    longest: f64,
    cycles: [usize; 2],
) -> SineMotion {
    let per = (1.0 / (hz * longest)).ceil().max(PER_HOP) as usize;
    let dt = 1.0 / (hz * per as f64);
    let road = |i: usize, part: f64| {
        let phase = TAU * (i as f64 + part) / per as f64;
        amplitude * TAU * hz * phase.cos()
    };
    let mut s = State::default();
    let mut out = SineMotion {
        body: 0.0,
        travel: 0.0,
        offset: 0.0,
        speed: 0.0,
    };
    // Body height is what the road, the tyre and travel add up to.
    let (mut body, mut travel) = ([0.0; 2], [0.0; 2]);
    let count = (cycles[1] * per) as f64;
    for i in 0..(cycles[0] + cycles[1]) * per {
        if i >= cycles[0] * per {
            let phase = TAU * i as f64 / per as f64;
            let (sin, cos) = phase.sin_cos();
            let height = s.travel + s.tyre + amplitude * sin;
            body = [body[0] + height * sin, body[1] + height * cos];
            travel = [travel[0] + s.travel * sin, travel[1] + s.travel * cos];
            out.offset += s.travel / count;
            out.speed = out.speed.max((s.wheel - s.body).abs());
        }
        s = corner
            .stepped(&s, [road(i, 0.0), road(i, 0.5), road(i, 1.0)], dt)
            .0;
    }
    let size = |parts: [f64; 2]| 2.0 * parts[0].hypot(parts[1]) / count;
    out.body = size(body) / amplitude;
    out.travel = size(travel);
    out
}
