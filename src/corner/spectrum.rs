//! Mean squares of a linear corner on a road of white velocity, by quadrature over
//! frequency: weighted acceleration, a spring in series with the damper, two wheels on one
//! body.

use std::f64::consts::TAU;

use nalgebra::Complex;

use super::car::Car;
use super::weighting::WK;

/// Gauss–Legendre of eight points on −1 to 1: node, weight (Abramowitz & Stegun 25.4.30).
const NODES: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_27),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
    (0.960_289_856_497_536_3, 0.101_228_536_290_376_26),
];

/// Lowest and highest frequency of the quadrature, Hz. Below, road velocity moves nothing;
/// above, what still moves is added in closed form.
const FROM: f64 = 1e-3;
pub(super) const TO: f64 = 1e5;
/// Panels per decade of frequency.
const PANELS: usize = 20;

/// Nodes of the quadrature in frequency: Hz and weight.
pub fn frequencies() -> Vec<(f64, f64)> {
    between(FROM, TO)
}

fn between(from: f64, to: f64) -> Vec<(f64, f64)> {
    let panels = ((to / from).log10() * PANELS as f64).ceil() as usize;
    let width = (to / from).ln() / panels as f64;
    let mut out = Vec::with_capacity(8 * panels);
    for i in 0..panels {
        let middle = from.ln() + (i as f64 + 0.5) * width;
        for (node, weight) in NODES {
            for side in [-1.0, 1.0] {
                let hz = (middle + side * node * 0.5 * width).exp();
                out.push((hz, weight * 0.5 * width * hz));
            }
        }
    }
    out
}

/// Mean squares.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Means {
    /// Body acceleration, m²/s⁴.
    pub acceleration: f64,
    /// The same weighted.
    pub weighted: f64,
    /// Travel, m².
    pub travel: f64,
    /// Speed of wheel against body, m²/s².
    pub speed: f64,
    /// Speed of the valves (the same without a spring in series), m²/s².
    pub valve_speed: f64,
    /// Tyre deflection, m².
    pub tyre: f64,
}

/// Mean squares of a corner with a linear damper on white road velocity of intensity `w`;
/// roads may be cut to a band of frequencies in time, Hz.
pub fn means(
    car: &Car,
    damping: f64,
    series_n_m: Option<f64>,
    w: f64,
    band: Option<[f64; 2]>,
) -> Means {
    let mut out = Means::default();
    let places = band.map_or_else(frequencies, |[from, to]| between(from, to));
    for (hz, weight) in places {
        let r = car.response(hz, damping, series_n_m);
        let s = Complex::new(0.0, TAU * hz);
        // Per road velocity, which is s times the road.
        let density = 2.0 * w * weight;
        let acceleration = (s * r.body).norm_sqr() * density;
        let apart = r.wheel - r.body;
        let gives = match series_n_m {
            Some(k) => (k / (s * damping + k)).norm_sqr(),
            None => 1.0,
        };
        out.acceleration += acceleration;
        out.weighted += acceleration * WK.at(hz).powi(2);
        out.travel += (apart / s).norm_sqr() * density;
        out.speed += apart.norm_sqr() * density;
        out.valve_speed += apart.norm_sqr() * gives * density;
        out.tyre += ((r.wheel - 1.0) / s).norm_sqr() * density;
    }
    if band.is_none() {
        // Far above all modes the wheel stands still and the tyre takes the road.
        out.tyre += 2.0 * w / (TAU * TAU * TO);
    }
    out
}
