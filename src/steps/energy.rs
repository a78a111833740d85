//! Heat of one cycle: the loop area, on the whole and by stroke.

use crate::signal::fourth_order_difference;

/// `∮ F dx` of one cycle on the phase grid, J: (compression stroke, rebound stroke).
///
/// `dx` is the central difference of fourth order, so that the area does not fall short as
/// a polygon does (by (2π/N)²/6 of it; an exact property of the inscribed polygon).
pub fn work(travel: &[f64], force: &[f64], turn_phase: f64) -> (f64, f64) {
    let n = travel.len().min(force.len());
    let turn = ((turn_phase * n as f64).round() as usize).min(n);
    let (travel, force) = (&travel[..n], &force[..n]);
    (part(travel, force, 0, turn), part(travel, force, turn, n))
}

/// Differences worked out at once.
const BLOCK: usize = 64;

/// `Σ F dx` over the points from `from` to before `to`. Away from the ends of the array the
/// neighbours stand beside each other, which is most of the work of a long log.
fn part(travel: &[f64], force: &[f64], from: usize, to: usize) -> f64 {
    let n = travel.len();
    let at_edge = |i: usize| force[i] * fourth_order_difference(travel, i);
    if n < 5 {
        return (from..to).map(at_edge).sum();
    }
    let inner = from.max(2)..to.min(n - 2).max(from.max(2));
    let mut sum: f64 = (from..inner.start.min(to)).map(at_edge).sum();
    let mut differences = [0.0; BLOCK];
    let neighbours = &travel[inner.start - 2..];
    for (block, force) in force[inner.clone()].chunks(BLOCK).enumerate() {
        let x = &neighbours[block * BLOCK..block * BLOCK + force.len() + 4];
        let differences = &mut differences[..force.len()];
        for (i, difference) in differences.iter_mut().enumerate() {
            *difference = (8.0 * (x[i + 3] - x[i + 1]) - (x[i + 4] - x[i])) / 12.0;
        }
        for (f, dx) in force.iter().zip(differences) {
            sum += f * *dx;
        }
    }
    sum + (inner.end.max(inner.start.min(to))..to)
        .map(at_edge)
        .sum::<f64>()
}

/// `∮ F v dt` of one cycle with a supplied velocity, J; the even grid makes the plain sum
/// exact for a closed loop.
pub fn work_in_time(velocity: &[f64], force: &[f64], period: f64) -> f64 {
    let n = velocity.len().min(force.len()).max(1) as f64;
    let sum: f64 = velocity.iter().zip(force).map(|(v, f)| v * f).sum();
    sum * period / n
}

/// Largest instantaneous power of a loop, W.
pub fn peak_power(velocity: &[f64], force: &[f64]) -> f64 {
    velocity
        .iter()
        .zip(force)
        .map(|(v, f)| v * f)
        .fold(0.0, f64::max)
}

/// `∮ F dv` of one cycle, N·m/s.
pub fn velocity_loop_area(velocity: &[f64], force: &[f64]) -> f64 {
    force
        .iter()
        .enumerate()
        .map(|(i, f)| f * fourth_order_difference(velocity, i))
        .sum()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::cycles::PHASES;
    use std::f64::consts::{PI, TAU};

    fn sine(half_stroke: f64, hz: f64) -> (Vec<f64>, Vec<f64>) {
        let w = TAU * hz;
        (0..PHASES)
            .map(|i| {
                let p = TAU * i as f64 / PHASES as f64;
                (-half_stroke * p.cos(), half_stroke * w * p.sin())
            })
            .unzip()
    }

    fn total(x: &[f64], f: &[f64]) -> f64 {
        let (c, r) = work(x, f, 0.5);
        c + r
    }

    /// Viscous E = πcωX² (Chopra, Dynamics of Structures, ch. 3; formula read in a public
    /// page), Coulomb E = 4FX (Stutts, Equivalent Viscous Damping, eq. 12), quadratic
    /// E = (8/3)aω²X³ (standard result, from memory; value recomputed).
    #[test]
    fn heat_agrees_with_the_closed_forms() {
        let (x, v) = sine(0.025, 1.5);
        let f: Vec<f64> = v.iter().map(|v| 2000.0 * v).collect();
        assert!((total(&x, &f) / 37.0110165 - 1.0).abs() < 1e-7);
        let (x, v) = sine(0.05, 1.0);
        let f: Vec<f64> = v
            .iter()
            .map(|v| 120.0 * v.signum() * f64::from(v.abs() > 1e-9))
            .collect();
        assert!((total(&x, &f) / 24.0 - 1.0).abs() < 1e-4);
        let (x, v) = sine(0.05, 100.0 / 60.0);
        let f: Vec<f64> = v.iter().map(|v| 1500.0 * v * v.abs()).collect();
        assert!((total(&x, &f) / 54.83113556 - 1.0).abs() < 1e-7);
    }

    /// A spring beside a dashpot adds no heat and −∮F dv = kπωX² (elementary).
    #[test]
    fn a_spring_adds_no_heat_and_shows_in_the_velocity_loop() {
        let (x, v) = sine(0.03, 1.0);
        let f: Vec<f64> = x
            .iter()
            .zip(&v)
            .map(|(x, v)| 3000.0 * x + 1500.0 * v)
            .collect();
        assert!((total(&x, &f) / 26.64793188 - 1.0).abs() < 1e-7);
        let stiffness = -velocity_loop_area(&v, &f) / (PI * TAU * 0.03 * 0.03);
        assert!((stiffness / 3000.0 - 1.0).abs() < 1e-6);
    }
}
