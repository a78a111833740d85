//! The corner card (`--corner CARD.toml`): what is written, checked, in SI.

use serde::{Deserialize, Serialize};
use toml::{Table, Value};

use super::road::Class;
use super::travel::Ratio;
use crate::notice::{Error, Fault, Notice, Place};
use crate::units::{INCH, POUND, POUND_FORCE, STANDARD_GRAVITY};

/// A commented card to fill in; it reads as it stands.
pub const TEMPLATE: &str = include_str!("card.toml");

/// A corner as its card states it, SI.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CornerCard {
    /// Damper travel per wheel travel.
    pub motion_ratio: Ratio,
    /// Spring travel per wheel travel; `None`: that of the damper.
    pub spring_ratio: Option<f64>,
    /// Rate of the spring itself, N/m.
    pub spring_n_m: Option<f64>,
    /// Rate at the wheel, N/m, where that is what is known.
    pub wheel_n_m: Option<f64>,
    /// Sprung mass of the corner, kg.
    pub sprung_kg: Option<f64>,
    /// Unsprung mass of the corner, kg.
    pub unsprung_kg: Option<f64>,
    /// Tyre rate, N/m.
    pub tyre_n_m: Option<f64>,
    /// Wheel travel up to the bump stop, m.
    pub bump_m: Option<f64>,
    /// Wheel travel down to the droop stop, m.
    pub droop_m: Option<f64>,
    /// Rate of the stops, N/m; `None`: contacts are counted and not felt.
    pub bump_rate_n_m: Option<f64>,
    /// Roll inertia of the body over the axle, kg·m².
    pub roll_inertia_kg_m2: Option<f64>,
    /// Track, m.
    pub track_m: Option<f64>,
    /// Roads.
    pub roads: Vec<Class>,
    /// Speeds, m/s.
    pub speeds_m_s: Vec<f64>,
    /// Length of each drive, s.
    pub seconds: f64,
    /// Which road of the many alike.
    pub seed: u64,
    /// Peaks are withheld beyond this share of time faster than measured.
    pub withhold_share: f64,
    /// Peak speed of the sine road, m/s.
    pub sine_road_m_s: f64,
    /// Upper ends of damper speed bands, m/s; `None`: the measured knees.
    pub bands_m_s: Option<Vec<f64>>,
}

/// Name without unit, units with their factors, least and most in SI.
type Quantity = (&'static str, &'static [(&'static str, f64)], [f64; 2]);

const FORCE_PER_MM: &[(&str, f64)] = &[
    ("_n_mm", 1e3),
    ("_lb_in", POUND_FORCE / INCH),
    ("_kgf_mm", STANDARD_GRAVITY * 1e3),
];
const MASS: &[(&str, f64)] = &[("_kg", 1.0), ("_lb", POUND)];
const LENGTH: &[(&str, f64)] = &[("_mm", 1e-3), ("_in", INCH)];

/// All quantities of the card that come with a unit: name without it, units, least and most in
/// SI. Wide enough for a bicycle and a truck, narrow enough for a slip of a unit.
const SIZED: &[Quantity] = &[
    ("spring_rate", FORCE_PER_MM, [100.0, 5e6]),
    ("wheel_rate", FORCE_PER_MM, [100.0, 5e6]),
    ("tyre_rate", FORCE_PER_MM, [1e3, 2e7]),
    ("bump_rate", FORCE_PER_MM, [0.0, 1e7]),
    ("sprung", MASS, [2.0, 20_000.0]),
    ("unsprung", MASS, [0.2, 3000.0]),
    ("bump", LENGTH, [0.0, 1.0]),
    ("droop", LENGTH, [0.0, 1.0]),
    ("track", LENGTH, [0.2, 4.0]),
    ("wheel_up", LENGTH, [1e-4, 0.5]),
    ("damper_in", LENGTH, [1e-5, 0.5]),
    ("spring_in", LENGTH, [1e-5, 0.5]),
];
const BARE: &[(&str, [f64; 2])] = &[
    ("motion_ratio", [0.02, 5.0]),
    ("spring_ratio", [0.02, 5.0]),
    ("roll_inertia_kg_m2", [0.1, 1e5]),
    ("seconds", [10.0, 20_000.0]),
    ("withhold_share", [0.0, 1.0]),
    ("sine_road_speed_m_s", [1e-3, 5.0]),
];
const OTHER: &[&str] = &[
    "motion_ratio_table",
    "damper_moves_more",
    "roads",
    "speeds_m_s",
    "seed",
    "bands_m_s",
];

/// Seconds of road if the card does not say.
const USUAL_SECONDS: f64 = 300.0;
/// Speeds if the card does not say, m/s.
const USUAL_SPEEDS: [f64; 3] = [10.0, 20.0, 30.0];
/// Rows of a table, roads and speeds a card may ask for.
const MOST: usize = 64;

/// The text of a card, to name lines of.
struct Reader<'a> {
    text: &'a str,
    table: Table,
    wrong: Vec<Notice>,
}

impl Reader<'_> {
    fn line(&self, key: &str) -> Option<usize> {
        self.text.lines().position(|l| {
            l.trim_start()
                .strip_prefix(key)
                .is_some_and(|rest| rest.trim_start().starts_with('='))
        })
    }

    fn complain(&mut self, key: &str, message: String, help: &str) {
        let mut notice = Notice::error("bad-corner-card", message).help(help);
        if let Some(line) = self.line(key) {
            notice = notice.at(Place {
                line: Some(line as u64 + 1),
                text: self.text.lines().nth(line).map(str::to_owned),
                ..Place::default()
            });
        }
        self.wrong.push(notice);
    }

    fn number(&mut self, key: &str, shown: [f64; 2]) -> Option<f64> {
        let value = self.table.get(key)?;
        let number = match value {
            Value::Integer(i) => Some(*i as f64),
            Value::Float(f) => Some(*f),
            _ => None,
        };
        let Some(number) = number.filter(|n| n.is_finite()) else {
            let found = value.to_string();
            self.complain(
                key,
                format!("{key} is {found}; expected a number"),
                "write a plain number; the unit is in the name",
            );
            return None;
        };
        if !(shown[0]..=shown[1]).contains(&number) {
            let [least, most] = shown.map(short);
            self.complain(
                key,
                format!("{key} is {number}; expected {least} to {most}"),
                "check the unit in the name, and the decimal mark",
            );
            return None;
        }
        Some(number)
    }

    /// A quantity in whichever of its units it is written.
    fn sized(&mut self, name: &str) -> Option<f64> {
        let (_, units, [least, most]) = SIZED.iter().find(|s| s.0 == name)?;
        let written: Vec<(String, f64)> = units
            .iter()
            .map(|(suffix, factor)| (format!("{name}{suffix}"), *factor))
            .filter(|(key, _)| self.table.contains_key(key))
            .collect();
        if let [first, second, ..] = written.as_slice() {
            let (a, b) = (first.0.clone(), second.0.clone());
            self.complain(
                &b,
                format!("{a} and {b} say the same thing twice"),
                "keep one of them",
            );
            return None;
        }
        let (key, factor) = written.first()?;
        let got = self.number(key, [least / factor, most / factor])?;
        Some(got * factor)
    }

    fn bare(&mut self, name: &str) -> Option<f64> {
        let (_, span) = BARE.iter().find(|b| b.0 == name)?;
        self.number(name, *span)
    }

    fn numbers(&mut self, key: &str, span: [f64; 2]) -> Option<Vec<f64>> {
        let value = self.table.get(key)?.clone();
        let all: Option<Vec<f64>> = value
            .as_array()
            .filter(|a| a.len() <= MOST)
            .map(|a| a.iter().map(plain).collect::<Option<_>>())
            .unwrap_or_default();
        match all {
            Some(list) if list.iter().all(|v| (span[0]..=span[1]).contains(v)) => Some(list),
            _ => {
                self.complain(
                    key,
                    format!(
                        "{key} is {value}; expected a list of numbers from {} to {}",
                        short(span[0]),
                        short(span[1])
                    ),
                    "for example [10, 20, 30]",
                );
                None
            }
        }
    }

    fn unknown_keys(&mut self) {
        let known: Vec<String> = SIZED
            .iter()
            .flat_map(|(name, units, _)| units.iter().map(move |(u, _)| format!("{name}{u}")))
            .chain(BARE.iter().map(|b| b.0.to_owned()))
            .chain(OTHER.iter().map(|o| (*o).to_owned()))
            .collect();
        let strange: Vec<String> = self
            .table
            .keys()
            .filter(|k| !known.contains(k))
            .cloned()
            .collect();
        for key in strange {
            let near = known
                .iter()
                .max_by(|a, b| {
                    strsim::jaro_winkler(a, &key).total_cmp(&strsim::jaro_winkler(b, &key))
                })
                .map_or("", String::as_str);
            self.complain(
                &key,
                format!("a corner card has no \"{key}\""),
                &format!("nearest: {near}; `loopwork card corner` prints a card with all of them"),
            );
        }
    }
}

fn plain(value: &Value) -> Option<f64> {
    match value {
        Value::Integer(i) => Some(*i as f64),
        Value::Float(f) => Some(*f).filter(|f| f.is_finite()),
        _ => None,
    }
}

/// A bound with no more digits than it needs.
fn short(bound: f64) -> String {
    let size = bound.abs();
    let rounded = if size > 0.0 {
        let scale = 10f64.powf(2.0 - size.log10().floor());
        (bound * scale).round() / scale
    } else {
        0.0
    };
    format!("{rounded}")
}

impl CornerCard {
    /// Reads a card.
    ///
    /// # Errors
    /// [`Fault::Input`]: every problem with its line, what was expected and what to do.
    pub fn parse(text: &str) -> Result<Self, Error> {
        let table = text.parse::<Table>().map_err(|e| {
            let line = e.span().map_or(0, |s| {
                text.get(..s.start).unwrap_or("").matches('\n').count()
            });
            Error::input(
                "bad-corner-card",
                format!("the corner card cannot be read: {}", e.message()),
            )
            .help("`loopwork card corner` prints a card to fill in")
            .at(Place {
                line: Some(line as u64 + 1),
                text: text.lines().nth(line).map(str::to_owned),
                ..Place::default()
            })
        })?;
        let mut reader = Reader {
            text,
            table,
            wrong: Vec::new(),
        };
        reader.unknown_keys();
        let card = read(&mut reader);
        match card {
            Some(card) if reader.wrong.is_empty() => Ok(card),
            _ => Err(Error::many(Fault::Input, reader.wrong)),
        }
    }

    /// Rate of the spring at the wheel at ride height, N/m; `None` where no spring is stated,
    /// or where a ratio that changes with travel leaves it open without the sprung mass.
    pub fn wheel_rate(&self) -> Option<f64> {
        if let Some(rate) = self.wheel_n_m {
            return Some(rate);
        }
        let spring = self.spring_n_m?;
        let ratio = self.spring_travel();
        let r = ratio.at(0.0);
        let change = ratio.change(0.0);
        let load = if change == 0.0 {
            0.0
        } else {
            self.sprung_kg? * STANDARD_GRAVITY
        };
        Some(super::car::wheel_rate(spring, r, change, load))
    }

    /// Spring travel over wheel travel.
    pub fn spring_travel(&self) -> Ratio {
        match self.spring_ratio {
            Some(r) => Ratio::fixed(r),
            None => self.motion_ratio.clone(),
        }
    }
}

fn read(reader: &mut Reader<'_>) -> Option<CornerCard> {
    let wheel_up = reader.sized("wheel_up");
    let ratio = motion_ratio(reader, wheel_up);
    let has_ratio = ratio.is_some();
    let spring_in = reader.sized("spring_in");
    let spring_ratio = match (reader.bare("spring_ratio"), spring_in, wheel_up) {
        (None, Some(inwards), Some(up)) => Some(inwards / up),
        (stated, ..) => stated,
    };
    let (spring_n_m, wheel_n_m) = (reader.sized("spring_rate"), reader.sized("wheel_rate"));
    if spring_n_m.is_some() && wheel_n_m.is_some() {
        reader.complain(
            "wheel_rate_n_mm",
            "spring_rate and wheel_rate are both given".into(),
            "keep the one that was measured; the other follows from the ratio",
        );
    }
    let (sprung_kg, unsprung_kg) = (reader.sized("sprung"), reader.sized("unsprung"));
    if let (Some(s), Some(u)) = (sprung_kg, unsprung_kg)
        && u >= s
    {
        reader.complain(
            "unsprung_kg",
            format!("the unsprung mass ({u:.4} kg) is not below the sprung mass ({s:.4} kg)"),
            "are the two swapped? sprung is the body's share, unsprung wheel, brake and hub",
        );
    }
    let card = CornerCard {
        motion_ratio: ratio.unwrap_or_else(|| Ratio::fixed(1.0)),
        spring_ratio,
        spring_n_m,
        wheel_n_m,
        sprung_kg,
        unsprung_kg,
        tyre_n_m: reader.sized("tyre_rate"),
        bump_m: reader.sized("bump"),
        droop_m: reader.sized("droop"),
        bump_rate_n_m: reader.sized("bump_rate"),
        roll_inertia_kg_m2: reader.bare("roll_inertia_kg_m2"),
        track_m: reader.sized("track"),
        roads: roads(reader),
        speeds_m_s: reader
            .numbers("speeds_m_s", [0.5, 120.0])
            .unwrap_or_else(|| USUAL_SPEEDS.to_vec()),
        seconds: reader.bare("seconds").unwrap_or(USUAL_SECONDS),
        seed: seed(reader),
        withhold_share: reader.bare("withhold_share").unwrap_or(0.01),
        sine_road_m_s: reader.bare("sine_road_speed_m_s").unwrap_or(0.1),
        bands_m_s: reader.numbers("bands_m_s", [1e-4, 20.0]).map(|mut b| {
            b.sort_by(f64::total_cmp);
            b.dedup();
            b
        }),
    };
    has_ratio.then_some(card)
}

fn seed(reader: &mut Reader<'_>) -> u64 {
    match reader.table.get("seed") {
        None => 1,
        Some(value) => match value.as_integer().and_then(|s| u64::try_from(s).ok()) {
            Some(seed) => seed,
            None => {
                reader.complain("seed", format!("seed is {value}"), "a whole number from 0");
                1
            }
        },
    }
}

fn roads(reader: &mut Reader<'_>) -> Vec<Class> {
    let Some(value) = reader.table.get("roads").cloned() else {
        return Class::ALL.to_vec();
    };
    let all: Option<Vec<Class>> = value.as_array().and_then(|a| {
        a.iter()
            .map(|v| v.as_str().and_then(Class::of))
            .collect::<Option<_>>()
    });
    all.unwrap_or_else(|| {
        reader.complain(
            "roads",
            format!("roads is {value}; expected a list of the letters A to D"),
            "classes of ISO 8608: A very good, B good, C average, D poor",
        );
        Class::ALL.to_vec()
    })
}

const ASK: &str = "wheel up 10 mm: how many mm does the damper go in? Write wheel_up_mm = 10 and damper_in_mm = …";

fn motion_ratio(reader: &mut Reader<'_>, wheel_up: Option<f64>) -> Option<Ratio> {
    let damper_in = reader.sized("damper_in");
    let more = reader
        .table
        .get("damper_moves_more")
        .and_then(Value::as_bool)
        .unwrap_or(false);
    let written = [
        "motion_ratio",
        "motion_ratio_table",
        "damper_in_mm",
        "damper_in_in",
    ]
    .into_iter()
    .filter(|k| reader.table.contains_key(*k))
    .collect::<Vec<_>>();
    if let [_, second, ..] = written.as_slice() {
        reader.complain(
            second,
            format!("{} are both given", written.join(" and ")),
            "keep one: the ratio, its table, or the two travels",
        );
        return None;
    }
    let Some(key) = written.first().copied() else {
        reader.complain("", "the card does not say the motion ratio".into(), ASK);
        return None;
    };
    let ratio = match key {
        "motion_ratio" => Ratio::fixed(reader.bare("motion_ratio").or_else(|| {
            // The bound was said; what to do is worth more than the bound.
            if let Some(last) = reader.wrong.last_mut() {
                last.help = Some(ASK.into());
            }
            None
        })?),
        "motion_ratio_table" => table(reader)?,
        _ => match (damper_in, wheel_up) {
            (Some(inwards), Some(up)) => Ratio::fixed(inwards / up),
            _ => {
                if wheel_up.is_none() {
                    reader.complain(key, format!("{key} stands without wheel_up_mm"), ASK);
                }
                return None;
            }
        },
    };
    let [_, highest] = ratio.span();
    if highest > 1.0 && !more {
        let here = ratio.at(0.0);
        reader.complain(
            key,
            format!(
                "the damper would move more than the wheel (ratio {highest:.3}); is this the inverse, wheel over damper?"
            ),
            &format!(
                "wheel up 10 mm: does the damper go in {:.1} mm, or {:.1} mm? Write damper_in_mm so; if it really moves more, add damper_moves_more = true",
                10.0 * here,
                10.0 / here
            ),
        );
        return None;
    }
    Some(ratio)
}

fn table(reader: &mut Reader<'_>) -> Option<Ratio> {
    let value = reader.table.get("motion_ratio_table")?.clone();
    let rows: Option<Vec<(f64, f64)>> = value.as_array().and_then(|rows| {
        rows.iter()
            .map(|row| match row.as_array().map(Vec::as_slice) {
                Some([z, r]) => Some((1e-3 * plain(z)?, plain(r)?)),
                _ => None,
            })
            .collect()
    });
    let good = rows.filter(|rows| {
        (1..=MOST).contains(&rows.len())
            && rows.windows(2).all(|w| w[1].0 > w[0].0)
            && rows.iter().all(|r| (0.02..=5.0).contains(&r.1))
    });
    if good.is_none() {
        reader.complain(
            "motion_ratio_table",
            "motion_ratio_table is not a table of [wheel mm, ratio] with rising travel and ratios from 0.02 to 5"
                .into(),
            "for example [[-60, 0.72], [0, 0.75], [60, 0.80]]",
        );
    }
    good.map(|rows| Ratio::of(&rows))
}
