//! What each adjuster does: effect, dead and usable range, spacing, the other direction.

use super::answer::{Adjuster, Cross, CrossEffect, Effect, Interval, Measured, Spacing, Span};
use super::fitted::{Cell, Fitted, interval, moments, z_of_many};
use crate::compare::{CompareSettings, Purpose};
use crate::steps::Direction;

/// A change that stays below this share of the force matters to nobody: half of what the
/// trade lets a pair differ by (5 %, common practice).
pub(super) const MATTERS: f64 = 0.025;
/// … and so does one below this, N: half the floor of a comparison's tolerance.
pub(super) const MATTERS_N: f64 = 5.0;
/// A dead range does less than this share of what as many clicks do on average (by feel).
const DEAD_SHARE: f64 = 0.25;
/// Speeds where an adjuster's share of the force is at least this much of its largest are
/// where it works.
const WORKS: f64 = 0.5;
/// Steps that do this much or less of the mean, to this much or more, are not even.
const EVEN: [f64; 2] = [0.5, 1.5];

/// A share of a force that stands clear of zero.
fn share(change: f64, size: f64) -> Option<f64> {
    (size > MATTERS_N).then(|| change / size)
}

/// What adjuster `a` does.
pub(super) fn adjuster(
    fitted: &Fitted,
    a: usize,
    acts_on: impl Fn(Direction) -> Vec<String>,
    settings: &CompareSettings,
) -> Adjuster {
    let axis = &fitted.axes[a];
    let direction = main_direction(fitted, a);
    let working = direction.map_or_else(Vec::new, |d| working(fitted, a, d));
    let dead = dead(fitted, a, &working, settings);
    let usable = direction.map(|_| usable(&axis.run, &dead));
    let spacing = usable.and_then(|u| spacing(fitted, a, &working, u, settings));
    let other = direction.map(|d| match d {
        Direction::Compression => Direction::Rebound,
        Direction::Rebound => Direction::Compression,
    });
    let across: Vec<&Cell> = fitted
        .cells
        .iter()
        .filter(|c| Some(c.direction) == other)
        .collect();
    Adjuster {
        name: axis.name.clone(),
        unit: axis.unit,
        counted_from: axis.counted_from,
        settings: axis.run.clone(),
        direction,
        acts_on: direction.map_or_else(Vec::new, acts_on),
        effect: fitted
            .cells
            .iter()
            .map(|c| effect(fitted, c, a, settings))
            .collect(),
        dead,
        usable,
        spacing,
        cross_effect: across
            .iter()
            .map(|c| cross_effect(fitted, c, a, settings))
            .collect(),
        cross: cross(fitted, a, &across, settings),
    }
}

/// The direction with the largest shown share.
fn main_direction(fitted: &Fitted, a: usize) -> Option<Direction> {
    let largest = |d: Direction| {
        fitted
            .cells
            .iter()
            .filter(|c| c.direction == d && c.shown[a])
            .filter_map(|c| share(moments(&fitted.ranges(c, a)).0, c.size()))
            .map(f64::abs)
            .fold(0.0, f64::max)
    };
    let (c, r) = (largest(Direction::Compression), largest(Direction::Rebound));
    if c.max(r) == 0.0 {
        None
    } else if c > r {
        Some(Direction::Compression)
    } else {
        Some(Direction::Rebound)
    }
}

/// The speeds of a direction where it works.
fn working(fitted: &Fitted, a: usize, direction: Direction) -> Vec<&Cell> {
    let shares: Vec<(&Cell, f64)> = fitted
        .cells
        .iter()
        .filter(|c| c.direction == direction && c.shown[a])
        .filter_map(|c| Some((c, share(moments(&fitted.ranges(c, a)).0, c.size())?.abs())))
        .collect();
    let most = shares.iter().map(|s| s.1).fold(0.0, f64::max);
    let kept = shares.into_iter().filter(|s| s.1 >= WORKS * most);
    kept.map(|s| s.0).collect()
}

/// Force along an adjuster at one speed.
fn effect(fitted: &Fitted, cell: &Cell, a: usize, settings: &CompareSettings) -> Effect {
    let axis = &fitted.axes[a];
    let sign = cell.direction.sign();
    let signed = |ends: [f64; 2]| {
        let mut out = ends.map(|x| sign * x);
        out.sort_by(f64::total_cmp);
        out
    };
    let (mut at, mut force, mut ci) = (Vec::new(), Vec::new(), Vec::new());
    for (place, value) in axis.grid.iter().enumerate().filter(|g| axis.is_plain(*g.1)) {
        let draws = cell.draws(&fitted.along(a, place));
        at.push(*value);
        force.push(sign * moments(&draws).0);
        ci.push(signed(interval(&draws, settings.confidence)));
    }
    let ranges = fitted.ranges(cell, a);
    let (range, ends) = (moments(&ranges).0, interval(&ranges, settings.confidence));
    let (span, size) = (axis.span(), cell.size());
    let pct = |x: f64| share(100.0 * x, size);
    Effect {
        direction: cell.direction,
        velocity_m_s: cell.speed,
        settings: at,
        hydraulic_n: fitted.is_hydraulic().then(|| force.clone()),
        force_n: force,
        ci95_n: ci,
        measured: fitted
            .beside(a)
            .into_iter()
            .map(|(run, setting)| Measured {
                setting,
                force_n: sign * cell.observed.force[run],
            })
            .collect(),
        n_per_click: Interval {
            value: sign * range / span,
            ci95: signed(ends.map(|x| x / span)),
        },
        pct_per_click: pct(range / span).map(|value| Interval {
            value,
            ci95: ends.map(|x| 100.0 * x / span / size),
        }),
        range_n: sign * range,
        range_ci95_n: signed(ends),
        range_pct: pct(range),
        shown: cell.shown[a],
        one_way: cell.one_way[a],
    }
}

/// The longest ranges of settings over which, at every speed where the adjuster works, the
/// force is shown (two one-sided tests) to change by less than a quarter of what such a range does
/// on average, and by less than a pair may differ by.
fn dead(fitted: &Fitted, a: usize, working: &[&Cell], settings: &CompareSettings) -> Vec<Span> {
    let axis = &fitted.axes[a];
    let steps = axis.run.len() - 1;
    // Every working speed must pass, which keeps the level of the whole well below that of one
    // test; no further allowance is made.
    let z = z_of_many(1.0 - 2.0 * settings.alpha, 1);
    let is_dead = |from: f64, to: f64| {
        let (Some(i), Some(j)) = (axis.place(from), axis.place(to)) else {
            return false;
        };
        !working.is_empty()
            && working.iter().all(|cell| {
                let (mean, sd) = moments(&fitted.changes(cell, a, i, j));
                let fair = moments(&fitted.ranges(cell, a)).0.abs() * (to - from) / axis.span();
                let margin = (DEAD_SHARE * fair)
                    .min(settings.allowed_n(cell.size(), settings.tolerance(Purpose::Pair)));
                mean.abs() + z * sd <= margin
            })
    };
    let mut out: Vec<Span> = Vec::new();
    let mut i = 0;
    while i < steps {
        let end = (i + 1..=steps)
            .rev()
            .find(|j| is_dead(axis.run[i], axis.run[*j]));
        if let Some(j) = end {
            out.push(Span {
                from: axis.run[i],
                to: axis.run[j],
            });
        }
        i = end.unwrap_or(i + 1);
    }
    out
}

fn usable(run: &[f64], dead: &[Span]) -> Span {
    let (low, high) = (run[0], run[run.len() - 1]);
    let from = dead.iter().find(|d| d.from == low).map_or(low, |d| d.to);
    let to = dead.iter().find(|d| d.to == high).map_or(high, |d| d.from);
    Span { from, to }
}

/// Whether the steps of the usable range do alike, at the speed that tells best.
fn spacing(
    fitted: &Fitted,
    a: usize,
    working: &[&Cell],
    usable: Span,
    settings: &CompareSettings,
) -> Option<Spacing> {
    let axis = &fitted.axes[a];
    let run: Vec<f64> = axis
        .run
        .iter()
        .copied()
        .filter(|v| (usable.from..=usable.to).contains(v))
        .collect();
    // Two steps at least, or there is nothing to compare.
    if run.len() < 3 {
        return None;
    }
    let sure = |c: &&&Cell| {
        let (mean, sd) = moments(&fitted.ranges(c, a));
        mean.abs() / sd
    };
    let cell = working.iter().max_by(|x, y| sure(x).total_cmp(&sure(y)))?;
    let whole = fitted.changes(cell, a, axis.place(usable.from)?, axis.place(usable.to)?);
    let z = z_of_many(settings.confidence, run.len() - 1);
    let mut even = true;
    let mut most: Option<(Span, f64)> = None;
    for step in run.windows(2) {
        let part = fitted.changes(cell, a, axis.place(step[0])?, axis.place(step[1])?);
        let fair = (step[1] - step[0]) / (usable.to - usable.from);
        let rates: Vec<f64> = part.iter().zip(&whole).map(|(p, w)| p / w / fair).collect();
        let (mean, sd) = moments(&rates);
        even &= mean - z * sd >= EVEN[0] && mean + z * sd <= EVEN[1];
        if mean - z * sd > EVEN[1] && most.is_none_or(|m| mean > m.1) {
            let span = Span {
                from: step[0],
                to: step[1],
            };
            most = Some((span, mean));
        }
    }
    Some(match most {
        Some((most, times_mean)) => Spacing::Bunched { most, times_mean },
        None if even => Spacing::Even,
        None => Spacing::CannotTell,
    })
}

fn cross_effect(fitted: &Fitted, cell: &Cell, a: usize, settings: &CompareSettings) -> CrossEffect {
    let sign = cell.direction.sign();
    let ranges = fitted.ranges(cell, a);
    let range = moments(&ranges).0;
    let mut ci95_n = interval(&ranges, settings.confidence).map(|x| sign * x);
    ci95_n.sort_by(f64::total_cmp);
    CrossEffect {
        direction: cell.direction,
        velocity_m_s: cell.speed,
        range_n: sign * range,
        range_pct: share(100.0 * range, cell.size()),
        ci95_n,
        shown: cell.shown[a],
    }
}

/// Shown at one speed, shown to be less than matters at every speed, or neither.
fn cross(fitted: &Fitted, a: usize, across: &[&Cell], settings: &CompareSettings) -> Option<Cross> {
    if across.is_empty() {
        return None;
    }
    if across.iter().any(|c| c.shown[a]) {
        return Some(Cross::Shown);
    }
    let z = z_of_many(1.0 - 2.0 * settings.alpha, 1);
    let small = across.iter().all(|c| {
        let (mean, sd) = moments(&fitted.ranges(c, a));
        mean.abs() + z * sd <= (MATTERS * c.size()).max(MATTERS_N)
    });
    Some(if small {
        Cross::None
    } else {
        Cross::CannotTell
    })
}
