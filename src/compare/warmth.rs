//! What a difference of temperature is worth, and what is done about it.
//!
//! Oil thins as it warms: `F_hyd(T) = F_hyd(T₀)·(1 + s·(T − T₀))`. Two runs whose temperatures
//! are known are taken to the middle of both, which asks least of `s`; where nobody knows
//! them, a range of degrees times the usual `s` is part of the error.

use serde::{Deserialize, Serialize};

use super::cautions::mean_temperature;
use super::sentence::{Sentence, say};
use super::settings::CompareSettings;
use super::uncertain::Part;
use super::wear::HALF_95;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Kind;

/// Standard deviation of something anywhere in ±1.
const OF_HALF_RANGE: f64 = 0.577_350_269_189_625_8;
/// Room temperature, K.
const ROOM_K: f64 = 293.0;
/// How far a damper's own change per degree lies from the usual one, share of that (one
/// standard deviation; the usual figures run from 0.15 to 0.35 % a kelvin, common practice).
const USUAL_WITHIN: f64 = 0.4;

/// How well the temperatures of two runs are known.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Known {
    /// Both runs recorded it.
    Both,
    /// One did.
    One,
    /// Neither did.
    #[default]
    Neither,
}

/// The temperature's part in a comparison.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Warmth {
    /// Mean temperature of the base's steps, °C.
    pub base_c: Option<f64>,
    /// The other's.
    pub other_c: Option<f64>,
    /// Who recorded it.
    pub known: Known,
    /// Temperature that damping forces of both were taken to, °C; `null` if they are as measured.
    pub taken_to_c: Option<f64>,
    /// Change of damping force that was used, % a kelvin, compression and rebound.
    pub pct_per_k: [f64; 2],
    /// What the degrees between both are worth, or those that may be between them where that
    /// is not known, % of damping force (the larger direction).
    pub worth_pct: f64,
    #[serde(skip)]
    sd_per_k: [f64; 2],
    #[serde(skip)]
    unknown_k: f64,
}

fn slot(direction: Direction) -> usize {
    match direction {
        Direction::Compression => 0,
        Direction::Rebound => 1,
    }
}

impl Warmth {
    /// Of two runs. `referred` is the temperature both already are at, if they were taken there.
    pub(super) fn of(
        base: &Run,
        other: &Run,
        referred: Option<f64>,
        settings: &CompareSettings,
    ) -> Self {
        let (base_c, other_c) = (
            mean_temperature(&base.steps),
            mean_temperature(&other.steps),
        );
        let known = match (base_c, other_c) {
            (Some(_), Some(_)) => Known::Both,
            (None, None) => Known::Neither,
            _ => Known::One,
        };
        let each = Direction::BOTH.map(|d| per_k(base, other, d, settings));
        let mut out = Self {
            base_c,
            other_c,
            known,
            pct_per_k: each.map(|e| 100.0 * e.0),
            sd_per_k: each.map(|e| e.1),
            ..Self::default()
        };
        let largest = each.iter().map(|e| e.0.abs()).fold(0.0, f64::max);
        match base_c.zip(other_c) {
            Some((a, b)) => {
                let apart = (a - b).abs();
                out.worth_pct = 100.0 * largest * apart;
                // Asked for a temperature that could not be had: as measured, and said so.
                let asked = base.reference.is_some() || other.reference.is_some();
                if referred.is_none() && !asked && apart >= settings.refer_beyond_k {
                    out.taken_to_c = Some(f64::midpoint(a, b));
                } else if referred.is_none() && settings.refer_beyond_k.is_finite() {
                    // Too near to be worth a correction: what is left undone counts as error.
                    out.unknown_k = apart;
                }
            }
            None => {
                out.unknown_k = settings.temperature_range_k;
                out.worth_pct = 100.0 * largest * settings.temperature_range_k;
            }
        }
        out
    }

    /// What damping forces of base and other are multiplied by.
    pub(super) fn factors(&self, direction: Direction) -> [f64; 2] {
        let s = 0.01 * self.pct_per_k[slot(direction)];
        match (self.taken_to_c, self.base_c, self.other_c) {
            (Some(to), Some(a), Some(b)) => [a, b].map(|c| 1.0 / (1.0 + s * (c - to))),
            _ => [1.0, 1.0],
        }
    }

    /// The same of forces that nothing is done about, known degrees apart or not.
    pub(super) fn error_as_measured(&self, direction: Direction, force_n: f64) -> Part {
        let known = self.taken_to_c.and(self.base_c.zip(self.other_c));
        let apart = known.map_or(0.0, |(a, b)| (a - b).abs());
        let left = OF_HALF_RANGE * 0.01 * self.pct_per_k[slot(direction)];
        Part::stated(force_n * left * apart.max(self.unknown_k))
    }

    /// What degrees that nobody recorded are worth in gas force, share of it (one standard
    /// deviation): an ideal gas at constant room gains 1/T a kelvin.
    pub(super) fn of_gas(&self) -> f64 {
        OF_HALF_RANGE * self.unknown_k / ROOM_K
    }

    /// What a person should know of the temperatures; `largest_n` is the largest damping force.
    pub(super) fn caution(&self, largest_n: Option<f64>, range_k: f64) -> Option<Sentence> {
        let who = match self.known {
            Known::Both => return None,
            Known::One => "only one of the two recorded temperature",
            Known::Neither => "nobody recorded temperature",
        };
        if range_k == 0.0 {
            return Some(say(format!(
                "{who}; both are stated to have been equally warm (temperature_range_k = 0)"
            )));
        }
        let text = say(format!(
            "{who}: {range_k} K between the two would be worth "
        ))
        .number(0.01 * self.worth_pct, Kind::Share)
        .text(" of damping force");
        let text = match largest_n {
            Some(n) => text
                .text(", ")
                .number(0.01 * self.worth_pct * n, Kind::Force)
                .text(" at the fastest speed"),
            None => text,
        };
        Some(text.text(
            "; intervals allow for so much either way. Log it, or run both equally warm and say so with \
             temperature_range_k = 0 in a limits file",
        ))
    }

    /// Error of a difference of forces of this size.
    pub(super) fn error(&self, direction: Direction, force_n: f64) -> Part {
        let k = slot(direction);
        let corrected = match (self.taken_to_c, self.base_c, self.other_c) {
            (Some(_), Some(a), Some(b)) => self.sd_per_k[k] * (a - b),
            _ => 0.0,
        };
        let left = OF_HALF_RANGE * 0.01 * self.pct_per_k[k] * self.unknown_k;
        Part::stated(force_n * corrected.hypot(left))
    }
}

/// Change of damping force a kelvin, share, and its standard deviation: what the runs
/// themselves show and the usual figure, each with the weight of its error.
fn per_k(base: &Run, other: &Run, direction: Direction, settings: &CompareSettings) -> (f64, f64) {
    let usual = -0.01 * settings.usual_pct_per_k;
    let mut all = vec![(usual, USUAL_WITHIN * usual.abs())];
    for run in [base, other] {
        let found = run
            .heat
            .as_ref()
            .and_then(|h| h.temperature.as_ref())
            .and_then(|t| t.sensitivity.as_ref())
            .and_then(|s| match direction {
                Direction::Compression => s.compression_percent_per_c,
                Direction::Rebound => s.rebound_percent_per_c,
            });
        if let Some(m) = found
            && let Some([low, high]) = m.ci95
        {
            all.push((0.01 * m.value, 0.01 * 0.5 * (high - low) / HALF_95));
        }
    }
    let weight = |sd: f64| 1.0 / (sd * sd).max(f64::MIN_POSITIVE);
    let sum: f64 = all.iter().map(|a| weight(a.1)).sum();
    let mean = all.iter().map(|a| a.0 * weight(a.1)).sum::<f64>() / sum;
    (mean, sum.sqrt().recip())
}

#[cfg(test)]
mod tests {
    use super::*;

    fn warmth(a: f64, b: f64) -> Warmth {
        Warmth {
            base_c: Some(a),
            other_c: Some(b),
            taken_to_c: Some(f64::midpoint(a, b)),
            pct_per_k: [-0.25, -0.25],
            sd_per_k: [0.001, 0.001],
            ..Warmth::default()
        }
    }

    /// A damper that loses 0.25 % a kelvin of its force at 30 °C, read at 20 and at 40 °C,
    /// comes out the same at 30 °C; the order of the two changes nothing.
    #[test]
    fn cold_and_warm_meet_in_the_middle() {
        let force = |c: f64| 1000.0 * (1.0 - 0.0025 * (c - 30.0));
        let [a, b] = warmth(20.0, 40.0).factors(Direction::Compression);
        assert!((a * force(20.0) - 1000.0).abs() < 1e-9);
        assert!((b * force(40.0) - 1000.0).abs() < 1e-9);
        let [c, d] = warmth(40.0, 20.0).factors(Direction::Compression);
        assert_eq!([a, b], [d, c]);
    }

    /// Twenty degrees at ±0.1 % a kelvin make ±2 % (one standard deviation) of 1000 N.
    #[test]
    fn an_unsure_change_per_degree_widens() {
        let part = warmth(20.0, 40.0).error(Direction::Rebound, 1000.0);
        assert!((part.variance.sqrt() - 20.0).abs() < 1e-9);
    }
}
