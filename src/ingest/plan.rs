//! Which column plays which role, in which unit, and how that is known.

use super::IntakeOptions;
use super::dialect::{Delimiter, Dialect};
use super::groups::{self, Group, Shape};
use super::header::{self, Table};
use super::names::{ColumnName, fold};
use super::rows::{RowShape, Slot};
use super::{clock, names, number};
use crate::notice::{Error, Fault, Notice, Place};
use crate::recording::{Channel, Layout, Polarity, Role, StatedSigns};
use crate::units::{Quantity, Unit};

/// Lines within which most tables begin, and lines a dialect is told from.
const FIRST_LINES: usize = 150;

/// One role's column.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Planned {
    pub(super) role: Role,
    pub(super) field: usize,
    pub(super) unit: Unit,
    pub(super) column: String,
    pub(super) evidence: String,
    /// Nobody said the unit: physics may still settle it.
    pub(super) assumed: bool,
    /// −1 where the column runs against travel (velocity of the other sign).
    pub(super) turn: f64,
    pub(super) clock: bool,
}

/// How one file's table is read.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    pub(super) dialect: Dialect,
    pub(super) table: Table,
    pub(super) layout: Layout,
    pub(super) groups: Vec<Group>,
    pub(super) signs: StatedSigns,
    pub(super) notices: Vec<Notice>,
}

impl Plan {
    /// Makes the plan from the first lines.
    ///
    /// # Errors
    /// [`Fault::Input`] if there is no table or a needed column is missing.
    pub(super) fn make(lines: &[&str], options: &IntakeOptions, path: &str) -> Result<Self, Error> {
        let delimiter = options.delimiter.map(|c| match c {
            ' ' => Delimiter::Blanks,
            c => Delimiter::Mark(c as u8),
        });
        let decimal = options.decimal.map(|c| c as u8);
        let dialect = super::dialect::sniff(&sample(lines), delimiter, decimal);
        // Most tables begin early; the rest of the lines is looked at only if need be.
        let near = lines.get(..FIRST_LINES).unwrap_or(lines);
        let Some(table) = header::find(near, dialect)
            .filter(|t| t.header.is_some())
            .or_else(|| header::find(lines, dialect))
        else {
            return Err(no_numbers(lines, path));
        };
        if let Some(line) = commas_twice(lines, &table, dialect) {
            return Err(comma_for_both(lines, line, path));
        }
        let first: Vec<String> = lines
            .get(table.data)
            .map(|l| dialect.split(l))
            .unwrap_or_default();
        Self::of_table(dialect, table, &first, options).map_err(|e| {
            let line = lines.iter().enumerate();
            with_line(e, line, path)
        })
    }

    /// Makes the plan of a table whose place is known.
    pub(super) fn of_table(
        dialect: Dialect,
        table: Table,
        first: &[String],
        options: &IntakeOptions,
    ) -> Result<Self, Error> {
        let taken = mapped(&table.columns, options)?;
        let shape = groups::find(&table, &taken);
        let mut plan = Self {
            dialect,
            layout: match shape {
                Shape::Series(_) => Layout::TimeSeries,
                Shape::Wide(_) => Layout::Wide,
                Shape::Sweep(_) => Layout::SweepTable,
            },
            table,
            groups: Vec::new(),
            signs: StatedSigns {
                compression: options.compression,
                force: options.force,
            },
            notices: Vec::new(),
        };
        let (Shape::Series(found) | Shape::Wide(found) | Shape::Sweep(found)) = shape;
        let us = plan.looks_us(&found, options);
        for group in found {
            let mut columns = Vec::new();
            for (role, field) in group.fields {
                columns.push(plan.settle(role, field, us, first, options)?);
            }
            plan.groups.push(Group {
                columns,
                label: group.label,
                direction: group.direction,
            });
        }
        plan.notices.dedup();
        plan.read_sign_words();
        plan.check()?;
        Ok(plan)
    }

    /// True if the units the file states are US customary ones.
    fn looks_us(&self, found: &[groups::Fields], options: &IntakeOptions) -> bool {
        found.iter().flat_map(|g| &g.fields).any(|(role, field)| {
            let stated = options
                .unit
                .iter()
                .find(|(r, _)| r == role)
                .and_then(|(_, text)| Unit::named(Quantity::of(*role), text));
            let named = self
                .table
                .columns
                .get(*field)
                .and_then(|c| c.unit_for(Quantity::of(*role)));
            stated.or(named).is_some_and(header::is_us)
        })
    }

    fn settle(
        &mut self,
        role: Role,
        field: usize,
        us: bool,
        first: &[String],
        options: &IntakeOptions,
    ) -> Result<Planned, Error> {
        let name = self
            .table
            .columns
            .get(field)
            .cloned()
            .unwrap_or_else(|| ColumnName::parse(""));
        let cell = first.get(field).map_or("", String::as_str);
        let clock = role == Role::Time
            && self.dialect.number(cell).is_none()
            && clock::cell(cell).is_some();
        let quantity = Quantity::of(role);
        let stated = options.unit.iter().find(|(r, _)| *r == role);
        let in_preamble = self.table.preamble.units.iter().find(|(r, _)| *r == role);
        let counts =
            |text: &str| role == Role::Time && Unit::named(Quantity::Count, text).is_some();
        let mut assumed = false;
        let (unit, evidence) = if clock {
            (quantity.si(), "clock time in the cells".to_owned())
        } else if let Some((_, text)) = stated {
            if counts(text) && Unit::named(quantity, text).is_none() {
                (Quantity::Count.si(), "stated".to_owned())
            } else {
                let unit = Unit::named(quantity, text).ok_or_else(|| unknown_unit(role, text))?;
                (unit, "stated".to_owned())
            }
        } else if let Some(unit) = name.unit_for(quantity) {
            (unit, "header".to_owned())
        } else if name.unit.as_deref().is_some_and(counts)
            || role == Role::Time && names::is_counter(&name.name)
        {
            (Quantity::Count.si(), "header".to_owned())
        } else if let Some((_, unit)) = in_preamble {
            (*unit, "preamble".to_owned())
        } else if let Some(unit) = number::with_suffix(cell, char::from(self.dialect.decimal))
            .and_then(|(_, text)| Unit::named(quantity, text))
        {
            (unit, "cells".to_owned())
        } else {
            assumed = role != Role::Step;
            let unit = header::usual_unit(role, us);
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
            assumed,
            turn: 1.0,
            clock,
        })
    }

    /// `Compression travel`, `Ausfederweg`: the header itself may state the sign of travel.
    fn read_sign_words(&mut self) {
        if self.layout == Layout::SweepTable {
            return;
        }
        let word = self.column(Role::Displacement).map(|c| fold(&c.column));
        let from_name = word.and_then(|folded| {
            if names::is_compression(&folded) {
                Some(Polarity::Positive)
            } else if names::is_rebound(&folded) {
                Some(Polarity::Negative)
            } else {
                None
            }
        });
        self.signs.compression = self
            .signs
            .compression
            .or(self.table.preamble.compression)
            .or(from_name);
        self.signs.force = self.signs.force.or(self.table.preamble.force);
    }

    /// Needed columns are there, or may be had from others.
    fn check(&self) -> Result<(), Error> {
        let has = |role| self.column(role).is_some();
        let mut missing = Vec::new();
        let moves = has(Role::Displacement) || has(Role::Velocity) || has(Role::Angle);
        if !moves {
            missing.push(Role::Displacement);
        }
        if !has(Role::Force) {
            missing.push(Role::Force);
        }
        if missing.is_empty() {
            return Ok(());
        }
        let names: Vec<&str> = self
            .table
            .columns
            .iter()
            .map(|c| c.written.as_str())
            .collect();
        let problems = missing
            .into_iter()
            .map(|role| missing_column(role, &names, self.table.header))
            .collect();
        Err(Error::many(Fault::Input, problems))
    }

    /// The first group's column of a role.
    pub(super) fn column(&self, role: Role) -> Option<&Planned> {
        self.groups
            .iter()
            .flat_map(|g| &g.columns)
            .find(|c| c.role == role)
    }

    pub(super) fn channels(&self) -> Vec<Channel> {
        self.groups
            .iter()
            .flat_map(|g| &g.columns)
            .map(|c| Channel {
                role: c.role,
                column: c.column.clone(),
                unit: c.unit.symbol.to_owned(),
                unit_evidence: c.evidence.clone(),
                scale_to_si: c.unit.scale * c.turn,
            })
            .collect()
    }

    /// The row shape and, for each group and role, its place among the slots.
    pub(super) fn shape(&self, line_end: u8) -> (RowShape, Vec<Vec<(Role, usize)>>) {
        // A field that serves two groups goes by the first of them.
        let mut wanted: Vec<&Planned> = self.groups.iter().flat_map(|g| &g.columns).collect();
        wanted.sort_by_key(|c| c.field);
        wanted.dedup_by_key(|c| c.field);
        let series = matches!(self.layout, Layout::TimeSeries | Layout::Blocks);
        let travels = self.column(Role::Displacement).is_some();
        let angle = self.column(Role::Angle).is_some();
        let slots = wanted
            .iter()
            .map(|c| Slot {
                field: c.field,
                scale: c.unit.scale * c.turn,
                offset: c.unit.offset * c.turn,
                unit: c.unit,
                turn: c.turn,
                needed: series
                    && match c.role {
                        Role::Time | Role::Displacement | Role::Force => true,
                        Role::Angle => !travels,
                        Role::Velocity => !travels && !angle,
                        _ => false,
                    },
                clock: c.clock,
            })
            .collect();
        let place = |field: usize| {
            wanted
                .binary_search_by_key(&field, |w| w.field)
                .unwrap_or(0)
        };
        let places = self
            .groups
            .iter()
            .map(|g| g.columns.iter().map(|c| (c.role, place(c.field))).collect())
            .collect();
        let shape = RowShape {
            delimiter: self.dialect.delimiter,
            decimal: self.dialect.decimal,
            line_end,
            slots,
        };
        (shape, places)
    }

    /// What to say about units that stayed assumed.
    pub(super) fn say_assumed_units(&mut self) {
        let mut said = Vec::new();
        for column in self.groups.iter().flat_map(|g| &g.columns) {
            if column.assumed && !said.contains(&column.role) {
                said.push(column.role);
                self.notices.push(assumed_unit(column));
            }
        }
    }
}

/// Lines from all over, enough to tell the dialect.
fn sample<'a>(lines: &[&'a str]) -> Vec<&'a str> {
    let every = lines.len().div_ceil(FIRST_LINES).max(1);
    lines.iter().step_by(every).copied().collect()
}

/// Rows looked at for decimal commas between cells that commas separate, and the fewest.
const ROWS_LOOKED_AT: usize = 50;
const ROWS_NEEDED: usize = 3;

/// The first of rows of whole numbers, twice as many as the header has names: commas both
/// separate the columns and stand for the decimal mark.
fn commas_twice(lines: &[&str], table: &Table, dialect: Dialect) -> Option<usize> {
    table.header?;
    if dialect.delimiter != Delimiter::Mark(b',') {
        return None;
    }
    let names = table.columns.iter().rposition(|c| !c.written.is_empty())? + 1;
    let rows: Vec<&&str> = lines
        .get(table.data..)?
        .iter()
        .filter(|l| !l.trim().is_empty())
        .take(ROWS_LOOKED_AT)
        .collect();
    let doubled = |line: &str| {
        let cells = dialect.split(line);
        let digits = |c: &str| !c.is_empty() && c.bytes().all(|b| b.is_ascii_digit());
        cells.len() == 2 * names
            && cells.chunks(2).all(|pair| match pair {
                [whole, part] => {
                    digits(whole.trim().trim_start_matches(['-', '+'])) && digits(part.trim())
                }
                _ => false,
            })
    };
    let all = names >= 2 && rows.len() >= ROWS_NEEDED && rows.iter().all(|l| doubled(l));
    all.then_some(table.data)
}

fn comma_for_both(lines: &[&str], line: usize, path: &str) -> Error {
    Error::input(
        "comma-for-both",
        "commas stand both between the columns and for the decimal mark, so that the numbers cannot be told apart",
    )
    .at(Place {
        path: Some(path.to_owned()),
        line: Some(line as u64 + 1),
        text: lines.get(line).map(|l| l.chars().take(400).collect()),
        ..Place::default()
    })
    .help("export again with semicolons or tabs between the columns, or with decimal points")
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
    let mut problems = Vec::new();
    let mut found = Vec::new();
    for (role, wanted) in &options.map {
        let folded = fold(wanted);
        let at = columns
            .iter()
            .position(|c| c.written == *wanted)
            .or_else(|| {
                columns.iter().position(|c| {
                    fold(&c.written) == folded || !c.name.is_empty() && fold(&c.name) == folded
                })
            })
            .or_else(|| {
                wanted
                    .parse::<usize>()
                    .ok()
                    .and_then(|n| n.checked_sub(1))
                    .filter(|n| *n < columns.len())
            });
        match at {
            Some(at) => found.push((*role, at)),
            None => problems.push(
                Notice::error(
                    "mapped-column-missing",
                    format!(
                        "--map {}={wanted}: the file has no such column; it has: {}",
                        role_word(*role),
                        listed(
                            &columns
                                .iter()
                                .map(|c| c.written.as_str())
                                .collect::<Vec<_>>()
                        ),
                    ),
                )
                .help(match near(&folded, columns) {
                    Some(name) => {
                        format!("did you mean \"{name}\"? A column's number from 1 works too")
                    }
                    None => "use a name as the header writes it, or the column's number from 1"
                        .to_owned(),
                }),
            ),
        }
    }
    if problems.is_empty() {
        Ok(found)
    } else {
        Err(Error::many(Fault::Input, problems))
    }
}

fn near<'a>(folded: &str, columns: &'a [ColumnName]) -> Option<&'a str> {
    columns
        .iter()
        .map(|c| (strsim::jaro_winkler(folded, &fold(&c.written)), c))
        .filter(|(alike, _)| *alike > 0.75)
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(_, c)| c.written.as_str())
}

/// Names in a message: the first dozen.
fn listed(names: &[&str]) -> String {
    const MOST: usize = 12;
    if names.iter().all(|n| n.is_empty()) {
        return format!("{} columns without names", names.len());
    }
    let shown: Vec<String> = names
        .iter()
        .take(MOST)
        .map(|n| format!("\"{}\"", n.chars().take(40).collect::<String>()))
        .collect();
    let more = names.len().saturating_sub(MOST);
    if more > 0 {
        format!("{} and {more} more", shown.join(", "))
    } else {
        shown.join(", ")
    }
}

fn missing_column(role: Role, names: &[&str], header: Option<usize>) -> Notice {
    let word = role_word(role);
    let message = if header.is_none() {
        format!("no header line names the columns, so that {word} cannot be told from the rest")
    } else {
        format!(
            "no column can be recognised as {word}; the columns are: {}",
            listed(names)
        )
    };
    Notice::error("column-missing", message).help(format!(
        "say which it is with --map {word}=NAME or its number from 1, such as --map {word}=2"
    ))
}

/// Adds the header (or first data) line to problems that have no place.
fn with_line<'a>(
    mut error: Error,
    mut lines: impl Iterator<Item = (usize, &'a &'a str)>,
    path: &str,
) -> Error {
    if let Some((at, text)) = lines.find(|(_, l)| !l.trim().is_empty()) {
        for problem in &mut error.problems {
            if problem.place.is_none() {
                problem.place = Some(Place {
                    path: Some(path.to_owned()),
                    line: Some(at as u64 + 1),
                    text: Some(text.chars().take(400).collect()),
                    ..Place::default()
                });
            }
        }
    }
    error.in_file(path)
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

fn assumed_unit(column: &Planned) -> Notice {
    let word = role_word(column.role);
    Notice::warning(
        "unit-assumed",
        format!(
            "the unit of {word} (column \"{}\") is stated nowhere; {} is assumed",
            column.column, column.unit
        ),
    )
    .help(format!("say it with --unit {word}=UNIT"))
}

fn no_numbers(lines: &[&str], path: &str) -> Error {
    let error = Error::input(
        "no-numbers",
        "no table of numbers was found in this file: it has no row with a travel and a force",
    )
    .help("give a file with a header line and one sample per line: time, travel and force");
    with_line(error, lines.iter().enumerate(), path)
}
