//! Force and heat from cycle to cycle, as a share of each step's mean.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape};
use super::shown_steps;
use crate::report::format::Dual;
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::{CycleSummary, Step};
use crate::units::display::Kind;

/// The most rows of the table.
const ROWS: usize = 1500;

/// A quantity followed over the cycles.
struct Followed {
    key: &'static str,
    name: &'static str,
    ink: Ink,
    shape: Shape,
    dash: Dash,
    value: fn(&CycleSummary) -> f64,
    mean: fn(&Step) -> f64,
}

const FOLLOWED: [Followed; 3] = [
    Followed {
        key: "compression",
        name: "compression force",
        ink: Ink::Compression,
        shape: Shape::Dot,
        dash: Dash::Solid,
        value: |c| c.force_compression_n,
        mean: |s| s.force_at_peak_velocity_n.compression.mean,
    },
    Followed {
        key: "rebound",
        name: "rebound force",
        ink: Ink::Rebound,
        shape: Shape::Square,
        dash: Dash::Long,
        value: |c| c.force_rebound_n,
        mean: |s| s.force_at_peak_velocity_n.rebound.mean,
    },
    Followed {
        key: "heat",
        name: "heat per cycle",
        ink: Ink::Text,
        shape: Shape::Diamond,
        dash: Dash::Dots,
        value: |c| c.energy_j,
        mean: |s| s.energy_per_cycle_j.mean,
    },
];

/// The figure; `None` where no step has two cycles.
pub fn figure(run: &Run) -> Option<Figure> {
    let steps: Vec<&Step> = run.steps.iter().filter(|s| s.series.len() > 1).collect();
    if steps.is_empty() {
        return None;
    }
    let share = |step: &Step, cycle: &CycleSummary, f: &Followed| {
        let mean = (f.mean)(step);
        let value = (f.value)(cycle) / mean - 1.0;
        (mean != 0.0 && value.is_finite()).then_some(value)
    };
    let mut values = vec![-0.01, 0.01];
    let mut layers: Vec<Layer> = FOLLOWED
        .iter()
        .map(|f| Layer::new(f.key, Dual::same(f.name), f.ink))
        .collect();
    let mut settling = Layer::new("settling", Dual::same("had not settled"), Ink::Mark);
    let mut borders = Layer::new("", Dual::default(), Ink::Soft);
    let mut position = 0.0;
    for step in &steps {
        if position > 0.0 {
            borders = borders.with(Mark::Upright(position + 0.5, Dash::Dots));
        }
        let places: Vec<f64> = (0..step.series.len())
            .map(|i| position + 1.0 + i as f64)
            .collect();
        for (f, layer) in FOLLOWED.iter().zip(&mut layers) {
            let points: Vec<(f64, f64)> = places
                .iter()
                .zip(&step.series)
                .filter_map(|(x, c)| share(step, c, f).map(|y| (*x, y)))
                .collect();
            values.extend(points.iter().map(|p| p.1));
            let unsettled: Vec<(f64, f64)> = points
                .iter()
                .zip(&step.series)
                .filter(|(_, c)| is_settling(step, c))
                .map(|(p, _)| *p)
                .collect();
            if !unsettled.is_empty() {
                settling = settling.with(Mark::Points {
                    points: unsettled,
                    shape: Shape::Ring,
                    size: 5.5,
                });
            }
            layer.marks.push(Mark::Line {
                points: points.clone(),
                width: 1.1,
                dash: f.dash,
            });
            layer.marks.push(Mark::Points {
                points,
                shape: f.shape,
                size: 2.4,
            });
        }
        position += step.series.len() as f64;
    }
    let mut x = Axis::around(
        "Cycle, in order of time",
        Kind::Number,
        [0.0, position + 1.0],
        &[],
    );
    (x.from, x.to, x.whole) = (0.0, position + 1.0, true);
    let y = Axis::around("Away from the step's mean", Kind::Share, values, &[]);
    let mut plot = Plot::new(
        "stability",
        "Cycle to cycle, against each step's mean",
        x,
        y,
    );
    plot.size = (680, 360);
    plot.push(borders);
    for layer in layers {
        plot.push(layer);
    }
    plot.push(settling);
    let drawn = shown_steps(run).len();
    let unsettled: u64 = run.steps.iter().map(|s| s.settling_cycles).sum();
    let alt = Text::from(format!(
        "Force and heat of each cycle against the mean of its step, {} steps; {unsettled} cycles \
         had not settled.",
        steps.len().max(drawn)
    ));
    Some(Figure {
        plot,
        caption: Text::from(
            "Each step stands between dotted lines. Level and close together is a damper that \
             repeats; a slope inside a step is warming up or fading; rings are cycles that had not \
             settled and are left out of the means.",
        ),
        alt,
        table: table(&steps, share),
        reading: Some(Reading {
            x: 0,
            y: vec![
                (2, "compression".into()),
                (3, "rebound".into()),
                (4, "heat".into()),
            ],
            by_row: None,
        }),
        wide: true,
    })
}

/// True for the cycles at the start of a step that its means leave out.
fn is_settling(step: &Step, cycle: &CycleSummary) -> bool {
    step.series
        .first()
        .is_some_and(|first| cycle.first.saturating_sub(first.first) < step.settling_cycles)
}

fn table(steps: &[&Step], share: impl Fn(&Step, &CycleSummary, &Followed) -> Option<f64>) -> Table {
    let mut table = Table::new(
        "Cycle to cycle",
        &[
            ("Place", Some(Kind::Number)),
            ("Step", None),
            ("Compression force", Some(Kind::Share)),
            ("Rebound force", Some(Kind::Share)),
            ("Heat per cycle", Some(Kind::Share)),
            ("Settled", None),
        ],
    );
    let mut place = 0;
    for step in steps {
        for cycle in &step.series {
            place += 1;
            if table.rows.len() >= ROWS {
                continue;
            }
            let mut row = vec![Cell::Count(place), Cell::Count(step.index as u64 + 1)];
            row.extend(FOLLOWED.iter().map(|f| Cell::Number(share(step, cycle, f))));
            let settled = if is_settling(step, cycle) {
                "no"
            } else {
                "yes"
            };
            row.push(Cell::Words(settled.into()));
            table.rows.push(row);
        }
    }
    table
}
