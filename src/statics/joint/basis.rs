//! Speeds between which the hydraulic force of one direction runs straight.

/// Nodes of one direction: hat functions of speed, nought at rest.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SpeedNodes {
    /// Speeds, m/s, rising; rest itself is not among them.
    pub(crate) speeds: Vec<f64>,
    /// Distance of neighbours on the logarithmic scale below, the one from rest first.
    spacing: f64,
    /// Speed where the scale turns from even to logarithmic, m/s.
    turn: f64,
}

/// Pieces of one direction.
const PIECES: usize = 56;
/// The scale turns from even to logarithmic at this share of the largest speed.
const TURN: f64 = 1.0 / 60.0;
/// Slopes wander evenly on a scale that turns at this many times that speed: below the first
/// valve that opens there is little to bend a curve.
const CALM: f64 = 6.0;

impl SpeedNodes {
    /// Nodes up to `top` m/s, crowding towards rest, where bleeds and knees are.
    pub(crate) fn new(top: f64) -> Self {
        let turn = TURN * top;
        let spacing = (1.0 + top / turn).ln() / PIECES as f64;
        let speeds = (1..=PIECES)
            .map(|j| turn * (spacing * j as f64).exp_m1())
            .collect();
        Self {
            speeds,
            spacing,
            turn,
        }
    }

    /// How many.
    pub(crate) fn len(&self) -> usize {
        self.speeds.len()
    }

    /// The node at or above `speed` and its share there; the one below has the rest (rest
    /// itself below the first). Speeds beyond the last node go along the last piece.
    pub(crate) fn place(&self, speed: f64) -> (usize, f64) {
        let scaled = (speed / self.turn).ln_1p() / self.spacing;
        let upper = (scaled.floor().max(0.0) as usize).min(PIECES - 1);
        let low = if upper == 0 {
            0.0
        } else {
            self.speeds[upper - 1]
        };
        (upper, (speed - low) / (self.speeds[upper] - low))
    }

    /// Width of the piece that ends at a node, m/s.
    pub(crate) fn width(&self, node: usize) -> f64 {
        let low = if node == 0 {
            0.0
        } else {
            self.speeds[node - 1]
        };
        self.speeds[node] - low
    }

    /// Each bend's weights on the forces at the nodes: the change of slope at node `j`
    /// over the root of the distance to the next, so that slopes wander evenly on that scale.
    /// `(first node, weights)`; a weight on rest is left out.
    pub(crate) fn bends(&self) -> Vec<[(usize, f64); 3]> {
        let even = |speed: f64| (speed / (CALM * self.turn)).ln_1p();
        (0..PIECES - 1)
            .map(|j| {
                let low = if j == 0 { 0.0 } else { self.speeds[j - 1] };
                let root = (0.5 * (even(self.speeds[j + 1]) - even(low))).sqrt();
                let (before, after) = (1.0 / self.width(j), 1.0 / self.width(j + 1));
                let below = if j == 0 {
                    (0, 0.0)
                } else {
                    (j - 1, before / root)
                };
                [below, (j, -(before + after) / root), (j + 1, after / root)]
            })
            .collect()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn places_add_up_to_the_speed() {
        let nodes = SpeedNodes::new(1.3);
        for speed in [1e-4, 0.004, 0.05, 0.3, 0.99, 1.3] {
            let (upper, share) = nodes.place(speed);
            let low = if upper == 0 {
                0.0
            } else {
                nodes.speeds[upper - 1]
            };
            let back = share * nodes.speeds[upper] + (1.0 - share) * low;
            assert!((back - speed).abs() < 1e-12);
            assert!((-1e-9..=1.0 + 1e-9).contains(&share));
        }
        assert!((nodes.speeds[nodes.len() - 1] - 1.3).abs() < 1e-12);
    }

    #[test]
    fn a_straight_line_has_no_bends() {
        let nodes = SpeedNodes::new(0.8);
        for bend in nodes.bends() {
            let sum: f64 = bend.iter().map(|(j, w)| w * nodes.speeds[*j]).sum();
            assert!(sum.abs() < 1e-9, "{sum}");
        }
    }
}
