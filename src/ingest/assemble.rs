//! From parsed rows to chunks: the time base, seams between segments, what is dropped.

use std::collections::{BTreeMap, VecDeque};

use super::look::Coarse;
use super::rows::Rows;
use crate::recording::{Chunk, Dropped, Role, Sampling, Segment};

/// A pause this many sample intervals long is a seam: no cycle may span it.
const GAP_INTERVALS: f64 = 50.0;

/// Rows that must follow on from a time that stepped back before that is taken as a new
/// segment and not as a few bad stamps.
const RESTART_ROWS: usize = 16;

/// A row this close after a blank or a comment line follows on from the one before it.
const FOLLOWS_INTERVALS: f64 = 5.0;

/// Rows from whose steps a jump of travel is told, and fewer than tell anything.
const RECENT: usize = 32;
const FEW_ROWS: u64 = 4;

/// Stamps that fall back by about a day have passed midnight, s.
const MIDNIGHT: f64 = 86_400.0;

/// How far a sample spread between coarse stamps is drawn to the middle of its own stamp:
/// enough to follow the recorder's clock, too little to show in velocity …
const PULL: f64 = 1e-4;

/// … and never more than this share of the interval.
const MOST_PULL: f64 = 1e-3;

/// Where each role's numbers are among the parsed columns.
#[derive(Debug, Clone, Default)]
pub(super) struct Places {
    pub(super) time: Option<usize>,
    pub(super) travel: usize,
    pub(super) force: usize,
    pub(super) velocity: Option<usize>,
    pub(super) temperature: Option<usize>,
    pub(super) pressure: Option<usize>,
    pub(super) step: Option<usize>,
}

impl Places {
    pub(super) fn of(places: &[(Role, usize)]) -> Self {
        let at = |role| places.iter().find(|(r, _)| *r == role).map(|(_, i)| *i);
        Self {
            time: at(Role::Time),
            // Without travel, what it will be made from stands in its place.
            travel: at(Role::Displacement)
                .or(at(Role::Angle))
                .or(at(Role::Velocity))
                .unwrap_or(0),
            force: at(Role::Force).unwrap_or(0),
            velocity: at(Role::Velocity),
            temperature: at(Role::Temperature),
            pressure: at(Role::Pressure),
            step: at(Role::Step),
        }
    }

    /// Every place in use.
    pub(super) fn all(&self) -> [Option<usize>; 7] {
        let [a, b, c, d, e, f] = self.of_channels();
        [a, b, c, d, e, f, self.step]
    }

    /// The same where only these columns, in this order, are there.
    pub(super) fn among(&self, columns: &[usize]) -> Self {
        let at = |place: usize| columns.iter().position(|c| *c == place);
        Self {
            time: self.time.and_then(at),
            travel: at(self.travel).unwrap_or(0),
            force: at(self.force).unwrap_or(0),
            velocity: self.velocity.and_then(at),
            temperature: self.temperature.and_then(at),
            pressure: self.pressure.and_then(at),
            step: self.step.and_then(at),
        }
    }

    /// In the order of [`Chunk::channels_mut`].
    fn of_channels(&self) -> [Option<usize>; 6] {
        [
            self.time,
            Some(self.travel),
            Some(self.force),
            self.velocity,
            self.temperature,
            self.pressure,
        ]
    }
}

/// The columns of a chunk that are read from the file, each with its place there.
fn own_columns<'a>(
    chunk: &'a mut Chunk,
    places: &Places,
) -> impl Iterator<Item = (usize, &'a mut Vec<f64>)> {
    let columns = places.of_channels().into_iter().zip(chunk.channels_mut());
    columns.filter_map(|(place, column)| Some((place?, column)))
}

/// One sample, for the patient road.
#[derive(Debug, Clone, Copy)]
struct Sample {
    time: f64,
    travel: f64,
    force: f64,
    velocity: f64,
    temperature: f64,
    pressure: f64,
    step: Option<f64>,
}

/// Builds chunks and keeps the accounts.
#[derive(Debug)]
pub(super) struct Assembler {
    pub(super) places: Places,
    /// Seconds per sample where the file has no time.
    pub(super) interval: Option<f64>,
    /// Set if that interval is made up.
    pub(super) time_is_assumed: bool,
    /// Where the stamps have too few digits: samples are spread evenly.
    pub(super) coarse: Option<Coarse>,
    /// Usual interval, for telling gaps.
    typical: Option<f64>,
    current: Chunk,
    /// The last travels of the chunk before.
    tail: Vec<f64>,
    ready: VecDeque<Chunk>,
    last_time: Option<f64>,
    row_in_segment: u64,
    pending: Vec<Sample>,
    label: Option<String>,
    last_step: Option<f64>,
    /// Where the clock wrapped at midnight: added to every stamp.
    wrapped: f64,
    pub(super) seams: u64,
    dropped: BTreeMap<String, u64>,
    used: u64,
    intervals: u64,
    interval_sum: f64,
    interval_squares: f64,
    pub(super) rows: u64,
}

impl Assembler {
    pub(super) fn new(places: Places, interval: Option<f64>, time_is_assumed: bool) -> Self {
        let mut new = Self {
            places,
            interval,
            time_is_assumed,
            coarse: None,
            typical: interval,
            current: Chunk::default(),
            tail: Vec::new(),
            ready: VecDeque::new(),
            last_time: None,
            row_in_segment: 0,
            pending: Vec::new(),
            label: None,
            last_step: None,
            wrapped: 0.0,
            seams: 0,
            dropped: BTreeMap::new(),
            used: 0,
            intervals: 0,
            interval_sum: 0.0,
            interval_squares: 0.0,
            rows: 0,
        };
        new.seam();
        new
    }

    /// Tells the usual sample interval, from the first rows.
    pub(super) fn expect_interval(&mut self, typical: Option<f64>) {
        if self.typical.is_none() {
            self.typical = typical;
        }
    }

    /// The next samples start a new segment.
    pub(super) fn seam(&mut self) {
        self.settle_pending();
        self.flush();
        self.tail.clear();
        self.last_time = None;
        self.last_step = None;
        self.row_in_segment = 0;
        self.seams += 1;
        self.current.starts_segment = Some(Segment {
            label: self.label.clone(),
            closed_loop: false,
            time_is_assumed: self.time_is_assumed,
            file: 0,
        });
    }

    /// Names the segment that starts next (or has just started, without samples yet).
    pub(super) fn name_segment(&mut self, label: Option<String>) {
        if self.current.is_empty()
            && let Some(segment) = &mut self.current.starts_segment
        {
            segment.label.clone_from(&label);
        }
        self.label = label;
    }

    /// True if the segment at hand has a name.
    pub(super) fn is_named(&self) -> bool {
        self.label.is_some()
    }

    /// True if a row at `time` would follow on from the last one.
    fn follows_on(&self, time: Option<f64>) -> bool {
        match (time, self.last_time, self.typical) {
            (Some(time), Some(last), Some(typical)) => {
                let dt = time + self.wrapped - last;
                dt > 0.0 && dt < FOLLOWS_INTERVALS * typical
            }
            _ => false,
        }
    }

    /// Rows that went on.
    pub(super) fn used(&self) -> u64 {
        self.used
    }

    pub(super) fn has_rows(&self) -> bool {
        self.row_in_segment > 0
    }

    pub(super) fn drop_row(&mut self, reason: &str) {
        *self.dropped.entry(reason.to_owned()).or_insert(0) += 1;
    }

    /// Takes rows `from..to` of a parsed piece.
    pub(super) fn push(&mut self, rows: &Rows, from: usize, to: usize) {
        if from >= to {
            return;
        }
        self.rows += (to - from) as u64;
        if self.push_whole(rows, from, to) {
            return;
        }
        for i in from..to {
            let at = |place: Option<usize>| {
                place
                    .and_then(|p| rows.column(p))
                    .and_then(|c| c.get(i))
                    .copied()
                    .unwrap_or(f64::NAN)
            };
            self.push_sample(Sample {
                time: at(self.places.time),
                travel: at(Some(self.places.travel)),
                force: at(Some(self.places.force)),
                velocity: at(self.places.velocity),
                temperature: at(self.places.temperature),
                pressure: at(self.places.pressure),
                step: self.places.step.map(|p| at(Some(p))),
            });
        }
    }

    /// Samples that those to come will follow in one chunk, if nothing stands in between: so
    /// none of them is copied.
    pub(super) fn go_on_from(&mut self, samples: &mut Chunk) {
        let here = &self.current;
        if self.ready.is_empty() && here.is_empty() && here.starts_segment.is_none() {
            self.current = std::mem::take(samples);
        }
    }

    /// Can the columns of the chunk at hand be lent as `width` parsed ones? Not where one plays
    /// no role, or two.
    fn can_lend(&self, width: usize) -> bool {
        let mut used: Vec<usize> = self.places.of_channels().into_iter().flatten().collect();
        used.sort_unstable();
        used.into_iter().eq(0..width)
    }

    /// Lends the columns of the chunk at hand to the parser, which lets them grow; empty ones
    /// if they cannot be lent.
    pub(super) fn lend(&mut self, width: usize) -> Vec<Vec<f64>> {
        let mut columns = vec![Vec::new(); width];
        if self.can_lend(width) {
            for (place, own) in own_columns(&mut self.current, &self.places) {
                if let Some(column) = columns.get_mut(place) {
                    *column = std::mem::take(own);
                }
            }
        }
        columns
    }

    /// Takes the columns back as they were.
    pub(super) fn take_back(&mut self, rows: &Rows) {
        if rows.lead == 0 {
            return;
        }
        for (place, own) in own_columns(&mut self.current, &self.places) {
            let column = rows.columns.get(place);
            let before = column.and_then(|c| c.get(..rows.lead));
            *own = before.unwrap_or_default().to_vec();
        }
    }

    /// Takes the columns back with all they have grown by, if that is nothing but rows that
    /// follow on from each other. False if it is not so.
    pub(super) fn take_whole(&mut self, rows: &mut Rows) -> bool {
        let count = rows.len();
        if !self.can_lend(rows.columns.len())
            || !rows.odd.is_empty()
            || count == 0
            || !self.follow_on(rows, 0, count)
        {
            return false;
        }
        self.rows += count as u64;
        for (place, own) in own_columns(&mut self.current, &self.places) {
            if let Some(column) = rows.columns.get_mut(place) {
                *own = std::mem::take(column);
            }
        }
        true
    }

    /// The fast road: time rises evenly enough and nothing waits. False if it is not so.
    fn push_whole(&mut self, rows: &Rows, from: usize, to: usize) -> bool {
        if !self.follow_on(rows, from, to) {
            return false;
        }
        for (place, own) in own_columns(&mut self.current, &self.places) {
            let values = rows.column(place).and_then(|c| c.get(from..to));
            own.extend_from_slice(values.unwrap_or_default());
        }
        true
    }

    /// Takes rows to the accounts if time rises evenly enough in them and nothing waits, and
    /// makes up time where there is none. False, and nothing done, if it is not so.
    fn follow_on(&mut self, rows: &Rows, from: usize, to: usize) -> bool {
        if !self.pending.is_empty() || self.coarse.is_some() || self.wrapped > 0.0 {
            return false;
        }
        let slice = |place: usize| rows.column(place).and_then(|c| c.get(from..to));
        if slice(self.places.travel).is_none() || slice(self.places.force).is_none() {
            return false;
        }
        let count = to - from;
        if let Some(step) = self.places.step.and_then(slice)
            && self.places.time.is_none()
        {
            // Without time only the counter tells where one loop ends and the next begins.
            let before = self.last_step.or(step.first().copied());
            if step.iter().any(|s| Some(*s) != before) {
                return false;
            }
            self.last_step = before;
        }
        if let Some(place) = self.places.time {
            let Some(time) = slice(place) else {
                return false;
            };
            let limit = self.typical.map_or(f64::INFINITY, |t| t * GAP_INTERVALS);
            let base = self.typical.unwrap_or(0.0);
            let (mut least, mut most, mut squares) = (f64::INFINITY, f64::NEG_INFINITY, 0.0);
            let mut take = |dt: f64| {
                least = if dt < least { dt } else { least };
                most = if dt > most { dt } else { most };
                squares += (dt - base) * (dt - base);
            };
            if let (Some(last), Some(first)) = (self.last_time, time.first()) {
                take(first - last);
            }
            for pair in time.windows(2) {
                if let [a, b] = pair {
                    take(b - a);
                }
            }
            if least <= 0.0 || most > limit {
                return false;
            }
            let (Some(first), Some(last)) = (time.first(), time.last()) else {
                return false;
            };
            let before = self.last_time;
            self.intervals += count as u64 - u64::from(before.is_none());
            self.interval_sum += last - before.unwrap_or(*first);
            self.interval_squares += squares;
            self.last_time = Some(*last);
        } else {
            let dt = self.interval.unwrap_or(1.0);
            let start = self.row_in_segment;
            self.current
                .time
                .extend((start..start + count as u64).map(|i| i as f64 * dt));
        }
        self.row_in_segment += count as u64;
        self.used += count as u64;
        true
    }

    fn push_sample(&mut self, mut sample: Sample) {
        if self.places.time.is_none() {
            if let Some(step) = sample.step {
                if self.last_step.is_some_and(|last| last != step)
                    && self.has_rows()
                    && self.jumps(sample.travel)
                {
                    self.seam();
                }
                self.last_step = Some(step);
            }
            sample.time = self.row_in_segment as f64 * self.interval.unwrap_or(1.0);
            self.accept(sample);
            return;
        }
        sample.time += self.wrapped;
        let Some(last) = self.last_time else {
            self.accept(sample);
            return;
        };
        let back = last - sample.time;
        if (back - MIDNIGHT).abs() < 0.01 * MIDNIGHT {
            sample.time += MIDNIGHT;
            self.wrapped += MIDNIGHT;
        }
        if let Some(coarse) = self.coarse {
            self.spread(sample, last, coarse);
            return;
        }
        if sample.time > last {
            self.settle_pending();
            if self
                .typical
                .is_some_and(|t| sample.time - last > GAP_INTERVALS * t)
            {
                self.seam();
            }
            self.accept(sample);
            return;
        }
        if self.pending.last().is_some_and(|p| sample.time <= p.time) {
            self.settle_pending();
        }
        self.pending.push(sample);
        if self.pending.len() >= RESTART_ROWS {
            self.restart_with_pending();
        }
    }

    /// A sample among coarse stamps: one interval after the last, drawn to its stamp.
    fn spread(&mut self, mut sample: Sample, last: f64, coarse: Coarse) {
        let expected = last + coarse.interval;
        let off = sample.time - expected;
        if off.abs() > GAP_INTERVALS * coarse.interval + coarse.stamp {
            self.seam();
        } else {
            let most = MOST_PULL * coarse.interval;
            sample.time = expected + (PULL * (off + 0.5 * coarse.stamp)).clamp(-most, most);
        }
        self.accept(sample);
    }

    /// Travels of the last rows.
    fn recent(&self) -> Vec<f64> {
        let now = self.current.travel.as_slice();
        let mut recent = if now.len() < RECENT {
            self.tail.clone()
        } else {
            Vec::new()
        };
        recent.extend_from_slice(
            now.get(now.len().saturating_sub(RECENT)..)
                .unwrap_or_default(),
        );
        recent
    }

    /// True if a row would go on from the last one in time and travel.
    pub(super) fn goes_on(&self, time: Option<f64>, travel: Option<f64>) -> bool {
        let few = self.row_in_segment < FEW_ROWS;
        self.follows_on(time) && (few || travel.is_some_and(|x| !self.jumps(x)))
    }

    /// True if travel is not where the last steps lead.
    fn jumps(&self, travel: f64) -> bool {
        let recent = self.recent();
        let most = recent
            .windows(2)
            .map(|w| match w {
                [a, b] => (b - a).abs(),
                _ => 0.0,
            })
            .fold(0.0, f64::max);
        recent
            .last()
            .is_none_or(|x| (travel - x).abs() > 2.0 * most)
    }

    /// Rows that stepped back in time and went on by themselves: a new segment.
    fn restart_with_pending(&mut self) {
        let pending = std::mem::take(&mut self.pending);
        self.seam();
        for sample in pending {
            self.accept(sample);
        }
    }

    /// Rows that stepped back in time and led nowhere: bad stamps.
    fn settle_pending(&mut self) {
        for sample in std::mem::take(&mut self.pending) {
            let repeats = self.last_time == Some(sample.time);
            self.drop_row(if repeats {
                "time repeats"
            } else {
                "time runs backward"
            });
        }
    }

    fn accept(&mut self, sample: Sample) {
        if let Some(last) = self.last_time {
            let dt = sample.time - last;
            self.intervals += 1;
            self.interval_sum += dt;
            let off = dt - self.typical.unwrap_or(0.0);
            self.interval_squares += off * off;
        }
        self.last_time = Some(sample.time);
        self.row_in_segment += 1;
        self.used += 1;
        self.current.time.push(sample.time);
        self.current.travel.push(sample.travel);
        self.current.force.push(sample.force);
        if self.places.velocity.is_some() {
            self.current.velocity.push(sample.velocity);
        }
        if self.places.temperature.is_some() {
            self.current.temperature.push(sample.temperature);
        }
        if self.places.pressure.is_some() {
            self.current.pressure.push(sample.pressure);
        }
    }

    /// Moves what is collected into the queue.
    pub(super) fn flush(&mut self) {
        if !self.current.is_empty() {
            self.tail = self.recent();
            self.ready.push_back(std::mem::take(&mut self.current));
        }
    }

    /// No more rows will come.
    pub(super) fn end(&mut self) {
        self.settle_pending();
        self.flush();
    }

    pub(super) fn next(&mut self) -> Option<Chunk> {
        self.ready.pop_front()
    }

    pub(super) fn sampling(&self) -> Sampling {
        let n = self.intervals as f64;
        let mean = self.interval_sum / n;
        let (rate_hz, jitter) = if self.intervals > 0 && mean > 0.0 && self.places.time.is_some() {
            let off = mean - self.typical.unwrap_or(0.0);
            let variance = (self.interval_squares / n - off * off).max(0.0);
            (Some(1.0 / mean), Some(variance.sqrt() / mean))
        } else {
            let stated = self.interval.filter(|_| !self.time_is_assumed);
            (stated.map(|dt| 1.0 / dt), stated.map(|_| 0.0))
        };
        Sampling {
            rate_hz,
            jitter,
            rows_used: self.used,
            rows_dropped: self.dropped.values().sum(),
            dropped: self
                .dropped
                .iter()
                .map(|(reason, count)| Dropped {
                    reason: reason.clone(),
                    count: *count,
                })
                .collect(),
            clipped: Vec::new(),
        }
    }
}
