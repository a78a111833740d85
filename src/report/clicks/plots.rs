//! Figures: force against speed at every setting, and against the setting at a few speeds.

use super::tables;
use super::words::{force_word, number};
use crate::clicks::{Adjuster, Clicks, Effect};
use crate::report::format::Dual;
use crate::report::page::{Cell, Figure, Reading, Table};
use crate::report::palette::{Ink, RAMP};
use crate::report::plots::frame::{Axis, Dash, Layer, Mark, Plot, Shape, Side, WIDE};
use crate::report::text::Text;
use crate::steps::Direction;
use crate::units::display::{Kind, Shown};

/// Speeds drawn.
const SPEEDS: usize = 4;
/// Dashes in turn, so that speeds differ in grey print.
const DASHES: [Dash; 4] = [Dash::Solid, Dash::Long, Dash::Short, Dash::Dots];

/// Curves of a fan; more would cover each other.
const CURVES: usize = 8;

/// Force against speed, one curve a setting that was run, named at its end.
pub(super) fn fan(clicks: &Clicks, adjuster: &Adjuster, number_of: usize) -> Option<Figure> {
    let n = adjuster.settings.len();
    let drawn: Vec<f64> = if n <= CURVES {
        adjuster.settings.clone()
    } else {
        let pick = |i: usize| adjuster.settings[i * (n - 1) / (CURVES - 1)];
        (0..CURVES).map(pick).collect()
    };
    let mut table = Table::new(
        format!("{}: force at every setting that was run", adjuster.name),
        &[
            ("Setting", Some(Kind::Number)),
            ("Direction", None),
            ("Speed", Some(Kind::Speed)),
            ("Force", Some(Kind::Force)),
        ],
    );
    let (mut speeds, mut forces) = (vec![0.0], vec![0.0]);
    let mut layers = Vec::new();
    for (i, setting) in drawn.iter().enumerate() {
        let name = Dual::same(number(*setting));
        let ink = Ink::Speed(i * (RAMP - 1) / (drawn.len() - 1).max(1));
        let mut layer = Layer::new(format!("setting {i}"), name.clone(), ink);
        for direction in Direction::BOTH {
            let mut points = Vec::new();
            for e in adjuster.effect.iter().filter(|e| e.direction == direction) {
                let place = e.settings.iter().position(|s| s == setting)?;
                points.push((e.velocity_m_s, e.force_n[place]));
                table.rows.push(vec![
                    Cell::Number(Some(*setting)),
                    Cell::Words(direction.word().into()),
                    Cell::Number(Some(e.velocity_m_s)),
                    Cell::Number(Some(e.force_n[place])),
                ]);
            }
            speeds.extend(points.iter().map(|p| p.0));
            forces.extend(points.iter().map(|p| p.1));
            let last = points.last().copied();
            layer = layer.with(Mark::Line {
                points,
                width: 1.7,
                dash: DASHES[i % DASHES.len()],
            });
            // Named where its curves lie apart.
            if adjuster.direction.is_none_or(|d| d == direction)
                && let Some(at) = last
            {
                layer = layer.with(Mark::Label {
                    at,
                    shift: (5.0, 4.0),
                    side: Side::Right,
                    words: name.clone(),
                    minor: false,
                });
            }
        }
        layers.push(layer);
    }
    let mut x = Axis::around("Speed", Kind::Speed, speeds, &[0.0]);
    x.to += 0.06 * (x.to - x.from);
    let mut plot = Plot::new(
        &format!("fan-{number_of}"),
        &format!("Force against speed by {}", adjuster.name),
        x,
        Axis::around("Force", Kind::Force, forces, &[]),
    );
    plot.size = WIDE;
    plot.push(Layer::new("zero", Dual::default(), Ink::Soft).with(Mark::Level(0.0, Dash::Solid)));
    layers.into_iter().for_each(|layer| plot.push(layer));
    Some(Figure {
        plot,
        caption: Text::from(format!(
            "The {} at every setting that was run, compression above zero, rebound below; the number at a curve's end is \
             its setting. Between the speeds that were looked at the lines are straight.",
            force_word(clicks)
        )),
        alt: Text::from(format!(
            "{} force–speed curves of {}, fanned out by setting; the numbers are in the table.",
            drawn.len(),
            adjuster.name
        )),
        table,
        reading: None,
        wide: true,
    })
}

/// Force against the setting of one adjuster in one direction.
pub(super) fn against_setting(
    clicks: &Clicks,
    adjuster: &Adjuster,
    number_of: usize,
    direction: Direction,
) -> Option<Figure> {
    let effects = tables::some(adjuster, direction, SPEEDS);
    let first = effects.first()?;
    let sign = direction.sign();
    let resisting = |e: &Effect| -> Vec<(f64, f64, f64, f64)> {
        (0..e.settings.len())
            .map(|k| {
                let mut ends = e.ci95_n[k].map(|x| sign * x);
                ends.sort_by(f64::total_cmp);
                (e.settings[k], sign * e.force_n[k], ends[0], ends[1])
            })
            .collect()
    };
    let forces: Vec<f64> = effects
        .iter()
        .flat_map(|e| resisting(e))
        .flat_map(|p| [p.2, p.3])
        .collect();
    let mut x = Axis::around(
        &adjuster.name,
        Kind::Number,
        first.settings.iter().copied(),
        &[],
    );
    // Room for the names at the lines' ends.
    x.to += 0.22 * (x.to - x.from);
    let title = format!("{} against {}", direction.word(), adjuster.name);
    let mut plot = Plot::new(
        &format!("setting-{number_of}-{}", direction.word()),
        &crate::report::text::capital(&title),
        x,
        Axis::around("Force", Kind::Force, forces, &[0.0]),
    );
    for (i, effect) in effects.iter().enumerate() {
        let points = resisting(effect);
        let name = Dual::by(|shown: Shown| tables::speed(effect.velocity_m_s, Some(shown)));
        let ink = Ink::Speed(i * (RAMP - 1) / (SPEEDS - 1).max(1));
        let mut layer = Layer::new(format!("speed {i}"), name.clone(), ink)
            .with(Mark::Band {
                edges: points.iter().map(|p| (p.0, p.2, p.3)).collect(),
                opacity: 0.2,
            })
            .with(Mark::Line {
                points: points.iter().map(|p| (p.0, p.1)).collect(),
                width: 1.8,
                dash: DASHES[i % DASHES.len()],
            })
            .with(Mark::Points {
                points: effect
                    .measured
                    .iter()
                    .map(|m| (m.setting, sign * m.force_n))
                    .collect(),
                shape: Shape::Dot,
                size: 3.0,
            });
        if let Some(last) = points.last() {
            layer = layer.with(Mark::Label {
                at: (last.0, last.1),
                shift: (6.0, 4.0),
                side: Side::Right,
                words: name,
                minor: false,
            });
        }
        plot.push(layer);
    }
    let mut names = vec![("Setting".to_owned(), Some(Kind::Number))];
    names.extend(
        effects
            .iter()
            .map(|e| (tables::speed(e.velocity_m_s, None), Some(Kind::Force))),
    );
    let columns: Vec<(&str, Option<Kind>)> = names.iter().map(|n| (n.0.as_str(), n.1)).collect();
    let mut table = Table::new(crate::report::text::capital(&title), &columns);
    for k in 0..first.settings.len() {
        let mut row = vec![Cell::Number(Some(first.settings[k]))];
        row.extend(
            effects
                .iter()
                .map(|e| Cell::Number(Some(sign * e.force_n[k]))),
        );
        table.rows.push(row);
    }
    Some(Figure {
        plot,
        caption: Text::from(format!(
            "The {} that resists in {}, by setting. Points are runs, lines what they say together, bands its 95 % \
             interval; between settings that were run the bands widen.",
            force_word(clicks),
            direction.word()
        )),
        alt: Text::from(format!(
            "Force against {} at {} speeds in {}; the numbers are in the table.",
            adjuster.name,
            effects.len(),
            direction.word()
        )),
        table,
        reading: Some(Reading {
            x: 0,
            y: (0..effects.len())
                .map(|i| (i + 1, format!("speed {i}")))
                .collect(),
            by_row: None,
        }),
        wide: false,
    })
}
