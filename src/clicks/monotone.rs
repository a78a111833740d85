//! The nearest sequence that never falls.

/// Pool adjacent violators with equal weights (Ayer, Brunk, Ewing, Reid and Silverman, Ann.
/// Math. Stat. 26 (1955) 641): the least squares fit that never falls.
pub(super) fn rising(values: &[f64]) -> Vec<f64> {
    let mut blocks: Vec<(f64, usize)> = Vec::new();
    for &value in values {
        let mut block = (value, 1);
        while let Some(&(sum, n)) = blocks.last()
            && sum * block.1 as f64 >= block.0 * n as f64
        {
            block = (block.0 + sum, block.1 + n);
            blocks.pop();
        }
        blocks.push(block);
    }
    blocks
        .iter()
        .flat_map(|&(sum, n)| std::iter::repeat_n(sum / n as f64, n))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Each value against the max–min formula of isotonic regression, `max over i ≤ k of min
    /// over j ≥ k of mean(i..=j)` (Robertson, Wright and Dykstra, Order Restricted
    /// Statistical Inference (1988), theorem 1.4.4), and a case done by hand.
    #[test]
    fn pooled_values_are_those_of_the_max_min_formula() {
        assert_eq!(rising(&[1.0, 3.0, 2.0, 4.0]), [1.0, 2.5, 2.5, 4.0]);
        let values = [4.0, 2.0, 5.0, 5.0, 1.0, 6.0, 5.5, 9.0, 8.0, 8.5];
        let mean = |i: usize, j: usize| values[i..=j].iter().sum::<f64>() / (j - i + 1) as f64;
        let found = rising(&values);
        for (k, pooled) in found.iter().enumerate() {
            let wanted = (0..=k)
                .map(|i| {
                    (k..values.len())
                        .map(|j| mean(i, j))
                        .fold(f64::INFINITY, f64::min)
                })
                .fold(f64::NEG_INFINITY, f64::max);
            assert!((pooled - wanted).abs() < 1e-12, "{k}: {pooled} {wanted}");
        }
    }
}
