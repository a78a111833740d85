//! Force against settings: an additive Gaussian process, fitted by sampling.
//!
//! `y = μ + Σ f_a(u_a) + Σ g_ab(u_a, u_b) + ρ + ε`: a mean, one smooth effect an adjuster
//! (a straight line plus a Matérn 5/2 process), a product term for every two adjusters the design tells apart, the
//! run-to-run error ρ and the run's own error ε. Marginal likelihood: Rasmussen and
//! Williams, Gaussian Processes for Machine Learning (2006), eq. 2.30; Matérn: eq. 4.17.
//! The sizes of all terms are not fixed at one guess but sampled (Metropolis, one at a
//! time), as a handful of runs leaves them wide open. Functions are drawn by conditioning a draw
//! from the prior on the data (Wilson et al., J. Mach. Learn. Res. 22 (2021) 105, eq. 7).

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use rand::Rng;
use rand::RngExt as _;
use rand_distr::{Distribution as _, StandardNormal};

/// What was run, along which axes. Settings are scaled to 0…1 of each adjuster's range.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Design {
    /// One row a run: the setting of each adjuster.
    pub rows: Vec<Vec<f64>>,
    /// For each adjuster the settings its effect is drawn at.
    pub grids: Vec<Vec<f64>>,
    /// Pairs of adjusters with a product term.
    pub pairs: Vec<(usize, usize)>,
}

/// Forces of one direction and speed over the runs.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Observed {
    /// Force of each run.
    pub force: Vec<f64>,
    /// Its own standard error.
    pub own_sd: Vec<f64>,
    /// The run-to-run standard deviation that is usual at such a force.
    pub usual_sd: Vec<f64>,
}

/// Draws from the posterior.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Posterior {
    /// Mean level of each draw.
    pub level: Vec<f64>,
    /// Adjuster, draw, place on its grid.
    pub parts: Vec<Vec<Vec<f64>>>,
    /// Pair, draw, the two places (row-major).
    pub products: Vec<Vec<Vec<f64>>>,
    /// Run-to-run spread over the usual one, of each draw.
    pub spread: Vec<f64>,
    pairs: Vec<(usize, usize)>,
    widths: Vec<usize>,
}

impl Posterior {
    /// Force of one draw at a place on each adjuster's grid.
    pub fn at(&self, draw: usize, places: &[usize]) -> f64 {
        let mut sum = self.level[draw];
        for (part, &place) in self.parts.iter().zip(places) {
            sum += part[draw][place];
        }
        for (product, &(a, b)) in self.products.iter().zip(&self.pairs) {
            sum += product[draw][places[a] * self.widths[b] + places[b]];
        }
        sum
    }

    /// Number of draws.
    pub fn draws(&self) -> usize {
        self.level.len()
    }
}

/// How long to sample.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Sampling {
    /// Sweeps thrown away first.
    pub warm_up: usize,
    /// Draws kept.
    pub draws: usize,
    /// Sweeps for each of them.
    pub thin: usize,
}

impl Default for Sampling {
    fn default() -> Self {
        Self {
            warm_up: 200,
            draws: 400,
            thin: 2,
        }
    }
}

/// Log-normal prior of a size: median and standard deviation of its logarithm. Sizes of
/// effects are shares of the mean force, lengths shares of the range. Wide on purpose.
#[derive(Debug, Clone, Copy)]
struct Prior {
    median: f64,
    log_sd: f64,
}

/// Run to run over usual: setting an adjuster anew adds what repeats do not have.
const SPREAD: Prior = Prior {
    median: 1.2,
    log_sd: 0.6,
};
/// Straight part: change over the whole range.
const LINE: Prior = Prior {
    median: 0.3,
    log_sd: 1.5,
};
/// Bent part.
const BEND: Prior = Prior {
    median: 0.15,
    log_sd: 1.0,
};
/// Its length.
const LENGTH: Prior = Prior {
    median: 0.5,
    log_sd: 0.6,
};
/// Product of two adjusters.
const PRODUCT: Prior = Prior {
    median: 0.03,
    log_sd: 1.0,
};
/// The mean force beforehand, as a share of the mean of the runs' forces.
const LEVEL_SD: f64 = 1.0;
/// Added to the diagonal of prior covariances so that rounding leaves them positive.
const JITTER: f64 = 1e-9;

/// Matérn covariance of smoothness 5/2 with unit variance.
fn matern(distance: f64, length: f64) -> f64 {
    let r = 5.0_f64.sqrt() * distance / length;
    (1.0 + r + r * r / 3.0) * (-r).exp()
}

/// All sizes, as logarithms: spread; of each adjuster line, bend, length; of each pair.
#[derive(Clone)]
struct Sizes(Vec<f64>);

impl Sizes {
    fn priors(design: &Design) -> Vec<Prior> {
        let adjusters = design.grids.len();
        let mut all = vec![SPREAD];
        for _ in 0..adjusters {
            all.extend([LINE, BEND, LENGTH]);
        }
        all.extend(design.pairs.iter().map(|_| PRODUCT));
        all
    }
    fn spread(&self) -> f64 {
        self.0[0].exp()
    }
    fn of(&self, adjuster: usize) -> (f64, f64, f64) {
        let at = 1 + 3 * adjuster;
        (self.0[at].exp(), self.0[at + 1].exp(), self.0[at + 2].exp())
    }
    fn product(&self, adjusters: usize, pair: usize) -> f64 {
        self.0[1 + 3 * adjusters + pair].exp()
    }
    /// Covariance of one adjuster's effect at two settings.
    fn effect(&self, adjuster: usize, u: f64, w: f64) -> f64 {
        let (line, bend, length) = self.of(adjuster);
        line * line * (u - 0.5) * (w - 0.5) + bend * bend * matern((u - w).abs(), length)
    }
    /// Unit-size covariance of an adjuster within a product.
    fn factor(&self, adjuster: usize, u: f64, w: f64) -> f64 {
        let (_, _, length) = self.of(adjuster);
        4.0 * (u - 0.5) * (w - 0.5) + matern((u - w).abs(), length)
    }
}

struct Model<'a> {
    design: &'a Design,
    /// Centred and scaled.
    y: DVector<f64>,
    own: Vec<f64>,
    usual: Vec<f64>,
}

impl Model<'_> {
    fn noise(&self, sizes: &Sizes, i: usize) -> f64 {
        (self.own[i].powi(2) + (sizes.spread() * self.usual[i]).powi(2)).max(1e-12)
    }

    fn covariance(&self, sizes: &Sizes) -> DMatrix<f64> {
        let rows = &self.design.rows;
        let n = rows.len();
        let adjusters = self.design.grids.len();
        let mut k = DMatrix::zeros(n, n);
        for i in 0..n {
            for j in 0..=i {
                let mut sum = LEVEL_SD * LEVEL_SD;
                for (a, (u, w)) in rows[i].iter().zip(&rows[j]).enumerate() {
                    sum += sizes.effect(a, *u, *w);
                }
                for (p, &(a, b)) in self.design.pairs.iter().enumerate() {
                    sum += sizes.product(adjusters, p).powi(2)
                        * sizes.factor(a, rows[i][a], rows[j][a])
                        * sizes.factor(b, rows[i][b], rows[j][b]);
                }
                if i == j {
                    sum += self.noise(sizes, i);
                }
                k[(i, j)] = sum;
                k[(j, i)] = sum;
            }
        }
        k
    }

    /// Log marginal likelihood without its constant, and the factor.
    fn likelihood(&self, sizes: &Sizes) -> Option<(f64, Cholesky<f64, Dyn>)> {
        let factor = self.covariance(sizes).cholesky()?;
        let weights = factor.solve(&self.y);
        let log_det: f64 = factor.l_dirty().diagonal().iter().map(|d| d.ln()).sum();
        Some((-0.5 * self.y.dot(&weights) - log_det, factor))
    }
}

/// Draws from the posterior of a design's forces. `None` without runs, or if lengths differ.
pub fn fit<R: Rng>(
    design: &Design,
    observed: &Observed,
    sampling: Sampling,
    random: &mut R,
) -> Option<Posterior> {
    let n = design.rows.len();
    let force = &observed.force;
    if n == 0 || [force.len(), observed.own_sd.len(), observed.usual_sd.len()] != [n; 3] {
        return None;
    }
    let middle = force.iter().sum::<f64>() / n as f64;
    let size = force.iter().map(|f| f.abs()).sum::<f64>() / n as f64;
    let scale = size.max(observed.usual_sd.iter().copied().fold(1e-6, f64::max) * 5.0);
    let model = Model {
        design,
        y: DVector::from_iterator(n, force.iter().map(|f| (f - middle) / scale)),
        own: observed.own_sd.iter().map(|s| s / scale).collect(),
        usual: observed.usual_sd.iter().map(|s| s / scale).collect(),
    };
    let priors = Sizes::priors(design);
    let mut sizes = Sizes(priors.iter().map(|p| p.median.ln()).collect());
    let (mut here, mut factor) = model.likelihood(&sizes)?;
    let mut out = Posterior {
        parts: vec![Vec::new(); design.grids.len()],
        products: vec![Vec::new(); design.pairs.len()],
        pairs: design.pairs.clone(),
        widths: design.grids.iter().map(Vec::len).collect(),
        ..Posterior::default()
    };
    for sweep in 0..sampling.warm_up + sampling.draws * sampling.thin.max(1) {
        for (k, prior) in priors.iter().enumerate() {
            let step: f64 = StandardNormal.sample(random);
            let old = sizes.0[k];
            let away = |x: f64| -0.5 * ((x - prior.median.ln()) / prior.log_sd).powi(2);
            sizes.0[k] = old + prior.log_sd * step;
            let chance: f64 = random.random();
            match model.likelihood(&sizes) {
                Some((there, f)) if chance.ln() < there - here + away(sizes.0[k]) - away(old) => {
                    here = there;
                    factor = f;
                }
                _ => sizes.0[k] = old,
            }
        }
        let kept = sweep.checked_sub(sampling.warm_up);
        if kept.is_some_and(|s| s % sampling.thin.max(1) == 0) {
            draw(&model, &sizes, &factor, random, &mut out)?;
            out.spread.push(sizes.spread());
        }
    }
    out.rescale(middle, scale);
    Some(out)
}

fn normals<R: Rng>(n: usize, random: &mut R) -> DVector<f64> {
    DVector::from_iterator(n, (0..n).map(|_| StandardNormal.sample(random)))
}

/// Where an adjuster's prior is drawn: its grid, then each run's setting.
fn places(design: &Design, adjuster: usize) -> Vec<f64> {
    let runs = design.rows.iter().map(|r| r[adjuster]);
    design.grids[adjuster].iter().copied().chain(runs).collect()
}

fn lower(at: &[f64], covariance: impl Fn(f64, f64) -> f64) -> Option<DMatrix<f64>> {
    let n = at.len();
    let mut k = DMatrix::from_fn(n, n, |i, j| covariance(at[i], at[j]));
    let jitter = JITTER * (1.0 + k.diagonal().max());
    for i in 0..n {
        k[(i, i)] += jitter;
    }
    k.cholesky().map(|c| c.unpack())
}

/// One function: a draw from the prior, moved by what the data say.
fn draw<R: Rng>(
    model: &Model<'_>,
    sizes: &Sizes,
    factor: &Cholesky<f64, Dyn>,
    random: &mut R,
    out: &mut Posterior,
) -> Option<()> {
    let design = model.design;
    let n = design.rows.len();
    let adjusters = design.grids.len();
    let level: f64 = StandardNormal.sample(random);
    let level = LEVEL_SD * level;
    let mut at_runs = DVector::from_element(n, level);
    let mut parts: Vec<DVector<f64>> = Vec::new();
    for a in 0..adjusters {
        let at = places(design, a);
        let l = lower(&at, |u, w| sizes.effect(a, u, w))?;
        let f = l * normals(at.len(), random);
        at_runs += f.rows(at.len() - n, n);
        parts.push(f);
    }
    let mut products: Vec<DMatrix<f64>> = Vec::new();
    for (p, &(a, b)) in design.pairs.iter().enumerate() {
        let (at, bt) = (places(design, a), places(design, b));
        let (la, lb) = (
            lower(&at, |u, w| sizes.factor(a, u, w))?,
            lower(&bt, |u, w| sizes.factor(b, u, w))?,
        );
        let z = DMatrix::from_fn(at.len(), bt.len(), |_, _| StandardNormal.sample(random));
        let g = la * z * lb.transpose() * sizes.product(adjusters, p);
        for i in 0..n {
            at_runs[i] += g[(at.len() - n + i, bt.len() - n + i)];
        }
        products.push(g);
    }
    let noise = normals(n, random);
    let off = DVector::from_fn(n, |i, _| {
        model.y[i] - at_runs[i] - noise[i] * model.noise(sizes, i).sqrt()
    });
    let w = factor.solve(&off);
    out.level.push(level + LEVEL_SD * LEVEL_SD * w.sum());
    for (a, f) in parts.iter().enumerate() {
        let grid = &design.grids[a];
        let moved = |u: f64| -> f64 {
            design
                .rows
                .iter()
                .zip(w.iter())
                .map(|(r, w)| w * sizes.effect(a, u, r[a]))
                .sum()
        };
        out.parts[a].push(
            grid.iter()
                .zip(f.iter())
                .map(|(&u, f)| f + moved(u))
                .collect(),
        );
    }
    for (p, (g, &(a, b))) in products.iter().zip(&design.pairs).enumerate() {
        let size = sizes.product(adjusters, p).powi(2);
        let (ga, gb) = (&design.grids[a], &design.grids[b]);
        let mut all = Vec::with_capacity(ga.len() * gb.len());
        for (i, &u) in ga.iter().enumerate() {
            for (j, &v) in gb.iter().enumerate() {
                let moved: f64 = design
                    .rows
                    .iter()
                    .zip(w.iter())
                    .map(|(r, w)| w * size * sizes.factor(a, u, r[a]) * sizes.factor(b, v, r[b]))
                    .sum();
                all.push(g[(i, j)] + moved);
            }
        }
        out.products[p].push(all);
    }
    Some(())
}

impl Posterior {
    fn rescale(&mut self, middle: f64, scale: f64) {
        for level in &mut self.level {
            *level = middle + scale * *level;
        }
        let all = self.parts.iter_mut().chain(&mut self.products);
        for value in all.flatten().flatten() {
            *value *= scale;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::replicate_stream;

    fn sizes(line: f64, bend: f64, length: f64, spread: f64) -> Sizes {
        Sizes([spread, line, bend, length].map(f64::ln).to_vec())
    }

    /// Values of Rasmussen and Williams' eq. 4.17 by hand: with `√5·r/ℓ` = 1 it is
    /// (1 + 1 + 1/3)·e⁻¹ = 0.858 385…
    #[test]
    fn matern_is_the_text_books() {
        assert!(
            (matern(0.5, 0.5 * 5.0_f64.sqrt()) - 7.0 / 3.0 / std::f64::consts::E).abs() < 1e-12
        );
        assert_eq!(matern(0.0, 0.3), 1.0);
    }

    /// Marginal likelihood of two runs against the bivariate normal density written out
    /// (any text book): `−½(y₁²k₂₂ − 2y₁y₂k₁₂ + y₂²k₁₁)/D − ½ ln D`.
    #[test]
    fn likelihood_of_two_is_the_bivariate_normals() {
        let design = Design {
            rows: vec![vec![0.0], vec![1.0]],
            grids: vec![vec![0.0, 1.0]],
            pairs: Vec::new(),
        };
        let model = Model {
            design: &design,
            y: DVector::from_vec(vec![0.2, -0.1]),
            own: vec![0.01, 0.02],
            usual: vec![0.03, 0.01],
        };
        let (line, bend, length, spread) = (0.4, 0.2, 0.7, 1.5);
        let s = sizes(line, bend, length, spread);
        let k11 = 1.0 + 0.25 * line * line + bend * bend + 0.01_f64.powi(2) + (0.045_f64).powi(2);
        let k22 = 1.0 + 0.25 * line * line + bend * bend + 0.02_f64.powi(2) + (0.015_f64).powi(2);
        let k12 = 1.0 - 0.25 * line * line + bend * bend * matern(1.0, length);
        let d = k11 * k22 - k12 * k12;
        let square = (0.04 * k22 + 2.0 * 0.02 * k12 + 0.01 * k11) / d;
        let (found, _) = model.likelihood(&s).unwrap();
        assert!((found - (-0.5 * square - 0.5 * d.ln())).abs() < 1e-12);
    }

    /// Draws at fixed sizes have the mean and the variance of the conditional normal
    /// (Rasmussen and Williams, eq. 2.25 and 2.26), worked out for one run by hand:
    /// mean `k(u*, u)·y/K`, variance `k(u*, u*) − k(u*, u)²/K`.
    #[test]
    fn draws_have_the_conditional_mean_and_variance() {
        let design = Design {
            rows: vec![vec![0.25]],
            grids: vec![vec![0.25, 1.0]],
            pairs: Vec::new(),
        };
        let model = Model {
            design: &design,
            y: DVector::from_vec(vec![0.6]),
            own: vec![0.1],
            usual: vec![0.05],
        };
        let s = sizes(0.5, 0.3, 0.4, 2.0);
        let (_, factor) = model.likelihood(&s).unwrap();
        let mut out = Posterior {
            parts: vec![Vec::new()],
            widths: vec![2],
            ..Posterior::default()
        };
        let mut random = replicate_stream(5, 0);
        let n = 20_000;
        for _ in 0..n {
            draw(&model, &s, &factor, &mut random, &mut out).unwrap();
        }
        let effect =
            |u: f64, w: f64| 0.25 * (u - 0.5) * (w - 0.5) + 0.09 * matern((u - w).abs(), 0.4);
        let total = 1.0 + effect(0.25, 0.25) + 0.01 + 0.01;
        let across = 1.0 + effect(1.0, 0.25);
        let (mean, variance) = (
            across * 0.6 / total,
            1.0 + effect(1.0, 1.0) - across * across / total,
        );
        let drawn: Vec<f64> = (0..n).map(|k| out.at(k, &[1])).collect();
        let m = drawn.iter().sum::<f64>() / n as f64;
        let v = drawn.iter().map(|x| (x - m).powi(2)).sum::<f64>() / (n as f64 - 1.0);
        // Four standard errors of a mean and of a variance.
        assert!(
            (m - mean).abs() < 4.0 * (variance / n as f64).sqrt(),
            "{m} {mean}"
        );
        assert!(
            (v / variance - 1.0).abs() < 4.0 * (2.0 / n as f64).sqrt(),
            "{v} {variance}"
        );
    }
}
