//! Lost motion after each reversal, against speed.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape};
use super::speed_of;
use crate::report::format::{Dual, dual};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::Step;
use crate::units::display::Kind;

/// What is said in place of a figure where it was looked for and nothing was lost.
pub fn nothing_lost(run: &Run) -> Option<Text> {
    let mut lost = run.steps.iter().flat_map(|step| {
        let both = &step.lost_motion_m;
        [both.compression_start, both.rebound_start]
            .into_iter()
            .flatten()
    });
    let first = lost.next()?;
    (first <= 0.0 && lost.all(|m| m <= 0.0)).then(|| {
        Text::from(
            "Travel before the force is back: none was found at any speed, so there is no \
             figure of it.",
        )
    })
}

/// The figure; `None` if it could not be had in any step, or nothing was lost in any.
pub fn figure(run: &Run) -> Option<Figure> {
    let mut steps: Vec<&Step> = run.steps.iter().collect();
    steps.sort_by(|a, b| speed_of(a).total_cmp(&speed_of(b)));
    let series = |pick: fn(&Step) -> Option<f64>| -> Vec<(f64, f64)> {
        steps
            .iter()
            .filter_map(|step| Some((speed_of(step), pick(step)?)))
            .collect()
    };
    let compression = series(|step| step.lost_motion_m.compression_start);
    let rebound = series(|step| step.lost_motion_m.rebound_start);
    let all = || compression.iter().chain(&rebound);
    if all().all(|p| p.1 <= 0.0) {
        return None;
    }
    let x = Axis::around(
        "Peak speed of the step",
        Kind::Speed,
        all().map(|p| p.0),
        &[0.0],
    );
    let y = Axis::around("Lost motion", Kind::Travel, all().map(|p| p.1), &[0.0]);
    let mut plot = Plot::new("lost-motion", "Travel before the force is back", x, y);
    let worst = all().copied().max_by(|a, b| a.1.total_cmp(&b.1));
    for (key, name, ink, shape, dash, points) in [
        (
            "compression",
            "start of compression",
            Ink::Compression,
            Shape::Dot,
            Dash::Solid,
            compression,
        ),
        (
            "rebound",
            "start of rebound",
            Ink::Rebound,
            Shape::Square,
            Dash::Long,
            rebound,
        ),
    ] {
        if points.is_empty() {
            continue;
        }
        plot.push(
            Layer::new(key, Dual::same(name), ink)
                .with(Mark::Line {
                    points: points.clone(),
                    width: 1.4,
                    dash,
                })
                .with(Mark::Points {
                    points,
                    shape,
                    size: 4.0,
                }),
        );
    }
    let mut alt = Text::from("Lost motion at both reversals against peak speed");
    if let Some((v, lost)) = worst {
        alt = alt
            .say("; the most is ")
            .num(dual(Kind::Travel, Some(lost)))
            .say(" at ")
            .num(dual(Kind::Speed, Some(v)));
    }
    let mut table = Table::new(
        "Lost motion by step",
        &[
            ("Step", None),
            ("Peak speed", Some(Kind::Speed)),
            ("Start of compression", Some(Kind::Travel)),
            ("Start of rebound", Some(Kind::Travel)),
            ("Stroke", Some(Kind::Travel)),
        ],
    );
    for step in &steps {
        table.rows.push(vec![
            Cell::Count(step.index as u64 + 1),
            Cell::Number(Some(speed_of(step))),
            Cell::Number(step.lost_motion_m.compression_start),
            Cell::Number(step.lost_motion_m.rebound_start),
            Cell::Number(Some(step.stroke_m)),
        ]);
    }
    Some(Figure {
        plot,
        caption: Text::from(
            "How far the rod goes after each turn before the force has come half-way back. The \
             same at every speed and at both ends is play; growing with speed at one end is a void \
             in the oil; a little at every turn is normal, the more the slower the force builds.",
        ),
        alt: alt.say("."),
        table,
        reading: Some(Reading {
            x: 1,
            y: vec![(2, "compression".into()), (3, "rebound".into())],
            by_row: None,
        }),
        wide: false,
    })
}
