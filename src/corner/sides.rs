//! Left and right: one body on two corners, rolling. Both wheels run over the same road, the
//! only one on which a matched pair does not roll at all.

use std::f64::consts::TAU;

use nalgebra::{Complex, Matrix4, Vector4};

use super::car::Car;
use super::spectrum::frequencies;
use super::time::{Corner, State};

/// The body over both corners.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Axle {
    /// One corner of it.
    pub car: Car,
    /// Roll inertia of the body over this axle, kg·m².
    pub inertia: f64,
    /// Track, m.
    pub track: f64,
}

/// Motion of the body and tyres, rms.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Rolling {
    /// Heave acceleration of the body, m/s².
    pub heave: f64,
    /// Roll acceleration, rad/s².
    pub roll: f64,
    /// Standard deviation of tyre load, left and right, N.
    pub tyre: [f64; 2],
    /// Mean damper force at the wheel, left and right, N.
    pub force: [f64; 2],
}

/// Rms values with linear dampers (left, right, N·s/m) on white road velocity of intensity
/// `w`, by quadrature.
pub fn linear(axle: &Axle, damping: [f64; 2], w: f64) -> Rolling {
    let car = &axle.car;
    let half = 0.5 * axle.track;
    let (mut heave, mut roll, mut tyre) = (0.0, 0.0, [0.0; 2]);
    for (hz, weight) in frequencies() {
        let s = Complex::new(0.0, TAU * hz);
        let [l, r] = damping.map(|c| s * c + car.wheel_n_m);
        let body = s * s * (2.0 * car.sprung_kg);
        let tilt = s * s * axle.inertia;
        let wheel = s * s * car.unsprung_kg + car.tyre_n_m;
        let zero = Complex::new(0.0, 0.0);
        // Heave, roll (left side up), left wheel, right wheel.
        let system = Matrix4::new(
            body + l + r,
            (l - r) * half,
            -l,
            -r,
            (l - r) * half,
            tilt + (l + r) * half * half,
            -l * half,
            r * half,
            -l,
            -l * half,
            wheel + l,
            zero,
            -r,
            r * half,
            zero,
            wheel + r,
        );
        let push = Complex::new(car.tyre_n_m, 0.0);
        let Some(moved) = system.lu().solve(&Vector4::new(zero, zero, push, push)) else {
            continue;
        };
        let density = 2.0 * w * weight;
        heave += (s * moved[0]).norm_sqr() * density;
        roll += (s * moved[1]).norm_sqr() * density;
        for side in 0..2 {
            tyre[side] += ((moved[2 + side] - 1.0) / s).norm_sqr() * density;
        }
    }
    // The tail of the tyres far above all modes, as in `spectrum::means`.
    let tail = 2.0 * w / (TAU * TAU * super::spectrum::TO);
    Rolling {
        heave: heave.sqrt(),
        roll: roll.sqrt(),
        tyre: tyre.map(|t| car.tyre_n_m * (t + tail).sqrt()),
        force: [0.0; 2],
    }
}

/// The same in the time domain with each side's own law, over `steps` after `settle` steps.
pub fn driven(
    axle: &Axle,
    corners: [&Corner; 2],
    road: impl Fn(usize) -> f64,
    steps: [usize; 2],
    dt: f64,
) -> Rolling {
    let mut s = Pair::default();
    let mut out = Rolling::default();
    let mut tyre = [[0.0; 2]; 2];
    for i in 0..steps[0] + steps[1] {
        let w = road(i);
        let k1 = s.rate(axle, corners, w);
        if i >= steps[0] {
            out.heave += k1.heave * k1.heave;
            out.roll += k1.roll * k1.roll;
            for side in 0..2 {
                let deflection = s.side[side].tyre;
                tyre[side][0] += deflection;
                tyre[side][1] += deflection * deflection;
                let seen = s.seen(axle, side);
                out.force[side] += corners[side].forces(&seen).damper;
            }
        }
        let k2 = s.moved(&k1, 0.5 * dt).rate(axle, corners, w);
        let k3 = s.moved(&k2, 0.5 * dt).rate(axle, corners, w);
        let k4 = s.moved(&k3, dt).rate(axle, corners, w);
        s = s
            .moved(&k1, dt / 6.0)
            .moved(&k2, dt / 3.0)
            .moved(&k3, dt / 3.0)
            .moved(&k4, dt / 6.0);
    }
    let n = steps[1] as f64;
    Rolling {
        heave: (out.heave / n).sqrt(),
        roll: (out.roll / n).sqrt(),
        tyre: tyre.map(|[sum, squares]| {
            axle.car.tyre_n_m * (squares / n - (sum / n).powi(2)).max(0.0).sqrt()
        }),
        force: out.force.map(|f| f / n),
    }
}

/// States of body and both corners; `body` of a side is not used, heave and roll speed are.
#[derive(Debug, Clone, Copy, Default)]
struct Pair {
    side: [State; 2],
    /// Heave speed, m/s (in a rate: acceleration).
    heave: f64,
    /// Roll speed, rad/s, left side up (in a rate: acceleration).
    roll: f64,
}

impl Pair {
    fn moved(&self, by: &Self, dt: f64) -> Self {
        let mut out = *self;
        out.heave += dt * by.heave;
        out.roll += dt * by.roll;
        for (a, b) in out.side.iter_mut().zip(&by.side) {
            a.travel += dt * b.travel;
            a.tyre += dt * b.tyre;
            a.wheel += dt * b.wheel;
            a.valves += dt * b.valves;
        }
        out
    }

    /// A side with the speed of the body over it.
    fn seen(&self, axle: &Axle, side: usize) -> State {
        let arm = if side == 0 { 0.5 } else { -0.5 } * axle.track;
        State {
            body: self.heave + arm * self.roll,
            ..self.side[side]
        }
    }

    fn rate(&self, axle: &Axle, corners: [&Corner; 2], road: f64) -> Self {
        let mut out = Self::default();
        let (mut up, mut moment) = (0.0, 0.0);
        for (side, corner) in corners.into_iter().enumerate() {
            let seen = self.seen(axle, side);
            let force = corner.forces(&seen);
            let on_body = force.spring + force.damper;
            up += on_body;
            moment += on_body * if side == 0 { 0.5 } else { -0.5 } * axle.track;
            out.side[side] = corner.rate(&seen, road);
        }
        out.heave = up / (2.0 * axle.car.sprung_kg);
        out.roll = moment / axle.inertia;
        out
    }
}
