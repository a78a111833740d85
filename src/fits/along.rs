//! Profile intervals of what goes with the knees: slopes, and forces at the knees.

use super::line::{Line, met};
use super::points::Prepared;
use super::profile::{KneeIntervals, hull_of};
use super::search::Search;
use super::segmented::Segmented;
use super::settings::FitSettings;

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
/// lie in a neighbouring gap. `None` where slopes are bounded.
pub(super) fn along_the_knees(
    ready: &Prepared,
    fit: &Segmented,
    intervals: &KneeIntervals<'_>,
    settings: &FitSettings,
) -> Option<Along> {
    if settings.monotone {
        return None;
    }
    let mut along = Along {
        forces: fit.knee_forces.iter().map(|f| [*f; 2]).collect(),
        slopes: fit.slopes.iter().map(|s| [*s; 2]).collect(),
    };
    for (which, own) in intervals.of.iter().enumerate() {
        let profile = intervals.profile(which);
        let looks = own
            .looks
            .iter()
            .filter(|(t, _)| *t >= own.ends[0] && *t <= own.ends[1])
            .filter_map(|(_, found)| *found);
        let edges = [own.ends[0], own.ends[1], *fit.knees.get(which)?];
        for (rss, at) in looks.chain(edges.into_iter().filter_map(|t| profile.best(t))) {
            let room = profile.limit - rss;
            if room < 0.0 || (rss + ready.within <= 0.0 && !fit.absolute) {
                continue;
            }
            let held = match fit.knees.len() {
                1 => one_held(profile.search, at[0]),
                _ => two_held(profile.search, at, which),
            };
            if let Some(held) = held {
                along.take_in(&held, room, ready.offset);
            }
        }
    }
    Some(along)
}

impl Along {
    /// Widens by what is possible at one place of a knee.
    fn take_in(&mut self, held: &Held, room: f64, offset: f64) {
        let widen = |own: &mut [f64; 2], value: f64, variance: f64| {
            let half = (room * variance.max(0.0)).sqrt();
            if half.is_finite() {
                *own = hull_of(*own, [value - half, value + half]);
            }
        };
        for (own, (slope, variance)) in self.slopes.iter_mut().zip(&held.slopes) {
            widen(own, *slope, *variance);
        }
        for (own, (force, variance)) in self.forces.iter_mut().zip(&held.forces) {
            widen(own, force + offset, *variance);
        }
    }
}

/// Slopes and forces at the knees with one knee held, each with its variance in units of the
/// error variance, any other knee being free.
struct Held {
    slopes: Vec<(f64, f64)>,
    forces: Vec<(f64, f64)>,
}

impl Held {
    fn new(
        (forces, slopes): (Vec<f64>, Vec<f64>),
        of_slopes: &[f64],
        of_forces: &[f64],
    ) -> Option<Self> {
        let with = |values: Vec<f64>, variances: &[f64]| -> Vec<(f64, f64)> {
            values.into_iter().zip(variances.iter().copied()).collect()
        };
        Some(Self {
            slopes: with(slopes, of_slopes),
            forces: with(forces, of_forces),
        })
    }
}

/// Two lines made to meet at `t`: conditioning independent estimates on a difference of zero.
fn one_held(search: &Search<'_>, t: f64) -> Option<Held> {
    let apart = search.apart(&[t])?;
    let [left, right, _] = &apart;
    let (vl, vr) = (left.var(t), right.var(t));
    let slope = |line: &Line| line.var_slope - line.cov_slope(t).powi(2) / (vl + vr);
    Held::new(
        met(&apart, &[t]),
        &[slope(left), slope(right)],
        &[vl * vr / (vl + vr)],
    )
}

/// Three lines. At the held knee two of them are made to meet, as in [`one_held`]. The other
/// knee is where its lines happen to cross, so to first order it ties them by nothing, and
/// the force there moves with both: `δf = δm·(1 − b/Δb) + δo·b/Δb`, `b` the slope of the line
/// before it and `Δb` what it loses there.
fn two_held(search: &Search<'_>, at: [f64; 2], which: usize) -> Option<Held> {
    let apart = search.apart(&at)?;
    let [left, middle, right] = &apart;
    let (forces, slopes) = met(&apart, &at);
    // `outer` is tied to the middle at `t`; `far` crosses it at `u`.
    let (outer, far, t, u) = match which {
        0 => (left, right, at[0], at[1]),
        _ => (right, left, at[1], at[0]),
    };
    let tie = outer.var(t) + middle.var(t);
    let slope = |line: &Line| line.var_slope - line.cov_slope(t).powi(2) / tie;
    let at_t = outer.var(t) * middle.var(t) / tie;
    let middle_at_u = middle.var(u) - middle.cov(t, u).powi(2) / tie;
    // Share of the force at the free knee that goes with the line after it.
    let (before, after) = (slopes[1 - which], slopes[2 - which]);
    let share = before / (before - after);
    let (of_middle, of_far) = match which {
        0 => (1.0 - share, share),
        _ => (share, 1.0 - share),
    };
    let at_u = of_middle * of_middle * middle_at_u + of_far * of_far * far.var(u);
    let (of_outer, of_mid, of_free) = (slope(outer), slope(middle), far.var_slope);
    match which {
        0 => Held::new(
            (forces, slopes),
            &[of_outer, of_mid, of_free],
            &[at_t, at_u],
        ),
        _ => Held::new(
            (forces, slopes),
            &[of_free, of_mid, of_outer],
            &[at_u, at_t],
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::fits::Points;
    use crate::fits::segmented::rule;
    use nalgebra::DMatrix;

    const X: [f64; 10] = [0.02, 0.05, 0.09, 0.16, 0.2, 0.27, 0.33, 0.41, 0.46, 0.6];

    /// Variances by the plain way: columns of the linear model, `(XᵀWX)⁻¹`.
    fn plainly(
        columns: &[&dyn Fn(f64) -> f64],
        weights: &[f64],
        gradients: &[Vec<f64>],
    ) -> Vec<f64> {
        let design = DMatrix::from_fn(X.len(), columns.len(), |i, j| {
            weights[i].sqrt() * columns[j](X[i])
        });
        let covariance = (design.transpose() * &design).try_inverse().unwrap();
        gradients
            .iter()
            .map(|g| {
                let g = DMatrix::from_row_slice(1, g.len(), g);
                (&g * &covariance * g.transpose())[(0, 0)]
            })
            .collect()
    }

    fn agree(found: &[(f64, f64)], expected: &[f64]) {
        assert_eq!(found.len(), expected.len());
        for ((_, a), b) in found.iter().zip(expected) {
            assert!((a / b - 1.0).abs() < 1e-8, "{found:?} {expected:?}");
        }
    }

    fn with_search(check: impl Fn(&Search<'_>, &[f64], &[f64])) {
        let y: Vec<f64> = X
            .iter()
            .map(|x| {
                1000.0 * x.min(0.18) + 300.0 * (x - 0.18).max(0.0) - 150.0 * (x - 0.4).max(0.0)
                    + (40.0 * x).sin()
            })
            .collect();
        let se: Vec<f64> = X.iter().map(|x| 1.0 + x).collect();
        let settings = FitSettings::default();
        let points = Points {
            speed: &X,
            force: &y,
            se: Some(&se),
        };
        let ready = Prepared::new(&points, &settings).unwrap();
        let search = Search::new(&ready.groups, rule(&ready, &settings));
        check(&search, &ready.w, &y);
    }

    #[test]
    fn variances_with_one_knee_held_are_those_of_the_linear_model() {
        with_search(|search, w, _| {
            for t in [0.12, 0.2, 0.3] {
                let held = one_held(search, t).unwrap();
                let columns: [&dyn Fn(f64) -> f64; 3] =
                    [&|_| 1.0, &|x: f64| x.min(t), &|x: f64| (x - t).max(0.0)];
                let unit = |v: [f64; 3]| v.to_vec();
                let expected = plainly(
                    &columns,
                    w,
                    &[
                        unit([0.0, 1.0, 0.0]),
                        unit([0.0, 0.0, 1.0]),
                        unit([1.0, t, 0.0]),
                    ],
                );
                agree(&held.slopes, &expected[..2]);
                agree(&held.forces, &expected[2..]);
            }
        });
    }

    /// The free knee as a parameter of its own: moving it by δ adds `turn·δ` to all that lies
    /// above it, and the force at it goes along the line below.
    #[test]
    fn variances_with_one_of_two_knees_held_are_those_of_the_linearised_model() {
        with_search(|search, w, _| {
            for (t, u) in [(0.12, 0.36), (0.16, 0.41), (0.07, 0.3)] {
                for which in [0, 1] {
                    let held = two_held(search, [t, u], which).unwrap();
                    let free = if which == 0 { u } else { t };
                    let before = held.slopes[1 - which].0;
                    let turn = before - held.slopes[2 - which].0;
                    let columns: [&dyn Fn(f64) -> f64; 5] = [
                        &|_| 1.0,
                        &|x: f64| x.min(t),
                        &|x: f64| x.clamp(t, u) - t,
                        &|x: f64| (x - u).max(0.0),
                        &|x: f64| if x > free { turn } else { 0.0 },
                    ];
                    let force =
                        |at: f64, along: f64| vec![1.0, at.min(t), at.clamp(t, u) - t, 0.0, along];
                    let slope =
                        |j: usize| (0..5).map(|k| f64::from(u8::from(k == j + 1))).collect();
                    let along = |at: f64| if at == free { before } else { 0.0 };
                    // Above the free knee, a held one is carried by it.
                    let carried = if which == 1 { turn } else { 0.0 };
                    let gradients = [
                        slope(0),
                        slope(1),
                        slope(2),
                        force(t, along(t)),
                        force(u, if which == 1 { carried } else { along(u) }),
                    ];
                    let expected = plainly(&columns, w, &gradients);
                    agree(&held.slopes, &expected[..3]);
                    agree(&held.forces, &expected[3..]);
                }
            }
        });
    }
}
