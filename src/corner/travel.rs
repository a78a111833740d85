//! What depends on travel: motion ratio, spring, stops.

use serde::{Deserialize, Serialize};

/// Travel of a part per travel of the wheel, over wheel travel (positive when the wheel moves
/// up): one number, or a table, straight between its rows and level beyond them.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Ratio {
    /// Wheel travel, m, rising; and the ratio there.
    rows: Vec<(f64, f64)>,
    /// Travel of the part at each row, from ride height, m.
    #[serde(skip)]
    gone: Vec<f64>,
}

impl Ratio {
    /// The same at every travel.
    pub fn fixed(ratio: f64) -> Self {
        Self::of(&[(0.0, ratio)])
    }

    /// From rows in rising order of wheel travel.
    pub fn of(rows: &[(f64, f64)]) -> Self {
        let mut out = Self {
            rows: rows.to_vec(),
            gone: vec![0.0; rows.len()],
        };
        for i in 1..rows.len() {
            let ((z0, r0), (z1, r1)) = (rows[i - 1], rows[i]);
            out.gone[i] = out.gone[i - 1] + 0.5 * (r0 + r1) * (z1 - z0);
        }
        let here = out.part(0.0);
        for gone in &mut out.gone {
            *gone -= here;
        }
        out
    }

    /// The ratio, if it is the same at every travel.
    pub fn steady(&self) -> Option<f64> {
        let first = self.rows.first()?.1;
        self.rows.iter().all(|r| r.1 == first).then_some(first)
    }

    /// The row at or before a place.
    #[inline]
    fn row(&self, z: f64) -> usize {
        self.rows.partition_point(|r| r.0 <= z).max(1) - 1
    }

    /// The ratio at a wheel travel.
    #[inline]
    pub fn at(&self, z: f64) -> f64 {
        let i = self.row(z);
        let (z0, r0) = self.rows[i];
        match self.rows.get(i + 1) {
            Some((z1, r1)) if z > z0 => r0 + (r1 - r0) * (z - z0) / (z1 - z0),
            _ => r0,
        }
    }

    /// Change of the ratio with wheel travel at a place, 1/m; the mean of both sides.
    pub fn change(&self, z: f64) -> f64 {
        const SIDE: f64 = 1e-4;
        (self.at(z + SIDE) - self.at(z - SIDE)) / (2.0 * SIDE)
    }

    /// Travel of the part from ride height, m.
    pub fn part(&self, z: f64) -> f64 {
        let i = self.row(z);
        let (z0, r0) = self.rows[i];
        self.gone[i] + 0.5 * (r0 + self.at(z)) * (z - z0)
    }

    /// The lowest and highest ratio.
    pub fn span(&self) -> [f64; 2] {
        let ratios = self.rows.iter().map(|r| r.1);
        [
            ratios.clone().fold(f64::INFINITY, f64::min),
            ratios.fold(0.0, f64::max),
        ]
    }
}

/// Force of spring and gas against travel.
#[derive(Debug, Clone, PartialEq)]
pub struct Suspension {
    /// Rate at the wheel that does not change with travel, N/m.
    straight: f64,
    /// Spring whose ratio changes.
    curved: Option<Curved>,
}

/// A spring that acts by a ratio which changes with travel.
#[derive(Debug, Clone, PartialEq)]
struct Curved {
    spring_n_m: f64,
    ratio: Ratio,
    /// What it carries at ride height, at the wheel, N.
    load: f64,
    /// Its force at ride height, N.
    seat: f64,
}

impl Suspension {
    /// A rate at the wheel.
    pub fn steady(rate_n_m: f64) -> Self {
        Self {
            straight: rate_n_m,
            curved: None,
        }
    }

    /// A spring that acts by a ratio and carries `load` N of the body at ride height.
    pub fn by_ratio(spring_n_m: f64, ratio: &Ratio, load: f64) -> Self {
        match ratio.steady() {
            Some(r) => Self::steady(spring_n_m * r * r),
            None => Self {
                straight: 0.0,
                curved: Some(Curved {
                    spring_n_m,
                    ratio: ratio.clone(),
                    load,
                    seat: load / ratio.at(0.0),
                }),
            },
        }
    }

    /// Rate at ride height, N/m.
    pub fn rate(&self) -> f64 {
        let curved = self.curved.as_ref().map_or(0.0, |c| {
            super::car::wheel_rate(c.spring_n_m, c.ratio.at(0.0), c.ratio.change(0.0), c.load)
        });
        self.straight + curved
    }

    /// With more rate at the wheel beside it, N/m.
    #[must_use]
    pub fn stiffer(mut self, rate_n_m: f64) -> Self {
        self.straight += rate_n_m;
        self
    }

    /// Force on the body beyond what it rests on, N, at a travel (body over wheel).
    #[inline]
    pub fn force(&self, travel: f64) -> f64 {
        let straight = -self.straight * travel;
        match &self.curved {
            None => straight,
            Some(c) => {
                let z = -travel;
                straight + c.ratio.at(z) * (c.seat + c.spring_n_m * c.ratio.part(z)) - c.load
            }
        }
    }
}

/// Bump and droop stops: gaps from ride height and the rate beyond them.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Stops {
    /// Wheel travel upwards to the bump stop, m.
    pub bump_m: Option<f64>,
    /// Wheel travel downwards to the droop stop, m.
    pub droop_m: Option<f64>,
    /// Rate of either stop, N/m; 0 counts contacts without feeling them.
    pub rate_n_m: f64,
}

impl Stops {
    /// How far a travel (body over wheel) is into the bump (positive) or droop stop
    /// (negative), m.
    #[inline]
    pub fn into(&self, travel: f64) -> f64 {
        if let Some(gap) = self.bump_m
            && -travel > gap
        {
            return -travel - gap;
        }
        if let Some(gap) = self.droop_m
            && travel > gap
        {
            return gap - travel;
        }
        0.0
    }

    /// Force on the body, N.
    #[inline]
    pub fn force(&self, travel: f64) -> f64 {
        if self.rate_n_m == 0.0 {
            return 0.0;
        }
        self.rate_n_m * self.into(travel)
    }
}
