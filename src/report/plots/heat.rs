//! Heat per cycle and mean power of each step.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape};
use super::speed_of;
use crate::report::format::{Dual, dual, dual_bare};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::Step;
use crate::units::display::Kind;

/// Heat per cycle, compression and rebound stroke on top of each other.
pub fn energy(run: &Run) -> Option<Figure> {
    let steps = by_speed(run)?;
    let tops = steps.iter().map(|step| step.energy_per_cycle_j.mean);
    let names = steps
        .iter()
        .map(|step| dual_bare(Kind::Speed, Some(speed_of(step))))
        .collect();
    let mut x = Axis::of_things("Peak speed of the step", names);
    // Named places carry no unit of their own.
    x.kind = Kind::Speed;
    let y = Axis::around("Heat per cycle", Kind::Energy, tops, &[0.0]);
    let mut plot = Plot::new("heat", "Heat per cycle", x, y);
    let mut lower = Layer::new(
        "compression",
        Dual::same("compression stroke"),
        Ink::Compression,
    );
    let mut upper = Layer::new("rebound", Dual::same("rebound stroke"), Ink::Rebound);
    for (i, step) in steps.iter().enumerate() {
        let e = &step.energy_per_cycle_j;
        let at = i as f64 + 1.0;
        lower = lower.with(Mark::Block {
            corners: (at - 0.33, at + 0.33, 0.0, e.compression),
            opacity: 1.0,
        });
        upper = upper.with(Mark::Block {
            corners: (
                at - 0.33,
                at + 0.33,
                e.compression,
                e.compression + e.rebound,
            ),
            opacity: 1.0,
        });
    }
    plot.push(lower);
    plot.push(upper);
    let alt = match (steps.first(), steps.last()) {
        (Some(first), Some(last)) => Text::from("Heat per cycle by step, from ")
            .num(dual(Kind::Energy, Some(first.energy_per_cycle_j.mean)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(speed_of(first))))
            .say(" to ")
            .num(dual(Kind::Energy, Some(last.energy_per_cycle_j.mean)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(speed_of(last))))
            .say("."),
        _ => Text::new(),
    };
    Some(Figure {
        plot,
        caption: Text::from(
            "What one cycle turns into heat, by stroke. It should grow steadily with speed; a step \
             that falls short of its neighbours had air, a void or lost travel in it.",
        ),
        alt,
        table: table(&steps),
        reading: None,
        wide: false,
    })
}

/// Mean power against speed.
pub fn power(run: &Run) -> Option<Figure> {
    let steps = by_speed(run)?;
    let points: Vec<(f64, f64)> = steps.iter().map(|s| (speed_of(s), s.power_w)).collect();
    let x = Axis::around(
        "Peak speed of the step",
        Kind::Speed,
        points.iter().map(|p| p.0),
        &[0.0],
    );
    let y = Axis::around(
        "Mean power",
        Kind::Power,
        points.iter().map(|p| p.1),
        &[0.0],
    );
    let mut plot = Plot::new("power", "Mean power against speed", x, y);
    let last = points.last().copied();
    plot.push(
        Layer::new("power", Dual::default(), Ink::Text)
            .with(Mark::Line {
                points: points.clone(),
                width: 1.4,
                dash: Dash::Solid,
            })
            .with(Mark::Points {
                points,
                shape: Shape::Dot,
                size: 4.0,
            }),
    );
    let mut alt = Text::from("Mean power against peak speed");
    if let Some((v, p)) = last {
        alt = alt
            .say(", reaching ")
            .num(dual(Kind::Power, Some(p)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(v)));
    }
    Some(Figure {
        plot,
        caption: Text::from(
            "The heat the body has to give off while this speed lasts. Hundreds of watts warm a \
             damper within a minute: let it cool between repeats.",
        ),
        alt: alt.say("."),
        table: table(&steps),
        reading: Some(Reading {
            x: 1,
            y: vec![(6, String::new())],
            by_row: None,
        }),
        wide: false,
    })
}

fn by_speed(run: &Run) -> Option<Vec<&Step>> {
    let mut steps: Vec<&Step> = run.steps.iter().collect();
    if steps.is_empty() {
        return None;
    }
    steps.sort_by(|a, b| speed_of(a).total_cmp(&speed_of(b)));
    Some(steps)
}

fn table(steps: &[&Step]) -> Table {
    let mut table = Table::new(
        "Heat by step",
        &[
            ("Step", None),
            ("Peak speed", Some(Kind::Speed)),
            ("Heat per cycle", Some(Kind::Energy)),
            ("Standard deviation", Some(Kind::Energy)),
            ("Compression stroke", Some(Kind::Energy)),
            ("Rebound stroke", Some(Kind::Energy)),
            ("Mean power", Some(Kind::Power)),
            ("Cycles used", None),
        ],
    );
    for step in steps {
        let e = &step.energy_per_cycle_j;
        table.rows.push(vec![
            Cell::Count(step.index as u64 + 1),
            Cell::Number(Some(speed_of(step))),
            Cell::Number(Some(e.mean)),
            Cell::Number(e.sd),
            Cell::Number(Some(e.compression)),
            Cell::Number(Some(e.rebound)),
            Cell::Number(Some(step.power_w)),
            Cell::Count(e.n),
        ]);
    }
    table
}
