//! Thresholds of all rules, one table each in a settings file: `[findings.cavitation]`.

use serde::{Deserialize, Serialize};

use super::{
    aeration, cavitation, end_contact, fade, high_friction, hysteresis, leaking_check, look,
    low_gas, overheated, play, sensor, side_load, unsettled,
};

/// What steers the findings. Every table and every field may be left out.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default, rename_all = "kebab-case")]
pub struct FindingSettings {
    /// How strokes are read, for all rules.
    pub look: look::Thresholds,
    /// Cavitation.
    pub cavitation: cavitation::Thresholds,
    /// Air in the oil.
    pub aeration: aeration::Thresholds,
    /// Play.
    pub play: play::Thresholds,
    /// Low gas force.
    pub low_gas: low_gas::Thresholds,
    /// Friction and stick-slip.
    pub high_friction: high_friction::Thresholds,
    /// Friction that varies over the stroke.
    pub side_load: side_load::Thresholds,
    /// Bump and top-out.
    pub end_contact: end_contact::Thresholds,
    /// A valve that does not close.
    pub leaking_check: leaking_check::Thresholds,
    /// Wide loops.
    pub hysteresis: hysteresis::Thresholds,
    /// Cycles that had not settled.
    pub unsettled: unsettled::Thresholds,
    /// Force that falls over the run.
    pub fade: fade::Thresholds,
    /// Too hot.
    pub overheated: overheated::Thresholds,
    /// Sensor trouble.
    pub sensor: sensor::Thresholds,
}
