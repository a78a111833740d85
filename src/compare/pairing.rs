//! The pairing of many dampers with the least total mismatch, by an exact matching of
//! greatest cardinality and least weight in a general graph (Edmonds 1965, Canadian J.
//! Math. 17:449–467; Galil 1986, ACM Computing Surveys 18:23–38).

use mwmatching::{Matching, SENTINEL};

/// Largest integer weight. The solver's dual variables stay below four times this, which a
/// 32-bit integer holds.
const TOP_WEIGHT: f64 = 1e8;

/// Pairs `n` items so that as many as possible are paired and, among those pairings, the
/// sum of `cost` is least. `cost(i, j)` with `i < j` is `None` where the two may not be
/// paired; costs are not negative. Exact to one part in 10⁸ of the largest cost. Pairs come
/// lower index first, in order.
pub fn least_total(n: usize, cost: impl Fn(usize, usize) -> Option<f64>) -> Vec<(usize, usize)> {
    let mut edges = Vec::new();
    for i in 0..n {
        for j in i + 1..n {
            if let Some(c) = cost(i, j).filter(|c| c.is_finite() && *c >= 0.0) {
                edges.push((i, j, c));
            }
        }
    }
    let top = edges.iter().map(|e| e.2).fold(0.0, f64::max);
    let scale = if top > 0.0 { TOP_WEIGHT / top } else { 0.0 };
    // The heaviest matching of the complements is the lightest of the costs, since all
    // pairings of greatest cardinality have as many edges.
    let weighted: Vec<(usize, usize, i32)> = edges
        .iter()
        .map(|(i, j, c)| (*i, *j, (TOP_WEIGHT - (c * scale).round()) as i32))
        .collect();
    if weighted.is_empty() {
        return Vec::new();
    }
    let mates = Matching::new(weighted).max_cardinality().solve();
    mates
        .iter()
        .enumerate()
        .filter(|(i, mate)| **mate != SENTINEL && i < *mate)
        .map(|(i, mate)| (i, *mate))
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::{RngExt as _, SeedableRng as _};

    /// Least total over all pairings of greatest cardinality, by trying every one.
    fn brute(n: usize, cost: &dyn Fn(usize, usize) -> Option<f64>) -> (usize, f64) {
        fn go(free: &[usize], cost: &dyn Fn(usize, usize) -> Option<f64>) -> (usize, f64) {
            let Some((first, rest)) = free.split_first() else {
                return (0, 0.0);
            };
            let mut best = go(rest, cost);
            for (k, other) in rest.iter().enumerate() {
                let Some(c) = cost(*first, *other) else {
                    continue;
                };
                let mut left = rest.to_vec();
                left.remove(k);
                let (pairs, sum) = go(&left, cost);
                let found = (pairs + 1, sum + c);
                if found.0 > best.0 || (found.0 == best.0 && found.1 < best.1) {
                    best = found;
                }
            }
            best
        }
        go(&(0..n).collect::<Vec<_>>(), cost)
    }

    #[test]
    fn brute_force_finds_nothing_better_for_up_to_eight() {
        let mut rng = rand_chacha::ChaCha8Rng::seed_from_u64(8);
        for case in 0..600 {
            let n = 2 + case % 7;
            let allowed = if case % 3 == 0 { 1.0 } else { 0.6 };
            let table: Vec<Vec<Option<f64>>> = (0..n)
                .map(|_| {
                    (0..n)
                        .map(|_| {
                            let c: f64 = rng.random_range(0.0..20.0);
                            // Coarse costs make ties and blossoms.
                            let c = if case % 2 == 0 { c.round() } else { c };
                            (rng.random_range(0.0..1.0) < allowed).then_some(c)
                        })
                        .collect()
                })
                .collect();
            let cost = |i: usize, j: usize| table[i][j];
            let pairs = least_total(n, cost);
            let sum: f64 = pairs.iter().map(|(i, j)| cost(*i, *j).unwrap()).sum();
            let (count, best) = brute(n, &cost);
            assert_eq!(pairs.len(), count, "case {case}");
            assert!(
                (sum - best).abs() < 1e-5,
                "case {case}: {sum} against {best}"
            );
        }
    }

    #[test]
    fn nothing_to_pair_is_no_pair() {
        assert!(least_total(0, |_, _| Some(1.0)).is_empty());
        assert!(least_total(1, |_, _| Some(1.0)).is_empty());
        assert!(least_total(4, |_, _| None).is_empty());
        assert_eq!(least_total(4, |_, _| Some(0.0)).len(), 2);
    }
}
