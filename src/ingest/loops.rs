//! Segments that are one averaged loop: closed, rotated, repeated, and given a time base
//! where the file says the speed instead.

use super::motion::append;
use super::names::fold;
use super::number;
use crate::notice::Notice;
use crate::recording::Chunk;
use crate::units::{Quantity, Unit};

/// An averaged loop has a few hundred points; a segment longer than this is a record.
const LONGEST_LOOP: usize = 20_000;

/// Fewest points of a loop worth the name.
const SHORTEST_LOOP: usize = 12;

/// How often a closed loop is emitted: one whole cycle is then inside, whichever reversal
/// the cycle finder starts from, with a whole stroke before and after it.
const TURNS: usize = 3;

/// The end meets the start within this share of travel and of force, plus one step.
const MEETS: f64 = 0.04;

/// Path along travel over twice its range: one cycle, not half and not two.
const ONE_CYCLE: (f64, f64) = (0.9, 1.12);

/// Share of the range by which travel must come back for a turn.
const TURN_SHARE: f64 = 0.1;

/// Watches for segments that are one loop.
#[derive(Debug, Clone, Default)]
pub(super) struct Loops {
    held: Chunk,
    /// The segment at hand is known to be longer than a loop.
    passing: bool,
    pub(super) closed: u64,
    pub(super) timed_by_label: u64,
    pub(super) timed_by_velocity: u64,
    /// Segments whose time base stayed made up.
    pub(super) untimed: u64,
}

impl Loops {
    /// Takes a chunk; gives what is ready.
    pub(super) fn take(&mut self, mut chunk: Chunk) -> Vec<Chunk> {
        let mut out = Vec::new();
        if chunk.starts_segment.is_some() {
            out.extend(self.end_segment());
            self.passing = false;
            self.held.starts_segment = chunk.starts_segment.take();
        }
        if self.passing {
            out.push(chunk);
            return out;
        }
        append(&mut self.held, chunk);
        if self.held.len() > LONGEST_LOOP {
            self.passing = true;
            let mut record = std::mem::take(&mut self.held);
            self.untimed += u64::from(is_untimed(&mut record));
            out.push(record);
        }
        out
    }

    /// No more will come.
    pub(super) fn end_segment(&mut self) -> Option<Chunk> {
        let mut chunk = std::mem::take(&mut self.held);
        if chunk.is_empty() {
            return None;
        }
        let closes = closes(&chunk);
        if chunk
            .starts_segment
            .as_ref()
            .is_some_and(|s| s.time_is_assumed)
        {
            self.give_time(&mut chunk, closes);
        }
        if closes {
            self.closed += 1;
            chunk = repeated(&chunk);
        }
        Some(chunk)
    }

    /// A time base from the file's own velocity, or from a speed or frequency in the label.
    fn give_time(&mut self, chunk: &mut Chunk, one_cycle: bool) {
        let n = chunk.len();
        let now = match (chunk.time.first(), chunk.time.get(1)) {
            (Some(a), Some(b)) => b - a,
            _ => return,
        };
        let label = chunk
            .starts_segment
            .as_ref()
            .and_then(|s| s.label.as_deref())
            .and_then(speed_in);
        let by_velocity = interval_by_velocity(&chunk.travel, &chunk.velocity);
        let interval = if by_velocity.is_some() {
            self.timed_by_velocity += 1;
            by_velocity
        } else {
            let found = match label {
                Some(Pace::Velocity(v)) => steepest(&chunk.travel).map(|dx| dx / v),
                Some(Pace::Frequency(f)) if one_cycle => Some(1.0 / (f * n as f64)),
                _ => None,
            };
            self.timed_by_label += u64::from(found.is_some());
            found
        };
        let Some(interval) = interval.filter(|dt| dt.is_finite() && *dt > 0.0) else {
            self.untimed += 1;
            return;
        };
        for time in &mut chunk.time {
            *time *= interval / now;
        }
        if let Some(segment) = &mut chunk.starts_segment {
            segment.time_is_assumed = false;
        }
    }

    pub(super) fn notices(&self) -> Vec<Notice> {
        let mut notices = Vec::new();
        if self.closed > 0 {
            notices.push(Notice::note(
                "closed-loop",
                format!(
                    "{} segments are one averaged loop each: their end is joined to their start, and one cycle is analysed",
                    self.closed
                ),
            ));
        }
        if self.timed_by_label > 0 {
            notices.push(Notice::note(
                "time-from-label",
                format!("{} segments without time take their time base from the speed or frequency in their label", self.timed_by_label),
            ));
        }
        if self.timed_by_velocity > 0 {
            notices.push(Notice::note(
                "time-from-velocity",
                format!("{} segments without time take their sample interval from travel and the velocity column", self.timed_by_velocity),
            ));
        }
        notices
    }
}

fn is_untimed(chunk: &mut Chunk) -> bool {
    chunk
        .starts_segment
        .as_ref()
        .is_some_and(|s| s.time_is_assumed)
}

fn range(values: &[f64]) -> (f64, f64) {
    values
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), v| {
            (lo.min(*v), hi.max(*v))
        })
}

/// True if the samples are one cycle whose end meets its start.
fn closes(chunk: &Chunk) -> bool {
    let n = chunk.len();
    if n < SHORTEST_LOOP {
        return false;
    }
    let (Some(x0), Some(x1), Some(f0), Some(f1)) = (
        chunk.travel.first(),
        chunk.travel.last(),
        chunk.force.first(),
        chunk.force.last(),
    ) else {
        return false;
    };
    let (low, high) = range(&chunk.travel);
    let (f_low, f_high) = range(&chunk.force);
    let span = high - low;
    if span.is_nan() || span <= 0.0 {
        return false;
    }
    let path = path_between_turns(&chunk.travel, TURN_SHARE * span);
    let cycles = path / (2.0 * span);
    // One step of either channel may lie between the last sample and the first.
    let step = |v: &[f64]| {
        v.windows(2)
            .map(|w| match w {
                [a, b] => (b - a).abs(),
                _ => 0.0,
            })
            .fold(0.0, f64::max)
    };
    (ONE_CYCLE.0..=ONE_CYCLE.1).contains(&cycles)
        && (x1 - x0).abs() <= MEETS * span + step(&chunk.travel)
        && (f1 - f0).abs() <= MEETS * (f_high - f_low) + step(&chunk.force)
}

/// Distance along travel from start over its turns to the end; noise below `back` is no turn.
fn path_between_turns(x: &[f64], back: f64) -> f64 {
    let Some(first) = x.first() else { return 0.0 };
    let mut path = 0.0;
    let (mut from, mut top, mut bottom) = (*first, *first, *first);
    let mut rising: Option<bool> = None;
    for v in x {
        top = top.max(*v);
        bottom = bottom.min(*v);
        if rising != Some(false) && top - v > back {
            path += (top - from).abs();
            from = top;
            bottom = *v;
            rising = Some(false);
        } else if rising != Some(true) && v - bottom > back {
            path += (bottom - from).abs();
            from = bottom;
            top = *v;
            rising = Some(true);
        }
    }
    path + x.last().map_or(0.0, |last| (last - from).abs())
}

/// The loop from its smallest travel on, [`TURNS`] times over, on a time base that goes on.
fn repeated(chunk: &Chunk) -> Chunk {
    let mut n = chunk.len();
    let time = |i: usize| chunk.time.get(i).copied().unwrap_or(0.0);
    let travel = |i: usize| chunk.travel.get(i).copied().unwrap_or(0.0);
    let mean_step = (time(n - 1) - time(0)) / (n - 1) as f64;
    // The last sample may be the first again.
    let usual = (0..n - 1)
        .map(|i| (travel(i + 1) - travel(i)).abs())
        .sum::<f64>()
        / (n - 1) as f64;
    let again = (travel(n - 1) - travel(0)).abs() < 0.25 * usual;
    let period = if again {
        n -= 1;
        time(n) - time(0)
    } else {
        time(n - 1) - time(0) + mean_step
    };
    let start = (0..n)
        .min_by(|a, b| travel(*a).total_cmp(&travel(*b)))
        .unwrap_or(0);
    let mut out = Chunk {
        starts_segment: chunk.starts_segment.clone(),
        ..Chunk::default()
    };
    if let Some(segment) = &mut out.starts_segment {
        segment.closed_loop = true;
    }
    for turn in 0..TURNS {
        for k in 0..n {
            let i = (start + k) % n;
            let wraps = if i < start { period } else { 0.0 };
            out.time
                .push(time(i) - time(start) + wraps + turn as f64 * period);
            out.travel.push(travel(i));
            for (from, to) in [
                (&chunk.force, &mut out.force),
                (&chunk.velocity, &mut out.velocity),
                (&chunk.temperature, &mut out.temperature),
                (&chunk.pressure, &mut out.pressure),
            ] {
                to.extend(from.get(i).copied());
            }
        }
    }
    out
}

/// A speed or a frequency in a label.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Pace {
    /// Peak velocity, m/s.
    Velocity(f64),
    /// Frequency, Hz.
    Frequency(f64),
}

/// Reads `100 mm/s`, `5in/s`, `v=0.25 m/s`, `1.5 Hz` out of a label.
pub(super) fn speed_in(label: &str) -> Option<Pace> {
    let text = fold(label);
    let mut rest = text.as_str();
    while let Some(at) = rest.find(|c: char| c.is_ascii_digit()) {
        let tail = rest.get(at..)?;
        let end = tail
            .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | ',')))
            .unwrap_or(tail.len());
        let (digits, after) = tail.split_at(end);
        let value = number::cell(&digits.trim_end_matches(['.', ',']).replace(',', "."), '.');
        let word: String = after
            .trim_start_matches([' ', '_', '[', '('])
            .chars()
            .take_while(|c| c.is_alphabetic() || matches!(c, '/' | '"'))
            .collect();
        if let Some(value) = value.filter(|v| *v > 0.0) {
            if word == "hz" {
                return Some(Pace::Frequency(value));
            }
            if let Some(unit) = Unit::named(Quantity::Velocity, &word) {
                return Some(Pace::Velocity(unit.to_si(value)));
            }
        }
        rest = after;
    }
    None
}

/// Largest central difference of travel per sample.
fn steepest(x: &[f64]) -> Option<f64> {
    let most = x
        .windows(3)
        .map(|w| match w {
            [a, _, c] => 0.5 * (c - a).abs(),
            _ => 0.0,
        })
        .fold(0.0, f64::max);
    (most > 0.0).then_some(most)
}

/// Sample interval from Σ|Δx| = Δt Σ|v|, if travel and velocity go together.
pub(super) fn interval_by_velocity(x: &[f64], v: &[f64]) -> Option<f64> {
    if v.len() != x.len() || x.len() < SHORTEST_LOOP {
        return None;
    }
    let (mut sxx, mut svv, mut sxv) = (0.0, 0.0, 0.0);
    for (xs, vs) in x.windows(2).zip(v.windows(2)) {
        if let ([x0, x1], [v0, v1]) = (xs, vs) {
            let (dx, mean) = (x1 - x0, 0.5 * (v0 + v1));
            if mean.is_finite() {
                sxx += dx * dx;
                svv += mean * mean;
                sxv += dx * mean;
            }
        }
    }
    let together = sxv / (sxx * svv).sqrt();
    (together > 0.98 && svv > 0.0).then(|| sxv / svv)
}
