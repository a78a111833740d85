//! Spikes: one or two samples of force far off both their neighbourhood and the noise.

/// Takes out spikes of one or two samples.
#[derive(Debug, Clone, Copy)]
pub struct Despiker {
    /// Smallest jump that can be a spike, N.
    floor: f64,
}

/// A spike must stand out by this many times the noise …
const NOISE_FACTOR: f64 = 12.0;
/// … by this share of the force range …
const RANGE_SHARE: f64 = 0.05;
/// … and by this many times the spread of the four samples around it, so that a steep but
/// real flank is left alone.
const NEIGHBOUR_FACTOR: f64 = 4.0;
/// Samples looked over at once.
const BLOCK: usize = 32;

impl Despiker {
    /// For a channel of this noise (standard deviation) and range, N.
    pub fn new(noise: f64, range: f64) -> Self {
        Self {
            floor: (NOISE_FACTOR * noise).max(RANGE_SHARE * range),
        }
    }

    /// Replaces spikes by the straight line between their neighbours; returns how many
    /// samples were replaced.
    pub fn clean(&self, force: &mut [f64]) -> u32 {
        let n = force.len();
        let mut replaced = 0;
        if n < 6 || self.floor <= 0.0 {
            return 0;
        }
        let mut from = 2;
        while let Some(i) = self.suspect(force, from) {
            for width in 1..=2 {
                if self.is_spike(force, i, width) {
                    let (before, after) = (force[i - 1], force[i + width]);
                    for k in 0..width {
                        let share = (k + 1) as f64 / (width + 1) as f64;
                        force[i + k] = before + (after - before) * share;
                    }
                    replaced += width as u32;
                    break;
                }
            }
            from = i + 1;
        }
        replaced
    }

    /// The first place at or after `from` where a spike could begin.
    pub fn suspect(&self, force: &[f64], from: usize) -> Option<usize> {
        // A sample no further than this from the next, nor that from its next, lies within
        // `floor` of any middle of neighbours: the mean of two values is no further off than
        // their distances' mean.
        let close = self.floor * (2.0 / 3.0) * (1.0 - 1e-9);
        let end = force.len().saturating_sub(3);
        let mut from = from.max(2);
        while from < end {
            let to = end.min(from + BLOCK);
            if let Some(block) = force.get(from - 1..from + BLOCK + 2) {
                let far = |any, pair: &[f64]| any | ((pair[1] - pair[0]).abs() > close);
                if !block.windows(2).fold(false, far) {
                    from = to;
                    continue;
                }
            }
            if let Some(i) = (from..to).find(|&i| self.stands_out(force, i)) {
                return Some(i);
            }
            from = to;
        }
        None
    }

    /// Whether a spike of one or two samples could begin here: cheap, and never wrong when
    /// it says no.
    fn stands_out(&self, force: &[f64], i: usize) -> bool {
        let floor = self.floor * (1.0 - 1e-9);
        let here = force[i];
        let one = (here - 0.5 * (force[i - 1] + force[i + 1])).abs();
        let two = (here - 0.5 * (force[i - 1] + force[i + 2])).abs();
        one > floor || two > floor
    }

    fn is_spike(&self, force: &[f64], i: usize, width: usize) -> bool {
        let (before, after) = (force[i - 1], force[i + width]);
        let middle = f64::midpoint(before, after);
        let jump = (0..width)
            .map(|k| (force[i + k] - middle).abs())
            .fold(f64::INFINITY, f64::min);
        if jump <= self.floor {
            return false;
        }
        let same_side = (0..width).all(|k| (force[i + k] > middle) == (force[i] > middle));
        let Some(&further) = force.get(i + width + 1) else {
            return false;
        };
        let around = [force[i - 2], before, after, further];
        let (low, high) = around
            .iter()
            .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &v| {
                (l.min(v), h.max(v))
            });
        same_side && jump > NEIGHBOUR_FACTOR * (high - low)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_spike_goes_and_a_flank_stays() {
        let mut force: Vec<f64> = (0..100)
            .map(|i| (f64::from(i) * 0.06).sin() * 1000.0)
            .collect();
        let clean = force.clone();
        force[40] += 900.0;
        force[70] = -5000.0;
        force[71] = -5000.0;
        assert_eq!(Despiker::new(1.0, 2000.0).clean(&mut force), 3);
        for (a, b) in force.iter().zip(&clean) {
            assert!((a - b).abs() < 10.0);
        }
        let mut flank: Vec<f64> = (0..60)
            .map(|i| if i < 30 { -800.0 } else { 800.0 })
            .collect();
        assert_eq!(Despiker::new(1.0, 2000.0).clean(&mut flank), 0);
    }

    #[test]
    fn looking_over_blocks_misses_no_suspect() {
        let mut state = 3_u64;
        let mut next = || {
            state = state
                .wrapping_mul(6_364_136_223_846_793_005)
                .wrapping_add(1);
            (state >> 40) as f64 / f64::from(1 << 24)
        };
        for _ in 0..300 {
            let n = (next() * 200.0) as usize;
            let force: Vec<f64> = (0..n)
                .map(|_| {
                    if next() < 0.02 {
                        500.0 * next()
                    } else {
                        60.0 * next()
                    }
                })
                .collect();
            let despiker = Despiker::new(0.0, 2000.0);
            let mut from = 2;
            for i in (2..n.saturating_sub(3)).filter(|&i| despiker.stands_out(&force, i)) {
                assert_eq!(despiker.suspect(&force, from), Some(i));
                from = i + 1;
            }
            assert_eq!(despiker.suspect(&force, from), None);
        }
    }
}
