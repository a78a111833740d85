//! Forces of a target as a person writes them: those that resist, or with the signs of a curve
//! that prints rebound negative.

use super::target::{Limits, TargetPoint};

/// Limits written by their size (`min = -1500`, `max = -1800`), the lower first.
pub(super) fn in_order(limits: Limits) -> Limits {
    match limits {
        [Some(a), Some(b)] if a < 0.0 && b < 0.0 && a > b => [Some(b), Some(a)],
        other => other,
    }
}

/// Middle of what is wanted at a point.
fn middle(point: &TargetPoint) -> f64 {
    let [low, high] = point.limits_n;
    let limits = match (low, high) {
        (Some(a), Some(b)) => f64::midpoint(a, b),
        (a, b) => a.or(b).unwrap_or(0.0),
    };
    point.force_n.unwrap_or(limits)
}

/// Turns a list that has its fastest force negative into forces that resist (a damper
/// resists at its fastest speed, whatever its gas does at slow ones); true if it was.
pub(super) fn turn_to_resisting(points: &mut [(TargetPoint, usize)]) -> bool {
    let negative = points.last().is_some_and(|(p, _)| middle(p) < 0.0);
    if negative {
        for (point, _) in points {
            point.force_n = point.force_n.map(|f| -f);
            let [low, high] = point.limits_n;
            point.limits_n = [high.map(|h| -h), low.map(|l| -l)];
        }
    }
    negative
}

/// A force that gas makes not resist is at most this share of the fastest (by feel).
const GAS: f64 = 1.0 / 3.0;

/// Line of a force that does not resist though a slower one does, or by more than gas makes.
pub(super) fn both_signs(points: &[(TargetPoint, usize)]) -> Option<usize> {
    let most = GAS * points.last().map_or(0.0, |(p, _)| middle(p).abs());
    let mut resisted = false;
    for (point, at) in points {
        let force = middle(point);
        resisted |= force > 0.0;
        if force < 0.0 && (resisted || force < -most) {
            return Some(*at);
        }
    }
    None
}

#[cfg(test)]
mod tests {
    use super::super::target::Target;

    /// A curve with signs prints rebound negative: the same limits, whichever way they are
    /// written; gas that pushes the rod out at slow speed changes nothing.
    #[test]
    fn rebound_may_be_written_negative() {
        let of = |text: &str| Target::parse(text, 10.0);
        let plain = of("[[rebound]]\nvelocity = 0.01\nforce = -80\n[[rebound]]\nvelocity = 0.5\nmin = 1500\nmax = 1800\n").unwrap();
        for (min, max) in [(-1800, -1500), (-1500, -1800)] {
            let signed = of(&format!(
                "[[rebound]]\nvelocity = 0.01\nforce = 80\n[[rebound]]\nvelocity = 0.5\nmin = {min}\nmax = {max}\n"
            ))
            .unwrap();
            assert_eq!(signed.curve, plain.curve);
            assert!(signed.written_negative.rebound && !plain.written_negative.rebound);
            assert!(signed.signed_note().is_some() && plain.signed_note().is_none());
        }
        let one = of("[[rebound]]\nvelocity = 0.5\nmax = -1500\n").unwrap();
        assert_eq!(one.curve.rebound[0].limits_n, [Some(1500.0), None]);
        let mixed = "[[rebound]]\nvelocity = 0.1\nforce = 900\n[[rebound]]\nvelocity = 0.5\nforce = -1700\n";
        let wrong = "[[rebound]]\nvelocity = 0.1\nforce = 900\n[[rebound]]\nvelocity = 0.3\nforce = -1300\n\
                     [[rebound]]\nvelocity = 0.5\nforce = 1700\n";
        for text in [mixed, wrong] {
            let said = of(text).unwrap_err().problems[0].message.clone();
            assert!(said.contains("both signs"), "{said}");
        }
    }
}
