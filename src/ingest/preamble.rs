//! Labelled values before the header: what they mean to the reading.

use std::collections::BTreeMap;

use super::dialect::{Delimiter, Dialect};
use super::names::{fold, words};
use super::number;
use crate::recording::{Polarity, Role};
use crate::units::{Quantity, Unit};

/// Longest label and value kept.
const LONGEST: usize = 120;

/// Most labelled values kept.
const MOST: usize = 100;

/// What was found before the header.
#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Preamble {
    /// Everything labelled, by the plain name where it is known, as written otherwise.
    pub(super) values: BTreeMap<String, String>,
    /// Samples per second.
    pub(super) rate_hz: Option<f64>,
    /// Stroke of the machine, m.
    pub(super) stroke_m: Option<f64>,
    /// Crank radius over rod length.
    pub(super) rod_ratio: Option<f64>,
    /// Units stated for roles.
    pub(super) units: Vec<(Role, Unit)>,
    /// Sign of travel in compression.
    pub(super) compression: Option<Polarity>,
}

/// Plain name of a label, by the words in it (folded). First fit wins.
const LABELS: &[(&str, &[&str])] = &[
    (
        "sample_rate",
        &[
            "sample rate",
            "sampling rate",
            "samplerate",
            "sampling frequency",
            "sample frequency",
            "abtastrate",
            "abtastfrequenz",
            "messrate",
            "frequence d echantillonnage",
            "echantillonnage",
            "frecuencia de muestreo",
            "frequenza di campionamento",
            "campionamento",
            "taxa de amostragem",
            "amostragem",
            "muestreo",
            "bemonsteringsfrequentie",
            "samplingsfrekvens",
            "czestotliwosc probkowania",
            "probkowania",
            "vzorkovaci frekvence",
            "vzorkovani",
            "サンプリング周波数",
            "サンプリングレート",
            "采样率",
            "采样频率",
            "scan rate",
            "data rate",
            "rate",
        ],
    ),
    (
        "sample_interval",
        &[
            "sample interval",
            "sampling interval",
            "sample time",
            "sampling period",
            "abtastintervall",
            "abtastzeit",
            "time step",
            "dt",
            "采样间隔",
            "サンプリング周期",
        ],
    ),
    (
        "rod_ratio",
        &[
            "rod ratio",
            "crank ratio",
            "lambda",
            "schubstangenverhaltnis",
        ],
    ),
    (
        "stroke",
        &[
            "stroke",
            "hub",
            "course",
            "carrera",
            "corsa",
            "curso",
            "slag",
            "slaglangd",
            "skok",
            "zdvih",
            "ストローク",
            "行程",
        ],
    ),
    (
        "speed",
        &[
            "speed",
            "velocity",
            "geschwindigkeit",
            "vitesse",
            "velocidad",
            "velocita",
            "velocidade",
            "snelheid",
            "hastighet",
            "predkosc",
            "rychlost",
            "速度",
        ],
    ),
    (
        "damper",
        &[
            "damper",
            "shock",
            "shock absorber",
            "dampfer",
            "stossdampfer",
            "amortisseur",
            "amortiguador",
            "ammortizzatore",
            "amortecedor",
            "demper",
            "schokdemper",
            "dampare",
            "stotdampare",
            "amortyzator",
            "tlumic",
            "ダンパー",
            "ショック",
            "减振器",
            "减震器",
            "part",
            "part no",
            "part number",
            "serial",
            "serial number",
            "sample id",
            "specimen",
            "prufling",
        ],
    ),
    (
        "date",
        &[
            "date",
            "datum",
            "fecha",
            "data",
            "日付",
            "日期",
            "test date",
        ],
    ),
    (
        "temperature",
        &[
            "temperature",
            "temp",
            "temperatur",
            "temperatura",
            "temperatuur",
            "teplota",
            "温度",
        ],
    ),
    (
        "operator",
        &["operator", "user", "tester", "bediener", "prufer"],
    ),
    (
        "positive",
        &[
            "positive",
            "positiv",
            "sign",
            "sign convention",
            "vorzeichen",
        ],
    ),
];

impl Preamble {
    /// Takes one line before the header.
    pub(super) fn take(&mut self, line: &str, cells: &[String], dialect: Dialect) {
        let whole = [line.to_owned()];
        let cells = if dialect.delimiter == Delimiter::Blanks {
            &whole[..]
        } else {
            cells
        };
        for (label, value) in labelled(line, cells) {
            self.note(&label, &value, dialect);
        }
    }

    fn note(&mut self, label: &str, value: &str, dialect: Dialect) {
        let folded = fold(label);
        // A unit in brackets after the label: `Stroke (mm): 50`.
        let bracket = label
            .split_once(['(', '['])
            .map(|(_, rest)| rest.trim_end_matches([')', ']', ' ']));
        let bare = folded.split(['(', '[']).next().unwrap_or("");
        let joined = words(bare).join(" ");
        if let Some(unit) = stated_unit(&joined, value) {
            self.units.push(unit);
        }
        let name = LABELS
            .iter()
            .find(|(_, entries)| entries.iter().any(|e| *e == joined))
            .or_else(|| {
                LABELS.iter().find(|(_, entries)| {
                    entries
                        .iter()
                        .any(|e| e.chars().count() > 4 && joined.contains(e))
                })
            })
            .map(|(name, _)| *name);
        let read = quantity_of(value, bracket, dialect);
        match (name, &read) {
            (Some("sample_rate"), Some((number, unit))) => {
                let scale = match unit.as_deref().map(fold).as_deref() {
                    Some("khz" | "ks/s" | "ksps") => 1e3,
                    _ => 1.0,
                };
                self.rate_hz = Some(number * scale).filter(|r| r.is_finite() && *r > 0.0);
            }
            (Some("sample_interval"), Some((number, unit))) => {
                let unit = unit.as_deref().and_then(|u| Unit::named(Quantity::Time, u));
                let seconds = unit.map_or(*number, |u| u.to_si(*number));
                self.rate_hz = Some(1.0 / seconds).filter(|r| r.is_finite() && *r > 0.0);
            }
            (Some("stroke"), Some((number, unit))) => {
                let unit = unit
                    .as_deref()
                    .and_then(|u| Unit::named(Quantity::Length, u));
                self.stroke_m =
                    Some(unit.map_or(number * 1e-3, |u| u.to_si(*number))).filter(|s| *s > 0.0);
            }
            (Some("rod_ratio"), Some((number, _))) => {
                self.rod_ratio = Some(*number).filter(|r| (0.0..1.0).contains(r));
            }
            (Some("positive"), None) => {
                let value = fold(value);
                let sign = if super::names::is_compression(&value) {
                    Some(Polarity::Positive)
                } else if super::names::is_rebound(&value) {
                    Some(Polarity::Negative)
                } else {
                    None
                };
                self.compression = sign;
            }
            _ => {}
        }
        if self.values.len() < MOST {
            let key = name.map_or_else(|| shorten(label), str::to_owned);
            self.values.entry(key).or_insert_with(|| shorten(value));
        }
    }
}

fn shorten(text: &str) -> String {
    text.chars()
        .filter(|c| !c.is_control())
        .take(LONGEST)
        .collect()
}

/// The word "unit" in labels such as `Force unit: kN`.
const UNIT_WORDS: [&str; 14] = [
    "unit",
    "units",
    "einheit",
    "unite",
    "unidad",
    "unita",
    "unidade",
    "eenheid",
    "enhet",
    "jednostka",
    "jednotka",
    "単位",
    "单位",
    "uom",
];

/// `Force unit: kN`, `Units displacement = in`.
fn stated_unit(label: &str, value: &str) -> Option<(Role, Unit)> {
    let is_unit_word = |w: &&str| UNIT_WORDS.contains(w);
    let rest: Vec<&str> = words(label)
        .into_iter()
        .filter(|w| !is_unit_word(w))
        .collect();
    if rest.len() == words(label).len() {
        return None;
    }
    let label = rest.join(" ");
    super::header::ROLES.into_iter().find_map(|role| {
        let named = super::names::ColumnName::parse(&label).fit(role) >= 0.7;
        let counted = || Unit::named(Quantity::Count, value).filter(|_| role == Role::Time);
        let unit = Unit::named(Quantity::of(role), value).or_else(counted)?;
        named.then_some((role, unit))
    })
}

/// A number and the unit after it (or in the label).
fn quantity_of(
    value: &str,
    bracket: Option<&str>,
    dialect: Dialect,
) -> Option<(f64, Option<String>)> {
    let value = value.trim();
    let end = value
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '-' | '+')))
        .unwrap_or(value.len());
    let (digits, rest) = value.split_at(end);
    let other = if dialect.decimal == b'.' { ',' } else { '.' };
    let number = number::cell(digits, char::from(dialect.decimal))
        .or_else(|| number::cell(digits, other))?;
    let unit = rest.trim().trim_matches(['(', ')', '[', ']', ';', ',']);
    let unit = unit.split_whitespace().next().filter(|u| !u.is_empty());
    Some((number, unit.or(bracket).map(str::to_owned)))
}

/// `Key: value`, `Key = value`, `Key;value`, `# Key value`, several pairs on one line.
fn labelled(line: &str, cells: &[String]) -> Vec<(String, String)> {
    let clean = |s: &str| {
        s.trim()
            .trim_matches(['#', '%', '"', '*', ';', ',', '\t', ':', '='])
            .trim()
            .to_owned()
    };
    let good = |k: &str, v: &str| {
        !k.is_empty() && !v.is_empty() && k.chars().any(char::is_alphabetic) && k.len() <= LONGEST
    };
    let filled: Vec<String> = cells
        .iter()
        .map(|c| clean(c))
        .filter(|c| !c.is_empty())
        .collect();
    let inner: Vec<(String, String)> = filled
        .iter()
        .filter_map(|c| c.split_once([':', '=']))
        .map(|(k, v)| (clean(k), clean(v)))
        .filter(|(k, v)| good(k, v))
        .collect();
    if !inner.is_empty() && (inner.len() > 1 || filled.len() == 1) {
        return inner;
    }
    if let [key, value @ ..] = filled.as_slice()
        && !value.is_empty()
        && !key.contains(['=', ':'])
        && good(key, "x")
    {
        return vec![(key.clone(), value.join(" "))];
    }
    let line = clean(line);
    line.split_once([':', '='])
        .map(|(k, v)| (clean(k), clean(v)))
        .filter(|(k, v)| good(k, v))
        .into_iter()
        .collect()
}
