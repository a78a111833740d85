//! Cards: small TOML files a person writes once. The damper card holds what a ruler, a
//! scale and the build sheet know and a dyno does not.

use std::collections::BTreeMap;
use std::path::PathBuf;

use serde::{Deserialize, Serialize};

/// What is known of the damper beyond its loops (`--damper CARD.toml`). Every field may be
/// left out; what needs it is then `null` with a reason.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct DamperCard {
    /// A name for people.
    pub name: Option<String>,
    /// Serial number.
    pub serial: Option<String>,
    /// How it is built: `monotube`, `twin-tube`, …
    pub kind: Option<DamperKind>,
    /// What it is fitted to: `road-car`, `fork`, `truck`, …; limits follow it.
    #[serde(rename = "use")]
    pub fitted_to: Option<DamperUse>,
    /// Rod diameter, mm.
    pub rod_mm: Option<f64>,
    /// Bore (piston) diameter, mm.
    pub bore_mm: Option<f64>,
    /// Gas charge above atmosphere, bar, at `charge_temperature_c` and mid-stroke.
    pub gas_charge_bar: Option<f64>,
    /// The most the maker allows, bar above atmosphere; advice on charge never goes beyond it.
    pub gas_charge_max_bar: Option<f64>,
    /// Temperature at which the charge was set, °C (20 if left out).
    pub charge_temperature_c: Option<f64>,
    /// Gas volume at mid-stroke, cm³.
    pub gas_volume_cm3: Option<f64>,
    /// Oil mass, kg.
    pub oil_kg: Option<f64>,
    /// Metal mass that warms with the oil, kg.
    pub metal_kg: Option<f64>,
    /// Specific heat of the oil, J/(kg K).
    pub oil_specific_heat: Option<f64>,
    /// Specific heat of the metal, J/(kg K).
    pub metal_specific_heat: Option<f64>,
    /// Outside surface that gives off heat, m².
    pub surface_m2: Option<f64>,
    /// Heat given off per degree above the air, W/K.
    pub cooling_w_per_k: Option<f64>,
    /// Air temperature, °C.
    pub air_temperature_c: Option<f64>,
}

/// How the damper makes room for its rod.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DamperKind {
    /// One tube; gas behind a floating piston alone holds the whole oil column up.
    Monotube,
    /// One tube with a valve before the gas chamber, in the tube or in a reservoir of its own.
    MonotubeBaseValve,
    /// Two tubes with a foot valve; gas, if any, at low pressure.
    TwinTube,
    /// The rod goes through both ends: nothing to make room for.
    ThroughRod,
    /// An air spring with a damper in it.
    AirSpring,
    /// Dry friction, no oil.
    Friction,
}

/// What a damper is fitted to.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DamperUse {
    /// A car on the road.
    RoadCar,
    /// A car on a circuit.
    RaceCar,
    /// A car on gravel.
    Rally,
    /// A motorcycle's rear.
    Motorcycle,
    /// A telescopic fork.
    Fork,
    /// A bicycle.
    Bicycle,
    /// A kart.
    Kart,
    /// A truck or bus.
    Truck,
    /// A steering damper.
    Steering,
}

/// Bounds of what a card may say: key, least, most, unit. Wide enough for anything a dyno
/// holds, narrow enough for a slip of a decimal mark or a unit (common practice).
type Bound = (
    &'static str,
    fn(&DamperCard) -> Option<f64>,
    f64,
    f64,
    &'static str,
);

const BOUNDS: &[Bound] = &[
    ("rod_mm", |c| c.rod_mm, 3.0, 120.0, "mm"),
    ("bore_mm", |c| c.bore_mm, 6.0, 300.0, "mm"),
    ("gas_charge_bar", |c| c.gas_charge_bar, 0.0, 80.0, "bar"),
    (
        "gas_charge_max_bar",
        |c| c.gas_charge_max_bar,
        0.1,
        80.0,
        "bar",
    ),
    (
        "charge_temperature_c",
        |c| c.charge_temperature_c,
        -60.0,
        200.0,
        "°C",
    ),
    ("gas_volume_cm3", |c| c.gas_volume_cm3, 0.5, 20_000.0, "cm³"),
    ("oil_kg", |c| c.oil_kg, 0.002, 50.0, "kg"),
    ("metal_kg", |c| c.metal_kg, 0.01, 300.0, "kg"),
    (
        "oil_specific_heat",
        |c| c.oil_specific_heat,
        500.0,
        5000.0,
        "J/(kg K)",
    ),
    (
        "metal_specific_heat",
        |c| c.metal_specific_heat,
        100.0,
        2000.0,
        "J/(kg K)",
    ),
    ("surface_m2", |c| c.surface_m2, 1e-4, 5.0, "m²"),
    (
        "cooling_w_per_k",
        |c| c.cooling_w_per_k,
        1e-3,
        1000.0,
        "W/K",
    ),
    (
        "air_temperature_c",
        |c| c.air_temperature_c,
        -60.0,
        80.0,
        "°C",
    ),
];

impl DamperCard {
    /// The first value that cannot be: its key and what is wrong with it.
    pub fn impossible(&self) -> Option<(&'static str, String)> {
        for (key, get, least, most, unit) in BOUNDS {
            if let Some(v) = get(self).filter(|v| !(*least..=*most).contains(v)) {
                let said = format!("{key} is {v} {unit}; expected {least} to {most} {unit}");
                return Some((key, said));
            }
        }
        match (self.rod_mm, self.bore_mm) {
            (Some(rod), Some(bore)) if rod >= bore => Some((
                "rod_mm",
                format!(
                    "rod_mm is {rod} mm and bore_mm {bore} mm; expected a rod thinner than the bore"
                ),
            )),
            _ => match (self.gas_charge_bar, self.gas_charge_max_bar) {
                (Some(charge), Some(most)) if charge > most => Some((
                    "gas_charge_bar",
                    format!(
                        "gas_charge_bar is {charge} bar, above the card's own gas_charge_max_bar of {most} bar"
                    ),
                )),
                _ => None,
            },
        }
    }
}

/// Whose sheet it is (`--shop CARD.toml`). Every field may be left out.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct ShopCard {
    /// The shop's name.
    pub name: Option<String>,
    /// Address and how to reach it, one line each.
    pub address: Option<String>,
    /// Logo, PNG or SVG; seen from the card's folder.
    pub logo: Option<PathBuf>,
    /// A line at the foot of every sheet.
    pub footer: Option<String>,
    /// Terms of business, in small print.
    pub terms: Option<String>,
    /// Paper.
    pub paper: Option<Paper>,
    /// What stands on every sheet unless a file or an option says otherwise, such as the
    /// dyno and its calibration.
    pub labels: BTreeMap<String, String>,
}

/// Size of paper.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Paper {
    /// 210 mm by 297 mm (ISO 216).
    #[default]
    A4,
    /// 8.5 in by 11 in.
    Letter,
}

impl Paper {
    /// Width and height in points of 1/72 in.
    pub fn points(self) -> (f64, f64) {
        match self {
            Self::A4 => (595.276, 841.89),
            Self::Letter => (612.0, 792.0),
        }
    }

    /// Width and height in pixels of 1/96 in, rounded.
    pub fn pixels(self) -> (u32, u32) {
        match self {
            Self::A4 => (794, 1123),
            Self::Letter => (816, 1056),
        }
    }
}
