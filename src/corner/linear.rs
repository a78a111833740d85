//! Levels without a clock: statistical linearisation on a road, describing function on a
//! sine.

use std::f64::consts::TAU;

use serde::{Deserialize, Serialize};

use super::car::Car;
use super::law::{Law, Sums};
use super::spectrum::{self, Means};

/// A corner on a road, linearised at its own motion.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Linearised {
    /// Equivalent damping, N·s/m.
    pub damping: f64,
    /// Mean squares with it.
    pub means: Means,
    /// Mean damper force, N.
    pub mean_force: f64,
}

/// Statistical linearisation on white road velocity of intensity `w`: the damping that the
/// law has at the standard deviation of speed which that damping gives. The energy a law
/// takes out rises with the motion, so there is one such damping. `None` for a law that takes
/// no energy out.
pub fn linearised(car: &Car, law: &Law, w: f64) -> Option<Linearised> {
    let sums = law.sums();
    let spring = with_gas(car, law);
    let sd = match law.series_n_m {
        None => {
            // E[vF] = k_t·W/2, solved for the standard deviation.
            let wanted = 0.5 * spring.tyre_n_m * w;
            root(|sd| sums.random_both(sd) * sd * sd - wanted)?
        }
        Some(series) => root(|sd| {
            let c = sums.random_both(sd);
            let got = spectrum::means(&spring, c, Some(series), w, None).valve_speed;
            sd - got.sqrt()
        })?,
    };
    let damping = sums.random_both(sd);
    Some(Linearised {
        damping,
        means: spectrum::means(&spring, damping, law.series_n_m, w, None),
        mean_force: sums.random_mean(sd),
    })
}

/// The car with the gas force's rise beside its spring.
pub fn with_gas(car: &Car, law: &Law) -> Car {
    Car {
        wheel_n_m: car.wheel_n_m + law.gas_n_m,
        ..*car
    }
}

/// Where a rising function of a speed crosses zero, by bisection of its logarithm.
fn root(f: impl Fn(f64) -> f64) -> Option<f64> {
    let (mut low, mut high) = (1e-7_f64.ln(), 1e3_f64.ln());
    if !(f(low.exp()) < 0.0 && f(high.exp()) > 0.0) {
        return None;
    }
    // 60 halvings of 23 leave 2e-17 of the logarithm.
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if f(middle.exp()) < 0.0 {
            low = middle;
        } else {
            high = middle;
        }
    }
    Some((0.5 * (low + high)).exp())
}

/// A corner on a sine road by describing function.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct OnSine {
    /// Equivalent damping, N·s/m.
    pub damping: f64,
    /// Peak speed of wheel against body, m/s.
    pub speed: f64,
    /// Body motion per road motion.
    pub body: f64,
    /// Amplitude of travel, m.
    pub travel: f64,
    /// Mean damper force, N.
    pub mean_force: f64,
}

/// All motions the describing function allows on a sine road of `amplitude` m, slowest
/// first. More than one is a jump: which of them it is depends on where it comes from.
pub fn on_sine(car: &Car, law: &Law, hz: f64, amplitude: f64) -> Vec<OnSine> {
    /// Speeds looked at for crossings, a decade each.
    const PER_DECADE: usize = 24;
    let sums = law.sums();
    let spring = with_gas(car, law);
    let gap = |log: f64| apart(&spring, law, &sums, hz, amplitude, log.exp()).0 - log.exp();
    let (from, to) = (1e-6_f64.ln(), 1e3_f64.ln());
    let n = 9 * PER_DECADE;
    let places: Vec<f64> = (0..=n)
        .map(|i| from + (to - from) * i as f64 / n as f64)
        .collect();
    let values: Vec<f64> = places.iter().map(|p| gap(*p)).collect();
    let mut out = Vec::new();
    for i in 0..n {
        if values[i] > 0.0 && values[i + 1] <= 0.0 || values[i] <= 0.0 && values[i + 1] > 0.0 {
            let (mut a, mut b) = (places[i], places[i + 1]);
            for _ in 0..60 {
                let middle = 0.5 * (a + b);
                if (gap(middle) > 0.0) == (values[i] > 0.0) {
                    a = middle;
                } else {
                    b = middle;
                }
            }
            let peak = (0.5 * (a + b)).exp();
            let (_, damping, valve) = apart(&spring, law, &sums, hz, amplitude, peak);
            let r = spring.response(hz, damping, law.series_n_m);
            out.push(OnSine {
                damping,
                speed: peak,
                body: r.body.norm(),
                travel: amplitude * (r.wheel - r.body).norm(),
                mean_force: sums.sine_mean(valve),
            });
        }
    }
    out
}

/// Peak speed of wheel against body that follows from the damping at an assumed one; the
/// damping; the peak speed of the valves.
fn apart(car: &Car, law: &Law, sums: &Sums, hz: f64, amplitude: f64, peak: f64) -> (f64, f64, f64) {
    let omega = TAU * hz;
    let valve = match law.series_n_m {
        None => peak,
        // Valves see the speed that the spring in series leaves them.
        Some(k) => {
            let (mut a, mut b) = (0.0, peak);
            for _ in 0..50 {
                let v = 0.5 * (a + b);
                let lag = omega * sums.sine_both(v) / k;
                if v * (1.0 + lag * lag).sqrt() < peak {
                    a = v;
                } else {
                    b = v;
                }
            }
            0.5 * (a + b)
        }
    };
    let damping = sums.sine_both(valve.max(1e-9));
    let r = car.response(hz, damping, law.series_n_m);
    let got = omega * amplitude * (r.wheel - r.body).norm();
    (got, damping, valve.max(1e-9))
}

/// Up-crossings of a level `away` from the mean, 1/s (Rice), for a Gaussian motion of
/// standard deviation `sd` and of its speed `speed_sd`.
pub fn crossings(sd: f64, speed_sd: f64, away: f64) -> f64 {
    speed_sd / (TAU * sd) * (-0.5 * (away / sd).powi(2)).exp()
}

/// Share of time that a Gaussian motion lies beyond `away` to one side of its mean.
pub fn share_beyond(sd: f64, away: f64) -> f64 {
    0.5 * libm::erfc(away / (sd * std::f64::consts::SQRT_2))
}

/// Share of time that a Gaussian speed stays below `speed` either way.
pub fn share_below(sd: f64, speed: f64) -> f64 {
    libm::erf(speed / (sd * std::f64::consts::SQRT_2))
}
