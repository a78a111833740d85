//! What moves with time: slope through all pairs, and whether it is more than chance.

use super::{Band, LEAST_FAMILY, Member};
use crate::statistics::{median, normal_cdf};
use crate::steps::{Direction, PerDirection};

/// Most runs that are looked at pair by pair; of more, this many evenly spread.
const MOST_RUNS: usize = 1000;

/// A drift is said aloud below this chance.
const DRIFT_CHANCE: f64 = 0.01;

/// A figure of a family against the order of its runs in time.
#[derive(Debug, Clone, PartialEq)]
pub struct Drift {
    /// What is looked at, in words.
    pub what: String,
    /// Unit of the change.
    pub unit: &'static str,
    /// Change from the first run to the last, along the slope.
    pub change: f64,
    /// Chance of a trend this clear in runs without one.
    pub chance: f64,
}

impl Drift {
    /// True if it is more than chance.
    pub fn is_clear(&self) -> bool {
        self.chance < DRIFT_CHANCE
    }
}

/// Drifts of a family's members, which are in order of time.
pub(super) fn drifts(members: &[Member], bands: &PerDirection<Vec<Band>>) -> Vec<Drift> {
    let mut out = Vec::new();
    for direction in Direction::BOTH {
        let levels: Vec<Option<f64>> = members
            .iter()
            .map(|m| level(m, direction, bands.get(direction)))
            .collect();
        out.extend(named(
            format!("{} force over all speeds", direction.word()),
            "%",
            &levels,
        ));
    }
    let gas: Vec<Option<f64>> = members.iter().map(|m| m.gas_force_n).collect();
    let friction: Vec<Option<f64>> = members.iter().map(|m| m.friction_n).collect();
    out.extend(named("gas force".into(), "N", &gas));
    out.extend(named("friction".into(), "N", &friction));
    out
}

/// A run's force over its family's median, in percent away from it: the median over speeds.
fn level(member: &Member, direction: Direction, bands: &[Band]) -> Option<f64> {
    let shares: Vec<f64> = bands
        .iter()
        .filter(|b| b.median != 0.0)
        .filter_map(|b| {
            let force = member
                .force
                .get(direction)
                .get(b.speed)
                .copied()
                .flatten()?;
            Some(100.0 * (force / b.median - 1.0))
        })
        .collect();
    median(&shares)
}

fn named(what: String, unit: &'static str, values: &[Option<f64>]) -> Option<Drift> {
    let (change, chance) = drift(values)?;
    Some(Drift {
        what,
        unit,
        change,
        chance,
    })
}

/// Change over the whole row by the median of all pairwise slopes (Theil 1950; Sen 1968,
/// J. Am. Stat. Assoc. 63:1379–1389) and the two-sided chance of Kendall's S in a row
/// without trend (Mann 1945, Econometrica 13:245–259; normal approximation with tie
/// correction and continuity correction). `None` with fewer than [`LEAST_FAMILY`] values.
pub fn drift(values: &[Option<f64>]) -> Option<(f64, f64)> {
    let stride = values.len().div_ceil(MOST_RUNS).max(1);
    let points: Vec<(f64, f64)> = values
        .iter()
        .enumerate()
        .step_by(stride)
        .filter_map(|(i, v)| v.map(|v| (i as f64, v)))
        .collect();
    let n = points.len();
    if n < LEAST_FAMILY {
        return None;
    }
    let mut slopes = Vec::with_capacity(n * (n - 1) / 2);
    let mut s = 0.0;
    for (i, a) in points.iter().enumerate() {
        for b in points.iter().skip(i + 1) {
            slopes.push((b.1 - a.1) / (b.0 - a.0));
            s += (b.1 - a.1)
                .partial_cmp(&0.0)
                .map_or(0.0, |o| o as i8 as f64);
        }
    }
    let slope = median(&slopes)?;
    let mut sorted: Vec<f64> = points.iter().map(|p| p.1).collect();
    sorted.sort_by(f64::total_cmp);
    let weight = |n: f64| n * (n - 1.0) * (2.0 * n + 5.0);
    let ties: f64 = sorted
        .chunk_by(|a, b| a == b)
        .map(|run| weight(run.len() as f64))
        .sum();
    let variance = (weight(n as f64) - ties) / 18.0;
    let chance = if variance > 0.0 {
        let z = (s.abs() - 1.0_f64).max(0.0) / variance.sqrt();
        (2.0 * normal_cdf(-z)).min(1.0)
    } else {
        1.0
    };
    Some((slope * (values.len() - 1) as f64, chance))
}
