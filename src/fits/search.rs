//! The exact search: every cell of knee positions, each in constant time.
//!
//! Between two neighbouring speeds the sum of squares is that of separate lines, as long as
//! they happen to meet inside the gap (Hudson 1966, J. Am. Stat. Assoc. 61:1097–1129). If
//! they do not, the best knee for that gap is at one of its ends, that is, at a speed that
//! was measured. So the global optimum is among: lines that meet inside their gap, and
//! lines joined at a measured speed. With running sums, one knee costs O(n) and two O(n²).

use super::line::{Frame, Line, Moments, bridge, chain, join};
use super::points::Group;
use super::solve::{Bounds, solve_groups};

/// Where a knee may be.
#[derive(Debug, Clone, Copy)]
pub(super) enum Knot {
    /// Strictly of its own choosing, between two speeds.
    Within(f64, f64),
    /// Held.
    At(f64),
}

/// Sums of squares from running sums agree with themselves to this, relative to the line's.
const ROUNDING: f64 = 1e-9;

/// What the search must respect.
#[derive(Debug, Clone, Copy)]
pub(super) struct Rule {
    pub(super) min_levels: usize,
    pub(super) monotone: bool,
    pub(super) anchored: bool,
}

/// The groups with the lines of every head and tail.
#[derive(Debug)]
pub(super) struct Search<'a> {
    pub(super) groups: &'a [Group],
    pub(super) rule: Rule,
    /// `head[g]`: line of groups `0..=g`.
    head: Vec<Line>,
    /// `tail[g]`: line of groups `g..`.
    tail: Vec<Line>,
}

/// Two knees between the same groups: those before `s`, `s` to `e`, and those after `e`.
#[derive(Debug, Clone, Copy)]
pub(super) struct Cell {
    s: usize,
    e: usize,
    middle: Line,
}

/// A candidate: its sum of squares between groups, and its knees.
pub(super) type Found = (f64, [f64; 2]);

impl<'a> Search<'a> {
    pub(super) fn new(groups: &'a [Group], rule: Rule) -> Self {
        let run = |order: &mut dyn Iterator<Item = &Group>, anchored: bool| {
            let mut sums = Moments::default();
            order
                .map(|g| {
                    sums.push(g);
                    sums.line(anchored)
                })
                .collect::<Vec<_>>()
        };
        let head = run(&mut groups.iter(), rule.anchored);
        let mut tail = run(&mut groups.iter().rev(), false);
        tail.reverse();
        Self {
            groups,
            rule,
            head,
            tail,
        }
    }

    /// [`Self::new`] with what speeds and weights alone make already at hand: `frames` of the
    /// groups from the first on, and from the last.
    pub(super) fn framed(groups: &'a [Group], rule: Rule, frames: &[Frame; 2]) -> Self {
        if rule.anchored {
            return Self::new(groups, rule);
        }
        let forces = groups.iter().map(|g| g.y);
        let head = frames[0].lines(forces.clone());
        let mut tail = frames[1].lines(forces.rev());
        tail.reverse();
        Self {
            groups,
            rule,
            head,
            tail,
        }
    }

    /// Sum of squares of the single line.
    pub(super) fn line_rss(&self) -> f64 {
        self.head.last().map_or(0.0, |l| self.bounded(*l).rss)
    }

    fn bounded(&self, line: Line) -> Line {
        if self.rule.monotone {
            line.rising()
        } else {
            line
        }
    }

    fn x(&self, g: usize) -> f64 {
        self.groups[g].x
    }

    /// Distinct speeds in groups `a..=b`.
    fn levels(&self, a: usize, b: usize) -> usize {
        (self.groups[b].level + 1).saturating_sub(self.groups[a].level)
    }

    /// May the first piece end at group `g` or in the gap after it?
    pub(super) fn head_ok(&self, g: usize) -> bool {
        let origin = usize::from(self.rule.anchored && self.x(0) > 0.0);
        self.levels(0, g) + origin >= self.rule.min_levels.max(2)
    }

    /// May the last piece begin at group `g`?
    pub(super) fn tail_ok(&self, g: usize) -> bool {
        g < self.groups.len()
            && self.levels(g, self.groups.len() - 1) >= self.rule.min_levels.max(2)
    }

    fn middle_ok(&self, a: usize, b: usize) -> bool {
        a < b && self.levels(a, b) >= self.rule.min_levels.max(2)
    }

    /// All one-knee candidates that could be the best or equal it within rounding.
    pub(super) fn one(&self, visit: &mut dyn FnMut(Found)) {
        self.one_below(f64::INFINITY, visit);
    }

    /// [`Self::one`], for callers to whom a candidate with a sum of squares above `limit` means
    /// nothing. Two separate lines fit no worse than the same two made to meet, so a gap whose
    /// separate lines already do worse than the best so far is passed over; the gap where they
    /// do best is looked at first.
    pub(super) fn one_below(&self, limit: f64, visit: &mut dyn FnMut(Found)) {
        let slack = ROUNDING * self.line_rss();
        let free = |g: usize| self.head[g].rss + self.tail[g + 1].rss;
        let gaps = (0..self.groups.len().saturating_sub(1))
            .filter(|g| self.head_ok(*g) && self.tail_ok(*g));
        let Some(first) = gaps.clone().min_by(|a, b| free(*a).total_cmp(&free(*b))) else {
            return;
        };
        let mut best = limit;
        let rest = gaps.filter(|g| *g != first);
        for g in std::iter::once(first).chain(rest) {
            if free(g) > best + slack {
                continue;
            }
            let at = self.pair(g, Knot::At(self.x(g)));
            let within = self
                .tail_ok(g + 1)
                .then(|| self.pair(g, Knot::Within(self.x(g), self.x(g + 1))))
                .flatten();
            for found in [at, within].into_iter().flatten() {
                best = best.min(found.0);
                visit(found);
            }
        }
    }

    /// One knee, groups up to `g` on its left.
    pub(super) fn pair(&self, g: usize, knot: Knot) -> Option<Found> {
        let (left, right) = (self.head[g], self.tail[g + 1]);
        match knot {
            Knot::Within(low, high) => {
                let (left, right) = (self.bounded(left), self.bounded(right));
                let t = left.meets(&right, low)?;
                (t >= low && t <= high).then_some((left.rss + right.rss, [t, t]))
            }
            Knot::At(t) => {
                let j = join(&left, &right, t);
                if self.falls(&[j.left.slope, j.right.slope]) {
                    let held = self.held(0, self.groups.len(), &[t], self.rule.anchored)?;
                    return Some((held.rss, [t, t]));
                }
                Some((j.rss, [t, t]))
            }
        }
    }

    fn falls(&self, slopes: &[f64]) -> bool {
        self.rule.monotone && slopes.iter().any(|s| *s < 0.0)
    }

    /// Least squares on groups `a..b` with held knees and slopes that must not fall: the slow
    /// way, only taken where the fast one broke the bound.
    fn held(
        &self,
        a: usize,
        b: usize,
        knees: &[f64],
        anchored: bool,
    ) -> Option<super::solve::Held> {
        let bounds = if self.rule.monotone {
            Bounds::Rising
        } else {
            Bounds::None
        };
        solve_groups(&self.groups[a..b], knees, anchored, bounds)
    }

    /// All two-knee candidates that could be the best or equal it within rounding: three
    /// separate lines fit no worse than the same lines made to meet, so a cell whose separate
    /// lines already do worse than the best so far is passed over.
    pub(super) fn two(&self, visit: &mut dyn FnMut(Found)) {
        self.two_below(f64::INFINITY, visit);
    }

    /// [`Self::two`], for callers to whom a candidate with a sum of squares above `limit`
    /// means nothing: all others are found, some above it may be passed over.
    pub(super) fn two_below(&self, limit: f64, visit: &mut dyn FnMut(Found)) {
        let m = self.groups.len();
        let slack = ROUNDING * self.line_rss();
        let mut best = limit;
        let mut visit = |found: Found| {
            best = best.min(found.0);
            visit(found);
            best
        };
        let mut so_far = limit;
        for s in 1..m {
            // A line through more points fits no better: nothing beyond can do.
            let head = self.head[s - 1].rss;
            if head > so_far + slack {
                break;
            }
            if !self.head_ok(s - 1) {
                continue;
            }
            let mut sums = Moments::default();
            for e in s..m.saturating_sub(1) {
                if !self.tail_ok(e) {
                    break;
                }
                sums.push(&self.groups[e]);
                let middle = sums.line(false);
                if head + middle.rss > so_far + slack {
                    break;
                }
                if head + middle.rss + self.tail[e + 1].rss > so_far + slack {
                    continue;
                }
                let firsts = [
                    (Knot::At(self.x(s - 1)), s - 1),
                    (Knot::Within(self.x(s - 1), self.x(s)), s),
                ];
                for (first, from) in firsts {
                    if self.middle_ok(from, e) {
                        self.seconds(s, e, &middle, first, &mut |found| so_far = visit(found));
                    }
                }
            }
        }
    }

    /// Both kinds of second knee after group `e`.
    fn seconds(
        &self,
        s: usize,
        e: usize,
        middle: &Line,
        first: Knot,
        visit: &mut dyn FnMut(Found),
    ) {
        if let Some(found) = self.triple(s, e, middle, first, Knot::At(self.x(e))) {
            visit(found);
        }
        if self.tail_ok(e + 1)
            && let Some(found) =
                self.triple(s, e, middle, first, Knot::Within(self.x(e), self.x(e + 1)))
        {
            visit(found);
        }
    }

    /// Of the two-knee models with their first (`which = 0`) or second knee held in the gap
    /// after group `g`: the places of the other that can stay within `limit`.
    pub(super) fn cells_given(&self, which: usize, g: usize, limit: f64) -> Vec<Cell> {
        let m = self.groups.len();
        let most = limit + ROUNDING * self.line_rss();
        let mut cells = Vec::new();
        let mut sums = Moments::default();
        // A line through more points fits no better: past the first outer piece and middle
        // that do worse than the limit, nothing can do.
        if which == 0 {
            let (s, head) = (g + 1, self.head[g].rss);
            for e in (s..m.saturating_sub(1)).take_while(|e| self.tail_ok(*e)) {
                sums.push(&self.groups[e]);
                let middle = sums.line(false);
                if head + middle.rss > most {
                    break;
                }
                if head + middle.rss + self.tail[e + 1].rss <= most {
                    cells.push(Cell { s, e, middle });
                }
            }
        } else {
            let (e, tail) = (g, self.tail[g + 1].rss);
            for s in (1..=e).rev().take_while(|s| self.head_ok(s - 1)) {
                sums.push(&self.groups[s]);
                let middle = sums.line(false);
                if tail + middle.rss > most {
                    break;
                }
                if self.head[s - 1].rss + middle.rss + tail <= most {
                    cells.push(Cell { s, e, middle });
                }
            }
        }
        cells
    }

    /// Is there room for the other knee if this one is held at `t`, in the gap after group `g`?
    pub(super) fn leaves_room(&self, which: usize, g: usize, t: f64) -> bool {
        if which == 0 {
            let from = if t == self.x(g) { g } else { g + 1 };
            (g + 1..self.groups.len() - 1)
                .rev()
                .find(|e| self.tail_ok(*e))
                .is_some_and(|e| self.middle_ok(from, e))
        } else {
            (1..=g)
                .find(|s| self.head_ok(s - 1))
                .is_some_and(|s| self.middle_ok(s - 1, g))
        }
    }

    /// The two-knee candidates of `cells` with the knee `which` held at `t`.
    pub(super) fn two_given(
        &self,
        which: usize,
        cells: &[Cell],
        t: f64,
        visit: &mut dyn FnMut(Found),
    ) {
        for Cell { s, e, middle } in cells {
            let (s, e) = (*s, *e);
            if which == 0 {
                if self.middle_ok(if t == self.x(s - 1) { s - 1 } else { s }, e) {
                    self.seconds(s, e, middle, Knot::At(t), visit);
                }
                continue;
            }
            let firsts = [
                (Knot::At(self.x(s - 1)), s - 1),
                (Knot::Within(self.x(s - 1), self.x(s)), s),
            ];
            for (first, from) in firsts {
                if self.middle_ok(from, e)
                    && let Some(found) = self.triple(s, e, middle, first, Knot::At(t))
                {
                    visit(found);
                }
            }
        }
    }

    /// The separate lines of the groups up to the first knee, from each knee to the next, and
    /// above the last. `None` if one of them has no slope of its own.
    pub(super) fn apart(&self, knees: &[f64]) -> Option<[Line; 3]> {
        let upto = |t: f64| self.groups.partition_point(|g| g.x <= t);
        let last = *self.head.last()?;
        let lines = match *knees {
            [] => [last; 3],
            [t] => {
                let s = upto(t);
                let (left, right) = (*self.head.get(s.checked_sub(1)?)?, *self.tail.get(s)?);
                [left, right, right]
            }
            [t, u] => {
                let (s, e) = (upto(t), upto(u));
                let mut sums = Moments::default();
                self.groups.get(s..e)?.iter().for_each(|g| sums.push(g));
                let (left, right) = (*self.head.get(s.checked_sub(1)?)?, *self.tail.get(e)?);
                [left, sums.line(false), right]
            }
            _ => return None,
        };
        lines.iter().all(Line::has_slope).then_some(lines)
    }

    /// Two knees with groups `s..=e` between them.
    fn triple(&self, s: usize, e: usize, middle: &Line, k1: Knot, k2: Knot) -> Option<Found> {
        let m = self.groups.len();
        let (left, right) = (self.head[s - 1], self.tail[e + 1]);
        let inside = |t: f64, low: f64, high: f64| (t >= low && t <= high).then_some(t);
        match (k1, k2) {
            (Knot::Within(a, b), Knot::Within(c, d)) => {
                let (left, middle, right) = (
                    self.bounded(left),
                    self.bounded(*middle),
                    self.bounded(right),
                );
                let t1 = inside(left.meets(&middle, a)?, a, b)?;
                let t2 = inside(middle.meets(&right, c)?, c, d)?;
                Some((left.rss + middle.rss + right.rss, [t1, t2]))
            }
            (Knot::At(t1), Knot::Within(c, d)) => {
                let right = self.bounded(right);
                let j = join(&left, middle, t1);
                let (rss, from, slope) = if self.falls(&[j.left.slope, j.right.slope]) {
                    let held = self.held(0, e + 1, &[t1], self.rule.anchored)?;
                    (held.rss, held.knee_values[0], held.slopes[1])
                } else {
                    (j.rss, j.right.at(t1), j.right.slope)
                };
                let t2 = inside(meeting(&right, c, from + slope * (c - t1), slope)?, c, d)?;
                Some((rss + right.rss, [t1, t2]))
            }
            (Knot::Within(a, b), Knot::At(t2)) => {
                let left = self.bounded(left);
                let j = join(middle, &right, t2);
                let (rss, to, slope) = if self.falls(&[j.left.slope, j.right.slope]) {
                    let held = self.held(s, m, &[t2], false)?;
                    (held.rss, held.knee_values[0], held.slopes[0])
                } else {
                    (j.rss, j.left.at(t2), j.left.slope)
                };
                let t1 = inside(meeting(&left, b, to + slope * (b - t2), slope)?, a, b)?;
                Some((rss + left.rss, [t1, t2]))
            }
            (Knot::At(t1), Knot::At(t2)) => {
                if !middle.has_slope() {
                    if !self.rule.monotone
                        && let Some(rss) = bridge(&left, middle, &right, t1, t2)
                    {
                        return Some((rss, [t1, t2]));
                    }
                    let held = self.held(0, m, &[t1, t2], self.rule.anchored)?;
                    return Some((held.rss, [t1, t2]));
                }
                let (rss, lines) = chain(&left, middle, &right, t1, t2);
                if self.falls(&lines.map(|l| l.slope)) {
                    let held = self.held(0, m, &[t1, t2], self.rule.anchored)?;
                    return Some((held.rss, [t1, t2]));
                }
                rss.is_finite().then_some((rss, [t1, t2]))
            }
        }
    }
}

/// Where `line` meets the line with value `y` at `x` and the given slope.
fn meeting(line: &Line, x: f64, y: f64, slope: f64) -> Option<f64> {
    let turn = line.slope - slope;
    let t = x + (y - line.at(x)) / turn;
    (turn != 0.0 && t.is_finite()).then_some(t)
}
