//! Where on the loop a finding was seen.

use super::frame::{Axis, Dash, Layer, Mark, Plot, Side};
use super::{closed, speed_of};
use crate::findings::Finding;
use crate::report::format::{Dual, dual};
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::report::words;
use crate::run::Run;
use crate::units::display::Kind;

/// Loop of the step in which a finding shows best, with the stretches that speak for it
/// marked; `None` if none of its evidence has a place on a loop.
pub fn figure(run: &Run, finding: &Finding) -> Option<Figure> {
    let placed = || {
        finding
            .evidence
            .iter()
            .filter(|e| e.met && e.phase.is_some() && e.step.is_some())
    };
    // The fastest step with a marked place: a void or a play shows best there.
    let step = placed()
        .filter_map(|e| run.steps.iter().find(|s| Some(s.index) == e.step))
        .filter(|s| !s.fold.travel.is_empty())
        .max_by(|a, b| speed_of(a).total_cmp(&speed_of(b)))?;
    let fold = &step.fold;
    let x = Axis::around(
        "Travel from mid-stroke",
        Kind::Travel,
        fold.travel.iter().copied(),
        &[],
    );
    let y = Axis::around(
        "Force",
        Kind::Force,
        fold.force.iter().copied().chain([0.0]),
        &[],
    );
    let title = format!("{}: where it shows", words::title(&finding.kind));
    let mut plot = Plot::new(&format!("evidence-{}", finding.kind), &title, x, y);
    let name = dual(Kind::Speed, Some(speed_of(step)));
    plot.push(
        Layer::new(
            "loop",
            Dual::by(|s| format!("loop at {}", name.get(s))),
            Ink::Text,
        )
        .with(Mark::Line {
            points: closed(&fold.travel, &fold.force),
            width: 1.4,
            dash: Dash::Solid,
        }),
    );
    let mut marks = Layer::new("mark", Dual::same("evidence"), Ink::Mark);
    let mut table = Table::new(
        title,
        &[
            ("Travel", Some(Kind::Travel)),
            ("Force", Some(Kind::Force)),
            ("Marked", None),
        ],
    );
    let n = fold.travel.len();
    let mut marked = vec![false; n];
    let mut labels = Vec::new();
    for evidence in placed().filter(|e| e.step == Some(step.index)) {
        let Some([from, to]) = evidence.phase else {
            continue;
        };
        let stretch = stretch(from, to, n);
        for &i in &stretch {
            marked[i] = true;
        }
        let points: Vec<(f64, f64)> = stretch
            .iter()
            .filter_map(|&i| Some((*fold.travel.get(i)?, *fold.force.get(i)?)))
            .collect();
        if let Some(middle) = points.get(points.len() / 2).copied() {
            labels.push((middle, evidence.what.clone()));
        }
        marks = marks.with(Mark::Line {
            points,
            width: 5.0,
            dash: Dash::Solid,
        });
    }
    for (i, (at, _)) in labels.iter().enumerate() {
        let right_half = at.0 > 0.0;
        marks = marks.with(Mark::Label {
            at: *at,
            shift: (
                if right_half { -12.0 } else { 12.0 },
                if at.1 < 0.0 { -14.0 } else { 16.0 },
            ),
            side: if right_half { Side::Left } else { Side::Right },
            words: Dual::same(format!("{}", i + 1)),
            minor: false,
        });
    }
    plot.push(marks);
    let stride = n.div_ceil(160).max(1);
    for i in (0..n).step_by(stride) {
        table.rows.push(vec![
            Cell::Number(fold.travel.get(i).copied()),
            Cell::Number(fold.force.get(i).copied()),
            Cell::Words(if marked[i] { "yes" } else { "" }.into()),
        ]);
    }
    let mut caption = Text::from("The loop at ")
        .num(name)
        .say("; the thick stretches are what speaks for it. ");
    for (i, (_, what)) in labels.iter().enumerate() {
        caption = caption.say(format!("({}) {what}. ", i + 1));
    }
    let alt = Text::from(format!(
        "One loop of force against travel with {} marked.",
        if labels.len() == 1 {
            "one stretch".to_owned()
        } else {
            format!("{} stretches", labels.len())
        }
    ));
    Some(Figure {
        plot,
        caption,
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

/// Indices of a stretch of phase, which may run over the end of the cycle.
fn stretch(from: f64, to: f64, n: usize) -> Vec<usize> {
    if n == 0 || !from.is_finite() || !to.is_finite() {
        return Vec::new();
    }
    let index = |phase: f64| (phase.rem_euclid(1.0) * n as f64) as usize % n;
    let (a, b) = (index(from), index(to));
    if a <= b {
        (a..=b).collect()
    } else {
        (a..n).chain(0..=b).collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_stretch_may_run_over_the_end() {
        assert_eq!(stretch(0.9, 0.1, 10), vec![9, 0, 1]);
        assert_eq!(stretch(0.2, 0.4, 10), vec![2, 3, 4]);
        assert!(stretch(f64::NAN, 0.4, 10).is_empty());
    }
}
