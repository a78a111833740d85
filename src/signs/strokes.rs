//! Strokes of the first samples, cut well enough to sum work over whole cycles.

use crate::recording::Chunk;
use crate::signal::range_of;

/// Share of a segment's travel range that travel must come back by before a turn counts.
const TURN_SHARE: f64 = 0.2;

/// Strokes shorter than this share of the longest are ramps or rests, and left out.
const LEAST_STROKE_SHARE: f64 = 0.2;

/// The collected samples, file's own signs.
#[derive(Debug, Clone, Default)]
pub(super) struct Series {
    pub(super) time: Vec<f64>,
    pub(super) travel: Vec<f64>,
    pub(super) force: Vec<f64>,
    /// Where segments begin.
    seams: Vec<usize>,
}

/// From one turn to the next: samples `from..=to`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Stroke {
    pub(super) from: usize,
    pub(super) to: usize,
    pub(super) rising: bool,
    pub(super) length: f64,
}

impl Series {
    pub(super) fn len(&self) -> usize {
        self.travel.len()
    }

    pub(super) fn add(&mut self, chunk: &Chunk, most: usize) {
        let room = most.saturating_sub(self.len());
        let take = room.min(chunk.len());
        if chunk.starts_segment.is_some() {
            self.seams.push(self.len());
        }
        self.time.extend(chunk.time.iter().take(take));
        self.travel.extend(chunk.travel.iter().take(take));
        self.force.extend(chunk.force.iter().take(take));
    }

    fn segments(&self) -> Vec<(usize, usize)> {
        let mut edges = vec![0];
        edges.extend(self.seams.iter().copied());
        edges.push(self.len());
        edges.dedup();
        edges
            .windows(2)
            .filter_map(|w| match w {
                [a, b] if b - a > 2 => Some((*a, *b)),
                _ => None,
            })
            .collect()
    }

    /// Whole strokes of all segments, turn to turn.
    pub(super) fn strokes(&self) -> Vec<Stroke> {
        let mut all = Vec::new();
        for (from, to) in self.segments() {
            self.strokes_between(from, to, &mut all);
        }
        let longest = all.iter().map(|s| s.length).fold(0.0, f64::max);
        all.retain(|s| s.length >= LEAST_STROKE_SHARE * longest);
        all
    }

    fn strokes_between(&self, from: usize, to: usize, out: &mut Vec<Stroke>) {
        let Some(travel) = self.travel.get(from..to) else {
            return;
        };
        let (low, high) = range_of(travel);
        let threshold = TURN_SHARE * (high - low);
        if threshold.is_nan() || threshold <= 0.0 {
            return;
        }
        let mut turns: Vec<(usize, f64)> = Vec::new();
        let Some(first) = travel.first() else { return };
        let (mut top, mut bottom) = ((0, *first), (0, *first));
        let mut rising: Option<bool> = None;
        for (i, &x) in travel.iter().enumerate() {
            if x > top.1 {
                top = (i, x);
            }
            if x < bottom.1 {
                bottom = (i, x);
            }
            if rising != Some(false) && top.1 - x > threshold {
                turns.push(top);
                rising = Some(false);
                bottom = (i, x);
            } else if rising != Some(true) && x - bottom.1 > threshold {
                turns.push(bottom);
                rising = Some(true);
                top = (i, x);
            }
        }
        // The first "turn" may be where the recording starts: a stroke cut short, left out.
        for pair in turns.windows(2).skip(1) {
            if let [a, b] = pair {
                out.push(Stroke {
                    from: from + a.0,
                    to: from + b.0,
                    rising: b.1 > a.1,
                    length: (b.1 - a.1).abs(),
                });
            }
        }
        if turns.len() == 2
            && let [a, b] = turns.as_slice()
        {
            out.push(Stroke {
                from: from + a.0,
                to: from + b.0,
                rising: b.1 > a.1,
                length: (b.1 - a.1).abs(),
            });
        }
    }

    /// ∮F dx over samples `from..=to`, closed by a straight line, and the area of its box.
    pub(super) fn loop_area(&self, from: usize, to: usize) -> (f64, f64) {
        let (Some(x), Some(f)) = (self.travel.get(from..=to), self.force.get(from..=to)) else {
            return (0.0, 0.0);
        };
        let mut energy = 0.0;
        for (xs, fs) in x.windows(2).zip(f.windows(2)) {
            if let ([x0, x1], [f0, f1]) = (xs, fs) {
                energy += 0.5 * (f0 + f1) * (x1 - x0);
            }
        }
        if let (Some(x0), Some(x1), Some(f0), Some(f1)) = (x.first(), x.last(), f.first(), f.last())
        {
            energy += 0.5 * (f0 + f1) * (x0 - x1);
        }
        let extent = |v: &[f64]| {
            let (low, high) = range_of(v);
            high - low
        };
        (energy, extent(x) * extent(f))
    }
}
