//! What kind of table it is: one series, several side by side, or a reduced sweep.

use super::header::{self, NAMED, Table};
use super::names::{self, ColumnName, fold};
use super::plan::Planned;
use super::vocabulary::SECOND_CHOICE;
use crate::recording::Role;

/// Columns that belong together.
#[derive(Debug, Clone)]
pub(super) struct Group {
    pub(super) columns: Vec<Planned>,
    /// The speed or name the file gives it.
    pub(super) label: Option<String>,
    /// For a column of a sweep table: whose force it is.
    pub(super) direction: Option<Stroke>,
}

/// Direction of a sweep table's force column.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Stroke {
    Compression,
    Rebound,
}

/// Roles and field numbers of one group.
#[derive(Debug, Clone, Default)]
pub(super) struct Fields {
    pub(super) fields: Vec<(Role, usize)>,
    pub(super) label: Option<String>,
    pub(super) direction: Option<Stroke>,
}

/// The kind of table.
#[derive(Debug, Clone)]
pub(super) enum Shape {
    /// One group over time.
    Series(Vec<Fields>),
    /// Several groups side by side.
    Wide(Vec<Fields>),
    /// Velocity against force.
    Sweep(Vec<Fields>),
}

/// Decides from names alone; whether a sweep is really one is checked on its numbers.
pub(super) fn find(table: &Table, taken: &[(Role, usize)]) -> Shape {
    let columns = &table.columns;
    if taken.is_empty()
        && let Some(groups) = wide(table)
    {
        return Shape::Wide(groups);
    }
    let roles = header::assign(columns, taken);
    let has = |role| roles.iter().any(|(r, _)| *r == role);
    if !has(Role::Displacement) && !has(Role::Angle) && !has(Role::Time) && has(Role::Velocity) {
        let groups = sweep(columns, &roles);
        if !groups.is_empty() {
            return Shape::Sweep(groups);
        }
    }
    Shape::Series(vec![Fields {
        fields: roles,
        ..Fields::default()
    }])
}

fn first_choice(column: &ColumnName, role: Role) -> bool {
    let folded = fold(&column.name);
    let second = names::words(&folded)
        .iter()
        .any(|w| SECOND_CHOICE.contains(w));
    !second && column.fit(role) >= 0.3
}

/// The fields of a role where it fits best of all roles.
fn fields_of(columns: &[ColumnName], role: Role) -> Vec<usize> {
    columns
        .iter()
        .enumerate()
        .filter(|(_, c)| {
            let fit = c.fit(role);
            first_choice(c, role)
                && header::ROLES
                    .into_iter()
                    .all(|r| r == role || c.fit(r) <= fit)
        })
        .map(|(i, _)| i)
        .collect()
}

/// Travel and force more than once: one group per pair, in order.
fn wide(table: &Table) -> Option<Vec<Fields>> {
    let columns = &table.columns;
    let forces = fields_of(columns, Role::Force);
    if forces.len() < 2 {
        return None;
    }
    let travels = fields_of(columns, Role::Displacement);
    let paired = travels.len() == forces.len();
    // One travel for several forces only where the forces are told apart by a speed.
    let shared = travels.len() == 1
        && forces.iter().all(|f| {
            label(table, *f, Role::Force).is_some_and(|l| l.chars().any(|c| c.is_ascii_digit()))
        });
    if !paired && !shared {
        return None;
    }
    let others: Vec<(Role, Vec<usize>)> = [Role::Time, Role::Velocity, Role::Temperature]
        .into_iter()
        .map(|role| (role, fields_of(columns, role)))
        .collect();
    let groups = forces
        .iter()
        .enumerate()
        .map(|(k, force)| {
            let travel = travels
                .get(if paired { k } else { 0 })
                .copied()
                .unwrap_or(0);
            let mut fields = vec![(Role::Displacement, travel), (Role::Force, *force)];
            for (role, of_role) in &others {
                let field = if of_role.len() == forces.len() {
                    of_role.get(k)
                } else if of_role.len() == 1 {
                    of_role.first()
                } else {
                    None
                };
                fields.extend(field.map(|f| (*role, *f)));
            }
            fields.sort_by_key(|(role, _)| *role);
            Fields {
                fields,
                label: label(table, *force, Role::Force),
                direction: None,
            }
        })
        .collect();
    Some(groups)
}

/// What the file calls a group: the cell above, or what its column's name says beyond the
/// word for the role.
fn label(table: &Table, field: usize, role: Role) -> Option<String> {
    let above = table.above.get(field).filter(|l| !l.is_empty());
    above.cloned().or_else(|| {
        let column = table.columns.get(field)?;
        let rest: Vec<&str> = column
            .name
            .split([' ', '_', '-', ',', '@', '(', ')'])
            .filter(|w| !w.is_empty() && ColumnName::parse(w).fit(role) < NAMED)
            .collect();
        let digits: String = column.name.chars().filter(char::is_ascii_digit).collect();
        if rest.is_empty() {
            Some(digits).filter(|d| !d.is_empty())
        } else {
            Some(rest.join(" "))
        }
    })
}

/// Velocity with one signed force, or a force per direction; each direction may have a
/// velocity of its own.
fn sweep(columns: &[ColumnName], roles: &[(Role, usize)]) -> Vec<Fields> {
    let stroke = |c: &ColumnName| {
        let folded = fold(&c.written);
        if names::is_compression(&folded) {
            Some(Stroke::Compression)
        } else if names::is_rebound(&folded) {
            Some(Stroke::Rebound)
        } else {
            None
        }
    };
    let velocities: Vec<usize> = columns
        .iter()
        .enumerate()
        .filter(|(_, c)| c.fit(Role::Velocity) > c.fit(Role::Force).max(NAMED))
        .map(|(i, _)| i)
        .collect();
    let velocity_for = |wanted: Stroke| {
        velocities
            .iter()
            .find(|i| columns.get(**i).and_then(stroke) == Some(wanted))
            .or(velocities.first())
            .copied()
    };
    let mut groups = Vec::new();
    for (i, column) in columns.iter().enumerate() {
        if velocities.contains(&i) {
            continue;
        }
        let Some(direction) = stroke(column) else {
            continue;
        };
        let force_like = column.fit(Role::Force) >= NAMED || column.unit.is_none();
        let seen = groups
            .iter()
            .any(|g: &Fields| g.direction == Some(direction));
        if let (true, false, Some(velocity)) = (force_like, seen, velocity_for(direction)) {
            groups.push(Fields {
                fields: vec![(Role::Velocity, velocity), (Role::Force, i)],
                label: None,
                direction: Some(direction),
            });
        }
    }
    if groups.is_empty() {
        let at = |role| roles.iter().find(|(r, _)| *r == role).map(|(_, i)| *i);
        if let (Some(velocity), Some(force)) = (at(Role::Velocity), at(Role::Force)) {
            groups.push(Fields {
                fields: vec![(Role::Velocity, velocity), (Role::Force, force)],
                label: None,
                direction: None,
            });
        }
    }
    groups
}
