//! Pressure drop of valves: closed forms in flow, so that the integrator has one unknown.

use super::spec::Valve;

/// Pa·s/m³ in one bar per L/min.
const BAR_PER_L_MIN: f64 = 1e5 * 60_000.0;
/// Pa in one bar.
pub(super) const BAR: f64 = 1e5;

/// A bleed with a preloaded valve beside it and a port behind both, SI.
///
/// Bleed alone: `Δp = a·q + b·q²`. Once that reaches the opening pressure `p₀` the valve
/// passes `(Δp − p₀)/R` more. The port adds `k·Q²` for the whole flow.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Passage {
    viscous: f64,
    orifice: f64,
    opening: f64,
    rate: f64,
    port: f64,
}

/// `ρ/(2 C² A²)`: pressure drop of a sharp orifice per flow squared.
pub(super) fn orifice(area_mm2: f64, density: f64, discharge: f64) -> f64 {
    let area = area_mm2 * 1e-6;
    density / (2.0 * discharge * discharge * area * area)
}

impl Passage {
    pub(super) fn new(valve: &Valve, leak_mm2: f64, density: f64, discharge: f64) -> Self {
        let area = valve.bleed_area_mm2 + leak_mm2;
        // A leak beside the bleed widens the viscous passage in the same proportion.
        let viscous = valve.bleed_bar_per_l_min * BAR_PER_L_MIN * valve.bleed_area_mm2 / area;
        Self {
            viscous,
            orifice: orifice(area, density, discharge),
            opening: valve.opening_bar * BAR,
            rate: valve.rate_bar_per_l_min * BAR_PER_L_MIN,
            port: orifice(valve.port_area_mm2, density, discharge),
        }
    }

    /// A check plate: opens at a small pressure, then an orifice. Written as an orifice in
    /// series with the plate's preload, which the first tenth of the flow scale builds up.
    pub(super) fn check(opening_bar: f64, area_mm2: f64, density: f64, discharge: f64) -> Self {
        Self {
            viscous: 0.2 * opening_bar * BAR_PER_L_MIN,
            orifice: orifice(area_mm2, density, discharge),
            opening: f64::INFINITY,
            rate: 0.0,
            port: 0.0,
        }
    }

    /// Pressure drop (Pa) and its slope at a flow ≥ 0 (m³/s).
    pub(super) fn drop(&self, flow: f64) -> (f64, f64) {
        let bleed = self.viscous * flow + self.orifice * flow * flow;
        let (stack, slope) = if bleed <= self.opening {
            (bleed, self.viscous + 2.0 * self.orifice * flow)
        } else {
            // q + (a q + b q² − p₀)/R = Q for the bleed's share q.
            let linear = self.viscous + self.rate;
            let constant = self.opening + self.rate * flow;
            let root = libm::sqrt(linear * linear + 4.0 * self.orifice * constant);
            let q = 2.0 * constant / (linear + root);
            (
                self.viscous * q + self.orifice * q * q,
                (self.viscous + 2.0 * self.orifice * q) * self.rate / root,
            )
        };
        (
            stack + self.port * flow * flow,
            slope + 2.0 * self.port * flow,
        )
    }

    /// Speed at which the valve opens, m/s, for a piston that pushes `area` m².
    pub(super) fn knee(&self, area: f64) -> f64 {
        let root = libm::sqrt(self.viscous * self.viscous + 4.0 * self.orifice * self.opening);
        2.0 * self.opening / (self.viscous + root) / area
    }
}
