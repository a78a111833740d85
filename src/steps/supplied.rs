//! The file's own velocity against the derivative of travel.

use super::motion::fundamental_phase;

/// How a supplied velocity channel compares.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Supplied {
    /// First harmonic of the supplied velocity over that of the derivative; negative if its
    /// sign is the other way round.
    pub(super) ratio: f64,
    /// How far it is behind, s.
    pub(super) delay_s: f64,
}

/// Compares folded channels over one period, s. `None` without a supplied channel.
pub(super) fn supplied_velocity(
    supplied: &[f64],
    derived: &[f64],
    period: f64,
) -> Option<Supplied> {
    if supplied.len() != derived.len() || supplied.is_empty() {
        return None;
    }
    let (a, pa) = fundamental_phase(supplied)?;
    let (b, pb) = fundamental_phase(derived)?;
    if a <= 0.0 || b <= 0.0 {
        return None;
    }
    let mut turn = (pa - pb).rem_euclid(1.0);
    if turn > 0.5 {
        turn -= 1.0;
    }
    let (sign, turn) = if turn.abs() > 0.25 {
        (-1.0, turn - 0.5 * turn.signum())
    } else {
        (1.0, turn)
    };
    Some(Supplied {
        ratio: sign * a / b,
        delay_s: turn * period,
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::TAU;

    #[test]
    fn a_unit_mix_up_and_a_delay_are_seen() {
        let wave = |late: f64, scale: f64| -> Vec<f64> {
            (0..512)
                .map(|i| scale * (TAU * (f64::from(i) / 512.0 - late)).sin())
                .collect()
        };
        let s = supplied_velocity(&wave(0.01, 25.4), &wave(0.0, 1.0), 0.5).unwrap();
        assert!((s.ratio - 25.4).abs() < 1e-9);
        assert!((s.delay_s - 0.005).abs() < 1e-9, "{}", s.delay_s);
        let s = supplied_velocity(&wave(0.0, -1.0), &wave(0.0, 1.0), 0.5).unwrap();
        assert!((s.ratio + 1.0).abs() < 1e-9);
    }
}
