//! Labelled values before the header: what they mean to the reading.

use std::collections::BTreeMap;

use super::dialect::{Delimiter, Dialect};
use super::labels;
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
    /// Sign of force while compression is resisted.
    pub(super) force: Option<Polarity>,
}

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
        self.take_signs(line);
    }

    /// Takes what a line says about signs.
    pub(super) fn take_signs(&mut self, line: &str) {
        let said = super::sign_words::read(line);
        self.compression = said.compression.or(self.compression);
        self.force = said.force.or(self.force);
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
        let name = labels::plain_name(&joined);
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
            self.keep(name, &shorten(label), shorten(value));
        }
    }
}

impl Preamble {
    /// Keeps a value under its plain name; another of that name as it is written, and yet
    /// another with a number.
    fn keep(&mut self, name: Option<&str>, label: &str, value: String) {
        let known = name.map(str::to_owned).into_iter();
        let numbered = (2..=MOST).map(|n| format!("{label} {n}"));
        for key in known.chain([label.to_owned()]).chain(numbered) {
            match self.values.get(&key) {
                Some(have) if *have == value => return,
                Some(_) => {}
                None => {
                    self.values.insert(key, value);
                    return;
                }
            }
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
