//! Which column plays which role, in which unit, and how that is known.

use super::IntakeOptions;
use super::dialect::{Delimiter, Dialect};
use super::header::{self, Table};
use super::names::{ColumnName, fold};
use super::rows::{RowShape, Slot};
use crate::notice::{Error, Notice, Place};
use crate::recording::{Channel, Role};
use crate::units::{Quantity, Unit};

/// One role's column.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Planned {
    pub(super) role: Role,
    pub(super) field: usize,
    pub(super) unit: Unit,
    pub(super) column: String,
    pub(super) evidence: String,
}

/// How one file's table is read.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) dialect: Dialect,
    pub(super) table: Table,
    pub(super) columns: Vec<Planned>,
    pub(super) notices: Vec<Notice>,
}

impl Plan {
    /// Makes the plan from the first lines.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if there is no table or a needed column is missing.
    pub(super) fn make(lines: &[&str], options: &IntakeOptions, path: &str) -> Result<Self, Error> {
        let delimiter = options.delimiter.map(|c| match c {
            ' ' => Delimiter::Blanks,
            c => Delimiter::Mark(c as u8),
        });
        let dialect = super::dialect::sniff(lines, delimiter, options.decimal.map(|c| c as u8));
        let Some(table) = header::find(lines, dialect) else {
            return Err(no_numbers(lines, path));
        };
        let taken = mapped(&table.columns, options).map_err(|e| e.in_file(path))?;
        let roles = header::assign(&table.columns, &taken);
        let mut plan = Self {
            dialect,
            table,
            columns: Vec::new(),
            notices: Vec::new(),
        };
        for (role, field) in roles {
            let planned = plan.settle(role, field, options)?;
            plan.columns.push(planned);
        }
        plan.check(lines, path)?;
        Ok(plan)
    }

    fn settle(
        &mut self,
        role: Role,
        field: usize,
        options: &IntakeOptions,
    ) -> Result<Planned, Error> {
        let name = self
            .table
            .columns
            .get(field)
            .cloned()
            .unwrap_or_else(|| ColumnName::parse(""));
        let quantity = Quantity::of(role);
        let stated = options.unit.iter().find(|(r, _)| *r == role);
        let (unit, evidence) = if let Some((_, text)) = stated {
            let unit = Unit::named(quantity, text).ok_or_else(|| unknown_unit(role, text))?;
            (unit, "stated".to_owned())
        } else if let Some(unit) = name.unit_for(quantity) {
            (unit, "header".to_owned())
        } else if role == Role::Time
            && name
                .unit
                .as_deref()
                .is_some_and(|t| Unit::named(Quantity::Count, t).is_some())
        {
            (Quantity::Count.si(), "header".to_owned())
        } else {
            let unit = header::usual_unit(role);
            if role != Role::Step {
                self.notices.push(assumed_unit(role, &name, unit));
            }
            (unit, format!("assumed: {unit}"))
        };
        let column = if name.written.is_empty() {
            format!("column {}", field + 1)
        } else {
            name.written
        };
        Ok(Planned {
            role,
            field,
            unit,
            column,
            evidence,
        })
    }

    fn check(&self, lines: &[&str], path: &str) -> Result<(), Error> {
        let missing: Vec<Role> = [Role::Displacement, Role::Force]
            .into_iter()
            .filter(|role| self.column(*role).is_none())
            .collect();
        if missing.is_empty() {
            return Ok(());
        }
        let line = self.table.header.unwrap_or(self.table.data);
        let text = lines.get(line).map(|l| (*l).to_owned());
        let names: Vec<&str> = self
            .table
            .columns
            .iter()
            .map(|c| c.written.as_str())
            .collect();
        let problems = missing
            .into_iter()
            .map(|role| {
                let word = role_word(role);
                Notice::error(
                    "column-missing",
                    format!(
                        "no column can be recognised as {word}; the columns are: {}",
                        names.join(", ")
                    ),
                )
                .at(Place {
                    path: Some(path.to_owned()),
                    line: Some(line as u64 + 1),
                    text: text.clone(),
                    ..Place::default()
                })
                .help(format!(
                    "say which it is with --map {word}=NAME (or its number, from 1)"
                ))
            })
            .collect();
        Err(Error::many(crate::notice::Fault::Input, problems))
    }

    pub(super) fn column(&self, role: Role) -> Option<&Planned> {
        self.columns.iter().find(|c| c.role == role)
    }

    pub(super) fn channels(&self) -> Vec<Channel> {
        self.columns
            .iter()
            .map(|c| Channel {
                role: c.role,
                column: c.column.clone(),
                unit: c.unit.symbol.to_owned(),
                unit_evidence: c.evidence.clone(),
                scale_to_si: c.unit.scale,
            })
            .collect()
    }

    /// The row shape and, for each role, its place among the slots.
    pub(super) fn shape(&self, line_end: u8) -> (RowShape, Vec<(Role, usize)>) {
        let mut wanted: Vec<&Planned> = self.columns.iter().collect();
        wanted.sort_by_key(|c| c.field);
        let slots = wanted
            .iter()
            .map(|c| Slot {
                field: c.field,
                scale: c.unit.scale,
                offset: c.unit.offset,
                needed: matches!(c.role, Role::Time | Role::Displacement | Role::Force),
            })
            .collect();
        let places = wanted
            .iter()
            .enumerate()
            .map(|(i, c)| (c.role, i))
            .collect();
        let shape = RowShape {
            delimiter: self.dialect.delimiter,
            decimal: self.dialect.decimal,
            line_end,
            slots,
        };
        (shape, places)
    }
}

/// The plain word for a role, as the options spell it.
pub(super) fn role_word(role: Role) -> &'static str {
    match role {
        Role::Time => "time",
        Role::Displacement => "displacement",
        Role::Velocity => "velocity",
        Role::Force => "force",
        Role::Temperature => "temperature",
        Role::Angle => "angle",
        Role::Pressure => "pressure",
        Role::Step => "step",
    }
}

/// Columns the person named.
fn mapped(columns: &[ColumnName], options: &IntakeOptions) -> Result<Vec<(Role, usize)>, Error> {
    options
        .map
        .iter()
        .map(|(role, wanted)| {
            let same =
                |c: &ColumnName| fold(&c.written) == fold(wanted) || fold(&c.name) == fold(wanted);
            let found = columns.iter().position(same).or_else(|| {
                wanted
                    .parse::<usize>()
                    .ok()
                    .and_then(|n| n.checked_sub(1))
                    .filter(|n| *n < columns.len())
            });
            found.map(|i| (*role, i)).ok_or_else(|| {
                let names: Vec<&str> = columns.iter().map(|c| c.written.as_str()).collect();
                Error::input(
                    "mapped-column-missing",
                    format!(
                        "--map {}={wanted}: the file has no such column; it has: {}",
                        role_word(*role),
                        names.join(", ")
                    ),
                )
                .help("use a name as the header writes it, or the column's number from 1")
            })
        })
        .collect()
}

fn unknown_unit(role: Role, text: &str) -> Error {
    let known: Vec<&str> = Unit::symbols(Quantity::of(role)).collect();
    Error::usage(
        "unknown-unit",
        format!(
            "--unit {}={text}: not a unit of {}",
            role_word(role),
            Quantity::of(role).word()
        ),
    )
    .help(format!("use one of {}", known.join(", ")))
}

fn assumed_unit(role: Role, name: &ColumnName, unit: Unit) -> Notice {
    let word = role_word(role);
    Notice::warning(
        "unit-assumed",
        format!(
            "the unit of {word} (column \"{}\") is not stated; {unit} is assumed",
            name.written
        ),
    )
    .help(format!("say it with --unit {word}=UNIT"))
}

fn no_numbers(lines: &[&str], path: &str) -> Error {
    let text = lines.iter().find(|l| !l.trim().is_empty());
    let mut error = Error::input("no-numbers", "no table of numbers was found in this file")
        .help("give a file with a header line and one sample per line: time, travel and force");
    if let Some(text) = text {
        error = error.at(Place {
            line: Some(1),
            text: Some(text.chars().take(200).collect()),
            ..Place::default()
        });
    }
    error.in_file(path)
}
