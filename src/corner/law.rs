//! A damper's force law in straight pieces, and what it amounts to on a sine or on random
//! motion: equivalent damping and mean force in closed form.
//!
//! Any curve of straight pieces through rest is a sum of capped lines,
//! `F(v) = c_last·v + Σ (c_i − c_{i+1})·min(v, k_i)`, so that the closed forms for one knee
//! (docs/methods/corner.md) add up. Friction is one more such line, capped at
//! [`FRICTION_RAMP_M_S`].

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use crate::steps::{Direction, PerDirection};

/// Friction reaches its full force at this damper speed, m/s: slow beside any road, quick
/// enough to integrate.
pub const FRICTION_RAMP_M_S: f64 = 0.004;

/// Resisting force against speed of one direction, straight between nodes, from rest, and
/// straight on beyond the last node.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Branch {
    speed: Vec<f64>,
    force: Vec<f64>,
}

impl Branch {
    /// Through rest and these points (speed m/s, resisting force N), in any order; speeds
    /// that are not above zero and points that are no numbers are left out. `None` without a
    /// point.
    pub fn through(points: &[(f64, f64)]) -> Option<Self> {
        let mut kept: Vec<(f64, f64)> = points
            .iter()
            .copied()
            .filter(|(v, f)| v.is_finite() && f.is_finite() && *v > 0.0)
            .collect();
        kept.sort_by(|a, b| a.0.total_cmp(&b.0));
        kept.dedup_by(|a, b| a.0 == b.0);
        if kept.is_empty() {
            return None;
        }
        let (mut speed, mut force) = (vec![0.0], vec![0.0]);
        for (v, f) in kept {
            speed.push(v);
            force.push(f);
        }
        Some(Self { speed, force })
    }

    /// A straight line, N·s/m, said to be known up to `fastest`.
    pub fn line(slope: f64, fastest: f64) -> Self {
        Self {
            speed: vec![0.0, fastest],
            force: vec![0.0, slope * fastest],
        }
    }

    /// Straight pieces: slopes and the speeds where one gives way to the next, said to be
    /// known up to `fastest`.
    pub fn pieces(slopes: &[f64], knees: &[f64], fastest: f64) -> Option<Self> {
        let (mut points, mut v, mut f) = (Vec::new(), 0.0, 0.0);
        for (slope, end) in slopes.iter().zip(knees.iter().chain([&fastest])) {
            f += slope * (end - v);
            v = *end;
            points.push((v, f));
        }
        Self::through(&points)
    }

    /// The fastest node, m/s.
    pub fn fastest(&self) -> f64 {
        self.speed.last().copied().unwrap_or(0.0)
    }

    /// Nodes: speed, force.
    pub fn nodes(&self) -> impl Iterator<Item = (f64, f64)> + '_ {
        self.speed.iter().copied().zip(self.force.iter().copied())
    }

    /// Slope of the piece that begins at node `i`; the last piece runs on.
    fn slope(&self, i: usize) -> f64 {
        let i = i.min(self.speed.len().saturating_sub(2));
        (self.force[i + 1] - self.force[i]) / (self.speed[i + 1] - self.speed[i])
    }

    /// Slopes of all pieces, N·s/m.
    pub fn slopes(&self) -> impl Iterator<Item = f64> + '_ {
        (0..self.speed.len() - 1).map(|i| self.slope(i))
    }

    /// Force at a speed, N.
    pub fn at(&self, speed: f64) -> f64 {
        let i = self.speed.partition_point(|s| *s <= speed).max(1) - 1;
        let i = i.min(self.speed.len() - 2);
        self.force[i] + self.slope(i) * (speed - self.speed[i])
    }

    /// Slope over a band of speeds from `1 − half` to `1 + half` times this one, kept inside
    /// what is known, N·s/m: a measured curve has no slope at a point.
    pub fn local(&self, speed: f64, half: f64) -> f64 {
        let low = speed * (1.0 - half);
        let high = (speed * (1.0 + half)).min(self.fastest());
        if high > low {
            (self.at(high) - self.at(low)) / (high - low)
        } else {
            self.slope(self.speed.len())
        }
    }

    /// At the wheel: speeds over the ratio, forces times it (`F_w(v) = r·F(r·v)`).
    #[must_use]
    pub fn at_wheel(&self, ratio: f64) -> Self {
        Self {
            speed: self.speed.iter().map(|v| v / ratio).collect(),
            force: self.force.iter().map(|f| f * ratio).collect(),
        }
    }

    /// The branch with another added to it, nodes of both kept.
    #[must_use]
    pub fn plus(&self, other: &Self) -> Self {
        let mut speed: Vec<f64> = self.speed.iter().chain(&other.speed).copied().collect();
        speed.sort_by(f64::total_cmp);
        speed.dedup();
        let force = speed.iter().map(|v| self.at(*v) + other.at(*v)).collect();
        Self { speed, force }
    }

    /// The curve as capped lines: (slope lost at the knee, knee), and the slope that stays.
    fn capped(&self) -> (Vec<(f64, f64)>, f64) {
        let last = self.slope(self.speed.len());
        let lost = (1..self.speed.len() - 1)
            .map(|i| (self.slope(i - 1) - self.slope(i), self.speed[i]))
            .filter(|(lost, _)| *lost != 0.0)
            .collect();
        (lost, last)
    }
}

/// A law in both directions: the part that follows speed, friction, what gives in series.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Law {
    /// Resisting force against speed, friction left out.
    pub valves: PerDirection<Branch>,
    /// Friction, N.
    pub friction_n: f64,
    /// Speed at which friction is whole, m/s.
    pub ramp_m_s: f64,
    /// Rise of the gas force with compression, N/m.
    pub gas_n_m: f64,
    /// Stiffness in series with the valves, N/m; `None`: stiff.
    pub series_n_m: Option<f64>,
}

impl Law {
    /// Valves alone.
    pub fn of(compression: Branch, rebound: Branch) -> Self {
        Self {
            valves: PerDirection {
                compression,
                rebound,
            },
            friction_n: 0.0,
            ramp_m_s: FRICTION_RAMP_M_S,
            gas_n_m: 0.0,
            series_n_m: None,
        }
    }

    /// The law at the wheel: forces and knees by the ratio, slopes and stiffnesses by its
    /// square.
    #[must_use]
    pub fn at_wheel(&self, ratio: f64) -> Self {
        Self {
            valves: PerDirection {
                compression: self.valves.compression.at_wheel(ratio),
                rebound: self.valves.rebound.at_wheel(ratio),
            },
            friction_n: self.friction_n * ratio,
            ramp_m_s: self.ramp_m_s / ratio,
            gas_n_m: self.gas_n_m * ratio * ratio,
            series_n_m: self.series_n_m.map(|k| k * ratio * ratio),
        }
    }

    /// Friction as a branch, known as far as the valves are.
    pub fn friction(&self) -> Option<Branch> {
        (self.friction_n > 0.0).then(|| {
            let far = 1.0 + self.ramp_m_s;
            Branch {
                speed: vec![0.0, self.ramp_m_s, far],
                force: vec![0.0, self.friction_n, self.friction_n],
            }
        })
    }

    /// Valves and friction of one direction together.
    pub fn whole(&self, direction: Direction) -> Branch {
        let valves = self.valves.get(direction);
        match self.friction() {
            Some(friction) => valves.plus(&friction),
            None => valves.clone(),
        }
    }

    /// The fastest measured speed of each direction, m/s.
    pub fn fastest(&self) -> PerDirection<f64> {
        PerDirection {
            compression: self.valves.compression.fastest(),
            rebound: self.valves.rebound.fastest(),
        }
    }

    /// The law prepared for sums over both directions.
    pub fn sums(&self) -> Sums {
        Sums::new(&self.valves, self.friction().as_ref())
    }
}

/// Capped lines of both directions, for the closed forms.
#[derive(Debug, Clone, PartialEq)]
pub struct Sums {
    capped: PerDirection<(Vec<(f64, f64)>, f64)>,
}

impl Sums {
    /// Of valves, with friction if any.
    pub fn new(valves: &PerDirection<Branch>, friction: Option<&Branch>) -> Self {
        let of = |branch: &Branch| match friction {
            Some(friction) => branch.plus(friction).capped(),
            None => branch.capped(),
        };
        Self {
            capped: PerDirection {
                compression: of(&valves.compression),
                rebound: of(&valves.rebound),
            },
        }
    }

    fn add(&self, direction: Direction, line: f64, cap: impl Fn(f64) -> f64) -> f64 {
        let (lost, last) = self.capped.get(direction);
        last * line + lost.iter().map(|(c, k)| c * cap(*k)).sum::<f64>()
    }

    /// Damping of one direction that takes as much energy out of a sine of peak speed `peak`,
    /// N·s/m; also the describing function of an odd law (Krylov and Bogoliubov).
    pub fn sine(&self, direction: Direction, peak: f64) -> f64 {
        self.add(direction, 1.0, |k| {
            let u = (k / peak).min(1.0);
            2.0 / PI * (u.asin() + u * (1.0 - u * u).sqrt())
        })
    }

    /// The same of both directions: their mean.
    pub fn sine_both(&self, peak: f64) -> f64 {
        0.5 * (self.sine(Direction::Compression, peak) + self.sine(Direction::Rebound, peak))
    }

    /// Mean force over a sine, N, positive where compression is the stronger.
    pub fn sine_mean(&self, peak: f64) -> f64 {
        let of = |direction| {
            self.add(direction, peak / PI, |k| {
                let a = (k / peak).min(1.0).asin();
                (2.0 * peak * (1.0 - a.cos()) + k * (PI - 2.0 * a)) / (2.0 * PI)
            })
        };
        of(Direction::Compression) - of(Direction::Rebound)
    }

    /// Damping of one direction by statistical linearisation at Gaussian speed of standard
    /// deviation `sd`: `E[vF]/σ²`, N·s/m (Roberts and Spanos).
    pub fn random(&self, direction: Direction, sd: f64) -> f64 {
        self.add(direction, 1.0, |k| {
            libm::erf(k / (sd * std::f64::consts::SQRT_2))
        })
    }

    /// The same of both directions: their mean.
    pub fn random_both(&self, sd: f64) -> f64 {
        0.5 * (self.random(Direction::Compression, sd) + self.random(Direction::Rebound, sd))
    }

    /// Mean force at Gaussian speed, N.
    pub fn random_mean(&self, sd: f64) -> f64 {
        let whole = sd / (2.0 * PI).sqrt();
        let of = |direction| {
            self.add(direction, whole, |k| {
                let q = k / (sd * std::f64::consts::SQRT_2);
                whole * (1.0 - (-q * q).exp()) + 0.5 * k * libm::erfc(q)
            })
        };
        of(Direction::Compression) - of(Direction::Rebound)
    }
}

/// A branch made ready for millions of look-ups: buckets of equal width lead to the piece.
#[derive(Debug, Clone)]
pub struct Lookup {
    /// Buckets per m/s.
    density: f64,
    first: Vec<u32>,
    /// Speed where the piece ends, force at zero speed if it ran there, slope.
    piece: Vec<(f64, f64, f64)>,
}

impl Lookup {
    /// Buckets of a look-up.
    const BUCKETS: usize = 256;

    /// Of a branch.
    pub fn new(branch: &Branch) -> Self {
        let n = branch.speed.len() - 1;
        let mut piece: Vec<(f64, f64, f64)> = (0..n)
            .map(|i| {
                let slope = branch.slope(i);
                let zero = branch.force[i] - slope * branch.speed[i];
                (branch.speed[i + 1], zero, slope)
            })
            .collect();
        if let Some(last) = piece.last_mut() {
            last.0 = f64::INFINITY;
        }
        let top = branch.speed[n.max(1) - 1].max(branch.fastest() * 1e-3);
        let density = Self::BUCKETS as f64 / top;
        let first = (0..=Self::BUCKETS)
            .map(|b| {
                let v = b as f64 / density;
                let i = piece.iter().position(|p| v < p.0).unwrap_or(n - 1);
                u32::try_from(i).unwrap_or(0)
            })
            .collect();
        Self {
            density,
            first,
            piece,
        }
    }

    /// Force and slope at a speed (not negative).
    #[inline]
    pub fn at(&self, speed: f64) -> (f64, f64) {
        let bucket = ((speed * self.density) as usize).min(Self::BUCKETS);
        let mut i = self.first[bucket] as usize;
        // The last piece has no end; a motion that has run away is for the caller to see.
        while i + 1 < self.piece.len() && speed >= self.piece[i].0 {
            i += 1;
        }
        let (_, zero, slope) = self.piece[i];
        (zero + slope * speed, slope)
    }
}
