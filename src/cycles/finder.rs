//! The cycle finder: chunks in, whole cycles out; memory bounded by a few strokes.

use std::borrow::Cow;

use super::despike::Despiker;
use super::phase_grid::PhaseGrid;
use super::reversals::{Reversal, ReversalFinder, Turn};
use super::{Cycle, CycleAccount, PHASES};
use crate::recording::Chunk;
use crate::signal::{line_through, noise_of, parabola_through, quantum_of, range_of};

/// Samples kept on either side of a cycle for interpolation.
const MARGIN: usize = 4;
/// A reversal is refined with at most this many samples either side.
const MOST_REFINING: usize = 1000;
/// Samples kept before the first reversal that is still waiting.
const KEPT_BEFORE: u64 = (MOST_REFINING + MARGIN + 1) as u64;
/// Cycles are cut, and samples let go, whenever this many samples of a segment have come,
/// and at its end: what is found must not depend on how the reader cuts its chunks.
const SLAB: usize = 1 << 15;
/// A segment that goes this many samples without a cycle is a pause: the oldest half is let
/// go. At 1 kHz a cycle may last a quarter of an hour; five channels take 84 MB.
const LONGEST_WAIT: usize = 1 << 21;
/// Fewer samples than this in a cycle cannot show a loop (16 a cycle still give heat to 0.1 %).
const FEWEST_SAMPLES: usize = 12;
/// Travel stays within this share of the stroke of a turn for some time anyhow; it is at
/// rest if it stays this many times as long as a sine would (a crank of rod ratio 2 stays
/// 1.4 times as long at one end).
const REST_SHARE: f64 = 0.001;
const REST_TIMES: f64 = 1.7;
/// Noise may lift a resting sample off the turn by this many standard deviations.
const REST_NOISE: f64 = 8.0;
/// A reversal is refined with the samples within this share of the stroke from it.
const REFINE_SHARE: f64 = 0.06;

/// Cuts cycles from a stream of chunks.
#[derive(Debug)]
pub struct CycleFinder {
    reversals: Option<ReversalFinder>,
    despiker: Option<Despiker>,
    noise: f64,
    time: Vec<f64>,
    travel: Vec<f64>,
    force: Vec<f64>,
    velocity: Vec<f64>,
    temperature: Vec<f64>,
    /// Sample number (within the segment) of `time[0]`.
    offset: u64,
    pending: Vec<Reversal>,
    segment: u32,
    /// Samples since the last slab was full.
    in_slab: usize,
    account: CycleAccount,
    /// The last reversal refined, by its sample number and the samples used to either side:
    /// the end of a cycle is the start of the next.
    refined: Option<((u64, usize), (f64, f64))>,
}

/// What one chunk gave.
pub type Seen = Vec<Cycle>;

impl Default for CycleFinder {
    fn default() -> Self {
        Self::new()
    }
}

impl CycleFinder {
    /// A finder that has seen nothing.
    pub fn new() -> Self {
        Self {
            reversals: None,
            despiker: None,
            noise: 0.0,
            time: Vec::new(),
            travel: Vec::new(),
            force: Vec::new(),
            velocity: Vec::new(),
            temperature: Vec::new(),
            offset: 0,
            pending: Vec::new(),
            segment: 0,
            in_slab: 0,
            account: CycleAccount::default(),
            refined: None,
        }
    }

    /// Fixes noise and resolution from the recording's first samples. Without it the first
    /// chunk serves.
    pub fn calibrate(&mut self, prefix: &Chunk) {
        let noise = noise_of(&prefix.travel).unwrap_or(0.0);
        self.noise = noise;
        let quantum = quantum_of(&prefix.travel).unwrap_or(0.0);
        // The resolution matters only where it is coarse: in a smooth record the smallest
        // difference is a chance value near a reversal.
        let range = extent_of(&prefix.travel);
        let quantum = if quantum < 1e-5 * range {
            0.0
        } else {
            quantum.min(0.01 * range)
        };
        self.reversals = Some(ReversalFinder::new(noise, quantum));
        self.despiker = Some(Despiker::new(
            noise_of(&prefix.force).unwrap_or(0.0),
            extent_of(&prefix.force),
        ));
    }

    /// Takes a chunk; returns the cycles it completed.
    pub fn push(&mut self, chunk: &Chunk) -> Seen {
        let mut cycles = Vec::new();
        if let Some(segment) = &chunk.starts_segment {
            cycles = self.end_segment();
            if self.account.segments.is_empty() {
                self.segment = 0;
            } else {
                self.segment += 1;
            }
            self.account.segments.push(segment.clone());
        }
        if self.reversals.is_none() {
            self.calibrate(chunk);
        }
        self.account.samples += chunk.len() as u64;
        let mut from = 0;
        while from < chunk.len() {
            let to = chunk.len().min(from + SLAB - self.in_slab);
            self.take(chunk, from, to);
            self.in_slab += to - from;
            from = to;
            if self.in_slab == SLAB {
                self.in_slab = 0;
                self.cut(&mut cycles);
                self.let_go();
            }
        }
        cycles
    }

    fn take(&mut self, chunk: &Chunk, from: usize, to: usize) {
        let (time, travel) = (&chunk.time[from..to], &chunk.travel[from..to]);
        if let Some(finder) = &mut self.reversals {
            finder.push_all(time, travel, &mut self.pending);
        }
        self.time.extend_from_slice(time);
        self.travel.extend_from_slice(travel);
        self.force.extend_from_slice(&chunk.force[from..to]);
        for (channel, more) in [
            (&mut self.velocity, &chunk.velocity),
            (&mut self.temperature, &chunk.temperature),
        ] {
            channel.extend_from_slice(more.get(from..to).unwrap_or_default());
        }
    }

    /// Ends the recording; returns the last cycles.
    pub fn finish(&mut self) -> Seen {
        self.end_segment()
    }

    /// What was found and left out.
    pub fn account(&self) -> &CycleAccount {
        &self.account
    }

    fn end_segment(&mut self) -> Seen {
        let mut cycles = Vec::new();
        if let Some(finder) = &mut self.reversals {
            finder.finish(&mut self.pending);
        }
        self.cut(&mut cycles);
        self.account.incomplete += u64::from(self.pending.len() > 1);
        self.pending.clear();
        for channel in self.channels() {
            channel.clear();
        }
        self.offset = 0;
        self.in_slab = 0;
        self.refined = None;
        cycles
    }

    fn channels(&mut self) -> [&mut Vec<f64>; 5] {
        [
            &mut self.time,
            &mut self.travel,
            &mut self.force,
            &mut self.velocity,
            &mut self.temperature,
        ]
    }

    fn cut(&mut self, cycles: &mut Vec<Cycle>) {
        let pending = std::mem::take(&mut self.pending);
        let mut from = 0;
        if pending.first().is_some_and(|r| r.turn == Turn::Compressed) && self.account.cycles == 0 {
            self.account.incomplete += u64::from(pending.len() > 1 && self.account.incomplete == 0);
        }
        while from < pending.len() && pending[from].turn == Turn::Compressed {
            from += 1;
        }
        while from + 2 < pending.len() {
            let [a, b, c] = [pending[from], pending[from + 1], pending[from + 2]];
            match self.cycle(&a, &b, &c) {
                Some(cycle) => cycles.push(cycle),
                None => self.account.incomplete += 1,
            }
            from += 2;
        }
        self.pending = pending[from.min(pending.len())..].to_vec();
    }

    /// Frees samples that no coming cycle can need.
    fn let_go(&mut self) {
        if self.pending.is_empty() && self.time.len() < LONGEST_WAIT {
            return;
        }
        let wanted = match self.pending.first() {
            Some(r) if self.time.len() < LONGEST_WAIT => r.at.saturating_sub(KEPT_BEFORE),
            // A pause: what is waiting is no cycle.
            _ => self.offset + (self.time.len() / 2) as u64,
        };
        let old = wanted.saturating_sub(self.offset) as usize;
        // Moving the rest down costs time, so it waits until half can go.
        if old * 2 < self.time.len() {
            return;
        }
        let mut gone = 0;
        for channel in self.channels() {
            let n = old.min(channel.len());
            channel.drain(..n);
            gone = gone.max(n);
        }
        self.offset += gone as u64;
        let offset = self.offset;
        self.pending.retain(|r| r.at >= offset);
    }

    fn cycle(&mut self, a: &Reversal, b: &Reversal, c: &Reversal) -> Option<Cycle> {
        let place = |r: &Reversal| r.at.checked_sub(self.offset).map(|i| i as usize);
        let (ia, ib, ic) = (place(a)?, place(b)?, place(c)?);
        if ic >= self.time.len() || ic - ia < FEWEST_SAMPLES {
            return None;
        }
        let (start, low_a) = self.refine(ia, Turn::Extended, (b.travel - a.travel).abs());
        let (middle, high) = self.refine(ib, Turn::Compressed, (b.travel - a.travel).abs());
        let (end, low_c) = self.refine(ic, Turn::Extended, (b.travel - c.travel).abs());
        // A machine that rests at the end of the stroke: the rest belongs to no cycle.
        let (start, end) = self.without_rest(
            [(ia, start, low_a), (ib, middle, high), (ic, end, low_c)],
            (b.travel - a.travel).abs(),
        );
        let period = end - start;
        if period <= 0.0 || middle <= start || middle >= end {
            return None;
        }
        let low = f64::midpoint(low_a, low_c);
        let centre = f64::midpoint(low, high);
        let from = ia
            .min(self.time.partition_point(|&t| t < start))
            .saturating_sub(MARGIN);
        let to =
            (ic.max(self.time.partition_point(|&t| t < end)) + MARGIN + 1).min(self.time.len());
        let (force, spikes) = self.clean_force(from, to);
        let grid = PhaseGrid::new(&self.time[from..to], start, period);
        let mut travel = grid.put_travel(&self.travel[from..to]);
        travel.iter_mut().for_each(|x| *x -= centre);
        let cycle = Cycle {
            index: self.account.cycles,
            segment: self.segment,
            start_s: start,
            period_s: period,
            turn_phase: (middle - start) / period,
            stroke_m: high - low,
            centre_m: centre,
            samples: (ic - ia) as u32,
            spikes,
            end_travel_m: travel[0] + low_c - low_a,
            travel,
            force: grid.put(&force),
            velocity: self.optional(&self.velocity, from, to, &grid),
            temperature_c: self.temperatures(ia, ic),
            force_range_n: range_of(&self.force[ia..=ic]),
        };
        debug_assert_eq!(cycle.travel.len(), PHASES);
        self.account.cycles += 1;
        self.account.spikes += u64::from(spikes);
        Some(cycle)
    }

    /// Force without spikes, and how many samples were replaced; most cycles have none and
    /// are not copied.
    fn clean_force(&self, from: usize, to: usize) -> (Cow<'_, [f64]>, u32) {
        let force = &self.force[from..to];
        match self.despiker {
            Some(despiker) if despiker.suspect(force, 0).is_some() => {
                let mut force = force.to_vec();
                let spikes = despiker.clean(&mut force);
                (Cow::Owned(force), spikes)
            }
            _ => (Cow::Borrowed(force), 0),
        }
    }

    fn optional(&self, channel: &[f64], from: usize, to: usize, grid: &PhaseGrid) -> Vec<f64> {
        match channel.get(from..to) {
            Some(values) if values.iter().fold(true, |all, v| all & v.is_finite()) => {
                grid.put(values)
            }
            _ => Vec::new(),
        }
    }

    fn temperatures(&self, from: usize, to: usize) -> Option<(f64, f64)> {
        let all = self.temperature.get(from..=to)?;
        let tenth = (all.len() / 10).max(1);
        let mean = |part: &[f64]| {
            let good = part.iter().filter(|v| v.is_finite());
            let (n, sum) = good.fold((0_u32, 0.0), |(n, sum), v| (n + 1, sum + v));
            (n > 0).then(|| sum / f64::from(n))
        };
        Some((mean(&all[..tenth])?, mean(&all[all.len() - tenth..])?))
    }

    /// Moves the start of a cycle to where travel leaves a rest, and its end to where travel
    /// comes to one. Each turn is (sample, time, travel).
    fn without_rest(&self, [a, b, c]: [(usize, f64, f64); 3], stroke: f64) -> (f64, f64) {
        let (start, end) = (a.1, c.1);
        let level = REST_SHARE * stroke + REST_NOISE * self.noise;
        let span = |(at, _, turn): (usize, f64, f64)| {
            let near = |i: &usize| (self.travel[*i] - turn).abs() <= level;
            let low = (0..at).rev().take_while(near).last().unwrap_or(at);
            let high = (at + 1..self.time.len())
                .take_while(near)
                .last()
                .unwrap_or(at);
            (self.time[low], self.time[high])
        };
        let (first, second) = (span(a), span(c));
        // A sine spends this long either side of its turn within `level`; the turn in the
        // middle of the cycle says what this motion does, unless it rests there too.
        let sine = ((level - 0.5 * REST_NOISE * self.noise) / stroke).sqrt() / std::f64::consts::PI
            * (end - start);
        let middle = span(b);
        let back = (0.5 * (middle.1 - middle.0)).min(REST_TIMES * sine);
        let longest = REST_TIMES * 2.0 * sine;
        let start = if first.1 - first.0 > longest {
            (first.1 - back).max(start)
        } else {
            start
        };
        let end = if second.1 - second.0 > longest {
            (second.0 + back).min(end)
        } else {
            end
        };
        (start, end)
    }

    /// Time and travel of a reversal between samples: the top of the least-squares parabola
    /// through the samples near it.
    fn refine(&mut self, at: usize, turn: Turn, stroke: f64) -> (f64, f64) {
        let here = (self.time[at], self.travel[at]);
        let reach = REFINE_SHARE * stroke;
        let near = |x: &&f64| (**x - here.1).abs() <= reach;
        // The same number of samples either side, at least two and at most a thousand.
        let (before, after) = (&self.travel[..at], &self.travel[at + 1..]);
        let before = before.iter().rev().take(MOST_REFINING);
        let low = before.take_while(near).count();
        let high = after.iter().take(low).take_while(near).count();
        let half = high.clamp(2, MOST_REFINING);
        if at < half || at + half >= self.time.len() {
            return here;
        }
        let stride = half.div_ceil(100);
        let this = (self.offset + at as u64, half);
        if let Some((last, found)) = self.refined
            && last == this
        {
            return found;
        }
        let near = at - half..=at + half;
        let every = |channel: &[f64], zero: f64| -> Vec<f64> {
            let rows = &channel[near.clone()];
            if stride == 1 {
                rows.iter().map(|v| v - zero).collect()
            } else {
                rows.iter().step_by(stride).map(|v| v - zero).collect()
            }
        };
        let (t, x) = (every(&self.time, here.0), every(&self.travel, here.1));
        // The better of a rounded and a sharp turn; a triangle's corner is sharp.
        let sense = match turn {
            Turn::Extended => 1.0,
            Turn::Compressed => -1.0,
        };
        let best = [rounded_turn(&t, &x, sense), sharp_turn(&t, &x, sense)]
            .into_iter()
            .flatten()
            .min_by(|a, b| a.2.total_cmp(&b.2));
        let found = best.map_or(here, |(shift, level, _)| (here.0 + shift, here.1 + level));
        self.refined = Some((this, found));
        found
    }
}

/// Top of the least-squares parabola: (time, travel, sum of squares). `sense` is +1 for a
/// lowest point.
fn rounded_turn(t: &[f64], x: &[f64], sense: f64) -> Option<(f64, f64, f64)> {
    let [level, slope, half_bend] = parabola_through(t, x)?;
    let shift = -0.5 * slope / half_bend;
    if half_bend * sense <= 0.0 || !shift.is_finite() || shift.abs() > t[t.len() - 1].abs() {
        return None;
    }
    let squares = t
        .iter()
        .zip(x)
        .map(|(t, x)| (x - level - slope * t - half_bend * t * t).powi(2))
        .sum();
    Some((shift, level + 0.5 * slope * shift, squares))
}

/// Where the least-squares lines before and after meet: (time, travel, sum of squares).
fn sharp_turn(t: &[f64], x: &[f64], sense: f64) -> Option<(f64, f64, f64)> {
    let middle = t.len() / 2;
    if middle < 4 {
        return None;
    }
    let [a, b] = line_through(&t[..middle], &x[..middle])?;
    let [c, d] = line_through(&t[middle + 1..], &x[middle + 1..])?;
    let shift = (a - c) / (d - b);
    if (d - b) * sense <= 0.0 || !shift.is_finite() || shift.abs() > t[t.len() - 1].abs() {
        return None;
    }
    let squares = t
        .iter()
        .zip(x)
        .map(|(&t, &x)| {
            if t < shift {
                x - a - b * t
            } else {
                x - c - d * t
            }
        })
        .map(|r| r * r)
        .sum();
    Some((shift, a + b * shift, squares))
}

fn extent_of(values: &[f64]) -> f64 {
    let (low, high) = range_of(values);
    if high > low { high - low } else { 0.0 }
}
