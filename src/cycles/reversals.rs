//! Reversals: where travel turns round.
//!
//! Two stages. A zigzag with a threshold of a few times the noise proposes turning points;
//! then ripple is taken out: a short run of small swings between two much larger ones
//! (servo ripple, a dwell at the end of the stroke) is not a stroke of its own. The second
//! stage is relative to its neighbours, so that a ladder may go from 100 mm to 5 mm strokes.

use std::collections::VecDeque;

/// Which way travel turns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Turn {
    /// At full extension: compression begins.
    Extended,
    /// At full compression: rebound begins.
    Compressed,
}

/// A turning point.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Reversal {
    /// Sample number since the segment began.
    pub at: u64,
    /// Time of that sample, s.
    pub time: f64,
    /// Travel there, m.
    pub travel: f64,
    /// Which way it turns.
    pub turn: Turn,
}

/// Swings smaller than this share of both neighbours are ripple. A fifth is far below any
/// stroke ratio within a ladder's neighbouring cycles and far above servo ripple (chosen
/// by feel; `ladders_of_unlike_strokes_survive` holds it).
const RIPPLE_SHARE: f64 = 0.2;

/// Turning points held back before they are handed on, so that ripple can still be seen.
const HELD_BACK: usize = 14;

/// Threshold of the zigzag: times the noise, times the resolution, share of the range.
const NOISE_FACTOR: f64 = 8.0;
const QUANTUM_FACTOR: f64 = 2.5;
const RANGE_SHARE: f64 = 0.005;

/// Finds reversals in a stream of travel samples.
#[derive(Debug, Clone)]
pub struct ReversalFinder {
    floor: f64,
    threshold: f64,
    seen: u64,
    lowest: f64,
    highest: f64,
    /// Lowest and highest sample since the last turning point; `None` before the first.
    candidates: Option<(Reversal, Reversal)>,
    heading: Option<Turn>,
    held: VecDeque<Reversal>,
}

impl ReversalFinder {
    /// A finder for a channel of the given noise and resolution, m.
    pub fn new(noise: f64, quantum: f64) -> Self {
        let floor = (NOISE_FACTOR * noise).max(QUANTUM_FACTOR * quantum);
        Self {
            floor,
            threshold: floor,
            seen: 0,
            lowest: f64::INFINITY,
            highest: f64::NEG_INFINITY,
            candidates: None,
            heading: None,
            held: VecDeque::new(),
        }
    }

    /// Forgets the segment; noise and range stay.
    pub fn restart(&mut self) {
        self.seen = 0;
        self.candidates = None;
        self.heading = None;
        self.held.clear();
    }

    /// Takes one sample; pushes reversals that are settled onto `out`.
    pub fn push(&mut self, time: f64, travel: f64, out: &mut Vec<Reversal>) {
        self.push_all(&[time], &[travel], out);
    }

    /// Takes samples; pushes reversals that are settled onto `out`. Most samples only go
    /// along with the stroke and are passed over quickly.
    pub fn push_all(&mut self, times: &[f64], travels: &[f64], out: &mut Vec<Reversal>) {
        let mut next = 0;
        let (mut low, mut high) = match self.candidates {
            Some(both) => both,
            None => {
                let (Some(&time), Some(&travel)) = (times.first(), travels.first()) else {
                    return;
                };
                next = 1;
                let first = |turn| Reversal {
                    at: self.seen,
                    time,
                    travel,
                    turn,
                };
                let both = (first(Turn::Extended), first(Turn::Compressed));
                self.widen(travel);
                self.seen += 1;
                both
            }
        };
        while next < travels.len() {
            let (gone, peak) = self.glide(&travels[next..], &low, &high);
            if let (Some(peak), Some(heading)) = (peak, self.heading) {
                let (moving, turn) = match heading {
                    Turn::Extended => (&mut high, Turn::Compressed),
                    Turn::Compressed => (&mut low, Turn::Extended),
                };
                *moving = Reversal {
                    at: self.seen + peak as u64,
                    time: times[next + peak],
                    travel: travels[next + peak],
                    turn,
                };
            }
            self.seen += gone as u64;
            next += gone;
            let (Some(&time), Some(&travel)) = (times.get(next), travels.get(next)) else {
                break;
            };
            next += 1;
            self.weigh(time, travel, (&mut low, &mut high), out);
        }
        self.candidates = Some((low, high));
    }

    /// Weighs one sample against both candidates.
    fn weigh(
        &mut self,
        time: f64,
        travel: f64,
        (low, high): (&mut Reversal, &mut Reversal),
        out: &mut Vec<Reversal>,
    ) {
        let at = self.seen;
        self.seen += 1;
        let here = move |turn| Reversal {
            at,
            time,
            travel,
            turn,
        };
        if travel < low.travel {
            *low = here(Turn::Extended);
            self.widen(travel);
        } else if travel > high.travel {
            *high = here(Turn::Compressed);
            self.widen(travel);
        }
        let rising = travel - low.travel > self.threshold && self.heading != Some(Turn::Extended);
        let falling =
            high.travel - travel > self.threshold && self.heading != Some(Turn::Compressed);
        if !(rising || falling) || self.threshold <= 0.0 {
            return;
        }
        if rising {
            self.hold(*low);
            self.heading = Some(Turn::Extended);
            *high = here(Turn::Compressed);
        } else {
            self.hold(*high);
            self.heading = Some(Turn::Compressed);
            *low = here(Turn::Extended);
        }
        while self.held.len() > HELD_BACK {
            out.extend(self.held.pop_front());
        }
    }

    /// How many samples from here on only go along with the stroke: none turns back by the
    /// threshold, passes the other candidate or widens the range. Also where the last new
    /// extreme among them is.
    fn glide(&self, travels: &[f64], low: &Reversal, high: &Reversal) -> (usize, Option<usize>) {
        let (far, near) = match self.heading {
            Some(Turn::Extended) => (high.travel, low.travel),
            Some(Turn::Compressed) => (-low.travel, -high.travel),
            None => return (0, None),
        };
        if self.threshold <= 0.0 {
            return (0, None);
        }
        if self.heading == Some(Turn::Extended) {
            glide(travels, |x| x, (near, far, self.highest), self.threshold)
        } else {
            glide(travels, |x| -x, (near, far, -self.lowest), self.threshold)
        }
    }

    /// Takes note of the range of travel, on which the threshold rests.
    fn widen(&mut self, travel: f64) {
        if travel < self.lowest || travel > self.highest {
            self.lowest = self.lowest.min(travel);
            self.highest = self.highest.max(travel);
            self.threshold = self.floor.max(RANGE_SHARE * (self.highest - self.lowest));
        }
    }

    /// Ends the segment: hands on what was held back and, as a last reversal, the extreme
    /// the record ends on if it comes back to where the same turn was before.
    pub fn finish(&mut self, out: &mut Vec<Reversal>) {
        let last = match (self.heading, self.candidates) {
            (Some(Turn::Extended), Some((_, high))) => Some(high),
            (Some(Turn::Compressed), Some((low, _))) => Some(low),
            _ => None,
        };
        if let Some(last) = last {
            // Held first, so that ripple before it goes; let go again if the record ends
            // somewhere in mid-stroke.
            self.hold(last);
            self.held.pop_back();
            let like = self
                .held
                .iter()
                .rev()
                .chain(out.iter().rev())
                .find(|r| r.turn == last.turn);
            let other = self.held.back().or(out.last());
            if let (Some(like), Some(other)) = (like, other) {
                let stroke = (like.travel - other.travel).abs();
                if (last.travel - like.travel).abs() < END_SHARE * stroke {
                    self.held.push_back(last);
                }
            }
        }
        out.extend(self.held.drain(..));
        self.restart();
    }

    fn hold(&mut self, reversal: Reversal) {
        self.held.push_back(reversal);
        self.drop_ripple();
    }

    /// Removes a run of small swings just before the newest swing, if both neighbours of
    /// the run are much larger and the run is short in time.
    fn drop_ripple(&mut self) {
        let n = self.held.len();
        if n < 4 {
            return;
        }
        let swing = |i: usize| (self.held[i + 1].travel - self.held[i].travel).abs();
        let newest = swing(n - 2);
        // Swings n-3, n-4, … are the run, as long as they are small beside the newest.
        let mut first = n - 2;
        let mut largest = 0.0_f64;
        while first > 0 && swing(first - 1) < RIPPLE_SHARE * newest {
            first -= 1;
            largest = largest.max(swing(first));
        }
        if first == n - 2 || first == 0 || largest > RIPPLE_SHARE * swing(first - 1) {
            return;
        }
        let span = |a: usize, b: usize| self.held[b].time - self.held[a].time;
        let large = span(first - 1, first) + span(n - 2, n - 1);
        if span(first, n - 2) > large {
            return;
        }
        // Points first..=n-2 bound the run. If the large swings go opposite ways, the most
        // extreme of the like-turning points stays; if they go the same way, none does.
        let turn = self.held[first].turn;
        let keep = if self.held[n - 2].turn == turn {
            (first..=n - 2)
                .filter(|&i| self.held[i].turn == turn)
                .max_by(|&a, &b| {
                    let (a, b) = (self.held[a].travel, self.held[b].travel);
                    match turn {
                        Turn::Compressed => a.total_cmp(&b),
                        Turn::Extended => b.total_cmp(&a),
                    }
                })
        } else {
            None
        };
        let kept = keep.map(|i| self.held[i]);
        let newest = self.held[n - 1];
        self.held.truncate(first);
        self.held.extend(kept);
        self.held.push_back(newest);
    }
}

/// [`ReversalFinder::glide`] in the sense in which the stroke rises. This and nothing else is
/// what most samples go through.
#[inline]
fn glide(
    travels: &[f64],
    sense: impl Fn(f64) -> f64,
    (near, mut far, record): (f64, f64, f64),
    threshold: f64,
) -> (usize, Option<usize>) {
    let mut peak = None;
    for (i, &travel) in travels.iter().enumerate() {
        let x = sense(travel);
        if x > far {
            if x > record {
                return (i, peak);
            }
            far = x;
            peak = Some(i);
        } else if far - x > threshold || x < near {
            return (i, peak);
        }
    }
    (travels.len(), peak)
}

/// A record may end on a reversal if it returns to within this share of the stroke.
const END_SHARE: f64 = 0.01;

#[cfg(test)]
mod tests {
    use super::*;

    fn find(travel: &[f64], noise: f64) -> Vec<Reversal> {
        let mut finder = ReversalFinder::new(noise, 0.0);
        let mut out = Vec::new();
        for (i, x) in travel.iter().enumerate() {
            finder.push(i as f64 * 1e-3, *x, &mut out);
        }
        finder.finish(&mut out);
        out
    }

    fn sine(cycles: f64, amplitude: f64, per_cycle: usize) -> Vec<f64> {
        (0..(cycles * per_cycle as f64) as usize)
            .map(|i| -amplitude * (std::f64::consts::TAU * i as f64 / per_cycle as f64).cos())
            .collect()
    }

    #[test]
    fn a_sine_has_two_reversals_a_cycle() {
        let found = find(&sine(5.0, 0.025, 500), 0.0);
        assert_eq!(found.len(), 11);
        assert!(found.windows(2).all(|w| w[0].turn != w[1].turn));
    }

    #[test]
    fn gliding_gives_what_weighing_every_sample_gives() {
        let mut state = 5_u64;
        for noise in [0.0, 1e-4, 3e-3] {
            let travel: Vec<f64> = (0..4000)
                .map(|i| {
                    state = state
                        .wrapping_mul(6_364_136_223_846_793_005)
                        .wrapping_add(1);
                    let n = (state >> 40) as f64 / f64::from(1 << 24) - 0.5;
                    let p = f64::from(i) * 0.02;
                    (0.01 + 1e-5 * f64::from(i)) * p.sin() + noise * n
                })
                .collect();
            let time: Vec<f64> = (0..4000).map(|i| f64::from(i) * 1e-3).collect();
            // The plain way: every sample weighed by itself.
            let mut plain = ReversalFinder::new(noise, 0.0);
            let mut single = Vec::new();
            plain.push(time[0], travel[0], &mut single);
            let (mut low, mut high) = plain.candidates.unwrap();
            for (&t, &x) in time.iter().zip(&travel).skip(1) {
                plain.weigh(t, x, (&mut low, &mut high), &mut single);
            }
            plain.candidates = Some((low, high));
            plain.finish(&mut single);
            let mut finder = ReversalFinder::new(noise, 0.0);
            let mut whole = Vec::new();
            finder.push_all(&time, &travel, &mut whole);
            finder.finish(&mut whole);
            assert!(single.len() > 20);
            assert_eq!(whole, single);
            assert_eq!(find(&travel, noise), single);
        }
    }

    #[test]
    fn ladders_of_unlike_strokes_survive() {
        let mut x = sine(4.0, 0.002, 400);
        x.extend(sine(4.0, 0.05, 400));
        x.extend(sine(4.0, 0.002, 400));
        let found = find(&x, 1e-6);
        let small = found
            .windows(2)
            .filter(|w| (w[1].travel - w[0].travel).abs() < 0.0045)
            .count();
        assert!(small >= 12, "{small} small half strokes of 16");
    }

    #[test]
    fn ripple_at_a_dwell_is_not_a_stroke() {
        let mut x: Vec<f64> = (0..200).map(|i| i as f64 * 5e-4).collect();
        for k in 0..3 {
            x.extend((0..10).map(|i| 0.1 - 1e-3 * (i as f64 - 5.0).abs() * f64::from(k % 2)));
        }
        x.extend((0..200).map(|i| 0.1 - i as f64 * 5e-4));
        let mut twice = x.clone();
        twice.extend(x);
        let found = find(&twice, 1e-6);
        assert_eq!(found.len(), 5, "{found:?}");
    }

    #[test]
    fn constant_travel_has_none() {
        assert!(find(&[0.01; 5000], 0.0).is_empty());
    }
}
