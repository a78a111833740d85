//! What is usual in a family of runs, who is outside it, and what drifts.
//!
//! Force is read off every run's curve at round speeds. At each speed the family's median
//! and robust spread (1.4826 × median absolute deviation: Hampel 1974, J. Am. Stat. Assoc.
//! 69:383–393) give control limits at three spreads (Shewhart's rule), which one bad damper
//! cannot widen. `docs/batch.md` has the reasoning and a worked example.

mod drift;
mod judge;

pub use drift::{Drift, drift};
pub use judge::Judgement;

use std::collections::BTreeMap;

use super::frame::row;
use super::rows::RunTables;
use crate::statistics::{Summary, mad, median, percentile};
use crate::steps::{Direction, PerDirection};

/// Round speeds at which runs are compared, m/s.
pub const SPEEDS: [f64; 19] = [
    0.01, 0.025, 0.05, 0.075, 0.1, 0.15, 0.2, 0.25, 0.3, 0.4, 0.5, 0.6, 0.8, 1.0, 1.25, 1.5, 2.0,
    2.5, 3.0,
];

/// A speed is used where at least this share of a family was measured there.
const LEAST_COVER: f64 = 0.5;

/// Fewer runs than this give no limits: a robust spread of seven values is off by a factor
/// of two in one family of twenty (own simulation, by feel).
pub const LEAST_FAMILY: usize = 8;

/// From MAD to standard deviation for normal scatter (1 / 0.6745).
const MAD_TO_SD: f64 = 1.4826;

/// Control limits stand this many spreads from the median (Shewhart's rule).
const LIMIT_SPREADS: f64 = 3.0;

/// A spread below this share of the median is taken as this share: no dyno repeats better
/// over days (common practice), and without it ten equal runs would damn the eleventh.
const LEAST_SPREAD_SHARE: f64 = 0.01;

/// … and below this, N.
const LEAST_SPREAD_N: f64 = 2.0;

row! {
    /// A family at one speed.
    BandRow = "population" {
        #[doc = "Value of the family label; `all` without one"]
        family: String,
        #[doc = "compression or rebound"]
        direction: String,
        #[doc = "Speed, m/s"]
        velocity_m_s: f64,
        #[doc = "Runs measured at that speed"]
        runs: u64,
        #[doc = "Mean force, N"]
        mean_n: f64,
        #[doc = "Standard deviation from run to run, N"]
        sd_n: Option<f64>,
        #[doc = "Median force, N"]
        median_n: f64,
        #[doc = "Robust spread, N"]
        spread_n: Option<f64>,
        #[doc = "Lower control limit (towards minus infinity), N"]
        lower_n: Option<f64>,
        #[doc = "Upper control limit, N"]
        upper_n: Option<f64>,
        #[doc = "5th percentile, N: one run in twenty lies below"]
        p05_n: f64,
        #[doc = "95th percentile, N: one run in twenty lies above"]
        p95_n: f64,
    }
}

/// What is kept of a run for its family.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Member {
    /// Joins the tables.
    pub run_id: String,
    /// For ordering in time.
    pub recorded: String,
    /// For ordering where times are equal.
    pub path: String,
    /// Family.
    pub family: String,
    /// Force at each of [`SPEEDS`], N.
    pub force: PerDirection<Vec<Option<f64>>>,
    /// Gas force, N.
    pub gas_force_n: Option<f64>,
    /// Friction, N.
    pub friction_n: Option<f64>,
}

impl Member {
    /// What a run brings to its family. `None` for a failed one or a copy of another.
    pub fn of(tables: &RunTables, family: &str) -> Option<Self> {
        let run = &tables.run;
        if run.status != "ok" || run.duplicate_of.is_some() {
            return None;
        }
        let read = |direction: Direction| {
            let curve = points(tables, direction);
            SPEEDS.iter().map(|&v| force_at(&curve, v)).collect()
        };
        Some(Self {
            run_id: run.run_id.clone(),
            recorded: run.recorded.clone(),
            path: run.path.clone(),
            family: family.to_owned(),
            force: PerDirection {
                compression: read(Direction::Compression),
                rebound: read(Direction::Rebound),
            },
            gas_force_n: run.gas_force_n,
            friction_n: run.friction_n,
        })
    }
}

/// Points of a run's curve, speed rising: the peak-velocity points, or the full-cycle curve
/// where there are fewer than three.
pub fn points(tables: &RunTables, direction: Direction) -> Vec<(f64, f64)> {
    let of_view = |view: &str| -> Vec<(f64, f64)> {
        tables
            .curves
            .iter()
            .filter(|c| c.view == view && c.direction == direction.word())
            .map(|c| (c.velocity_m_s, c.total_force_n))
            .collect()
    };
    let peaks = of_view("peak");
    if peaks.len() >= 3 {
        return peaks;
    }
    let full = of_view("full-cycle");
    if full.len() > peaks.len() {
        full
    } else {
        peaks
    }
}

/// Force at a speed by the straight line between neighbours; `None` outside the curve.
fn force_at(curve: &[(f64, f64)], speed: f64) -> Option<f64> {
    let after = curve.partition_point(|p| p.0 < speed);
    let &(v1, f1) = curve.get(after)?;
    if v1 == speed {
        return Some(f1);
    }
    let &(v0, f0) = curve.get(after.checked_sub(1)?)?;
    Some(f0 + (f1 - f0) * (speed - v0) / (v1 - v0))
}

/// One speed of a family.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Band {
    /// Index into [`SPEEDS`].
    pub speed: usize,
    /// Runs measured there.
    pub runs: usize,
    /// Mean and spread of the force, N.
    pub summary: Summary,
    /// Median, N.
    pub median: f64,
    /// Robust spread with its floor, N; `None` with fewer than [`LEAST_FAMILY`] runs.
    pub spread: Option<f64>,
    /// 5th and 95th percentile, N.
    pub percentiles: [f64; 2],
}

impl Band {
    /// Control limits, N.
    pub fn limits(&self) -> Option<[f64; 2]> {
        let reach = LIMIT_SPREADS * self.spread?;
        Some([self.median - reach, self.median + reach])
    }
}

/// A family.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Family {
    /// Name.
    pub name: String,
    /// Runs in it.
    pub runs: usize,
    /// By speed.
    pub bands: PerDirection<Vec<Band>>,
    /// What moves with time.
    pub drifts: Vec<Drift>,
}

/// All families, and what each run is in its own.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Population {
    /// In order of name.
    pub families: Vec<Family>,
    /// By `run_id`.
    pub judgements: BTreeMap<String, Judgement>,
}

impl Population {
    /// The families of these runs, in order of time within each.
    pub fn of(mut members: Vec<Member>) -> Self {
        members.sort_by(|a, b| {
            (&a.family, &a.recorded, &a.path).cmp(&(&b.family, &b.recorded, &b.path))
        });
        let mut out = Self::default();
        for family in members.chunk_by(|a, b| a.family == b.family) {
            let (made, judged) = judge::family(family);
            out.families.push(made);
            out.judgements.extend(judged);
        }
        out
    }

    /// The `population` table.
    pub fn rows(&self) -> Vec<BandRow> {
        let mut rows = Vec::new();
        for family in &self.families {
            for direction in Direction::BOTH {
                rows.extend(family.bands.get(direction).iter().map(|band| BandRow {
                    family: family.name.clone(),
                    direction: direction.word().into(),
                    velocity_m_s: SPEEDS[band.speed],
                    runs: band.runs as u64,
                    mean_n: band.summary.mean,
                    sd_n: band.summary.sd,
                    median_n: band.median,
                    spread_n: band.spread,
                    lower_n: band.limits().map(|l| l[0]),
                    upper_n: band.limits().map(|l| l[1]),
                    p05_n: band.percentiles[0],
                    p95_n: band.percentiles[1],
                }));
            }
        }
        rows
    }
}

fn bands(members: &[Member], direction: Direction) -> Vec<Band> {
    (0..SPEEDS.len())
        .filter_map(|speed| {
            let forces: Vec<f64> = members
                .iter()
                .filter_map(|m| m.force.get(direction).get(speed).copied().flatten())
                .collect();
            if (forces.len() as f64) < (LEAST_COVER * members.len() as f64).max(2.0) {
                return None;
            }
            let median = median(&forces)?;
            Some(Band {
                speed,
                runs: forces.len(),
                summary: Summary::of(&forces)?,
                median,
                spread: spread(&forces, median),
                percentiles: [percentile(&forces, 0.05)?, percentile(&forces, 0.95)?],
            })
        })
        .collect()
}

/// Robust spread with its floor; `None` for too few values.
fn spread(values: &[f64], median: f64) -> Option<f64> {
    if values.len() < LEAST_FAMILY {
        return None;
    }
    let spread = MAD_TO_SD * mad(values)?;
    Some(
        spread
            .max(LEAST_SPREAD_SHARE * median.abs())
            .max(LEAST_SPREAD_N),
    )
}

#[cfg(test)]
mod tests;
