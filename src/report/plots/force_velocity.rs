//! Force against speed: peak-velocity points, full-cycle curve with its band, fit, knees.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape, Side, WIDE};
use crate::report::format::{Dual, dual};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Kind;

/// Standard errors to either side of the curve in its band (95 % for many cycles).
const BAND: f64 = 1.96;

/// The ink of a direction.
pub fn ink(direction: Direction) -> Ink {
    match direction {
        Direction::Compression => Ink::Compression,
        Direction::Rebound => Ink::Rebound,
    }
}

/// The shape of a direction's points: they differ without colour, too.
pub fn shape(direction: Direction) -> Shape {
    match direction {
        Direction::Compression => Shape::Dot,
        Direction::Rebound => Shape::Square,
    }
}

/// The low end is shown enlarged up to this speed, m/s, or to [`PAST_KNEE`] times the
/// first knee, whichever is more. Common practice calls what happens below about a
/// quarter of a metre per second low speed.
const LOW_SPEED: f64 = 0.25;
/// See [`LOW_SPEED`].
const PAST_KNEE: f64 = 1.5;

/// The figure; `None` if there is no curve at all.
pub fn figure(run: &Run) -> Option<Figure> {
    let plot = plot(run, None)?;
    Some(Figure {
        caption: caption(run),
        alt: alt(run),
        table: table(run),
        reading: Some(reading()),
        wide: true,
        plot,
    })
}

/// The low-speed end, enlarged; `None` where the first figure shows it as well.
pub fn low_speed(run: &Run) -> Option<Figure> {
    let knees = Direction::BOTH
        .into_iter()
        .filter_map(|d| run.fits.get(d).as_ref())
        .filter_map(|fit| fit.knees.first())
        .map(|knee| knee.velocity_m_s);
    let end = LOW_SPEED.max(PAST_KNEE * knees.fold(0.0, f64::max));
    let points = Direction::BOTH
        .into_iter()
        .flat_map(|d| run.curve.peaks.get(d))
        .map(|p| p.velocity_m_s);
    let (few, fastest) = points.fold((0, 0.0), |(n, v), p| {
        (n + usize::from(p <= end), f64::max(v, p))
    });
    if fastest < 2.0 * end || few < 2 {
        return None;
    }
    Some(Figure {
        plot: plot(run, Some(end))?,
        caption: Text::from("The same up to ")
            .num(dual(Kind::Speed, Some(end)))
            .say(
                ": where body roll, pitch and heave live, and where bleed and the opening of the \
             valves show. Where the two curves meet the left edge, half their distance is friction \
             and their middle the gas force.",
            ),
        alt: Text::from(
            "The low-speed end of the plot before, enlarged; its numbers are in the same table.",
        ),
        table: table(run),
        reading: Some(reading()),
        wide: true,
    })
}

fn reading() -> Reading {
    Reading {
        x: 1,
        y: vec![(2, String::new())],
        by_row: None,
    }
}

/// The plot, whole or up to a speed.
fn plot(run: &Run, end: Option<f64>) -> Option<Plot> {
    let mut layers = Vec::new();
    for direction in Direction::BOTH {
        let made = layers_of(run, direction);
        let what = [
            "whole-cycle curve",
            "fit and knees",
            "peak-speed points",
            "",
        ];
        for (mut layer, what) in made.into_iter().zip(what) {
            if let Some(end) = end {
                layer.marks = layer
                    .marks
                    .into_iter()
                    .filter_map(|mark| mark.up_to(end))
                    .collect();
            }
            layer.name = named(&layer, what, direction);
            layers.push(layer);
        }
    }
    let values: Vec<(f64, f64)> = layers.iter().flat_map(places).collect();
    if values.is_empty() {
        return None;
    }
    let mut x = Axis::around("Speed", Kind::Speed, values.iter().map(|v| v.0), &[0.0]);
    let y = Axis::around(
        "Force",
        Kind::Force,
        values.iter().map(|v| v.1).chain([0.0]),
        &[],
    );
    let (id, title) = match end {
        None => ("force-speed", "Measured points, whole-cycle curve and fit"),
        Some(_) => ("low-speed", "Low speed, enlarged"),
    };
    if let Some(end) = end {
        x.to = end;
    }
    let mut plot = Plot::new(id, title, x, y);
    plot.size = WIDE;
    // Back to front: bands and curves, fits, points, labels.
    for wanted in 0..4 {
        for layer in layers.iter().skip(wanted).step_by(4) {
            plot.push(layer.clone());
        }
    }
    for direction in Direction::BOTH {
        let at = match direction {
            Direction::Compression => (plot.x.from, plot.y.to),
            Direction::Rebound => (plot.x.from, plot.y.from),
        };
        plot.push(
            Layer::new(String::new(), Dual::default(), ink(direction)).with(Mark::Label {
                at,
                shift: (10.0, 12.0 * direction.sign()),
                side: Side::Right,
                words: Dual::same(direction.word()),
                minor: false,
            }),
        );
    }
    Some(plot)
}

/// Places a layer's marks reach.
fn places(layer: &Layer) -> Vec<(f64, f64)> {
    let mut places = Vec::new();
    for mark in &layer.marks {
        match mark {
            Mark::Line { points, .. } | Mark::Points { points, .. } => {
                places.extend(points.iter().copied());
            }
            Mark::Band { edges, .. } => {
                places.extend(edges.iter().flat_map(|e| [(e.0, e.1), (e.0, e.2)]));
            }
            Mark::Whisker(x, lo, hi) => places.extend([(*x, *lo), (*x, *hi)]),
            _ => {}
        }
    }
    places
}

fn named(layer: &Layer, what: &str, direction: Direction) -> Dual {
    if layer.marks.is_empty() || what.is_empty() {
        Dual::default()
    } else {
        Dual::same(format!("{what}, {}", direction.word()))
    }
}

/// Curve, fit, points and labels of one direction.
fn layers_of(run: &Run, direction: Direction) -> [Layer; 4] {
    let letter = &direction.word()[..1];
    let ink = ink(direction);
    let layer = |key: &str| Layer::new(format!("{key}-{letter}"), Dual::default(), ink);
    let curve_points = match direction {
        Direction::Compression => &run.curve.compression,
        Direction::Rebound => &run.curve.rebound,
    };
    let mut curve = layer("curve");
    if curve_points.len() > 1 {
        let edges: Vec<(f64, f64, f64)> = curve_points
            .iter()
            .filter_map(|p| {
                p.se_n.map(|se| {
                    (
                        p.velocity_m_s,
                        p.total_force_n - BAND * se,
                        p.total_force_n + BAND * se,
                    )
                })
            })
            .collect();
        if edges.len() > 1 {
            curve = curve.with(Mark::Band {
                edges,
                opacity: 0.22,
            });
        }
        curve = curve.with(Mark::Line {
            points: curve_points
                .iter()
                .map(|p| (p.velocity_m_s, p.total_force_n))
                .collect(),
            width: 1.2,
            dash: Dash::Solid,
        });
    }
    let peaks = run.curve.peaks.get(direction);
    let mut points = layer("peaks");
    if !peaks.is_empty() {
        points = points
            .with_all(peaks.iter().filter_map(|p| {
                p.se_n.filter(|se| *se > 0.0).map(|se| {
                    Mark::Whisker(p.velocity_m_s, p.force_n - BAND * se, p.force_n + BAND * se)
                })
            }))
            .with(Mark::Points {
                points: peaks.iter().map(|p| (p.velocity_m_s, p.force_n)).collect(),
                shape: shape(direction),
                size: 4.2,
            });
    }
    let mut fit_layer = layer("fit");
    let mut labels = layer("fit");
    if let Some(fit) = run.fits.get(direction) {
        let sign = direction.sign();
        for piece in &fit.segments {
            let at = |v: f64| (v, sign * (piece.intercept_n + piece.slope_n_s_m * v));
            fit_layer = fit_layer.with(Mark::Line {
                points: vec![at(piece.from_m_s), at(piece.to_m_s)],
                width: 2.2,
                dash: Dash::Long,
            });
        }
        for (i, knee) in fit.knees.iter().enumerate() {
            let at = (knee.velocity_m_s, sign * knee.force_n);
            fit_layer = fit_layer
                .with(Mark::Bar(at.1, knee.ci95_m_s[0], knee.ci95_m_s[1]))
                .with(Mark::Points {
                    points: vec![at],
                    shape: Shape::Diamond,
                    size: 5.5,
                });
            labels = labels.with(Mark::Label {
                at,
                // Each a line further out: knees can lie close together.
                shift: (12.0, (20.0 + 17.0 * i as f64) * sign),
                side: Side::Right,
                words: Dual::by(|shown| {
                    format!(
                        "knee at {}",
                        dual(Kind::Speed, Some(knee.velocity_m_s)).get(shown)
                    )
                }),
                minor: true,
            });
        }
    }
    [curve, fit_layer, points, labels]
}

fn caption(run: &Run) -> Text {
    let mut text = Text::from(
        "Compression upwards, rebound downwards, forces in full: gas and friction are in them. ",
    );
    if run.curve.peaks.compression.is_empty() && run.curve.peaks.rebound.is_empty() {
        text = text.say("Look for where the line bends. ");
    } else {
        text = text.say(
            "Points are measured at the fastest instant of each speed; the thin line uses every \
             sample and its band is where the mean lies with 95 % confidence. Points off the line \
             mean the force depends on more than speed. ",
        );
    }
    if let Some(c) = run.reference_c() {
        text = text
            .say("All of it as it would be at ")
            .num(dual(Kind::Temperature, Some(c)))
            .say(", by the change with temperature this run showed. ");
    }
    text.say(
        "The dashed pieces are the fit; a diamond is a knee, the bar through it how well its \
         speed is known.",
    )
}

fn alt(run: &Run) -> Text {
    let mut text = Text::from("Force against speed. ");
    for direction in Direction::BOTH {
        let peaks = run.curve.peaks.get(direction);
        let (Some(first), Some(last)) = (peaks.first(), peaks.last()) else {
            continue;
        };
        text = text
            .say(format!("In {} the force goes from ", direction.word()))
            .num(dual(Kind::Force, Some(first.force_n)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(first.velocity_m_s)))
            .say(" to ")
            .num(dual(Kind::Force, Some(last.force_n)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(last.velocity_m_s)));
        if let Some(fit) = run.fits.get(direction) {
            text = text.say(format!(" ({}", fit.model));
            for knee in &fit.knees {
                text = text
                    .say(", knee at ")
                    .num(dual(Kind::Speed, Some(knee.velocity_m_s)));
            }
            text = text.say(")");
        }
        text = text.say(". ");
    }
    text
}

fn table(run: &Run) -> Table {
    let mut table = Table::new(
        "Force against speed",
        &[
            ("What", None),
            ("Speed", Some(Kind::Speed)),
            ("Force", Some(Kind::Force)),
            ("Standard error", Some(Kind::Force)),
        ],
    );
    for direction in Direction::BOTH {
        for p in run.curve.peaks.get(direction) {
            table.rows.push(vec![
                Cell::Words(format!("{}, peak point", direction.word())),
                Cell::Number(Some(p.velocity_m_s)),
                Cell::Number(Some(p.force_n)),
                Cell::Number(p.se_n),
            ]);
        }
    }
    for direction in Direction::BOTH {
        let curve = match direction {
            Direction::Compression => &run.curve.compression,
            Direction::Rebound => &run.curve.rebound,
        };
        for p in curve {
            table.rows.push(vec![
                Cell::Words(format!("{}, whole cycle", direction.word())),
                Cell::Number(Some(p.velocity_m_s)),
                Cell::Number(Some(p.total_force_n)),
                Cell::Number(p.se_n),
            ]);
        }
    }
    table
}
