//! The three stories of a comparison, never mixed: what the valves did, what the gas (or the
//! load cell's zero) did, what the seals did; and what temperature may have done.

use serde::{Deserialize, Serialize};

use super::changes::{Change, StaticsChange};
use super::revalve::ZoneChange;
use super::warmth::Warmth;

/// What a changed force at rest is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Cause {
    /// Gas: its stiffness changed in the same measure.
    Gas,
    /// The load cell's zero: the gas is as stiff as before.
    Zero,
}

/// The stories of one of the others (JSON: `stories[]`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Stories {
    /// Name of the other damper.
    pub other: String,
    /// Valves: change of resisting force without gas and friction, part by part, positive is
    /// firmer.
    pub valves: Vec<ZoneChange>,
    /// Gas and the load cell's zero: change of force at rest, N, positive pushes out more.
    pub force_at_rest_n: Change,
    /// Which of the two it is, where the gas's stiffness tells and the change is shown.
    pub at_rest_is: Option<Cause>,
    /// Seals: change of friction, N.
    pub friction_n: Change,
    /// Temperature.
    pub temperature: Warmth,
}

/// The change of stiffness that goes with a change of charge may be this much less or more
/// than the force's, both as shares: the base's own zero is in its force (by feel).
const ALIKE: [f64; 2] = [0.5, 2.0];

impl Stories {
    /// Of statics and temperatures; the valves come when the curves are compared.
    pub(super) fn of(statics: &StaticsChange, temperature: Warmth) -> Self {
        Self {
            other: statics.other.clone(),
            valves: Vec::new(),
            force_at_rest_n: statics.gas_force_n,
            at_rest_is: cause(statics),
            friction_n: statics.friction_n,
            temperature,
        }
    }
}

/// A charge changes force at rest and stiffness by the same share; a zero changes the force
/// alone.
fn cause(statics: &StaticsChange) -> Option<Cause> {
    let (force, stiffness) = (&statics.gas_force_n, &statics.gas_stiffness_n_m);
    if force.moved() != Some(true) {
        return None;
    }
    let share = force.delta? / force.base.filter(|b| *b > 0.0)?;
    let expected = share * stiffness.base.filter(|k| *k > 0.0)?;
    let ends = stiffness.ci95?.map(|d| d / expected);
    let (low, high) = (ends[0].min(ends[1]), ends[0].max(ends[1]));
    if low > 0.0 && high >= ALIKE[0] && low <= ALIKE[1] {
        Some(Cause::Gas)
    } else if low <= 0.0 && (0.0..ALIKE[0]).contains(&high) {
        Some(Cause::Zero)
    } else {
        None
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn statics(force: [f64; 2], stiffness: [f64; 2], half: f64) -> StaticsChange {
        let around = |x: f64, half: f64| Some([x - half, x + half]);
        let of = |[a, b]: [f64; 2], half: f64| {
            Change::with_intervals(Some(a), Some(b), (around(a, half), around(b, half)))
        };
        StaticsChange {
            gas_force_n: of(force, 5.0),
            gas_stiffness_n_m: of(stiffness, half),
            ..StaticsChange::default()
        }
    }

    /// Boyle's law: force on the rod and stiffness both go with the charge; a zero leaves
    /// stiffness alone.
    #[test]
    fn charge_stiffens_and_a_zero_does_not() {
        let of = |f, k, half| cause(&statics(f, k, half));
        assert_eq!(of([200.0, 250.0], [600.0, 750.0], 15.0), Some(Cause::Gas));
        assert_eq!(of([200.0, 150.0], [600.0, 450.0], 15.0), Some(Cause::Gas));
        assert_eq!(of([200.0, 250.0], [600.0, 602.0], 15.0), Some(Cause::Zero));
        assert_eq!(of([200.0, 250.0], [600.0, 700.0], 150.0), None);
        assert_eq!(of([200.0, 202.0], [600.0, 602.0], 15.0), None);
        assert_eq!(of([0.0, 50.0], [0.0, 2.0], 1.0), None);
    }
}
