//! What all loops together say of one direction's total force at mid-stroke against speed,
//! whatever its shape: a quadratic form in the forces at the nodes, everything else (spring,
//! delay, mass, the other direction) fitted along.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::basis::SpeedNodes;
use super::rows::{Row, TERMS, Term};
use super::solve::Prior;

/// How ill any curve fits one direction of a run: `Q(g) = gᵀ Λ g − 2 rᵀ g + c`, in units of
/// the noise, for resisting forces `g` at [`Self::speeds`].
#[derive(Debug, Clone, PartialEq)]
pub struct LoopCurve {
    /// Speeds, m/s, rest first, rising.
    pub speeds: Vec<f64>,
    /// `Λ`, 1/N².
    pub information: DMatrix<f64>,
    /// `r`, 1/N.
    pub right: DVector<f64>,
    /// `c`.
    pub constant: f64,
    /// The nodes that samples speak for, first and last index.
    pub spoken: (usize, usize),
    /// Pieces between nodes with samples in them.
    pub cells: usize,
    /// Slowest and fastest sample, m/s.
    pub range: [f64; 2],
    /// Largest resisting force of the samples, N.
    pub largest: f64,
}

/// The quadratic forms of both directions. `None` where nothing can be solved.
pub(crate) fn loop_curves(
    rows: &[Row],
    nodes: [&SpeedNodes; 2],
    priors: &[Prior; TERMS],
) -> Option<[LoopCurve; 2]> {
    let counts = [nodes[0].len() + 1, nodes[1].len() + 1];
    let p = TERMS + counts[0] + counts[1];
    let mut a = DMatrix::<f64>::zeros(p, p);
    let mut b = DVector::<f64>::zeros(p);
    let mut squares = 0.0;
    for row in rows.iter().filter(|r| r.weight > 0.0) {
        let which = usize::from(row.sign < 0.0);
        let base = TERMS + if which == 0 { 0 } else { counts[0] };
        let node = if which == 0 {
            row.node
        } else {
            row.node - nodes[0].len()
        };
        let held = [Term::Rest.at(), Term::Friction.at()];
        let entries: Vec<(usize, f64)> = row
            .terms
            .iter()
            .copied()
            .enumerate()
            .filter(|(j, c)| !held.contains(j) && *c != 0.0)
            .chain([
                (base + node, row.sign * (1.0 - row.share)),
                (base + node + 1, row.sign * row.share),
            ])
            .collect();
        squares += row.weight * row.force * row.force;
        for (i, (j, c)) in entries.iter().enumerate() {
            b[*j] += row.weight * c * row.force;
            for (k, d) in &entries[..=i] {
                a[(*j, *k)] += row.weight * c * d;
            }
        }
    }
    a.fill_upper_triangle_with_lower_triangle();
    for (j, prior) in priors.iter().enumerate() {
        a[(j, j)] += prior.precision;
        b[j] += prior.precision * prior.mean;
        squares += prior.precision * prior.mean * prior.mean;
    }
    let one = |which: usize| -> Option<LoopCurve> {
        let from = TERMS + if which == 0 { 0 } else { counts[0] };
        let own: Vec<usize> = (from..from + counts[which]).collect();
        let other: Vec<usize> = (0..p).filter(|j| !own.contains(j)).collect();
        let mut aside = a.select_columns(&other).select_rows(&other);
        for j in 0..aside.nrows() {
            aside[(j, j)] = aside[(j, j)] * (1.0 + 1e-10) + 1e-12;
        }
        let cross = a.select_columns(&own).select_rows(&other);
        let b_other = b.select_rows(&other);
        let factor = Cholesky::new(aside)?;
        let solved = factor.solve(&cross);
        let information = a.select_columns(&own).select_rows(&own) - cross.transpose() * &solved;
        let right = b.select_rows(&own) - solved.transpose() * &b_other;
        let constant = squares - b_other.dot(&factor.solve(&b_other));
        let mine = |row: &Row| usize::from(row.sign < 0.0) == which && row.weight > 0.0;
        let offset = if which == 0 { 0 } else { nodes[0].len() };
        let touched = rows.iter().filter(|r| mine(r)).map(|r| r.node - offset);
        let (first, last) = touched.fold((usize::MAX, 0), |(lo, hi), j| (lo.min(j), hi.max(j + 1)));
        let mut cells: Vec<usize> = rows.iter().filter(|r| mine(r)).map(|r| r.node).collect();
        cells.sort_unstable();
        cells.dedup();
        let (slowest, fastest, largest) = rows
            .iter()
            .filter(|r| mine(r))
            .fold((f64::INFINITY, 0.0_f64, 0.0_f64), |(lo, hi, top), r| {
                (lo.min(r.speed), hi.max(r.speed), top.max(r.force.abs()))
            });
        (first < last).then(|| LoopCurve {
            speeds: std::iter::once(0.0)
                .chain(nodes[which].speeds.iter().copied())
                .collect(),
            information,
            right,
            constant,
            spoken: (first, last),
            cells: cells.len(),
            range: [slowest, fastest],
            largest,
        })
    };
    Some([one(0)?, one(1)?])
}
