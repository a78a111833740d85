//! The quarter car: static numbers, exact modes, response to the road.

use std::f64::consts::TAU;

use nalgebra::{Complex, Matrix2, Matrix4};
use serde::{Deserialize, Serialize};

/// Masses and rates of one corner, all at the wheel, SI.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Car {
    /// Sprung mass, kg.
    pub sprung_kg: f64,
    /// Unsprung mass, kg.
    pub unsprung_kg: f64,
    /// Spring rate at the wheel, N/m.
    pub wheel_n_m: f64,
    /// Tyre rate, N/m.
    pub tyre_n_m: f64,
}

/// One mode: `|λ|/2π` and damping ratio `−Re λ/|λ|`.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Mode {
    /// Frequency, Hz.
    pub hz: f64,
    /// Damping ratio.
    pub zeta: f64,
}

/// Motion per motion of the road, at one frequency.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Response {
    /// Body.
    pub body: Complex<f64>,
    /// Wheel.
    pub wheel: Complex<f64>,
}

/// `k_spring · r²` plus what a ratio that changes with travel adds under the load it carries
/// (virtual work: `d/dz (r·F) = r²·k + F·dr/dz`), N/m.
pub fn wheel_rate(spring_n_m: f64, ratio: f64, ratio_per_m: f64, load_n: f64) -> f64 {
    spring_n_m * ratio * ratio + load_n / ratio * ratio_per_m
}

/// Spring and tyre in series, N/m.
pub fn ride_rate(wheel_n_m: f64, tyre_n_m: f64) -> f64 {
    wheel_n_m * tyre_n_m / (wheel_n_m + tyre_n_m)
}

/// `√(k/m)/2π`, Hz.
pub fn frequency(rate_n_m: f64, mass_kg: f64) -> f64 {
    (rate_n_m / mass_kg).sqrt() / TAU
}

/// `2√(k·m)`, N·s/m.
pub fn critical(rate_n_m: f64, mass_kg: f64) -> f64 {
    2.0 * (rate_n_m * mass_kg).sqrt()
}

impl Car {
    /// Body frequency on ride rate, Hz.
    pub fn body_hz(&self) -> f64 {
        frequency(ride_rate(self.wheel_n_m, self.tyre_n_m), self.sprung_kg)
    }

    /// Wheel-hop frequency, Hz.
    pub fn hop_hz(&self) -> f64 {
        frequency(self.wheel_n_m + self.tyre_n_m, self.unsprung_kg)
    }

    /// Modes without damping, body first, Hz, from the 2×2 problem.
    pub fn undamped(&self) -> [f64; 2] {
        let (ms, mu) = (self.sprung_kg, self.unsprung_kg);
        let (ks, kt) = (self.wheel_n_m, self.tyre_n_m);
        // Scaled by the masses, which keeps it symmetric.
        let cross = -ks / (ms * mu).sqrt();
        let eigen = Matrix2::new(ks / ms, cross, cross, (ks + kt) / mu).symmetric_eigenvalues();
        let (a, b) = (eigen[0].max(0.0).sqrt(), eigen[1].max(0.0).sqrt());
        [a.min(b) / TAU, a.max(b) / TAU]
    }

    /// State matrix for z_s, z_s', z_u, z_u'.
    pub fn state(&self, damping: f64) -> Matrix4<f64> {
        let (ms, mu) = (self.sprung_kg, self.unsprung_kg);
        let (ks, kt, c) = (self.wheel_n_m, self.tyre_n_m, damping);
        Matrix4::new(
            0.0,
            1.0,
            0.0,
            0.0,
            -ks / ms,
            -c / ms,
            ks / ms,
            c / ms,
            0.0,
            0.0,
            0.0,
            1.0,
            ks / mu,
            c / mu,
            -(ks + kt) / mu,
            -c / mu,
        )
    }

    /// Body and wheel mode with a linear damper, N·s/m. `None` where a mode does not swing.
    pub fn modes(&self, damping: f64) -> Option<[Mode; 2]> {
        let eigen = self.state(damping).complex_eigenvalues();
        let mut swinging: Vec<Mode> = eigen
            .iter()
            .filter(|l| l.im > 0.0)
            .map(|l| Mode {
                hz: l.norm() / TAU,
                zeta: -l.re / l.norm(),
            })
            .collect();
        swinging.sort_by(|a, b| a.hz.total_cmp(&b.hz));
        match swinging.as_slice() {
            [body, wheel] => Some([*body, *wheel]),
            _ => None,
        }
    }

    /// Response at a frequency with a linear damper, which may have a spring in series.
    pub fn response(&self, hz: f64, damping: f64, series_n_m: Option<f64>) -> Response {
        let s = Complex::new(0.0, TAU * hz);
        let dashpot = s * damping;
        let link = self.wheel_n_m
            + match series_n_m {
                Some(k) => dashpot * k / (dashpot + k),
                None => dashpot,
            };
        let body = s * s * self.sprung_kg + link;
        let wheel = s * s * self.unsprung_kg + link + self.tyre_n_m;
        let whole = body * wheel - link * link;
        Response {
            body: link * self.tyre_n_m / whole,
            wheel: body * self.tyre_n_m / whole,
        }
    }

    /// Mean squares on a road of white velocity of intensity `w` (m²/s) with a linear damper
    /// and no spring in series: closed forms (docs/methods/corner.md).
    pub fn white(&self, damping: f64, w: f64) -> White {
        let (ms, mu) = (self.sprung_kg, self.unsprung_kg);
        let (ks, kt, c) = (self.wheel_n_m, self.tyre_n_m, damping);
        let m = ms + mu;
        White {
            travel: w * m / (2.0 * c),
            speed: w * kt / (2.0 * c),
            acceleration: w * (c * kt + m * ks * ks / c) / (2.0 * ms * ms),
            tyre: w
                * (m * m * c / (2.0 * kt * ms * ms)
                    + m * m * m * ks * ks / (2.0 * c * kt * kt * ms * ms)
                    - ks * mu * m / (c * kt * ms)
                    + mu / (2.0 * c)),
        }
    }

    /// Damping that makes body acceleration least on such a road, N·s/m.
    pub fn least_acceleration(&self) -> f64 {
        self.wheel_n_m * ((self.sprung_kg + self.unsprung_kg) / self.tyre_n_m).sqrt()
    }

    /// Damping that makes the variation of tyre load least, N·s/m; `None` if less is always
    /// better.
    pub fn least_tyre_load(&self) -> Option<f64> {
        let (ms, mu) = (self.sprung_kg, self.unsprung_kg);
        let (ks, kt) = (self.wheel_n_m, self.tyre_n_m);
        let m = ms + mu;
        let square = (m.powi(3) * ks * ks / (kt * ms).powi(2) - 2.0 * ks * mu * m / (kt * ms) + mu)
            * kt
            * ms
            * ms
            / (m * m);
        (square > 0.0).then(|| square.sqrt())
    }
}

/// Mean squares on a road.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct White {
    /// Travel, m².
    pub travel: f64,
    /// Speed of wheel against body, m²/s².
    pub speed: f64,
    /// Body acceleration, m²/s⁴.
    pub acceleration: f64,
    /// Tyre deflection, m².
    pub tyre: f64,
}
