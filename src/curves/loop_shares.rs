//! What makes a loop wide at equal speed: gas spring, force delay, compliance, and the rest.

use super::Expected;
use crate::signal::sample_circular;
use crate::steps::energy::velocity_loop_area;
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, PerDirection, Step};

/// Below this share of `peak force × peak speed` a loop has no width worth splitting.
const LEAST_AREA_SHARE: f64 = 0.002;

/// Fills the shares of `step.hysteresis`: each is the part of `∮ F dv` a cause explains.
///
/// Gas: `∮ k x dv`. Delay: what taking the delay out of the force takes out of the area.
/// Compliance (series stiffness `K`): `−∮ F′² a / K dv`. They may add to more or less than
/// one; the remainder is what is left, and may be negative.
pub fn fill_loop_shares(
    step: &mut Step,
    level: &StaticLevel,
    series_stiffness: Option<f64>,
    expected: &PerDirection<Expected>,
) {
    let fold = &step.fold;
    let n = fold.force.len();
    let Some(area) = step.hysteresis.loop_area_n_m_s else {
        return;
    };
    let size = step
        .peak_force_n
        .compression
        .abs()
        .max(step.peak_force_n.rebound.abs())
        * step.top_speed();
    if area.abs() < LEAST_AREA_SHARE * size {
        return;
    }
    let spring: Vec<f64> = fold
        .travel
        .iter()
        .map(|x| level.gas_stiffness_n_m * x)
        .collect();
    let gas = velocity_loop_area(&fold.velocity, &spring) / area;
    let late = level.lag_s * step.frequency_hz;
    let lag = if late == 0.0 {
        0.0
    } else {
        let early: Vec<f64> = (0..n)
            .map(|i| sample_circular(&fold.force, i as f64 / n as f64 + late))
            .collect();
        1.0 - velocity_loop_area(&fold.velocity, &early) / area
    };
    let compliance = series_stiffness.map_or(0.0, |k| {
        let soft: Vec<f64> = fold
            .velocity
            .iter()
            .zip(&fold.acceleration)
            .map(|(v, a)| {
                let side = if *v >= 0.0 {
                    Direction::Compression
                } else {
                    Direction::Rebound
                };
                -expected.get(side).slope(v.abs()).powi(2) * a / k
            })
            .collect();
        velocity_loop_area(&fold.velocity, &soft) / area
    });
    let h = &mut step.hysteresis;
    h.gas_share = Some(gas);
    h.lag_share = Some(lag);
    h.compliance_share = Some(compliance);
    h.remainder_share = Some(1.0 - gas - lag - compliance);
}
