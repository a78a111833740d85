//! Gas margin: how far this damper is from cavitating, from its card and its curve.
//!
//! Balance of pressures on the piston of a monotube, `p` the absolute gas pressure, `p_a` the
//! atmosphere, `A_p` and `A_r` the piston's and the rod's area:
//!
//! `F = p_C A_p − p_R (A_p − A_r) − p_a A_r`
//!
//! With the piston side at the gas pressure, the rod side reaches zero at a damping force
//! `F_d = p (A_p − A_r)`, a total of `p A_p − p_a A_r`. Derived for this project from the
//! balance alone; vapour pressure (some hundredths of a bar) is left out, which errs by less
//! than 1 % above 2 bar.

use std::f64::consts::FRAC_PI_4;

use serde::{Deserialize, Serialize};

use crate::cards::{DamperCard, DamperKind};
use crate::curves::{Curve, Expected};
use crate::statics::Statics;
use crate::steps::Direction;

/// Standard atmosphere, Pa.
const ATMOSPHERE: f64 = 101_325.0;
/// 0 °C in kelvin.
const KELVIN: f64 = 273.15;
/// Charge that is worth having above what the valving needs.
pub const RESERVE: f64 = 1.25;
/// Charges of the table, over the present one.
const TABLE: [f64; 6] = [0.5, 0.75, 1.0, 1.25, 1.5, 2.0];

/// How far a damper is from cavitating in compression.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct GasMargin {
    /// Where the pressure comes from: `card` or `measured` gas force.
    pub pressure_from: String,
    /// Gas pressure above atmosphere at mid-stroke, Pa.
    pub gas_pressure_pa: f64,
    /// Damping force in compression at which the rod side reaches no pressure, N.
    pub limit_damping_n: f64,
    /// Total force there, gas included, N.
    pub limit_force_n: f64,
    /// Largest compression damping force that was measured, N.
    pub measured_damping_n: f64,
    /// Speed of that, m/s.
    pub measured_at_m_s: f64,
    /// Speed at which the curve reaches the limit, m/s; `None` if not within the measured speeds.
    pub limit_speed_m_s: Option<f64>,
    /// Limit over the largest measured damping force.
    pub margin: f64,
    /// Charge above atmosphere this valving needs at its largest measured force, Pa.
    pub needed_charge_pa: f64,
    /// The same with a quarter in reserve.
    pub advised_charge_pa: f64,
    /// How limit and margin move with charge: (charge above atmosphere Pa, limit N, margin).
    pub by_charge: Vec<(f64, f64, f64)>,
    /// Limits by everything known of the pressure (card, and force at rest with its interval),
    /// least and most, N.
    #[serde(default)]
    pub limit_range_n: [f64; 2],
    /// Charge to aim for above atmosphere, least (what the valving needs) and most (a quarter in
    /// reserve), never above what the card says the maker allows, Pa; `None` where that is
    /// less than the valving needs.
    #[serde(default)]
    pub charge_range_pa: Option<[f64; 2]>,
    /// What to keep in mind.
    pub caution: String,
}

/// Ring area, m².
pub(super) fn ring_area(card: &DamperCard) -> Option<f64> {
    let (bore, rod) = (card.bore_mm?, card.rod_mm?);
    let area = FRAC_PI_4 * (bore * bore - rod * rod) * 1e-6;
    (area > 0.0).then_some(area)
}

/// Damping force in compression at which the rod side of a monotube reaches no pressure, N:
/// `p (A_p − A_r)`, pressure absolute in Pa, diameters in mm.
pub fn limit_damping(pressure_pa: f64, bore_mm: f64, rod_mm: f64) -> f64 {
    pressure_pa * FRAC_PI_4 * (bore_mm * bore_mm - rod_mm * rod_mm) * 1e-6
}

/// Static force that pushes the rod out, N: `(p − p_a) A_r`, pressure absolute in Pa.
pub fn static_force(pressure_pa: f64, rod_mm: f64) -> f64 {
    (pressure_pa - ATMOSPHERE) * FRAC_PI_4 * rod_mm * rod_mm * 1e-6
}

/// Gas pressure after the rod has moved in by `insertion_m`, Pa absolute: `p V^n` constant.
pub fn pressure_after(
    pressure_pa: f64,
    volume_m3: f64,
    rod_mm: f64,
    insertion_m: f64,
    exponent: f64,
) -> f64 {
    let area = FRAC_PI_4 * rod_mm * rod_mm * 1e-6;
    pressure_pa * libm::pow(volume_m3 / (volume_m3 - area * insertion_m), exponent)
}

/// Gas pressure at another temperature and the same volume, Pa absolute.
pub fn pressure_at(pressure_pa: f64, from_c: f64, to_c: f64) -> f64 {
    pressure_pa * (to_c + KELVIN) / (from_c + KELVIN)
}

/// The margin, `None` without bore and rod, for a twin-tube (its foot valve decides, not the
/// gas), or when neither the card nor the run says what the gas pressure is.
pub fn gas_margin(card: &DamperCard, statics: &Statics, curve: &Curve) -> Option<GasMargin> {
    let (bore, rod) = (card.bore_mm?, card.rod_mm?);
    let ring = ring_area(card)?;
    // Only where gas alone holds the oil up does its pressure set the limit; a foot or base
    // valve takes its share.
    if card.kind != Some(DamperKind::Monotube) {
        return None;
    }
    let rod_area = FRAC_PI_4 * rod * rod * 1e-6;
    // By the card, and by the force at rest: a cell's zero or a weak charge sets them apart.
    let mut pressures: Vec<f64> = card
        .gas_charge_bar
        .map(|bar| bar * 1e5)
        .into_iter()
        .collect();
    if let Some([low, high]) = statics.ci95.gas_force_n {
        pressures.extend([low / rod_area, high / rod_area].map(|p| p.max(0.0)));
    }
    let (gauge, from) = match (card.gas_charge_bar, statics.gas_pressure_pa) {
        (_, Some(pa)) if pa > 0.0 => (pa, "measured"),
        (Some(bar), _) => (bar * 1e5, "card"),
        _ => return None,
    };
    let pressure = gauge + ATMOSPHERE;
    let limit = limit_damping(pressure, bore, rod);
    let points = curve.get(Direction::Compression);
    let largest = points
        .iter()
        .max_by(|a, b| a.force_n.total_cmp(&b.force_n))?;
    if largest.force_n <= 0.0 {
        return None;
    }
    let law = Expected::from_curve(curve, Direction::Compression, f64::INFINITY);
    let limit_speed = points
        .windows(2)
        .find(|w| w[0].force_n < limit && w[1].force_n >= limit)
        .map(|w| {
            let (a, b) = (w[0].velocity_m_s, w[1].velocity_m_s);
            let (fa, fb) = (law.at(a), law.at(b));
            a + (b - a) * ((limit - fa) / (fb - fa).max(f64::MIN_POSITIVE)).clamp(0.0, 1.0)
        });
    let needed = largest.force_n / ring - ATMOSPHERE;
    let limits = pressures
        .iter()
        .chain([&gauge])
        .map(|p| limit_damping(p + ATMOSPHERE, bore, rod));
    let limit_range_n = [
        limits.clone().fold(f64::INFINITY, f64::min),
        limits.fold(0.0, f64::max),
    ];
    let allowed = card
        .gas_charge_max_bar
        .map_or(f64::INFINITY, |bar| bar * 1e5);
    let (least, most) = (
        needed.max(0.0),
        (RESERVE * (needed + ATMOSPHERE) - ATMOSPHERE)
            .max(0.0)
            .min(allowed),
    );
    let by_charge = TABLE
        .iter()
        .map(|share| {
            let charge = share * gauge;
            let limit = limit_damping(charge + ATMOSPHERE, bore, rod);
            (charge, limit, limit / largest.force_n)
        })
        .collect();
    Some(GasMargin {
        pressure_from: from.into(),
        gas_pressure_pa: gauge,
        limit_damping_n: limit,
        limit_force_n: limit + static_force(pressure, rod),
        measured_damping_n: largest.force_n,
        measured_at_m_s: largest.velocity_m_s,
        limit_speed_m_s: limit_speed,
        margin: limit / largest.force_n,
        needed_charge_pa: needed.max(0.0),
        advised_charge_pa: most,
        limit_range_n,
        charge_range_pa: (least <= most).then_some([least, most]),
        by_charge,
        caution: "Where the run already cavitates, the measured force is capped and the charge needed is more than this says. \
Charging is done within the maker's limits, with proper equipment and by those local rules allow."
            .into(),
    })
}

impl GasMargin {
    /// The margin and the charge in words, with the caution: for page, sheet and terminal.
    pub fn sentence(&self) -> String {
        let [low, high] = self.limit_range_n;
        let charge = match self.charge_range_pa {
            Some([least, most]) => format!(
                "this valving asks for {:.1} to {:.1} bar above atmosphere",
                least * 1e-5,
                most * 1e-5
            ),
            None => format!(
                "this valving asks for {:.1} bar above atmosphere, more than the card allows: softer compression valving, not more gas, is the \
way",
                self.needed_charge_pa * 1e-5
            ),
        };
        format!(
            "gas margin: compression would begin to cavitate at {low:.0} to {high:.0} N of damping force (card and force at rest); the largest \
measured is {:.0} N; {charge}. {}",
            self.measured_damping_n, self.caution
        )
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Derived for this project from the balance of pressures on the piston (as in Dixon, The Shock
    /// Absorber Handbook; the book was not opened): 20 bar above atmosphere, rod 14 mm, piston 46 mm.
    #[test]
    fn forces_of_the_gas_agree_with_the_pressure_balance() {
        let pressure = 20e5 + 101_325.0;
        assert!((static_force(pressure, 14.0) - 307.876_080_1).abs() < 1e-6);
        let damping = limit_damping(pressure, 46.0, 14.0);
        assert!((damping - 3_168.723_448).abs() < 1e-6);
        assert!((damping + static_force(pressure, 14.0) - 3_476.599_528).abs() < 1e-6);
    }

    /// p Vⁿ constant: 40 mm of a 14 mm rod into 120 cm³ at 2.101325 MPa; and an ideal gas
    /// warmed from 20 to 80 °C at constant volume.
    #[test]
    fn gas_pressure_follows_volume_and_temperature() {
        let p = 2_101_325.0;
        let force = |n| static_force(pressure_after(p, 1.2e-4, 14.0, 0.04, n), 14.0);
        assert!((force(1.4) - 332.632_759_8).abs() < 1e-6);
        assert!((force(1.0) - 325.372_161_1).abs() < 1e-6);
        // Stiffness n p A²/V, by a finite difference.
        let k = |n: f64| {
            let step = 1e-6;
            (static_force(pressure_after(p, 1.2e-4, 14.0, step, n), 14.0)
                - static_force(pressure_after(p, 1.2e-4, 14.0, -step, n), 14.0))
                / (2.0 * step)
        };
        assert!((k(1.0) - 414.957_756_4).abs() < 1e-3);
        assert!((k(1.4) - 580.940_859).abs() < 1e-3);
        let hot = pressure_at(20e5 + 101_325.0, 20.0, 80.0) - 101_325.0;
        assert!((hot / 1e5 - 24.300_852_81).abs() < 1e-7);
    }
}
