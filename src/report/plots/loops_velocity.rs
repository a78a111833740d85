//! Force against velocity round the whole cycle.

use super::frame::{Axis, Layer, Mark, Plot};
use super::{closed, loop_table, shown_steps, speed_of};
use crate::report::format::dual;
use crate::report::page::{Figure, Reading};
use crate::report::text::Text;
use crate::run::Run;
use crate::units::display::Kind;

/// The figure; `None` without loops.
pub fn figure(run: &Run) -> Option<Figure> {
    let steps = shown_steps(run);
    let (first, last) = (steps.first()?, steps.last()?);
    let velocity = steps
        .iter()
        .flat_map(|s| s.step.fold.velocity.iter().copied());
    let force = steps.iter().flat_map(|s| s.step.fold.force.iter().copied());
    let x = Axis::around(
        "Velocity (compression positive)",
        Kind::Speed,
        velocity,
        &[],
    );
    let y = Axis::around("Force", Kind::Force, force.chain([0.0]), &[]);
    let mut plot = Plot::new(
        "force-velocity-loops",
        "Force against velocity round the cycle",
        x,
        y,
    );
    for shown in &steps {
        let fold = &shown.step.fold;
        plot.push(
            Layer::new(shown.key.clone(), shown.name.clone(), shown.ink).with(Mark::Line {
                points: closed(&fold.velocity, &fold.force),
                width: 1.4,
                dash: shown.dash,
            }),
        );
    }
    let alt = Text::from(format!(
        "{} loops of force against velocity, from ",
        steps.len()
    ))
    .num(dual(Kind::Speed, Some(speed_of(first.step))))
    .say(" to ")
    .num(dual(Kind::Speed, Some(speed_of(last.step))))
    .say(" peak speed. Rebound lies at the lower left, compression at the upper right.");
    Some(Figure {
        plot,
        caption: Text::from(
            "A damper that answers to speed alone would trace one line. The loop's width is what \
             speeding up and slowing down differ by: gas spring tilts it open at low speed, delay \
             and trapped air open it more the faster it goes.",
        ),
        alt,
        table: loop_table("Mean loops: travel, velocity, force", &steps),
        reading: Some(Reading {
            x: 2,
            y: vec![(3, String::new())],
            by_row: Some((0, "step".into())),
        }),
        wide: false,
    })
}
