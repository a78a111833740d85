//! Intake cards: the understanding of one machine's files, written once and held against
//! every file after. A file that departs from its card is refused with the difference.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::IntakeOptions;
use super::names::ColumnName;
use super::plan::{Plan, role_word};
use crate::notice::{Error, Fault, Notice, Place};
use crate::recording::{Channel, Layout, Polarity, Role, SourceFile, StatedSigns};
use crate::units::Quantity;

/// The schema of a card.
pub const CARD_SCHEMA: &str = "loopwork.intake/1";

/// What one machine's files look like.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Card {
    /// [`CARD_SCHEMA`].
    pub schema: String,
    /// Delimiter: `,` `;` `tab` `|` `blanks`.
    pub delimiter: String,
    /// Decimal mark: `.` or `,`.
    pub decimal: String,
    /// How the numbers are laid out; blocks and one long series count as the same.
    pub layout: Layout,
    /// Samples per second, for files without time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rate_hz: Option<f64>,
    /// Sign of travel in the file while being compressed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub compression: Option<Polarity>,
    /// Sign of force in the file while compression is resisted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub force: Option<Polarity>,
    /// Stroke of the crank, mm, for files with crank angle.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub crank_stroke_mm: Option<f64>,
    /// Crank radius over rod length, for the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rod_ratio: Option<f64>,
    /// The columns that are used.
    pub column: Vec<CardColumn>,
}

/// One used column.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CardColumn {
    /// What it is for.
    pub role: Role,
    /// Its name as the header writes it.
    pub name: String,
    /// Its unit.
    pub unit: String,
}

impl Card {
    /// The card of a file as it was understood.
    pub fn of(
        source: &SourceFile,
        channels: &[Channel],
        signs: StatedSigns,
        options: &IntakeOptions,
    ) -> Self {
        Self {
            schema: CARD_SCHEMA.to_owned(),
            delimiter: source.delimiter.clone(),
            decimal: source.decimal_mark.clone(),
            layout: source.layout,
            rate_hz: options.rate_hz,
            compression: signs.compression,
            force: signs.force,
            crank_stroke_mm: options.crank_stroke_m.map(|m| m * 1e3),
            rod_ratio: options.rod_ratio,
            column: channels
                .iter()
                .map(|c| CardColumn {
                    role: c.role,
                    name: c.column.clone(),
                    unit: c.unit.clone(),
                })
                .collect(),
        }
    }

    /// The card as TOML, with a line on what it is.
    ///
    /// # Errors
    /// [`Fault::Output`] if it cannot be put into TOML.
    pub fn to_toml(&self) -> Result<String, Error> {
        let body = toml::to_string(self).map_err(|e| {
            Error::output(
                "card-not-written",
                format!("the card cannot be written: {e}"),
            )
        })?;
        Ok(format!(
            "# Intake card: how the files of one dyno are read. Use it with --intake.\n{body}"
        ))
    }

    /// Reads a card.
    ///
    /// # Errors
    /// [`Fault::Usage`] if it cannot be read or says something unknown.
    pub fn read(path: &Path) -> Result<Self, Error> {
        let shown = path.display().to_string();
        let text = std::fs::read_to_string(path).map_err(|e| {
            Error::usage(
                "card-unreadable",
                format!("cannot read the intake card {shown}: {e}"),
            )
            .help("write one with `loopwork inspect FILE --write-card CARD.toml`")
            .in_file(&shown)
        })?;
        let card: Self = toml::from_str(&text).map_err(|e| bad_card(&e, &text).in_file(&shown))?;
        if card.schema != CARD_SCHEMA {
            return Err(Error::usage(
                "card-schema",
                format!(
                    "the intake card says schema = \"{}\"; this program reads \"{CARD_SCHEMA}\"",
                    card.schema
                ),
            )
            .help("write the card again with `loopwork inspect FILE --write-card CARD.toml`")
            .in_file(&shown));
        }
        Ok(card)
    }

    /// What the card says, under what the command line says.
    pub(super) fn under(&self, said: &IntakeOptions) -> IntakeOptions {
        let mut options = said.clone();
        options.delimiter = options.delimiter.or(match self.delimiter.as_str() {
            "tab" => Some('\t'),
            "blanks" => Some(' '),
            mark => mark.chars().next(),
        });
        options.decimal = options.decimal.or(self.decimal.chars().next());
        options.rate_hz = options.rate_hz.or(self.rate_hz);
        options.compression = options.compression.or(self.compression);
        options.force = options.force.or(self.force);
        options.crank_stroke_m = options
            .crank_stroke_m
            .or(self.crank_stroke_mm.map(|mm| mm * 1e-3));
        options.rod_ratio = options.rod_ratio.or(self.rod_ratio);
        for column in &self.column {
            if options.unit.iter().all(|(role, _)| *role != column.role) {
                options.unit.push((column.role, column.unit.clone()));
            }
            let single = self.column.iter().filter(|c| c.role == column.role).count() == 1;
            let series = matches!(self.layout, Layout::TimeSeries | Layout::Blocks);
            if single && series && options.map.iter().all(|(role, _)| *role != column.role) {
                options.map.push((column.role, column_name(&column.name)));
            }
        }
        options
    }

    /// Takes columns that the file lacks, and that can be done without, out of what the card
    /// says; gives their names.
    pub(super) fn leave_out_missing(
        &self,
        plain: &Plan,
        options: &mut IntakeOptions,
        said: &IntakeOptions,
    ) -> Vec<String> {
        let mut missing = Vec::new();
        for column in self
            .column
            .iter()
            .filter(|c| is_spare(c.role, &self.column))
        {
            let bare = ColumnName::parse(&column.name).name;
            let number = column_name(&column.name).parse::<usize>().ok();
            let mut columns = plain.table.columns.iter();
            let there = match number.filter(|_| plain.table.header.is_none()) {
                Some(n) => n <= columns.len(),
                None => {
                    columns.any(|c| c.written == column.name || !bare.is_empty() && c.name == bare)
                }
            };
            let own_word = said.map.iter().any(|(role, _)| *role == column.role);
            if !there && !own_word {
                options.map.retain(|(role, _)| *role != column.role);
                missing.push(column.name.clone());
            }
        }
        missing
    }

    /// Holds a file's plan, made without the card, against the card.
    ///
    /// # Errors
    /// [`Fault::Input`] with every difference.
    pub(super) fn check(&self, plain: &Plan, path: &str) -> Result<(), Error> {
        let mut problems = Vec::new();
        let mut differ = |what: &str, card: &str, file: &str| {
            problems.push(
                Notice::error(
                    "departs-from-card",
                    format!("{what}: the intake card says {card}, the file has {file}"),
                )
                .at(Place {
                    path: Some(path.to_owned()),
                    line: plain.table.header.map(|h| h as u64 + 1),
                    text: Some(plain.table.header_text.chars().take(400).collect()),
                    ..Place::default()
                })
                .help("read it without --intake to see how it is understood, or write a card of its own"),
            );
        };
        let delimiter = plain.dialect.delimiter.name();
        if delimiter != self.delimiter {
            differ("delimiter", &self.delimiter, &delimiter);
        }
        let decimal = char::from(plain.dialect.decimal).to_string();
        if decimal != self.decimal {
            differ("decimal mark", &self.decimal, &decimal);
        }
        let kind = |l: Layout| matches!(l, Layout::TimeSeries | Layout::Blocks);
        if plain.layout != self.layout && !(kind(plain.layout) && kind(self.layout)) {
            differ(
                "layout",
                &format!("{:?}", self.layout),
                &format!("{:?}", plain.layout),
            );
        }
        for column in &self.column {
            let what = format!("column of {}", role_word(column.role));
            let names = plain.table.columns.iter().map(|c| c.written.as_str());
            let number = column
                .name
                .strip_prefix("column ")
                .and_then(|n| n.parse::<usize>().ok());
            let found = match number {
                Some(n) if plain.table.header.is_none() => {
                    plain.table.columns.get(n.wrapping_sub(1))
                }
                _ => {
                    let columns = &plain.table.columns;
                    let bare = ColumnName::parse(&column.name).name;
                    // The same name with another unit is a departure of its own.
                    columns
                        .iter()
                        .find(|c| c.written == column.name)
                        .or_else(|| columns.iter().find(|c| !bare.is_empty() && c.name == bare))
                }
            };
            let Some(found) = found else {
                if is_spare(column.role, &self.column) {
                    continue;
                }
                let have: Vec<&str> = names.take(12).collect();
                differ(
                    &what,
                    &format!("\"{}\"", column.name),
                    &format!("no such column, but {}", have.join(", ")),
                );
                continue;
            };
            let unit = found.unit_for(Quantity::of(column.role));
            if let Some(unit) = unit.filter(|u| u.symbol != column.unit) {
                differ(
                    &format!("unit of {}", role_word(column.role)),
                    &column.unit,
                    unit.symbol,
                );
            } else if number.is_none() && found.written != column.name {
                differ(
                    &what,
                    &format!("\"{}\"", column.name),
                    &format!("\"{}\"", found.written),
                );
            }
        }
        if problems.is_empty() {
            Ok(())
        } else {
            Err(Error::many(Fault::Input, problems))
        }
    }
}

/// A run can do without this column of the card's: without it only what it adds is missing.
fn is_spare(role: Role, columns: &[CardColumn]) -> bool {
    let has = |role| columns.iter().any(|c| c.role == role);
    match role {
        Role::Temperature | Role::Pressure | Role::Step => true,
        Role::Velocity => has(Role::Displacement) && has(Role::Time),
        Role::Time | Role::Displacement | Role::Force | Role::Angle => false,
    }
}

/// `column 3` maps by number.
fn column_name(name: &str) -> String {
    name.strip_prefix("column ").unwrap_or(name).to_owned()
}

fn bad_card(error: &toml::de::Error, text: &str) -> Error {
    let problem = Error::usage("card-bad", format!("the intake card cannot be used: {}", error.message()))
        .help("mend the line, or write the card again with `loopwork inspect FILE --write-card CARD.toml`");
    let Some(span) = error.span() else {
        return problem;
    };
    let before = text.get(..span.start).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |n| n + 1);
    let line = text
        .get(start..)
        .and_then(|rest| rest.lines().next())
        .unwrap_or("");
    let from = span.start - start;
    problem.at(Place {
        line: Some(before.matches('\n').count() as u64 + 1),
        text: Some(line.to_owned()),
        span: Some((from.min(line.len()), (span.end - start).min(line.len()))),
        ..Place::default()
    })
}
