//! Fits: the search against a brute-force one, and bad input.
#![allow(
    clippy::unwrap_used,
    reason = "helpers of tests, not only tests, unwrap"
)]

use loopwork::fits::{FitSettings, Points, fit, fit_cycles, points_of_cycles, segmented};
use loopwork::statistics::{Resampling, replicate_stream};
use nalgebra::{DMatrix, DVector};
use rand::{Rng, RngExt};
use rand_distr::{Distribution, StandardNormal};

fn points<'a>(speed: &'a [f64], force: &'a [f64]) -> Points<'a> {
    Points {
        speed,
        force,
        se: None,
    }
}

fn normal(rng: &mut impl Rng) -> f64 {
    StandardNormal.sample(rng)
}

/// Weighted residual sum of squares with held knees, by the hinge basis and an SVD: nothing
/// in common with the program's own way but the definition.
fn hinge_rss(x: &[f64], y: &[f64], w: &[f64], knees: &[f64], through: Option<f64>) -> f64 {
    let base = usize::from(through.is_none());
    let design = DMatrix::from_fn(x.len(), base + 1 + knees.len(), |i, j| {
        let root = w[i].sqrt();
        if j < base {
            root
        } else if j == base {
            root * x[i]
        } else {
            root * (x[i] - knees[j - base - 1]).max(0.0)
        }
    });
    let target = DVector::from_fn(x.len(), |i, _| {
        w[i].sqrt() * (y[i] - through.unwrap_or(0.0))
    });
    let solved = design
        .clone()
        .svd(true, true)
        .solve(&target, 1e-11)
        .unwrap();
    (target - design * solved).norm_squared()
}

fn distinct(x: &[f64], keep: impl Fn(f64) -> bool) -> usize {
    let mut kept: Vec<f64> = x.iter().copied().filter(|x| keep(*x)).collect();
    kept.sort_by(f64::total_cmp);
    kept.dedup();
    kept.len()
}

/// The smallest sum of squares over knees at every measured speed and `steps` places from
/// each to the next.
fn brute(x: &[f64], y: &[f64], w: &[f64], knees: usize, through: Option<f64>, steps: usize) -> f64 {
    let mut speeds = x.to_vec();
    speeds.sort_by(f64::total_cmp);
    let mut grid: Vec<f64> = speeds
        .windows(2)
        .flat_map(|gap| (0..steps).map(|i| gap[0] + (gap[1] - gap[0]) * i as f64 / steps as f64))
        .collect();
    grid.extend(speeds.last());
    grid.dedup();
    let origin = usize::from(through.is_some());
    let first_ok = |t: f64| distinct(x, |x| x <= t) + origin >= 2;
    let last_ok = |t: f64| distinct(x, |x| x >= t) >= 2;
    let mut best = f64::INFINITY;
    for (i, a) in grid.iter().enumerate() {
        if !first_ok(*a) {
            continue;
        }
        if knees == 1 {
            if last_ok(*a) {
                best = best.min(hinge_rss(x, y, w, &[*a], through));
            }
            continue;
        }
        for b in &grid[i + 1..] {
            if last_ok(*b) && distinct(x, |x| x >= *a && x <= *b) >= 2 {
                best = best.min(hinge_rss(x, y, w, &[*a, *b], through));
            }
        }
    }
    best
}

/// Speeds with repeats and crowding, forces anything at all, standard errors if wanted.
fn any_data(index: usize, n: usize) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let mut rng = replicate_stream(11, index);
    let mut x: Vec<f64> = (0..n).map(|_| rng.random_range(0.05..1.0)).collect();
    if index.is_multiple_of(3) {
        x[1] = x[0];
        x[n - 1] = x[2];
    }
    let bend = rng.random_range(-3.0..3.0);
    let y = x
        .iter()
        .map(|x| 100.0 * x + 100.0 * bend * (x - 0.5_f64).max(0.0) + 15.0 * normal(&mut rng))
        .collect();
    let se = (0..n).map(|_| rng.random_range(0.5..2.0)).collect();
    (x, y, se)
}

/// The search is never above any grid point, and what it claims is attained at its knees,
/// which are allowed: together, the global optimum to the grid's fineness.
#[test]
fn one_knee_is_the_best_of_all_positions() {
    for index in 0..40 {
        let (x, y, se) = any_data(index, 12);
        let through = (index % 4 == 1).then_some(20.0);
        let settings = FitSettings {
            through,
            same_speed_within: 0.0,
            ..FitSettings::default()
        };
        let given = Points {
            speed: &x,
            force: &y,
            se: (index % 2 == 0).then_some(&se),
        };
        let fit = segmented(&given, 1, &settings).unwrap();
        let grid = brute(&x, &y, &fit.weights, 1, through, 100);
        assert!(
            fit.rss <= grid * (1.0 + 1e-9),
            "{index}: {} > {grid}",
            fit.rss
        );
        let origin = usize::from(through.is_some());
        assert!(
            distinct(&x, |x| x <= fit.knees[0]) + origin >= 2
                && distinct(&x, |x| x >= fit.knees[0]) >= 2
        );
        let itself = hinge_rss(&x, &y, &fit.weights, &fit.knees, through);
        assert!((fit.rss - itself).abs() <= 1e-9 * itself, "{index}");
    }
}

#[test]
fn two_knees_are_the_best_of_all_pairs() {
    for index in 0..12 {
        let (x, y, _) = any_data(index, 9);
        let through = (index % 4 == 1).then_some(20.0);
        let settings = FitSettings {
            through,
            same_speed_within: 0.0,
            ..FitSettings::default()
        };
        let fit = segmented(&points(&x, &y), 2, &settings).unwrap();
        let grid = brute(&x, &y, &fit.weights, 2, through, 12);
        assert!(
            fit.rss <= grid * (1.0 + 1e-9),
            "{index}: {} > {grid}",
            fit.rss
        );
        let origin = usize::from(through.is_some());
        let (a, b) = (fit.knees[0], fit.knees[1]);
        assert!(distinct(&x, |x| x <= a) + origin >= 2 && distinct(&x, |x| x >= b) >= 2);
        assert!(distinct(&x, |x| x >= a && x <= b) >= 2);
        let itself = hinge_rss(&x, &y, &fit.weights, &fit.knees, through);
        assert!((fit.rss - itself).abs() <= 1e-8 * itself, "{index}");
    }
}

/// The constrained optimum: no slope falls, it is never better than the free one, and no
/// small step that keeps the bound improves it.
#[test]
fn monotone_fits_keep_their_bound_and_lose_no_more_than_they_must() {
    for index in 0..30 {
        let (x, y, _) = any_data(index, 12);
        let knees = 1 + index % 2;
        let free = FitSettings {
            same_speed_within: 0.0,
            ..FitSettings::default()
        };
        let bound = FitSettings {
            monotone: true,
            ..free.clone()
        };
        let loose = segmented(&points(&x, &y), knees, &free).unwrap();
        let fit = segmented(&points(&x, &y), knees, &bound).unwrap();
        assert!(fit.slopes.iter().all(|s| *s >= 0.0), "{index}");
        assert!(fit.rss >= loose.rss * (1.0 - 1e-12), "{index}");
        if loose.slopes.iter().all(|s| *s >= 0.0) {
            assert_eq!(fit.knees, loose.knees, "{index}");
        }
        // Random curves that rise, near the optimum and far away.
        let mut rng = replicate_stream(12, index);
        let (low, high) = (fit.range[0], fit.range[1]);
        for trial in 0..400 {
            let size = 10_f64.powf(-4.0 * rng.random::<f64>());
            let mut at: Vec<f64> = fit
                .knees
                .iter()
                .map(|k| (k + size * (high - low) * normal(&mut rng)).clamp(low, high))
                .collect();
            at.sort_by(f64::total_cmp);
            let enough = distinct(&x, |x| x <= at[0]) >= 2
                && distinct(&x, |x| x >= at[at.len() - 1]) >= 2
                && (knees == 1 || distinct(&x, |x| x >= at[0] && x <= at[1]) >= 2);
            if !enough {
                continue;
            }
            let slopes: Vec<f64> = fit
                .slopes
                .iter()
                .map(|s| (s + 100.0 * size * normal(&mut rng)).max(0.0))
                .collect();
            let shape = |v: f64| {
                let mut f = slopes[0] * v.min(at[0]);
                for (j, k) in at.iter().enumerate() {
                    let end = at.get(j + 1).copied().unwrap_or(f64::INFINITY);
                    f += slopes[j + 1] * (v.min(end) - k).max(0.0);
                }
                f
            };
            // The best level for that shape.
            let level = x.iter().zip(&y).map(|(x, y)| y - shape(*x)).sum::<f64>() / x.len() as f64;
            let rss: f64 = x
                .iter()
                .zip(&y)
                .map(|(x, y)| (y - level - shape(*x)).powi(2))
                .sum();
            assert!(
                rss >= fit.rss * (1.0 - 1e-9),
                "{index}/{trial}: {rss} < {}",
                fit.rss
            );
        }
    }
}

/// A weight of two is a point given twice.
#[test]
fn weights_count_like_repeated_points() {
    let (x, y, _) = any_data(5, 11);
    let mut twice_x = x.clone();
    let mut twice_y = y.clone();
    for i in [2, 7] {
        twice_x.push(x[i]);
        twice_y.push(y[i]);
    }
    let se: Vec<f64> = (0..x.len())
        .map(|i| {
            if i == 2 || i == 7 {
                0.5_f64.sqrt()
            } else {
                1.0
            }
        })
        .collect();
    let settings = FitSettings {
        se_floor: 0.0,
        same_speed_within: 0.0,
        ..FitSettings::default()
    };
    let weighted = Points {
        speed: &x,
        force: &y,
        se: Some(&se),
    };
    for knees in 0..=2 {
        let a = segmented(&weighted, knees, &settings).unwrap();
        let b = segmented(&points(&twice_x, &twice_y), knees, &settings).unwrap();
        for (a, b) in a.slopes.iter().zip(&b.slopes) {
            assert!((a - b).abs() < 1e-9 * b.abs().max(1.0), "{knees} knees");
        }
        for (a, b) in a.knees.iter().zip(&b.knees) {
            assert!((a - b).abs() < 1e-10, "{knees} knees");
        }
    }
}

/// Order, units and offsets of the input must not matter.
#[test]
fn order_scale_and_offset_do_not_matter() {
    let (x, y, _) = any_data(9, 14);
    let settings = FitSettings::default();
    let plain = segmented(&points(&x, &y), 2, &settings).unwrap();
    let back: (Vec<f64>, Vec<f64>) = x.iter().zip(&y).rev().map(|(a, b)| (*a, *b)).unzip();
    let turned = segmented(&points(&back.0, &back.1), 2, &settings).unwrap();
    assert_eq!(plain.knees, turned.knees);
    assert_eq!(plain.residuals[3], turned.residuals[10]);
    let scaled: (Vec<f64>, Vec<f64>) = x
        .iter()
        .zip(&y)
        .map(|(a, b)| (1000.0 * a + 500.0, 1e-3 * b + 4.0e3))
        .unzip();
    let moved = segmented(&points(&scaled.0, &scaled.1), 2, &settings).unwrap();
    for (a, b) in plain.knees.iter().zip(&moved.knees) {
        assert!(((b - 500.0) / 1000.0 - a).abs() < 1e-7);
    }
    for (a, b) in plain.slopes.iter().zip(&moved.slopes) {
        assert!((b * 1e6 - a).abs() < 1e-5 * a.abs());
    }
}

/// Data with no error at all: the knee to rounding, no invented second one, finite criteria.
#[test]
fn a_perfect_curve_comes_back_exactly() {
    let x: Vec<f64> = (1..=10).map(|i| f64::from(i) * 0.05).collect();
    let y: Vec<f64> = x
        .iter()
        .map(|v| 40.0 + 3000.0 * v - 2200.0 * (v - 0.17_f64).max(0.0))
        .collect();
    let found = fit(&points(&x, &y), &FitSettings::default()).unwrap();
    assert_eq!(found.model, "digressive");
    assert_eq!(found.knees.len(), 1);
    let knee = found.knees[0];
    assert!((knee.velocity_m_s - 0.17).abs() < 1e-9);
    assert!((knee.force_n - 550.0).abs() < 1e-6);
    assert!(knee.ci95_m_s[0] <= 0.17 + 1e-9 && knee.ci95_m_s[1] >= 0.17 - 1e-9);
    assert!(found.candidates.iter().all(|c| c.aicc.unwrap().is_finite()));
    let straight: Vec<f64> = x.iter().map(|v| 40.0 + 3000.0 * v).collect();
    let found = fit(&points(&x, &straight), &FitSettings::default()).unwrap();
    assert_eq!(found.model, "linear");
}

#[test]
fn shapes_are_named_by_their_slopes() {
    let x: Vec<f64> = (1..=16).map(|i| f64::from(i) * 0.05).collect();
    for (turns, name) in [
        ([-1500.0, 0.0], "digressive"),
        ([1500.0, 0.0], "progressive"),
        ([-1500.0, -800.0], "digressive"),
        ([900.0, 1500.0], "progressive"),
        ([-1500.0, 1800.0], "mixed"),
    ] {
        let y: Vec<f64> = x
            .iter()
            .map(|v| {
                20.0 + 3000.0 * v
                    + turns[0] * (v - 0.22_f64).max(0.0)
                    + turns[1] * (v - 0.53_f64).max(0.0)
            })
            .collect();
        let found = fit(&points(&x, &y), &FitSettings::default()).unwrap();
        assert_eq!(found.model, name, "{turns:?}");
    }
}

/// One point far off: the plain fit is pulled, the robust one is not and says so.
#[test]
fn a_robust_fit_sets_an_outlier_aside() {
    let x: Vec<f64> = (1..=12).map(|i| f64::from(i) * 0.05).collect();
    let mut rng = replicate_stream(4, 0);
    let mut y: Vec<f64> = x
        .iter()
        .map(|v| 3000.0 * v - 2000.0 * (v - 0.23_f64).max(0.0) + 3.0 * normal(&mut rng))
        .collect();
    for bad in [0, 3, 7, 11] {
        let good = y[bad];
        y[bad] += 250.0;
        let settings = FitSettings {
            robust: true,
            ..FitSettings::default()
        };
        let found = fit(&points(&x, &y), &settings).unwrap();
        assert_eq!(found.knees.len(), 1, "outlier at {bad}");
        assert!(
            (found.knees[0].velocity_m_s - 0.23).abs() < 0.01,
            "outlier at {bad}"
        );
        assert_eq!(found.points, 11);
        assert!(found.notes.iter().any(|n| n.contains("set aside")));
        y[bad] = good;
    }
}

#[test]
fn what_cannot_be_fitted_says_why() {
    let settings = FitSettings::default();
    let reason = |x: &[f64], y: &[f64]| fit(&points(x, y), &settings).unwrap_err().reason;
    assert!(reason(&[], &[]).contains("no points"));
    assert!(reason(&[0.1, 0.1, 0.1], &[1.0, 2.0, 3.0]).contains("needs 2 distinct speeds"));
    assert!(reason(&[0.1, f64::NAN], &[1.0, 2.0]).contains("not a number"));
    assert!(reason(&[0.1, 0.2], &[1.0]).contains("another count"));
    // Two repeats of one step are one speed.
    assert!(reason(&[0.1, 0.1], &[1.0, 5.0]).contains("distinct"));
    let bad_se = Points {
        speed: &[0.1, 0.2, 0.3],
        force: &[1.0, 2.0, 3.0],
        se: Some(&[1.0, f64::NAN, 1.0]),
    };
    assert!(fit(&bad_se, &settings).is_err());
}

/// Two speeds give a line, no interval and no knee; five no knee, with the reason; six show a
/// knee if it is plain.
#[test]
fn few_speeds_give_a_smaller_answer() {
    let two = fit(
        &points(&[0.1, 0.2], &[100.0, 220.0]),
        &FitSettings::default(),
    )
    .unwrap();
    assert_eq!(two.model, "linear");
    assert!((two.segments[0].slope_n_s_m - 1200.0).abs() < 1e-9);
    assert!(two.segments[0].slope_ci95_n_s_m.is_none());
    assert!(two.notes.iter().any(|n| n.contains("one knee")));
    let x = [0.1, 0.2, 0.3, 0.4, 0.5, 0.6];
    let y = [301.0, 599.0, 900.0, 951.0, 1000.0, 1049.0];
    let five = fit(&points(&x[..5], &y[..5]), &FitSettings::default()).unwrap();
    assert_eq!(five.candidates.len(), 1);
    assert!(
        five.notes
            .iter()
            .any(|n| n.contains("5 points are too few"))
    );
    let six = fit(&points(&x, &y), &FitSettings::default()).unwrap();
    assert_eq!(six.model, "digressive");
    assert!(six.candidates[1].aicc.is_none() && six.candidates[1].chance.unwrap() <= 0.03);
}

/// A spread of zero, or nearly, must not let a point rule the fit.
#[test]
fn a_point_that_repeats_perfectly_does_not_dominate() {
    let x: Vec<f64> = (1..=8).map(|i| f64::from(i) * 0.1).collect();
    let mut y: Vec<f64> = x.iter().map(|v| 1000.0 * v).collect();
    y[4] += 30.0;
    for tiny in [0.0, 1e-9] {
        let mut se = vec![5.0; 8];
        se[4] = tiny;
        let given = Points {
            speed: &x,
            force: &y,
            se: Some(&se),
        };
        let line = segmented(&given, 0, &FitSettings::default()).unwrap();
        assert!(line.weights[4] <= 2.0 * line.weights[0] * (1.0 + 1e-12));
        assert!(line.residuals[4].abs() > 15.0);
    }
    let none = vec![0.0; 8];
    let given = Points {
        speed: &x,
        force: &y,
        se: Some(&none),
    };
    let line = segmented(&given, 0, &FitSettings::default()).unwrap();
    assert!(line.weights.iter().all(|w| *w == 1.0));
}

/// Cycles: the same answer twice, whatever the threads; intervals never narrower than the
/// fit's own; one cycle per step still gives a fit.
#[test]
fn cycle_bootstrap_is_repeatable_and_only_widens() {
    let mut rng = replicate_stream(8, 0);
    let steps: Vec<Vec<(f64, f64)>> = (1..=10)
        .map(|i| {
            let v = f64::from(i) * 0.05;
            let curve = 3000.0 * v - 2000.0 * (v - 0.22_f64).max(0.0);
            (0..4)
                .map(|_| (v + 1e-4 * normal(&mut rng), curve + 6.0 * normal(&mut rng)))
                .collect()
        })
        .collect();
    let settings = FitSettings::default();
    let run = |threads: usize| {
        rayon::ThreadPoolBuilder::new()
            .num_threads(threads)
            .build()
            .unwrap()
            .install(|| fit_cycles(&steps, &settings, Resampling::default()).unwrap())
    };
    let (one, three) = (run(1), run(3));
    assert_eq!(one, three);
    let own = fit(&points_of_cycles(&steps).view(), &settings).unwrap();
    assert_eq!(own.knees[0].velocity_m_s, one.knees[0].velocity_m_s);
    assert!(one.knees[0].ci95_m_s[0] <= own.knees[0].ci95_m_s[0]);
    assert!(one.knees[0].ci95_m_s[1] >= own.knees[0].ci95_m_s[1]);
    let single: Vec<Vec<(f64, f64)>> = steps.iter().map(|s| s[..1].to_vec()).collect();
    assert!(fit_cycles(&single, &settings, Resampling::default()).is_ok());
}

/// No input makes a fit panic or return a number that is not one.
#[test]
fn hostile_numbers_are_refused_or_survived() {
    for (x, y) in [
        (vec![0.0; 20], vec![1.0; 20]),
        (
            vec![
                1e-300, 2e-300, 3e-300, 4e-300, 5e-300, 6e-300, 7e-300, 8e-300,
            ],
            vec![1.0; 8],
        ),
        (
            vec![1e300, 2e300, 3e300, 4e300, 5e300, 6e300, 7e300, 8e300],
            vec![1e300; 8],
        ),
        ((0..50).map(f64::from).collect(), vec![0.0; 50]),
        (
            (0..9).map(|i| 1.0 + f64::from(i) * 1e-15).collect(),
            (0..9).map(f64::from).collect(),
        ),
    ] {
        if let Ok(found) = fit(&points(&x, &y), &FitSettings::default()) {
            for piece in &found.segments {
                assert!(piece.slope_n_s_m.is_finite() && piece.intercept_n.is_finite());
            }
            assert!(found.rmse_n.is_finite());
        }
    }
}

/// The worked example of docs/methods/fits.md, number by number.
#[test]
fn the_worked_example_is_what_the_page_says() {
    let page = std::fs::read_to_string(crate::support::in_tree("docs/methods/fits.md")).unwrap();
    let x: Vec<f64> = (1..=8).map(|i| 0.05 * f64::from(i)).collect();
    let y = [160.0, 320.0, 465.0, 610.0, 665.0, 705.0, 765.0, 810.0];
    let settings = FitSettings {
        max_knees: 1,
        ..FitSettings::default()
    };
    let found = fit(&points(&x, &y), &settings).unwrap();
    let solution = found.solution.as_ref().unwrap();
    let knee = found.knees[0];
    let line = segmented(&points(&x, &y), 0, &settings).unwrap();
    for (what, number) in [
        (
            "slope before",
            format!("{:.1}", found.segments[0].slope_n_s_m),
        ),
        (
            "slope after",
            format!("{:.1}", found.segments[1].slope_n_s_m),
        ),
        ("intercept", format!("{:.2}", solution.intercept)),
        ("knee", format!("{:.5}", knee.velocity_m_s)),
        ("force", format!("{:.2}", knee.force_n)),
        ("rss", format!("{:.3}", solution.rss)),
        ("rss of the line", format!("{:.1}", line.rss)),
        (
            "aicc of the line",
            format!("{:.2}", found.candidates[0].aicc.unwrap()),
        ),
        ("aicc", format!("{:.2}", found.candidates[1].aicc.unwrap())),
        ("low", format!("{:.4}", knee.ci95_m_s[0])),
        ("high", format!("{:.4}", knee.ci95_m_s[1])),
    ] {
        println!("{what}: {number}");
        assert!(
            page.contains(&number),
            "{what} is {number}, which the page does not say"
        );
    }
}
