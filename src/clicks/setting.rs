//! One adjuster's setting as a person writes it: `3`, `3 clicks`, `1 1/2 turns from closed`.

use serde::{Deserialize, Serialize};

/// What an adjuster is counted in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Unit {
    /// Clicks of a detent.
    Clicks,
    /// Turns of the knob.
    Turns,
}

/// Where counting starts.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum CountedFrom {
    /// From fully closed: more is further open.
    Closed,
    /// From fully open: more is further closed.
    Open,
}

/// A setting.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Setting {
    /// Clicks, turns, or whatever the adjuster is counted in.
    pub value: f64,
    /// What it is counted in, if the text says so.
    pub unit: Option<Unit>,
    /// Where counting starts, if the text says so.
    pub counted_from: Option<CountedFrom>,
}

impl Setting {
    /// A bare number.
    pub fn bare(value: f64) -> Self {
        Self {
            value,
            unit: None,
            counted_from: None,
        }
    }

    /// Reads a setting. A number comes first (decimal point or comma, `1/2`, `1 1/2`, `½`),
    /// then only words that say what is counted and from where. `None` for anything else:
    /// a guess would put a run in the wrong place.
    pub fn parse(text: &str) -> Option<Self> {
        let spaced = text.trim().replace('½', " 1/2").to_lowercase();
        let (number, rest) = split_number(spaced.trim());
        let mut value = decimal(number)?;
        let mut words: Vec<&str> = rest.split_whitespace().collect();
        if let Some(part) = rest_fraction(number, &words) {
            value += part;
            words.remove(0);
        } else if let Some(below) = rest.strip_prefix('/') {
            let (below, after) = split_number(below);
            value /= decimal(below).filter(|b| *b > 0.0)?;
            words = after.split_whitespace().collect();
        }
        if !value.is_finite() {
            return None;
        }
        let mut out = Self::bare(value);
        for word in words {
            match word {
                "click" | "clicks" => out.unit = Some(Unit::Clicks),
                "turn" | "turns" => out.unit = Some(Unit::Turns),
                "closed" => out.counted_from = Some(CountedFrom::Closed),
                "open" => out.counted_from = Some(CountedFrom::Open),
                "from" | "full" | "fully" => {}
                _ => return None,
            }
        }
        Some(out)
    }
}

/// The leading number, and what stands after it.
fn split_number(text: &str) -> (&str, &str) {
    let end = text
        .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',' | '+' | '-')))
        .unwrap_or(text.len());
    text.split_at(end)
}

/// A decimal number with point or comma; not both, which may be a thousands mark.
fn decimal(text: &str) -> Option<f64> {
    if !text.starts_with(|c: char| c.is_ascii_digit() || matches!(c, '+' | '-'))
        || (text.contains(',') && text.contains('.'))
    {
        return None;
    }
    text.replace(',', ".").parse().ok()
}

/// The fraction of `1 1/2`: only after a whole number that is not negative.
fn rest_fraction(number: &str, words: &[&str]) -> Option<f64> {
    if !number.chars().all(|c| c.is_ascii_digit()) {
        return None;
    }
    let (above, below) = words.first()?.split_once('/')?;
    let (above, below): (u32, u32) = (above.parse().ok()?, below.parse().ok()?);
    (0 < above && above < below).then(|| f64::from(above) / f64::from(below))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_people_write_is_read() {
        for (text, value) in [
            ("3", 3.0),
            (" 12 clicks", 12.0),
            ("2,5", 2.5),
            ("1 1/2 turns", 1.5),
            ("1½ turns", 1.5),
            ("½ turn", 0.5),
            ("3/4 turn", 0.75),
            ("-2 clicks", -2.0),
            ("7 clicks from fully closed", 7.0),
        ] {
            assert_eq!(Setting::parse(text).map(|s| s.value), Some(value), "{text}");
        }
        let turns = Setting::parse("1 1/2 turns from open").unwrap();
        assert_eq!(turns.unit, Some(Unit::Turns));
        assert_eq!(turns.counted_from, Some(CountedFrom::Open));
        assert_eq!(Setting::parse("3").unwrap().counted_from, None);
    }

    #[test]
    fn what_is_no_setting_is_refused() {
        for text in [
            "",
            "soft",
            "3 of 20",
            "1.234,5",
            "3/0",
            "nan",
            "inf",
            "3 bar",
            "2024-05-01",
            "1 3/2",
        ] {
            assert_eq!(Setting::parse(text), None, "{text}");
        }
    }
}
