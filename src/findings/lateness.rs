//! What makes the loops wide at speed: a late force channel, a column that gives, a mass that
//! moves with the load cell.
//!
//! At one speed, force while slowing down less force while speeding up is
//! `Δa·(τ·f′ + f′²/k − m)` to first order, with `Δa` the difference of acceleration along the
//! stroke, `f′` the slope of force over speed there, `τ` the delay, `k` the stiffness of what
//! gives in series with the valves and `m` the mass. Steep and flat parts of the curve tell
//! the three apart; friction, gas and stiffness drop out. (Series expansion of
//! `F(t) = f(v(t − τ) − Ḟ/k) + m·a`.)

use super::Look;
use super::stroke::{SHARES, Stroke};
use crate::signal::robust_clustered;

/// A delay and what gives, fitted together, a mass beside them.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Lateness {
    /// Delay of the force channel, s, and its standard error.
    pub delay_s: [f64; 2],
    /// What gives, m/N, and its standard error.
    pub give_m_n: [f64; 2],
}

impl Lateness {
    /// What gives under the largest force of the run, share of the longest stroke.
    pub(super) fn give_share(&self, look: &Look<'_>) -> f64 {
        self.give_m_n[0] * look.largest_span_n() / longest(look)
    }

    /// Whether it gives `share` of the stroke at least, with 95 % confidence.
    pub(super) fn gives(&self, share: f64, look: &Look<'_>) -> bool {
        let [give, error] = self.give_m_n;
        (give - 2.0 * error) * look.largest_span_n() >= share * longest(look)
    }
}

/// Longest stroke of the run, m.
fn longest(look: &Look<'_>) -> f64 {
    let strokes = look.strokes.iter().map(|s| s.stroke_m);
    strokes.fold(f64::MIN_POSITIVE, f64::max)
}

/// Shares of the peak speed used: below, friction's sign change and lost motion; above, both
/// branches are one.
const FROM: f64 = 0.25;
const TO: f64 = 0.9;
/// Errors of the curve's own slopes, share of half the peak-to-peak force.
const SHAPE: f64 = 0.01;
/// Rows and strokes needed.
const LEAST_ROWS: usize = 20;
const LEAST_STROKES: usize = 4;

/// Fits the quick strokes of a run. `None` if too few of them have two branches, or their
/// slopes are too much alike to tell a delay from give.
pub(super) fn lateness(look: &Look<'_>) -> Option<Lateness> {
    let statics = look.case.statics;
    let (lag, mass) = (statics.force_lag_applied_s, statics.moving_mass_applied_kg);
    let mut columns: [Vec<f64>; 3] = Default::default();
    let (mut y, mut weights, mut clusters) = (Vec::new(), Vec::new(), Vec::new());
    let slow = look.settings.look.slow_m_s;
    let quick = look.strokes.iter().filter(|s| s.speed_m_s >= slow);
    let mut strokes = 0;
    for stroke in quick {
        let rows = rows(stroke);
        if rows.is_empty() {
            continue;
        }
        let error = (2.0 * stroke.error_n * stroke.error_n)
            + (SHAPE * stroke.half_span_n) * (SHAPE * stroke.half_span_n);
        for (slope, acceleration, wide) in rows {
            // What has been taken out is put back.
            y.push(wide + acceleration * (lag * slope - mass));
            columns[0].push(acceleration * slope);
            columns[1].push(acceleration * slope * slope);
            columns[2].push(-acceleration);
            weights.push(1.0 / error.max(f64::MIN_POSITIVE));
            clusters.push(strokes);
        }
        strokes += 1;
    }
    if y.len() < LEAST_ROWS || strokes < LEAST_STROKES {
        return None;
    }
    let fit = robust_clustered(&columns, &y, &weights, &clusters)?;
    Some(Lateness {
        delay_s: [fit.coefficients[0], fit.se(0)],
        give_m_n: [fit.coefficients[1], fit.se(1)],
    })
}

/// Slope of load over speed, acceleration apart, and width, at each share of the peak speed.
fn rows(stroke: &Stroke) -> Vec<(f64, f64, f64)> {
    let at = |k: usize| {
        let b = stroke.branches.get(k).copied().flatten()?;
        Some((b.passage.speed, 0.5 * (b.up_n + b.down_n), b))
    };
    (1..SHARES.len() - 1)
        .filter(|&k| (FROM..=TO).contains(&SHARES[k]))
        .filter_map(|k| {
            let (below, here, above) = (at(k - 1)?, at(k)?, at(k + 1)?);
            let slope = (above.1 - below.1) / (above.0 - below.0);
            let b = here.2;
            Some((slope, b.acceleration_m_s2, b.down_n - b.up_n))
        })
        .collect()
}
