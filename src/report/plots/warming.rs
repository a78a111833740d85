//! Temperature over the run as read, with the oil as the power balance has it.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape, WIDE};
use crate::heat::TracePoint;
use crate::report::format::{Dual, dual};
use crate::report::page::{Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::units::display::Kind;

/// The figure; `None` without a temperature channel.
pub fn figure(run: &Run) -> Option<Figure> {
    let temperature = run.heat.as_ref()?.temperature.as_ref()?;
    let trace: Vec<&TracePoint> = temperature
        .trace
        .iter()
        .filter(|p| p.read_c.is_finite())
        .collect();
    let (first, last) = (trace.first()?, trace.last()?);
    let x = Axis::around("Time", Kind::Time, trace.iter().map(|p| p.time_s), &[]);
    let heights = trace
        .iter()
        .flat_map(|p| [Some(p.read_c), p.oil_c])
        .flatten();
    let y = Axis::around("Temperature", Kind::Temperature, heights, &[]);
    let mut plot = Plot::new("temperature", "Temperature over the run", x, y);
    plot.size = WIDE;
    plot.push(
        Layer::new("read", Dual::same("as read"), Ink::Mark).with(Mark::Points {
            points: trace.iter().map(|p| (p.time_s, p.read_c)).collect(),
            shape: Shape::Dot,
            size: 1.9,
        }),
    );
    let mut oil = Layer::new("oil", Dual::same("oil by the power balance"), Ink::Text);
    let mut segment = None;
    let mut line: Vec<(f64, f64)> = Vec::new();
    for point in &trace {
        if segment != Some(point.segment) && !line.is_empty() {
            oil = oil.with(solid(std::mem::take(&mut line)));
        }
        segment = Some(point.segment);
        line.extend(point.oil_c.map(|c| (point.time_s, c)));
    }
    if line.len() > 1 {
        oil = oil.with(solid(line));
    }
    let modelled = !oil.marks.is_empty();
    if modelled {
        plot.push(oil);
    }
    let mut alt = Text::from("Temperature over the run, from ")
        .num(dual(Kind::Temperature, Some(first.read_c)))
        .say(" to ")
        .num(dual(Kind::Temperature, Some(last.read_c)));
    if !temperature.used {
        alt = alt.say(", not used");
    }
    let caption = if !temperature.used {
        "The channel as read. It is not used for anything: the reason stands under what was read \
         and assumed."
    } else if modelled {
        "Points: the channel, averaged over short stretches, rests included. Line: the oil's own \
         temperature, from the heat put in, the heat given off and the sensor's delay. Where they \
         part for long, the balance leaves something out."
    } else {
        "The channel, averaged over short stretches, rests included. Forces measured at different \
         temperatures are different tests: oil thins as it warms."
    };
    let mut table = Table::new(
        "Temperature over the run",
        &[
            ("Time", Some(Kind::Time)),
            ("As read", Some(Kind::Temperature)),
            ("Oil by the balance", Some(Kind::Temperature)),
        ],
    );
    for p in &trace {
        table.numbers([Some(p.time_s), Some(p.read_c), p.oil_c]);
    }
    Some(Figure {
        plot,
        caption: Text::from(caption),
        alt: alt.say("."),
        table,
        reading: Some(Reading {
            x: 0,
            y: vec![(1, "read".into()), (2, "oil".into())],
            by_row: None,
        }),
        wide: true,
    })
}

fn solid(points: Vec<(f64, f64)>) -> Mark {
    Mark::Line {
        points,
        width: 1.3,
        dash: Dash::Solid,
    }
}
