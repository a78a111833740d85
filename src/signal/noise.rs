//! How noisy and how coarse a channel is.

/// Standard deviation of white noise on a smooth signal, from fourth differences: the
/// median absolute value, scaled for a normal distribution. A smooth signal of N samples a
/// period leaks only (2π/N)⁴ of its amplitude into it. `None` with fewer than 16 samples.
pub fn noise_of(values: &[f64]) -> Option<f64> {
    if values.len() < 16 {
        return None;
    }
    let mut differences: Vec<f64> = values
        .windows(5)
        .map(|w| (w[0] - 4.0 * w[1] + 6.0 * w[2] - 4.0 * w[3] + w[4]).abs())
        .collect();
    if !differences.iter().fold(true, |all, d| all & d.is_finite()) {
        differences.retain(|d| d.is_finite());
    }
    if differences.is_empty() {
        return None;
    }
    let middle = differences.len() / 2;
    // Bits of numbers that are not negative have the numbers' order.
    let (_, median, _) = differences.select_nth_unstable_by_key(middle, |d| d.to_bits());
    // Σ of squared binomial weights is 70; 0.6745 is the normal quartile.
    Some(*median / (70.0_f64.sqrt() * 0.674_489_75))
}

/// Smallest step between different neighbouring values: the resolution of a quantised
/// channel. `None` if all values are equal.
pub fn quantum_of(values: &[f64]) -> Option<f64> {
    let smallest = values
        .windows(2)
        .map(|w| (w[1] - w[0]).abs())
        .filter(|d| *d > 0.0 && d.is_finite())
        .fold(f64::INFINITY, f64::min);
    smallest.is_finite().then_some(smallest)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_clean_sine_is_nearly_noiseless() {
        let x: Vec<f64> = (0..2000).map(|i| (i as f64 * 0.03).sin()).collect();
        assert!(noise_of(&x).unwrap() < 1e-6);
    }

    #[test]
    fn alternating_noise_is_seen() {
        let x: Vec<f64> = (0..2000)
            .map(|i| if i % 2 == 0 { 1.0 } else { -1.0 })
            .collect();
        assert!(noise_of(&x).unwrap() > 1.0);
    }
}
