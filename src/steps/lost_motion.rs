//! Lost motion: travel after a reversal before force has come back.
//!
//! What force should be is taken from the same stroke: at equal speed, while slowing down,
//! the oil is under load whatever happened at the reversal. A curve made from other steps
//! raises that expectation where the slowing-down branch is itself short of force, and lowers
//! it where that branch is held up: a void on the rod side keeps compression force near its
//! cap while slowing down, far above what the valves ask for.

use super::{Direction, Fold};
use crate::signal::sample_circular;

/// The static level of a damper, which carries no damping: gas force, stiffness and lag.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct StaticLevel {
    /// Force at mid-stroke and no speed, N.
    pub gas_force_n: f64,
    /// Rise with compression, N/m.
    pub gas_stiffness_n_m: f64,
    /// Friction, N.
    pub friction_n: f64,
    /// Delay of the force channel to take out first, s.
    pub lag_s: f64,
}

/// What happened after one reversal.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Recovery {
    /// Travel from the reversal until half of the expected force is back, m.
    pub lost_m: f64,
    /// Phase of the reversal the stroke begins with.
    pub begin: f64,
    /// Phase where force is back.
    pub phase: f64,
    /// Force expected where it is back, N.
    pub wanted_n: f64,
    /// Largest deficit of force on the way, N.
    pub deficit_n: f64,
    /// Share of the expected force missing, averaged over the lost travel, 0..1.
    pub missing: f64,
    /// Travel over which force stayed within a quarter of the expected rise of its static
    /// level, m: the flat stretch.
    pub flat_m: f64,
    /// Steepest recovery, N/m, over the steepest rise the expected force has.
    pub abruptness: f64,
}

/// Force counts as back at this share of what is expected.
const BACK: f64 = 0.5;
/// Force within this share of the expected rise of the static level is flat.
const FLAT: f64 = 0.25;
/// The slowing-down branch may ask for this much of what the curve says: hysteresis that needs
/// no fault puts it above the mean of both branches.
const BRANCH_OVER_CURVE: f64 = 1.3;
/// An expectation below this share of the stroke's largest, or this many times the noise,
/// cannot be judged.
const GUARD_SHARE: f64 = 0.05;
const GUARD_NOISE: f64 = 4.0;

/// Looks at the start of the stroke of `direction` in `force` (on the phase grid of `fold`,
/// one cycle's or the fold's own). `expected(speed)` is the hydraulic force, N positive, the
/// curve gives at a speed, 0 where it is not known. `noise` is the standard deviation of
/// `force`, N.
pub fn recovery(
    fold: &Fold,
    force: &[f64],
    period: f64,
    direction: Direction,
    level: &StaticLevel,
    noise: f64,
    expected: &dyn Fn(f64) -> f64,
) -> Recovery {
    Stroke::new(fold, direction, level, expected).recovery(force, period, noise)
}

/// What a stroke's motion and the curve say of every sample of it, whatever the force: worked
/// out once for the many cycles of a step.
#[derive(Debug, Clone)]
pub struct Stroke<'a> {
    fold: &'a Fold,
    direction: Direction,
    level: &'a StaticLevel,
    /// First sample of the stroke, samples to its peak of speed, and the sample after its last.
    begin: usize,
    steps: usize,
    end: usize,
    /// Of each sample, the one after the last included.
    asked: Vec<Asked>,
    /// Samples while slowing down, speed rising.
    slowing: Vec<usize>,
}

/// What is asked of force at one sample.
#[derive(Debug, Clone, Copy)]
struct Asked {
    speed: f64,
    /// What the curve says, friction included, N.
    sound: f64,
    /// Whether the curve says anything.
    known: bool,
    /// The place among the slowing-down samples with the same speed.
    slow: usize,
}

impl<'a> Stroke<'a> {
    /// The stroke of `direction`; arguments as for [`recovery`].
    pub fn new(
        fold: &'a Fold,
        direction: Direction,
        level: &'a StaticLevel,
        expected: &dyn Fn(f64) -> f64,
    ) -> Self {
        let n = fold.travel.len();
        let peak = fold.peaks.get(direction);
        let turn = (fold.turn_phase * n as f64).round() as usize;
        let (begin, end) = match direction {
            Direction::Compression => (0, turn),
            Direction::Rebound => (turn, n),
        };
        let sign = direction.sign();
        let speed = |i: usize| sign * fold.velocity[i % n];
        let steps =
            (((peak.phase - begin as f64 / n as f64).rem_euclid(1.0)) * n as f64).round() as usize;
        let slowing: Vec<usize> = (begin + steps..end)
            .rev()
            .filter(|&i| speed(i) > 0.0)
            .collect();
        let slow_speeds: Vec<f64> = slowing.iter().map(|&i| speed(i)).collect();
        let asked = (begin..=end).map(|i| {
            let v = speed(i);
            let curve = expected(v);
            let sound = curve + level.friction_n;
            Asked {
                speed: v,
                sound,
                known: curve > 0.0 && sound > 0.0,
                slow: slow_speeds
                    .partition_point(|u| *u < v)
                    .min(slow_speeds.len().saturating_sub(1)),
            }
        });
        Self {
            fold,
            direction,
            level,
            begin,
            steps,
            end,
            asked: asked.collect(),
            slowing,
        }
    }

    /// What happened after the reversal in `force`, of a cycle of `period` s, with noise of
    /// the standard deviation `noise`.
    pub fn recovery(&self, force: &[f64], period: f64, noise: f64) -> Recovery {
        let Self {
            fold,
            level,
            begin,
            steps,
            end,
            ..
        } = *self;
        let n = fold.travel.len();
        let sign = self.direction.sign();
        let shift = level.lag_s / period;
        let rest = |i: usize| level.gas_force_n + level.gas_stiffness_n_m * fold.travel[i % n];
        // Resisting force above the static level.
        let load = |phase: f64| {
            let i = (phase.rem_euclid(1.0) * n as f64).round() as usize;
            sign * (sample_circular(force, phase + shift) - rest(i))
        };
        let at_sample = |i: usize| {
            let force = if shift == 0.0 {
                force[i % n]
            } else {
                sample_circular(force, i as f64 / n as f64 + shift)
            };
            sign * (force - rest(i))
        };
        let slowing: Vec<f64> = self.slowing.iter().map(|&i| at_sample(i)).collect();
        let speed = |i: usize| self.asked[i - begin].speed;
        let wanted = |i: usize| {
            let asked = &self.asked[i - begin];
            let branch = slowing.get(asked.slow).copied().unwrap_or(0.0);
            if asked.known {
                branch.clamp(asked.sound, BRANCH_OVER_CURVE * asked.sound)
            } else {
                branch.max(asked.sound).max(0.0)
            }
        };
        let largest = (begin..end).map(wanted).fold(0.0, f64::max);
        let guard = (GUARD_SHARE * largest).max(GUARD_NOISE * noise);
        let mut out = Recovery {
            lost_m: 0.0,
            begin: begin as f64 / n as f64,
            phase: begin as f64 / n as f64,
            wanted_n: 0.0,
            deficit_n: 0.0,
            missing: 0.0,
            flat_m: 0.0,
            abruptness: 0.0,
        };
        let origin = fold.travel[begin % n];
        let gone = |i: usize| (fold.travel[i % n] - origin).abs();
        let mut short = false;
        let mut missing = (0.0, 0u32);
        let mut steepest = (0.0_f64, 0.0_f64);
        // Half a stroke and a little more: a void may outlast the peak of speed.
        let last = usize::midpoint(begin + steps, end).min(end);
        for i in begin..last {
            let want = wanted(i);
            if want < guard || speed(i) <= 0.0 {
                continue;
            }
            let have = at_sample(i);
            let travel_step = (fold.travel[(i + 1) % n] - fold.travel[i % n]).abs();
            if have >= BACK * want {
                if !short {
                    break;
                }
                out.lost_m = gone(i);
                out.phase = i as f64 / n as f64;
                out.wanted_n = want;
                let rise =
                    load((i + 2) as f64 / n as f64) - load(i as f64 / n as f64 - 2.0 / n as f64);
                steepest.0 = rise / (4.0 * travel_step.max(f64::MIN_POSITIVE));
                break;
            }
            short = true;
            out.deficit_n = out.deficit_n.max(want - have);
            missing = (missing.0 + 1.0 - have / want, missing.1 + 1);
            if have.abs() <= FLAT * want {
                out.flat_m += travel_step;
            }
            steepest.1 = steepest
                .1
                .max((wanted(i + 1) - want) / travel_step.max(f64::MIN_POSITIVE));
        }
        if short && out.lost_m == 0.0 {
            // Never came back within the stretch looked at.
            out.lost_m = gone(last);
            out.wanted_n = wanted(last);
            out.phase = (last % n) as f64 / n as f64;
        }
        if missing.1 > 0 {
            out.missing = missing.0 / f64::from(missing.1);
        }
        if steepest.1 > 0.0 {
            out.abruptness = steepest.0 / steepest.1;
        }
        out
    }
}
