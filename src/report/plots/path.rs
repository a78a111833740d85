//! Thinning lines before they are drawn.

/// The largest distance a thinned line may keep from the true one, px. A quarter pixel
/// cannot be seen at 2×.
const TOLERANCE_PX: f64 = 0.2;

/// Points of a line that matter, places in px: the classic split at the farthest point
/// (Ramer 1972; Douglas and Peucker 1973). Not-finite points are left out.
pub(super) fn thin(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let points: Vec<(f64, f64)> = points
        .iter()
        .copied()
        .filter(|p| p.0.is_finite() && p.1.is_finite())
        .collect();
    if points.len() < 3 {
        return points;
    }
    let mut keep = vec![false; points.len()];
    let last = points.len() - 1;
    keep[0] = true;
    keep[last] = true;
    let mut open = vec![(0, last)];
    while let Some((a, b)) = open.pop() {
        let far = (a + 1..b)
            .map(|i| (i, distance(points[i], points[a], points[b])))
            .max_by(|p, q| p.1.total_cmp(&q.1));
        if let Some((i, d)) = far.filter(|f| f.1 > TOLERANCE_PX) {
            debug_assert!(d.is_finite());
            keep[i] = true;
            open.push((a, i));
            open.push((i, b));
        }
    }
    points
        .into_iter()
        .zip(keep)
        .filter_map(|(p, kept)| kept.then_some(p))
        .collect()
}

/// Distance of `p` from the stretch between `a` and `b`.
fn distance(p: (f64, f64), a: (f64, f64), b: (f64, f64)) -> f64 {
    let (dx, dy) = (b.0 - a.0, b.1 - a.1);
    let length = dx * dx + dy * dy;
    let along = if length > 0.0 {
        (((p.0 - a.0) * dx + (p.1 - a.1) * dy) / length).clamp(0.0, 1.0)
    } else {
        0.0
    };
    (p.0 - a.0 - along * dx).hypot(p.1 - a.1 - along * dy)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_straight_line_keeps_its_ends_and_a_loop_its_shape() {
        let line: Vec<_> = (0..100)
            .map(|i| (f64::from(i), 2.0 * f64::from(i)))
            .collect();
        assert_eq!(thin(&line), vec![(0.0, 0.0), (99.0, 198.0)]);
        let circle: Vec<_> = (0..=512)
            .map(|i| {
                let a = f64::from(i) / 512.0 * std::f64::consts::TAU;
                (200.0 * a.cos(), 200.0 * a.sin())
            })
            .collect();
        let thinned = thin(&circle);
        assert!((40..200).contains(&thinned.len()), "{}", thinned.len());
        for p in thinned {
            assert!((p.0.hypot(p.1) - 200.0).abs() < 1e-9);
        }
    }
}
