//! Profile-likelihood interval of a knee.

use super::points::Prepared;
use super::search::{Found, Knot, Search};
use super::segmented::{Segmented, Stated, finish, rule};
use super::settings::FitSettings;
use crate::statistics::{chi2_quantile, f_quantile};

/// Places looked at in every gap between speeds before the edge of the set is closed in on.
/// Within a gap the set is nearly always one interval; eight places find it when it is not.
const LOOKS_PER_GAP: usize = 8;
/// Halvings when closing in: leaves 2⁻⁴⁸ of the gap.
const HALVINGS: usize = 48;

/// An interval of knee positions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct KneeInterval {
    pub(super) ends: [f64; 2],
    /// The data do not bound the knee on this side: the end is that of the data.
    pub(super) open: [bool; 2],
}

/// The knee positions whose best fit is not significantly worse than the best of all:
/// `RSS(t) ≤ RSS_min·(1 + F(confidence; 1, n − p)/(n − p))`, or `RSS_min + χ²` if the error
/// is known. If the set is in pieces the interval spans them all. `None` without degrees of
/// freedom.
pub(super) fn knee_interval(
    ready: &Prepared,
    fit: &Segmented,
    which: usize,
    settings: &FitSettings,
) -> Option<KneeInterval> {
    let estimate = *fit.knees.get(which)?;
    let limit = limit(ready, fit, settings)? - ready.within;
    let search = Search::new(&ready.groups, rule(ready, settings));
    let profile = Profile {
        search: &search,
        knees: fit.knees.len(),
        which,
    };
    let inside = |t: f64| t == estimate || profile.rss(t) <= limit;
    let mut looked: Vec<(f64, f64)> = profile
        .places()
        .into_iter()
        .map(|t| (t, profile.rss(t)))
        .filter(|(_, rss)| rss.is_finite())
        .collect();
    looked.push((estimate, limit));
    looked.sort_by(|a, b| a.0.total_cmp(&b.0));
    looked.dedup_by(|b, a| a.0 == b.0);
    let first = looked
        .iter()
        .position(|l| l.0 == estimate || l.1 <= limit)?;
    let last = looked
        .iter()
        .rposition(|l| l.0 == estimate || l.1 <= limit)?;
    let looks: Vec<f64> = looked.iter().map(|l| l.0).collect();
    let x0 = if ready.anchored { 0.0 } else { fit.range[0] };
    let low = match first {
        0 => x0.min(looks[0]),
        i => close_in(looks[i - 1], looks[i], inside),
    };
    let high = match looks.get(last + 1) {
        None => fit.range[1].max(looks[last]),
        Some(outside) => close_in(*outside, looks[last], inside),
    };
    Some(KneeInterval {
        ends: [low, high],
        open: [first == 0, last + 1 == looks.len()],
    })
}

/// The largest sum of squares that is not significantly worse than the best.
fn limit(ready: &Prepared, fit: &Segmented, settings: &FitSettings) -> Option<f64> {
    let df = fit.residual_df() as f64;
    let base = fit.rss.max(ready.rounding_rss());
    Some(if fit.absolute {
        base + chi2_quantile(settings.confidence, 1.0)?
    } else {
        base * (1.0 + f_quantile(settings.confidence, 1.0, df)? / df)
    })
}

/// Profile intervals of what goes with the knees.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Along {
    /// Force at each knee.
    pub(super) forces: Vec<[f64; 2]>,
    /// Slopes.
    pub(super) slopes: Vec<[f64; 2]>,
}

/// Profile intervals of the slopes and of the forces at the knees. With one knee held at `t`
/// (and the other, if any, where it then fits best) the values not significantly worse than
/// the best are `estimate(t) ± √((limit − RSS(t))·variance(t))`; the interval spans those of
/// every `t` in the knee's own interval. Unlike the delta method this knows that a knee may
/// lie in a neighbouring gap.
pub(super) fn along_the_knees(
    ready: &Prepared,
    fit: &Segmented,
    ends: &[[f64; 2]],
    settings: &FitSettings,
) -> Option<Along> {
    if settings.monotone {
        return None;
    }
    let limit = limit(ready, fit, settings)?;
    let search = Search::new(&ready.groups, rule(ready, settings));
    let mut along = Along {
        forces: fit.knee_forces.iter().map(|f| [*f; 2]).collect(),
        slopes: fit.slopes.iter().map(|s| [*s; 2]).collect(),
    };
    for (which, ends) in ends.iter().enumerate() {
        let profile = Profile {
            search: &search,
            knees: fit.knees.len(),
            which,
        };
        let mut looks = profile.places();
        looks.extend(ends);
        looks.push(*fit.knees.get(which)?);
        for t in looks.into_iter().filter(|t| *t >= ends[0] && *t <= ends[1]) {
            let Some((_, at)) = profile.best(t) else {
                continue;
            };
            if let Ok(held) = finish(ready, &at[..fit.knees.len()], settings) {
                along.take_in(&held, which, limit);
            }
        }
    }
    Some(along)
}

impl Along {
    /// Widens by what is possible with this knee where `held` has it.
    fn take_in(&mut self, held: &Segmented, which: usize, limit: f64) {
        let room = limit - held.rss;
        if room < 0.0 {
            return;
        }
        let widen = |own: &mut [f64; 2], value: f64, what: Stated| {
            if let Some(variance) = held.variance_given_knee(which, what) {
                let half = (room * variance).sqrt();
                *own = hull_of(*own, [value - half, value + half]);
            }
        };
        for (j, own) in self.slopes.iter_mut().enumerate() {
            widen(own, held.slopes[j], Stated::Slope(j));
        }
        for (j, own) in self.forces.iter_mut().enumerate() {
            widen(own, held.knee_forces[j], Stated::KneeForce(j));
        }
    }
}

/// The smallest interval that holds both.
pub(super) fn hull_of(a: [f64; 2], b: [f64; 2]) -> [f64; 2] {
    [a[0].min(b[0]), a[1].max(b[1])]
}

/// Halves from a place outside the set and one inside to its edge.
fn close_in(mut outside: f64, mut inside: f64, is_inside: impl Fn(f64) -> bool) -> f64 {
    for _ in 0..HALVINGS {
        let middle = 0.5 * (outside + inside);
        if middle == outside || middle == inside {
            break;
        }
        if is_inside(middle) {
            inside = middle;
        } else {
            outside = middle;
        }
    }
    inside
}

struct Profile<'a> {
    search: &'a Search<'a>,
    knees: usize,
    which: usize,
}

impl Profile<'_> {
    /// Gaps in which this knee may lie: with one knee, those that leave both sides enough;
    /// with two, whatever the search finds something for.
    fn gaps(&self) -> impl Iterator<Item = usize> + '_ {
        let m = self.search.groups.len();
        (0..m.saturating_sub(1)).filter(|g| self.search.head_ok(*g) && self.search.tail_ok(g + 1))
    }

    /// Where to look: some places in every gap, its ends included.
    fn places(&self) -> Vec<f64> {
        let mut out = Vec::new();
        for g in self.gaps() {
            let (a, b) = (self.search.groups[g].x, self.search.groups[g + 1].x);
            for i in 0..=LOOKS_PER_GAP {
                out.push(if i == LOOKS_PER_GAP {
                    b
                } else {
                    a + (b - a) * i as f64 / LOOKS_PER_GAP as f64
                });
            }
        }
        out.dedup();
        out
    }

    /// Best sum of squares between groups with this knee at `t`.
    fn rss(&self, t: f64) -> f64 {
        self.best(t).map_or(f64::INFINITY, |found| found.0)
    }

    /// The best fit with this knee at `t`: sum of squares, and where the knees are.
    fn best(&self, t: f64) -> Option<Found> {
        let groups = self.search.groups;
        // Number of groups at or below t; a measured speed belongs to the gaps on both sides.
        let upto = groups.partition_point(|g| g.x <= t);
        let mut best: Option<Found> = None;
        let mut take = |found: Found| {
            if best.is_none_or(|b| found.0 < b.0) {
                best = Some(found);
            }
        };
        if upto >= 1 {
            self.in_gap(upto - 1, t, &mut take);
        }
        if upto >= 2 && groups[upto - 1].x == t {
            self.in_gap(upto - 2, t, &mut take);
        }
        best
    }

    fn in_gap(&self, g: usize, t: f64, take: &mut dyn FnMut(Found)) {
        let search = self.search;
        if g + 1 >= search.groups.len() || !search.head_ok(g) || !search.tail_ok(g + 1) {
            return;
        }
        if self.knees == 1 {
            if let Some(found) = search.pair(g, Knot::At(t)) {
                take(found);
            }
        } else {
            search.two_given(self.which, g, t, take);
        }
    }
}
