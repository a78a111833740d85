//! Which setting brings the damper closest to another one.

use rand_distr::{Distribution as _, StandardNormal};

use super::answer::{At, Meets, Stop, WholeClicks};
use super::fitted::{Fitted, moments};
use crate::compare::{CompareSettings, Part, Purpose, ValveForce, Verdict};
use crate::notice::Error;
use crate::run::Run;
use crate::statistics::{percentile_interval, replicate_stream};
use crate::steps::Direction;

/// Seed of the other damper's error.
const SEED: u64 = 20_251_130;
/// A setting is as good as the best if its mismatch is shown to be worse by less than this,
/// % of force (a fifth of what a pair may differ by).
const AS_GOOD_PCT: f64 = 1.0;
/// More neighbours than this are not listed.
const MOST_LISTED: usize = 12;
/// Rounds over the adjusters in the search of each draw.
const ROUNDS: usize = 3;
/// Places between two settings in the last step of the search.
const BETWEEN: usize = 10;
/// An adjuster is at its end within this share of its range.
const AT_END: f64 = 0.02;

/// What is wanted at one cell.
struct Wanted {
    cell: usize,
    force: f64,
    own: Part,
    usual: f64,
    /// Gas and friction to add to the sweep's forces, where totals are compared.
    rest: f64,
}

struct Search<'a> {
    fitted: &'a Fitted,
    wanted: Vec<Wanted>,
    /// Force below which percent count from this, N.
    least: f64,
    /// Means of the draws: level, parts, products, as one more draw.
    means: Vec<Mean>,
}

/// Mean force of a cell as a function of the places.
struct Mean {
    level: f64,
    parts: Vec<Vec<f64>>,
    products: Vec<Vec<f64>>,
}

impl Search<'_> {
    /// Mismatch in % and the cell where it is.
    fn worst(&self, force: impl Fn(usize) -> f64, noise: impl Fn(usize) -> f64) -> (f64, usize) {
        let mut worst = (0.0, 0);
        for (k, w) in self.wanted.iter().enumerate() {
            let apart = (force(k) + w.rest - w.force - noise(k)).abs();
            let pct = 100.0 * apart / w.force.abs().max(self.least);
            if pct > worst.0 {
                worst = (pct, k);
            }
        }
        worst
    }

    /// Mean mismatch at places that may lie between those of the grid.
    fn mean(&self, at: &[f64]) -> (f64, usize) {
        self.worst(|k| self.mean_force(k, at), |_| 0.0)
    }

    fn mean_force(&self, k: usize, at: &[f64]) -> f64 {
        let mean = &self.means[k];
        let between = |values: &[f64], x: f64| {
            let i = (x.floor() as usize).min(values.len() - 1);
            let j = (i + 1).min(values.len() - 1);
            values[i] + (x - i as f64) * (values[j] - values[i])
        };
        let mut sum = mean.level;
        for (part, &x) in mean.parts.iter().zip(at) {
            sum += between(part, x);
        }
        for (product, &(a, b)) in mean.products.iter().zip(&self.fitted.design.pairs) {
            let width = self.fitted.axes[b].grid.len();
            let last = self.fitted.axes[a].grid.len() - 1;
            let i = (at[a].floor() as usize).min(last);
            let row = |i: usize| between(&product[i * width..(i + 1) * width], at[b]);
            let low = row(i);
            sum += low + (at[a] - i as f64) * (row((i + 1).min(last)) - low);
        }
        sum
    }

    fn draw(&self, draw: usize, places: &[usize], noise: &[f64]) -> f64 {
        let force = |k: usize| {
            let cell = &self.fitted.cells[self.wanted[k].cell];
            cell.posterior.at(draw, places)
        };
        self.worst(force, |k| noise[k]).0
    }

    /// Every combination of places `allowed` of each adjuster.
    fn combinations(&self, allowed: &[Vec<usize>]) -> Vec<Vec<usize>> {
        let mut all: Vec<Vec<usize>> = vec![Vec::new()];
        for places in allowed {
            all = all
                .iter()
                .flat_map(|start| {
                    places.iter().map(|p| {
                        let mut one = start.clone();
                        one.push(*p);
                        one
                    })
                })
                .collect();
        }
        all
    }

    /// Finer than the grid: from its best place along each adjuster in turn.
    fn refine(&self, start: &[usize]) -> Vec<f64> {
        let mut at: Vec<f64> = start.iter().map(|p| *p as f64).collect();
        for _ in 0..ROUNDS {
            for a in 0..at.len() {
                let last = (self.fitted.axes[a].grid.len() - 1) as f64;
                let centre = at[a];
                let mut best = (self.mean(&at).0, centre);
                for step in 0..=2 * BETWEEN {
                    let x = centre + (step as f64 / BETWEEN as f64) - 1.0;
                    if (0.0..=last).contains(&x) {
                        at[a] = x;
                        let pct = self.mean(&at).0;
                        if pct < best.0 {
                            best = (pct, x);
                        }
                    }
                }
                at[a] = best.1;
            }
        }
        at
    }

    /// The best places of one draw, from `start` along each adjuster in turn.
    fn best_of_draw(&self, draw: usize, start: &[usize], noise: &[f64]) -> Vec<usize> {
        let mut at = start.to_vec();
        for _ in 0..ROUNDS.min(2 * at.len() - 1) {
            for a in 0..at.len() {
                let mut best = (f64::INFINITY, at[a]);
                for place in 0..self.fitted.axes[a].grid.len() {
                    at[a] = place;
                    let pct = self.draw(draw, &at, noise);
                    if pct < best.0 {
                        best = (pct, place);
                    }
                }
                at[a] = best.1;
            }
        }
        at
    }

    fn value(&self, a: usize, x: f64) -> f64 {
        let grid = &self.fitted.axes[a].grid;
        let i = (x.floor() as usize).min(grid.len() - 1);
        let j = (i + 1).min(grid.len() - 1);
        grid[i] + (x - i as f64) * (grid[j] - grid[i])
    }

    fn settings(&self, at: &[f64]) -> At {
        let axes = self.fitted.axes.iter().enumerate();
        axes.map(|(a, axis)| (axis.name.clone(), self.value(a, at[a])))
            .collect()
    }

    fn whole(&self, places: &[usize]) -> At {
        let at: Vec<f64> = places.iter().map(|p| *p as f64).collect();
        self.settings(&at)
    }

    /// Whether one cell keeps to the tolerance at places, as a pair is judged.
    fn verdict(&self, k: usize, at: &[f64], pct: f64, settings: &CompareSettings) -> Verdict {
        let w = &self.wanted[k];
        let near: Vec<usize> = at.iter().map(|x| x.round() as usize).collect();
        let spread = moments(&self.fitted.cells[w.cell].draws(&near)).1;
        let own = Part::stated(spread.hypot(w.own.variance.sqrt()));
        let common = Part::estimated(w.usual * w.usual, settings.repeatability.worth_repeats);
        let allowed = settings.allowed_n(w.force, pct);
        Verdict::of_one_of_many(
            self.mean_force(k, at) + w.rest - w.force,
            (&common, &own),
            [Some(-allowed), Some(allowed)],
            (settings.confidence, settings.alpha),
            self.wanted.len(),
        )
    }
}

/// The setting that brings the sweep's damper closest to another.
///
/// # Errors
/// [`crate::notice::Fault::Input`] if they share no speed.
pub(super) fn meets(
    fitted: &Fitted,
    other: &Run,
    name: &str,
    settings: &CompareSettings,
) -> Result<Meets, Error> {
    let pct = settings.tolerance(Purpose::Pair);
    let search = prepare(fitted, other, pct, settings);
    if search.wanted.is_empty() {
        return Err(Error::input(
            "no-shared-speed",
            format!(
                "{name} shares no speed with the sweep, so no setting can be found that meets it"
            ),
        )
        .help("run both over the same speeds"));
    }
    let all: Vec<Vec<usize>> = fitted
        .axes
        .iter()
        .map(|a| (0..a.grid.len()).collect())
        .collect();
    let plain: Vec<Vec<usize>> = fitted
        .axes
        .iter()
        .map(|a| {
            (0..a.grid.len())
                .filter(|p| a.is_plain(a.grid[*p]))
                .collect()
        })
        .collect();
    let best_of = |allowed: &[Vec<usize>]| {
        let rated = search.combinations(allowed).into_iter().map(|places| {
            let at: Vec<f64> = places.iter().map(|p| *p as f64).collect();
            (search.mean(&at).0, places)
        });
        rated.min_by(|a, b| a.0.total_cmp(&b.0)).unwrap_or_default()
    };
    let (_, start) = best_of(&all);
    let (whole_pct, whole) = best_of(&plain);
    let at = search.refine(&start);
    let (mismatch_pct, worst) = search.mean(&at);
    let noises = noises(&search.wanted, fitted);
    let found: Vec<Vec<usize>> = noises
        .iter()
        .enumerate()
        .map(|(draw, noise)| search.best_of_draw(draw, &start, noise))
        .collect();
    let spread: Vec<f64> = noises
        .iter()
        .enumerate()
        .map(|(draw, noise)| search.draw(draw, &start, noise))
        .collect();
    let ci95_settings = fitted
        .axes
        .iter()
        .enumerate()
        .filter_map(|(a, axis)| {
            let values: Vec<f64> = found.iter().map(|p| axis.grid[p[a]]).collect();
            Some((
                axis.name.clone(),
                percentile_interval(&values, settings.confidence)?,
            ))
        })
        .collect();
    let whole_at: Vec<f64> = whole.iter().map(|p| *p as f64).collect();
    let verdicts: Vec<Verdict> = (0..search.wanted.len())
        .map(|k| search.verdict(k, &whole_at, pct, settings))
        .collect();
    let cell = &fitted.cells[search.wanted[worst].cell];
    Ok(Meets {
        other: name.to_owned(),
        settings: search.settings(&at),
        ci95_settings,
        whole_clicks: WholeClicks {
            settings: search.whole(&whole),
            mismatch_pct: whole_pct,
        },
        mismatch_pct,
        // The largest of many noisy differences is larger than that of their means.
        ci95_pct: percentile_interval(&spread, settings.confidence)
            .map(|[low, high]| [low.min(mismatch_pct), high]),
        worst_velocity_m_s: cell.speed,
        worst_direction: cell.direction,
        tolerance_pct: pct,
        verdict: Verdict::all(verdicts),
        as_good: as_good(&search, &plain, &whole, &noises, settings),
        stops: stops(&search, &at, pct, settings),
        hydraulic: search.wanted.iter().all(|w| w.rest == 0.0) && fitted.is_hydraulic(),
    })
}

fn prepare<'a>(
    fitted: &'a Fitted,
    other: &Run,
    pct: f64,
    settings: &CompareSettings,
) -> Search<'a> {
    let mut force = ValveForce::of(other, settings);
    let hydraulic = fitted.is_hydraulic() && force.is_without_rest();
    if !hydraulic {
        force = force.in_total();
    }
    let mut wanted = Vec::new();
    for (cell, c) in fitted.cells.iter().enumerate() {
        let Some((wants, own)) = force.resists(c.direction, c.speed) else {
            continue;
        };
        let sign = c.direction.sign();
        let rest = if hydraulic {
            0.0
        } else {
            sign * fitted.rest_n(c.direction)
        };
        wanted.push(Wanted {
            cell,
            force: wants,
            own,
            usual: settings
                .repeatability
                .sd_n(wants + sign * force.rest_n(c.direction)),
            rest,
        });
    }
    let means = wanted
        .iter()
        .map(|w| {
            let p = &fitted.cells[w.cell].posterior;
            let mean = |all: &Vec<Vec<f64>>| -> Vec<f64> {
                let n = all.len() as f64;
                let places = all.first().map_or(0, Vec::len);
                (0..places)
                    .map(|g| all.iter().map(|d| d[g]).sum::<f64>() / n)
                    .collect()
            };
            Mean {
                level: moments(&p.level).0,
                parts: p.parts.iter().map(mean).collect(),
                products: p.products.iter().map(mean).collect(),
            }
        })
        .collect();
    Search {
        fitted,
        wanted,
        least: settings.tolerance_floor_n / (0.01 * pct).max(f64::MIN_POSITIVE),
        means,
    }
}

/// The other damper's error, one set for every draw: its run-to-run error is one at all
/// speeds, its own error each speed's own.
fn noises(wanted: &[Wanted], fitted: &Fitted) -> Vec<Vec<f64>> {
    let draws = fitted.cells.first().map_or(0, |c| c.posterior.draws());
    (0..draws)
        .map(|draw| {
            let mut random = replicate_stream(SEED, draw);
            let run: f64 = StandardNormal.sample(&mut random);
            wanted
                .iter()
                .map(|w| {
                    let own: f64 = StandardNormal.sample(&mut random);
                    run * w.usual + own * w.own.variance.sqrt()
                })
                .collect()
        })
        .collect()
}

/// Whole settings shown to be worse than the best by less than what matters.
fn as_good(
    search: &Search<'_>,
    plain: &[Vec<usize>],
    whole: &[usize],
    noises: &[Vec<f64>],
    settings: &CompareSettings,
) -> Vec<At> {
    let mean = |places: &[usize]| {
        let at: Vec<f64> = places.iter().map(|p| *p as f64).collect();
        search.mean(&at).0
    };
    let best = mean(whole);
    let mut near: Vec<(f64, Vec<usize>)> = search
        .combinations(plain)
        .into_iter()
        .map(|places| (mean(&places), places))
        .filter(|(pct, places)| *pct <= best + AS_GOOD_PCT && places.as_slice() != whole)
        .collect();
    near.sort_by(|a, b| a.0.total_cmp(&b.0));
    near.truncate(MOST_LISTED);
    near.into_iter()
        .filter(|(_, places)| {
            let held = noises
                .iter()
                .enumerate()
                .filter(|(draw, noise)| {
                    let worse =
                        search.draw(*draw, places, noise) - search.draw(*draw, whole, noise);
                    worse < AS_GOOD_PCT
                })
                .count();
            held as f64 >= (1.0 - settings.alpha) * noises.len() as f64
        })
        .map(|(_, places)| search.whole(&places))
        .collect()
}

/// Where even the best setting is shown to be outside the tolerance.
fn stops(search: &Search<'_>, at: &[f64], pct: f64, settings: &CompareSettings) -> Vec<Stop> {
    let ends: Vec<String> = search
        .fitted
        .axes
        .iter()
        .enumerate()
        .filter(|(a, axis)| {
            let share = (search.value(*a, at[*a]) - axis.low()) / axis.span();
            !(AT_END..=1.0 - AT_END).contains(&share)
        })
        .map(|(_, axis)| axis.name.clone())
        .collect();
    (0..search.wanted.len())
        .filter(|k| search.verdict(*k, at, pct, settings) == Verdict::Outside)
        .map(|k| {
            let w = &search.wanted[k];
            let cell = &search.fitted.cells[w.cell];
            let sign: f64 = Direction::sign(cell.direction);
            Stop {
                direction: cell.direction,
                velocity_m_s: cell.speed,
                wanted_n: sign * w.force,
                reached_n: sign * (search.mean_force(k, at) + w.rest),
                at_end: ends.clone(),
            }
        })
        .collect()
}
