//! Two runs made ready to be compared: curves, gas and friction, temperature.

use std::borrow::Cow;

use super::changes::{StaticsChange, statics_change};
use super::direction::Sides;
use super::grid::Curves;
use super::hydraulic::AtRest;
use super::repeat::Repeats;
use super::settings::CompareSettings;
use super::warmth::Warmth;
use crate::run::Run;
use crate::steps::Direction;

/// Both sides of a comparison.
pub(super) struct Two<'a> {
    base: Cow<'a, Curves>,
    other: Cow<'a, Curves>,
    rest: Option<(AtRest, AtRest)>,
    repeats: &'a Repeats,
    /// Their temperatures.
    pub(super) warmth: Warmth,
    /// Gas and friction of both.
    pub(super) statics: StaticsChange,
    same_data: bool,
}

impl<'a> Two<'a> {
    /// Of two runs with their curves. `referred` is the temperature the curves are at, if
    /// they were taken to one; `same_data` says that both come from the same bytes.
    pub(super) fn of(
        name: &str,
        (base, other): (&Run, &Run),
        curves: (Cow<'a, Curves>, Cow<'a, Curves>),
        referred: Option<f64>,
        repeats: &'a Repeats,
        same_data: bool,
        settings: &CompareSettings,
    ) -> Self {
        let warmth = Warmth::of(base, other, referred, settings);
        let mut statics = statics_change(name, base, other);
        if !same_data {
            statics.allow_for_runs(repeats, settings.confidence);
            statics.allow_for_degrees(warmth.of_gas());
        }
        Self {
            base: curves.0,
            other: curves.1,
            // Curves taken to a temperature have their gas taken there, too; the gas known here
            // is that of the run as it was measured, and must not be taken off them.
            rest: match referred {
                Some(_) => None,
                None => AtRest::of(base).zip(AtRest::of(other)),
            },
            repeats,
            warmth,
            statics,
            same_data,
        }
    }

    /// One direction.
    pub(super) fn sides(&self, direction: Direction) -> Sides<'_> {
        Sides {
            base: self.base.get(direction),
            other: self.other.get(direction),
            rest: self.rest.as_ref().map(|(a, b)| (a, b)),
            repeats: self.repeats,
            warmth: &self.warmth,
            friction_alike: self.statics.friction_n.moved() == Some(false),
            same_data: self.same_data,
        }
    }
}
