//! Where the table begins: the header line, a row of units, the first row of numbers.

use super::dialect::{Dialect, holds_number};
use super::names;
use super::names::ColumnName;
use super::preamble::Preamble;
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

/// A header names at least two roles.
const HEADER_WORTH: f64 = 2.0;

/// Lines after a header in which its first row of numbers must come: units, a rule of
/// dashes, a blank line.
const ROWS_UNDER_HEADER: usize = 4;

/// The table as found in the first lines.
#[derive(Debug, Clone, Default)]
pub(super) struct Table {
    /// Columns; without a header, nameless.
    pub(super) columns: Vec<ColumnName>,
    /// Index of the header line, if there is one.
    pub(super) header: Option<usize>,
    /// The header's text.
    pub(super) header_text: String,
    /// A line of group labels above the header, one per column (carried to the right).
    pub(super) above: Vec<String>,
    /// Index of the first row of numbers.
    pub(super) data: usize,
    /// Labelled values before the header.
    pub(super) preamble: Preamble,
    /// True if most rows have a blank line between them, which then means nothing.
    pub(super) double_spaced: bool,
}

/// Numeric cells and all cells that are not empty.
fn count(dialect: Dialect, cells: &[String]) -> (usize, usize) {
    let filled = cells.iter().filter(|c| !c.trim().is_empty());
    let numbers = filled.clone().filter(|c| holds_number(dialect, c));
    (numbers.count(), filled.count())
}

/// Finds the table in the first lines; `None` if no row of numbers is there.
pub(super) fn find(lines: &[&str], dialect: Dialect) -> Option<Table> {
    let mut rows: Vec<Vec<String>> = lines.iter().map(|line| dialect.split(line)).collect();
    let numeric: Vec<bool> = rows
        .iter()
        .map(|cells| {
            let (numbers, filled) = count(dialect, cells);
            numbers >= 2 && 2 * numbers >= filled || numbers == 1 && filled == 1
        })
        .collect();
    for (i, line) in lines.iter().enumerate() {
        let under = (i + 1..=i + ROWS_UNDER_HEADER).find(|k| numeric.get(*k) == Some(&true));
        let width = under.and_then(|k| rows.get(k)).map_or(0, Vec::len);
        if let Some(cells) = rows.get_mut(i)
            && numeric.get(i) == Some(&false)
            && let Some(names) = blanks_between(line, cells.len(), width)
            && header_worth(&names) >= HEADER_WORTH
        {
            *cells = names;
        }
    }
    let header = find_header(&rows, &numeric);
    let (header, first) = match header {
        Some(header) => {
            let mut data = (header + 1..rows.len()).filter(|i| numeric.get(*i) == Some(&true));
            let first = data.next()?;
            let numbered = rows.get(first).is_some_and(|cells| numbers_columns(cells));
            (
                Some(header),
                data.next().filter(|_| numbered).unwrap_or(first),
            )
        }
        None => (None, longest_run(&rows, &numeric)?),
    };
    let mut table = Table {
        header,
        data: first,
        ..Table::default()
    };
    if let Some(cells) = header.and_then(|h| rows.get(h)) {
        table.columns = cells.iter().map(|c| ColumnName::parse(c)).collect();
        table.header_text = header.and_then(|h| lines.get(h)).unwrap_or(&"").to_string();
    } else {
        let width = rows.get(first).map_or(0, Vec::len);
        table.columns = vec![ColumnName::parse(""); width];
    }
    if let Some(header) = header {
        let under = (header + 1..first).filter_map(|at| rows.get(at));
        if let Some(cells) = under.into_iter().find(|cells| is_units_row(cells)) {
            adopt_units(&mut table.columns, cells);
        }
        table.above = labels_above(&rows, header);
    }
    for (line, cells) in lines.iter().zip(&rows).take(header.unwrap_or(first)) {
        table.preamble.take(line, cells, dialect);
    }
    // Names may state signs as well: `Travel (mm, positive in compression)`.
    table.preamble.take_signs(&table.header_text);
    let after = lines.get(first..).unwrap_or_default();
    let blank = after.iter().filter(|l| l.trim().is_empty()).count();
    table.double_spaced = blank > 4 && 3 * blank > after.len();
    Some(table)
}

/// Names of a header whose columns blanks keep apart though names hold blanks too, such as
/// `Time (s)   Travel (mm)`; `None` unless that gives exactly as many as the rows have. Two
/// blanks or a tab are then the gap, or a unit in brackets ends a name.
fn blanks_between(line: &str, cells: usize, width: usize) -> Option<Vec<String>> {
    if width < 2 || cells == width || cells > 1 && line.contains([',', ';', '|']) {
        return None;
    }
    let gaps: Vec<String> = line
        .trim()
        .split('\t')
        .flat_map(|part| part.split("  "))
        .map(|name| name.trim().to_owned())
        .filter(|name| !name.is_empty())
        .collect();
    if gaps.len() == width {
        return Some(gaps);
    }
    let mut names: Vec<String> = Vec::new();
    let mut whole = true;
    for word in line.split_whitespace() {
        match names.last_mut() {
            Some(name) if !whole || word.starts_with(['(', '[', '{']) => {
                name.push(' ');
                name.push_str(word);
            }
            _ => names.push(word.to_owned()),
        }
        let open = |name: &String| {
            let count = |signs: [char; 3]| name.chars().filter(|c| signs.contains(c)).count();
            count(['(', '[', '{']) > count([')', ']', '}'])
        };
        whole = !names.last().is_some_and(open);
    }
    (names.len() == width).then_some(names)
}

/// True for a row under the header that only counts the columns: `1, 2, 3`.
fn numbers_columns(cells: &[String]) -> bool {
    /// Two columns might well begin with `1, 2`.
    const FEWEST: usize = 3;
    let counts_from = |first: usize| {
        let mut at = first..;
        cells
            .iter()
            .all(|c| at.next().is_some_and(|n| c.trim() == n.to_string()))
    };
    cells.len() >= FEWEST && (counts_from(0) || counts_from(1))
}

/// The line before the data that names most roles; a later one on a tie, since a preamble
/// may use the same words.
fn find_header(rows: &[Vec<String>], numeric: &[bool]) -> Option<usize> {
    let mut best: (f64, Option<usize>) = (0.0, None);
    for (i, cells) in rows.iter().enumerate() {
        if numeric.get(i) == Some(&true) || cells.len() < 2 {
            continue;
        }
        let followed = (i + 1..=i + ROWS_UNDER_HEADER).any(|k| {
            numeric.get(k) == Some(&true) && rows.get(k).is_some_and(|r| 2 * r.len() >= cells.len())
        });
        if !followed || says_signs(rows, numeric, i) {
            continue;
        }
        let score = header_worth(cells);
        if score >= HEADER_WORTH && score > best.0 + 1e-9 {
            best = (score, Some(i));
        }
    }
    best.1
}

/// True for a sentence about signs, such as "displacement positive in rebound, force positive
/// in tension": it names roles, but not as many columns as the rows under it have.
fn says_signs(rows: &[Vec<String>], numeric: &[bool], at: usize) -> bool {
    let Some(cells) = rows.get(at) else {
        return false;
    };
    let under = (at + 1..).zip(numeric.iter().skip(at + 1));
    let first = under.into_iter().find(|(_, numeric)| **numeric);
    let width = first.and_then(|(i, _)| rows.get(i)).map_or(0, Vec::len);
    let said = super::sign_words::read(&cells.join(" "));
    cells.len() != width && (said.compression.is_some() || said.force.is_some())
}

/// How many roles a line of cells names.
pub(super) fn header_worth(cells: &[String]) -> f64 {
    let names: Vec<ColumnName> = cells.iter().map(|c| ColumnName::parse(c)).collect();
    let mut score: f64 = ROLES
        .into_iter()
        .map(|role| names.iter().map(|n| n.fit(role)).fold(0.0, f64::max))
        .filter(|fit| *fit >= NAMED)
        .map(|fit| 1.0 + 0.1 * fit)
        .sum();
    // A sweep table may name its force columns by their direction alone.
    let folded: Vec<String> = cells.iter().map(|c| names::fold(c)).collect();
    if folded.iter().any(|f| names::is_compression(f))
        && folded.iter().any(|f| names::is_rebound(f))
    {
        score += 1.0;
    }
    score
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
pub(super) fn is_units_row(cells: &[String]) -> bool {
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

pub(super) fn adopt_units(columns: &mut [ColumnName], cells: &[String]) {
    for (column, cell) in columns.iter_mut().zip(cells) {
        let text = bare(cell);
        if !text.is_empty() && column.unit.is_none() {
            column.unit = Some(text.to_owned());
        }
    }
}

/// Group labels in the line above the header: text in some cells, each standing for the
/// columns to its right until the next.
fn labels_above(rows: &[Vec<String>], header: usize) -> Vec<String> {
    let Some(cells) = header.checked_sub(1).and_then(|h| rows.get(h)) else {
        return Vec::new();
    };
    let filled = cells.iter().filter(|c| !c.trim().is_empty()).count();
    if filled < 2 || rows.get(header).is_none_or(|h| cells.len() * 2 < h.len()) {
        return Vec::new();
    }
    let mut label = String::new();
    let mut labels: Vec<String> = Vec::new();
    for cell in cells {
        if !cell.trim().is_empty() {
            label = cell.trim().to_owned();
        }
        labels.push(label.clone());
    }
    labels
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

/// The unit taken where nothing says which: the customary one of the system the file's
/// other columns use, else what most machines write.
pub(super) fn usual_unit(role: Role, us: bool) -> Unit {
    let symbol = match (role, us) {
        (Role::Time, _) => "s",
        (Role::Displacement, false) => "mm",
        (Role::Displacement, true) => "in",
        (Role::Velocity, false) => "mm/s",
        (Role::Velocity, true) => "in/s",
        (Role::Force, false) => "N",
        (Role::Force, true) => "lbf",
        (Role::Temperature, false) => "°C",
        (Role::Temperature, true) => "°F",
        (Role::Angle, _) => "deg",
        (Role::Pressure, false) => "bar",
        (Role::Pressure, true) => "psi",
        (Role::Step, _) => "count",
    };
    let quantity = Quantity::of(role);
    Unit::named(quantity, symbol).unwrap_or_else(|| quantity.si())
}

/// True for units of US customary systems.
pub(super) fn is_us(unit: Unit) -> bool {
    matches!(
        unit.symbol,
        "in" | "ft"
            | "mil"
            | "in/s"
            | "ft/s"
            | "in/min"
            | "ft/min"
            | "mph"
            | "lbf"
            | "kip"
            | "ozf"
            | "psi"
            | "ksi"
            | "°F"
    )
}
