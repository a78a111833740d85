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

use super::points::{Group, Prepared};
use super::search::Search;
use super::segmented::{Segmented, rule};
use super::settings::FitSettings;
use crate::statistics::{Resampling, replicates};

/// Seed of the simulation: fixed, so that the same points get the same answer.
const SEED: u64 = 0x6b6e_6565;
/// Runs between looks at whether the answer is already plain.
const BLOCK: usize = 111;

/// Relative gain in the sum of squares from the simpler to the richer model.
pub(super) fn gain(simple: f64, rich: f64) -> f64 {
    ((simple - rich) / rich.max(f64::MIN_POSITIVE)).max(0.0)
}

/// Chance of at least the observed gain if the simpler model (`null`) were true. Stops, and
/// returns a chance above the allowed one, as soon as it cannot fall below it any more.
pub(super) fn chance(
    ready: &Prepared,
    null: &Segmented,
    rich_knees: usize,
    observed: f64,
    settings: &FitSettings,
) -> f64 {
    let runs = settings.guard_runs.max(1);
    let allowed = settings.false_knee_rate * (runs + 1) as f64;
    let sigma = null.sigma.unwrap_or(0.0);
    let fitted: Vec<f64> = ready
        .groups
        .iter()
        .map(|g| null.value(g.x) - ready.offset)
        .collect();
    let mut done = 0;
    let mut reached = 0;
    while done < runs {
        let block = BLOCK.min(runs - done);
        let settings_of_block = Resampling {
            replicates: block,
            // Streams 0.. of a new seed for every block.
            seed: SEED + done as u64,
        };
        let gains = replicates(settings_of_block, |_, rng| {
            let groups: Vec<Group> = ready
                .groups
                .iter()
                .zip(&fitted)
                .map(|(g, f)| {
                    let z: f64 = StandardNormal.sample(rng);
                    Group {
                        y: f + sigma * z / g.w.sqrt(),
                        ..*g
                    }
                })
                .collect();
            let repeats = ready.n() - groups.len();
            let within = if repeats > 0 {
                let chi2 = ChiSquared::new(repeats as f64).ok()?;
                sigma * sigma * chi2.sample(rng)
            } else {
                0.0
            };
            let search = Search::new(&groups, rule(ready, settings));
            let simple = best(&search, null.knees.len());
            let rich = best(&search, rich_knees).min(simple);
            Some(gain(simple + within, rich + within))
        });
        reached += gains.iter().flatten().filter(|g| **g >= observed).count();
        done += block;
        if (reached + 1) as f64 > allowed {
            break;
        }
    }
    (reached + 1) as f64 / (done + 1) as f64
}

/// Smallest sum of squares between groups with so many knees.
fn best(search: &Search<'_>, knees: usize) -> f64 {
    let mut rss = f64::INFINITY;
    let mut visit = |found: super::search::Found| rss = rss.min(found.0);
    match knees {
        0 => return search.line_rss(),
        1 => search.one(&mut visit),
        _ => search.two(&mut visit),
    }
    rss
}
