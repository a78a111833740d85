//! The power balance of a temperature channel: `C·dT/dt = P − (C/τ)·(T − T_air)`, seen
//! through a sensor that lags, fitted by least squares.
//!
//! For given `τ` and sensor lag the model is linear in the rest, so the search is over those
//! two only (separable least squares: Golub & Pereyra 1973, SIAM J. Numer. Anal. 10:413–432),
//! on a grid first, so that the global optimum is found.

use super::Measured;
use super::body::{Lagged, Stretch};
use super::log::Bin;
use super::regress::{Fitted, in_time};
use crate::signal::{Regression, least_squares};

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

/// Slowest and quickest cooling looked for, as a share of the run's duration: outside, the
/// run cannot tell.
const RATES: (f64, f64) = (0.02, 40.0);
/// Grid of rates and of sensor lags.
const RATE_STEPS: usize = 22;
const LAG_STEPS: usize = 7;
/// Longest sensor lag looked for, as a share of the run.
const LONGEST_LAG: f64 = 0.15;
/// Halvings of the step when closing in on the optimum; Gauss–Newton does the rest.
const HALVINGS: usize = 8;
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

/// The parts of one bin: decay of the start, response to the work.
struct Parts {
    decay: Vec<f64>,
    work: Vec<f64>,
}

impl Balance {
    /// Fits the balance. `None` if the bins do not carry it.
    pub(super) fn fit(bins: &[Bin], air: Air) -> Option<Self> {
        let bins: Vec<Bin> = bins.to_vec();
        let seen: Vec<usize> = (0..bins.len())
            .filter(|&i| bins[i].temperature_c.is_some())
            .collect();
        let segments = bins.last().map_or(0, |b| b.segment as usize + 1);
        if seen.len() < LEAST_BINS || segments > MOST_SEGMENTS {
            return None;
        }
        let problem = Problem {
            bins: &bins,
            seen: &seen,
            segments,
            air,
        };
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

/// Derivatives by every parameter, and where those of rate and lag stand.
struct Tangent {
    columns: Vec<Vec<f64>>,
    rate_at: Option<usize>,
    lag_at: usize,
}

struct Problem<'a> {
    bins: &'a [Bin],
    seen: &'a [usize],
    segments: usize,
    air: Air,
}

impl Problem<'_> {
    fn duration(&self) -> f64 {
        self.bins.iter().map(Bin::duration_s).sum()
    }

    fn search(&self) -> Option<(f64, f64)> {
        let duration = self.duration();
        if duration <= 0.0 {
            return None;
        }
        let cooling = self.air != Air::NoCooling;
        let rates: Vec<f64> = if cooling {
            let (low, high) = (RATES.0.ln(), RATES.1.ln());
            (0..RATE_STEPS)
                .map(|i| low + (high - low) * i as f64 / (RATE_STEPS - 1) as f64)
                .collect()
        } else {
            vec![(1e-8_f64).ln()]
        };
        let longest = LONGEST_LAG * duration;
        let rss = |ln_rate: f64, lag: f64| {
            self.solve(ln_rate.exp() / duration, lag)
                .map_or(f64::INFINITY, |r| r.rss)
        };
        let mut best = (f64::INFINITY, 0.0, 0.0);
        for &ln_rate in &rates {
            for j in 0..LAG_STEPS {
                // Quadratic: short lags are common and must be told apart.
                let lag = longest * (j as f64 / (LAG_STEPS - 1) as f64).powi(2);
                let r = rss(ln_rate, lag);
                if r < best.0 {
                    best = (r, ln_rate, lag);
                }
            }
        }
        if !best.0.is_finite() {
            return None;
        }
        let mut step = (if cooling { 0.35 } else { 0.0 }, 0.1 * longest);
        for _ in 0..HALVINGS {
            let mut moved = true;
            let mut rounds = 0;
            while moved && rounds < 12 {
                moved = false;
                rounds += 1;
                for (d_rate, d_lag) in [
                    (step.0, 0.0),
                    (-step.0, 0.0),
                    (0.0, step.1),
                    (0.0, -step.1),
                    (step.0, step.1),
                    (-step.0, -step.1),
                ] {
                    let ln_rate = best.1 + d_rate;
                    let lag = (best.2 + d_lag).clamp(0.0, longest);
                    if cooling && !(RATES.0.ln()..=RATES.1.ln()).contains(&ln_rate) {
                        continue;
                    }
                    let r = rss(ln_rate, lag);
                    if r < best.0 {
                        best = (r, ln_rate, lag);
                        moved = true;
                    }
                }
            }
            step = (0.5 * step.0, 0.5 * step.1);
        }
        Some((best.1.exp() / duration, best.2))
    }

    fn columns(&self, rate: f64, lag: f64) -> (Vec<Vec<f64>>, Vec<f64>) {
        let parts = self.parts(rate, lag);
        let pick = |v: &[f64]| -> Vec<f64> { self.seen.iter().map(|&i| v[i]).collect() };
        let mut columns = vec![pick(&parts.work)];
        let mut target: Vec<f64> = self
            .seen
            .iter()
            .map(|&i| self.bins[i].temperature_c.unwrap_or(0.0))
            .collect();
        if let Air::Known(air) = self.air {
            target.iter_mut().for_each(|t| *t -= air);
        }
        if matches!(self.air, Air::Free | Air::AsAtStart) {
            columns.push(vec![1.0; self.seen.len()]);
        }
        let first = self.bins.first().map_or(0, |b| b.segment);
        for segment in 0..self.segments as u32 {
            if self.air == Air::AsAtStart && segment == first {
                continue;
            }
            let column: Vec<f64> = self
                .seen
                .iter()
                .map(|&i| {
                    if self.bins[i].segment == segment {
                        parts.decay[i]
                    } else {
                        0.0
                    }
                })
                .collect();
            if column.iter().any(|v| *v != 0.0) {
                columns.push(column);
            }
        }
        (columns, target)
    }

    fn solve(&self, rate: f64, lag: f64) -> Option<Regression> {
        let (columns, target) = self.columns(rate, lag);
        least_squares(&columns, &target, &vec![1.0; target.len()])
    }

    /// Gauss–Newton steps from the search's end, each shortened until it gains, until they
    /// gain nothing: the search alone stops short in a narrow slanting valley.
    fn polish(&self, mut rate: f64, mut lag: f64) -> Option<(f64, f64)> {
        const STEPS: usize = 40;
        const SHORTENINGS: usize = 6;
        const SETTLED: f64 = 1e-13;
        let longest = LONGEST_LAG * self.duration();
        let mut fit = self.solve(rate, lag)?;
        for _ in 0..STEPS {
            let tangent = self.tangent(rate, lag, &fit);
            let weights = vec![1.0; fit.residuals.len()];
            let Some(step) = least_squares(&tangent.columns, &fit.residuals, &weights) else {
                break;
            };
            let d = |at: Option<usize>| at.map_or(0.0, |i| step.coefficients[i]);
            let d_rate = d(tangent.rate_at).clamp(-0.5, 0.5);
            let d_lag = step.coefficients[tangent.lag_at];
            let better = (0..SHORTENINGS).find_map(|k| {
                let part = 0.5_f64.powi(k as i32);
                let next = (
                    rate * (part * d_rate).exp(),
                    (lag + part * d_lag).clamp(0.0, longest),
                );
                self.solve(next.0, next.1)
                    .filter(|found| found.rss < fit.rss)
                    .map(|found| (found, next))
            });
            let Some((found, next)) = better else { break };
            let gained = fit.rss - found.rss;
            fit = found;
            (rate, lag) = next;
            if gained <= SETTLED * fit.rss {
                break;
            }
        }
        Some((rate, lag))
    }

    /// Derivatives of the fitted readings by every parameter.
    fn tangent(&self, rate: f64, lag: f64, fit: &Regression) -> Tangent {
        let (mut columns, _) = self.columns(rate, lag);
        let value = |rate: f64, lag: f64| -> Vec<f64> {
            let (columns, _) = self.columns(rate, lag);
            (0..self.seen.len())
                .map(|i| {
                    columns
                        .iter()
                        .zip(&fit.coefficients)
                        .map(|(c, b)| c[i] * b)
                        .sum()
                })
                .collect()
        };
        let cooling = self.air != Air::NoCooling;
        let rate_at = cooling.then_some(columns.len());
        if cooling {
            const STEP: f64 = 1e-4;
            let (up, down) = (
                value(rate * (1.0 + STEP), lag),
                value(rate * (1.0 - STEP), lag),
            );
            columns.push(
                up.iter()
                    .zip(&down)
                    .map(|(u, d)| (u - d) / (2.0 * STEP))
                    .collect(),
            );
        }
        // A sensor without delay is still one whose delay is not known.
        let lag_at = columns.len();
        let h = 0.01 * lag.max(self.duration() / self.bins.len().max(1) as f64);
        let below = (lag - h).max(0.0);
        let (up, down) = (value(rate, lag + h), value(rate, below));
        columns.push(
            up.iter()
                .zip(&down)
                .map(|(u, d)| (u - d) / (lag + h - below))
                .collect(),
        );
        Tangent {
            columns,
            rate_at,
            lag_at,
        }
    }

    fn finish(&self, rate: f64, lag: f64) -> Option<Balance> {
        let fit = self.solve(rate, lag)?;
        let Tangent {
            columns,
            rate_at,
            lag_at,
        } = self.tangent(rate, lag, &fit);
        let weights = vec![1.0; fit.residuals.len()];
        let without_lag = || in_time(&columns[..lag_at], &fit.residuals, &weights);
        let fitted = in_time(&columns, &fit.residuals, &weights).or_else(without_lag)?;
        let mut rest = fit.coefficients.iter().skip(1);
        let has_air = matches!(self.air, Air::Free | Air::AsAtStart);
        let air = match self.air {
            Air::Known(air) => air,
            Air::NoCooling => 0.0,
            Air::Free | Air::AsAtStart => rest.next().copied().unwrap_or(0.0),
        };
        let mut above: Vec<f64> = rest.copied().collect();
        if self.air == Air::AsAtStart {
            above.insert(0, 0.0);
        }
        let linear = Linear {
            per_joule: fit.coefficients[0],
            air,
            above,
            air_at: has_air.then_some(1),
        };
        let rms_c = (fit.rss / fit.residuals.len() as f64).sqrt();
        Some(Balance {
            air: self.air,
            rate,
            lag,
            oil: self.oil(rate, &linear),
            linear,
            fitted,
            rate_at,
            rms_c,
        })
    }

    /// Responses of every bin's mean reading: to the start, and to work, both through the
    /// sensor. Exact for power that is even within a bin, or rises or falls evenly by as much
    /// as the bin's own record of when its work was done says.
    fn parts(&self, rate: f64, lag: f64) -> Parts {
        let mut out = Parts {
            decay: Vec::with_capacity(self.bins.len()),
            work: Vec::with_capacity(self.bins.len()),
        };
        let mut segment = None;
        let (mut decay, mut work) = (Lagged::new(1.0), Lagged::new(0.0));
        for bin in self.bins {
            if segment != Some(bin.segment) {
                segment = Some(bin.segment);
                (decay, work) = (Lagged::new(1.0), Lagged::new(0.0));
            }
            let over = Stretch::new(rate, lag, bin.duration_s());
            out.decay.push(decay.advance(0.0, &over));
            let even = work.advance(bin.power_w(), &over);
            out.work.push(even + work.shift(bin.ahead_j_s(), &over));
        }
        out
    }

    /// The oil's temperature at the ends of bins.
    fn oil(&self, rate: f64, linear: &Linear) -> Vec<(u32, f64, f64)> {
        let mut out = Vec::with_capacity(self.bins.len() + self.segments);
        let mut segment = None;
        let (mut decay, mut work) = (Lagged::new(1.0), Lagged::new(0.0));
        let mut place = 0;
        for bin in self.bins {
            if segment != Some(bin.segment) {
                place = segment.map_or(0, |_| place + 1);
                segment = Some(bin.segment);
                (decay, work) = (Lagged::new(1.0), Lagged::new(0.0));
            }
            let above = linear.above.get(place).copied().unwrap_or(0.0);
            let now = |d: &Lagged, w: &Lagged| {
                linear.air + above * d.inside + linear.per_joule * w.inside
            };
            if out
                .last()
                .is_none_or(|o: &(u32, f64, f64)| o.0 != bin.segment)
            {
                out.push((bin.segment, bin.start_s, now(&decay, &work)));
            }
            let over = Stretch::new(rate, 0.0, bin.duration_s());
            decay.advance(0.0, &over);
            work.advance(bin.power_w(), &over);
            work.shift(bin.ahead_j_s(), &over);
            out.push((bin.segment, bin.end_s, now(&decay, &work)));
        }
        out
    }
}

#[cfg(test)]
mod tests {
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
