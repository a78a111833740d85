//! One stroke of one step, read the same way for every rule.
//!
//! A stroke runs from one reversal to the next. `load` is the force that resists motion with
//! gas force, gas stiffness and the force channel's delay taken out; friction stays in.

use crate::curves::{Expected, step_recovery};
use crate::signal::sample_circular;
use crate::steps::branches::{Passage, passages};
use crate::steps::lost_motion::{Recovery, StaticLevel};
use crate::steps::{Direction, Motion, PerDirection, Step};

/// Shares of the peak speed at which both branches of a stroke are compared.
pub const SHARES: [f64; 18] = [
    0.1, 0.15, 0.2, 0.25, 0.3, 0.35, 0.4, 0.45, 0.5, 0.55, 0.6, 0.65, 0.7, 0.75, 0.8, 0.85, 0.9,
    0.94,
];

/// Load at one speed, both branches.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Branches {
    /// Where.
    pub passage: Passage,
    /// Load while speeding up, N.
    pub up_n: f64,
    /// Load while slowing down, N.
    pub down_n: f64,
    /// Acceleration along the stroke, speeding up less slowing down, m/s².
    pub acceleration_m_s2: f64,
}

/// Travel at the start of a stroke over which the load cell reads about zero while the
/// curve expects much more: nothing is being pushed.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Dwell {
    /// The travel, m.
    pub travel_m: f64,
    /// The same before what a force that merely passes the level takes is off, m.
    pub gross_m: f64,
    /// Phase from and to.
    pub phase: Option<[f64; 2]>,
    /// Travel from the reversal before the curve expects enough for a dwell to show, m: a
    /// gap shorter than this is not seen.
    pub blind_m: f64,
}

/// One stroke of one step.
#[derive(Debug, Clone)]
pub struct Stroke {
    /// Place in `case.steps`.
    pub at: usize,
    /// Index of the step.
    pub step: usize,
    /// Direction.
    pub direction: Direction,
    /// Peak speed, m/s.
    pub speed_m_s: f64,
    /// Stroke, m.
    pub stroke_m: f64,
    /// Half the peak-to-peak force of the step, N.
    pub half_span_n: f64,
    /// Standard error of a force of the mean loop, N.
    pub error_n: f64,
    /// Travel between two samples where force is back after the reversal, m: lost motion
    /// cannot be read more finely.
    pub grain_m: f64,
    /// Lost motion at its start, nothing taken off.
    pub lost: Recovery,
    /// Lost motion that needs no fault: what the slow steps show, or what the oil's and the
    /// structure's give explains, whichever is more, m.
    pub allowed_m: f64,
    /// Force at zero while the curve expects more.
    pub dwell: Dwell,
    /// Load at [`SHARES`] of the peak speed.
    pub branches: Vec<Option<Branches>>,
    /// Load at the peak of speed, N.
    pub load_at_peak_n: f64,
}

impl Stroke {
    /// Lost motion beyond what needs no fault, m.
    pub fn net_m(&self) -> f64 {
        (self.lost.lost_m - self.allowed_m).max(0.0)
    }

    /// Phase from which the stroke carries force again: a good while after lost motion of
    /// more than `share` of the stroke, else its reversal.
    pub fn sound_from(&self, share: f64) -> f64 {
        if self.lost.lost_m > share * self.stroke_m {
            self.lost.phase + LOST_MARGIN * (self.lost.phase - self.lost.begin).rem_euclid(1.0)
        } else {
            self.lost.begin
        }
    }

    /// Where on the loop force was missing.
    pub fn lost_phase(&self) -> [f64; 2] {
        [self.lost.begin, self.lost.phase]
    }
}

/// After lost motion force is still coming back for this part of its phase.
const LOST_MARGIN: f64 = 0.6;

/// Load at a phase, gas and delay out.
pub fn load(
    step: &Step,
    force: &[f64],
    direction: Direction,
    level: &StaticLevel,
    phase: f64,
) -> f64 {
    let late = level.lag_s * step.frequency_hz;
    let rest =
        level.gas_force_n + level.gas_stiffness_n_m * sample_circular(&step.fold.travel, phase);
    direction.sign() * (sample_circular(force, phase + late) - rest)
}

/// Reads one stroke.
pub(super) fn read(
    steps: &[Step],
    at: usize,
    direction: Direction,
    level: &StaticLevel,
    expected: &PerDirection<Expected>,
) -> Stroke {
    let step = &steps[at];
    let fold = &step.fold;
    let peak = fold.peaks.get(direction);
    let speeds: Vec<f64> = SHARES.iter().map(|s| s * peak.speed).collect();
    let found = if step.motion == Motion::Triangle {
        vec![None; SHARES.len()]
    } else {
        passages(
            &fold.velocity,
            fold.turn_phase,
            peak.phase,
            direction,
            &speeds,
        )
    };
    let load_at = |phase: f64| load(step, &fold.force, direction, level, phase);
    let acceleration = |phase: f64| sample_circular(&fold.acceleration, phase);
    let branches: Vec<Option<Branches>> = found
        .into_iter()
        .map(|found| {
            found.map(|passage| Branches {
                passage,
                up_n: load_at(passage.up),
                down_n: load_at(passage.down),
                acceleration_m_s2: direction.sign()
                    * (acceleration(passage.up) - acceleration(passage.down)),
            })
        })
        .collect();
    let half_span_n = 0.5 * (step.peak_force_n.compression - step.peak_force_n.rebound);
    let error_n = step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt();
    let lost = step_recovery(step, direction, level, expected);
    let back = sample_circular(&fold.velocity, lost.phase).abs();
    let mut stroke = Stroke {
        at,
        step: step.index,
        direction,
        speed_m_s: peak.speed,
        stroke_m: step.stroke_m,
        half_span_n,
        error_n,
        grain_m: back * step.period_s() / step.samples_per_cycle.max(1.0),
        lost,
        allowed_m: 0.0,
        dwell: Dwell::default(),
        branches,
        load_at_peak_n: load_at(peak.phase),
    };
    stroke.dwell = dwell(step, &stroke, level, 0.0);
    stroke
}

/// The load cell counts as at zero within this share of half the peak-to-peak force, or
/// within this many standard errors.
const ZERO_SHARE: f64 = 0.015;
const ZERO_ERRORS: f64 = 3.0;
/// … while the stroke's own slowing-down branch expects this many times as much.
const EXPECTS_FACTOR: f64 = 4.0;

/// Speed from which a stroke of constant speed counts as loaded, share of its speed.
const CORNER: f64 = 0.5;

/// Width within which the load cell counts as standing still, N.
pub(super) fn still_n(stroke: &Stroke) -> f64 {
    (ZERO_SHARE * stroke.half_span_n).max(ZERO_ERRORS * stroke.error_n)
}

/// One sample on the way from a reversal to the peak of speed.
pub(super) struct OnTheWay {
    /// Travel to the next sample, m.
    pub travel_m: f64,
    /// What the load cell reads, N.
    pub force_n: f64,
    /// What it should read, gas included, N.
    pub expected_n: f64,
    place: usize,
}

/// Samples from the reversal to the peak of speed, with what the stroke's own slowing-down
/// branch expects there, where a gap is closed. A stroke of constant speed has no such branch:
/// its load in mid-stroke is expected from its corner on.
pub(super) fn on_the_way(step: &Step, stroke: &Stroke, level: &StaticLevel) -> Vec<OnTheWay> {
    let fold = &step.fold;
    let n = fold.force.len();
    let sign = stroke.direction.sign();
    let mut law: Vec<(f64, f64)> = vec![(0.0, 0.0)];
    law.extend(
        stroke
            .branches
            .iter()
            .zip(SHARES)
            .filter_map(|(b, share)| b.map(|b| (share * stroke.speed_m_s, b.down_n))),
    );
    if law.len() < 4 {
        law = vec![
            (0.0, 0.0),
            (CORNER * stroke.speed_m_s, 0.5 * stroke.load_at_peak_n),
            (stroke.speed_m_s, stroke.load_at_peak_n),
        ];
    }
    let wanted = |v: f64| {
        let k = law.partition_point(|p| p.0 < v).clamp(1, law.len() - 1);
        let (a, b) = (law[k - 1], law[k]);
        if v >= b.0 {
            b.1
        } else {
            a.1 + (b.1 - a.1) * (v - a.0) / (b.0 - a.0)
        }
    };
    let peak = fold.peaks.get(stroke.direction).phase;
    let begin = (stroke.lost.begin * n as f64).round() as usize;
    let length = (((peak - stroke.lost.begin).rem_euclid(1.0)) * n as f64).round() as usize;
    (begin..begin + length)
        .filter_map(|i| {
            let (x, v, f) = (fold.travel[i % n], fold.velocity[i % n], fold.force[i % n]);
            let rest = level.gas_force_n + level.gas_stiffness_n_m * x;
            (sign * v > 0.0).then(|| OnTheWay {
                travel_m: (fold.travel[(i + 1) % n] - x).abs(),
                force_n: f,
                expected_n: rest + sign * wanted(sign * v),
                place: i,
            })
        })
        .collect()
}

/// Travel over which the load cell stands at `zero_n` while the curve expects much more.
pub(super) fn dwell(step: &Step, stroke: &Stroke, level: &StaticLevel, zero_n: f64) -> Dwell {
    let tolerance = still_n(stroke);
    let n = step.fold.force.len();
    let mut out = Dwell::default();
    let mut phases: Option<(usize, usize)> = None;
    let mut seeing = false;
    let mut ring = 0.0;
    for at in on_the_way(step, stroke, level) {
        let expects = (at.expected_n - zero_n).abs() > EXPECTS_FACTOR * tolerance;
        seeing |= expects;
        if !seeing {
            out.blind_m += at.travel_m;
        }
        let off = (at.force_n - zero_n).abs();
        if expects && off >= tolerance && off < 3.0 * tolerance {
            ring += at.travel_m;
        }
        if expects && off < tolerance {
            out.travel_m += at.travel_m;
            phases = Some(phases.map_or((at.place, at.place), |p| (p.0, at.place)));
        }
    }
    // A soft column passes the level too: what its neighbourhood takes is no standstill.
    out.gross_m = out.travel_m;
    out.travel_m = (out.travel_m - 0.5 * ring).max(0.0);
    out.phase = phases.map(|(a, b)| [(a % n) as f64 / n as f64, (b % n) as f64 / n as f64]);
    out
}
