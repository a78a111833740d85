//! Forces as they would be at one common temperature.

use serde::{Deserialize, Serialize};

use super::Measured;
use super::balance::Balance;
use super::sensitivity::{Sensitivity, temperature_of};
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, PerDirection, Step};

/// Forces at peak speed referred to a common temperature.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Referred {
    /// That temperature, °C.
    pub reference_c: f64,
    /// By step and direction, in the order of the steps.
    pub points: PerDirection<Vec<ReferredPoint>>,
}

/// One of them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct ReferredPoint {
    /// Step index.
    pub step: usize,
    /// Peak speed, m/s.
    pub velocity_m_s: f64,
    /// Mean temperature of the step, °C.
    pub temperature_c: f64,
    /// Force as measured, N, our signs.
    pub force_n: f64,
    /// Force at the reference, N.
    pub referred_n: f64,
    /// What of the change is gas force, N; 0 where no change of gas with temperature was shown.
    #[serde(default)]
    pub gas_shift_n: f64,
    /// Half of the 95 % interval the correction adds, N.
    pub correction_half_n: Option<f64>,
}

/// Mean temperature of a step's used cycles, °C.
pub(super) fn step_temperature(step: &Step, balance: Option<&Balance>) -> Option<f64> {
    let (mut sum, mut weight) = (0.0, 0.0);
    for cycle in &step.series {
        if let Some(t) = temperature_of(balance, step, cycle) {
            sum += f64::from(cycle.count) * t;
            weight += f64::from(cycle.count);
        }
    }
    (weight > 0.0).then(|| sum / weight)
}

impl Sensitivity {
    /// The factor that takes a hydraulic force at `temperature` to the reference, and half
    /// of its 95 % interval. `None` where the direction has no sensitivity or it is used too
    /// far out.
    pub fn factor(&self, direction: Direction, temperature: f64) -> Option<(f64, f64)> {
        let per_c = match direction {
            Direction::Compression => self.compression_percent_per_c,
            Direction::Rebound => self.rebound_percent_per_c,
        }?;
        let away = temperature - self.reference_c;
        let level = 1.0 + 0.01 * per_c.value * away;
        let half = per_c.ci95.map_or(0.0, |[a, b]| 0.005 * (b - a)) * away.abs();
        // Below this the straight line has been stretched too far to divide by.
        const LEAST: f64 = 0.3;
        (level > LEAST).then(|| (1.0 / level, half / (level * level)))
    }
}

impl Sensitivity {
    /// What gas force gains from `temperature` to the reference, N, and half of its 95 %
    /// interval: nothing unless the run shows that it changes.
    fn gas_shift(&self, temperature: f64) -> (f64, f64) {
        let away = self.reference_c - temperature;
        match self.gas_n_per_c.filter(Measured::is_clear_of_zero) {
            Some(per_c) => {
                let half = per_c.ci95.map_or(0.0, |[a, b]| 0.5 * (b - a));
                (per_c.value * away, half * away.abs())
            }
            None => (0.0, 0.0),
        }
    }
}

impl ReferredPoint {
    /// What damping force was multiplied by; `still` is gas and friction.
    pub(crate) fn factor(&self, still: f64) -> f64 {
        if self.force_n == still {
            1.0
        } else {
            (self.referred_n - self.gas_shift_n - still) / (self.force_n - still)
        }
    }
}

/// Forces at peak speed at the reference of `sensitivity`.
pub(super) fn referred(
    steps: &[Step],
    level: &StaticLevel,
    sensitivity: &Sensitivity,
    balance: Option<&Balance>,
) -> Referred {
    let mut out = Referred {
        reference_c: sensitivity.reference_c,
        ..Referred::default()
    };
    for direction in Direction::BOTH {
        let points = steps
            .iter()
            .filter_map(|step| {
                let t = step_temperature(step, balance)?;
                let (factor, half) = sensitivity.factor(direction, t)?;
                let force = step.force_at_peak_velocity_n.get(direction).mean;
                let still = level.gas_force_n + direction.sign() * level.friction_n;
                let moving = force - still;
                let (gas_shift_n, gas_half) = sensitivity.gas_shift(t);
                Some(ReferredPoint {
                    step: step.index,
                    velocity_m_s: *step.peak_velocity_m_s.get(direction),
                    temperature_c: t,
                    force_n: force,
                    referred_n: still + factor * moving + gas_shift_n,
                    gas_shift_n,
                    correction_half_n: Some((half * moving.abs()).hypot(gas_half)),
                })
            })
            .collect();
        *out.points.get_mut(direction) = points;
    }
    out
}

/// The steps with every hydraulic force taken to the reference of `referred`, for curves at
/// a common temperature: gas force is moved by what the run shows of it, friction left as it
/// is. Steps without a temperature stay as measured.
pub fn referred_steps(steps: &[Step], level: &StaticLevel, referred: &Referred) -> Vec<Step> {
    steps
        .iter()
        .map(|step| {
            let point = |direction: Direction| {
                let points = referred.points.get(direction);
                points.iter().find(|p| p.step == step.index)
            };
            let factor = |direction: Direction| {
                let still = level.gas_force_n + direction.sign() * level.friction_n;
                point(direction).map_or(1.0, |p| p.factor(still))
            };
            let shift = Direction::BOTH.into_iter().find_map(point);
            scaled(
                step,
                level,
                shift.map_or(0.0, |p| p.gas_shift_n),
                &PerDirection {
                    compression: factor(Direction::Compression),
                    rebound: factor(Direction::Rebound),
                },
            )
        })
        .collect()
}

fn scaled(step: &Step, level: &StaticLevel, gas_shift_n: f64, factor: &PerDirection<f64>) -> Step {
    let mut out = step.clone();
    let n = step.fold.force.len();
    let turn = (step.fold.turn_phase * n as f64).round() as usize;
    // Scaling grows from the reversals with speed, so no edge appears where strokes meet.
    let at = |i: usize, force: f64| {
        let direction = if i < turn {
            Direction::Compression
        } else {
            Direction::Rebound
        };
        let speed = step.fold.velocity.get(i).copied().unwrap_or(0.0).abs();
        let rubbing = level.friction_n * (speed / (speed + LOW_M_S));
        let still = level.gas_force_n
            + level.gas_stiffness_n_m * step.fold.travel.get(i).copied().unwrap_or(0.0)
            + direction.sign() * rubbing;
        still + factor.get(direction) * (force - still) + gas_shift_n
    };
    for (i, force) in out.fold.force.iter_mut().enumerate() {
        *force = at(i, *force);
    }
    for cycle in &mut out.kept {
        for (i, force) in cycle.force.iter_mut().enumerate() {
            *force = at(i, *force);
        }
    }
    for direction in Direction::BOTH {
        let still = level.gas_force_n + direction.sign() * level.friction_n;
        let f = *factor.get(direction);
        let spread = out.force_at_peak_velocity_n.get_mut(direction);
        spread.mean = still + f * (spread.mean - still) + gas_shift_n;
        spread.sd = spread.sd.map(|sd| f * sd);
    }
    for cycle in &mut out.series {
        let up = level.gas_force_n + level.friction_n;
        let down = level.gas_force_n - level.friction_n;
        let moved = |still: f64, f: f64, force: f64| still + f * (force - still) + gas_shift_n;
        cycle.force_compression_n = moved(up, factor.compression, cycle.force_compression_n);
        cycle.force_rebound_n = moved(down, factor.rebound, cycle.force_rebound_n);
    }
    out
}

/// Speed over which friction takes its sign, m/s: well below any speed a curve is read at.
const LOW_M_S: f64 = 1e-3;
