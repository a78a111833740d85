//! Cards: small TOML files a person writes once. The damper card holds what a ruler, a
//! scale and the build sheet know and a dyno does not.

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
    /// `monotube` or `twin-tube`.
    pub kind: Option<DamperKind>,
    /// Rod diameter, mm.
    pub rod_mm: Option<f64>,
    /// Bore (piston) diameter, mm.
    pub bore_mm: Option<f64>,
    /// Gas charge above atmosphere, bar, at `charge_temperature_c` and mid-stroke.
    pub gas_charge_bar: Option<f64>,
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
    /// One tube; gas behind a floating piston carries the whole oil column.
    Monotube,
    /// Two tubes with a foot valve; gas, if any, at low pressure.
    TwinTube,
}
