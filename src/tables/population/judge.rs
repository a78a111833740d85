//! Who is out of family.

use super::drift::drifts;
use super::{Band, Family, Member, SPEEDS, bands, spread};
use crate::statistics::{median, t_quantile};
use crate::steps::{Direction, PerDirection};

/// Chance that a sound run of a normal family is called out, over everything looked at:
/// that of Shewhart's three spreads for a single value.
const FALSE_ALARM: f64 = 0.0027;

/// How a run stands in its family.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Judgement {
    /// Family.
    pub family: String,
    /// Largest departure in robust spreads; `None` where the family is too small.
    pub distance: Option<f64>,
    /// Outside.
    pub out: Option<bool>,
    /// Where the largest departure is, in words.
    pub reason: Option<String>,
}

/// A departure from the family.
struct Departure {
    spreads: f64,
    words: String,
}

/// One family's bands and drifts, and how each member stands. Members are in order of time.
pub(super) fn family(members: &[Member]) -> (Family, Vec<(String, Judgement)>) {
    let bands = PerDirection {
        compression: bands(members, Direction::Compression),
        rebound: bands(members, Direction::Rebound),
    };
    let gas = centre(members, |m| m.gas_force_n);
    let friction = centre(members, |m| m.friction_n);
    let name = members
        .first()
        .map_or_else(String::new, |m| m.family.clone());
    let judged = members
        .iter()
        .map(|member| {
            let mut found = Vec::new();
            for direction in Direction::BOTH {
                for band in bands.get(direction) {
                    found.extend(of_band(member, direction, band));
                }
            }
            found.extend(of_level("gas force", member.gas_force_n, gas));
            found.extend(of_level("friction", member.friction_n, friction));
            let worst = found
                .iter()
                .max_by(|a, b| a.spreads.abs().total_cmp(&b.spreads.abs()));
            let limit = limit(found.len(), members.len());
            let out = worst.and_then(|w| limit.map(|limit| w.spreads.abs() > limit));
            let judgement = Judgement {
                family: name.clone(),
                distance: worst.map(|w| w.spreads.abs()),
                out,
                reason: worst.filter(|_| out == Some(true)).map(|w| w.words.clone()),
            };
            (member.run_id.clone(), judgement)
        })
        .collect();
    let family = Family {
        drifts: drifts(members, &bands),
        name,
        runs: members.len(),
        bands,
    };
    (family, judged)
}

/// Departure at which a run is out: [`FALSE_ALARM`] shared among everything looked at
/// (Bonferroni), by Student's t with the family's degrees of freedom.
fn limit(looked_at: usize, members: usize) -> Option<f64> {
    if looked_at == 0 || members < 2 {
        return None;
    }
    t_quantile(
        1.0 - FALSE_ALARM / (2.0 * looked_at as f64),
        members as f64 - 1.0,
    )
}

fn of_band(member: &Member, direction: Direction, band: &Band) -> Option<Departure> {
    let force = member
        .force
        .get(direction)
        .get(band.speed)
        .copied()
        .flatten()?;
    let spreads = (force - band.median) / band.spread?;
    // More force is further from zero, whichever the direction.
    let more = direction.sign() * (force - band.median);
    let size = if band.median == 0.0 {
        format!("{:.0} N", more.abs())
    } else {
        format!("{:.1} %", 100.0 * (more / band.median).abs())
    };
    Some(Departure {
        spreads,
        words: format!(
            "{} at {} m/s is {size} {} its family's median",
            direction.word(),
            SPEEDS[band.speed],
            if more > 0.0 { "above" } else { "below" },
        ),
    })
}

fn of_level(what: &str, value: Option<f64>, centre: Option<(f64, f64)>) -> Option<Departure> {
    let (median, spread) = centre?;
    let away = value? - median;
    Some(Departure {
        spreads: away / spread,
        words: format!(
            "{what} is {:.0} N {} its family's median",
            away.abs(),
            if away > 0.0 { "above" } else { "below" },
        ),
    })
}

fn centre(members: &[Member], value: impl Fn(&Member) -> Option<f64>) -> Option<(f64, f64)> {
    let values: Vec<f64> = members.iter().filter_map(value).collect();
    let median = median(&values)?;
    Some((median, spread(&values, median)?))
}
