//! Runs that do not go together: repeats that differ, and runs the others do not bear out.

use super::answer::{At, Interval, Odd, Repeated};
use super::fitted::{Fitted, moments, z_of_many};
use super::process::{self, Design, Observed, Sampling};
use crate::compare::CompareSettings;
use crate::statistics::replicate_stream;

/// Seed of the fits without one run.
const SEED: u64 = 20_251_129;
/// These fits answer one question each, so fewer draws do.
const SAMPLING: Sampling = Sampling {
    warm_up: 100,
    draws: 200,
    thin: 1,
};
/// Runs beside the one that is looked at, below which nothing can be expected.
const LEAST_OTHERS: usize = 3;
/// A run is odd beyond this many standard deviations of what the others lead to expect (by
/// feel: once in 15 000 by chance, as all runs of all sweeps are looked at).
const ODD: f64 = 4.0;
/// Speeds looked at, those where adjusters do most.
const SPEEDS: usize = 4;

/// Groups of runs at one setting, and whether they differ by more than repeatability.
pub(super) fn repeats(
    fitted: &Fitted,
    names: &[String],
    at: &[At],
    settings: &CompareSettings,
) -> Vec<Repeated> {
    let mut groups: Vec<Vec<usize>> = Vec::new();
    for i in 0..at.len() {
        match groups.iter_mut().find(|g| at[g[0]] == at[i]) {
            Some(group) => group.push(i),
            None => groups.push(vec![i]),
        }
    }
    groups.retain(|g| g.len() > 1);
    let pairs: usize = groups.iter().map(|g| g.len() * (g.len() - 1) / 2).sum();
    let z = z_of_many(settings.confidence, pairs * fitted.cells.len());
    let mut out = Vec::new();
    for group in groups {
        // (share of what is usual, difference, cell)
        let mut worst: Option<(f64, f64, usize)> = None;
        for (c, cell) in fitted.cells.iter().enumerate() {
            let o = &cell.observed;
            for (n, &i) in group.iter().enumerate() {
                for &j in &group[n + 1..] {
                    let difference = o.force[j] - o.force[i];
                    let usual = o.own_sd[i]
                        .hypot(o.own_sd[j])
                        .hypot(o.usual_sd[i])
                        .hypot(o.usual_sd[j]);
                    let size = difference.abs() / usual;
                    if worst.is_none_or(|w| size > w.0) {
                        worst = Some((size, difference, c));
                    }
                }
            }
        }
        let Some((size, difference, c)) = worst else {
            continue;
        };
        let cell = &fitted.cells[c];
        let force = cell.observed.force[group[0]].abs();
        out.push(Repeated {
            settings: at[group[0]].clone(),
            runs: group.iter().map(|i| names[*i].clone()).collect(),
            largest_n: difference.abs(),
            largest_pct: (force > super::adjusters::MATTERS_N)
                .then(|| 100.0 * difference.abs() / force),
            direction: cell.direction,
            velocity_m_s: cell.speed,
            more_than_usual: size > z,
        });
    }
    out
}

/// The run that the others bear out least, if it is beyond chance: each run in turn is
/// left out and foretold from the rest. One is named, not all: its neighbours, foretold with
/// its help, look odd as well.
pub(super) fn odd(
    fitted: &Fitted,
    names: &[String],
    at: &[At],
    settings: &CompareSettings,
) -> Vec<Odd> {
    let n = names.len();
    if n <= LEAST_OTHERS {
        return Vec::new();
    }
    let looked_at = telling(fitted);
    let z = z_of_many(settings.confidence, 1);
    let mut found: Vec<(f64, Odd)> = Vec::new();
    for i in 0..n {
        // (size, cell, expected, spread) at every speed.
        let mut all: Vec<(f64, usize, f64, f64)> = Vec::new();
        for &c in &looked_at {
            let force = fitted.cells[c].observed.force[i];
            if let Some((expected, sd)) = without(fitted, c, i) {
                all.push(((force - expected).abs() / sd, c, expected, sd));
            }
        }
        all.sort_by(|a, b| a.0.total_cmp(&b.0));
        // In the middle of its speeds: one odd speed does not make an odd run.
        let Some(&(size, c, expected, sd)) = all.get(all.len().saturating_sub(1) / 2) else {
            continue;
        };
        let cell = &fitted.cells[c];
        let sign = cell.direction.sign();
        let mut ci95 = [expected - z * sd, expected + z * sd].map(|x| sign * x);
        ci95.sort_by(f64::total_cmp);
        let odd = Odd {
            run: names[i].clone(),
            settings: at[i].clone(),
            direction: cell.direction,
            velocity_m_s: cell.speed,
            force_n: sign * cell.observed.force[i],
            expected_n: Interval {
                value: sign * expected,
                ci95,
            },
        };
        found.push((size, odd));
    }
    let most = found.into_iter().max_by(|a, b| a.0.total_cmp(&b.0));
    most.filter(|m| m.0 > ODD)
        .map(|m| m.1)
        .into_iter()
        .collect()
}

/// The speeds and directions where the adjusters together change most, against what a
/// run's error is.
fn telling(fitted: &Fitted) -> Vec<usize> {
    let mut all: Vec<(f64, usize)> = fitted
        .cells
        .iter()
        .enumerate()
        .map(|(c, cell)| {
            let range = moments(&cell.observed.force).1;
            let usual =
                cell.observed.usual_sd.iter().sum::<f64>() / cell.observed.usual_sd.len() as f64;
            (range / usual, c)
        })
        .collect();
    all.sort_by(|a, b| b.0.total_cmp(&a.0));
    all.truncate(SPEEDS);
    all.into_iter().map(|a| a.1).collect()
}

/// What the other runs lead to expect of one, and the spread of it for a single run.
fn without(fitted: &Fitted, c: usize, i: usize) -> Option<(f64, f64)> {
    let design = &fitted.design;
    let o = &fitted.cells[c].observed;
    let but = |values: &[f64]| {
        let mut kept = values.to_vec();
        kept.remove(i);
        kept
    };
    let mut rows = design.rows.clone();
    let row = rows.remove(i);
    let left = Design {
        grids: row.iter().map(|u| vec![*u]).collect(),
        rows,
        pairs: design.pairs.clone(),
    };
    let observed = Observed {
        force: but(&o.force),
        own_sd: but(&o.own_sd),
        usual_sd: but(&o.usual_sd),
    };
    let mut random = replicate_stream(SEED, c * fitted.design.rows.len() + i);
    let posterior = process::fit(&left, &observed, SAMPLING, &mut random)?;
    let places = vec![0; row.len()];
    let draws: Vec<f64> = (0..posterior.draws())
        .map(|k| posterior.at(k, &places))
        .collect();
    let (mean, sd) = moments(&draws);
    let spread = moments(&posterior.spread).0;
    Some((mean, sd.hypot(o.own_sd[i]).hypot(spread * o.usual_sd[i])))
}
