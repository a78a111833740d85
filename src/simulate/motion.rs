//! The dyno's path: travel and velocity at any time, exactly.
//!
//! Every step starts and ends at full extension, where the rod stands still, so steps can
//! follow each other without a jump.

use super::spec::{Motion, Shape, SlowAt};
use std::f64::consts::{PI, TAU};

/// Time to move from one stroke's full extension to another's, s: quick against any step,
/// slow against any sampling.
const MOVE_S: f64 = 0.25;

/// One speed of the plan.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct PlannedStep {
    /// Half the stroke, m.
    pub amplitude: f64,
    /// Cycles per second.
    pub frequency: f64,
    /// Whole cycles.
    pub cycles: u32,
    /// First instant, s.
    pub start: f64,
    /// Last instant, s.
    pub end: f64,
    /// True for the slow step.
    pub slow: bool,
}

#[derive(Debug, Clone, Copy)]
enum Leg {
    Hold {
        at: f64,
    },
    Move {
        from: f64,
        to: f64,
    },
    Turn {
        amplitude: (f64, f64),
        frequency: (f64, f64),
    },
}

/// The whole path.
#[derive(Debug, Clone)]
pub(super) struct Path {
    legs: Vec<(f64, f64, Leg)>,
    steps: Vec<PlannedStep>,
    shape: Shape,
    rod_ratio: f64,
    rounding: f64,
}

impl Path {
    pub(super) fn new(motion: &Motion) -> Self {
        let mut path = Self {
            legs: Vec::new(),
            steps: Vec::new(),
            shape: motion.shape,
            rod_ratio: motion.rod_ratio,
            rounding: motion.rounding,
        };
        let plan = plan(motion);
        if let Some(first) = plan.first() {
            path.push(motion.start_pause_s, Leg::Hold { at: -first.0 });
        }
        for (i, &(amplitude, frequency, cycles, slow)) in plan.iter().enumerate() {
            if let Some(&(before, f_before, ..)) = i.checked_sub(1).and_then(|j| plan.get(j)) {
                path.between((before, f_before), (amplitude, frequency), motion);
            }
            let start = path.duration();
            path.push(
                f64::from(cycles) / frequency,
                Leg::Turn {
                    amplitude: (amplitude, amplitude),
                    frequency: (frequency, frequency),
                },
            );
            path.steps.push(PlannedStep {
                amplitude,
                frequency,
                cycles,
                start,
                end: path.duration(),
                slow,
            });
        }
        if let Some(last) = plan.last() {
            path.push(motion.end_pause_s, Leg::Hold { at: -last.0 });
        }
        path
    }

    fn between(&mut self, from: (f64, f64), to: (f64, f64), motion: &Motion) {
        self.push(motion.pause_s, Leg::Hold { at: -from.0 });
        if motion.ramp_cycles > 0 {
            self.push(
                f64::from(motion.ramp_cycles) / (0.5 * (from.1 + to.1)),
                Leg::Turn {
                    amplitude: (from.0, to.0),
                    frequency: (from.1, to.1),
                },
            );
        } else if (from.0 - to.0).abs() > 1e-9 {
            self.push(
                MOVE_S,
                Leg::Move {
                    from: -from.0,
                    to: -to.0,
                },
            );
        }
    }

    fn push(&mut self, duration: f64, leg: Leg) {
        if duration > 0.0 {
            let start = self.duration();
            self.legs.push((start, start + duration, leg));
        }
    }

    /// The steps, in order.
    pub(super) fn steps(&self) -> &[PlannedStep] {
        &self.steps
    }

    /// End of the run, s.
    pub(super) fn duration(&self) -> f64 {
        self.legs.last().map_or(0.0, |leg| leg.1)
    }

    /// Travel (m) and velocity (m/s) at `time`.
    pub(super) fn at(&self, time: f64) -> (f64, f64) {
        let after = self.legs.partition_point(|leg| leg.1 <= time);
        let Some(&(start, end, leg)) = self.legs.get(after.min(self.legs.len().saturating_sub(1)))
        else {
            return (0.0, 0.0);
        };
        let time = time.min(end);
        let u = (time - start) / (end - start);
        match leg {
            Leg::Hold { at } => (at, 0.0),
            Leg::Move { from, to } => {
                let (s, ds) = smooth(u);
                (from + (to - from) * s, (to - from) * ds / (end - start))
            }
            Leg::Turn {
                amplitude,
                frequency,
            } => {
                let tau = time - start;
                let sweep = (frequency.1 - frequency.0) / (end - start);
                let turns = frequency.0 * tau + 0.5 * sweep * tau * tau;
                let turn_rate = frequency.0 + sweep * tau;
                let (s, ds) = smooth(u);
                let size = amplitude.0 + (amplitude.1 - amplitude.0) * s;
                let size_rate = (amplitude.1 - amplitude.0) * ds / (end - start);
                let (shape, slope) = self.shape_at(TAU * (turns - libm::floor(turns)));
                (
                    size * shape,
                    size * slope * TAU * turn_rate + size_rate * shape,
                )
            }
        }
    }

    /// Position between −1 (full extension) and 1, and its slope, at a phase in [0, 2π).
    fn shape_at(&self, phase: f64) -> (f64, f64) {
        match self.shape {
            Shape::Sine => (-libm::cos(phase), libm::sin(phase)),
            Shape::Crank => crank(phase, self.rod_ratio),
            Shape::Triangle => triangle(phase, self.rounding),
        }
    }
}

/// (amplitude m, frequency Hz, cycles, slow) of every step.
fn plan(motion: &Motion) -> Vec<(f64, f64, u32, bool)> {
    let half = motion.stroke_mm * 0.5e-3;
    let mut plan: Vec<_> = if motion.strokes_mm.is_empty() {
        let frequencies = if motion.frequencies_hz.is_empty() {
            motion
                .speeds_mm_s
                .iter()
                .map(|speed| frequency_for(motion, speed * 1e-3, half))
                .collect()
        } else {
            motion.frequencies_hz.clone()
        };
        frequencies
            .into_iter()
            .map(|f| (half, f, motion.cycles, false))
            .collect()
    } else {
        motion
            .strokes_mm
            .iter()
            .map(|stroke| (stroke * 0.5e-3, motion.frequency_hz, motion.cycles, false))
            .collect()
    };
    for (step, &cycles) in plan.iter_mut().zip(&motion.cycles_of_each) {
        step.2 = cycles;
    }
    let slow_half = if motion.slow_stroke_mm > 0.0 {
        motion.slow_stroke_mm * 0.5e-3
    } else {
        half
    };
    let slow = (
        slow_half,
        frequency_for(motion, motion.slow_mm_s * 1e-3, slow_half),
        motion.slow_cycles,
        true,
    );
    match motion.slow_at {
        SlowAt::Start => plan.insert(0, slow),
        SlowAt::End => plan.push(slow),
        SlowAt::Both => {
            plan.insert(0, slow);
            plan.push(slow);
        }
        SlowAt::None => {}
    }
    plan
}

/// Frequency that reaches a nominal peak speed.
fn frequency_for(motion: &Motion, speed: f64, amplitude: f64) -> f64 {
    match motion.shape {
        Shape::Sine | Shape::Crank => speed / (TAU * amplitude),
        Shape::Triangle => speed / (TAU * amplitude * plateau(motion.rounding)),
    }
}

/// Smooth step from 0 to 1 and its slope.
fn smooth(u: f64) -> (f64, f64) {
    (u * u * (3.0 - 2.0 * u), 6.0 * u * (1.0 - u))
}

/// Crank and rod: position and slope. At phase 0 crank and rod are in line and stretched
/// (top dead centre); with `q` the crank radius over the rod length, the rod's end stands at
/// `cos φ + √(1/q² − sin² φ)` crank radii from the crank's centre (exact kinematics, e.g. Shigley
/// & Uicker, Theory of Machines).
fn crank(phase: f64, rod_ratio: f64) -> (f64, f64) {
    let (sin, cos) = (libm::sin(phase), libm::cos(phase));
    let root = libm::sqrt(rod_ratio * rod_ratio - sin * sin);
    (-(cos + root - rod_ratio), sin + sin * cos / root)
}

/// Slope on the plateau of a triangle with rounded corners, per radian, for amplitude 1.
fn plateau(rounding: f64) -> f64 {
    // A stroke covers 2 in π radians; the corners run at half the plateau's speed on average.
    2.0 / (PI * (1.0 - 0.5 * rounding))
}

/// Constant speed; over `rounding` of each stroke the speed rises and falls linearly.
fn triangle(phase: f64, rounding: f64) -> (f64, f64) {
    let top = plateau(rounding);
    let (sign, p) = if phase < PI {
        (1.0, phase)
    } else {
        (-1.0, phase - PI)
    };
    let corner = 0.5 * rounding * PI;
    let rise = |p: f64| {
        if corner > 0.0 {
            (0.5 * top * p * p / corner, top * p / corner)
        } else {
            (0.0, top)
        }
    };
    let (gone, slope) = if p < corner {
        rise(p)
    } else if p > PI - corner {
        let (left, slope) = rise(PI - p);
        (2.0 - left, slope)
    } else {
        (top * (p - 0.5 * corner), top)
    };
    (sign * (gone - 1.0), sign * slope)
}
