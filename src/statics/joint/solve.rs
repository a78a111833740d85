//! Penalised least squares with the evenness of the valves' curve told by the data.
//!
//! The force of the valves runs straight between nodes, and its slope wanders from node to
//! node like a random walk whose size is chosen by the marginal likelihood of the data
//! (Wahba 1985, Ann. Stat. 13:1378–1402; Wood 2011, J. R. Stat. Soc. B 73:3–36). The
//! covariance of such a fit holds what the curve may do where no sample tells, so a force
//! taken to rest carries the doubt about the shape on the way (Nychka 1988, J. Am. Stat.
//! Assoc. 83:1134–1143).

use nalgebra::{Cholesky, DMatrix, DVector, Dyn};

use super::basis::SpeedNodes;
use super::rows::{Row, TERMS};

/// Sizes of the random walk that are tried, as standard deviation of the slope's change over
/// one unit of the logarithmic scale, in largest force over largest speed.
pub(crate) const WANDERINGS: [f64; 8] = [0.03, 0.1, 0.3, 1.0, 2.0, 4.0, 8.0, 16.0];

/// A term's prior: mean and precision (1/variance), in the units of its column.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Prior {
    pub(crate) mean: f64,
    pub(crate) precision: f64,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub(crate) struct Solution {
    /// Coefficients: terms, then nodes of both directions.
    pub(crate) beta: DVector<f64>,
    /// Covariance.
    pub(crate) covariance: DMatrix<f64>,
    /// Forces left over, N, one a row.
    pub(crate) residuals: Vec<f64>,
}

/// Columns in all.
fn columns(nodes: [&SpeedNodes; 2]) -> usize {
    TERMS + nodes[0].len() + nodes[1].len()
}

/// The entries of one row that are not nought.
pub(crate) fn entries(row: &Row) -> impl Iterator<Item = (usize, f64)> + '_ {
    let upper = TERMS + row.node;
    let below = (!row.from_rest).then(|| (upper - 1, row.sign * (1.0 - row.share)));
    row.terms
        .iter()
        .copied()
        .enumerate()
        .chain(below)
        .chain(std::iter::once((upper, row.sign * row.share)))
}

/// Force of the model at a row, N.
pub(crate) fn force_of(row: &Row, beta: &DVector<f64>) -> f64 {
    entries(row).map(|(j, c)| c * beta[j]).sum()
}

/// The plain part of the normal equations.
fn normal(rows: &[Row], columns: usize) -> (DMatrix<f64>, DVector<f64>) {
    let mut a = DMatrix::zeros(columns, columns);
    let mut b = DVector::zeros(columns);
    let mut buffer: Vec<(usize, f64)> = Vec::with_capacity(TERMS + 2);
    for row in rows.iter().filter(|r| r.weight > 0.0) {
        buffer.clear();
        buffer.extend(entries(row).filter(|(_, c)| *c != 0.0));
        for (i, (j, c)) in buffer.iter().enumerate() {
            let weighted = row.weight * c;
            b[*j] += weighted * row.force;
            for (k, d) in &buffer[..=i] {
                a[(*j, *k)] += weighted * d;
            }
        }
    }
    a.fill_upper_triangle_with_lower_triangle();
    (a, b)
}

/// The bends of both directions, `unit` being largest force over largest speed.
fn penalty(nodes: [&SpeedNodes; 2], units: [f64; 2]) -> (DMatrix<f64>, usize) {
    let p = columns(nodes);
    let mut out = DMatrix::zeros(p, p);
    let mut rank = 0;
    let mut base = TERMS;
    for (nodes, unit) in nodes.iter().zip(units) {
        for bend in nodes.bends() {
            rank += 1;
            for (j, w) in bend {
                for (k, u) in bend {
                    out[(base + j, base + k)] += w * u / (unit * unit);
                }
            }
        }
        base += nodes.len();
    }
    (out, rank)
}

/// Fits the rows with the best of the `wanderings`. `units`: largest force over largest speed, per direction. `None` where the
/// equations cannot be solved.
pub(crate) fn solve(
    rows: &[Row],
    nodes: [&SpeedNodes; 2],
    units: [f64; 2],
    priors: &[Prior; TERMS],
    wanderings: &[f64],
) -> Option<Solution> {
    let (plain, right) = normal(rows, columns(nodes));
    let (bends, rank) = penalty(nodes, units);
    let mut with_priors = plain.clone();
    let mut right_side = right.clone();
    for (j, prior) in priors.iter().enumerate() {
        with_priors[(j, j)] += prior.precision;
        right_side[j] += prior.precision * prior.mean;
    }
    let squares: f64 = rows.iter().map(|r| r.weight * r.force * r.force).sum();
    let prior_squares: f64 = priors.iter().map(|p| p.precision * p.mean * p.mean).sum();
    let look = |wandering: f64| -> Option<(f64, Cholesky<f64, Dyn>, DVector<f64>)> {
        let stiffness = 1.0 / (wandering * wandering);
        let mut system = &with_priors + &bends * stiffness;
        // Nodes beyond all data would otherwise be free.
        for j in TERMS..system.nrows() {
            system[(j, j)] *= 1.0 + 1e-10;
        }
        let factor = Cholesky::new(system)?;
        let beta = factor.solve(&right_side);
        let left_over = squares + prior_squares - beta.dot(&right_side);
        let log_det: f64 = factor
            .l_dirty()
            .diagonal()
            .iter()
            .map(|d| 2.0 * d.ln())
            .sum();
        let badness = left_over + log_det - rank as f64 * stiffness.ln();
        Some((badness, factor, beta))
    };
    let (_, factor, beta) = wanderings
        .iter()
        .filter_map(|w| look(*w))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let residuals: Vec<f64> = rows.iter().map(|r| r.force - force_of(r, &beta)).collect();
    let covariance = factor.inverse();
    Some(Solution {
        beta,
        covariance,
        residuals,
    })
}

/// Covariance with the scatter as it is, half stroke by half stroke and step by step, in place of the one the
/// weights promise: `A⁻¹ (Σ g gᵀ) A⁻¹` beside what the priors and bends leave open
/// (Liang & Zeger 1986, Biometrika 73:13–22). Never less than the promised one, term by term.
pub(crate) fn with_scatter(rows: &[Row], solution: &Solution, clusters: usize) -> Vec<f64> {
    let p = solution.beta.len();
    let half_strokes = scatter_over(rows, solution, clusters, &|row| row.cluster);
    let steps = scatter_over(rows, solution, clusters, &|row| row.step);
    let few = rows.last().is_none_or(|r| r.step < FEW_STEPS);
    (0..p)
        .map(|j| {
            if few {
                half_strokes[j]
            } else {
                half_strokes[j].max(steps[j])
            }
        })
        .collect()
}

/// With fewer steps than this, their scatter says little.
const FEW_STEPS: usize = 4;

fn scatter_over(
    rows: &[Row],
    solution: &Solution,
    clusters: usize,
    of: &dyn Fn(&Row) -> usize,
) -> Vec<f64> {
    let p = solution.beta.len();
    let mut sums = DMatrix::<f64>::zeros(p, clusters);
    for (row, r) in rows.iter().zip(&solution.residuals) {
        for (j, c) in entries(row) {
            sums[(j, of(row))] += row.weight * c * r;
        }
    }
    let used = (0..clusters)
        .filter(|c| sums.column(*c).iter().any(|v| *v != 0.0))
        .count()
        .max(2) as f64;
    let influence = &solution.covariance * sums;
    (0..p)
        .map(|j| influence.row(j).iter().map(|v| v * v).sum::<f64>() * used / (used - 1.0))
        .collect()
}
