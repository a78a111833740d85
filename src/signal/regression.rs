//! Weighted linear regression with a robust option and errors that respect clusters.

use nalgebra::{DMatrix, DVector};

use super::lanes::dot;

/// Result of a regression.
#[derive(Debug, Clone, PartialEq)]
pub struct Regression {
    /// Coefficients, in the order of the columns.
    pub coefficients: Vec<f64>,
    /// Their covariance.
    pub covariance: DMatrix<f64>,
    /// Weighted residual sum of squares.
    pub rss: f64,
    /// Residuals `y − Xβ` (not weighted).
    pub residuals: Vec<f64>,
    /// Final weights (robust factor included).
    pub weights: Vec<f64>,
}

impl Regression {
    /// Standard error of a coefficient.
    pub fn se(&self, k: usize) -> f64 {
        self.covariance[(k, k)].max(0.0).sqrt()
    }
}

/// Tukey's biweight constant for 95 % efficiency at the normal distribution (Huber &
/// Ronchetti, Robust Statistics; from memory).
const BIWEIGHT: f64 = 4.685;
/// Rounds of reweighting; the scale settles well before.
const ROUNDS: usize = 12;
/// Smallest ratio of singular values of the scaled design that is still solved.
const SINGULAR: f64 = 1e-9;

/// Ordinary weighted least squares. Columns are scaled to unit length and the scaled design
/// decomposed (singular values), so neither units nor large offsets cost digits. `None` if
/// a coefficient cannot be told.
pub fn least_squares(columns: &[Vec<f64>], y: &[f64], weights: &[f64]) -> Option<Regression> {
    let (n, p) = (y.len(), columns.len());
    if n < p || p == 0 {
        return None;
    }
    let root: Vec<f64> = weights.iter().map(|w| w.max(0.0).sqrt()).collect();
    let design = DMatrix::from_fn(n, p, |i, j| columns[j][i] * root[i]);
    let scale: Vec<f64> = (0..p).map(|j| design.column(j).norm()).collect();
    if scale.iter().any(|s| *s <= 0.0 || !s.is_finite()) {
        return None;
    }
    let scaled = DMatrix::from_fn(n, p, |i, j| design[(i, j)] / scale[j]);
    let target = DVector::from_fn(n, |i, _| y[i] * root[i]);
    // Q first: the singular values of R are those of the whole, and R is small.
    let qr = scaled.qr();
    let mut target = target;
    qr.q_tr_mul(&mut target);
    let svd = qr.r().svd(true, true);
    let (largest, smallest) = (svd.singular_values.max(), svd.singular_values.min());
    if smallest.is_nan() || smallest < SINGULAR * largest {
        return None;
    }
    let solved = svd.solve(&target.rows(0, p), 0.0).ok()?;
    let v_t = svd.v_t.as_ref()?;
    let inverse = DMatrix::from_fn(p, p, |i, j| {
        (0..p)
            .map(|k| v_t[(k, i)] * v_t[(k, j)] / svd.singular_values[k].powi(2))
            .sum::<f64>()
            / (scale[i] * scale[j])
    });
    let coefficients: Vec<f64> = (0..p).map(|j| solved[j] / scale[j]).collect();
    let residuals: Vec<f64> = (0..n)
        .map(|i| y[i] - (0..p).map(|j| columns[j][i] * coefficients[j]).sum::<f64>())
        .collect();
    let rss: f64 = residuals.iter().zip(weights).map(|(r, w)| w * r * r).sum();
    let dof = (n - p).max(1) as f64;
    Some(Regression {
        coefficients,
        covariance: inverse * (rss / dof),
        rss,
        residuals,
        weights: weights.to_vec(),
    })
}

/// Residual sum of squares of [`least_squares`] with equal weights and nothing else, for
/// searches: modified Gram–Schmidt, whose residuals are as exact as Householder's (Björck 1967,
/// BIT 7:1–21). Infinite if a column is a mix of those before it.
pub fn residual_squares(mut columns: Vec<Vec<f64>>, mut target: Vec<f64>) -> f64 {
    if target.len() < columns.len() {
        return f64::INFINITY;
    }
    for k in 0..columns.len() {
        let (done, rest) = columns.split_at_mut(k + 1);
        let Some(own) = done.last_mut() else {
            break;
        };
        let norm = dot(own, own).sqrt();
        if norm.is_nan() || norm <= 0.0 {
            return f64::INFINITY;
        }
        own.iter_mut().for_each(|v| *v /= norm);
        for column in rest {
            let before = dot(column, column);
            take_off(column, own);
            if dot(column, column) <= SINGULAR * SINGULAR * before {
                return f64::INFINITY;
            }
        }
        take_off(&mut target, own);
    }
    dot(&target, &target)
}

/// Takes off what lies along a unit vector.
fn take_off(vector: &mut [f64], unit: &[f64]) {
    let along = dot(vector, unit);
    vector
        .iter_mut()
        .zip(unit)
        .for_each(|(v, u)| *v -= along * u);
}

/// Robust regression: Tukey biweight by iterated reweighting, scale from the median
/// absolute residual; the covariance is the cluster-robust one, rows of one `cluster` being
/// dependent (Liang & Zeger 1986; small-sample factor G/(G−1)·(n−1)/(n−p)).
pub fn robust_clustered(
    columns: &[Vec<f64>],
    y: &[f64],
    weights: &[f64],
    clusters: &[usize],
) -> Option<Regression> {
    let mut now = weights.to_vec();
    let mut fit = least_squares(columns, y, &now)?;
    for _ in 0..ROUNDS {
        let mut sizes: Vec<f64> = fit
            .residuals
            .iter()
            .zip(weights)
            .map(|(r, w)| r.abs() * w.sqrt())
            .collect();
        let middle = sizes.len() / 2;
        let (_, median, _) = sizes.select_nth_unstable_by(middle, f64::total_cmp);
        let scale = *median / 0.674_489_75;
        if scale <= 0.0 {
            break;
        }
        for ((now, w), r) in now.iter_mut().zip(weights).zip(&fit.residuals) {
            let u = r * w.sqrt() / (BIWEIGHT * scale);
            *now = if u.abs() < 1.0 {
                w * (1.0 - u * u).powi(2)
            } else {
                0.0
            };
        }
        match least_squares(columns, y, &now) {
            Some(better) => fit = better,
            None => break,
        }
    }
    fit.covariance = sandwich(columns, &fit, clusters)?;
    Some(fit)
}

fn sandwich(columns: &[Vec<f64>], fit: &Regression, clusters: &[usize]) -> Option<DMatrix<f64>> {
    let (n, p) = (fit.residuals.len(), columns.len());
    let bread = DMatrix::from_fn(p, p, |j, k| {
        (0..n)
            .map(|i| fit.weights[i] * columns[j][i] * columns[k][i])
            .sum::<f64>()
    });
    // Scaled before inverting: the columns may be of very different size.
    let scale: Vec<f64> = (0..p).map(|j| bread[(j, j)].sqrt()).collect();
    let scaled = DMatrix::from_fn(p, p, |j, k| bread[(j, k)] / (scale[j] * scale[k]));
    let inverse = scaled.try_inverse()?;
    let inverse = DMatrix::from_fn(p, p, |j, k| inverse[(j, k)] / (scale[j] * scale[k]));
    let groups = clusters.iter().copied().max().map_or(0, |m| m + 1);
    let mut scores = vec![DVector::<f64>::zeros(p); groups];
    for i in 0..n {
        for j in 0..p {
            scores[clusters[i]][j] += fit.weights[i] * columns[j][i] * fit.residuals[i];
        }
    }
    let used = scores.iter().filter(|s| s.norm() > 0.0).count();
    let mut meat = DMatrix::zeros(p, p);
    for score in &scores {
        meat += score * score.transpose();
    }
    let g = used.max(2) as f64;
    let factor = g / (g - 1.0) * (n.max(2) - 1) as f64 / n.saturating_sub(p).max(1) as f64;
    Some(&inverse * meat * &inverse * factor)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_plane_is_found_and_outliers_are_ignored() {
        let n = 60;
        let x: Vec<f64> = (0..n).map(f64::from).collect();
        let z: Vec<f64> = (0..n).map(|i| (f64::from(i) * 1.7).sin()).collect();
        let mut y: Vec<f64> = x
            .iter()
            .zip(&z)
            .map(|(x, z)| 3.0 + 0.5 * x - 2.0 * z)
            .collect();
        let columns = vec![vec![1.0; n as usize], x, z];
        let weights = vec![1.0; n as usize];
        let plain = least_squares(&columns, &y, &weights).unwrap();
        assert!((plain.coefficients[2] + 2.0).abs() < 1e-10);
        for i in (0..n as usize).step_by(7) {
            y[i] += 50.0;
        }
        for (i, v) in y.iter_mut().enumerate() {
            *v += 1e-3 * (i as f64 * 2.3).cos();
        }
        let clusters: Vec<usize> = (0..n as usize).map(|i| i / 6).collect();
        let robust = robust_clustered(&columns, &y, &weights, &clusters).unwrap();
        assert!(
            (robust.coefficients[1] - 0.5).abs() < 1e-3,
            "{:?}",
            robust.coefficients
        );
        assert!((robust.coefficients[2] + 2.0).abs() < 1e-2);
    }

    #[test]
    fn residual_squares_are_those_of_the_whole_solution() {
        let n = 57;
        let x: Vec<f64> = (0..n).map(f64::from).collect();
        let near: Vec<f64> = x.iter().map(|x| 1e4 + x + 1e-3 * (x * 0.7).sin()).collect();
        let y: Vec<f64> = x.iter().map(|x| 5.0 - x + (x * 1.3).cos()).collect();
        let columns = vec![vec![1.0; n as usize], x, near];
        let whole = least_squares(&columns, &y, &vec![1.0; n as usize]).unwrap();
        let alone = residual_squares(columns, y);
        assert!(
            (alone / whole.rss - 1.0).abs() < 1e-9,
            "{alone} {}",
            whole.rss
        );
        let twice = vec![vec![1.0; 9], vec![2.0; 9]];
        assert!(residual_squares(twice, vec![1.0; 9]).is_infinite());
    }

    #[test]
    fn columns_that_cannot_be_told_apart_are_refused() {
        let a: Vec<f64> = (0..10).map(f64::from).collect();
        let b: Vec<f64> = a.iter().map(|v| 2.0 * v).collect();
        assert!(least_squares(&[a.clone(), b], &a, &[1.0; 10]).is_none());
    }
}
