//! Tables of a comparison, for the terminal and the page.

use crate::compare::changes::{Change, FitChange, StepChange};
use crate::compare::{Comparison, DirectionComparison};
use crate::findings::Side;
use crate::report::format::{Dual, MISSING, dual_bare, fixed};
use crate::report::page::{Cell, Table};
use crate::report::words;
use crate::steps::Direction;
use crate::units::display::{Kind, Shown, quantity};

/// A change with its sign, without unit.
fn signed(kind: Kind, value: Option<f64>) -> Dual {
    Dual::by(|shown| {
        value.map_or_else(
            || MISSING.to_owned(),
            |v| with_sign(quantity(kind, shown).difference_from_si(v)),
        )
    })
}

fn with_sign(x: f64) -> String {
    let places = if x.abs() >= 99.95 {
        0
    } else if x.abs() >= 0.995 || x == 0.0 {
        1
    } else {
        2
    };
    let text = fixed(x, places);
    if x > 0.0 && text.chars().any(|c| c.is_ascii_digit() && c != '0') {
        format!("+{text}")
    } else {
        text
    }
}

/// An interval of a change, without unit.
fn signed_interval(kind: Kind, ends: Option<[f64; 2]>) -> Dual {
    Dual::by(|shown: Shown| {
        ends.map_or_else(
            || MISSING.to_owned(),
            |e| {
                let [a, b] = e.map(|x| with_sign(quantity(kind, shown).difference_from_si(x)));
                format!("{a} to {b}")
            },
        )
    })
}

/// Columns of [`by_speed`] that a sheet has room for, the speed first, with their names there: the
/// valves' change, or that of total force where a run does not tell the valves'; the verdict
/// where the pair is judged.
pub(super) fn on_a_sheet(part: &DirectionComparison) -> Vec<(usize, &'static str)> {
    let change = match part.hydraulic {
        Some(_) => (5, "valves"),
        None => (3, "change"),
    };
    let mut columns = vec![
        (0, "speed"),
        (1, "base"),
        (2, "other"),
        change,
        (6, "95 % interval"),
    ];
    columns.extend(part.tolerance_pct.is_some().then_some((9, "verdict")));
    columns
}

/// Rows of [`by_speed`] at speeds that both were driven at.
pub(super) fn driven_rows(comparison: &Comparison, part: &DirectionComparison) -> Vec<usize> {
    let told = |x: &[Option<f64>], k: usize| x.get(k).copied().flatten().is_some();
    (0..comparison.grid_m_s.len())
        .filter(|&k| told(&part.base_n, k) || told(&part.other_n, k))
        .enumerate()
        .filter(|(_, k)| part.driven.get(*k).copied().unwrap_or(false) && told(&part.delta_n, *k))
        .map(|(row, _)| row)
        .collect()
}

/// Speed by speed, one direction of one other damper. Resisting forces: what the damper
/// pushes back with, so that more is firmer in both directions; total force, and beside it
/// what of its change is the valves' (gas and friction taken off) with its interval; of total
/// force where a run does not tell the valves'.
pub(super) fn by_speed(
    comparison: &Comparison,
    part: &DirectionComparison,
    direction: Direction,
) -> Table {
    let word = direction.word();
    let columns = [
        ("Speed", Some(Kind::Speed)),
        ("Base", Some(Kind::Force)),
        ("Other", Some(Kind::Force)),
        ("Change", Some(Kind::Force)),
        ("Change, %", None),
        ("Valves", Some(Kind::Force)),
        ("95 % interval", None),
        ("Valves, %", None),
        ("Allowed", Some(Kind::Force)),
        ("Verdict", None),
    ];
    let judged = part.tolerance_pct.is_some();
    let mut table = Table::new(
        format!(
            "{}{}, {} against {}: total force that resists",
            word[..1].to_uppercase(),
            &word[1..],
            part.other,
            comparison.base.name
        ),
        &columns[..if judged { columns.len() } else { 8 }],
    );
    let sign = direction.sign();
    for (k, speed) in comparison.grid_m_s.iter().enumerate() {
        let at = |x: &[Option<f64>]| x.get(k).copied().flatten();
        let (base, other) = (at(&part.base_n), at(&part.other_n));
        if base.is_none() && other.is_none() {
            continue;
        }
        let interval = part.judged().ci95_n.get(k).copied().flatten().map(|e| {
            let mut ends = e.map(|x| sign * x);
            ends.sort_by(f64::total_cmp);
            ends
        });
        let mut row = vec![
            Cell::Number(Some(*speed)),
            Cell::Number(base.map(|x| sign * x)),
            Cell::Number(other.map(|x| sign * x)),
            Cell::Dual(signed(Kind::Force, at(&part.delta_n).map(|x| sign * x))),
            Cell::Dual(signed(Kind::Number, at(&part.delta_pct))),
        ];
        let valves = part.hydraulic.as_ref();
        let of = |x: Option<&Vec<Option<f64>>>| x.and_then(|x| at(x));
        row.extend([
            Cell::Dual(signed(
                Kind::Force,
                of(valves.map(|h| &h.delta_n)).map(|x| sign * x),
            )),
            Cell::Dual(signed_interval(Kind::Force, interval)),
            Cell::Dual(signed(Kind::Number, of(valves.map(|h| &h.delta_pct)))),
        ]);
        if judged {
            let verdict = part.verdicts.get(k).copied().flatten();
            let compared = at(&part.delta_n).is_some();
            let none = if compared { "read between" } else { MISSING };
            row.extend([
                Cell::Number(at(&part.tolerance_n)),
                Cell::Words(verdict.map_or(none, |v| v.word()).to_owned()),
            ]);
        }
        table.rows.push(row);
    }
    table
}

fn change_table(caption: String) -> Table {
    Table::new(
        caption,
        &[
            ("What", None),
            ("Base", None),
            ("Other", None),
            ("Change", None),
            ("95 % interval", None),
            ("Change, %", None),
        ],
    )
}

fn push(table: &mut Table, what: String, kind: Kind, change: &Change) {
    if change.base.is_none() && change.other.is_none() {
        return;
    }
    let unit = |d: Dual| {
        Dual::by(|shown| {
            let symbol = quantity(kind, shown).symbol;
            let text = d.get(shown);
            if symbol.is_empty() || text == MISSING {
                text.to_owned()
            } else {
                format!("{text}\u{a0}{symbol}")
            }
        })
    };
    table.rows.push(vec![
        Cell::Words(what),
        Cell::Dual(unit(dual_bare(kind, change.base))),
        Cell::Dual(unit(dual_bare(kind, change.other))),
        Cell::Dual(unit(signed(kind, change.delta))),
        Cell::Dual(unit(signed_interval(kind, change.ci95))),
        Cell::Dual(signed(Kind::Number, change.delta_pct)),
    ]);
}

/// Gas force, friction, slopes, knees of one other damper.
pub(super) fn changes(comparison: &Comparison, i: usize) -> Table {
    let other = &comparison.others[i].name;
    let mut table = change_table(format!("{other} against {}", comparison.base.name));
    if let Some(s) = comparison.statics.get(i) {
        push(
            &mut table,
            "Gas force (with the load cell's zero)".into(),
            Kind::Force,
            &s.gas_force_n,
        );
        push(
            &mut table,
            "Gas stiffness".into(),
            Kind::Stiffness,
            &s.gas_stiffness_n_m,
        );
        push(&mut table, "Friction".into(), Kind::Force, &s.friction_n);
    }
    if let Some(f) = comparison.fits.get(i) {
        for direction in Direction::BOTH {
            let fit = match direction {
                Direction::Compression => &f.compression,
                Direction::Rebound => &f.rebound,
            };
            fits(&mut table, direction.word(), fit);
        }
    }
    table
}

fn fits(table: &mut Table, word: &str, fit: &FitChange) {
    push(
        table,
        format!("Slope at low speed, {word}"),
        Kind::Damping,
        &fit.low_speed_slope_n_s_m,
    );
    push(
        table,
        format!("Slope at high speed, {word}"),
        Kind::Damping,
        &fit.high_speed_slope_n_s_m,
    );
    for (k, (speed, force)) in fit
        .knee_velocity_m_s
        .iter()
        .zip(&fit.knee_force_n)
        .enumerate()
    {
        let which = if fit.knee_velocity_m_s.len() > 1 {
            format!("Knee {}, {word}", k + 1)
        } else {
            format!("Knee, {word}")
        };
        push(table, which.clone(), Kind::Speed, speed);
        push(table, format!("{which}, force"), Kind::Force, force);
    }
    if let (Some(a), Some(b)) = (&fit.base_model, &fit.other_model)
        && a != b
    {
        table.rows.push(vec![
            Cell::Words(format!("Shape, {word}")),
            Cell::Words(a.clone()),
            Cell::Words(b.clone()),
            Cell::Words("changed".into()),
            Cell::Words(MISSING.into()),
            Cell::Words(MISSING.into()),
        ]);
    }
}

/// Heat, hysteresis, lost motion at the speeds both were driven at.
pub(super) fn steps(comparison: &Comparison, i: usize) -> Table {
    let other = &comparison.others[i].name;
    let mut table = Table::new(
        format!(
            "Heat, loop width and lost motion: {} → {other}",
            comparison.base.name
        ),
        &[
            ("Speed", Some(Kind::Speed)),
            ("Heat per cycle", Some(Kind::Energy)),
            ("Heat change, %", None),
            ("Loop width, compression", Some(Kind::Share)),
            ("Loop width, rebound", Some(Kind::Share)),
            ("Lost motion, compression", Some(Kind::Travel)),
            ("Lost motion, rebound", Some(Kind::Travel)),
        ],
    );
    let Some(heat) = comparison.heat.get(i) else {
        return table;
    };
    for step in &heat.steps {
        table.rows.push(step_row(step));
    }
    table
}

fn step_row(step: &StepChange) -> Vec<Cell> {
    let share = |direction| step.hysteresis_share.get(direction);
    vec![
        Cell::Number(Some(step.velocity_m_s)),
        before_after(&step.energy_per_cycle_j, |v| bare_of(Kind::Energy, v)),
        Cell::Dual(signed(Kind::Number, step.energy_per_cycle_j.delta_pct)),
        before_after(share(Direction::Compression), percent),
        before_after(share(Direction::Rebound), percent),
        before_after(&step.lost_compression_m, lost),
        before_after(&step.lost_rebound_m, lost),
    ]
}

/// `base → other`, without unit.
fn before_after(change: &Change, show: impl Fn(f64) -> Dual) -> Cell {
    let one = |value: Option<f64>| value.map_or_else(|| Dual::same(MISSING), &show);
    let (base, other) = (one(change.base), one(change.other));
    Cell::Dual(Dual::by(|shown| {
        format!("{} → {}", base.get(shown), other.get(shown))
    }))
}

fn bare_of(kind: Kind, value: f64) -> Dual {
    dual_bare(kind, Some(value))
}

/// A loop width: a tenth of a percent is all that repeats.
fn percent(share: f64) -> Dual {
    Dual::same(fixed(100.0 * share, 1))
}

/// Lost motion: hundredths of a millimetre, thousandths of an inch.
fn lost(travel: f64) -> Dual {
    Dual::by(|shown| {
        let places = match shown {
            Shown::Si => 2,
            Shown::Us => 3,
        };
        fixed(quantity(Kind::Travel, shown).from_si(travel), places)
    })
}

/// Findings gained, lost and kept by all others.
pub(super) fn findings(comparison: &Comparison) -> Table {
    let mut table = Table::new(
        "Findings gained, lost and kept",
        &[
            ("Damper", None),
            ("Finding", None),
            ("Direction", None),
            ("Base", None),
            ("Other", None),
            ("So", None),
        ],
    );
    for f in &comparison.findings {
        for (list, word) in [
            (&f.gained, "gained"),
            (&f.lost, "lost"),
            (&f.kept, "in both"),
        ] {
            for change in list {
                let verdict = |v: Option<crate::findings::Verdict>| {
                    Cell::Words(v.map_or(MISSING.to_owned(), |v| words::verdict(v).to_owned()))
                };
                table.rows.push(vec![
                    Cell::Words(f.other.clone()),
                    Cell::Words(words::title(&change.kind)),
                    Cell::Words(
                        match change.direction {
                            Some(Side::Compression) => "compression",
                            Some(Side::Rebound) => "rebound",
                            Some(Side::Both) => "both",
                            None => MISSING,
                        }
                        .to_owned(),
                    ),
                    verdict(change.base),
                    verdict(change.other),
                    Cell::Words(word.to_owned()),
                ]);
            }
        }
    }
    table
}
