//! Gas force and temperature: what an ideal gas would do, and what was measured.

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use super::{Forecast, Measured, Temperature};
use crate::cards::DamperCard;
use crate::statics::Statics;

/// 0 °C in K (definition of the degree Celsius).
const KELVIN: f64 = 273.15;
/// Standard atmosphere, Pa (definition).
const ATMOSPHERE: f64 = 101_325.0;
/// Volume expansion of mineral oil, 1/K: common handbook value, range 6.5e-4 to 9e-4 (from
/// memory).
const OIL_EXPANSION: f64 = 7e-4;
/// Density of mineral hydraulic oil, kg/m³ (7.2 lb per US gallon; range 850 to 900).
const OIL_DENSITY: f64 = 863.0;
/// Charge temperature if the card does not say, °C.
const CHARGE_C: f64 = 20.0;

/// Gas force against temperature.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct GasWarming {
    /// `card` (charge on the damper card) or `measured` (from the gas force of this run).
    pub basis: String,
    /// Gas pressure above atmosphere when cold, Pa.
    pub cold_gauge_pa: f64,
    /// The temperature that goes with it, °C.
    pub cold_c: f64,
    /// Highest temperature of the run, °C, measured or estimated.
    pub hot_c: Option<f64>,
    /// Ideal gas at constant volume there, Pa above atmosphere.
    pub hot_gauge_pa: Option<f64>,
    /// Rise of gas force per degree, ideal gas at constant volume, N/°C.
    pub ideal_n_per_c: Option<f64>,
    /// The same with the oil's own expansion taking room from the gas, N/°C (gas volume and
    /// oil mass known).
    pub with_oil_expansion_n_per_c: Option<f64>,
    /// Rise as measured, N/°C.
    pub measured_n_per_c: Option<Measured>,
    /// Whether the measured rise holds the ideal one, or lies between it and the one with
    /// oil expansion. `null` if there is nothing to compare.
    pub agrees: Option<bool>,
}

/// Pressure above atmosphere at `to_c` of gas closed in at constant volume at `from_c`:
/// `(p + p_atm)·T₂/T₁ − p_atm` (ideal gas).
pub fn gauge_at(gauge_pa: f64, from_c: f64, to_c: f64) -> f64 {
    (gauge_pa + ATMOSPHERE) * (to_c + KELVIN) / (from_c + KELVIN) - ATMOSPHERE
}

/// What can be said. `None` without a rod diameter or a pressure.
pub(super) fn gas(
    card: Option<&DamperCard>,
    statics: &Statics,
    temperature: Option<&Temperature>,
    forecast: Option<&Forecast>,
) -> Option<GasWarming> {
    let temperature = temperature.filter(|t| t.used);
    let start = temperature.and_then(|t| t.start_c);
    let charge = card.and_then(|c| c.gas_charge_bar).map(|bar| {
        let at = card
            .and_then(|c| c.charge_temperature_c)
            .unwrap_or(CHARGE_C);
        ("card", 1e5 * bar, at)
    });
    let found = statics
        .gas_pressure_pa
        .zip(start)
        .map(|(pa, at)| ("measured", pa, at));
    let (basis, cold_gauge_pa, cold_c) = charge.or(found)?;
    if cold_c <= -KELVIN || cold_gauge_pa <= -ATMOSPHERE {
        return None;
    }
    let area = card
        .and_then(|c| c.rod_mm)
        .filter(|d| *d > 0.0)
        .map(|d| 0.25 * PI * (1e-3 * d).powi(2));
    let hot_c = temperature
        .and_then(|t| t.max_c)
        .or(forecast.map(|f| f.highest_c));
    let per_kelvin = (cold_gauge_pa + ATMOSPHERE) / (cold_c + KELVIN);
    let ideal_n_per_c = area.map(|a| per_kelvin * a);
    let room = card.and_then(|c| Some((c.gas_volume_cm3?, c.oil_kg?)));
    let with_oil_expansion_n_per_c = area.zip(room).and_then(|(a, (gas_cm3, oil_kg))| {
        let oil_cm3 = 1e6 * oil_kg / OIL_DENSITY;
        let taken = (cold_gauge_pa + ATMOSPHERE) * OIL_EXPANSION * oil_cm3 / gas_cm3;
        (gas_cm3 > 0.0).then_some((per_kelvin + taken) * a)
    });
    let measured = temperature
        .and_then(|t| t.sensitivity.as_ref())
        .and_then(|s| s.gas_n_per_c);
    let agrees = measured
        .and_then(|m| m.ci95)
        .zip(ideal_n_per_c)
        .map(|([low, high], ideal)| {
            let top = with_oil_expansion_n_per_c.unwrap_or(ideal);
            low <= top && high >= ideal
        });
    Some(GasWarming {
        basis: basis.into(),
        cold_gauge_pa,
        cold_c,
        hot_c,
        hot_gauge_pa: hot_c.map(|h| gauge_at(cold_gauge_pa, cold_c, h)),
        ideal_n_per_c,
        with_oil_expansion_n_per_c,
        measured_n_per_c: measured,
        agrees,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 20 bar at 20 °C, closed at constant volume, reads 24.30085281 bar above atmosphere at
    /// 80 °C (ideal gas, by hand: 21.01325·353.15/293.15 − 1.01325).
    #[test]
    fn closed_gas_follows_absolute_temperature() {
        let bar = 1e-5 * gauge_at(20e5, 20.0, 80.0);
        assert!((bar / 24.300_852_81 - 1.0).abs() < 1e-9, "{bar}");
    }
}
