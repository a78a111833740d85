//! The continuous piecewise-linear fit with a given number of knees: the global optimum and
//! what can be said of it.

use nalgebra::DMatrix;

use super::line::met;
use super::points::{NoFit, Points, Prepared};
use super::search::{Found, Rule, Search};
use super::settings::FitSettings;
use super::solve::{Bounds, Held, inverse_gram, runs, solve, value};
use crate::statistics::{normal_quantile, t_quantile};

/// Candidates whose sums of squares agree this closely (relative to the spread of the data)
/// are compared again from their residuals, since the running sums cannot tell them apart.
const NEAR_TIE: f64 = 1e-10;
/// How many of them: enough for real ties, bounded for data that any knee fits.
const SHORTLIST: usize = 24;
/// Leverage is taken for no more than this, so that a point a fit must pass through (residual
/// and `1 − leverage` both zero) does not divide by nothing.
const MOST_LEVERAGE: f64 = 0.9;

/// A fitted continuous piecewise-linear curve (a line if it has no knee).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Segmented {
    /// Knees, speed rising, m/s.
    pub knees: Vec<f64>,
    /// Fitted force at each knee, N.
    pub knee_forces: Vec<f64>,
    /// Slopes of the pieces, N·s/m.
    pub slopes: Vec<f64>,
    /// Force at zero speed if the first piece ran there, N.
    pub intercept: f64,
    /// Weighted residual sum of squares, N² (dimensionless if weights are absolute).
    pub rss: f64,
    /// Points with any weight.
    pub n: usize,
    /// Parameters of the mean: intercept, slopes, knees.
    pub parameters: usize,
    /// Residual standard deviation of a point of weight 1; `None` without degrees of
    /// freedom; 1 if weights are absolute.
    pub sigma: Option<f64>,
    /// Sum of the logarithms of the weights.
    pub sum_ln_weights: f64,
    /// Weights are `1/se²` in full, so the error variance is known.
    pub absolute: bool,
    /// Residuals in the order of the input, N.
    pub residuals: Vec<f64>,
    /// Weights in the order of the input.
    pub weights: Vec<f64>,
    /// Whether the fit was held to a force at zero speed.
    pub anchored: bool,
    /// Lowest and highest speed.
    pub range: [f64; 2],
    /// Covariance of intercept (unless anchored), slopes, knees; row by row.
    covariance: Vec<f64>,
    /// The same, if the scatter differs from place to place.
    consistent: Vec<f64>,
}

impl Segmented {
    /// Degrees of freedom of the residuals.
    pub fn residual_df(&self) -> usize {
        self.n.saturating_sub(self.parameters)
    }

    /// Fitted force at `speed` (also beyond the data: the caller must not draw it as
    /// measured).
    pub fn value(&self, speed: f64) -> f64 {
        self.intercept
            + runs(speed, &self.knees, 0.0)
                .zip(&self.slopes)
                .map(|(run, slope)| run * slope)
                .sum::<f64>()
    }

    /// Standard error of the fitted force at `speed`, knees' uncertainty included (delta
    /// method).
    pub fn se_at(&self, speed: f64) -> Option<f64> {
        self.se_of(&self.gradient(speed))
    }

    /// Standard error of each slope, with the knees free (delta method).
    pub fn slope_se(&self, piece: usize) -> Option<f64> {
        self.se_of(&self.unit(usize::from(!self.anchored) + piece))
    }

    /// Standard error of the intercept; `None` if it was given.
    pub fn intercept_se(&self) -> Option<f64> {
        (!self.anchored)
            .then(|| self.se_of(&self.unit(0)))
            .flatten()
    }

    /// Standard error of a knee (delta method; the profile interval is the better one).
    pub fn knee_se(&self, knee: usize) -> Option<f64> {
        self.se_of(&self.unit(usize::from(!self.anchored) + self.slopes.len() + knee))
    }

    /// Standard error of the fitted force at a knee, the knee itself being uncertain.
    pub fn knee_force_se(&self, knee: usize) -> Option<f64> {
        self.se_of(&self.knee_force_gradient(knee)?)
    }

    fn knee_force_gradient(&self, knee: usize) -> Option<Vec<f64>> {
        // Moving along the piece before the knee as the knee moves.
        let mut gradient = self.gradient(*self.knees.get(knee)?);
        let at = usize::from(!self.anchored) + self.slopes.len() + knee;
        *gradient.get_mut(at)? += self.slopes.get(knee)?;
        Some(gradient)
    }

    /// `t` (or normal, if the error is known) quantile for intervals of this fit.
    pub fn quantile(&self, confidence: f64) -> Option<f64> {
        let p = 0.5 + confidence / 2.0;
        if self.absolute {
            normal_quantile(p)
        } else {
            t_quantile(p, self.residual_df() as f64)
        }
    }

    /// Logarithm of the likelihood at its maximum, error variance `RSS/n` (R's convention
    /// for weighted fits), or with the known variance if weights are absolute. `floor` keeps
    /// a fit that is exact to rounding finite.
    pub fn log_likelihood(&self, floor: f64) -> f64 {
        let n = self.n as f64;
        let two_pi_ln = (2.0 * std::f64::consts::PI).ln();
        if self.absolute {
            0.5 * (self.sum_ln_weights - n * two_pi_ln - self.rss)
        } else {
            let variance = self.rss.max(floor) / n;
            0.5 * (self.sum_ln_weights - n * (two_pi_ln + 1.0 + variance.ln()))
        }
    }

    fn unit(&self, at: usize) -> Vec<f64> {
        let mut v = vec![0.0; self.parameters];
        if let Some(x) = v.get_mut(at) {
            *x = 1.0;
        }
        v
    }

    /// Derivative of the fitted value at `speed` by intercept, slopes, knees.
    fn gradient(&self, speed: f64) -> Vec<f64> {
        let mut g = Vec::with_capacity(self.parameters);
        if !self.anchored {
            g.push(1.0);
        }
        g.extend(runs(speed, &self.knees, 0.0));
        for (j, knee) in self.knees.iter().enumerate() {
            let turn = self.slopes[j] - self.slopes[j + 1];
            g.push(if speed > *knee { turn } else { 0.0 });
        }
        g
    }

    /// The larger of the classic standard error and the one that allows the scatter to
    /// differ from place to place (HC2): for intervals that must hold either way.
    pub fn cautious(&self, classic: Option<f64>, what: Stated) -> Option<f64> {
        let gradient = self.gradient_of(what)?;
        let wide = root_form(&self.consistent, &gradient);
        classic.map(|c| wide.map_or(c, |w| w.max(c)))
    }

    fn gradient_of(&self, what: Stated) -> Option<Vec<f64>> {
        match what {
            Stated::Slope(piece) => Some(self.unit(usize::from(!self.anchored) + piece)),
            Stated::Value(speed) => Some(self.gradient(speed)),
            Stated::KneeForce(knee) => self.knee_force_gradient(knee),
        }
    }

    fn se_of(&self, gradient: &[f64]) -> Option<f64> {
        root_form(&self.covariance, gradient)
    }
}

/// What a cautious standard error is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Stated {
    /// Slope of a piece.
    Slope(usize),
    /// Fitted force at a speed, m/s.
    Value(f64),
    /// Force at a knee.
    KneeForce(usize),
}

/// `√(gᵀ C g)`, `C` row by row; `None` if it does not exist.
fn root_form(c: &[f64], gradient: &[f64]) -> Option<f64> {
    let p = gradient.len();
    if c.len() != p * p {
        return None;
    }
    let mut variance = 0.0;
    for (i, a) in gradient.iter().enumerate() {
        for (j, b) in gradient.iter().enumerate() {
            variance += a * b * c[i * p + j];
        }
    }
    (variance >= 0.0 && variance.is_finite()).then(|| variance.sqrt())
}

/// The global least-squares optimum of the continuous piecewise-linear model with `knees`
/// knees (0, 1 or 2), over all knee positions that leave every piece
/// [`FitSettings::min_points_per_piece`] distinct speeds. O(n log n) for a line or one knee,
/// O(n²) for two.
///
/// # Errors
/// [`NoFit`] with the reason: too few points or speeds, values that are not numbers.
pub fn segmented(
    points: &Points<'_>,
    knees: usize,
    settings: &FitSettings,
) -> Result<Segmented, NoFit> {
    segmented_of(&Prepared::new(points, settings)?, knees, settings)
}

/// [`segmented`] on prepared points.
pub(super) fn segmented_of(
    ready: &Prepared,
    knees: usize,
    settings: &FitSettings,
) -> Result<Segmented, NoFit> {
    enough(ready, knees, settings)?;
    let search = Search::new(&ready.groups, rule(ready, settings));
    finish(ready, &located(ready, &search, knees, settings)?, settings)
}

/// Knees, forces at them and slopes of [`segmented_of`], one after the other, without what
/// only a final answer needs: for resampling. From running sums where they can tell.
pub(super) fn estimates(
    ready: &Prepared,
    knees: usize,
    settings: &FitSettings,
) -> Result<Vec<f64>, NoFit> {
    enough(ready, knees, settings)?;
    let search = Search::new(&ready.groups, rule(ready, settings));
    let mut out = located(ready, &search, knees, settings)?;
    let apart = if settings.monotone {
        None
    } else {
        search.apart(&out)
    };
    let (forces, slopes) = match apart {
        Some(lines) => met(&lines, &out),
        None => {
            let held = solved(ready, &out, settings)?;
            (held.knee_values, held.slopes)
        }
    };
    out.extend(forces.iter().map(|v| v + ready.offset));
    out.extend(slopes);
    Ok(out)
}

/// Where the knees of the optimum are.
fn located(
    ready: &Prepared,
    search: &Search<'_>,
    knees: usize,
    settings: &FitSettings,
) -> Result<Vec<f64>, NoFit> {
    if knees == 0 {
        return Ok(Vec::new());
    }
    let mut found = Vec::new();
    let spread = search.line_rss() + ready.rounding_rss();
    shortlist(search, knees, spread, &mut found);
    if let [(_, only)] = found.as_slice() {
        return Ok(only[..knees].to_vec());
    }
    // Judged again by residuals on the groups; the first of equals (lowest knee) is kept.
    let mut best: Option<(f64, Vec<f64>)> = None;
    for (_, at) in found {
        let at = &at[..knees];
        if let Some(held) =
            super::solve::solve_groups(&ready.groups, at, ready.anchored, bounds(settings))
            && best.as_ref().is_none_or(|(rss, _)| held.rss < *rss)
        {
            best = Some((held.rss, at.to_vec()));
        }
    }
    best.map(|(_, at)| at).ok_or_else(|| {
        NoFit::because(format!(
            "{}: no position leaves every piece enough distinct speeds",
            name(knees)
        ))
    })
}

/// Runs the search and keeps the candidates within rounding of the best, best first.
fn shortlist(search: &Search<'_>, knees: usize, spread: f64, found: &mut Vec<Found>) {
    let mut best = f64::INFINITY;
    let mut visit = |candidate: Found| {
        if candidate.0 > best + NEAR_TIE * spread {
            return;
        }
        best = best.min(candidate.0);
        found.push(candidate);
        if found.len() > 4 * SHORTLIST {
            prune(found, best, spread);
        }
    };
    if knees == 1 {
        search.one(&mut visit);
    } else {
        search.two(&mut visit);
    }
    prune(found, best, spread);
}

fn prune(found: &mut Vec<Found>, best: f64, spread: f64) {
    found.retain(|f| f.0 <= best + NEAR_TIE * spread);
    found.sort_by(|a, b| {
        a.0.total_cmp(&b.0)
            .then(a.1[0].total_cmp(&b.1[0]))
            .then(a.1[1].total_cmp(&b.1[1]))
    });
    found.truncate(SHORTLIST);
}

pub(super) fn rule(ready: &Prepared, settings: &FitSettings) -> Rule {
    Rule {
        min_levels: settings.min_points_per_piece,
        monotone: settings.monotone,
        anchored: ready.anchored,
    }
}

fn bounds(settings: &FitSettings) -> Bounds {
    if settings.monotone {
        Bounds::Rising
    } else {
        Bounds::None
    }
}

/// `line`, `one knee`, `two knees`.
pub(super) fn name(knees: usize) -> &'static str {
    match knees {
        0 => "line",
        1 => "one knee",
        _ => "two knees",
    }
}

/// Distinct speeds a model needs at the least: two per piece, pieces not sharing any, so
/// that every knee can lie between two speeds.
fn enough(ready: &Prepared, knees: usize, settings: &FitSettings) -> Result<(), NoFit> {
    if knees > 2 {
        return Err(NoFit::because("more than two knees are not offered"));
    }
    let n = ready.n();
    if n == 0 {
        return Err(NoFit::because("there are no points"));
    }
    let origin = usize::from(ready.anchored && ready.groups.first().is_some_and(|g| g.x > 0.0));
    let levels = ready.levels() + origin;
    let needed = if knees == 0 {
        2
    } else {
        settings.min_points_per_piece.max(2) * (knees + 1)
    };
    if levels < needed {
        return Err(NoFit::because(format!(
            "{}: needs {needed} distinct speeds, there {} {}",
            name(knees),
            if levels == 1 { "is" } else { "are" },
            levels
        )));
    }
    Ok(())
}

/// Least squares with the knees held.
fn solved(ready: &Prepared, knees: &[f64], settings: &FitSettings) -> Result<Held, NoFit> {
    solve(
        &ready.x,
        &ready.y,
        &ready.w,
        knees,
        ready.anchored,
        bounds(settings),
    )
    .ok_or_else(|| {
        NoFit::because(format!(
            "{}: its pieces cannot be told apart at these speeds",
            name(knees.len())
        ))
    })
}

/// Everything that follows once the knees are known.
fn finish(ready: &Prepared, knees: &[f64], settings: &FitSettings) -> Result<Segmented, NoFit> {
    let held = solved(ready, knees, settings)?;
    let n = ready.n();
    let parameters = usize::from(!ready.anchored) + 2 * knees.len() + 1;
    let df = n.saturating_sub(parameters);
    let sigma = if ready.absolute {
        Some(1.0)
    } else {
        (df > 0).then(|| (held.rss / df as f64).sqrt())
    };
    let mut out = Segmented {
        knees: knees.to_vec(),
        knee_forces: held.knee_values.iter().map(|v| v + ready.offset).collect(),
        slopes: held.slopes.clone(),
        intercept: held.level - held.slopes[0] * held.reference + ready.offset,
        rss: held.rss,
        n,
        parameters,
        sigma,
        sum_ln_weights: ready.w.iter().filter(|w| **w > 0.0).map(|w| w.ln()).sum(),
        absolute: ready.absolute,
        residuals: vec![0.0; ready.x.len()],
        weights: vec![0.0; ready.x.len()],
        anchored: ready.anchored,
        range: [
            ready.groups.first().map_or(0.0, |g| g.x),
            ready.groups.last().map_or(0.0, |g| g.x),
        ],
        covariance: Vec::new(),
        consistent: Vec::new(),
    };
    for (i, from) in ready.from.iter().enumerate() {
        out.residuals[*from] = ready.y[i] - value(&held, knees, ready.x[i]);
        out.weights[*from] = ready.w[i];
    }
    if let Some(sigma) = sigma {
        [out.covariance, out.consistent] =
            covariance(ready, &held, knees, sigma).unwrap_or_default();
    }
    Ok(out)
}

/// Covariance of intercept, slopes, knees, with `J` the derivatives of the fitted values
/// (Gauss–Newton): `σ²(JᵀWJ)⁻¹`, and the heteroscedasticity-consistent HC2 (MacKinnon &
/// White 1985, J. Econometrics 29:305–325). Worked out about the reference speed and then
/// carried to zero speed.
fn covariance(ready: &Prepared, held: &Held, knees: &[f64], sigma: f64) -> Option<[Vec<f64>; 2]> {
    let level = usize::from(!ready.anchored);
    let pieces = knees.len() + 1;
    let p = level + pieces + knees.len();
    let mut jacobian = DMatrix::zeros(ready.x.len(), p);
    for (i, (x, w)) in ready.x.iter().zip(&ready.w).enumerate() {
        let root = w.sqrt();
        if level == 1 {
            jacobian[(i, 0)] = root;
        }
        for (j, run) in runs(*x, knees, held.reference).enumerate() {
            jacobian[(i, level + j)] = root * run;
        }
        for (j, knee) in knees.iter().enumerate() {
            let turn = held.slopes[j] - held.slopes[j + 1];
            jacobian[(i, level + pieces + j)] = if x > knee { root * turn } else { 0.0 };
        }
    }
    let bread = inverse_gram(jacobian.clone())?;
    let carry = {
        let mut carry = DMatrix::identity(p, p);
        if level == 1 {
            // intercept = level − reference·first slope
            carry[(0, 1)] = -held.reference;
        }
        carry
    };
    let carried = |c: DMatrix<f64>| (&carry * c * carry.transpose()).iter().copied().collect();
    let mut meat = DMatrix::zeros(p, p);
    for (i, ((x, y), w)) in ready.x.iter().zip(&ready.y).zip(&ready.w).enumerate() {
        let row = jacobian.row(i);
        let leverage = (row * &bread * row.transpose())[(0, 0)].min(MOST_LEVERAGE);
        let residual = w.sqrt() * (y - value(held, knees, *x)) / (1.0 - leverage).sqrt();
        meat += row.transpose() * row * (residual * residual);
    }
    let sandwich = &bread * meat * &bread;
    Some([carried(bread * (sigma * sigma)), carried(sandwich)])
}
