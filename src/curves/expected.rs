//! What force the damper shows at a speed when nothing is wrong: the full-cycle curve and
//! the peak points, as a function.

use super::{Curve, CurvePoint};
use crate::steps::Direction;

/// Resisting hydraulic force against speed, one direction: straight lines between points.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Expected {
    points: Vec<(f64, f64)>,
}

impl Expected {
    /// From the full-cycle curve, up to `limit` m/s.
    pub fn from_curve(curve: &Curve, direction: Direction, limit: f64) -> Self {
        Self::from_points(curve.get(direction), direction, limit)
    }

    /// From the points of one direction, speed rising, up to `limit` m/s.
    pub fn from_points(points: &[CurvePoint], direction: Direction, limit: f64) -> Self {
        let points = points
            .iter()
            .filter(|p| p.velocity_m_s <= limit)
            .map(|p| (p.velocity_m_s, direction.sign() * p.force_n))
            .collect();
        Self { points }
    }

    /// Force at a speed, N positive; level beyond the last point, proportional below the first.
    pub fn at(&self, speed: f64) -> f64 {
        let k = self.points.partition_point(|p| p.0 < speed);
        match (
            k.checked_sub(1).and_then(|i| self.points.get(i)),
            self.points.get(k),
        ) {
            (Some(a), Some(b)) => a.1 + (b.1 - a.1) * (speed - a.0) / (b.0 - a.0),
            (None, Some(b)) => b.1 * speed / b.0.max(f64::MIN_POSITIVE),
            (Some(a), None) => a.1,
            (None, None) => 0.0,
        }
    }

    /// Slope dF/dv at a speed, N·s/m.
    pub fn slope(&self, speed: f64) -> f64 {
        let k = self
            .points
            .partition_point(|p| p.0 < speed)
            .clamp(1, self.points.len().max(2) - 1);
        match (self.points.get(k - 1), self.points.get(k)) {
            (Some(a), Some(b)) if b.0 > a.0 => (b.1 - a.1) / (b.0 - a.0),
            _ => 0.0,
        }
    }
}
