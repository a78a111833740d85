//! The least-squares problem of a power balance: its columns for a given rate of cooling and
//! lag of the sensor, and the search over those two.

use rayon::prelude::*;

use super::{Air, Balance, Linear};
use crate::heat::body::{Lagged, Stretch};
use crate::heat::log::Bin;
use crate::heat::regress::in_time;
use crate::signal::{Regression, least_squares, residual_squares};

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
/// The parts of one bin: decay of the start, response to the work.
struct Parts {
    decay: Vec<f64>,
    work: Vec<f64>,
}

/// Derivatives by every parameter, and where those of rate and lag stand.
struct Tangent {
    columns: Vec<Vec<f64>>,
    rate_at: Option<usize>,
    lag_at: usize,
}

/// A channel's bins, and which way of taking the air is tried.
pub(super) struct Problem<'a> {
    bins: &'a [Bin],
    /// Bins with a reading.
    seen: &'a [usize],
    segments: usize,
    air: Air,
    /// The different durations of bins, and which each bin has: nearly all have the same, and
    /// what a stretch of time does need be worked out once.
    durations: Vec<f64>,
    lasting: Vec<usize>,
}

/// Bins whose durations agree within this share last equally long.
const EQUAL_DURATION: f64 = 1e-9;

impl<'a> Problem<'a> {
    pub(super) fn new(bins: &'a [Bin], seen: &'a [usize], segments: usize, air: Air) -> Self {
        let mut durations: Vec<f64> = Vec::new();
        let lasting = bins
            .iter()
            .map(|bin| {
                let own = bin.duration_s();
                let known = |d: &f64| (d - own).abs() <= EQUAL_DURATION * own;
                durations.iter().position(known).unwrap_or_else(|| {
                    durations.push(own);
                    durations.len() - 1
                })
            })
            .collect();
        Self {
            bins,
            seen,
            segments,
            air,
            durations,
            lasting,
        }
    }

    /// What each of the durations does to body and sensor.
    fn stretches(&self, rate: f64, lag: f64) -> Vec<Stretch> {
        self.durations
            .iter()
            .map(|d| Stretch::new(rate, lag, *d))
            .collect()
    }

    fn duration(&self) -> f64 {
        self.bins.iter().map(Bin::duration_s).sum()
    }

    pub(super) fn search(&self) -> Option<(f64, f64)> {
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
            let (columns, target) = self.columns(ln_rate.exp() / duration, lag);
            residual_squares(columns, target)
        };
        let grid: Vec<(f64, f64)> = rates
            .iter()
            .flat_map(|ln_rate| {
                // Quadratic: short lags are common and must be told apart.
                let share = |j: usize| (j as f64 / (LAG_STEPS - 1) as f64).powi(2);
                (0..LAG_STEPS).map(move |j| (*ln_rate, longest * share(j)))
            })
            .collect();
        let mut best = grid
            .par_iter()
            .map(|(ln_rate, lag)| (rss(*ln_rate, *lag), *ln_rate, *lag))
            .collect::<Vec<_>>()
            .into_iter()
            .min_by(|a, b| a.0.total_cmp(&b.0))?;
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
    pub(super) fn polish(&self, mut rate: f64, mut lag: f64) -> Option<(f64, f64)> {
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

    pub(super) fn finish(&self, rate: f64, lag: f64) -> Option<Balance> {
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
        let stretches = self.stretches(rate, lag);
        for (bin, lasting) in self.bins.iter().zip(&self.lasting) {
            if segment != Some(bin.segment) {
                segment = Some(bin.segment);
                (decay, work) = (Lagged::new(1.0), Lagged::new(0.0));
            }
            let over = &stretches[*lasting];
            out.decay.push(decay.advance(0.0, over));
            let even = work.advance(bin.power_w(), over);
            out.work.push(even + work.shift(bin.ahead_j_s(), over));
        }
        out
    }

    /// The oil's temperature at the ends of bins.
    fn oil(&self, rate: f64, linear: &Linear) -> Vec<(u32, f64, f64)> {
        let mut out = Vec::with_capacity(self.bins.len() + self.segments);
        let mut segment = None;
        let (mut decay, mut work) = (Lagged::new(1.0), Lagged::new(0.0));
        let mut place = 0;
        let stretches = self.stretches(rate, 0.0);
        for (bin, lasting) in self.bins.iter().zip(&self.lasting) {
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
            let over = &stretches[*lasting];
            decay.advance(0.0, over);
            work.advance(bin.power_w(), over);
            work.shift(bin.ahead_j_s(), over);
            out.push((bin.segment, bin.end_s, now(&decay, &work)));
        }
        out
    }
}
