//! The full-cycle curve: all samples, gas and friction taken out, the branches of speeding
//! up and slowing down averaged at equal speed.

use super::{CurvePoint, Expected};
use crate::signal::sample_circular;
use crate::statics::{sound_alone, sound_from};
use crate::steps::branches::{Passage, passages};
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, Motion, Step, Tally};

/// What steers the full-cycle curve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct FullCycleSettings {
    /// Points of the curve.
    pub points: usize,
    /// At each speed the slowest this many steps that reach it are averaged: a slower step
    /// passes a speed with less acceleration, so its branches are closer together.
    pub steps_per_point: usize,
    /// A step speaks for speeds up to this share of its peak.
    pub reach: f64,
}

impl Default for FullCycleSettings {
    fn default() -> Self {
        Self {
            points: 48,
            steps_per_point: 3,
            reach: 0.985,
        }
    }
}

/// Shape of the speed grid: above 1, points crowd towards low speed, where the bleed is.
const CROWDING: f64 = 1.6;

/// Samples between a reversal and the nearest speed a step speaks for: friction turns over
/// there, and what lies between two samples is drawn, not measured.
const CLEAR_SAMPLES: f64 = 3.0;

/// Speeds from near zero to `top`, m/s.
pub fn speed_grid(top: f64, points: usize) -> Vec<f64> {
    (1..=points)
        .map(|j| top * (j as f64 / points as f64).powf(CROWDING))
        .collect()
}

/// The curve of one direction, speed rising. Empty without steps that have two branches.
pub fn full_cycle(
    steps: &[Step],
    direction: Direction,
    level: &StaticLevel,
    settings: &FullCycleSettings,
) -> Vec<CurvePoint> {
    let mut usable: Vec<&Step> = steps
        .iter()
        .filter(|s| s.motion != Motion::Triangle)
        .collect();
    usable.sort_by(|a, b| speed_of(a, direction).total_cmp(&speed_of(b, direction)));
    let Some(fastest) = usable.last() else {
        return Vec::new();
    };
    let grid = speed_grid(
        settings.reach * speed_of(fastest, direction),
        settings.points,
    );
    let branches: Vec<Vec<Option<Passage>>> = usable
        .iter()
        .map(|s| {
            let peak = s.fold.peaks.get(direction);
            passages(
                &s.fold.velocity,
                s.fold.turn_phase,
                peak.phase,
                direction,
                &grid,
            )
        })
        .collect();
    let mean = |sound: &[f64], steps_per_point: usize| {
        let strokes: Vec<Spoken<'_>> = usable
            .iter()
            .zip(&branches)
            .zip(sound)
            .map(|((step, passages), sound)| Spoken {
                step,
                reach: settings.reach * speed_of(step, direction) * (1.0 + 1e-12),
                passages,
                sound: *sound,
            })
            .collect();
        average(&strokes, &grid, direction, level, steps_per_point)
    };
    // What the slowest step that reaches a speed says is the least touched by a void; where
    // each stroke is sound is told against that.
    let alone: Vec<f64> = usable.iter().map(|s| sound_alone(s, direction)).collect();
    let first = Expected::from_points(&mean(&alone, 1), direction, f64::INFINITY);
    let sound: Vec<f64> = usable
        .iter()
        .map(|s| sound_from(s, direction, level, &|v| first.at(v)))
        .collect();
    mean(&sound, settings.steps_per_point)
}

/// One step's stroke as the curve reads it.
struct Spoken<'a> {
    step: &'a Step,
    /// Speed up to which it speaks, m/s.
    reach: f64,
    /// Where it passes each speed of the grid.
    passages: &'a [Option<Passage>],
    /// Phase from which it carries force.
    sound: f64,
}

impl Spoken<'_> {
    /// True if both passages are measured apart from the reversals.
    fn is_clear(&self, passage: &Passage, direction: Direction) -> bool {
        let (begin, end) = match direction {
            Direction::Compression => (0.0, self.step.fold.turn_phase),
            Direction::Rebound => (self.step.fold.turn_phase, 1.0),
        };
        let least = CLEAR_SAMPLES / self.step.samples_per_cycle.max(1.0);
        passage.up - begin >= least && end - passage.down >= least
    }
}

/// The mean over the first `steps_per_point` strokes, slowest first, that reach each speed.
fn average(
    strokes: &[Spoken<'_>],
    grid: &[f64],
    direction: Direction,
    level: &StaticLevel,
    steps_per_point: usize,
) -> Vec<CurvePoint> {
    let statics = level.gas_force_n + direction.sign() * level.friction_n;
    grid.iter()
        .enumerate()
        .filter_map(|(j, &speed)| {
            let mut force = Pool::default();
            let speaking = strokes
                .iter()
                .filter(|s| speed <= s.reach)
                .filter_map(|s| s.passages[j].map(|p| (s, p)))
                .filter(|(s, p)| s.is_clear(p, direction))
                .take(steps_per_point);
            for (stroke, passage) in speaking {
                let (mean, se) = at(stroke.step, &passage, stroke.sound, level);
                force.add(mean, se, stroke.step.force_noise_n);
            }
            let (total, se) = force.result()?;
            Some(CurvePoint {
                velocity_m_s: speed,
                force_n: total - statics,
                se_n: se,
                total_force_n: total,
            })
        })
        .collect()
}

fn speed_of(step: &Step, direction: Direction) -> f64 {
    *step.peak_velocity_m_s.get(direction)
}

/// Mean of both branches of a step at a passage, the gas spring and the delay taken out,
/// and its standard error over the kept cycles. Before `sound`, force has not come back
/// from a void or play after the reversal, and only the branch of slowing down speaks.
fn at(step: &Step, passage: &Passage, sound: f64, level: &StaticLevel) -> (f64, Option<f64>) {
    let late = level.lag_s * step.frequency_hz;
    let up = if passage.up < sound {
        passage.down
    } else {
        passage.up
    };
    let spring = |phase: f64| level.gas_stiffness_n_m * sample_circular(&step.fold.travel, phase);
    let offset = f64::midpoint(spring(up), spring(passage.down));
    let read = |force: &[f64]| {
        f64::midpoint(
            sample_circular(force, up + late),
            sample_circular(force, passage.down + late),
        )
    };
    let mut tally = Tally::default();
    step.kept.iter().for_each(|c| tally.add(read(&c.force)));
    let se = tally
        .sd()
        .map(|sd| sd / (step.cycles_used.max(1) as f64).sqrt());
    (read(&step.fold.force) - offset, se)
}

/// Weighted mean over steps; the error carries their disagreement.
#[derive(Debug, Default)]
struct Pool {
    values: Vec<(f64, Option<f64>, f64)>,
}

impl Pool {
    fn add(&mut self, value: f64, se: Option<f64>, noise: f64) {
        self.values.push((value, se, noise));
    }

    fn result(&self) -> Option<(f64, Option<f64>)> {
        let n = self.values.len();
        if n == 0 {
            return None;
        }
        // Equal weights: the few cycles of a step give too poor a standard error to weigh by.
        let mean = self.values.iter().map(|v| v.0).sum::<f64>() / n as f64;
        let within: Option<f64> = self
            .values
            .iter()
            .map(|v| v.1.map(|se| se * se))
            .sum::<Option<f64>>()
            .map(|s| s / (n * n) as f64);
        let between = if n > 1 {
            self.values
                .iter()
                .map(|v| (v.0 - mean).powi(2))
                .sum::<f64>()
                / ((n - 1) * n) as f64
        } else {
            0.0
        };
        Some((mean, within.map(|w| (w.max(between)).sqrt())))
    }
}
