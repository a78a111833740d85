//! Motion of a step: velocity, acceleration and shape from the folded travel.
//!
//! A sine or a crank has few harmonics, and its Fourier series gives derivatives without
//! the bias of a smoothing window. A triangle has corners, where a series would ring; there
//! a short least-squares line is used, which cannot overshoot.

use std::f64::consts::TAU;

use super::{Direction, Motion, PerDirection};
use crate::cycles::PHASES;
use crate::signal::{
    Harmonic, LocalPolynomial, circular_savitzky_golay, harmonics, polynomial_weights, series_at,
};

/// Departure from the best sine, over half the stroke, below which motion is called a sine.
const SINE_DEPARTURE: f64 = 0.01;
/// Residual of a series of this order or less, over half the stroke, that still counts as smooth.
const SMOOTH_ORDER: usize = 10;
const SMOOTH_RESIDUAL: f64 = 0.004;
/// Harmonics are kept while they stand out from the noise by this factor.
const HARMONIC_FACTOR: f64 = 4.0;
/// Half width of the local line for motion with corners, in grid points: 1/46 of a period.
const CORNER_HALF_WINDOW: usize = 5;
/// The peak of speed is sought where speed is above this share of the largest.
const PEAK_REGION: f64 = 0.95;
/// Force at the peak is fitted where speed is above this share, at most `PEAK_REACH` of a
/// period to either side. Within it a quadratic in time follows a sine's force to 1e-4.
const FORCE_REGION: f64 = 0.92;
const PEAK_REACH: f64 = 0.07;

/// Where speed is largest in one direction, and how to read force there.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SpeedPeak {
    /// Phase, 0..1.
    pub phase: f64,
    /// Speed, m/s.
    pub speed: f64,
    /// First grid index of the window for force.
    pub window_start: isize,
    /// Weights of the window: their dot product with force is force at the peak.
    pub weights: Vec<f64>,
}

/// Velocity and shape of a folded motion.
#[derive(Debug, Clone, PartialEq)]
pub struct Kinematics {
    /// Velocity on the grid, m/s.
    pub velocity: Vec<f64>,
    /// Acceleration on the grid, m/s².
    pub acceleration: Vec<f64>,
    /// Shape.
    pub motion: Motion,
    /// Largest departure from the best sine over half the stroke.
    pub departure: f64,
    /// Peaks of speed.
    pub peaks: PerDirection<SpeedPeak>,
}

/// Works out the motion from the folded travel (about mid-stroke, [`PHASES`] points).
///
/// `samples` is the number of file samples per cycle: orders beyond a third of it are
/// not looked at.
pub fn kinematics(travel: &[f64], period: f64, turn_phase: f64, samples: f64) -> Kinematics {
    let half_stroke = 0.5 * (max_of(travel) - min_of(travel));
    let most = ((samples / 3.0) as usize).clamp(3, 40);
    let series = harmonics(travel, most);
    let fundamental = series_at(&series[..2.min(series.len())], 0, PHASES);
    let departure = largest_gap(travel, &fundamental) / half_stroke.max(f64::MIN_POSITIVE);
    let (kept, residual) = significant(travel, &series, half_stroke);
    let motion = if departure > SINE_DEPARTURE && is_constant_speed(travel, turn_phase) {
        Motion::Triangle
    } else {
        classify(&series, departure, residual)
    };
    // A few harmonics may come close to a rounded triangle, but their derivative rings.
    let smooth = match motion {
        Motion::Sine | Motion::Crank => true,
        Motion::Triangle => false,
        Motion::Other => residual < SMOOTH_RESIDUAL,
    };
    let (velocity, acceleration): (Vec<f64>, Vec<f64>) = if smooth {
        let v = series_at(&kept, 1, PHASES)
            .iter()
            .map(|d| d / period)
            .collect();
        let a = series_at(&kept, 2, PHASES)
            .iter()
            .map(|d| d / (period * period))
            .collect();
        (v, a)
    } else {
        let window = 2 * CORNER_HALF_WINDOW + 1;
        let step = PHASES as f64 / period;
        let v: Vec<f64> = circular_savitzky_golay(travel, window, 1, 1)
            .iter()
            .map(|d| d * step)
            .collect();
        let a = circular_savitzky_golay(&v, window, 1, 1)
            .iter()
            .map(|d| d * step)
            .collect();
        (v, a)
    };
    let peak = |direction| speed_peak(&velocity, turn_phase, direction, motion, samples);
    let peaks = PerDirection {
        compression: peak(Direction::Compression),
        rebound: peak(Direction::Rebound),
    };
    Kinematics {
        velocity,
        acceleration,
        motion,
        departure,
        peaks,
    }
}

/// Harmonics that stand out of the noise, and what they leave over, over half the stroke.
fn significant(travel: &[f64], series: &[Harmonic], half_stroke: f64) -> (Vec<Harmonic>, f64) {
    let mut tail: Vec<f64> = series
        .iter()
        .skip(series.len() / 2)
        .map(Harmonic::amplitude)
        .collect();
    tail.sort_by(f64::total_cmp);
    let noise = tail.get(tail.len() / 2).copied().unwrap_or(0.0);
    let kept: Vec<Harmonic> = series
        .iter()
        .filter(|h| {
            h.order <= 1 || (h.order <= SMOOTH_ORDER && h.amplitude() > HARMONIC_FACTOR * noise)
        })
        .copied()
        .collect();
    let back = series_at(&kept, 0, PHASES);
    let squares: f64 = travel.iter().zip(&back).map(|(a, b)| (a - b).powi(2)).sum();
    let rms = (squares / travel.len() as f64).sqrt();
    (kept, rms / half_stroke.max(f64::MIN_POSITIVE))
}

/// A stroke counts as one of constant speed if speed stays above this share of its upper
/// quartile for more than that share of the stroke's time. A sine does for 0.37 of it, a
/// triangle with a fifth of its time spent turning for 0.8.
const CONSTANT_LEVEL: f64 = 0.9;
const CONSTANT_TIME: f64 = 0.7;

fn is_constant_speed(travel: &[f64], turn_phase: f64) -> bool {
    let n = travel.len();
    let turn = ((turn_phase * n as f64).round() as usize).clamp(8, n - 8);
    let velocity = circular_savitzky_golay(travel, 4 * CORNER_HALF_WINDOW + 1, 1, 1);
    [&velocity[..turn], &velocity[turn..]].iter().all(|half| {
        let mut speed: Vec<f64> = half.iter().map(|v| v.abs()).collect();
        speed.sort_by(f64::total_cmp);
        let level = CONSTANT_LEVEL * speed[speed.len() * 3 / 4];
        let fast = speed.iter().filter(|v| **v > level).count();
        fast as f64 > CONSTANT_TIME * speed.len() as f64
    })
}

fn classify(series: &[Harmonic], departure: f64, residual: f64) -> Motion {
    let amplitude = |order: usize| series.get(order).map_or(0.0, Harmonic::amplitude);
    if departure < SINE_DEPARTURE {
        Motion::Sine
    } else if residual < SMOOTH_RESIDUAL && amplitude(2) > 5.0 * amplitude(3) {
        // A finite rod adds the second harmonic, r/4l of the first, and little else.
        Motion::Crank
    } else {
        Motion::Other
    }
}

fn speed_peak(
    velocity: &[f64],
    turn_phase: f64,
    direction: Direction,
    motion: Motion,
    samples: f64,
) -> SpeedPeak {
    let n = velocity.len();
    let turn = ((turn_phase * n as f64).round() as usize).clamp(1, n - 1);
    let (from, to) = match direction {
        Direction::Compression => (0, turn),
        Direction::Rebound => (turn, n),
    };
    let speed = |i: isize| direction.sign() * velocity[i.rem_euclid(n as isize) as usize];
    let Some(top) = (from..to).max_by(|&a, &b| speed(a as isize).total_cmp(&speed(b as isize)))
    else {
        return SpeedPeak::default();
    };
    let largest = speed(top as isize);
    if largest <= 0.0 {
        return SpeedPeak::default();
    }
    let (centre, value) = if motion == Motion::Triangle {
        plateau(&speed, from as isize, to as isize)
    } else {
        let (low, high) = region(&speed, top as isize, PEAK_REGION * largest, n as isize / 4);
        parabola_top(&speed, low, high).unwrap_or((top as f64, largest))
    };
    let least = (3.0 * n as f64 / samples.max(1.0)).ceil() as isize;
    let reach = ((PEAK_REACH * n as f64) as isize).max(least);
    let middle = centre.round() as isize;
    let (low, high) = region(&speed, middle, FORCE_REGION * value, reach);
    // The same reach on both sides, so that a slope in time cannot lean on the estimate.
    let half = (middle - low).min(high - middle).max(least.max(4));
    let at: Vec<f64> = (-half..=half)
        .map(|k| (middle + k) as f64 - centre)
        .collect();
    let weights =
        polynomial_weights(&at, 2, 0).unwrap_or_else(|| vec![1.0 / at.len() as f64; at.len()]);
    SpeedPeak {
        phase: (centre / n as f64).rem_euclid(1.0),
        speed: value,
        window_start: middle - half,
        weights,
    }
}

/// Middle and median speed of the middle half of a stroke at constant speed: noise has no
/// say in where the peak is.
fn plateau(speed: &impl Fn(isize) -> f64, from: isize, to: isize) -> (f64, f64) {
    let quarter = (to - from) / 4;
    let mut inner: Vec<f64> = (from + quarter..=to - quarter).map(speed).collect();
    inner.sort_by(f64::total_cmp);
    (0.5 * (from + to) as f64, inner[inner.len() / 2])
}

/// The stretch around `top` where `speed` stays above `level`, at most `reach` either side.
fn region(speed: &impl Fn(isize) -> f64, top: isize, level: f64, reach: isize) -> (isize, isize) {
    let mut low = top;
    while top - low < reach && speed(low - 1) >= level {
        low -= 1;
    }
    let mut high = top;
    while high - top < reach && speed(high + 1) >= level {
        high += 1;
    }
    (low, high)
}

/// Vertex of the least-squares parabola over `low..=high`: (index, value).
fn parabola_top(speed: &impl Fn(isize) -> f64, low: isize, high: isize) -> Option<(f64, f64)> {
    let middle = 0.5 * (low + high) as f64;
    let at: Vec<f64> = (low..=high).map(|i| i as f64 - middle).collect();
    // A quartic where there is room: a sine's top is not quite a parabola.
    let order = if at.len() >= 12 { 4 } else { 2 };
    let polynomial = LocalPolynomial::new(&at, order)?;
    let part = |k: usize| -> Option<f64> {
        let weights = polynomial.weights(k)?;
        Some(
            weights
                .iter()
                .zip(low..=high)
                .map(|(w, i)| w * speed(i))
                .sum(),
        )
    };
    let (level, slope, bend) = (part(0)?, part(1)?, part(2)?);
    let shift = -slope / bend;
    let half = 0.5 * (high - low) as f64;
    (bend < 0.0 && shift.abs() <= half).then_some((middle + shift, level + 0.5 * slope * shift))
}

/// Phase difference of the equivalent sine: phase of the first harmonic, 0..1.
pub fn fundamental_phase(values: &[f64]) -> Option<(f64, f64)> {
    let first = *harmonics(values, 1).get(1)?;
    Some((
        first.amplitude(),
        (first.sine.atan2(first.cosine) / TAU).rem_euclid(1.0),
    ))
}

fn max_of(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::NEG_INFINITY, f64::max)
}

fn min_of(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

fn largest_gap(a: &[f64], b: &[f64]) -> f64 {
    a.iter()
        .zip(b)
        .map(|(a, b)| (a - b).abs())
        .fold(0.0, f64::max)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Exact slider-crank kinematics (crank r, rod l), travel from mid-stroke, with phase 0
    /// at full extension. Shigley & Uicker, Theory of Machines; value derived by bounded
    /// minimisation elsewhere.
    fn crank(r: f64, l: f64) -> Vec<f64> {
        (0..PHASES)
            .map(|i| {
                let a = std::f64::consts::PI + TAU * i as f64 / PHASES as f64;
                r * a.cos() + (l * l - (r * a.sin()).powi(2)).sqrt() - l
            })
            .collect()
    }

    #[test]
    fn a_crank_has_its_peak_speed_off_mid_stroke() {
        for (r, l, rpm, peak) in [
            (0.05, 0.2, 100.0, 0.5397689187),
            (0.025, 0.15, 60.0, 0.1592479271),
        ] {
            let k = kinematics(&crank(r, l), 60.0 / rpm, 0.5, 500.0);
            assert_eq!(k.motion, Motion::Crank);
            for side in [&k.peaks.compression, &k.peaks.rebound] {
                assert!(
                    (side.speed / peak - 1.0).abs() < 1e-4,
                    "{} {peak}",
                    side.speed
                );
            }
        }
        // Peak at 76.72° of crank angle from the far dead centre, in rebound here.
        let k = kinematics(&crank(0.05, 0.2), 0.6, 0.5, 500.0);
        let angle = (k.peaks.rebound.phase - 0.5) * 360.0;
        let from_far = 180.0 - angle;
        assert!(
            (from_far - 76.72097783).abs() < 0.3 || (angle - 76.72097783).abs() < 0.3,
            "{angle}"
        );
    }

    #[test]
    fn a_sine_is_a_sine_and_a_triangle_does_not_ring() {
        let sine: Vec<f64> = (0..PHASES)
            .map(|i| -0.025 * (TAU * i as f64 / PHASES as f64).cos())
            .collect();
        let k = kinematics(&sine, 0.5, 0.5, 100.0);
        assert_eq!(k.motion, Motion::Sine);
        assert!((k.peaks.compression.speed / (TAU / 0.5 * 0.025) - 1.0).abs() < 1e-6);
        let triangle: Vec<f64> = (0..PHASES)
            .map(|i| {
                let p = i as f64 / PHASES as f64;
                0.05 * if p < 0.5 {
                    2.0 * p - 0.5
                } else {
                    1.5 - 2.0 * p
                }
            })
            .collect();
        let k = kinematics(&triangle, 0.5, 0.5, 200.0);
        assert_eq!(k.motion, Motion::Triangle);
        let exact = 0.2;
        assert!((k.peaks.compression.speed / exact - 1.0).abs() < 1e-6);
        assert!(k.velocity.iter().all(|v| v.abs() < exact * (1.0 + 1e-9)));
    }
}
