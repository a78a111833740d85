//! Drawings of the index page: a small curve per run, a family with its limits.

use std::fmt::Write as _;

use super::Entry;
use crate::report::format::fixed;
use crate::steps::Direction;
use crate::tables::population::{Band, Family, SPEEDS};
use crate::units::display::{Kind, Shown, quantity};

/// Size of a small curve, user units.
const SMALL: (f64, f64) = (120.0, 40.0);
/// Size of a family's drawing.
const LARGE: (f64, f64) = (760.0, 380.0);
/// Room for its axes: left, right, top, bottom.
/// Wide enough for the text of narrow screens (`batch.css`).
const MARGINS: (f64, f64, f64, f64) = (84.0, 16.0, 34.0, 60.0);
/// Out-of-family runs drawn in it.
const MOST_DRAWN: usize = 24;
/// Steps between marks on an axis, wanted.
const MARKS: f64 = 6.0;

/// The speeds and forces that fit on a drawing.
#[derive(Debug, Clone, Copy)]
pub(super) struct Frame {
    speed: f64,
    low: f64,
    high: f64,
}

impl Frame {
    /// Around all curves, zero included.
    pub(super) fn around(entries: &[Entry]) -> Self {
        let mut frame = Self {
            speed: 0.0,
            low: 0.0,
            high: 0.0,
        };
        for entry in entries {
            for direction in Direction::BOTH {
                for (v, f) in entry.curve.get(direction) {
                    frame.take(f64::from(*v), f64::from(*f));
                }
            }
        }
        frame
    }

    fn take(&mut self, speed: f64, force: f64) {
        if speed.is_finite() && force.is_finite() {
            self.speed = self.speed.max(speed);
            self.low = self.low.min(force);
            self.high = self.high.max(force);
        }
    }

    fn x(&self, speed: f64, from: f64, to: f64) -> f64 {
        from + (to - from) * speed / self.speed.max(f64::MIN_POSITIVE)
    }

    fn y(&self, force: f64, top: f64, bottom: f64) -> f64 {
        let range = (self.high - self.low).max(f64::MIN_POSITIVE);
        top + (bottom - top) * (self.high - force) / range
    }
}

/// A run's curves, all runs to one scale.
pub(super) fn small(entry: &Entry, frame: &Frame) -> String {
    let (w, h) = SMALL;
    let zero = frame.y(0.0, 1.0, h - 1.0);
    let mut svg = format!(
        "<svg viewBox=\"0 0 {w} {h}\" aria-hidden=\"true\"><path class=\"ax\" d=\"M0 {zero:.1}H{w}\"/>"
    );
    for (direction, class) in [(Direction::Compression, "c"), (Direction::Rebound, "r")] {
        let curve = entry.curve.get(direction);
        if curve.is_empty() {
            continue;
        }
        let _ = write!(svg, "<polyline class=\"{class}\" points=\"");
        for (v, f) in curve {
            let (x, y) = (
                frame.x(f64::from(*v), 0.0, w),
                frame.y(f64::from(*f), 1.0, h - 1.0),
            );
            let _ = write!(svg, "{x:.0},{y:.1} ");
        }
        svg.push_str("\"/>");
    }
    svg.push_str("</svg>");
    svg
}

/// A family: limits as a band, median, mean, and the runs outside.
pub(super) fn family(family: &Family, good: &[Entry], shown: Shown) -> String {
    let outside: Vec<&Entry> = good
        .iter()
        .filter(|e| {
            e.run.out_of_family == Some(true) && e.run.family.as_deref() == Some(&family.name)
        })
        .take(MOST_DRAWN)
        .collect();
    let mut frame = Frame::around(&[]);
    for direction in Direction::BOTH {
        for band in family.bands.get(direction) {
            let speed = SPEEDS[band.speed];
            for force in band.limits().unwrap_or([band.median; 2]) {
                frame.take(speed, force);
            }
            frame.take(speed, band.summary.mean);
        }
        for entry in &outside {
            for (v, f) in entry.curve.get(direction) {
                frame.take(f64::from(*v), f64::from(*f));
            }
        }
    }
    if frame.speed <= 0.0 {
        return String::new();
    }
    let (w, h) = LARGE;
    let mut svg = format!(
        "<svg viewBox=\"0 0 {w} {h}\" role=\"img\" aria-label=\"Force against speed: median, limits \
         and runs outside\">"
    );
    axes(&mut svg, &frame, shown);
    for (direction, class) in [(Direction::Compression, "c"), (Direction::Rebound, "r")] {
        let bands = family.bands.get(direction);
        let limited: Vec<&Band> = bands.iter().filter(|b| b.spread.is_some()).collect();
        let edge = |which: usize| -> Vec<(f64, f64)> {
            limited
                .iter()
                .filter_map(|b| Some((SPEEDS[b.speed], b.limits()?[which])))
                .collect()
        };
        let mut area = edge(0);
        area.extend(edge(1).into_iter().rev());
        line(&mut svg, &frame, "polygon", &format!("band {class}"), &area);
        let of = |get: fn(&Band) -> f64| -> Vec<(f64, f64)> {
            bands.iter().map(|b| (SPEEDS[b.speed], get(b))).collect()
        };
        for entry in &outside {
            let curve: Vec<(f64, f64)> = entry
                .curve
                .get(direction)
                .iter()
                .map(|(v, f)| (f64::from(*v), f64::from(*f)))
                .collect();
            line(&mut svg, &frame, "polyline", "out", &curve);
        }
        line(
            &mut svg,
            &frame,
            "polyline",
            &format!("mean {class}"),
            &of(|b| b.summary.mean),
        );
        line(&mut svg, &frame, "polyline", class, &of(|b| b.median));
    }
    svg.push_str("</svg>");
    svg
}

fn place(frame: &Frame, speed: f64, force: f64) -> (f64, f64) {
    let (left, right, top, bottom) = MARGINS;
    (
        frame.x(speed, left, LARGE.0 - right),
        frame.y(force, top, LARGE.1 - bottom),
    )
}

fn line(svg: &mut String, frame: &Frame, tag: &str, class: &str, points: &[(f64, f64)]) {
    if points.len() < 2 {
        return;
    }
    let _ = write!(svg, "<{tag} class=\"{class}\" points=\"");
    for (v, f) in points {
        let (x, y) = place(frame, *v, *f);
        let _ = write!(svg, "{x:.1},{y:.1} ");
    }
    svg.push_str("\"/>");
}

/// A round step that gives about [`MARKS`] marks over a range.
fn round_step(range: f64) -> f64 {
    let raw = range / MARKS;
    let power = 10.0_f64.powf(raw.log10().floor());
    let lead = raw / power;
    let nice = [1.0, 2.0, 2.5, 5.0, 10.0];
    power * nice.into_iter().find(|n| *n >= lead).unwrap_or(10.0)
}

fn axes(svg: &mut String, frame: &Frame, shown: Shown) {
    let (left, right, top, bottom) = MARGINS;
    let (w, h) = LARGE;
    let (speed, force) = (quantity(Kind::Speed, shown), quantity(Kind::Force, shown));
    let mut mark = |horizontal: bool,
                    low: f64,
                    high: f64,
                    kind: &crate::units::display::DisplayUnit| {
        let step = round_step(high - low);
        if !(step.is_finite() && step > 0.0) {
            return;
        }
        let decimals = (-(step.log10().floor())).clamp(0.0, 4.0) as usize
            + usize::from((step / 10.0_f64.powf(step.log10().floor()) - 2.5).abs() < 1e-6);
        let mut k = (low / step).ceil();
        while k * step <= high * (1.0 + 1e-9) {
            let value = k * step;
            let text = fixed(value, decimals);
            let si = kind.to_si(value);
            if horizontal {
                let (x, _) = place(frame, si, 0.0);
                let _ = write!(
                    svg,
                    "<path class=\"grid\" d=\"M{x:.1} {top}V{:.1}\"/><text x=\"{x:.1}\" y=\"{:.1}\" \
                     text-anchor=\"middle\">{text}</text>",
                    h - bottom,
                    h - bottom + 22.0
                );
            } else {
                let (_, y) = place(frame, 0.0, si);
                let _ = write!(
                    svg,
                    "<path class=\"{}\" d=\"M{left} {y:.1}H{:.1}\"/><text x=\"{:.1}\" y=\"{:.1}\" \
                     text-anchor=\"end\">{text}</text>",
                    if k == 0.0 { "ax" } else { "grid" },
                    w - right,
                    left - 6.0,
                    y + 4.0
                );
            }
            k += 1.0;
        }
    };
    mark(true, 0.0, speed.from_si(frame.speed), &speed);
    mark(
        false,
        force.from_si(frame.low),
        force.from_si(frame.high),
        &force,
    );
    let _ = write!(
        svg,
        "<text x=\"{:.1}\" y=\"{:.1}\" text-anchor=\"end\">Speed, {}</text><text x=\"4\" \
         y=\"20\">Force, {}, compression up</text>",
        w - right,
        h - 8.0,
        speed.symbol,
        force.symbol
    );
}
