//! Loop width at equal speed, against peak speed.

use super::force_velocity::{ink, shape};
use super::frame::{Axis, Dash, Layer, Mark, Plot};
use super::{shown_steps, speed_of};
use crate::report::format::{Dual, dual};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::{Direction, Step};
use crate::units::display::Kind;

/// The figure; `None` if no width could be had.
pub fn figure(run: &Run) -> Option<Figure> {
    let mut steps: Vec<&Step> = run.steps.iter().collect();
    steps.sort_by(|a, b| speed_of(a).total_cmp(&speed_of(b)));
    let series = |direction: Direction| -> Vec<(f64, f64)> {
        steps
            .iter()
            .filter_map(|step| {
                let width = (*step.hysteresis.max_width_n.get(direction))?;
                Some((*step.peak_velocity_m_s.get(direction), width))
            })
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .collect()
    };
    let both = Direction::BOTH.map(series);
    let all: Vec<(f64, f64)> = both.iter().flatten().copied().collect();
    if all.is_empty() {
        return None;
    }
    let x = Axis::around(
        "Peak speed of the step",
        Kind::Speed,
        all.iter().map(|p| p.0),
        &[0.0],
    );
    let y = Axis::around(
        "Largest loop width",
        Kind::Force,
        all.iter().map(|p| p.1).chain([0.0]),
        &[],
    );
    let mut plot = Plot::new("hysteresis", "Loop width against speed", x, y);
    for (direction, points) in Direction::BOTH.into_iter().zip(both) {
        if points.is_empty() {
            continue;
        }
        plot.push(
            Layer::new(
                direction.word(),
                Dual::same(direction.word()),
                ink(direction),
            )
            .with(Mark::Line {
                points: points.clone(),
                width: 1.4,
                dash: match direction {
                    Direction::Compression => Dash::Solid,
                    Direction::Rebound => Dash::Long,
                },
            })
            .with(Mark::Points {
                points,
                shape: shape(direction),
                size: 4.0,
            }),
        );
    }
    let widest = all
        .iter()
        .copied()
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()));
    let mut alt = Text::from("Largest loop width of each step against its peak speed");
    if let Some(widest) = widest {
        alt = alt
            .say("; the widest is ")
            .num(dual(Kind::Force, Some(widest.1)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(widest.0)));
    }
    Some(Figure {
        plot,
        caption: Text::from(
            "How far the force differs, at the same speed, between speeding up and slowing down: \
             above zero it is larger while speeding up. Width that grows with the square of speed \
             points to delay or trapped air; width that is there from the slowest speed on, to \
             the gas spring.",
        ),
        alt: alt.say("."),
        table: table(&steps),
        reading: Some(Reading {
            x: 1,
            y: vec![(2, "compression".into()), (3, "rebound".into())],
            by_row: None,
        }),
        wide: false,
    })
}

/// Width along the velocity, one line per step; `None` if no step has it.
pub fn along(run: &Run) -> Option<Figure> {
    let steps = shown_steps(run);
    let signed = |widths: &[(f64, Option<f64>, Option<f64>)]| -> [Vec<(f64, f64)>; 2] {
        let rebound = widths.iter().rev().filter_map(|w| Some((-w.0, w.2?)));
        let compression = widths.iter().filter_map(|w| Some((w.0, w.1?)));
        [rebound.collect(), compression.collect()]
    };
    let lines: Vec<[Vec<(f64, f64)>; 2]> = steps
        .iter()
        .map(|s| signed(&s.step.hysteresis.widths))
        .collect();
    let all = || lines.iter().flatten().flatten();
    all().next()?;
    let name = "Velocity (compression positive)";
    let x = Axis::around(name, Kind::Speed, all().map(|p| p.0), &[]);
    let y = Axis::around(
        "Loop width",
        Kind::Force,
        all().map(|p| p.1).chain([0.0]),
        &[],
    );
    let mut plot = Plot::new("hysteresis-along", "Loop width along the velocity", x, y);
    let mut table = Table::new(
        "Loop width along the velocity",
        &[
            ("Step", None),
            ("Velocity", Some(Kind::Speed)),
            ("Width", Some(Kind::Force)),
        ],
    );
    for (shown, halves) in steps.iter().zip(&lines) {
        let mut layer = Layer::new(shown.key.clone(), shown.name.clone(), shown.ink);
        for half in halves.iter().filter(|half| half.len() > 1) {
            layer = layer.with(Mark::Line {
                points: half.clone(),
                width: 1.5,
                dash: shown.dash,
            });
        }
        for (v, width) in halves.iter().flatten() {
            table.rows.push(vec![
                Cell::Count(shown.step.index as u64 + 1),
                Cell::Number(Some(*v)),
                Cell::Number(Some(*width)),
            ]);
        }
        plot.push(layer);
    }
    Some(Figure {
        plot,
        caption: Text::from(
            "The same difference at every velocity of each step, rebound to the left. A hump near \
             the ends of the stroke (towards zero) is lost motion or oil being squeezed; a width \
             that is even along the speed is friction that changes or a gas spring.",
        ),
        alt: Text::from(format!(
            "Loop width along the velocity for {} speeds.",
            steps.len()
        )),
        table,
        reading: Some(Reading {
            x: 1,
            y: vec![(2, String::new())],
            by_row: Some((0, "step".into())),
        }),
        wide: false,
    })
}

fn table(steps: &[&Step]) -> Table {
    let mut table = Table::new(
        "Loop width by step",
        &[
            ("Step", None),
            ("Peak speed", Some(Kind::Speed)),
            ("Width, compression", Some(Kind::Force)),
            ("Width, rebound", Some(Kind::Force)),
            ("Share of force, compression", Some(Kind::Share)),
            ("Share of force, rebound", Some(Kind::Share)),
            ("Loop area", Some(Kind::LoopArea)),
            ("Equivalent delay", Some(Kind::Delay)),
            ("Explained by gas", Some(Kind::Share)),
            ("by sensor delay", Some(Kind::Share)),
            ("by compliance", Some(Kind::Share)),
            ("left over", Some(Kind::Share)),
        ],
    );
    for step in steps {
        let h = &step.hysteresis;
        table.rows.push(vec![
            Cell::Count(step.index as u64 + 1),
            Cell::Number(Some(speed_of(step))),
            Cell::Number(h.max_width_n.compression),
            Cell::Number(h.max_width_n.rebound),
            Cell::Number(h.share.compression),
            Cell::Number(h.share.rebound),
            Cell::Number(h.loop_area_n_m_s),
            Cell::Number(h.lag_s),
            Cell::Number(h.gas_share),
            Cell::Number(h.lag_share),
            Cell::Number(h.compliance_share),
            Cell::Number(h.remainder_share),
        ]);
    }
    table
}
