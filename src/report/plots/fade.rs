//! Force and heat over the cycles of the longest step, as a change against its start.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape, WIDE};
use super::speed_of;
use crate::heat::{Course, StepFade};
use crate::report::format::{Dual, dual, fixed};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::run::Run;
use crate::units::display::Kind;

/// A course of the heat result, the key of its layer, and its look.
type Drawn = (&'static str, &'static str, Ink, Shape, Dash);

/// What is drawn, and how.
const DRAWN: [Drawn; 3] = [
    (
        "compression force",
        "compression",
        Ink::Compression,
        Shape::Dot,
        Dash::Solid,
    ),
    (
        "rebound force",
        "rebound",
        Ink::Rebound,
        Shape::Square,
        Dash::Long,
    ),
    ("heat", "heat", Ink::Text, Shape::Diamond, Dash::Short),
];

/// The figure; `None` where no step is long enough to show a course.
pub fn figure(run: &Run) -> Option<Figure> {
    let longest = run
        .heat
        .as_ref()?
        .fade
        .iter()
        .max_by_key(|f| f.cycles)
        .filter(|f| !f.courses.is_empty())?;
    let step = run.steps.iter().find(|s| s.index == longest.step)?;
    let courses: Vec<(&Course, &Drawn)> = DRAWN
        .iter()
        .filter_map(|d| Some((longest.courses.iter().find(|c| c.what == d.0)?, d)))
        .filter(|(c, _)| c.start != 0.0 && !c.points.is_empty())
        .collect();
    if courses.is_empty() {
        return None;
    }
    let share = |c: &Course, v: f64| v / c.start - 1.0;
    let places = courses.iter().flat_map(|(c, _)| &c.points);
    let x = Axis::around(
        "Cycle of the step",
        Kind::Number,
        places.map(|p| p.0),
        &[0.0],
    );
    let heights = courses
        .iter()
        .flat_map(|(c, _)| c.points.iter().map(|p| share(c, p.1)));
    let y = Axis::around(
        "Change since the start",
        Kind::Share,
        heights.chain([-0.02, 0.02]),
        &[],
    );
    let mut plot = Plot::new("fade", "Fade over the longest step", x, y);
    plot.size = WIDE;
    for (course, (_, key, ink, shape, dash)) in &courses {
        let at = |pick: fn(&(f64, f64, f64)) -> f64| -> Vec<(f64, f64)> {
            course
                .points
                .iter()
                .map(|p| (p.0, share(course, pick(p))))
                .collect()
        };
        plot.push(
            Layer::new(*key, Dual::same(course.what.as_str()), *ink)
                .with(Mark::Points {
                    points: at(|p| p.1),
                    shape: *shape,
                    size: 2.0,
                })
                .with(Mark::Line {
                    points: at(|p| p.2),
                    width: 1.3,
                    dash: *dash,
                }),
        );
    }
    Some(Figure {
        plot,
        caption: Text::from(
            "Each point is a cycle or the mean of neighbours; the line is the simplest shape that \
             describes them. A fall that levels off goes with warming; one that does not points at \
             air, wear or a leak.",
        ),
        alt: alt(longest, speed_of(step)),
        table: table(&courses),
        reading: Some(Reading {
            x: 0,
            y: DRAWN
                .iter()
                .enumerate()
                .filter(|(_, d)| courses.iter().any(|(c, _)| c.what == d.0))
                .map(|(i, d)| (i + 1, d.1.to_owned()))
                .collect(),
            by_row: None,
        }),
        wide: true,
    })
}

fn alt(fade: &StepFade, speed: f64) -> Text {
    let mut alt = Text::from(format!(
        "Course over the {} cycles of step {} at ",
        fade.cycles,
        fade.step + 1
    ))
    .num(dual(Kind::Speed, Some(speed)));
    for course in &fade.courses {
        if let Some(change) = course.change_share {
            alt = alt.say(format!(
                "; {} {} % ({})",
                course.what,
                fixed(100.0 * change.value, 1),
                course.shape
            ));
        }
    }
    alt.say(".")
}

fn table(courses: &[(&Course, &Drawn)]) -> Table {
    let mut table = Table::new(
        "Change over the longest step",
        &[
            ("Cycle", Some(Kind::Number)),
            ("Compression force", Some(Kind::Share)),
            ("Rebound force", Some(Kind::Share)),
            ("Heat per cycle", Some(Kind::Share)),
        ],
    );
    let rows = courses.iter().map(|(c, _)| c.points.len()).max();
    for i in 0..rows.unwrap_or(0) {
        let of = |what: &str| {
            let (course, _) = courses.iter().find(|(c, _)| c.what == what)?;
            course.points.get(i).map(|p| p.1 / course.start - 1.0)
        };
        let place = courses
            .iter()
            .find_map(|(c, _)| c.points.get(i).map(|p| p.0));
        let mut row = vec![Cell::Number(place)];
        row.extend(DRAWN.iter().map(|d| Cell::Number(of(d.0))));
        table.rows.push(row);
    }
    table
}
