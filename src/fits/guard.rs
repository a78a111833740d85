//! The guard against invented knees: how often would a truly simpler damper, measured at
//! these very speeds, gain this much from another knee?
//!
//! The knee is not a regular parameter: under the simpler model it is nowhere, so the gain
//! does not follow an F or χ² distribution and AICc, which counts it as one parameter, is too
//! easily won (Davies 1987, Biometrika 74:33–43; Hansen 1996, Econometrica 64:413–430). The
//! distribution is therefore simulated (Monte Carlo test, Barnard 1963, J. R. Stat. Soc. B
//! 25:294; stopped early as in Besag & Clifford 1991, Biometrika 78:301–304). Against a line
//! it depends on the speeds and weights only, so the test is exact; against one knee the
//! fitted one stands in for the true one.

use rand_distr::{ChiSquared, Distribution, StandardNormal};

use super::line::Frame;
use super::points::{Group, Prepared};
use super::search::Search;
use super::segmented::{Segmented, rule};
use super::settings::FitSettings;
use crate::statistics::{Resampling, replicates};

/// Seed of the simulation: fixed, so that the same points get the same answer.
const SEED: u64 = 0x6b6e_6565;
/// Runs between looks at whether the answer is already plain.
const BLOCK: usize = 111;
/// If no run of the first block comes near the observed gain (within this factor), more runs
/// would only repeat it: at three residual degrees of freedom, the heaviest tail met, the
/// chance of reaching four times the largest of 111 is about 1 in 900.
const PLAIN: f64 = 4.0;

/// Relative gain in the sum of squares from the simpler to the richer model.
pub(super) fn gain(simple: f64, rich: f64) -> f64 {
    ((simple - rich) / rich.max(f64::MIN_POSITIVE)).max(0.0)
}

/// How the simulated errors lie: as the weights say, or in proportion to the force as well.
/// Both happen (a load cell scatters evenly, oil temperature acts in proportion) and the
/// points cannot tell, so a knee must stand against both.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Scatter {
    AsWeighted,
    InProportion,
}

/// Chance of at least the observed gain if the simpler model (`null`) were true, the larger
/// of those for the two kinds of scatter. Stops, and returns a chance above the allowed one,
/// as soon as it cannot fall below it any more.
pub(super) fn chance(
    ready: &Prepared,
    null: &Segmented,
    rich_knees: usize,
    observed: f64,
    settings: &FitSettings,
) -> f64 {
    let mut worst: f64 = 0.0;
    for scatter in [Scatter::AsWeighted, Scatter::InProportion] {
        worst = worst.max(simulate(
            ready, null, rich_knees, observed, scatter, settings,
        ));
        if worst > settings.false_knee_rate {
            break;
        }
    }
    worst
}

fn simulate(
    ready: &Prepared,
    null: &Segmented,
    rich_knees: usize,
    observed: f64,
    scatter: Scatter,
    settings: &FitSettings,
) -> f64 {
    let runs = settings.guard_runs.max(1);
    let allowed = settings.false_knee_rate * (runs + 1) as f64;
    let (fitted, errors) = truth(ready, null, scatter);
    let frames = [
        Frame::new(ready.groups.iter()),
        Frame::new(ready.groups.iter().rev()),
    ];
    let mut done = 0;
    let mut reached = 0;
    let mut largest: f64 = 0.0;
    while done < runs {
        let block = BLOCK.min(runs - done);
        let settings_of_block = Resampling {
            replicates: block,
            // Streams 0.. of a new seed for every block.
            seed: SEED + done as u64,
        };
        let gains = replicates(settings_of_block, |_, rng| {
            let mut within = 0.0;
            let groups: Vec<Group> = ready
                .groups
                .iter()
                .zip(fitted.iter().zip(&errors))
                .map(|(g, (f, sd))| {
                    let z: f64 = StandardNormal.sample(rng);
                    if g.count > 1
                        && let Ok(chi2) = ChiSquared::new((g.count - 1) as f64)
                    {
                        within += g.w * sd * sd * chi2.sample(rng);
                    }
                    Group {
                        y: f + sd * z,
                        ..*g
                    }
                })
                .collect();
            let search = Search::framed(&groups, rule(ready, settings), &frames);
            let simple = best(&search, null.knees.len(), f64::INFINITY);
            // Gains below a share of the observed one decide nothing (`reached`, `plain`), so
            // candidates that could only give those need not be looked at.
            let telling = (simple + within) / (1.0 + observed / PLAIN) - within;
            let rich = best(&search, rich_knees, telling).min(simple);
            Some(gain(simple + within, rich + within))
        });
        reached += gains.iter().flatten().filter(|g| **g >= observed).count();
        largest = gains.iter().flatten().copied().fold(largest, f64::max);
        done += block;
        let refused = (reached + 1) as f64 > allowed;
        let plain =
            observed > PLAIN * largest && 1.0 <= settings.false_knee_rate * (done + 1) as f64;
        if refused || plain {
            break;
        }
    }
    (reached + 1) as f64 / (done + 1) as f64
}

/// The null model's values at the groups, and the standard deviation of each group's mean.
fn truth(ready: &Prepared, null: &Segmented, scatter: Scatter) -> (Vec<f64>, Vec<f64>) {
    let sigma = null.sigma.unwrap_or(0.0);
    let fitted: Vec<f64> = ready
        .groups
        .iter()
        .map(|g| null.value(g.x) - ready.offset)
        .collect();
    let top = ready
        .groups
        .iter()
        .map(|g| null.value(g.x).abs())
        .fold(0.0, f64::max);
    let errors = ready
        .groups
        .iter()
        .map(|g| {
            let plain = sigma / g.w.sqrt();
            match scatter {
                Scatter::InProportion if top > 0.0 => plain * null.value(g.x).abs() / top,
                _ => plain,
            }
        })
        .collect();
    (fitted, errors)
}

/// Smallest sum of squares between groups with so many knees.
fn best(search: &Search<'_>, knees: usize, telling: f64) -> f64 {
    let mut rss = f64::INFINITY;
    let mut visit = |found: super::search::Found| rss = rss.min(found.0);
    match knees {
        0 => return search.line_rss(),
        1 => search.one_below(telling, &mut visit),
        _ => search.two_below(telling, &mut visit),
    }
    rss
}
