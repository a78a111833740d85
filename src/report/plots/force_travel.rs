//! Force against travel: the mean loop of every speed.

use super::frame::{Axis, Layer, Mark, Plot, Side};
use super::{closed, loop_table, shown_steps};
use crate::report::format::{Dual, dual};
use crate::report::page::{Figure, Reading};
use crate::report::text::Text;
use crate::run::Run;
use crate::units::display::Kind;

/// The figure; `None` without loops.
pub fn figure(run: &Run) -> Option<Figure> {
    let steps = shown_steps(run);
    let (first, last) = (steps.first()?, steps.last()?);
    let travel = steps
        .iter()
        .flat_map(|s| s.step.fold.travel.iter().copied());
    let force = steps.iter().flat_map(|s| s.step.fold.force.iter().copied());
    let x = Axis::around("Travel from mid-stroke", Kind::Travel, travel, &[]);
    let y = Axis::around("Force", Kind::Force, force.chain([0.0]), &[]);
    let mut plot = Plot::new(
        "force-travel",
        "Force against travel, one loop per speed",
        x,
        y,
    );
    for shown in &steps {
        let fold = &shown.step.fold;
        plot.push(
            Layer::new(shown.key.clone(), shown.name.clone(), shown.ink).with(Mark::Line {
                points: closed(&fold.travel, &fold.force),
                width: 1.6,
                dash: shown.dash,
            }),
        );
    }
    for (shown, up) in [(last, -11.0), (first, 11.0)] {
        let fold = &shown.step.fold;
        let top = (0..fold.force.len())
            .filter(|&i| fold.velocity.get(i).is_some_and(|v| *v > 0.0))
            .min_by(|&a, &b| fold.travel[a].abs().total_cmp(&fold.travel[b].abs()));
        if let Some(i) = top.filter(|_| steps.len() > 1) {
            plot.push(
                Layer::new(shown.key.clone(), Dual::default(), shown.ink).with(Mark::Label {
                    at: (fold.travel[i], fold.force[i]),
                    shift: (6.0, up),
                    side: Side::Right,
                    words: shown.name.clone(),
                    minor: true,
                }),
            );
        }
    }
    let mut caption = Text::from(
        "Compression runs left to right along the top, rebound back along the bottom; the area \
         inside is the heat of one cycle. Look for flat stretches after the turning points, \
         corners that are cut off, and a top or bottom that stops growing with speed.",
    );
    if run.steps.len() > steps.len() {
        caption = caption.say(format!(
            " {} of {} speeds are drawn, evenly chosen.",
            steps.len(),
            run.steps.len()
        ));
    }
    let extreme = |pick: fn(f64, f64) -> f64| last.step.fold.force.iter().copied().reduce(pick);
    let alt = Text::from(format!(
        "{} loops of force against travel, from ",
        steps.len()
    ))
    .num(dual(Kind::Speed, Some(super::speed_of(first.step))))
    .say(" to ")
    .num(dual(Kind::Speed, Some(super::speed_of(last.step))))
    .say(". The fastest runs between ")
    .num(dual(Kind::Force, extreme(f64::min)))
    .say(" and ")
    .num(dual(Kind::Force, extreme(f64::max)))
    .say(".");
    Some(Figure {
        plot,
        caption,
        alt,
        table: loop_table("Mean loops: travel, velocity, force", &steps),
        reading: Some(Reading {
            x: 1,
            y: vec![(3, String::new())],
            by_row: Some((0, "step".into())),
        }),
        wide: false,
    })
}
