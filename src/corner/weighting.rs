//! Frequency weightings of whole-body vibration (ISO 2631-1, ISO 8041): the analogue
//! filters, evaluated as they are defined. No digital filter stands between, which would err
//! near half the sampling rate.

use std::f64::consts::{FRAC_1_SQRT_2, TAU};

use nalgebra::Complex;

/// One weighting: band limits, transition, step. Frequencies in Hz.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Weighting {
    /// Corner of the high-pass, Butterworth.
    pub f1: f64,
    /// Corner of the low-pass, Butterworth.
    pub f2: f64,
    /// Transition: zero, pole, pole's quality.
    pub transition: Option<[f64; 3]>,
    /// Upward step: f5, Q5, f6, Q6.
    pub step: Option<[f64; 4]>,
    /// Gain.
    pub gain: f64,
}

/// Vertical, seated: the weighting of `a_w`.
pub const WK: Weighting = Weighting {
    f1: 0.4,
    f2: 100.0,
    transition: Some([12.5, 12.5, 0.63]),
    step: Some([2.37, 0.91, 3.35, 0.91]),
    gain: 1.0,
};

impl Weighting {
    /// Complex gain at a frequency.
    pub fn complex(&self, hz: f64) -> Complex<f64> {
        let s = Complex::new(0.0, TAU * hz);
        let one = Complex::new(1.0, 0.0);
        let pole = |f: f64, q: f64| {
            let w = TAU * f;
            one + s / (q * w) + (s / w) * (s / w)
        };
        let w1 = TAU * self.f1;
        let high = (s / w1) * (s / w1) / pole(self.f1, FRAC_1_SQRT_2);
        let mut all = high / pole(self.f2, FRAC_1_SQRT_2) * self.gain;
        if let Some([f3, f4, q4]) = self.transition {
            all = all * (one + s / (TAU * f3)) / pole(f4, q4);
        }
        if let Some([f5, q5, f6, q6]) = self.step {
            all = all * pole(f5, q5) / pole(f6, q6) * (f5 / f6) * (f5 / f6);
        }
        all
    }

    /// Weighting factor at a frequency.
    pub fn at(&self, hz: f64) -> f64 {
        if hz > 0.0 {
            self.complex(hz).norm()
        } else {
            0.0
        }
    }
}
