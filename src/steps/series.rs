//! The record of cycles, bounded: neighbours are averaged once there are many.

use super::CycleSummary;

/// Blocks kept at most.
const MOST_BLOCKS: usize = 2048;

/// Summaries in order; each block stands for `size` cycles, the last for fewer.
#[derive(Debug, Default)]
pub(super) struct Series {
    blocks: Vec<CycleSummary>,
    size: u32,
}

impl Series {
    pub(super) fn push(&mut self, summary: CycleSummary) {
        let size = self.size.max(1);
        match self.blocks.last_mut() {
            Some(last) if last.count < size => *last = merge(last, &summary),
            _ => self.blocks.push(summary),
        }
        if self.blocks.len() >= MOST_BLOCKS && self.blocks.last().is_some_and(|b| b.count >= size) {
            self.blocks = self
                .blocks
                .chunks(2)
                .map(|pair| {
                    pair.get(1)
                        .map_or(pair[0], |second| merge(&pair[0], second))
                })
                .collect();
            self.size = size * 2;
        }
    }

    /// Puts the first cycles in front.
    pub(super) fn prepend(&mut self, head: &[CycleSummary]) {
        self.blocks.splice(0..0, head.iter().copied());
    }

    pub(super) fn into_blocks(self) -> Vec<CycleSummary> {
        self.blocks
    }
}

/// Every second item, the first included.
pub(super) fn thin<T>(items: Vec<T>) -> Vec<T> {
    items.into_iter().step_by(2).collect()
}

/// Two neighbouring blocks as one.
pub(super) fn merge(a: &CycleSummary, b: &CycleSummary) -> CycleSummary {
    let (na, nb) = (f64::from(a.count), f64::from(b.count));
    let mean = |x: f64, y: f64| (x * na + y * nb) / (na + nb);
    let both = |x: Option<f64>, y: Option<f64>| match (x, y) {
        (Some(x), Some(y)) => Some(mean(x, y)),
        (x, y) => x.or(y),
    };
    CycleSummary {
        first: a.first,
        count: a.count + b.count,
        start_s: a.start_s,
        period_s: mean(a.period_s, b.period_s),
        stroke_m: mean(a.stroke_m, b.stroke_m),
        energy_j: mean(a.energy_j, b.energy_j),
        energy_compression_j: mean(a.energy_compression_j, b.energy_compression_j),
        energy_rebound_j: mean(a.energy_rebound_j, b.energy_rebound_j),
        force_compression_n: mean(a.force_compression_n, b.force_compression_n),
        force_rebound_n: mean(a.force_rebound_n, b.force_rebound_n),
        force_at_turns_n: mean(a.force_at_turns_n, b.force_at_turns_n),
        lost_compression_m: both(a.lost_compression_m, b.lost_compression_m),
        lost_rebound_m: both(a.lost_rebound_m, b.lost_rebound_m),
        temperature_c: both(a.temperature_c, b.temperature_c),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_million_cycles_stay_few_blocks_with_the_right_mean() {
        let mut series = Series::default();
        for i in 0..1_000_000_u64 {
            series.push(CycleSummary {
                first: i,
                count: 1,
                energy_j: i as f64,
                ..Default::default()
            });
        }
        let blocks = series.into_blocks();
        assert!(blocks.len() <= MOST_BLOCKS);
        let n: f64 = blocks.iter().map(|b| f64::from(b.count)).sum();
        let sum: f64 = blocks.iter().map(|b| f64::from(b.count) * b.energy_j).sum();
        assert!((n - 1e6).abs() < 0.5);
        assert!((sum / n - 499_999.5).abs() < 1e-6);
    }
}
