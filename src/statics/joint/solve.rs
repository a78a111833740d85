//! Penalised least squares with the evenness of the valves' curve told by the data.
//!
//! The force of the valves runs straight between nodes, and its slope wanders from node to
//! node like a random walk whose size is chosen by the marginal likelihood of the data
//! (Wahba 1985, Ann. Stat. 13:1378–1402; Wood 2011, J. R. Stat. Soc. B 73:3–36). The
//! covariance of such a fit holds what the curve may do where no sample tells, so a force
//! taken to rest carries the doubt about the shape on the way (Nychka 1988, J. Am. Stat.
//! Assoc. 83:1134–1143).

use nalgebra::{SMatrix, SVector};

use super::basis::SpeedNodes;
use super::rows::{Row, TERMS};

/// Sizes of the random walk that are tried, as standard deviation of the slope's change over
/// one unit of the logarithmic scale, in largest force over largest speed.
pub(crate) const WANDERINGS: [f64; 8] = [0.03, 0.1, 0.3, 1.0, 2.0, 4.0, 8.0, 16.0];

/// A number for each term.
pub(crate) type OfTerms = SVector<f64, TERMS>;
type Square = SMatrix<f64, TERMS, TERMS>;

/// A term's prior: mean and precision (1/variance), in the units of its column.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Prior {
    pub(crate) mean: f64,
    pub(crate) precision: f64,
}

/// A fitted model.
#[derive(Debug, Clone)]
pub(crate) struct Solution {
    /// Coefficients of the terms.
    pub(crate) terms: OfTerms,
    /// Forces at the nodes, compression then rebound, N, resisting force positive.
    pub(crate) nodes: Vec<f64>,
    /// Covariance of the terms.
    pub(crate) covariance: Square,
    /// Forces left over, N, one a row.
    pub(crate) residuals: Vec<f64>,
    /// What the nodes make of each term: the part of its column they can take over.
    taken_over: Vec<OfTerms>,
}

/// Share of the node below a row, if it is one.
fn below(row: &Row) -> Option<(usize, f64)> {
    (!row.from_rest).then(|| (row.node - 1, row.sign * (1.0 - row.share)))
}

/// Force of the model at a row, N.
fn force_of(row: &Row, terms: &OfTerms, nodes: &[f64]) -> f64 {
    let of_terms: f64 = row.terms.iter().zip(terms.iter()).map(|(c, b)| c * b).sum();
    let lower = below(row).map_or(0.0, |(j, c)| c * nodes[j]);
    of_terms + row.sign * row.share * nodes[row.node] + lower
}

/// A symmetric matrix with two diagonals below its own: `[own, one below, two below]` of each
/// column. Neighbouring nodes share samples, and a bend ties three.
type Band = Vec<[f64; 3]>;

/// The normal equations: nodes among themselves, nodes with terms, terms among themselves.
#[derive(Debug, Clone)]
struct Equations {
    nodes: Band,
    cross: Vec<OfTerms>,
    terms: Square,
    right_nodes: Vec<f64>,
    right_terms: OfTerms,
    squares: f64,
}

impl Equations {
    fn new(rows: &[Row], count: usize, priors: &[Prior; TERMS]) -> Self {
        let mut out = Self {
            nodes: vec![[0.0; 3]; count],
            cross: vec![OfTerms::zeros(); count],
            terms: Square::zeros(),
            right_nodes: vec![0.0; count],
            right_terms: OfTerms::zeros(),
            squares: 0.0,
        };
        for row in rows.iter().filter(|r| r.weight > 0.0) {
            out.add(row);
        }
        for (j, prior) in priors.iter().enumerate() {
            out.terms[(j, j)] += prior.precision;
            out.right_terms[j] += prior.precision * prior.mean;
            out.squares += prior.precision * prior.mean * prior.mean;
        }
        out
    }

    fn add(&mut self, row: &Row) {
        let weight = row.weight;
        let terms = OfTerms::from(row.terms);
        let upper = row.sign * row.share;
        self.nodes[row.node][0] += weight * upper * upper;
        self.cross[row.node] += terms * (weight * upper);
        self.right_nodes[row.node] += weight * upper * row.force;
        if let Some((j, c)) = below(row) {
            self.nodes[j][0] += weight * c * c;
            self.nodes[j][1] += weight * c * upper;
            self.cross[j] += terms * (weight * c);
            self.right_nodes[j] += weight * c * row.force;
        }
        self.terms.ger(weight, &terms, &terms, 1.0);
        self.right_terms += terms * (weight * row.force);
        self.squares += weight * row.force * row.force;
    }

    /// Solves with the bends weighed by `stiffness`: the fit and its −2 log marginal likelihood.
    fn solve(&self, bends: &Band, rank: usize, stiffness: f64) -> Option<(f64, Solved)> {
        let mut system = self.nodes.clone();
        for (own, bend) in system.iter_mut().zip(bends) {
            for (a, b) in own.iter_mut().zip(bend) {
                *a += stiffness * b;
            }
            // Nodes beyond all data would otherwise be free.
            own[0] *= 1.0 + 1e-10;
        }
        let log_det_nodes = factor(&mut system)?;
        let taken_over: Vec<OfTerms> = back(&system, self.cross.clone());
        let alone: Vec<f64> = back(&system, self.right_nodes.clone());
        let mut schur = self.terms;
        let mut right = self.right_terms;
        for ((cross, taken), force) in self.cross.iter().zip(&taken_over).zip(&alone) {
            schur.ger(-1.0, cross, taken, 1.0);
            right -= cross * *force;
        }
        let factor = (0.5 * (schur + schur.transpose())).cholesky()?;
        let terms = factor.solve(&right);
        let nodes: Vec<f64> = alone
            .iter()
            .zip(&taken_over)
            .map(|(force, taken)| force - taken.dot(&terms))
            .collect();
        let fitted: f64 = terms.dot(&self.right_terms)
            + nodes
                .iter()
                .zip(&self.right_nodes)
                .map(|(b, r)| b * r)
                .sum::<f64>();
        let log_det_terms: f64 = factor
            .l_dirty()
            .diagonal()
            .iter()
            .map(|d| 2.0 * d.ln())
            .sum();
        let badness =
            self.squares - fitted + log_det_nodes + log_det_terms - rank as f64 * stiffness.ln();
        Some((
            badness,
            Solved {
                terms,
                nodes,
                covariance: factor.inverse(),
                taken_over,
            },
        ))
    }
}

struct Solved {
    terms: OfTerms,
    nodes: Vec<f64>,
    covariance: Square,
    taken_over: Vec<OfTerms>,
}

/// Cholesky's factor of a band in place, as `L D Lᵀ`; the log of the determinant.
fn factor(band: &mut Band) -> Option<f64> {
    let mut log_det = 0.0;
    for j in 0..band.len() {
        let [own, one, two] = band[j];
        if own <= 0.0 {
            return None;
        }
        log_det += own.ln();
        let (l1, l2) = (one / own, two / own);
        if let Some(next) = band.get_mut(j + 1) {
            next[0] -= l1 * one;
            next[1] -= l1 * two;
        }
        if let Some(next) = band.get_mut(j + 2) {
            next[0] -= l2 * two;
        }
        band[j] = [own, l1, l2];
    }
    Some(log_det)
}

/// Solves a factored band for one right-hand side, of numbers or of vectors.
fn back<T>(band: &Band, mut x: Vec<T>) -> Vec<T>
where
    T: Copy + std::ops::SubAssign + std::ops::Mul<f64, Output = T> + std::ops::Div<f64, Output = T>,
{
    let n = x.len();
    for j in 0..n {
        let (own, [_, l1, l2]) = (x[j], band[j]);
        if j + 1 < n {
            x[j + 1] -= own * l1;
        }
        if j + 2 < n {
            x[j + 2] -= own * l2;
        }
    }
    for j in (0..n).rev() {
        x[j] = x[j] / band[j][0];
        if j + 1 < n {
            let after = x[j + 1] * band[j][1];
            x[j] -= after;
        }
        if j + 2 < n {
            let after = x[j + 2] * band[j][2];
            x[j] -= after;
        }
    }
    x
}

/// The bends of both directions, `units` being largest force over largest speed; how many.
fn penalty(nodes: [&SpeedNodes; 2], units: [f64; 2]) -> (Band, usize) {
    let mut out = vec![[0.0; 3]; nodes[0].len() + nodes[1].len()];
    let mut rank = 0;
    let mut base = 0;
    for (nodes, unit) in nodes.iter().zip(units) {
        for bend in nodes.bends() {
            rank += 1;
            for (i, (j, w)) in bend.iter().enumerate() {
                for (k, u) in &bend[i..] {
                    if *w != 0.0 && *u != 0.0 {
                        out[base + j][k - j] += w * u / (unit * unit);
                    }
                }
            }
        }
        base += nodes.len();
    }
    (out, rank)
}

/// Fits the rows with the best of the `wanderings`. `units`: largest force over largest speed, per
/// direction. `None` where the equations cannot be solved.
pub(crate) fn solve(
    rows: &[Row],
    nodes: [&SpeedNodes; 2],
    units: [f64; 2],
    priors: &[Prior; TERMS],
    wanderings: &[f64],
) -> Option<Solution> {
    let equations = Equations::new(rows, nodes[0].len() + nodes[1].len(), priors);
    let (bends, rank) = penalty(nodes, units);
    let (_, best) = wanderings
        .iter()
        .filter_map(|w| equations.solve(&bends, rank, 1.0 / (w * w)))
        .min_by(|a, b| a.0.total_cmp(&b.0))?;
    let residuals = rows
        .iter()
        .map(|r| r.force - force_of(r, &best.terms, &best.nodes))
        .collect();
    Some(Solution {
        terms: best.terms,
        nodes: best.nodes,
        covariance: best.covariance,
        residuals,
        taken_over: best.taken_over,
    })
}

/// Variances of the terms with the scatter as it is, half stroke by half stroke and step by step, in place of
/// those the weights promise: `A⁻¹ (Σ g gᵀ) A⁻¹` (Liang & Zeger 1986, Biometrika 73:13–22).
pub(crate) fn with_scatter(rows: &[Row], solution: &Solution, clusters: usize) -> OfTerms {
    let half_strokes = scatter_over(rows, solution, clusters, &|row| row.cluster);
    if rows.last().is_none_or(|r| r.step < FEW_STEPS) {
        return half_strokes;
    }
    let steps = scatter_over(rows, solution, clusters, &|row| row.step);
    half_strokes.zip_map(&steps, f64::max)
}

/// With fewer steps than this, their scatter says little.
const FEW_STEPS: usize = 4;

fn scatter_over(
    rows: &[Row],
    solution: &Solution,
    clusters: usize,
    of: &dyn Fn(&Row) -> usize,
) -> OfTerms {
    let mut sums = vec![OfTerms::zeros(); clusters];
    for (row, r) in rows.iter().zip(&solution.residuals) {
        // What is left of the terms once the nodes have taken over what they can.
        let mut own = OfTerms::from(row.terms);
        own -= solution.taken_over[row.node] * (row.sign * row.share);
        if let Some((j, c)) = below(row) {
            own -= solution.taken_over[j] * c;
        }
        sums[of(row)] += own * (row.weight * r);
    }
    let used = sums
        .iter()
        .filter(|s| s.iter().any(|v| *v != 0.0))
        .count()
        .max(2) as f64;
    sums.iter()
        .map(|s| solution.covariance * s)
        .fold(OfTerms::zeros(), |all, s| all + s.component_mul(&s))
        * (used / (used - 1.0))
}

#[cfg(test)]
mod tests {
    use nalgebra::DMatrix;

    use super::*;

    /// A banded solution against a dense one of a general-purpose library.
    #[test]
    fn a_band_is_solved_as_a_full_matrix_is() {
        let n = 9;
        let mut band: Band = (0..n)
            .map(|j| [5.0 + j as f64, -1.0 - 0.1 * j as f64, 0.3])
            .collect();
        band[n - 1] = [14.0, 0.0, 0.0];
        band[n - 2][2] = 0.0;
        let full = DMatrix::from_fn(n, n, |i, j| {
            let (low, gap) = (i.min(j), i.abs_diff(j));
            if gap < 3 { band[low][gap] } else { 0.0 }
        });
        let right: Vec<f64> = (0..n).map(|j| (j as f64).sin()).collect();
        let expected = full
            .clone()
            .lu()
            .solve(&nalgebra::DVector::from_vec(right.clone()))
            .unwrap();
        let log_det = factor(&mut band).unwrap();
        let found = back(&band, right);
        for (a, b) in found.iter().zip(expected.iter()) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
        assert!((log_det - full.determinant().ln()).abs() < 1e-12);
    }
}
