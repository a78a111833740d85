//! Loop width at equal speed within one stroke, speeding up minus slowing down.

use std::f64::consts::{PI, TAU};

use super::branches::{at_passage, passages};
use super::energy::velocity_loop_area;
use super::motion::Kinematics;
use super::{Direction, Fold, Hysteresis, Motion, PerDirection};

/// Speeds at which the width is read, as shares of the peak.
const SHARES: [f64; 18] = [
    0.05, 0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85,
    0.9,
];

/// What the loop of a step shows, before its causes are told apart.
///
/// `equivalent` is the equivalent viscous coefficient, N·s/m, and `angular` ω, rad/s:
/// a pure delay τ of a viscous force has the apparent stiffness cτω².
pub(super) fn hysteresis(fold: &Fold, k: &Kinematics, equivalent: f64, angular: f64) -> Hysteresis {
    let mut out = Hysteresis::default();
    let area = velocity_loop_area(&fold.velocity, &fold.force);
    out.loop_area_n_m_s = Some(area);
    if matches!(k.motion, Motion::Triangle) {
        // Constant speed: there is no speeding up to compare with slowing down.
        return out;
    }
    let half = 0.5 * stroke(&fold.travel);
    let stiffness = -area / (PI * angular * half * half);
    if equivalent > 0.0 && stiffness.is_finite() {
        out.lag_s = Some(stiffness / (equivalent * angular * angular));
    }
    let top = k.peaks.compression.speed.max(k.peaks.rebound.speed);
    let speeds: Vec<f64> = SHARES.iter().map(|s| s * top).collect();
    let mut columns = PerDirection::<Vec<Option<f64>>>::default();
    for direction in Direction::BOTH {
        let peak = k.peaks.get(direction);
        let found = passages(
            &fold.velocity,
            fold.turn_phase,
            peak.phase,
            direction,
            &speeds,
        );
        let mut widest: Option<(f64, f64, f64)> = None;
        let widths = columns.get_mut(direction);
        for (passage, &speed) in found.iter().zip(&speeds) {
            let width = passage.map(|p| {
                let (up, down) = at_passage(&fold.force, &p);
                let width = direction.sign() * (up - down);
                if widest.is_none_or(|(w, ..)| width.abs() > w.abs()) {
                    widest = Some((width, speed, f64::midpoint(up, down)));
                }
                width
            });
            widths.push(width);
        }
        if let Some((width, speed, force)) = widest {
            *out.max_width_n.get_mut(direction) = Some(width);
            *out.width_at_m_s.get_mut(direction) = Some(speed);
            *out.share.get_mut(direction) =
                (force.abs() > f64::EPSILON).then(|| (width / force).abs());
        }
    }
    out.widths = speeds
        .iter()
        .zip(columns.compression.iter().zip(&columns.rebound))
        .map(|(&v, (&c, &r))| (v, c, r))
        .collect();
    out
}

fn stroke(travel: &[f64]) -> f64 {
    let (low, high) = travel
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &x| {
            (l.min(x), h.max(x))
        });
    high - low
}

/// Angular frequency of a period, rad/s.
pub fn angular(period: f64) -> f64 {
    TAU / period
}
