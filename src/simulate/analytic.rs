//! The written-down force law, with an optional spring in series (a Maxwell element).

use super::root::newton;
use super::spec::{Analytic, Law};

/// Forces balance to this, N.
const BALANCE_N: f64 = 1e-9;

impl Law {
    /// Force (N, positive) and slope (N·s/m) at a speed ≥ 0.
    pub fn force(&self, speed: f64) -> (f64, f64) {
        let (mut force, mut from) = (0.0, 0.0);
        let mut slope = 0.0;
        for (i, &c) in self.slopes_n_s_m.iter().enumerate() {
            let to = self.knees_m_s.get(i).copied().unwrap_or(f64::INFINITY);
            slope = c;
            force += c * (speed.min(to) - from);
            if speed <= to {
                break;
            }
            from = to;
        }
        if self.coefficient > 0.0 && speed > 0.0 {
            let power = self.coefficient * libm::pow(speed, self.exponent);
            force += power;
            slope += self.exponent * power / speed;
        }
        (force, slope)
    }
}

impl Analytic {
    /// Hydraulic force in our signs, N, and its slope.
    pub(super) fn hydraulic(&self, velocity: f64) -> (f64, f64) {
        if velocity >= 0.0 {
            self.compression.force(velocity)
        } else {
            let (force, slope) = self.rebound.force(-velocity);
            (-force, slope)
        }
    }

    /// Velocity of the dashpot and hydraulic force at the end of a step over which the rod
    /// moved `moved` m in `dt` s, both times the factor `fade` on the law.
    pub(super) fn advance(
        &self,
        (dashpot, force): (f64, f64),
        velocity: f64,
        moved: f64,
        dt: f64,
        fade: f64,
    ) -> (f64, f64) {
        if self.series_stiffness_n_mm <= 0.0 {
            return (velocity, fade * self.hydraulic(velocity).0);
        }
        // Trapezoidal: f' − f = k·(Δx − (u' + u)/2·dt), f' = law(u').
        let k = self.series_stiffness_n_mm * 1e3;
        let known = force + k * (moved - 0.5 * dt * dashpot);
        let next = newton(dashpot, BALANCE_N, |u| {
            let (f, slope) = self.hydraulic(u);
            (
                fade * f + 0.5 * k * dt * u - known,
                fade * slope + 0.5 * k * dt,
            )
        });
        (next, fade * self.hydraulic(next).0)
    }
}
