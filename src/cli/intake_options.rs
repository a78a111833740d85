//! From the intake options on the command line to [`IntakeOptions`].

use super::args::{IntakeArgs, Sign};
use crate::ingest::IntakeOptions;
use crate::notice::{Error, Fault, Notice};
use crate::recording::{Polarity, Role};
use crate::units::{Quantity, Unit};

/// Role names as the options spell them.
const ROLES: [(&str, Role); 8] = [
    ("time", Role::Time),
    ("displacement", Role::Displacement),
    ("velocity", Role::Velocity),
    ("force", Role::Force),
    ("temperature", Role::Temperature),
    ("angle", Role::Angle),
    ("pressure", Role::Pressure),
    ("step", Role::Step),
];

/// A word at least this alike is offered as what may have been meant.
const ALIKE: f64 = 0.7;

impl IntakeArgs {
    /// Checks the options and turns them into what intake takes.
    ///
    /// # Errors
    /// [`Fault::Usage`] naming every option that cannot be used, with the nearest word.
    pub fn to_options(&self) -> Result<IntakeOptions, Error> {
        let mut problems = Vec::new();
        let mut options = IntakeOptions {
            compression: self.compression.map(polarity),
            force: self.force.map(polarity),
            card: self.intake.clone(),
            one_damper: self.one_damper,
            ..IntakeOptions::default()
        };
        for text in &self.map {
            match role_and_value("--map", text, "COLUMN") {
                Ok(pair) => options.map.push(pair),
                Err(problem) => problems.push(*problem),
            }
        }
        for text in &self.unit {
            match role_and_value("--unit", text, "UNIT").and_then(known_unit) {
                Ok(pair) => options.unit.push(pair),
                Err(problem) => problems.push(*problem),
            }
        }
        options.rate_hz = self.rate;
        if let Some(rate) = self.rate.filter(|r| !(r.is_finite() && *r > 0.0)) {
            problems.push(
                Notice::error(
                    "bad-rate",
                    format!("--rate {rate}: a sample rate is a number above zero"),
                )
                .help("give samples per second, such as --rate 1000"),
            );
        }
        options.crank_stroke_m = self.crank_stroke.map(|mm| mm * 1e-3);
        options.rod_ratio = self.rod_ratio;
        if let Some(stroke) = self.crank_stroke.filter(|s| !(s.is_finite() && *s > 0.0)) {
            problems.push(
                Notice::error(
                    "bad-crank",
                    format!(
                        "--crank-stroke {stroke}: a stroke is a number of millimetres above zero"
                    ),
                )
                .help("give twice the crank radius, such as --crank-stroke 50"),
            );
        }
        if let Some(ratio) = self.rod_ratio.filter(|r| !(0.0..1.0).contains(r)) {
            problems.push(
                Notice::error(
                    "bad-crank",
                    format!(
                        "--rod-ratio {ratio}: crank radius over rod length lies between 0 and 1"
                    ),
                )
                .help("give radius / length, such as --rod-ratio 0.2"),
            );
        }
        match self.delimiter.as_deref().map(delimiter).transpose() {
            Ok(mark) => options.delimiter = mark,
            Err(problem) => problems.push(*problem),
        }
        options.decimal = self.decimal;
        if let Some(mark) = self.decimal.filter(|m| !matches!(m, '.' | ',')) {
            problems.push(
                Notice::error(
                    "bad-decimal",
                    format!("--decimal {mark}: the decimal mark is a point or a comma"),
                )
                .help("use --decimal . or --decimal ,"),
            );
        }
        if problems.is_empty() {
            Ok(options)
        } else {
            Err(Error::many(Fault::Usage, problems))
        }
    }
}

fn polarity(sign: Sign) -> Polarity {
    match sign {
        Sign::Positive => Polarity::Positive,
        Sign::Negative => Polarity::Negative,
    }
}

fn refuse(code: &str, message: String, help: String) -> Box<Notice> {
    Box::new(Notice::error(code, message).help(help))
}

fn role_and_value(option: &str, text: &str, what: &str) -> Result<(Role, String), Box<Notice>> {
    let Some((role, value)) = text.split_once('=') else {
        return Err(refuse(
            "bad-option",
            format!("{option} {text}: expected ROLE={what}"),
            format!("write it as {option} force={what}; roles: {}", all_roles()),
        ));
    };
    let wanted = role.trim().to_lowercase();
    match ROLES.iter().find(|(name, _)| *name == wanted) {
        Some((_, role)) if !value.trim().is_empty() => Ok((*role, value.trim().to_owned())),
        Some((name, _)) => Err(refuse(
            "bad-option",
            format!("{option} {text}: nothing after the equals sign"),
            format!("write {option} {name}={what}"),
        )),
        None => Err(refuse(
            "unknown-role",
            format!("{option} {text}: there is no role \"{role}\""),
            match nearest(&wanted, ROLES.iter().map(|(name, _)| *name)) {
                Some(near) => format!("did you mean {near}? Roles: {}", all_roles()),
                None => format!("roles: {}", all_roles()),
            },
        )),
    }
}

fn known_unit((role, text): (Role, String)) -> Result<(Role, String), Box<Notice>> {
    let quantity = Quantity::of(role);
    let samples = role == Role::Time && Unit::named(Quantity::Count, &text).is_some();
    if samples || Unit::named(quantity, &text).is_some() {
        return Ok((role, text));
    }
    let symbols: Vec<&str> = Unit::symbols(quantity).collect();
    let near = nearest(&text, symbols.iter().copied());
    let all = symbols.join(", ");
    Err(refuse(
        "unknown-unit",
        format!("--unit: \"{text}\" is not a unit of {}", quantity.word()),
        match near {
            Some(near) => format!("did you mean {near}? Known: {all}"),
            None => format!("known: {all}"),
        },
    ))
}

fn delimiter(text: &str) -> Result<char, Box<Notice>> {
    match text {
        "tab" | "\\t" | "\t" => Ok('\t'),
        "blanks" | "blank" | "space" | " " => Ok(' '),
        "comma" => Ok(','),
        "semicolon" => Ok(';'),
        "pipe" => Ok('|'),
        _ => match text.chars().collect::<Vec<_>>().as_slice() {
            [mark] if mark.is_ascii() && !mark.is_ascii_alphanumeric() => Ok(*mark),
            _ => Err(refuse(
                "bad-delimiter",
                format!("--delimiter {text}: not a delimiter"),
                "use one of: , ; tab | blanks".to_owned(),
            )),
        },
    }
}

fn nearest<'a>(wanted: &str, words: impl Iterator<Item = &'a str>) -> Option<&'a str> {
    words
        .map(|word| (strsim::jaro_winkler(wanted, word), word))
        .filter(|(alike, _)| *alike >= ALIKE)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, word)| word)
}

fn all_roles() -> String {
    ROLES.map(|(name, _)| name).join(", ")
}
