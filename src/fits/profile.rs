//! Profile-likelihood interval of a knee.

use super::points::Prepared;
use super::search::{Cell, Found, Knot, Search};
use super::segmented::{Segmented, rule};
use super::settings::FitSettings;
use crate::statistics::{chi2_quantile, f_quantile};

/// Places looked at in every gap between speeds before the edge of the set is closed in on.
/// Within a gap the set is nearly always one interval; eight places find it when it is not.
const LOOKS_PER_GAP: usize = 8;
/// Halvings when closing in: leaves 2⁻⁴⁸ of the gap.
const HALVINGS: usize = 48;

/// An interval of knee positions.
#[derive(Debug, Clone)]
pub(super) struct KneeInterval {
    pub(super) ends: [f64; 2],
    /// The data do not bound the knee on this side: the end is that of the data.
    pub(super) open: [bool; 2],
    /// Where was looked, and what was found there ([`Profile::looks`]).
    pub(super) looks: Vec<(f64, Option<Found>)>,
}

/// The intervals of all knees of a fit, and what they were found with.
#[derive(Debug)]
pub(super) struct KneeIntervals<'a> {
    search: Search<'a>,
    knees: usize,
    limit: f64,
    pub(super) of: Vec<KneeInterval>,
}

impl<'a> KneeIntervals<'a> {
    /// For every knee, the positions whose best fit is not significantly worse than the best of
    /// all: `RSS(t) ≤ RSS_min·(1 + F(confidence; 1, n − p)/(n − p))`, or `RSS_min + χ²` if the
    /// error is known. If the set is in pieces the interval spans them all. `None` without
    /// knees or degrees of freedom.
    pub(super) fn new(
        ready: &'a Prepared,
        fit: &Segmented,
        settings: &FitSettings,
    ) -> Option<Self> {
        if fit.knees.is_empty() {
            return None;
        }
        let mut out = Self {
            search: Search::new(&ready.groups, rule(ready, settings)),
            knees: fit.knees.len(),
            limit: limit(ready, fit, settings)? - ready.within,
            of: Vec::new(),
        };
        let x0 = if ready.anchored { 0.0 } else { fit.range[0] };
        out.of = (0..out.knees)
            .map(|which| interval(&out.profile(which), fit.knees[which], [x0, fit.range[1]]))
            .collect::<Option<_>>()?;
        Some(out)
    }

    pub(super) fn profile(&self, which: usize) -> Profile<'_> {
        Profile {
            search: &self.search,
            knees: self.knees,
            which,
            limit: self.limit,
        }
    }
}

/// The interval of one knee; the data reach over `range`.
fn interval(profile: &Profile<'_>, estimate: f64, range: [f64; 2]) -> Option<KneeInterval> {
    let limit = profile.limit;
    let inside = |t: f64| t == estimate || profile.best(t).is_some_and(|found| found.0 <= limit);
    let found = profile.looks();
    let mut looked: Vec<(f64, f64)> = found
        .iter()
        .map(|(t, found)| (*t, found.map_or(f64::INFINITY, |f| f.0)))
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
    let low = match first {
        0 => range[0].min(looks[0]),
        i => close_in(looks[i - 1], looks[i], inside),
    };
    let high = match looks.get(last + 1) {
        None => range[1].max(looks[last]),
        Some(outside) => close_in(*outside, looks[last], inside),
    };
    Some(KneeInterval {
        ends: [low, high],
        open: [first == 0, last + 1 == looks.len()],
        looks: found,
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

/// The models with one knee held: how well each can do.
pub(super) struct Profile<'a> {
    pub(super) search: &'a Search<'a>,
    pub(super) knees: usize,
    pub(super) which: usize,
    /// Sum of squares between groups beyond which nothing is of interest.
    pub(super) limit: f64,
}

impl Profile<'_> {
    /// Some places in every gap in which this knee may lie, its ends included, and the best
    /// fit with the knee there: `None` if it does worse than the limit. Places that leave no
    /// room for another knee are left out.
    pub(super) fn looks(&self) -> Vec<(f64, Option<Found>)> {
        let mut out = Vec::new();
        for g in 0..self.search.groups.len().saturating_sub(1) {
            let Some(gap) = Gap::new(self, g) else {
                continue;
            };
            let (a, b) = (self.search.groups[g].x, self.search.groups[g + 1].x);
            for i in 0..=LOOKS_PER_GAP {
                let t = if i == LOOKS_PER_GAP {
                    b
                } else {
                    a + (b - a) * i as f64 / LOOKS_PER_GAP as f64
                };
                if gap.leaves_room(t) {
                    out.push((t, gap.best(t)));
                }
            }
        }
        // A measured speed was looked at from the gaps on both sides: the better one counts.
        let rss = |found: &Option<Found>| found.map_or(f64::INFINITY, |f| f.0);
        out.sort_by(|a, b| a.0.total_cmp(&b.0).then(rss(&a.1).total_cmp(&rss(&b.1))));
        out.dedup_by(|b, a| a.0 == b.0);
        out
    }

    /// The best fit with this knee at `t`: sum of squares, and where the knees are.
    pub(super) fn best(&self, t: f64) -> Option<Found> {
        let groups = self.search.groups;
        // Number of groups at or below t; a measured speed belongs to the gaps on both sides.
        let upto = groups.partition_point(|g| g.x <= t);
        let before = upto.checked_sub(1)?;
        let other = before.checked_sub(1).filter(|_| groups[before].x == t);
        [Some(before), other]
            .into_iter()
            .flatten()
            .filter_map(|g| Gap::new(self, g)?.best(t))
            .min_by(|a, b| a.0.total_cmp(&b.0))
    }
}

/// One gap between speeds with this knee in it, and what does not depend on where.
struct Gap<'a> {
    of: &'a Profile<'a>,
    g: usize,
    cells: Vec<Cell>,
}

impl<'a> Gap<'a> {
    /// `None` if the knee leaves a side too little.
    fn new(of: &'a Profile<'a>, g: usize) -> Option<Self> {
        let search = of.search;
        let fits = g + 1 < search.groups.len() && search.head_ok(g) && search.tail_ok(g + 1);
        fits.then(|| Self {
            of,
            g,
            cells: match of.knees {
                1 => Vec::new(),
                _ => search.cells_given(of.which, g, of.limit),
            },
        })
    }

    fn leaves_room(&self, t: f64) -> bool {
        self.of.knees == 1 || self.of.search.leaves_room(self.of.which, self.g, t)
    }

    fn best(&self, t: f64) -> Option<Found> {
        let mut best: Option<Found> = None;
        let mut take = |found: Found| {
            if best.is_none_or(|b| found.0 < b.0) {
                best = Some(found);
            }
        };
        if self.of.knees == 1 {
            self.of
                .search
                .pair(self.g, Knot::At(t))
                .into_iter()
                .for_each(take);
        } else {
            self.of
                .search
                .two_given(self.of.which, &self.cells, t, &mut take);
        }
        best
    }
}
