//! Figures of a corner: damping ratio against wheel speed, and what a change is worth.

use super::tables;
use crate::corner::Corner;
use crate::corner::answer::{Difference, Ratios, Told};
use crate::report::format::{Dual, dual};
use crate::report::page::{Figure, Reading};
use crate::report::palette::Ink;
use crate::report::plots::frame::{Axis, Dash, Layer, Mark, Plot, Shape, WIDE};
use crate::report::text::Text;
use crate::units::display::Kind;

/// Roads drawn side by side; of more, those at the middle speed.
const MOST_ROADS: usize = 6;

/// One direction of damping ratios, or both.
type Way = fn(&Ratios) -> Told;

/// Damping ratios, equal energy, with their intervals.
pub(super) fn zeta(corner: &Corner) -> Option<Figure> {
    if corner.zeta.len() < 2 {
        return None;
    }
    let (mut speeds, mut ratios) = (Vec::new(), Vec::new());
    let mut layers = Vec::new();
    let ways: [(&str, Ink, Dash, Way); 3] = [
        ("Compression", Ink::Compression, Dash::Solid, |r| {
            r.compression
        }),
        ("Rebound", Ink::Rebound, Dash::Long, |r| r.rebound),
        ("Both", Ink::Text, Dash::Short, |r| r.both),
    ];
    for (name, ink, dash, way) in ways {
        let told: Vec<(f64, Told)> = corner
            .zeta
            .iter()
            .map(|z| (z.wheel_speed_m_s, way(&z.equal_energy)))
            .collect();
        let points: Vec<(f64, f64)> = told.iter().map(|(v, t)| (*v, t.value)).collect();
        let edges: Vec<(f64, f64, f64)> = told
            .iter()
            .filter_map(|(v, t)| t.ci95.map(|[low, high]| (*v, low, high)))
            .collect();
        speeds.extend(points.iter().map(|p| p.0));
        ratios.extend(points.iter().map(|p| p.1));
        ratios.extend(edges.iter().flat_map(|e| [e.1, e.2]));
        layers.push(
            Layer::new(name.to_lowercase(), Dual::same(name), ink)
                .with(Mark::Band {
                    edges,
                    opacity: 0.18,
                })
                .with(Mark::Line {
                    points: points.clone(),
                    width: 1.9,
                    dash,
                })
                .with(Mark::Points {
                    points,
                    shape: Shape::Dot,
                    size: 2.6,
                }),
        );
    }
    let mut plot = Plot::new(
        "damping-ratio",
        "Damping ratio against wheel speed",
        Axis::around("Wheel speed", Kind::Speed, speeds, &[0.0]),
        Axis::around("Damping ratio", Kind::Number, ratios, &[0.0]),
    );
    plot.size = WIDE;
    layers.into_iter().for_each(|layer| plot.push(layer));
    Some(Figure {
        plot,
        caption: Text::from(
            "The linear damper that takes as much energy out of a sine of that peak speed, over critical damping on the rate at the \
             wheel. Bands are 95 % intervals. The damping ratio of the moving body and wheel is another number and stands in the table \
             above.",
        ),
        alt: Text::from(
            "Damping ratio in compression, rebound and of both together, against wheel speed.",
        ),
        table: tables::zeta(corner),
        reading: Some(Reading {
            x: 0,
            y: vec![
                (1, "compression".into()),
                (2, "rebound".into()),
                (3, "both".into()),
            ],
            by_row: None,
        }),
        wide: true,
    })
}

/// What the second damper changes, one figure's share after the other, road by road.
pub(super) fn change(corner: &Corner) -> Option<Figure> {
    let against = corner.against.as_ref().filter(|a| !a.roads.is_empty())?;
    let names = ["Body", "Ride, W_k", "Tyre load", "Travel"];
    let one_speed = tables::middle(corner)
        .map(|row| row.speed_m_s)
        .filter(|_| against.roads.len() > MOST_ROADS);
    let drawn: Vec<&Difference> = against
        .roads
        .iter()
        .filter(|d| one_speed.is_none_or(|speed| d.speed_m_s == speed))
        .take(MOST_ROADS)
        .collect();
    let roads: Vec<Dual> = drawn
        .iter()
        .map(|d| {
            let speed = dual(Kind::RoadSpeed, Some(d.speed_m_s));
            Dual::by(|s| format!("{} {}", d.class, speed.get(s)))
        })
        .collect();
    let mut heights = vec![0.0];
    let mut layers = Vec::new();
    for (i, name) in names.into_iter().enumerate() {
        let mut layer = Layer::new(format!("figure{i}"), Dual::same(name), Ink::Damper(i));
        let mut points = Vec::new();
        for (k, d) in drawn.iter().enumerate() {
            let told = d.share[i];
            // Side by side within the place of the road.
            let x = k as f64 + 1.0 + 0.18 * (i as f64 - 1.5);
            layer = layer.with(Mark::Block {
                corners: (x - 0.07, x + 0.07, told.value.min(0.0), told.value.max(0.0)),
                opacity: 0.45,
            });
            if let Some([low, high]) = told.ci95 {
                layer = layer.with(Mark::Whisker(x, low, high));
                heights.extend([low, high]);
            }
            heights.push(told.value);
            points.push((x, told.value));
        }
        layers.push(layer.with(Mark::Points {
            points,
            shape: [Shape::Dot, Shape::Square, Shape::Diamond, Shape::Ring][i],
            size: 3.0,
        }));
    }
    let mut plot = Plot::new(
        "change",
        "Change on the same road",
        Axis::of_things("Road and speed", roads),
        Axis::around("Change", Kind::Share, heights, &[]),
    );
    plot.size = WIDE;
    plot.push(Layer::new("zero", Dual::default(), Ink::Soft).with(Mark::Level(0.0, Dash::Solid)));
    layers.into_iter().for_each(|layer| plot.push(layer));
    Some(Figure {
        plot,
        caption: Text::from(format!(
            "{} against {}, in percent of the latter: above zero is more. Whiskers are 95 % intervals; one that holds zero tells no \
             change.{}",
            against.other.name,
            corner.damper.name,
            if drawn.len() < against.roads.len() {
                " Roads that are not drawn are in the table."
            } else {
                ""
            }
        )),
        alt: Text::from(
            "Change of body acceleration, ride, tyre load variation and travel on each road, with intervals.",
        ),
        table: tables::against(corner),
        reading: None,
        wide: true,
    })
}
