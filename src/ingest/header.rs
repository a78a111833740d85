//! Where the table begins: the header line, a row of units, the first row of numbers, and
//! labelled values before them.

use std::collections::BTreeMap;

use super::dialect::Dialect;
use super::names::ColumnName;
use crate::recording::Role;
use crate::units::{Quantity, Unit};

/// Roles, in the order they are looked for.
pub(super) const ROLES: [Role; 8] = [
    Role::Time,
    Role::Displacement,
    Role::Velocity,
    Role::Force,
    Role::Temperature,
    Role::Angle,
    Role::Pressure,
    Role::Step,
];

/// A fit from which a name counts as a role's.
pub(super) const NAMED: f64 = 0.25;

/// The table as found in the first lines.
#[derive(Debug, Clone, Default)]
pub(super) struct Table {
    /// Columns; without a header, nameless.
    pub(super) columns: Vec<ColumnName>,
    /// Index of the header line, if there is one.
    pub(super) header: Option<usize>,
    /// Index of the row of units, if there is one.
    pub(super) units: Option<usize>,
    /// Index of the first row of numbers.
    pub(super) data: usize,
    /// Labelled values before the header.
    pub(super) metadata: BTreeMap<String, String>,
}

/// Numeric cells and all cells that are not empty.
fn count(dialect: Dialect, cells: &[String]) -> (usize, usize) {
    let filled = cells.iter().filter(|c| !c.trim().is_empty());
    let numbers = filled.clone().filter(|c| dialect.number(c).is_some());
    (numbers.count(), filled.count())
}

/// Finds the table in the first lines; `None` if no row of numbers is there.
pub(super) fn find(lines: &[&str], dialect: Dialect) -> Option<Table> {
    let rows: Vec<Vec<String>> = lines.iter().map(|line| dialect.split(line)).collect();
    let numeric: Vec<bool> = rows
        .iter()
        .map(|cells| {
            let (numbers, filled) = count(dialect, cells);
            numbers >= 2 && 2 * numbers >= filled || numbers == 1 && filled == 1
        })
        .collect();
    let header = find_header(&rows, &numeric);
    let (header, first) = match header {
        Some(header) => {
            let data = (header + 1..rows.len()).find(|i| numeric.get(*i) == Some(&true))?;
            (Some(header), data)
        }
        None => (None, longest_run(&rows, &numeric)?),
    };
    let mut table = Table {
        header,
        data: first,
        ..Table::default()
    };
    match header.and_then(|h| rows.get(h)) {
        Some(cells) => table.columns = cells.iter().map(|c| ColumnName::parse(c)).collect(),
        None => {
            let width = rows.get(first).map_or(0, Vec::len);
            table.columns = vec![ColumnName::parse(""); width];
        }
    }
    if let Some(header) = header {
        for at in header + 1..first {
            let Some(cells) = rows.get(at) else { continue };
            if is_units_row(cells) {
                table.units = Some(at);
                adopt_units(&mut table.columns, cells);
                break;
            }
        }
    }
    let preamble = header.unwrap_or(first);
    for (line, cells) in lines.iter().zip(&rows).take(preamble) {
        if let Some((key, value)) = labelled(line, cells) {
            table.metadata.entry(key).or_insert(value);
        }
    }
    Some(table)
}

/// The line before the data that names most roles.
fn find_header(rows: &[Vec<String>], numeric: &[bool]) -> Option<usize> {
    let mut best: (f64, Option<usize>) = (0.0, None);
    for (i, cells) in rows.iter().enumerate() {
        if numeric.get(i) == Some(&true) || cells.len() < 2 {
            continue;
        }
        let mut score = 0.0;
        for role in ROLES {
            let fit = cells
                .iter()
                .map(|c| ColumnName::parse(c).fit(role))
                .fold(0.0, f64::max);
            if fit >= NAMED {
                score += 1.0 + 0.1 * fit;
            }
        }
        let followed = (i + 1..=i + 3).any(|k| {
            numeric.get(k) == Some(&true) && rows.get(k).is_some_and(|r| r.len() + 1 >= cells.len())
        });
        if followed && score >= 2.0 && score > best.0 + 1e-9 {
            best = (score, Some(i));
        }
    }
    best.1
}

/// Start of the longest run of numeric rows of one width.
fn longest_run(rows: &[Vec<String>], numeric: &[bool]) -> Option<usize> {
    let mut best = (0, None);
    let mut start = 0;
    for i in 0..rows.len() {
        let same = i > 0
            && numeric.get(i) == Some(&true)
            && numeric.get(i - 1) == Some(&true)
            && rows.get(i).map(Vec::len) == rows.get(i - 1).map(Vec::len);
        if !same {
            start = i;
        }
        if numeric.get(i) == Some(&true) && i + 1 - start > best.0 {
            best = (i + 1 - start, Some(start));
        }
    }
    best.1
}

/// True if most filled cells are units and none is a number.
fn is_units_row(cells: &[String]) -> bool {
    let filled: Vec<&str> = cells
        .iter()
        .map(|c| c.trim())
        .filter(|c| !c.is_empty())
        .collect();
    let units = filled
        .iter()
        .filter(|c| Unit::any(bare(c)).is_some())
        .count();
    !filled.is_empty() && 2 * units > filled.len()
}

fn bare(cell: &str) -> &str {
    cell.trim()
        .trim_matches(['(', ')', '[', ']', '{', '}'])
        .trim()
}

fn adopt_units(columns: &mut [ColumnName], cells: &[String]) {
    for (column, cell) in columns.iter_mut().zip(cells) {
        let text = bare(cell);
        if !text.is_empty() && column.unit.is_none() {
            column.unit = Some(text.to_owned());
        }
    }
}

/// `Key: value`, `Key = value`, `Key;value`, `# Key value`.
fn labelled(line: &str, cells: &[String]) -> Option<(String, String)> {
    let clean = |s: &str| {
        s.trim()
            .trim_matches(['#', '%', '"', '*', ';', ',', '\t'])
            .trim()
            .to_owned()
    };
    let filled: Vec<String> = cells
        .iter()
        .map(|c| clean(c))
        .filter(|c| !c.is_empty())
        .collect();
    let pair = if let [key, value @ ..] = filled.as_slice()
        && !value.is_empty()
        && !key.contains(['=', ':'])
    {
        Some((key.clone(), value.join(" ")))
    } else {
        let line = clean(line);
        line.split_once(['=', ':'])
            .map(|(k, v)| (clean(k), clean(v)))
    };
    pair.filter(|(k, v)| {
        !k.is_empty() && !v.is_empty() && k.chars().any(char::is_alphabetic) && k.len() <= 60
    })
}

/// The column of each role, best first; a column serves one role.
pub(super) fn assign(columns: &[ColumnName], taken: &[(Role, usize)]) -> Vec<(Role, usize)> {
    let mut fits: Vec<(f64, Role, usize)> = Vec::new();
    for role in ROLES {
        for (i, column) in columns.iter().enumerate() {
            let fit = column.fit(role);
            if fit >= NAMED {
                fits.push((fit, role, i));
            }
        }
    }
    fits.sort_by(|a, b| b.0.total_cmp(&a.0).then(a.2.cmp(&b.2)));
    let mut given: Vec<(Role, usize)> = taken.to_vec();
    for (_, role, i) in fits {
        if given.iter().all(|(r, c)| *r != role && *c != i) {
            given.push((role, i));
        }
    }
    given.sort_by_key(|(role, _)| *role);
    given
}

/// The unit taken where the file says none: the documented rule is "as most machines write".
pub(super) fn usual_unit(role: Role) -> Unit {
    let symbol = match role {
        Role::Time => "s",
        Role::Displacement => "mm",
        Role::Velocity => "mm/s",
        Role::Force => "N",
        Role::Temperature => "°C",
        Role::Angle => "deg",
        Role::Pressure => "bar",
        Role::Step => "count",
    };
    let quantity = Quantity::of(role);
    Unit::named(quantity, symbol).unwrap_or_else(|| quantity.si())
}
