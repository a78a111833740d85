//! Sums and extremes of long arrays, kept in several lanes: a single running sum makes the
//! processor wait for every addition. The order of the sums is fixed by the length alone.

/// Lanes of a sum.
const LANES: usize = 8;

/// `Σ (aᵢ − bᵢ)²`.
pub fn sum_of_squared_gaps(a: &[f64], b: &[f64]) -> f64 {
    sum_of(a, b, |a, b| (a - b) * (a - b))
}

/// `Σ aᵢ·bᵢ`.
pub(super) fn dot(a: &[f64], b: &[f64]) -> f64 {
    sum_of(a, b, |a, b| a * b)
}

#[inline]
fn sum_of(a: &[f64], b: &[f64], term: impl Fn(f64, f64) -> f64) -> f64 {
    let n = a.len().min(b.len());
    let ((a, a_rest), (b, b_rest)) = (a[..n].as_chunks::<LANES>(), b[..n].as_chunks::<LANES>());
    let mut sums = [0.0; LANES];
    for (a, b) in a.iter().zip(b) {
        for lane in 0..LANES {
            sums[lane] += term(a[lane], b[lane]);
        }
    }
    let rest: f64 = a_rest.iter().zip(b_rest).map(|(a, b)| term(*a, *b)).sum();
    sums.iter().sum::<f64>() + rest
}

/// Smallest and largest value, (∞, −∞) of none. A value that is not a number is passed over.
pub fn range_of(values: &[f64]) -> (f64, f64) {
    let (lanes, rest) = values.as_chunks::<LANES>();
    let (mut low, mut high) = ([f64::INFINITY; LANES], [f64::NEG_INFINITY; LANES]);
    let widen = |value: f64, low: &mut f64, high: &mut f64| {
        *low = if value < *low { value } else { *low };
        *high = if value > *high { value } else { *high };
    };
    for values in lanes {
        for lane in 0..LANES {
            widen(values[lane], &mut low[lane], &mut high[lane]);
        }
    }
    for (lane, value) in rest.iter().enumerate() {
        widen(*value, &mut low[lane], &mut high[lane]);
    }
    (
        low.into_iter().fold(f64::INFINITY, f64::min),
        high.into_iter().fold(f64::NEG_INFINITY, f64::max),
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lanes_agree_with_the_plain_way() {
        for n in [0, 1, 7, 8, 9, 64, 101] {
            let a: Vec<f64> = (0..n).map(|i| (f64::from(i) * 1.3).sin()).collect();
            let b: Vec<f64> = (0..n).map(|i| (f64::from(i) * 0.7).cos()).collect();
            let gaps: f64 = a.iter().zip(&b).map(|(a, b)| (a - b).powi(2)).sum();
            assert!((sum_of_squared_gaps(&a, &b) - gaps).abs() < 1e-13);
            let products: f64 = a.iter().zip(&b).map(|(a, b)| a * b).sum();
            assert!((dot(&a, &b) - products).abs() < 1e-13);
            let low = a.iter().copied().fold(f64::INFINITY, f64::min);
            let high = a.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            assert_eq!(range_of(&a), (low, high));
        }
        assert_eq!(range_of(&[f64::NAN, 2.0, 1.0]), (1.0, 2.0));
    }
}
