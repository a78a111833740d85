//! Column names: taking the unit out, folding case and accents, and finding the role.

use super::vocabulary::{COMPRESSION, REBOUND, SECOND_CHOICE, STEMS, WORDS};
use crate::recording::Role;
use crate::units::{Quantity, Unit};

/// A header cell taken apart.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct ColumnName {
    /// As written.
    pub(super) written: String,
    /// Without the unit.
    pub(super) name: String,
    /// The unit text, where it stood apart.
    pub(super) unit: Option<String>,
}

/// Lower case, accents off, `ß` as `ss`; for comparing words, not for showing.
pub(super) fn fold(text: &str) -> String {
    let mut folded = String::with_capacity(text.len());
    for c in text.chars().flat_map(char::to_lowercase) {
        match c {
            'à' | 'á' | 'â' | 'ã' | 'ä' | 'å' | 'ą' => folded.push('a'),
            'ç' | 'ć' | 'č' => folded.push('c'),
            'ď' => folded.push('d'),
            'è' | 'é' | 'ê' | 'ë' | 'ę' | 'ě' => folded.push('e'),
            'ì' | 'í' | 'î' | 'ï' => folded.push('i'),
            'ł' => folded.push('l'),
            'ñ' | 'ń' | 'ň' => folded.push('n'),
            'ò' | 'ó' | 'ô' | 'õ' | 'ö' | 'ø' => folded.push('o'),
            'ř' => folded.push('r'),
            'ś' | 'š' => folded.push('s'),
            'ß' => folded.push_str("ss"),
            'ť' => folded.push('t'),
            'ù' | 'ú' | 'û' | 'ü' | 'ů' => folded.push('u'),
            'ý' | 'ÿ' => folded.push('y'),
            'ź' | 'ż' | 'ž' => folded.push('z'),
            // Combining accents follow their letter in decomposed text.
            '\u{300}'..='\u{36f}' => {}
            // Full-width Latin.
            '\u{ff01}'..='\u{ff5e}' => {
                if let Some(plain) = char::from_u32(c as u32 - 0xfee0) {
                    folded.extend(plain.to_lowercase());
                }
            }
            other => folded.push(other),
        }
    }
    folded
}

/// Words of a folded name.
pub(super) fn words(folded: &str) -> Vec<&str> {
    folded
        .split(|c: char| !c.is_alphanumeric())
        .filter(|w| !w.is_empty())
        .collect()
}

impl ColumnName {
    /// Takes a header cell apart: `Force (N)`, `force [N]`, `force_N`, `force/N`,
    /// `force, N`, `force N`, `N` alone.
    pub(super) fn parse(cell: &str) -> Self {
        let quoteless = cell.trim().trim_matches(['"', '\'']).trim();
        // A line break within a quoted cell.
        let written = quoteless.replace(char::is_control, " ");
        let shown = written.trim_start_matches(['#', '%', '/', '*']).trim();
        let (name, unit) = split_unit(shown);
        Self {
            written: written.clone(),
            name,
            unit,
        }
    }

    /// The unit for a quantity, if the header states one that fits.
    pub(super) fn unit_for(&self, quantity: Quantity) -> Option<Unit> {
        Unit::named(quantity, self.unit.as_deref()?)
    }

    /// How well the name fits a role, 0 for not at all. Name and unit must not disagree.
    pub(super) fn fit(&self, role: Role) -> f64 {
        let quantity = Quantity::of(role);
        let folded = fold(&self.name);
        let parts = words(&folded);
        let unit_fits = self.unit.as_ref().map(|text| {
            Unit::named(quantity, text).is_some()
                || role == Role::Time && Unit::named(Quantity::Count, text).is_some()
        });
        // A unit that belongs to something else rules the role out.
        let other = |text: &str| Unit::any(text).is_some() || OTHER_UNITS.contains(&text);
        if unit_fits == Some(false) && self.unit.as_deref().is_some_and(other) {
            return 0.0;
        }
        if role == Role::Pressure && (folded.contains("druckstufe") || folded.contains("zugstufe"))
        {
            return 0.0;
        }
        let listed = |list: &[(Role, &[&str])], test: &dyn Fn(&str) -> bool| {
            list.iter()
                .filter(|(r, _)| *r == role)
                .any(|(_, entries)| entries.iter().any(|w| test(w)))
        };
        let joined = parts.concat();
        let mut score: f64 = if listed(WORDS, &|w| w == joined) {
            1.0
        } else if listed(WORDS, &|w| w.chars().count() > 1 && parts.contains(&w)) {
            0.8
        } else if listed(STEMS, &|stem| folded.contains(stem)) {
            0.7
        } else if listed(WORDS, &|w| numbered(&parts, w)) {
            0.6
        } else {
            0.0
        };
        match unit_fits {
            Some(true) if score > 0.0 => score += 0.5,
            // A unit alone still says what the column is, if only one quantity uses it.
            Some(true) if role != Role::Step && role != Role::Time => score = 0.3,
            Some(true) if role == Role::Time && self.name.is_empty() => score = 0.3,
            _ => {}
        }
        if score > 0.0 && parts.iter().any(|w| SECOND_CHOICE.contains(w)) {
            score *= 0.5;
        }
        score
    }
}

/// Units of what no role holds: turning speed, frequency, voltage, current, acceleration,
/// power. A crank's speed is not the damper's velocity, a bridge voltage no force.
const OTHER_UNITS: &[&str] = &[
    "rpm", "RPM", "1/min", "min-1", "U/min", "rev/min", "r/min", "Hz", "kHz", "1/s", "deg/s",
    "°/s", "rad/s", "V", "mV", "mV/V", "A", "mA", "m/s2", "m/s²", "m/s^2", "mm/s²", "mm/s2", "W",
    "kW", "J",
];

fn speaks_of(folded: &str, list: &[&str]) -> bool {
    let parts = words(folded);
    list.iter()
        .any(|w| parts.contains(w) || !w.is_ascii() && folded.contains(w))
}

/// True if a time column's name says that it counts samples.
pub(super) fn is_counter(name: &str) -> bool {
    const COUNTERS: &[&str] = &[
        "sample",
        "samples",
        "index",
        "idx",
        "probe",
        "muestra",
        "campione",
        "echantillon",
        "no",
        "nr",
        "point",
        "row",
    ];
    let folded = fold(name);
    words(&folded).iter().any(|w| COUNTERS.contains(w))
}

/// True if a folded text speaks of the compression stroke and not of rebound.
pub(super) fn is_compression(folded: &str) -> bool {
    speaks_of(folded, COMPRESSION) && !speaks_of(folded, REBOUND)
}

/// True if a folded text speaks of the rebound stroke and not of compression.
pub(super) fn is_rebound(folded: &str) -> bool {
    speaks_of(folded, REBOUND) && !speaks_of(folded, COMPRESSION)
}

/// `force1`, `f 2`, `ch1 x`: a word with a number, or one letter among numbers.
fn numbered(parts: &[&str], word: &str) -> bool {
    parts.iter().any(|part| {
        let letters = part.trim_matches(|c: char| c.is_ascii_digit());
        letters == word && (letters.len() < part.len() || parts.len() <= 2)
    })
}

/// `Force (N) @ 100 mm/s`, `travel (100 mm/s)`: name and unit, and the speed of a run of
/// something else, whose unit is none of this column's.
fn apart_from_pace(text: &str) -> Option<(&str, &str)> {
    let inner = text.trim_end_matches([')', ']', '}', ' ']);
    let end = inner.rfind(|c: char| c.is_ascii_digit())? + 1;
    let (before, unit) = inner.split_at(end);
    let name = before.trim_end_matches(|c: char| c.is_ascii_digit() || matches!(c, '.' | ','));
    let pace = inner.get(name.len()..)?;
    let is_pace = Unit::named(Quantity::Velocity, unit.trim()).is_some() || unit.trim() == "Hz";
    let apart = [' ', '@', '=', '_', '(', '[', '{'];
    if !is_pace || !name.ends_with(apart) {
        return None;
    }
    let name = name.trim_end_matches(apart);
    let column = ColumnName {
        written: String::new(),
        name: name.to_owned(),
        unit: None,
    };
    let of_else = column.fit(Role::Force).max(column.fit(Role::Displacement));
    (column.fit(Role::Velocity) < of_else).then_some((name, pace))
}

/// Name and unit text of a header cell.
fn split_unit(text: &str) -> (String, Option<String>) {
    if let Some((before, pace)) = apart_from_pace(text) {
        let (name, unit) = split_unit(before);
        return (format!("{name} {pace}"), unit);
    }
    for (open, close) in [
        ('(', ')'),
        ('[', ']'),
        ('{', '}'),
        ('<', '>'),
        ('（', '）'),
        ('【', '】'),
    ] {
        if let Some(start) = text.rfind(open) {
            let inner_start = start + open.len_utf8();
            let rest = &text[inner_start..];
            let end = rest.find(close).unwrap_or(rest.len());
            let inner = rest[..end].trim();
            let before = text[..start].trim();
            let after = rest.get(end + close.len_utf8()..).unwrap_or("").trim();
            if Unit::any(inner).is_some() || before.len() + after.len() > 0 {
                let name = format!("{before} {after}").trim().to_owned();
                return (name, Some(inner.to_owned()));
            }
        }
    }
    // Force/N, force_N, force, N, force N: the longest end that is a unit, so that
    // `velocity_mm/s` is not taken for seconds.
    let mut best: Option<(String, String)> = None;
    for (at, separator) in text.char_indices() {
        if !matches!(separator, '/' | ',' | ';' | ':' | '_' | '-' | '.' | ' ') {
            continue;
        }
        let (name, unit) = (text[..at].trim(), text[at + 1..].trim());
        if !name.chars().any(char::is_alphabetic) {
            continue;
        }
        let unit = unit.strip_prefix("in ").unwrap_or(unit).trim();
        // mm_s and mm_per_s spell mm/s.
        let spelt = unit
            .replace("_per_", "/")
            .replace(" per ", "/")
            .replace('_', "/");
        let found = [unit, spelt.as_str()].into_iter().find(|u| stands_alone(u));
        if let Some(found) = found
            && best.is_none()
            && !(separator == '/' && Unit::any(text).is_some())
        {
            best = Some((name.to_owned(), found.to_owned()));
        }
    }
    if let Some((name, unit)) = best {
        return (name, Some(unit));
    }
    if stands_alone(text) && text.chars().count() > 1 && Unit::any(text).is_some() {
        return (String::new(), Some(text.to_owned()));
    }
    (text.to_owned(), None)
}

/// True if a text that nothing brackets can be taken for a unit: known, and not one of the
/// spellings that are also plain words or numbers of columns.
fn stands_alone(text: &str) -> bool {
    const ALSO_WORDS: &[&str] = &[
        "-", "#", "sample", "samples", "points", "point", "count", "counts", "turn", "turns",
        "foot", "at", "t", "of", "pond", "g", "oc", "d",
    ];
    !(ALSO_WORDS.contains(&text)) && Unit::any(text).is_some()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_speed_of_a_run_is_no_unit_of_its_columns() {
        for (cell, name, unit) in [
            ("Force @ 100 mm/s", "Force 100 mm/s", None),
            ("Force (kN) @ 100 mm/s", "Force 100 mm/s", Some("kN")),
            ("Force [lbf] (5 in/s)", "Force 5 in/s", Some("lbf")),
            ("Travel_in @ 0.1 m/s", "Travel 0.1 m/s", Some("in")),
            ("Kraft 1,5 Hz", "Kraft 1,5 Hz", None),
            ("Force @ 100 mm/s [N]", "Force @ 100 mm/s", Some("N")),
            ("Velocity 1 mm/s", "Velocity 1", Some("mm/s")),
            ("velocity_mm/s", "velocity", Some("mm/s")),
            ("Force1 N", "Force1", Some("N")),
        ] {
            let column = ColumnName::parse(cell);
            assert_eq!(
                (column.name.as_str(), column.unit.as_deref()),
                (name, unit),
                "{cell}"
            );
        }
    }
}
