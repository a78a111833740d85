//! Unit names, factors and display: the only home of conversion factors.
//!
//! Factors come from exact definitions (inch, pound, standard gravity), as NIST SP 811
//! (2008), appendix B lists them; `tests/suite/conversions.rs` holds them against that
//! list and against an independent units library. A library's rounded factors (seven
//! digits for the pound-force) would eat a tenth of the 1e-6 that two layouts of one
//! recording may differ by, so the definitions are written out here.

pub mod display;
mod table;

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::recording::Role;

/// Inch, m (exact).
pub const INCH: f64 = 0.0254;
/// Foot, m (exact).
pub const FOOT: f64 = 0.3048;
/// Avoirdupois pound, kg (exact).
pub const POUND: f64 = 0.453_592_37;
/// Standard acceleration of free fall, m/s² (exact).
pub const STANDARD_GRAVITY: f64 = 9.806_65;
/// Pound-force, N (exact product).
pub const POUND_FORCE: f64 = POUND * STANDARD_GRAVITY;
/// Foot pound-force, J.
pub const FOOT_POUND_FORCE: f64 = FOOT * POUND_FORCE;
/// Zero of the Celsius scale, K (exact).
pub const ZERO_CELSIUS: f64 = 273.15;

/// What a unit measures.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Quantity {
    /// Time; SI s.
    Time,
    /// Length; SI m.
    Length,
    /// Velocity; SI m/s.
    Velocity,
    /// Force; SI N.
    Force,
    /// Temperature; kept in °C.
    Temperature,
    /// Angle; SI rad.
    Angle,
    /// Pressure; SI Pa.
    Pressure,
    /// A count, such as sample numbers or steps.
    Count,
}

impl Quantity {
    /// The quantity a role's column holds.
    pub fn of(role: Role) -> Self {
        match role {
            Role::Time => Self::Time,
            Role::Displacement => Self::Length,
            Role::Velocity => Self::Velocity,
            Role::Force => Self::Force,
            Role::Temperature => Self::Temperature,
            Role::Angle => Self::Angle,
            Role::Pressure => Self::Pressure,
            Role::Step => Self::Count,
        }
    }

    /// The word for it in a message.
    pub fn word(self) -> &'static str {
        match self {
            Self::Time => "time",
            Self::Length => "length",
            Self::Velocity => "velocity",
            Self::Force => "force",
            Self::Temperature => "temperature",
            Self::Angle => "angle",
            Self::Pressure => "pressure",
            Self::Count => "count",
        }
    }

    /// The unit numbers of this quantity have inside.
    pub fn si(self) -> Unit {
        let symbol = match self {
            Self::Time => "s",
            Self::Length => "m",
            Self::Velocity => "m/s",
            Self::Force => "N",
            Self::Temperature => "°C",
            Self::Angle => "rad",
            Self::Pressure => "Pa",
            Self::Count => "count",
        };
        Unit {
            symbol,
            quantity: self,
            scale: 1.0,
            offset: 0.0,
        }
    }
}

/// One unit: `si = file * scale + offset` (temperature: °C).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Unit {
    /// Plain symbol, such as `mm`.
    pub symbol: &'static str,
    /// What it measures.
    pub quantity: Quantity,
    /// Factor to SI.
    pub scale: f64,
    /// Added after scaling; not zero for °F and K.
    pub offset: f64,
}

impl Unit {
    /// From this unit to SI (°C for temperature).
    pub fn to_si(&self, value: f64) -> f64 {
        value * self.scale + self.offset
    }

    /// From SI (°C for temperature) to this unit.
    pub fn from_si(&self, value: f64) -> f64 {
        (value - self.offset) / self.scale
    }

    /// The unit of `quantity` written as `text`, if it is one we know.
    pub fn named(quantity: Quantity, text: &str) -> Option<Self> {
        table::find(text, Some(quantity))
    }

    /// The unit written as `text`, whatever it measures. Where one spelling serves two
    /// quantities (`g`, `"`), the first in the order of [`Quantity`] that fits.
    pub fn any(text: &str) -> Option<Self> {
        table::find(text, None)
    }

    /// Every symbol of one quantity, for messages.
    pub fn symbols(quantity: Quantity) -> impl Iterator<Item = &'static str> {
        table::UNITS
            .iter()
            .filter(move |entry| entry.0.quantity == quantity)
            .map(|entry| entry.0.symbol)
    }
}

impl fmt::Display for Unit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.symbol)
    }
}
