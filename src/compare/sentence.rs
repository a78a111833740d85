//! Sentences with numbers in them: SI in JSON, the person's units on the terminal and in
//! the report, one wording for both.

use serde::{Deserialize, Deserializer, Serialize, Serializer};

use crate::units::display::{Kind, Shown, quantity};

#[derive(Debug, Clone, PartialEq)]
enum Bit {
    Text(String),
    Number {
        value: f64,
        kind: Kind,
        sign: bool,
        unit: bool,
        round: bool,
    },
}

/// A sentence. Serialises as its SI text.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sentence {
    bits: Vec<Bit>,
}

/// Begins a sentence.
pub fn say(text: impl Into<String>) -> Sentence {
    Sentence::default().text(text)
}

impl Sentence {
    /// Adds words.
    #[must_use]
    pub fn text(mut self, text: impl Into<String>) -> Self {
        self.bits.push(Bit::Text(text.into()));
        self
    }

    fn with(mut self, value: f64, kind: Kind, sign: bool, unit: bool) -> Self {
        self.bits.push(Bit::Number {
            value,
            kind,
            sign,
            unit,
            round: false,
        });
        self
    }

    /// Adds a number that a person set, with its unit: no zeros after what they wrote.
    #[must_use]
    pub fn set(mut self, value: f64, kind: Kind) -> Self {
        self.bits.push(Bit::Number {
            value,
            kind,
            sign: false,
            unit: true,
            round: true,
        });
        self
    }

    /// Adds a number in SI (percent for a share), three significant digits, with its unit.
    #[must_use]
    pub fn number(self, value: f64, kind: Kind) -> Self {
        self.with(value, kind, false, true)
    }

    /// Adds a number without its unit.
    #[must_use]
    pub fn bare(self, value: f64, kind: Kind) -> Self {
        self.with(value, kind, false, false)
    }

    /// Adds a change: the sign is always shown, and offsets of scales do not count.
    #[must_use]
    pub fn change(self, value: f64, kind: Kind) -> Self {
        self.with(value, kind, true, true)
    }

    /// Adds an interval, `low to high unit`.
    #[must_use]
    pub fn interval(self, interval: [f64; 2], kind: Kind) -> Self {
        self.with(interval[0], kind, true, false)
            .text(" to ")
            .with(interval[1], kind, true, true)
    }

    /// Adds another sentence's words.
    #[must_use]
    pub fn join(mut self, more: Self) -> Self {
        self.bits.extend(more.bits);
        self
    }

    /// The words in the units wanted.
    pub fn shown(&self, shown: Shown) -> String {
        self.bits
            .iter()
            .map(|bit| match bit {
                Bit::Text(text) => text.clone(),
                Bit::Number {
                    value,
                    kind,
                    sign,
                    unit,
                    round,
                } => {
                    let display = quantity(*kind, shown);
                    let number = if *sign {
                        signed(display.difference_from_si(*value))
                    } else {
                        three_digits(display.from_si(*value))
                    };
                    let number = if *round && number.contains('.') {
                        number
                            .trim_end_matches('0')
                            .trim_end_matches('.')
                            .to_owned()
                    } else {
                        number
                    };
                    if *unit && !display.symbol.is_empty() {
                        format!("{number} {}", display.symbol)
                    } else {
                        number
                    }
                }
            })
            .collect()
    }
}

impl Serialize for Sentence {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.serialize_str(&self.shown(Shown::Si))
    }
}

impl<'de> Deserialize<'de> for Sentence {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        String::deserialize(deserializer).map(say)
    }
}

/// Three significant digits, never in powers of ten, a true minus sign.
pub fn three_digits(value: f64) -> String {
    let size = value.abs();
    let decimals = if size >= 99.95 || size == 0.0 || !size.is_finite() {
        0
    } else if size >= 9.995 {
        1
    } else if size >= 0.9995 {
        2
    } else if size >= 0.0005 {
        3
    } else {
        4
    };
    format!("{value:.decimals$}").replace('-', "−")
}

/// As [`three_digits`], a plus before what is positive; a tenth is enough for changes from
/// one up.
fn signed(value: f64) -> String {
    let size = value.abs();
    let decimals = if size >= 99.95 || size == 0.0 {
        0
    } else if size >= 0.95 {
        1
    } else {
        2
    };
    let text = format!("{value:.decimals$}");
    let zero = text.chars().all(|c| matches!(c, '-' | '0' | '.'));
    if zero {
        "0".to_owned()
    } else if value > 0.0 {
        format!("+{text}")
    } else {
        text.replace('-', "−")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn one_sentence_in_both_units() {
        let s = say("rebound is ")
            .change(-44.482_216, Kind::Force)
            .text(" at ")
            .number(0.254, Kind::Speed);
        assert_eq!(s.shown(Shown::Si), "rebound is −44.5 N at 0.254 m/s");
        assert_eq!(s.shown(Shown::Us), "rebound is −10.0 lbf at 10.0 in/s");
    }

    #[test]
    fn what_rounds_to_nothing_has_no_sign() {
        assert_eq!(say("").change(-0.001, Kind::Force).shown(Shown::Si), "0 N");
    }
}
