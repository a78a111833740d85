//! How large this damper is: thresholds in newtons hold for a car's damper and are scaled to
//! the one at hand, by what the card says it is fitted to or by the size of its forces.

use super::Case;
use crate::cards::DamperUse;

/// Largest force of a step (half its peak-to-peak), N, within which a damper is a car's as far
/// as friction goes (common practice: road and circuit dampers at 0.5 to 1 m/s).
const CAR_N: [f64; 2] = [500.0, 3000.0];

/// How large this damper is.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Scale {
    /// Half the largest peak-to-peak force of the run, N.
    pub force_n: f64,
    /// What a threshold in newtons of a car's damper is multiplied by.
    pub of_a_car: f64,
    /// What it was scaled by, in words.
    pub by: &'static str,
}

impl Scale {
    /// The scale of a run.
    pub fn of(case: &Case<'_>) -> Self {
        let force_n = case
            .steps
            .iter()
            .map(|s| 0.5 * (s.peak_force_n.compression - s.peak_force_n.rebound))
            .fold(0.0, f64::max);
        let [least, most] = CAR_N;
        let size = if force_n < least {
            (force_n / least).max(0.02)
        } else {
            (force_n / most).max(1.0)
        };
        let fitted_to = case.card.and_then(|c| c.fitted_to);
        let (of_a_car, by) = match fitted_to {
            None => (size, "the size of its forces"),
            Some(DamperUse::RoadCar) => (1.0, "a road car's"),
            Some(DamperUse::RaceCar) => (1.0, "a race car's"),
            // Long travel on heavy rods and guides.
            Some(DamperUse::Rally) => (size.max(1.5), "a rally car's"),
            Some(DamperUse::Motorcycle) => (size.min(1.0), "a motorcycle's"),
            // Two tubes that slide on bushings.
            Some(DamperUse::Fork) => (1.5 * size.min(1.0), "a fork's"),
            Some(DamperUse::Bicycle) => (size.min(0.4), "a bicycle's"),
            Some(DamperUse::Kart) => (size.min(0.6), "a kart's"),
            Some(DamperUse::Truck) => (size.max(2.0), "a truck's"),
            // Wanted there: it holds the wheel still.
            Some(DamperUse::Steering) => (2.0 * size.min(1.0), "a steering damper's"),
        };
        Self {
            force_n,
            of_a_car,
            by,
        }
    }

    /// A threshold given for a car's damper, N, for this one.
    pub fn newtons(&self, of_a_car: f64) -> f64 {
        of_a_car * self.of_a_car
    }
}
