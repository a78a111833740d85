//! Units of the output: which unit a kind of number is shown in, SI or US customary.
//!
//! Factors follow from exact definitions (inch, pound, standard gravity), as NIST SP 811
//! (2008), appendix B lists them.

use super::{FOOT, FOOT_POUND_FORCE, INCH, POUND, POUND_FORCE};

/// British thermal unit (International Table), J (exact; NIST SP 811, appendix B.8).
const BTU: f64 = 1_055.055_852_62;

/// The unit system results are shown in.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Shown {
    /// N, mm, m/s, J, °C
    #[default]
    Si,
    /// lbf, in, in/s, ft·lbf, °F
    Us,
}

impl Shown {
    /// Both, SI first.
    pub const BOTH: [Self; 2] = [Self::Si, Self::Us];
}

/// What kind of number it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Force, N.
    Force,
    /// Acceleration, m/s².
    Acceleration,
    /// Speed of a car, m/s, shown as on its dial.
    RoadSpeed,
    /// Speed, m/s.
    Speed,
    /// Travel, m.
    Travel,
    /// Energy, J.
    Energy,
    /// Power, W.
    Power,
    /// Damping coefficient, N·s/m.
    Damping,
    /// Stiffness, N/m.
    Stiffness,
    /// Pressure, Pa.
    Pressure,
    /// Temperature, °C.
    Temperature,
    /// Temperature difference, K.
    TemperatureRise,
    /// Time, s.
    Time,
    /// Short time, s, shown in ms.
    Delay,
    /// Frequency, Hz.
    Frequency,
    /// Loop area, N·m/s.
    LoopArea,
    /// A share, 0..1, shown in percent.
    Share,
    /// A bare number.
    Number,
    /// Mass, kg.
    Mass,
    /// Heat capacity, J/K.
    HeatCapacity,
    /// Heat given off per degree, W/K.
    Cooling,
    /// Change with temperature, % per °C.
    SharePerDegree,
    /// Change of force with temperature, N/°C.
    ForcePerDegree,
}

/// A unit of display: `shown = si × factor + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DisplayUnit {
    /// Symbol; empty for a bare number.
    pub symbol: &'static str,
    factor: f64,
    offset: f64,
}

impl DisplayUnit {
    /// From SI (°C for temperature) to this unit.
    pub fn from_si(&self, value: f64) -> f64 {
        value * self.factor + self.offset
    }

    /// A difference from SI to this unit (no offset).
    pub fn difference_from_si(&self, value: f64) -> f64 {
        value * self.factor
    }

    /// From this unit back to SI.
    pub fn to_si(&self, value: f64) -> f64 {
        (value - self.offset) / self.factor
    }
}

/// The unit a kind of number is shown in.
pub fn quantity(kind: Kind, shown: Shown) -> DisplayUnit {
    let scaled = |symbol, factor| DisplayUnit {
        symbol,
        factor,
        offset: 0.0,
    };
    match (kind, shown) {
        (Kind::Force, Shown::Si) => scaled("N", 1.0),
        (Kind::Force, Shown::Us) => scaled("lbf", 1.0 / POUND_FORCE),
        (Kind::Acceleration, Shown::Si) => scaled("m/s²", 1.0),
        (Kind::Acceleration, Shown::Us) => scaled("ft/s²", 1.0 / FOOT),
        (Kind::RoadSpeed, Shown::Si) => scaled("km/h", 3.6),
        (Kind::RoadSpeed, Shown::Us) => scaled("mph", 3600.0 / (5280.0 * FOOT)),
        (Kind::Speed, Shown::Si) => scaled("m/s", 1.0),
        (Kind::Speed, Shown::Us) => scaled("in/s", 1.0 / INCH),
        (Kind::Travel, Shown::Si) => scaled("mm", 1e3),
        (Kind::Travel, Shown::Us) => scaled("in", 1.0 / INCH),
        (Kind::Energy, Shown::Si) => scaled("J", 1.0),
        (Kind::Energy, Shown::Us) => scaled("ft·lbf", 1.0 / FOOT_POUND_FORCE),
        (Kind::Power, Shown::Si) => scaled("W", 1.0),
        (Kind::Power, Shown::Us) => scaled("ft·lbf/s", 1.0 / FOOT_POUND_FORCE),
        (Kind::Damping, Shown::Si) => scaled("N·s/m", 1.0),
        (Kind::Damping, Shown::Us) => scaled("lbf·s/in", INCH / POUND_FORCE),
        (Kind::Stiffness, Shown::Si) => scaled("N/mm", 1e-3),
        (Kind::Stiffness, Shown::Us) => scaled("lbf/in", INCH / POUND_FORCE),
        (Kind::Pressure, Shown::Si) => scaled("bar", 1e-5),
        (Kind::Pressure, Shown::Us) => scaled("psi", INCH * INCH / POUND_FORCE),
        (Kind::Temperature, Shown::Si) => scaled("°C", 1.0),
        (Kind::Temperature, Shown::Us) => DisplayUnit {
            symbol: "°F",
            factor: 1.8,
            offset: 32.0,
        },
        (Kind::TemperatureRise, Shown::Si) => scaled("K", 1.0),
        (Kind::TemperatureRise, Shown::Us) => scaled("°F", 1.8),
        (Kind::LoopArea, Shown::Si) => scaled("N·m/s", 1.0),
        (Kind::LoopArea, Shown::Us) => scaled("lbf·in/s", 1.0 / (POUND_FORCE * INCH)),
        (Kind::Mass, Shown::Si) => scaled("kg", 1.0),
        (Kind::Mass, Shown::Us) => scaled("lb", 1.0 / POUND),
        (Kind::HeatCapacity, Shown::Si) => scaled("J/K", 1.0),
        (Kind::HeatCapacity, Shown::Us) => scaled("BTU/°F", 1.0 / (BTU * 1.8)),
        (Kind::Cooling, Shown::Si) => scaled("W/K", 1.0),
        (Kind::Cooling, Shown::Us) => scaled("BTU/(h·°F)", 3600.0 / (BTU * 1.8)),
        (Kind::SharePerDegree, Shown::Si) => scaled("%/°C", 1.0),
        (Kind::SharePerDegree, Shown::Us) => scaled("%/°F", 1.0 / 1.8),
        (Kind::ForcePerDegree, Shown::Si) => scaled("N/°C", 1.0),
        (Kind::ForcePerDegree, Shown::Us) => scaled("lbf/°F", 1.0 / (POUND_FORCE * 1.8)),
        (Kind::Time, _) => scaled("s", 1.0),
        (Kind::Delay, _) => scaled("ms", 1e3),
        (Kind::Frequency, _) => scaled("Hz", 1.0),
        (Kind::Share, _) => scaled("%", 100.0),
        (Kind::Number, _) => scaled("", 1.0),
    }
}

/// The kind of number behind an SI symbol, as evidence states it.
pub fn kind_of_symbol(symbol: &str) -> Option<Kind> {
    Some(match symbol {
        "N" => Kind::Force,
        "m/s" => Kind::Speed,
        "m" => Kind::Travel,
        "J" => Kind::Energy,
        "W" => Kind::Power,
        "N·s/m" | "N s/m" => Kind::Damping,
        "N/m" => Kind::Stiffness,
        "Pa" => Kind::Pressure,
        "°C" => Kind::Temperature,
        "K" => Kind::TemperatureRise,
        "s" => Kind::Time,
        "Hz" => Kind::Frequency,
        "N·m/s" => Kind::LoopArea,
        "kg" => Kind::Mass,
        "J/K" => Kind::HeatCapacity,
        "W/K" => Kind::Cooling,
        "N/°C" | "N/K" => Kind::ForcePerDegree,
        "1" | "" => Kind::Number,
        _ => return None,
    })
}
