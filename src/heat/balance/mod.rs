//! The power balance of a temperature channel: `C·dT/dt = P − (C/τ)·(T − T_air)`, seen
//! through a sensor that lags, fitted by least squares.
//!
//! For given `τ` and sensor lag the model is linear in the rest, so the search is over those
//! two only (separable least squares: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10:413–432),
//! on a grid first, so that the global optimum is found.

mod problem;

use super::Measured;
use super::log::Bin;
use super::regress::Fitted;
use problem::Problem;

/// What is taken of the air around the damper.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Air {
    /// Known, °C.
    Known(f64),
    /// Found by the fit.
    Free,
    /// As warm as the damper at the start.
    AsAtStart,
    /// None is needed: nothing cools.
    NoCooling,
}

/// A fitted balance.
#[derive(Debug, Clone)]
pub(super) struct Balance {
    pub(super) air: Air,
    /// 1/s.
    rate: f64,
    /// s.
    pub(super) lag: f64,
    linear: Linear,
    fitted: Fitted,
    /// Place of the logarithm of the rate among the parameters of `fitted`.
    rate_at: Option<usize>,
    /// Root mean square residual, °C.
    pub(super) rms_c: f64,
    /// (segment, time, oil temperature) at the ends of bins.
    oil: Vec<(u32, f64, f64)>,
}

/// More separate pieces than this cannot share one balance.
const MOST_SEGMENTS: usize = 12;
/// Error of the work itself, as a share: three times the root mean square of what a study found
/// against the simulated dyno's work (0.013 %).
const WORK_WITHIN: f64 = 0.0004;
/// Fewest bins.
const LEAST_BINS: usize = 12;

/// Where each linear coefficient stands.
#[derive(Debug, Clone, PartialEq)]
struct Linear {
    /// Temperature per joule.
    per_joule: f64,
    air: f64,
    /// Starting temperature less air (or itself without cooling), by segment.
    above: Vec<f64>,
    /// Place of `air` among the parameters, if it is one.
    air_at: Option<usize>,
}

impl Balance {
    /// Fits the balance. `None` if the bins do not carry it.
    pub(super) fn fit(bins: &[Bin], air: Air) -> Option<Self> {
        let seen: Vec<usize> = (0..bins.len())
            .filter(|&i| bins[i].temperature_c.is_some())
            .collect();
        let segments = bins.last().map_or(0, |b| b.segment as usize + 1);
        if seen.len() < LEAST_BINS || segments > MOST_SEGMENTS {
            return None;
        }
        let problem = Problem::new(bins, &seen, segments, air);
        let (rate, lag) = problem.search()?;
        let (rate, lag) = problem.polish(rate, lag)?;
        problem.finish(rate, lag)
    }

    /// Heat capacity, J/K. `None` if work does not warm the channel.
    pub(super) fn capacity(&self) -> Option<Measured> {
        let a = self.fitted_linear(0);
        let value = 1.0 / a.value;
        if a.value <= 0.0 {
            return None;
        }
        let half = a.ci95.map(|[low, high]| 0.5 * (high - low) / a.value);
        let ci95 = half.map(|h| h.hypot(WORK_WITHIN)).filter(|h| *h < 1.0);
        Some(Measured {
            value,
            ci95: ci95.map(|h| [value / (1.0 + h), value / (1.0 - h)]),
        })
    }

    /// True if more work goes with lower temperature, beyond error.
    pub(super) fn cools_when_worked(&self) -> bool {
        self.fitted_linear(0).ci95.is_some_and(|ci| ci[1] < 0.0)
    }

    /// Time constant of cooling, s.
    pub(super) fn time_constant(&self) -> Option<Measured> {
        let at = self.rate_at?;
        let value = 1.0 / self.rate;
        let half = self.fitted.half_width(&self.unit(at));
        Some(Measured {
            value,
            ci95: half
                .is_finite()
                .then(|| [value * (-half).exp(), value * half.exp()]),
        })
    }

    /// Heat given off per degree, W/K.
    pub(super) fn conductance(&self) -> Option<Measured> {
        let at = self.rate_at?;
        if self.linear.per_joule <= 0.0 {
            return None;
        }
        let value = self.rate / self.linear.per_joule;
        let mut gradient = self.unit(at);
        gradient[0] = -1.0 / self.linear.per_joule;
        Some(Measured::around(
            value,
            value * self.fitted.half_width(&gradient),
        ))
    }

    /// Air temperature, °C, as fitted or taken.
    pub(super) fn air_c(&self) -> Option<Measured> {
        match (self.linear.air_at, self.air) {
            (_, Air::NoCooling) => None,
            (Some(at), _) => Some(Measured::around(
                self.linear.air,
                self.fitted.half_width(&self.unit(at)),
            )),
            (None, _) => Some(Measured {
                value: self.linear.air,
                ci95: None,
            }),
        }
    }

    /// Where temperature settles at constant power, °C.
    pub(super) fn settled(&self, power: f64) -> Option<Measured> {
        let at = self.rate_at?;
        let rise = power * self.linear.per_joule / self.rate;
        let mut gradient = self.unit(at);
        gradient[at] = -rise;
        gradient[0] = power / self.rate;
        if let Some(air) = self.linear.air_at {
            gradient[air] = 1.0;
        }
        Some(Measured::around(
            self.linear.air + rise,
            self.fitted.half_width(&gradient),
        ))
    }

    /// The oil's own temperature (sensor lag taken out) at a time, °C.
    pub(super) fn oil_at(&self, segment: u32, time: f64) -> Option<f64> {
        let after = self.oil.partition_point(|o| (o.0, o.1) < (segment, time));
        let next = self.oil.get(after).filter(|o| o.0 == segment);
        let before = after
            .checked_sub(1)
            .and_then(|i| self.oil.get(i))
            .filter(|o| o.0 == segment);
        match (before, next) {
            (Some(b), Some(n)) if n.1 > b.1 => Some(b.2 + (n.2 - b.2) * (time - b.1) / (n.1 - b.1)),
            (b, n) => b.or(n).map(|o| o.2),
        }
    }

    fn unit(&self, at: usize) -> Vec<f64> {
        let mut v = vec![0.0; self.fitted.coefficients.len()];
        if let Some(x) = v.get_mut(at) {
            *x = 1.0;
        }
        v
    }

    fn fitted_linear(&self, at: usize) -> Measured {
        Measured::around(
            self.linear.per_joule,
            self.fitted.half_width(&self.unit(at)),
        )
    }
}
#[cfg(test)]
mod tests {
    use super::super::body::{Lagged, Stretch};
    use super::*;

    /// A body warmed at constant power and then left: the textbook's two exponentials
    /// (Incropera & DeWitt, Fundamentals of Heat and Mass Transfer, sec. 5.3, from memory).
    fn warmed_then_left(lag: f64) -> Vec<Bin> {
        let (c, tau, air, power) = (900.0, 600.0, 21.0, 450.0);
        let mut body = Lagged::new(0.0);
        (0..250)
            .map(|i| {
                let t = i as f64 * 2.0;
                let p = if (20.0..300.0).contains(&t) {
                    power
                } else {
                    0.0
                };
                let mean = body.advance(p / c, &Stretch::new(1.0 / tau, lag, 2.0));
                Bin {
                    segment: 0,
                    start_s: t,
                    end_s: t + 2.0,
                    work_j: p * 2.0,
                    temperature_c: Some(air + mean + 0.02 * (i as f64 * 2.399).sin()),
                    readings: 1,
                    early_j_s: p * 2.0,
                }
            })
            .collect()
    }

    #[test]
    fn capacity_time_constant_and_air_are_recovered() {
        for lag in [0.0, 6.0] {
            let fit = Balance::fit(&warmed_then_left(lag), Air::Free).unwrap();
            let c = fit.capacity().unwrap();
            let tau = fit.time_constant().unwrap();
            assert!((c.value / 900.0 - 1.0).abs() < 0.01, "{c:?}");
            assert!((tau.value / 600.0 - 1.0).abs() < 0.03, "{tau:?}");
            assert!((fit.lag - lag).abs() < 0.5, "{}", fit.lag);
            let settled = fit.settled(450.0).unwrap();
            assert!((settled.value - 321.0).abs() < 5.0, "{settled:?}");
            assert!((fit.air_c().unwrap().value - 21.0).abs() < 0.1);
        }
    }
}
