//! What a plot is made of, before any ink: axes in SI, layers of marks, a legend.
//!
//! A plot is plain data. `draw` turns it into SVG once, for the page (both unit systems
//! in one drawing) or as a picture on its own (one system, with title and legend).

use crate::report::format::Dual;
use crate::report::palette::Ink;
use crate::units::display::Kind;

/// One axis, in SI.
#[derive(Debug, Clone, PartialEq)]
pub struct Axis {
    /// What runs along it, such as `Speed`.
    pub name: String,
    /// Kind of number, for unit and ticks.
    pub kind: Kind,
    /// Low end.
    pub from: f64,
    /// High end.
    pub to: f64,
    /// Ticks only at whole numbers (counts).
    pub whole: bool,
    /// Names at places instead of numbers, for things that are not numbers.
    pub named: Vec<(f64, Dual)>,
}

/// Length of an axis all of whose values are the same end kept on purpose, SI.
const LEAST_LENGTH: f64 = 1e-3;

impl Axis {
    /// An axis that holds all finite `values` with a little room, and `also` (say, zero).
    pub fn around(
        name: &str,
        kind: Kind,
        values: impl IntoIterator<Item = f64>,
        also: &[f64],
    ) -> Self {
        let mut lo = f64::INFINITY;
        let mut hi = f64::NEG_INFINITY;
        for v in values.into_iter().chain(also.iter().copied()) {
            if v.is_finite() {
                lo = lo.min(v);
                hi = hi.max(v);
            }
        }
        if !lo.is_finite() {
            (lo, hi) = (0.0, 1.0);
        }
        let size = (hi - lo).max(lo.abs().max(hi.abs()) * 1e-3).max(1e-9);
        let room = 0.06 * size;
        // An end that is zero on purpose stays at zero.
        let keep = |end: f64| also.contains(&end);
        let from = if keep(lo) { lo } else { lo - room };
        let to = if keep(hi) { hi } else { hi + room };
        Self {
            name: name.to_owned(),
            kind,
            from,
            // All values zero: an axis without length has no scale and no places on it.
            to: if to > from { to } else { from + LEAST_LENGTH },
            whole: false,
            named: Vec::new(),
        }
    }

    /// An axis of things side by side, one to a whole number from 1 on.
    pub fn of_things(name: &str, things: Vec<Dual>) -> Self {
        Self {
            name: name.to_owned(),
            kind: Kind::Number,
            from: 0.4,
            to: things.len() as f64 + 0.6,
            whole: true,
            named: (1..).map(f64::from).zip(things).collect(),
        }
    }
}

/// Shape of a point.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// Filled circle.
    Dot,
    /// Open circle.
    Ring,
    /// Filled square.
    Square,
    /// Filled diamond.
    Diamond,
}

/// Dash pattern of a line.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub enum Dash {
    /// No gaps.
    #[default]
    Solid,
    /// Long dashes.
    Long,
    /// Short dashes.
    Short,
    /// Dots.
    Dots,
}

/// On which side of its anchor a label stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Side {
    /// Text ends at the anchor.
    Left,
    /// Text is centred on the anchor.
    Middle,
    /// Text starts at the anchor.
    Right,
}

/// One thing drawn; places are SI, sizes are pixels of the drawing.
#[derive(Debug, Clone, PartialEq)]
pub enum Mark {
    /// A line through points.
    Line {
        /// Points.
        points: Vec<(f64, f64)>,
        /// Width.
        width: f64,
        /// Dashes.
        dash: Dash,
    },
    /// A filled band: (x, low, high).
    Band {
        /// Edges.
        edges: Vec<(f64, f64, f64)>,
        /// Opacity.
        opacity: f64,
    },
    /// Points.
    Points {
        /// Places.
        points: Vec<(f64, f64)>,
        /// Shape.
        shape: Shape,
        /// Radius.
        size: f64,
    },
    /// Upright whisker (x, low, high).
    Whisker(f64, f64, f64),
    /// Level whisker (y, low, high).
    Bar(f64, f64, f64),
    /// Filled box (x0, x1, y0, y1).
    Block {
        /// Corners.
        corners: (f64, f64, f64, f64),
        /// Opacity.
        opacity: f64,
    },
    /// A line across the whole plot at y.
    Level(f64, Dash),
    /// A line up the whole plot at x.
    Upright(f64, Dash),
    /// Words at a place.
    Label {
        /// Anchor.
        at: (f64, f64),
        /// Shift from the anchor.
        shift: (f64, f64),
        /// Side of the anchor.
        side: Side,
        /// Words.
        words: Dual,
        /// May be left out where the plot is small.
        minor: bool,
    },
}

impl Mark {
    /// What is left of the mark at places up to `end` along the level axis.
    pub fn up_to(self, end: f64) -> Option<Self> {
        Some(match self {
            Self::Line {
                points,
                width,
                dash,
            } => Self::Line {
                points: cut(&points, end),
                width,
                dash,
            },
            Self::Band { edges, opacity } => {
                let low = cut(&edges.iter().map(|e| (e.0, e.1)).collect::<Vec<_>>(), end);
                let high = cut(&edges.iter().map(|e| (e.0, e.2)).collect::<Vec<_>>(), end);
                let edges = low.iter().zip(&high).map(|(l, h)| (l.0, l.1, h.1));
                Self::Band {
                    edges: edges.collect(),
                    opacity,
                }
            }
            Self::Points {
                points,
                shape,
                size,
            } => Self::Points {
                points: points.into_iter().filter(|p| p.0 <= end).collect(),
                shape,
                size,
            },
            Self::Whisker(x, ..) if x > end => return None,
            Self::Bar(_, low, _) if low > end => return None,
            Self::Bar(y, low, high) => Self::Bar(y, low, high.min(end)),
            Self::Label { at, .. } if at.0 > end => return None,
            other => other,
        })
    }
}

/// A line, rising along the level axis, cut at `end`.
fn cut(points: &[(f64, f64)], end: f64) -> Vec<(f64, f64)> {
    let mut kept: Vec<(f64, f64)> = points.iter().copied().filter(|p| p.0 <= end).collect();
    let next = points.iter().find(|p| p.0 > end);
    if let (Some(a), Some(b)) = (kept.last().copied(), next) {
        let share = (end - a.0) / (b.0 - a.0);
        kept.push((end, a.1 + share * (b.1 - a.1)));
    }
    kept
}

/// Marks that belong together, in one ink; a legend entry if `name` is not empty.
#[derive(Debug, Clone, PartialEq)]
pub struct Layer {
    /// Short name for classes and toggles, letters and digits.
    pub key: String,
    /// Name in the legend.
    pub name: Dual,
    /// Ink.
    pub ink: Ink,
    /// Marks.
    pub marks: Vec<Mark>,
}

impl Layer {
    /// A layer without marks yet.
    pub fn new(key: impl Into<String>, name: Dual, ink: Ink) -> Self {
        Self {
            key: key.into(),
            name,
            ink,
            marks: Vec::new(),
        }
    }

    /// Adds a mark.
    #[must_use]
    pub fn with(mut self, mark: Mark) -> Self {
        self.marks.push(mark);
        self
    }

    /// Adds marks.
    #[must_use]
    pub fn with_all(mut self, marks: impl IntoIterator<Item = Mark>) -> Self {
        self.marks.extend(marks);
        self
    }
}

/// A plot, complete but not drawn.
#[derive(Debug, Clone, PartialEq)]
pub struct Plot {
    /// Short name: element id and file name.
    pub id: String,
    /// Title on a picture that stands alone.
    pub title: String,
    /// Size of the drawing, px.
    pub size: (u32, u32),
    /// Level axis.
    pub x: Axis,
    /// Upright axis.
    pub y: Axis,
    /// Room at the right for labels outside the axes, px.
    pub right: f64,
    /// Marks, back to front.
    pub layers: Vec<Layer>,
}

/// Usual size of a plot.
pub const SIZE: (u32, u32) = (540, 370);
/// Size of one that stands across the page: its text is then no larger than the others'.
pub const WIDE: (u32, u32) = (680, 440);

impl Plot {
    /// An empty plot of the usual size.
    pub fn new(id: &str, title: &str, x: Axis, y: Axis) -> Self {
        Self {
            id: id.to_owned(),
            title: title.to_owned(),
            size: SIZE,
            x,
            y,
            right: 14.0,
            layers: Vec::new(),
        }
    }

    /// Adds a layer.
    pub fn push(&mut self, layer: Layer) {
        self.layers.push(layer);
    }

    /// Layers that have a name, in order.
    pub fn legend(&self) -> Vec<&Layer> {
        self.layers
            .iter()
            .filter(|layer| !layer.name.si.is_empty() && !layer.marks.is_empty())
            .collect()
    }
}

/// Even, round places between `from` and `to`, about `count` of them.
pub fn ticks(from: f64, to: f64, count: usize, whole: bool) -> (Vec<f64>, usize) {
    let span = to - from;
    if !(span.is_finite() && span > 0.0) || count == 0 {
        return (Vec::new(), 0);
    }
    let rough = span / count as f64;
    let power = 10f64.powf(rough.log10().floor());
    let mut step = [1.0, 2.0, 2.5, 5.0, 10.0]
        .into_iter()
        .map(|m| m * power)
        .find(|step| *step >= rough * 0.999)
        .unwrap_or(10.0 * power);
    if whole {
        step = step.ceil().max(1.0);
    }
    let mut places = (-step.log10().floor()).max(0.0) as usize;
    let scaled = step * 10f64.powi(places as i32);
    if (scaled - scaled.round()).abs() > 1e-6 {
        places += 1;
    }
    let first = (from / step - 1e-9).ceil() as i64;
    let last = (to / step + 1e-9).floor() as i64;
    ((first..=last).map(|i| i as f64 * step).collect(), places)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn an_axis_of_zeros_still_has_a_scale() {
        let axis = Axis::around("Lost motion", Kind::Travel, [0.0, 0.0], &[0.0]);
        assert!(axis.to > axis.from);
        assert!(ticks(axis.from, axis.to, 5, false).0.len() > 1);
    }

    #[test]
    fn a_line_is_cut_where_it_leaves() {
        let line = vec![(0.0, 0.0), (1.0, 10.0), (2.0, 20.0)];
        assert_eq!(cut(&line, 1.5), vec![(0.0, 0.0), (1.0, 10.0), (1.5, 15.0)]);
        assert_eq!(cut(&line, 5.0), line);
        assert!(cut(&line, -1.0).is_empty());
    }

    #[test]
    fn ticks_are_round_and_inside() {
        let (places, decimals) = ticks(-0.03, 1.27, 6, false);
        assert_eq!(decimals, 2);
        assert_eq!(places.len(), 6);
        assert!((places[1] - 0.25).abs() < 1e-12);
        assert_eq!(ticks(0.0, 3.0, 8, true).0, vec![0.0, 1.0, 2.0, 3.0]);
        assert!(ticks(1.0, 1.0, 5, false).0.is_empty());
    }
}
