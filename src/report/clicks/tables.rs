//! Tables: force by setting and speed, the curve at a setting.

use super::words::{direction_caption, force_word, number};
use crate::clicks::{Adjuster, Clicks, CurveAt, Effect};
use crate::report::format::{Dual, dual_within};
use crate::report::page::{Cell, Table};
use crate::steps::Direction;
use crate::units::display::{Kind, Shown, quantity};

/// A few effects of a direction, evenly over the speeds.
pub(super) fn some(adjuster: &Adjuster, direction: Direction, most: usize) -> Vec<&Effect> {
    let all: Vec<&Effect> = adjuster
        .effect
        .iter()
        .filter(|e| e.direction == direction)
        .collect();
    let n = all.len();
    if n <= most {
        return all;
    }
    (0..most).map(|i| all[i * (n - 1) / (most - 1)]).collect()
}

/// A speed with its unit, or in both systems.
pub(super) fn speed(v: f64, shown: Option<Shown>) -> String {
    let one = |shown: Shown| {
        let unit = quantity(Kind::Speed, shown);
        let x = unit.from_si(v);
        let places = usize::from(shown == Shown::Us) + 2 * usize::from(shown == Shown::Si);
        let places = if shown == Shown::Si && x < 0.0995 {
            3
        } else {
            places
        };
        format!("{x:.places$} {}", unit.symbol)
    };
    match shown {
        Some(shown) => one(shown),
        None => format!("{} ({})", one(Shown::Si), one(Shown::Us)),
    }
}

/// Settings down, speeds across: the force that resists. `shown` is the unit system of the
/// headings, both without; `whole` also lists settings that were not run.
pub(super) fn by_setting(
    clicks: &Clicks,
    adjuster: &Adjuster,
    direction: Direction,
    effects: &[&Effect],
    shown: Option<Shown>,
    whole: bool,
) -> Table {
    let rest = format!(
        "{}: {} that resists, N by setting",
        adjuster.name,
        force_word(clicks)
    );
    let mut names = vec![(adjuster.name.clone(), None)];
    names.extend(
        effects
            .iter()
            .map(|e| (speed(e.velocity_m_s, shown), Some(Kind::Force))),
    );
    let columns: Vec<(&str, Option<Kind>)> = names.iter().map(|n| (n.0.as_str(), n.1)).collect();
    let caption = direction_caption(direction, &rest).replace(", N by setting", " by setting");
    let mut table = Table::new(caption, &columns);
    let sign = direction.sign();
    let places = effects.first().map_or(0, |e| e.settings.len());
    for k in 0..places {
        let value = effects[0].settings[k];
        let run = adjuster.settings.contains(&value);
        if !run && !whole {
            continue;
        }
        let label = if run {
            number(value)
        } else {
            format!("{} (not run)", number(value))
        };
        let mut row = vec![Cell::Words(label)];
        row.extend(
            effects
                .iter()
                .map(|e| Cell::Dual(with_half(sign * e.force_n[k], e.ci95_n[k]))),
        );
        table.rows.push(row);
    }
    table
}

/// A force and half the width of its interval, without unit.
fn with_half(force: f64, ci: [f64; 2]) -> Dual {
    let half = 0.5 * (ci[1] - ci[0]);
    Dual::by(|shown| {
        let unit = quantity(Kind::Force, shown);
        let text = crate::report::format::with_spread(Kind::Force, force, Some(half), shown);
        text.trim_end_matches(unit.symbol).trim_end().to_owned()
    })
}

/// What an adjuster does at each speed of a direction.
pub(super) fn by_speed(adjuster: &Adjuster, direction: Direction) -> Table {
    let mut table = Table::new(
        direction_caption(
            direction,
            &format!("{}: from the lowest to the highest setting", adjuster.name),
        ),
        &[
            ("Speed", Some(Kind::Speed)),
            ("Change", Some(Kind::Force)),
            ("95 % interval", None),
            ("Change, %", None),
            ("Shown", None),
        ],
    );
    let sign = direction.sign();
    for e in adjuster.effect.iter().filter(|e| e.direction == direction) {
        let mut ends = e.range_ci95_n.map(|x| sign * x);
        ends.sort_by(f64::total_cmp);
        table.rows.push(vec![
            Cell::Number(Some(e.velocity_m_s)),
            Cell::Dual(dual_change(sign * e.range_n)),
            Cell::Dual(Dual::by(|shown| {
                let unit = quantity(Kind::Force, shown);
                let text = crate::report::format::interval(Kind::Force, ends, shown);
                text.trim_end_matches(unit.symbol).trim_end().to_owned()
            })),
            Cell::Number(e.range_pct),
            Cell::Words(if e.shown { "yes" } else { "no" }.into()),
        ]);
    }
    table
}

fn dual_change(value: f64) -> Dual {
    Dual::by(|shown| {
        let x = quantity(Kind::Force, shown).difference_from_si(value);
        let text = crate::report::format::fixed(x, usize::from(x.abs() < 99.95));
        if x > 0.0 { format!("+{text}") } else { text }
    })
}

/// The curve at a setting that was asked for.
pub(super) fn curve_at(clicks: &Clicks, at: &CurveAt) -> Table {
    let mut table = Table::new(
        format!(
            "{} that resists, and total force at mid-stroke",
            crate::report::text::capital(force_word(clicks))
        ),
        &[
            ("Direction", None),
            ("Speed", Some(Kind::Speed)),
            ("Force", Some(Kind::Force)),
            ("95 % interval", None),
            ("Total", Some(Kind::Force)),
        ],
    );
    for direction in Direction::BOTH {
        let points = match direction {
            Direction::Compression => &at.compression,
            Direction::Rebound => &at.rebound,
        };
        let sign = direction.sign();
        for p in points {
            let mut ends = p.ci95_n.map(|x| sign * x);
            ends.sort_by(f64::total_cmp);
            // Of the total force, the interval is that of the hydraulic force about it.
            let force = p.hydraulic_n.unwrap_or(p.total_n);
            let within = dual_within(Kind::Force, sign * force, Some(ends));
            let bare = |dual: &Dual| {
                Dual::by(|shown| {
                    let unit = quantity(Kind::Force, shown);
                    dual.get(shown)
                        .trim_end_matches(unit.symbol)
                        .trim_end()
                        .to_owned()
                })
            };
            table.rows.push(vec![
                Cell::Words(direction.word().into()),
                Cell::Number(Some(p.velocity_m_s)),
                Cell::Dual(bare(&within)),
                Cell::Dual(bare(&crate::report::format::dual_interval(
                    Kind::Force,
                    ends,
                ))),
                Cell::Number(Some(sign * p.total_n)),
            ]);
        }
    }
    table
}
