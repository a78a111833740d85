//! Roads: ISO 8608 classes as white velocity, and measured profiles.

use rand::SeedableRng as _;
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};
use serde::{Deserialize, Serialize};

use std::f64::consts::PI;

/// Reference spatial frequency of ISO 8608, 1/m.
pub const N0: f64 = 0.1;

/// A road class of ISO 8608, stood for by its geometric mean.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum Class {
    /// Very good.
    A,
    /// Good.
    B,
    /// Average.
    C,
    /// Poor.
    D,
}

impl Class {
    /// All, smoothest first.
    pub const ALL: [Self; 4] = [Self::A, Self::B, Self::C, Self::D];

    /// Displacement density at [`N0`], geometric mean of the class, m³.
    pub fn density(self) -> f64 {
        1e-6 * match self {
            Self::A => 16.0,
            Self::B => 64.0,
            Self::C => 256.0,
            Self::D => 1024.0,
        }
    }

    /// Upper limit of the class, m³: twice the mean.
    pub fn upper(self) -> f64 {
        2.0 * self.density()
    }

    /// Letter.
    pub fn letter(self) -> &'static str {
        match self {
            Self::A => "A",
            Self::B => "B",
            Self::C => "C",
            Self::D => "D",
        }
    }

    /// The class of a letter.
    pub fn of(letter: &str) -> Option<Self> {
        Self::ALL
            .into_iter()
            .find(|c| c.letter().eq_ignore_ascii_case(letter.trim()))
    }
}

/// Velocity density `(2π n0)² G_d(n0)`, m: flat over spatial frequency for waviness 2.
pub fn velocity_density(density: f64) -> f64 {
    (2.0 * PI * N0).powi(2) * density
}

/// Rms height between two spatial frequencies (1/m) for waviness 2, m.
pub fn height_rms(density: f64, from: f64, to: f64) -> f64 {
    (density * N0 * N0 * (1.0 / from - 1.0 / to)).sqrt()
}

/// Intensity of the road's velocity under a wheel at `speed` m/s, `E[w w'] = W δ`, m²/s; its
/// one-sided density per Hz is `2W`.
pub fn intensity(density: f64, speed: f64) -> f64 {
    2.0 * PI * PI * N0 * N0 * density * speed
}

/// Heat that a road of white velocity puts in, W: `k_t·W/2`, whatever the damper.
pub fn heat(tyre_n_m: f64, intensity: f64) -> f64 {
    0.5 * tyre_n_m * intensity
}

/// Unit normal numbers from a seed: one road, which every class and speed scales.
pub fn normals(count: usize, seed: u64) -> Vec<f64> {
    let mut rng = ChaCha8Rng::seed_from_u64(seed);
    (0..count)
        .map(|_| StandardNormal.sample(&mut rng))
        .collect()
}

/// A measured road: distance and height, m, distance rising.
#[derive(Debug, Clone, PartialEq)]
pub struct Profile {
    distance: Vec<f64>,
    height: Vec<f64>,
}

impl Profile {
    /// From points in order of distance.
    ///
    /// # Errors
    /// What is wrong, and at which point (from 0).
    pub fn new(points: &[(f64, f64)]) -> Result<Self, (usize, String)> {
        if points.len() < 2 {
            return Err((
                0,
                format!("{} points; a road needs two or more", points.len()),
            ));
        }
        for (i, (x, z)) in points.iter().enumerate() {
            if !(x.is_finite() && z.is_finite()) {
                return Err((i, "distance or height is no number".into()));
            }
            if let Some(before) = i.checked_sub(1).map(|b| points[b].0)
                && *x <= before
            {
                return Err((i, format!("distance {x} m does not follow {before} m")));
            }
        }
        let (distance, height) = points.iter().copied().unzip();
        Ok(Self { distance, height })
    }

    /// Length, m.
    pub fn length(&self) -> f64 {
        self.distance.last().copied().unwrap_or(0.0) - self.distance.first().copied().unwrap_or(0.0)
    }

    /// Largest distance between two neighbouring points, m.
    pub fn widest_gap(&self) -> f64 {
        self.distance
            .windows(2)
            .map(|w| w[1] - w[0])
            .fold(0.0, f64::max)
    }

    /// Velocity of the road under a wheel at `speed`, held over steps of `dt`: the height
    /// gained in each, straight between points.
    pub fn velocity(&self, speed: f64, dt: f64) -> Vec<f64> {
        let start = self.distance.first().copied().unwrap_or(0.0);
        let steps = (self.length() / (speed * dt)).floor() as usize;
        let mut k = 0;
        let mut at = |x: f64| {
            while k + 2 < self.distance.len() && self.distance[k + 1] < x {
                k += 1;
            }
            let (a, b) = (self.distance[k], self.distance[k + 1]);
            let w = (x - a) / (b - a);
            self.height[k] + w * (self.height[k + 1] - self.height[k])
        };
        let mut before = at(start);
        (1..=steps)
            .map(|i| {
                let now = at(start + i as f64 * speed * dt);
                let w = (now - before) / dt;
                before = now;
                w
            })
            .collect()
    }
}
