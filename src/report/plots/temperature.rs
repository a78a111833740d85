//! Temperature over the run.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape};
use crate::report::format::{Dual, dual};
use crate::report::page::{Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::units::display::Kind;

/// The figure; `None` without a temperature channel.
pub fn figure(run: &Run) -> Option<Figure> {
    let points: Vec<(f64, f64)> = run
        .steps
        .iter()
        .flat_map(|step| &step.series)
        .filter_map(|cycle| Some((cycle.start_s, cycle.temperature_c?)))
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .collect();
    let (first, last) = (points.first()?, points.last()?);
    let x = Axis::around("Time", Kind::Time, points.iter().map(|p| p.0), &[]);
    let y = Axis::around(
        "Temperature",
        Kind::Temperature,
        points.iter().map(|p| p.1),
        &[],
    );
    let mut plot = Plot::new("temperature", "Temperature over the run", x, y);
    plot.push(
        Layer::new("temperature", Dual::default(), Ink::Mark)
            .with(Mark::Line {
                points: points.clone(),
                width: 1.4,
                dash: Dash::Solid,
            })
            .with(Mark::Points {
                points: points.clone(),
                shape: Shape::Dot,
                size: 2.4,
            }),
    );
    let alt = Text::from("Temperature over the run, from ")
        .num(dual(Kind::Temperature, Some(first.1)))
        .say(" to ")
        .num(dual(Kind::Temperature, Some(last.1)))
        .say(".");
    let mut table = Table::new(
        "Temperature over the run",
        &[
            ("Time", Some(Kind::Time)),
            ("Temperature", Some(Kind::Temperature)),
        ],
    );
    let stride = points.len().div_ceil(600).max(1);
    for (t, c) in points.iter().step_by(stride) {
        table.numbers([Some(*t), Some(*c)]);
    }
    Some(Figure {
        plot,
        caption: Text::from(
            "One point per cycle. Forces measured at different temperatures are different tests: \
             oil thins as it warms.",
        ),
        alt,
        table,
        reading: Some(Reading {
            x: 0,
            y: vec![(1, String::new())],
            by_row: None,
        }),
        wide: false,
    })
}
