//! Temperature without (or beyond) a channel: what masses and a cooling figure lead one to
//! expect. Always an estimate, always with its assumptions.

use serde::{Deserialize, Serialize};

use super::log::ThermalLog;
use super::lump::Lump;
use super::{HeatSettings, StepHeat, Temperature};
use crate::cards::DamperCard;

/// Specific heat of mineral hydraulic oil at 50 °C, J/(kg K): Rabie, Fluid Power Engineering
/// (2009), sec. 2.2.12, p. 45. 1880 to 1900 at 20 °C is common in handbooks too.
pub const OIL_SPECIFIC_HEAT: f64 = 2060.0;
/// Specific heat of steel near room temperature, J/(kg K): common handbook value (from
/// memory). Aluminium has 900.
pub const STEEL_SPECIFIC_HEAT: f64 = 490.0;
/// Heat given off by a body in still air, convection and radiation together, W/(m² K):
/// 5 to 25 is the range of free convection in gases (Incropera & DeWitt, table 1.1, from
/// memory); a damper that moves its own air gives off more.
const STILL_AIR_FILM: f64 = 10.0;
/// Air temperature if nothing says otherwise, °C.
const ROOM_C: f64 = 20.0;

/// What to expect of temperature.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Forecast {
    /// `card` (masses and cooling figure) or `channel` (capacity and cooling as measured).
    pub basis: String,
    /// Heat capacity, J/K.
    pub heat_capacity_j_k: f64,
    /// Heat given off per degree, W/K; `null` if nothing is known of it.
    pub cooling_w_per_k: Option<f64>,
    /// Time constant, s.
    pub cooling_time_s: Option<f64>,
    /// Air, °C.
    pub air_c: f64,
    /// Temperature at the start, °C.
    pub start_c: f64,
    /// Temperature at the end of this run, °C.
    pub end_of_run_c: f64,
    /// Highest temperature in this run, °C.
    pub highest_c: f64,
    /// By step.
    pub per_step: Vec<StepForecast>,
    /// The step of the largest mean power, which `reach` rests on.
    pub hardest_step: Option<usize>,
    /// How long that step could go on from the start.
    pub reach: Vec<Reach>,
    /// What it rests on, one sentence each.
    pub assumptions: Vec<String>,
}

/// A step's share.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct StepForecast {
    /// Step index.
    pub step: usize,
    /// Rise per cycle with no cooling, °C.
    pub rise_per_cycle_c: f64,
    /// Where temperature would settle if the step went on, °C.
    pub settled_c: Option<f64>,
}

/// Time to a temperature.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Reach {
    /// The temperature, °C.
    pub temperature_c: f64,
    /// Time from the start, s; `null` if it settles below.
    pub time_s: Option<f64>,
}

/// The forecast from the damper card. `None` without a mass on it.
pub(super) fn from_card(
    card: &DamperCard,
    temperature: Option<&Temperature>,
    per_step: &[StepHeat],
    log: &ThermalLog,
    settings: &HeatSettings,
) -> Option<Forecast> {
    let positive = |v: Option<f64>| v.filter(|v| *v > 0.0 && v.is_finite());
    let (oil, metal) = (positive(card.oil_kg), positive(card.metal_kg));
    if oil.is_none() && metal.is_none() {
        return None;
    }
    let mut assumptions =
        vec!["an estimate: oil and metal taken as one body of one temperature".to_owned()];
    let mut capacity = 0.0;
    for (mass, given, usual, what, source) in [
        (
            oil,
            positive(card.oil_specific_heat),
            OIL_SPECIFIC_HEAT,
            "oil",
            "mineral hydraulic oil at 50 °C, Rabie, Fluid Power Engineering, p. 45",
        ),
        (
            metal,
            positive(card.metal_specific_heat),
            STEEL_SPECIFIC_HEAT,
            "metal",
            "steel, handbook value; aluminium would be 900",
        ),
    ] {
        match mass {
            Some(kg) => {
                capacity += kg * given.unwrap_or(usual);
                if given.is_none() {
                    assumptions.push(format!(
                        "specific heat of the {what} {usual:.0} J/(kg K) ({source})"
                    ));
                }
            }
            None => assumptions.push(format!(
                "no {what} mass on the card: it is left out, so the rise is an upper bound"
            )),
        }
    }
    let conductance = positive(card.cooling_w_per_k).or_else(|| {
        positive(card.surface_m2).map(|area| {
            assumptions.push(format!(
                "{STILL_AIR_FILM:.0} W/(m² K) from the surface, as in still air (5 to 25 is usual)"
            ));
            area * STILL_AIR_FILM
        })
    });
    if conductance.is_none() {
        assumptions.push(
            "no cooling figure or surface on the card: no heat is given off, so temperatures are upper \
             bounds and none settles"
                .into(),
        );
    }
    let measured = temperature.filter(|t| t.used).and_then(|t| t.start_c);
    let air_c = card
        .air_temperature_c
        .or(measured)
        .filter(|t| t.is_finite())
        .unwrap_or_else(|| {
            assumptions.push(format!("air at {ROOM_C:.0} °C"));
            ROOM_C
        });
    let start_c = measured.unwrap_or_else(|| {
        assumptions.push("the damper as warm as the air at the start".into());
        air_c
    });
    let lump = Lump {
        capacity_j_k: capacity,
        conductance_w_k: conductance.unwrap_or(0.0),
        air_c,
    };
    Some(made(
        "card",
        lump,
        start_c,
        assumptions,
        per_step,
        log,
        settings,
    ))
}

/// The forecast from what the channel showed. `None` unless capacity and cooling were told.
pub(super) fn from_channel(
    temperature: &Temperature,
    per_step: &[StepHeat],
    log: &ThermalLog,
    settings: &HeatSettings,
) -> Option<Forecast> {
    let lump = Lump {
        capacity_j_k: temperature.heat_capacity_j_k?.value,
        conductance_w_k: temperature.cooling_w_per_k?.value,
        air_c: temperature.air_c?.value,
    };
    let assumptions = vec![
        "an estimate: capacity, cooling and air as the temperature channel showed them in this run"
            .to_owned(),
        "the heat of a step stays as it was, although oil thins as it warms".to_owned(),
    ];
    let start = temperature.start_c.unwrap_or(lump.air_c);
    Some(made(
        "channel",
        lump,
        start,
        assumptions,
        per_step,
        log,
        settings,
    ))
}

fn made(
    basis: &str,
    lump: Lump,
    start_c: f64,
    assumptions: Vec<String>,
    per_step: &[StepHeat],
    log: &ThermalLog,
    settings: &HeatSettings,
) -> Forecast {
    let (mut now, mut highest) = (start_c, start_c);
    for bin in log.bins() {
        now = lump.after(now, bin.power_w(), bin.duration_s());
        highest = highest.max(now);
    }
    let hardest = per_step
        .iter()
        .max_by(|a, b| a.power_w.total_cmp(&b.power_w));
    Forecast {
        basis: basis.into(),
        heat_capacity_j_k: lump.capacity_j_k,
        cooling_w_per_k: (lump.conductance_w_k > 0.0).then_some(lump.conductance_w_k),
        cooling_time_s: lump.time_constant_s(),
        air_c: lump.air_c,
        start_c,
        end_of_run_c: now,
        highest_c: highest,
        per_step: per_step
            .iter()
            .map(|s| StepForecast {
                step: s.step,
                rise_per_cycle_c: s.energy_per_cycle_j / lump.capacity_j_k,
                settled_c: lump.settled_c(s.power_w),
            })
            .collect(),
        hardest_step: hardest.map(|s| s.step),
        reach: hardest.map_or_else(Vec::new, |s| {
            settings
                .reach_c
                .iter()
                .map(|&t| Reach {
                    temperature_c: t,
                    time_s: if start_c >= t {
                        Some(0.0)
                    } else {
                        lump.time_to(start_c, s.power_w, t)
                    },
                })
                .collect()
        }),
        assumptions,
    }
}
