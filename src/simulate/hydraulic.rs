//! Monotube and twin-tube: chamber pressures integrated over time.
//!
//! Unknowns are the oil volumes of the chambers; pressure follows from oil volume and
//! chamber volume, with free air and a floor at the vapour pressure. Where the floor is met
//! the rest of the chamber is void, and pressure comes back only once the void has refilled.
//! One implicit step has one unknown, the flow through the piston (and, inside it, the flow
//! through the foot valve); both equations are monotone, so a bracketed Newton solves them.

use super::root::newton;
use super::spec::{Damper, Faults, Model, Thermal};
use super::valve::{BAR, Passage};
use crate::units::ZERO_CELSIUS;
use std::f64::consts::FRAC_PI_4;

/// Standard atmosphere, Pa.
pub(super) const ATMOSPHERE: f64 = 101_325.0;
/// Share of the new flow in a time step. 0.5 would be second order but rings after a void
/// closes; 0.6 damps that and leaves a lag of a tenth of a step.
pub(super) const IMPLICIT: f64 = 0.6;
/// A flow is found when the pressures balance to this, Pa (about 1e-4 N on a piston).
const BALANCE_PA: f64 = 0.05;
/// Newton steps for the gas pressure; three or four are usual.
const ROUNDS: usize = 60;

/// The fixed part of a physical damper, SI.
#[derive(Debug, Clone)]
pub(super) struct Hydraulics {
    twin: bool,
    pub(super) piston_area: f64,
    pub(super) rod_area: f64,
    pub(super) ring_area: f64,
    piston_side: f64,
    rod_side: f64,
    pub(super) charge: f64,
    pub(super) gas_volume: f64,
    gas_volume_limit: f64,
    charge_kelvin: f64,
    exponent: f64,
    gas_follows: bool,
    bulk: f64,
    vapour: f64,
    can_cavitate: bool,
    pub(super) compression: Passage,
    pub(super) rebound: Passage,
    base: Passage,
    intake: Passage,
}

/// What changes from step to step.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Chambers {
    piston_oil: f64,
    rod_oil: f64,
    reservoir_gas: f64,
    flow: f64,
    foot_flow: f64,
    pub(super) piston_pressure: f64,
    pub(super) rod_pressure: f64,
    pub(super) piston_void: f64,
    pub(super) rod_void: f64,
}

/// Conditions during a step: share of free air, oil temperature, factor on every valve.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Conditions {
    /// Free air at atmospheric pressure over oil volume.
    pub air: f64,
    /// Oil temperature, °C.
    pub celsius: f64,
    /// Factor on hydraulic force.
    pub fade: f64,
}

/// A pressure with its slope over oil volume, and the void beside it.
#[derive(Debug, Clone, Copy)]
struct Pressed {
    pressure: f64,
    per_oil: f64,
    void: f64,
}

impl Hydraulics {
    pub(super) fn new(model: Model, damper: &Damper, faults: &Faults, thermal: &Thermal) -> Self {
        let circle = |mm: f64| FRAC_PI_4 * mm * mm * 1e-6;
        let (piston_area, rod_area) = (circle(damper.bore_mm), circle(damper.rod_mm));
        let (rho, cd) = (damper.oil_density_kg_m3, damper.discharge_coefficient);
        let lost = faults.lost_oil_cm3 * 1e-6;
        let volume = damper.gas_volume_cm3 * 1e-6;
        let charge = damper.charge_bar * BAR + ATMOSPHERE;
        Self {
            twin: model == Model::TwinTube,
            piston_area,
            rod_area,
            ring_area: piston_area - rod_area,
            piston_side: damper.piston_side_mm * 1e-3 * piston_area - lost,
            rod_side: damper.rod_side_mm * 1e-3 * (piston_area - rod_area),
            // Oil that leaked out left its room to the gas, slowly: isothermal.
            charge: charge * volume / (volume + lost),
            gas_volume: volume + lost,
            gas_volume_limit: if damper.gas_volume_limit_cm3 > 0.0 {
                damper.gas_volume_limit_cm3 * 1e-6
            } else {
                f64::INFINITY
            },
            charge_kelvin: damper.charge_temperature_c + ZERO_CELSIUS,
            exponent: damper.polytropic_exponent,
            gas_follows: thermal.gas_follows,
            bulk: damper.bulk_modulus_mpa * 1e6,
            vapour: damper.vapour_pressure_bar * BAR,
            can_cavitate: true,
            compression: Passage::new(&damper.compression, faults.leak_compression_mm2, rho, cd),
            rebound: Passage::new(&damper.rebound, faults.leak_rebound_mm2, rho, cd),
            base: Passage::new(&damper.foot.compression, 0.0, rho, cd),
            intake: Passage::check(
                damper.foot.intake_opening_bar,
                damper.foot.intake_area_mm2,
                rho,
                cd,
            ),
        }
    }

    /// The same damper with oil that can be pulled without tearing.
    pub(super) fn without_voids(&self) -> Self {
        Self {
            can_cavitate: false,
            ..self.clone()
        }
    }

    /// Gas pressure, Pa absolute.
    pub(super) fn gas(&self, volume: f64, celsius: f64) -> f64 {
        let warm = if self.gas_follows {
            (celsius + ZERO_CELSIUS) / self.charge_kelvin
        } else {
            1.0
        };
        self.charge * warm * libm::pow(self.gas_volume / volume, self.exponent)
    }

    /// At rest at travel `x`, with the oil that the damper was filled with at mid-stroke.
    pub(super) fn at_rest(&self, x: f64, with: Conditions) -> Chambers {
        let charge = self.gas(self.gas_volume, with.celsius);
        let filled = 1.0 / self.swell(charge, with.air);
        if self.twin {
            let gas_volume = self.gas_volume - self.rod_area * x;
            let pressure = self.gas(gas_volume, with.celsius);
            let share = self.swell(pressure, with.air);
            return Chambers {
                piston_oil: (self.piston_side - self.piston_area * x) / share,
                rod_oil: (self.rod_side + self.ring_area * x) / share,
                reservoir_gas: gas_volume,
                piston_pressure: pressure,
                rod_pressure: pressure,
                ..Chambers::default()
            };
        }
        // Through the valve both sides come to one pressure: all the oil leans on the gas.
        let oil = (self.piston_side + self.rod_side) * filled;
        let room = self.piston_side + self.rod_side + self.gas_volume - self.rod_area * x;
        let mut now = Chambers {
            piston_oil: oil,
            piston_pressure: charge,
            ..Chambers::default()
        };
        self.lean_on_gas(&mut now, room, with);
        let volume = self.rod_side + self.ring_area * x;
        now.rod_pressure = now.piston_pressure;
        now.rod_oil = volume / self.swell(now.rod_pressure.max(self.vapour).max(1.0), with.air);
        now.piston_oil = oil - now.rod_oil;
        now
    }

    /// Force of the pressures on the rod, N.
    pub(super) fn force(&self, now: &Chambers) -> f64 {
        now.piston_pressure * self.piston_area
            - now.rod_pressure * self.ring_area
            - ATMOSPHERE * self.rod_area
    }

    /// Power turned into heat in the valves, W: oil flow (as volume at rest) times the fall of
    /// `∫ V/m dp`, which is the pressure drop but for the oil's compressibility.
    pub(super) fn power(&self, now: &Chambers, with: Conditions) -> f64 {
        let fall = |from: f64, to: f64| {
            let (a, b) = (from - ATMOSPHERE, to - ATMOSPHERE);
            let air = if with.air > 0.0 && from > 0.0 && to > 0.0 {
                with.air * ATMOSPHERE * libm::log(from / to)
            } else {
                0.0
            };
            from - to - (a * a - b * b) / (2.0 * self.bulk) + air
        };
        let piston = fall(now.piston_pressure, now.rod_pressure) * now.flow;
        let foot = if self.twin {
            let gas = self.gas(now.reservoir_gas, with.celsius);
            fall(gas, now.piston_pressure) * now.foot_flow
        } else {
            0.0
        };
        piston + foot
    }

    /// Chambers after a step of `dt` that ends at travel `x`.
    pub(super) fn advance(&self, before: &Chambers, x: f64, dt: f64, with: Conditions) -> Chambers {
        let mut after = *before;
        let flow = newton(before.flow, BALANCE_PA, |flow| {
            after = self.with_flow(before, flow, x, dt, with);
            let (drop, drop_slope) = self.piston_drop(flow, with.fade);
            let rod = self.rod_chamber(after.rod_oil, x, with.air);
            let piston_slope = self.piston_slope(&after, x, dt, with);
            let step = dt * IMPLICIT;
            (
                drop - (after.piston_pressure - after.rod_pressure),
                drop_slope + step * (piston_slope + rod.per_oil),
            )
        });
        if flow.to_bits() != after.flow.to_bits() {
            after = self.with_flow(before, flow, x, dt, with);
        }
        after
    }

    /// Chambers if the piston passed `flow` at the end of the step.
    fn with_flow(
        &self,
        before: &Chambers,
        flow: f64,
        x: f64,
        dt: f64,
        with: Conditions,
    ) -> Chambers {
        let moved = dt * (IMPLICIT * flow + (1.0 - IMPLICIT) * before.flow);
        let rod_oil = before.rod_oil + moved;
        let rod = self.rod_chamber(rod_oil, x, with.air);
        let mut after = Chambers {
            rod_oil,
            flow,
            rod_pressure: rod.pressure,
            rod_void: rod.void,
            piston_oil: before.piston_oil - moved,
            ..*before
        };
        if self.twin {
            self.feed_from_reservoir(&mut after, before, x, dt, with);
        } else {
            let room = self.piston_side + self.gas_volume - self.piston_area * x;
            self.lean_on_gas(&mut after, room, with);
        }
        after
    }

    /// Twin-tube: finds the foot valve's flow.
    fn feed_from_reservoir(
        &self,
        after: &mut Chambers,
        before: &Chambers,
        x: f64,
        dt: f64,
        with: Conditions,
    ) {
        let volume = self.piston_side - self.piston_area * x;
        let start = after.piston_oil;
        let moved = |foot: f64| dt * (IMPLICIT * foot + (1.0 - IMPLICIT) * before.foot_flow);
        let step = dt * IMPLICIT;
        let foot = newton(before.foot_flow, 0.1 * BALANCE_PA, |foot| {
            let gas_volume = before.reservoir_gas + moved(foot);
            let gas = self.gas(gas_volume, with.celsius);
            let piston = self.oil(start + moved(foot), volume, with.air);
            let (drop, slope) = self.foot_drop(foot, with.fade);
            (
                drop + piston.pressure - gas,
                slope + step * (piston.per_oil + self.exponent * gas / gas_volume),
            )
        });
        let piston = self.oil(start + moved(foot), volume, with.air);
        after.foot_flow = foot;
        after.piston_oil = start + moved(foot);
        after.reservoir_gas = before.reservoir_gas + moved(foot);
        after.piston_pressure = piston.pressure;
        after.piston_void = piston.void;
    }

    /// Monotube: oil and gas share the `room` beyond the piston at one pressure.
    fn lean_on_gas(&self, after: &mut Chambers, room: f64, with: Conditions) {
        let oil = after.piston_oil;
        let warm = self.gas(self.gas_volume, with.celsius);
        let mut pressure = after.piston_pressure.max(1.0);
        for _ in 0..ROUNDS {
            let gas_volume = self.gas_volume * libm::pow(warm / pressure, 1.0 / self.exponent);
            let oil_volume = oil * self.swell(pressure, with.air);
            let slope = -gas_volume / (self.exponent * pressure)
                - oil * (1.0 / self.bulk + with.air * ATMOSPHERE / (pressure * pressure));
            let step = (gas_volume + oil_volume - room) / slope;
            // A Newton step from far above could cross zero; halving keeps it positive.
            pressure = (pressure - step).max(0.5 * pressure);
            if step.abs() < 0.01 * BALANCE_PA {
                break;
            }
        }
        let gas_volume = self.gas_volume * libm::pow(warm / pressure, 1.0 / self.exponent);
        if gas_volume < self.gas_volume_limit {
            after.piston_pressure = pressure;
            after.reservoir_gas = gas_volume;
            after.piston_void = 0.0;
        } else {
            // The floating piston stands on its stop: the oil beyond it is on its own.
            let piston = self.oil(oil, room - self.gas_volume_limit, with.air);
            after.piston_pressure = piston.pressure;
            after.reservoir_gas = self.gas_volume_limit;
            after.piston_void = piston.void;
        }
    }

    /// How piston-side pressure rises with oil added to that side, Pa/m³, the foot valve
    /// giving way.
    fn piston_slope(&self, after: &Chambers, x: f64, dt: f64, with: Conditions) -> f64 {
        if self.twin {
            let volume = self.piston_side - self.piston_area * x;
            let stiff = self.oil(after.piston_oil, volume, with.air).per_oil;
            let gas = self.gas(after.reservoir_gas, with.celsius);
            let foot = self.foot_drop(after.foot_flow, with.fade).1
                + dt * IMPLICIT * self.exponent * gas / after.reservoir_gas;
            let own = dt * IMPLICIT * stiff;
            if own > 0.0 {
                stiff * foot / (foot + own)
            } else {
                0.0
            }
        } else if after.reservoir_gas >= self.gas_volume_limit {
            let volume =
                self.piston_side + self.gas_volume - self.piston_area * x - self.gas_volume_limit;
            self.oil(after.piston_oil, volume, with.air).per_oil
        } else {
            let p = after.piston_pressure;
            let oil = after.piston_oil;
            let give = after.reservoir_gas / (self.exponent * p)
                + oil * (1.0 / self.bulk + with.air * ATMOSPHERE / (p * p));
            self.swell(p, with.air) / give
        }
    }

    /// Volume of oil and its free air at a pressure, over the oil's volume at rest.
    fn swell(&self, pressure: f64, air: f64) -> f64 {
        1.0 - (pressure - ATMOSPHERE) / self.bulk + air * ATMOSPHERE / pressure
    }

    fn rod_chamber(&self, oil: f64, x: f64, air: f64) -> Pressed {
        self.oil(oil, self.rod_side + self.ring_area * x, air)
    }

    /// Pressure of `oil` in a closed `volume`: `V/m = 1 − (p − p₀)/B + α·p₀/p` (the air
    /// isothermal), which is a quadratic in `p`; never below the vapour pressure.
    fn oil(&self, oil: f64, volume: f64, air: f64) -> Pressed {
        let stretch = volume / oil - 1.0;
        let s = ATMOSPHERE / self.bulk - stretch;
        let stretch_slope = volume / (oil * oil);
        let (pressure, per_s) = if air > 0.0 {
            let root = libm::sqrt(s * s + 4.0 * air * ATMOSPHERE / self.bulk);
            let p = if s > 0.0 {
                0.5 * self.bulk * (s + root)
            } else {
                2.0 * air * ATMOSPHERE / (root - s)
            };
            (p, p / root)
        } else {
            (self.bulk * s, self.bulk)
        };
        if !self.can_cavitate {
            // Below the atmosphere this oil holds together like a solid.
            return if pressure < ATMOSPHERE {
                Pressed {
                    pressure: ATMOSPHERE - self.bulk * (stretch - air),
                    per_oil: self.bulk * stretch_slope,
                    void: 0.0,
                }
            } else {
                Pressed {
                    pressure,
                    per_oil: per_s * stretch_slope,
                    void: 0.0,
                }
            };
        }
        if pressure >= self.vapour.max(f64::MIN_POSITIVE) {
            Pressed {
                pressure,
                per_oil: per_s * stretch_slope,
                void: 0.0,
            }
        } else {
            let filled = 1.0 - (self.vapour - ATMOSPHERE) / self.bulk
                + if air > 0.0 {
                    air * ATMOSPHERE / self.vapour
                } else {
                    0.0
                };
            Pressed {
                pressure: self.vapour,
                per_oil: 0.0,
                void: (volume - oil * filled).max(0.0),
            }
        }
    }

    /// Pressure drop from piston side to rod side at a flow of either sign.
    fn piston_drop(&self, flow: f64, fade: f64) -> (f64, f64) {
        two_way(flow, fade, &self.compression, &self.rebound)
    }

    /// Pressure drop from reservoir to piston side at a flow of either sign.
    fn foot_drop(&self, flow: f64, fade: f64) -> (f64, f64) {
        two_way(flow, fade, &self.intake, &self.base)
    }
}

fn two_way(flow: f64, fade: f64, forward: &Passage, back: &Passage) -> (f64, f64) {
    if flow >= 0.0 {
        let (drop, slope) = forward.drop(flow);
        (fade * drop, fade * slope)
    } else {
        let (drop, slope) = back.drop(-flow);
        (-fade * drop, fade * slope)
    }
}
