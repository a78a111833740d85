//! Least squares with the knees held, by QR on the points themselves.

use nalgebra::{DMatrix, DVector};

use super::points::Group;

/// Bounds on the slopes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Bounds {
    None,
    /// No slope below zero.
    Rising,
}

/// Solution with held knees.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Held {
    /// Value at `reference`.
    pub(super) level: f64,
    /// Speed the value belongs to (0 when anchored).
    pub(super) reference: f64,
    pub(super) slopes: Vec<f64>,
    pub(super) knee_values: Vec<f64>,
    pub(super) rss: f64,
}

/// The basis of piece slopes at `x`: how far `x` has run along each piece from `reference`,
/// which lies on the first.
pub(super) fn runs(x: f64, knees: &[f64], reference: f64) -> impl Iterator<Item = f64> + '_ {
    (0..=knees.len()).map(move |j| {
        let upto = knees.get(j).map_or(x, |k| x.min(*k));
        let from = if j == 0 {
            reference
        } else {
            knees[j - 1].min(upto)
        };
        upto - from
    })
}

/// [`solve`] on groups.
pub(super) fn solve_groups(
    groups: &[Group],
    knees: &[f64],
    anchored: bool,
    bounds: Bounds,
) -> Option<Held> {
    let x: Vec<f64> = groups.iter().map(|g| g.x).collect();
    let y: Vec<f64> = groups.iter().map(|g| g.y).collect();
    let w: Vec<f64> = groups.iter().map(|g| g.w).collect();
    solve(&x, &y, &w, knees, anchored, bounds)
}

/// Minimises `Σw(y − f(x))²` over the value at the reference and the slopes of the pieces.
/// With [`Bounds::Rising`], every set of slopes held at zero is tried (there are at most
/// eight) and the best that breaks no bound is taken: the exact constrained optimum, since
/// it is the free optimum of its own set.
pub(super) fn solve(
    x: &[f64],
    y: &[f64],
    w: &[f64],
    knees: &[f64],
    anchored: bool,
    bounds: Bounds,
) -> Option<Held> {
    let pieces = knees.len() + 1;
    let sets = match bounds {
        Bounds::None => 1,
        Bounds::Rising => 1_usize << pieces,
    };
    let mut best: Option<Held> = None;
    for set in 0..sets {
        let free: Vec<usize> = (0..pieces).filter(|j| set & (1 << j) == 0).collect();
        let Some(held) = solve_free(x, y, w, knees, anchored, &free) else {
            continue;
        };
        let allowed = bounds == Bounds::None || held.slopes.iter().all(|s| *s >= 0.0);
        if allowed && best.as_ref().is_none_or(|b| held.rss < b.rss) {
            best = Some(held);
        }
        if set == 0 && allowed && best.is_some() {
            break; // the free optimum keeps the bounds: nothing can be better
        }
    }
    best
}

/// The mean speed of the first piece, where value and slope are nearly uncorrelated.
pub(super) fn reference_speed(x: &[f64], w: &[f64], knees: &[f64], anchored: bool) -> f64 {
    if anchored {
        return 0.0;
    }
    let end = knees.first().copied().unwrap_or(f64::INFINITY);
    let (mut sum, mut total) = (0.0, 0.0);
    for (x, w) in x.iter().zip(w).filter(|(x, _)| **x <= end) {
        sum += w * x;
        total += w;
    }
    if total > 0.0 { sum / total } else { 0.0 }
}

fn solve_free(
    x: &[f64],
    y: &[f64],
    w: &[f64],
    knees: &[f64],
    anchored: bool,
    free: &[usize],
) -> Option<Held> {
    let reference = reference_speed(x, w, knees, anchored);
    let level = usize::from(!anchored);
    let columns = free.len() + level;
    let mut theta = DVector::zeros(columns);
    if columns > 0 {
        if x.len() < columns {
            return None;
        }
        let mut design = DMatrix::zeros(x.len(), columns);
        let mut target = DVector::zeros(x.len());
        for (i, ((x, y), w)) in x.iter().zip(y).zip(w).enumerate() {
            let root = w.sqrt();
            let basis: Vec<f64> = runs(*x, knees, reference).collect();
            if level == 1 {
                design[(i, 0)] = root;
            }
            for (c, j) in free.iter().enumerate() {
                design[(i, c + level)] = root * basis[*j];
            }
            target[i] = root * y;
        }
        theta = least_squares(design, &target)?;
    }
    let mut slopes = vec![0.0; knees.len() + 1];
    for (c, j) in free.iter().enumerate() {
        slopes[*j] = theta[c + level];
    }
    let mut held = Held {
        level: if level == 1 { theta[0] } else { 0.0 },
        reference,
        slopes,
        knee_values: Vec::new(),
        rss: 0.0,
    };
    held.knee_values = knees.iter().map(|k| value(&held, knees, *k)).collect();
    held.rss = x
        .iter()
        .zip(y)
        .zip(w)
        .map(|((x, y), w)| {
            let r = y - value(&held, knees, *x);
            w * r * r
        })
        .sum();
    Some(held)
}

/// The fitted value at `x`.
pub(super) fn value(held: &Held, knees: &[f64], x: f64) -> f64 {
    held.level
        + runs(x, knees, held.reference)
            .zip(&held.slopes)
            .map(|(run, slope)| run * slope)
            .sum::<f64>()
}

/// QR least squares with columns scaled to unit length and one step of refinement; `None`
/// if the columns are not independent.
pub(super) fn least_squares(
    mut design: DMatrix<f64>,
    target: &DVector<f64>,
) -> Option<DVector<f64>> {
    let scale = unit_columns(&mut design)?;
    let qr = design.clone().qr();
    let r = qr.r();
    if !full_rank(&r) {
        return None;
    }
    // The reflections are applied to the target; the orthogonal matrix is never formed.
    let solved = |mut target: DVector<f64>| {
        qr.q_tr_mul(&mut target);
        r.solve_upper_triangular(&target.rows(0, r.ncols()))
    };
    let mut theta = solved(target.clone())?;
    // One step of refinement takes out most of the rounding.
    theta += solved(target - &design * &theta)?;
    for (t, s) in theta.iter_mut().zip(&scale) {
        *t /= s;
    }
    theta.iter().all(|t| t.is_finite()).then_some(theta)
}

/// `(JᵀJ)⁻¹` from the QR of `J`; `None` if the columns are not independent.
pub(super) fn inverse_gram(mut jacobian: DMatrix<f64>) -> Option<DMatrix<f64>> {
    let scale = unit_columns(&mut jacobian)?;
    let n = jacobian.ncols();
    let r = jacobian.qr().r();
    if !full_rank(&r) {
        return None;
    }
    let inverse = r.solve_upper_triangular(&DMatrix::identity(n, n))?;
    let mut gram = &inverse * inverse.transpose();
    for i in 0..n {
        for j in 0..n {
            gram[(i, j)] /= scale[i] * scale[j];
        }
    }
    Some(gram)
}

fn unit_columns(matrix: &mut DMatrix<f64>) -> Option<Vec<f64>> {
    let mut scale = Vec::with_capacity(matrix.ncols());
    for mut column in matrix.column_iter_mut() {
        let norm = column.norm();
        if !(norm > 0.0 && norm.is_finite()) {
            return None;
        }
        column /= norm;
        scale.push(norm);
    }
    Some(scale)
}

/// With unit columns, a diagonal element this small means a column is a mix of the others
/// to within rounding.
fn full_rank(r: &DMatrix<f64>) -> bool {
    const DEPENDENT: f64 = 1e-12;
    r.diagonal().iter().all(|d| d.abs() > DEPENDENT)
}
