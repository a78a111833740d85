//! Figures of comparisons: curves overlaid, differences against tolerance, loops on equal
//! scales, the map of all mismatches, a run within a target's limits.

use super::tables;
use crate::compare::{CheckResult, Comparison, MatchResult};
use crate::report::format::{Dual, dual, fixed};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::{Ink, RAMP};
use crate::report::plots::frame::{Axis, Dash, Layer, Mark, Plot, Shape, Side, WIDE};
use crate::report::plots::{force_travel, force_velocity};
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Kind;

/// Dampers drawn in one figure, base included; more would cover each other.
pub(super) const MOST_DRAWN: usize = 8;

/// Dashes in turn, so that dampers of one ink differ, and all do in grey print.
const DASHES: [Dash; 4] = [Dash::Solid, Dash::Long, Dash::Short, Dash::Dots];

fn dash(i: usize) -> Dash {
    if i == 0 {
        Dash::Solid
    } else {
        DASHES[(i - 1) % DASHES.len()]
    }
}

/// What the name of a damper's layer begins with.
const DAMPER_KEY: &str = "damper ";

/// Layer of a damper, found again by the first cell of its rows.
fn damper_key(name: &str) -> String {
    format!("{DAMPER_KEY}{}", name.trim())
}

/// Curves of all dampers over each other, bands where the comparison read them, the base
/// drawn heavier.
pub(super) fn overlay(comparison: &Comparison, runs: &[&Run]) -> Option<Figure> {
    let drawn = runs.len().min(MOST_DRAWN);
    let names: Vec<&str> = std::iter::once(comparison.base.name.as_str())
        .chain(comparison.others.iter().map(|o| o.name.as_str()))
        .collect();
    let mut layers = Vec::new();
    let (mut speeds, mut forces) = (vec![0.0], vec![0.0]);
    let mut table = Table::new(
        "Total force at mid-stroke",
        &[
            ("Damper", None),
            ("Speed", Some(Kind::Speed)),
            ("Compression", Some(Kind::Force)),
            ("Rebound", Some(Kind::Force)),
        ],
    );
    for i in 0..drawn {
        let name = names.get(i).copied().unwrap_or("");
        let mut layer = Layer::new(damper_key(name), Dual::same(name), Ink::Damper(i));
        for direction in Direction::BOTH {
            let trace = comparison.traces.get(i)?.get(direction);
            let edges: Vec<(f64, f64, f64)> = trace
                .iter()
                .filter_map(|p| p.ci95_n.map(|[low, high]| (p.velocity_m_s, low, high)))
                .collect();
            let line: Vec<(f64, f64)> = trace.iter().map(|p| (p.velocity_m_s, p.force_n)).collect();
            let driven = trace.iter().filter(|p| p.driven);
            let peaks: Vec<(f64, f64)> = driven.map(|p| (p.velocity_m_s, p.force_n)).collect();
            speeds.extend(line.iter().chain(&peaks).map(|p| p.0));
            forces.extend(line.iter().chain(&peaks).map(|p| p.1));
            layer = layer
                .with(Mark::Band {
                    edges,
                    opacity: if i == 0 { 0.22 } else { 0.14 },
                })
                .with(Mark::Line {
                    points: line,
                    width: if i == 0 { 3.0 } else { 1.7 },
                    dash: dash(i),
                })
                .with(Mark::Points {
                    points: peaks,
                    shape: if i == 0 { Shape::Dot } else { Shape::Ring },
                    size: 3.0,
                });
        }
        layers.push(layer);
        let at = |direction: Direction, k: usize| {
            let part = comparison.get(direction).get(i.saturating_sub(1))?;
            let forces = if i == 0 { &part.base_n } else { &part.other_n };
            forces.get(k).copied().flatten()
        };
        for (k, v) in comparison.grid_m_s.iter().enumerate() {
            table.rows.push(vec![
                Cell::Words(name.to_owned()),
                Cell::Number(Some(*v)),
                Cell::Number(at(Direction::Compression, k)),
                Cell::Number(at(Direction::Rebound, k)),
            ]);
        }
    }
    let mut plot = Plot::new(
        "curves",
        "Force against speed, one over the other",
        Axis::around("Speed", Kind::Speed, speeds, &[0.0]),
        Axis::around("Force", Kind::Force, forces, &[]),
    );
    plot.size = WIDE;
    plot.push(Layer::new("zero", Dual::default(), Ink::Soft).with(Mark::Level(0.0, Dash::Solid)));
    // The base first: heavy enough to be seen under a thin line that lies on it.
    layers.into_iter().for_each(|layer| plot.push(layer));
    let mut caption = Text::from(
        "Compression above zero, rebound below; the base is the heavy line. Points are the peaks of the \
         driven speeds, lines the curve between them as it was read, bands 95 % intervals of each force with run-to-run \
         repeatability.",
    );
    if runs.len() > drawn {
        caption = caption.say(format!(" The first {drawn} of {} are drawn.", runs.len()));
    }
    Some(Figure {
        plot,
        caption,
        alt: Text::from(format!(
            "Force against speed of {drawn} dampers in compression and rebound, drawn over each other."
        )),
        table,
        reading: Some(Reading {
            x: 1,
            y: vec![(2, String::new()), (3, String::new())],
            by_row: Some((0, DAMPER_KEY.to_owned())),
        }),
        wide: true,
    })
}

/// The line of a run: the full-cycle curve, or a table's points.
fn curve_of(run: &Run, direction: Direction) -> Vec<(f64, f64)> {
    run.curve
        .get(direction)
        .iter()
        .map(|p| (p.velocity_m_s, p.total_force_n))
        .collect()
}

/// Differences of one direction against the tolerance.
pub(super) fn difference(comparison: &Comparison, direction: Direction) -> Option<Figure> {
    let parts = comparison.get(direction);
    let sign = direction.sign();
    let word = direction.word();
    let (mut speeds, mut forces) = (Vec::new(), vec![0.0]);
    let mut layers = Vec::new();
    let drawn = parts.len().min(MOST_DRAWN - 1);
    for (i, part) in parts.iter().enumerate().take(drawn) {
        let mut points = Vec::new();
        let mut marks = Vec::new();
        let judged = part.judged();
        for (k, v) in comparison.grid_m_s.iter().enumerate() {
            let Some(delta) = judged.delta_n.get(k).copied().flatten() else {
                continue;
            };
            points.push((*v, sign * delta));
            if let Some([low, high]) = judged.ci95_n.get(k).copied().flatten() {
                let (a, b) = (sign * low, sign * high);
                marks.push((*v, a.min(b), a.max(b)));
            }
        }
        speeds.extend(points.iter().map(|p| p.0));
        forces.extend(points.iter().map(|p| p.1));
        forces.extend(marks.iter().flat_map(|m| [m.1, m.2]));
        layers.push(
            Layer::new(
                format!("damper{}", i + 1),
                Dual::same(part.other.as_str()),
                Ink::Damper(i + 1),
            )
            .with_all(if parts.len() <= 3 {
                marks
                    .into_iter()
                    .map(|(v, a, b)| Mark::Whisker(v, a, b))
                    .collect()
            } else {
                vec![Mark::Band {
                    edges: marks,
                    opacity: 0.14,
                }]
            })
            .with(Mark::Line {
                points: points.clone(),
                width: 1.7,
                dash: dash(i + 1),
            })
            .with(Mark::Points {
                points,
                shape: Shape::Dot,
                size: 3.2,
            }),
        );
    }
    if speeds.is_empty() {
        return None;
    }
    let allowed: Vec<(f64, f64, f64)> = parts
        .first()
        .map(|part| {
            comparison
                .grid_m_s
                .iter()
                .zip(&part.tolerance_n)
                .filter_map(|(v, t)| t.map(|t| (*v, -t, t)))
                .collect()
        })
        .unwrap_or_default();
    forces.extend(allowed.iter().flat_map(|e| [e.1, e.2]));
    let mut plot = Plot::new(
        &format!("difference-{word}"),
        &format!("Difference in {word}"),
        Axis::around("Speed", Kind::Speed, speeds, &[0.0]),
        Axis::around(
            "Other less base, force that resists",
            Kind::Force,
            forces,
            &[],
        ),
    );
    if !allowed.is_empty() {
        plot.push(
            Layer::new("allowed", Dual::same("allowed"), Ink::Soft)
                .with(Mark::Band {
                    edges: allowed.clone(),
                    opacity: 0.16,
                })
                .with(Mark::Line {
                    points: allowed.iter().map(|e| (e.0, e.2)).collect(),
                    width: 1.0,
                    dash: Dash::Short,
                })
                .with(Mark::Line {
                    points: allowed.iter().map(|e| (e.0, e.1)).collect(),
                    width: 1.0,
                    dash: Dash::Short,
                }),
        );
    }
    plot.push(Layer::new("zero", Dual::default(), Ink::Soft).with(Mark::Level(0.0, Dash::Solid)));
    for layer in layers {
        plot.push(layer);
    }
    let judged = parts.iter().any(|p| p.tolerance_pct.is_some());
    let mut caption = Text::from(format!(
        "How much more the other damper resists in {word}, {}; below zero it is softer. Whiskers or bands are \
         95 % intervals.",
        if parts.iter().all(|p| p.hydraulic.is_some()) {
            "gas and friction taken off"
        } else {
            "gas and friction taken off where both runs tell them"
        }
    ));
    if judged {
        caption = caption.say(
            " The shaded band is what is allowed: an interval wholly inside is shown to be within, one wholly \
             outside is not.",
        );
    }
    let table = parts
        .first()
        .map(|part| tables::by_speed(comparison, part, direction))
        .unwrap_or_default();
    Some(Figure {
        plot,
        caption,
        alt: Text::from(format!(
            "Difference of {drawn} damper(s) from the base in {word} against speed{}.",
            if judged { ", with the tolerance" } else { "" }
        )),
        table,
        reading: None,
        wide: false,
    })
}

/// Loops of every damper, one figure each, all on the same scales.
pub(super) fn loops(comparison: &Comparison, runs: &[&Run]) -> Vec<Figure> {
    let names: Vec<&str> = std::iter::once(comparison.base.name.as_str())
        .chain(comparison.others.iter().map(|o| o.name.as_str()))
        .collect();
    let mut figures: Vec<Figure> = runs
        .iter()
        .zip(names)
        .enumerate()
        .take(MOST_DRAWN)
        .filter_map(|(i, (run, name))| {
            let mut figure = force_travel::figure(run)?;
            figure.plot.id = format!("loops-{}", i + 1);
            figure.plot.title = format!("Force against travel, {name}");
            Some(figure)
        })
        .collect();
    let span = |pick: &dyn Fn(&Figure) -> &Axis| {
        figures
            .iter()
            .map(pick)
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(low, high), axis| {
                (low.min(axis.from), high.max(axis.to))
            })
    };
    let (x, y) = (span(&|f| &f.plot.x), span(&|f| &f.plot.y));
    for figure in &mut figures {
        (figure.plot.x.from, figure.plot.x.to) = x;
        (figure.plot.y.from, figure.plot.y.to) = y;
        figure.caption = Text::from(
            "Loops at every speed, on the same scales as the other dampers' so that areas and heights can be \
             held against each other.",
        );
        figure.wide = false;
    }
    figures
}

/// Map of all mismatches: one square for every two dampers, darker is further apart; pairs
/// that were made are marked.
pub(super) fn map(result: &MatchResult) -> Option<Figure> {
    let n = result.dampers.len();
    if n < 2 {
        return None;
    }
    let largest = result
        .mismatch_pct
        .iter()
        .flatten()
        .flatten()
        .copied()
        .fold(0.0, f64::max);
    let labelled = n <= 14;
    // Names along the side, numbers along the foot, where names would run into each other.
    let axis = |named: bool| Axis {
        name: "Damper".to_owned(),
        kind: Kind::Number,
        from: 0.5,
        to: n as f64 + 0.5,
        whole: true,
        named: if named {
            result
                .dampers
                .iter()
                .enumerate()
                .map(|(i, d)| {
                    let text = format!("{} {}", i + 1, short(&d.name));
                    (i as f64 + 1.0, Dual::same(text))
                })
                .collect()
        } else {
            Vec::new()
        },
    };
    let mut plot = Plot::new(
        "mismatches",
        "Mismatch of every two dampers",
        axis(false),
        axis(labelled),
    );
    plot.size = (640, 560);
    for (i, row) in result.mismatch_pct.iter().enumerate() {
        for (j, value) in row.iter().enumerate() {
            let (x, y) = (j as f64 + 1.0, i as f64 + 1.0);
            if i == j {
                continue;
            }
            let Some(value) = value else {
                continue;
            };
            let share = if largest > 0.0 { value / largest } else { 0.0 };
            let step = ((RAMP - 1) as f64 * share).round() as usize;
            plot.push(
                Layer::new("cell", Dual::default(), Ink::Speed(step)).with(Mark::Block {
                    corners: (x - 0.48, x + 0.48, y - 0.48, y + 0.48),
                    opacity: 0.12 + 0.6 * share,
                }),
            );
            if labelled {
                plot.push(
                    Layer::new("value", Dual::default(), Ink::Text)
                        .with(label((x, y), &fixed(*value, 1))),
                );
            }
        }
    }
    let at = |name: &str| result.dampers.iter().position(|d| d.name == name);
    let mut made = Layer::new("pair", Dual::same("paired"), Ink::Mark);
    for pair in &result.pairs {
        if let (Some(i), Some(j)) = (at(&pair.a), at(&pair.b)) {
            for (x, y) in [(i, j), (j, i)] {
                let (x, y) = (x as f64 + 1.0, y as f64 + 1.0);
                made = made.with(Mark::Line {
                    points: vec![
                        (x - 0.48, y - 0.48),
                        (x + 0.48, y - 0.48),
                        (x + 0.48, y + 0.48),
                        (x - 0.48, y + 0.48),
                        (x - 0.48, y - 0.48),
                    ],
                    width: 2.4,
                    dash: Dash::Solid,
                });
            }
        }
    }
    plot.push(made);
    let legend: Vec<String> = result
        .dampers
        .iter()
        .enumerate()
        .map(|(i, d)| format!("{} {}", i + 1, d.name))
        .collect();
    Some(Figure {
        plot,
        caption: Text::from(format!(
            "Mismatch in %, darker is further apart; outlined squares are the pairs made. {}.",
            legend.join(", ")
        )),
        alt: Text::from(format!(
            "A square map of the mismatch of each of {n} dampers with every other."
        )),
        table: super::matching::all(result),
        reading: None,
        wide: true,
    })
}

fn label(at: (f64, f64), words: &str) -> Mark {
    Mark::Label {
        at,
        shift: (0.0, 4.0),
        side: Side::Middle,
        words: Dual::same(words),
        minor: false,
    }
}

/// A name short enough for a square of the map.
fn short(name: &str) -> String {
    const MOST: usize = 10;
    if name.chars().count() <= MOST {
        name.to_owned()
    } else {
        let head: String = name.chars().take(MOST - 1).collect();
        format!("{head}…")
    }
}

/// A run's curve within the limits of a target.
pub(super) fn check_figure(result: &CheckResult, run: &Run) -> Option<Figure> {
    let (mut speeds, mut forces) = (vec![0.0], vec![0.0]);
    let mut layers = Vec::new();
    let mut table = Table::new(
        "The target's speeds",
        &[
            ("Speed", Some(Kind::Speed)),
            ("Direction", None),
            ("Lowest", Some(Kind::Force)),
            ("Measured", Some(Kind::Force)),
            ("Highest", Some(Kind::Force)),
        ],
    );
    let mut any = false;
    for direction in Direction::BOTH {
        let sign = direction.sign();
        let mut allowed = Layer::new(
            format!("allowed-{}", direction.word()),
            match direction {
                Direction::Compression => Dual::same("allowed"),
                Direction::Rebound => Dual::default(),
            },
            Ink::Soft,
        );
        let mut measured = Layer::new(
            direction.word(),
            Dual::same(direction.word()),
            force_velocity::ink(direction),
        );
        let line = curve_of(run, direction);
        forces.extend(line.iter().map(|p| p.1));
        speeds.extend(line.iter().map(|p| p.0));
        measured = measured.with(Mark::Line {
            points: line,
            width: 1.7,
            dash: Dash::Solid,
        });
        let points: Vec<_> = result
            .criteria
            .iter()
            .filter(|c| c.direction == Some(direction))
            .collect();
        let mut edges = Vec::new();
        for c in &points {
            let Some(v) = c.velocity_m_s else { continue };
            any = true;
            speeds.push(v);
            table.rows.push(vec![
                Cell::Number(Some(v)),
                Cell::Words(direction.word().into()),
                Cell::Number(c.limit.min),
                Cell::Number(c.value),
                Cell::Number(c.limit.max),
            ]);
            let ends = [c.limit.min, c.limit.max].map(|l| l.map(|l| sign * l));
            forces.extend(ends.iter().flatten());
            if let [Some(a), Some(b)] = ends {
                edges.push((v, a.min(b), a.max(b)));
                allowed = allowed.with(Mark::Whisker(v, a.min(b), a.max(b)));
            } else if let Some(one) = ends[0].or(ends[1]) {
                allowed = allowed.with(Mark::Points {
                    points: vec![(v, one)],
                    shape: Shape::Diamond,
                    size: 3.2,
                });
            }
            if let Some(value) = c.value {
                measured = measured.with(Mark::Points {
                    points: vec![(v, sign * value)],
                    shape: Shape::Dot,
                    size: 3.6,
                });
            }
        }
        if edges.len() == points.len() && edges.len() > 1 {
            allowed = allowed.with(Mark::Band {
                edges,
                opacity: 0.16,
            });
        }
        layers.push(allowed);
        layers.push(measured);
    }
    if !any {
        return None;
    }
    let mut plot = Plot::new(
        "within-limits",
        "Measured curve and what is allowed",
        Axis::around("Speed", Kind::Speed, speeds, &[0.0]),
        Axis::around("Force", Kind::Force, forces, &[]),
    );
    plot.size = WIDE;
    plot.push(Layer::new("zero", Dual::default(), Ink::Soft).with(Mark::Level(0.0, Dash::Solid)));
    layers.into_iter().for_each(|l| plot.push(l));
    Some(Figure {
        plot,
        caption: Text::from(
            "Compression above zero, rebound below. Points are read at the target's speeds; upright bars are \
             what is allowed there, the shade between them is drawn for the eye only.",
        ),
        alt: Text::from("The measured curve over the target's limits, from ")
            .num(dual(Kind::Speed, Some(0.0)))
            .say(" up."),
        table,
        reading: Some(Reading {
            x: 0,
            y: vec![(3, String::new())],
            by_row: None,
        }),
        wide: true,
    })
}
