//! Weighted lines from running, centred sums: the brick the exact search is built of.

use super::points::Group;

/// Weighted first and second moments about their own means, updated point by point
/// (Welford 1962; West 1979), so that no digits are lost to a common offset.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct Moments {
    n: usize,
    w: f64,
    mx: f64,
    my: f64,
    sxx: f64,
    sxy: f64,
    syy: f64,
}

impl Moments {
    pub(super) fn push(&mut self, g: &Group) {
        self.n += 1;
        let total = self.w + g.w;
        let share = g.w / total;
        let (dx, dy) = (g.x - self.mx, g.y - self.my);
        let keep = self.w * share;
        self.sxx += keep * dx * dx;
        self.sxy += keep * dx * dy;
        self.syy += keep * dy * dy;
        self.mx += dx * share;
        self.my += dy * share;
        self.w = total;
    }

    /// The least-squares line, free or through the origin.
    pub(super) fn line(&self, anchored: bool) -> Line {
        if anchored {
            let sxx = self.sxx + self.w * self.mx * self.mx;
            let sxy = self.sxy + self.w * self.mx * self.my;
            let syy = self.syy + self.w * self.my * self.my;
            Line::from_sums(0.0, 0.0, 0.0, sxx, sxy, syy)
        } else {
            Line::from_sums(self.mx, self.my, 1.0 / self.w, self.sxx, self.sxy, self.syy)
        }
    }
}

/// What [`Moments`] makes of speeds and weights alone, for points whose forces are drawn again
/// and again: the same numbers, bit for bit, without their divisions.
#[derive(Debug, Clone, Copy)]
struct Place {
    share: f64,
    keep: f64,
    dx: f64,
    mx: f64,
    sxx: f64,
    var_mean: f64,
}

/// The [`Place`]s of groups taken up one after the other.
#[derive(Debug)]
pub(super) struct Frame(Vec<Place>);

impl Frame {
    pub(super) fn new<'a>(groups: impl Iterator<Item = &'a Group>) -> Self {
        let mut sums = Moments::default();
        let place = |g: &Group| {
            let (w, dx) = (sums.w, g.x - sums.mx);
            sums.push(g);
            let share = g.w / sums.w;
            Place {
                share,
                keep: w * share,
                dx,
                mx: sums.mx,
                sxx: sums.sxx,
                var_mean: 1.0 / sums.w,
            }
        };
        Self(groups.map(place).collect())
    }

    /// The line of the first, the first two, … of the forces.
    pub(super) fn lines<'a>(&'a self, forces: impl Iterator<Item = f64> + 'a) -> Vec<Line> {
        let (mut my, mut sxy, mut syy) = (0.0, 0.0, 0.0);
        self.0
            .iter()
            .zip(forces)
            .map(|(at, y)| {
                let dy = y - my;
                sxy += at.keep * at.dx * dy;
                syy += at.keep * dy * dy;
                my += dy * at.share;
                Line::from_sums(at.mx, my, at.var_mean, at.sxx, sxy, syy)
            })
            .collect()
    }
}

/// A fitted line with the variances of its value and slope, in units of the error variance.
/// A line through one free point has an unknown slope: `var_slope` is infinite.
#[derive(Debug, Clone, Copy)]
pub(super) struct Line {
    /// Where value and slope are uncorrelated.
    mx: f64,
    my: f64,
    pub(super) slope: f64,
    var_mean: f64,
    pub(super) var_slope: f64,
    pub(super) rss: f64,
    syy: f64,
}

impl Line {
    fn from_sums(mx: f64, my: f64, var_mean: f64, sxx: f64, sxy: f64, syy: f64) -> Self {
        let (slope, var_slope, rss) = if sxx > 0.0 {
            let slope = sxy / sxx;
            (slope, 1.0 / sxx, (syy - slope * sxy).max(0.0))
        } else {
            (0.0, f64::INFINITY, syy)
        };
        Self {
            mx,
            my,
            slope,
            var_mean,
            var_slope,
            rss,
            syy,
        }
    }

    /// Has it a slope of its own?
    pub(super) fn has_slope(&self) -> bool {
        self.var_slope.is_finite()
    }

    pub(super) fn at(&self, x: f64) -> f64 {
        self.my + self.slope * (x - self.mx)
    }

    /// Variance of the value at `x`.
    pub(super) fn var(&self, x: f64) -> f64 {
        let d = x - self.mx;
        if d == 0.0 {
            self.var_mean
        } else {
            self.var_mean + d * d * self.var_slope
        }
    }

    /// Covariance of the values at `x` and `z`.
    pub(super) fn cov(&self, x: f64, z: f64) -> f64 {
        self.var_mean + (x - self.mx) * (z - self.mx) * self.var_slope
    }

    /// Covariance of slope and value at `x`.
    pub(super) fn cov_slope(&self, x: f64) -> f64 {
        (x - self.mx) * self.var_slope
    }

    /// The best line whose slope does not fall below zero.
    pub(super) fn rising(self) -> Self {
        if self.slope >= 0.0 {
            return self;
        }
        Self {
            slope: 0.0,
            var_slope: 0.0,
            rss: self.syy,
            ..self
        }
    }

    /// Where two lines meet, if they do.
    pub(super) fn meets(&self, other: &Self, near: f64) -> Option<f64> {
        let turn = self.slope - other.slope;
        let t = near - (self.at(near) - other.at(near)) / turn;
        (turn != 0.0 && t.is_finite()).then_some(t)
    }

    /// The line turned so that it passes through `(x, y)` without moving its own mean point:
    /// what a line through one point does when it is joined to another.
    fn swung_to(&self, x: f64, y: f64) -> Self {
        Self {
            slope: (self.my - y) / (self.mx - x),
            ..*self
        }
    }
}

/// Two lines made to meet.
#[derive(Debug, Clone, Copy)]
pub(super) struct Joined {
    pub(super) rss: f64,
    pub(super) left: Line,
    pub(super) right: Line,
}

/// The least-squares pair of lines that meet at `x`: the misfit at `x` is shared out by the
/// variances (a linear constraint on independent estimates), and costs `Δ²/(V_l + V_r)`.
/// The updated lines keep their values and slopes only; their variances are not updated.
pub(super) fn join(left: &Line, right: &Line, x: f64) -> Joined {
    let free = left.rss + right.rss;
    let (vl, vr) = (left.var(x), right.var(x));
    if vl.is_infinite() || vr.is_infinite() {
        let (left, right) = if vl.is_infinite() {
            (left.swung_to(x, right.at(x)), *right)
        } else {
            (*left, right.swung_to(x, left.at(x)))
        };
        return Joined {
            rss: free,
            left,
            right,
        };
    }
    let miss = left.at(x) - right.at(x);
    let pull = miss / (vl + vr);
    Joined {
        rss: free + miss * pull,
        left: nudged(left, &[(x, -pull)]),
        right: nudged(right, &[(x, pull)]),
    }
}

/// The least-squares chain of three lines that meet at `x1` and `x2`, and its sum of squares;
/// `middle` must have a slope of its own, and so must `left`. The updated lines keep their
/// values and slopes only.
pub(super) fn chain(
    left: &Line,
    middle: &Line,
    right: &Line,
    x1: f64,
    x2: f64,
) -> (f64, [Line; 3]) {
    if !right.var(x2).is_finite() {
        let j = join(left, middle, x1);
        let swung = right.swung_to(x2, j.right.at(x2));
        return (j.rss + right.rss, [j.left, j.right, swung]);
    }
    let d1 = left.at(x1) - middle.at(x1);
    let d2 = middle.at(x2) - right.at(x2);
    let s11 = left.var(x1) + middle.var(x1);
    let s22 = middle.var(x2) + right.var(x2);
    let s12 = -middle.cov(x1, x2);
    let det = s11 * s22 - s12 * s12;
    let p1 = (s22 * d1 - s12 * d2) / det;
    let p2 = (s11 * d2 - s12 * d1) / det;
    let rss = left.rss + middle.rss + right.rss + d1 * p1 + d2 * p2;
    let lines = [
        nudged(left, &[(x1, -p1)]),
        nudged(middle, &[(x1, p1), (x2, -p2)]),
        nudged(right, &[(x2, p2)]),
    ];
    (if det > 0.0 { rss } else { f64::INFINITY }, lines)
}

/// The lines of [`Search::apart`](super::search::Search::apart) made to meet at the knees:
/// forces at the knees, and slopes.
pub(super) fn met(apart: &[Line; 3], knees: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let [left, middle, right] = apart;
    match *knees {
        [t] => {
            let j = join(left, right, t);
            (vec![j.left.at(t)], vec![j.left.slope, j.right.slope])
        }
        [t, u] => {
            let (_, lines) = chain(left, middle, right, t, u);
            (
                vec![lines[0].at(t), lines[2].at(u)],
                lines.map(|l| l.slope).to_vec(),
            )
        }
        _ => (Vec::new(), vec![left.slope]),
    }
}

/// Sum of squares of two lines and the one between them that meets them at `x1` and `x2`,
/// where that one has a single point to pass: the point pulls on both lines by their share of
/// it. `None` if a line has no slope of its own.
pub(super) fn bridge(left: &Line, middle: &Line, right: &Line, x1: f64, x2: f64) -> Option<f64> {
    let (vl, vr) = (left.var(x1), right.var(x2));
    if !(vl.is_finite() && vr.is_finite()) || x2 <= x1 {
        return None;
    }
    let share = (middle.mx - x1) / (x2 - x1);
    let miss = middle.my - (1.0 - share) * left.at(x1) - share * right.at(x2);
    let variance = middle.var_mean + (1.0 - share).powi(2) * vl + share * share * vr;
    Some(left.rss + middle.rss + right.rss + miss * miss / variance)
}

/// The line after pulls at some places.
fn nudged(line: &Line, pulls: &[(f64, f64)]) -> Line {
    let mut out = *line;
    for (x, pull) in pulls {
        out.my += line.var_mean * pull;
        out.slope += line.cov_slope(*x) * pull;
    }
    out
}
