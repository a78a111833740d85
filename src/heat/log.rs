//! The run in bins of time: work done and temperature read, from the first sample to the
//! last, rests included, in bounded memory.

use crate::recording::Chunk;

/// A stretch of time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Bin {
    /// Segment of the recording, from 0.
    pub segment: u32,
    /// First instant, s.
    pub start_s: f64,
    /// Last instant, s.
    pub end_s: f64,
    /// Work done on the damper in it, J.
    pub work_j: f64,
    /// Temperature, °C: mean of the medians of small groups of samples.
    pub temperature_c: Option<f64>,
    /// Small groups in it with a reading.
    pub readings: u32,
    /// Work times how long before the end it was done, summed, J·s: with `work_j` it tells
    /// whether the work came early or late, which a bin of a cycle or less must know.
    pub early_j_s: f64,
}

impl Bin {
    /// Duration, s.
    pub fn duration_s(&self) -> f64 {
        self.end_s - self.start_s
    }

    /// Mean power, W.
    pub fn power_w(&self) -> f64 {
        let d = self.duration_s();
        if d > 0.0 { self.work_j / d } else { 0.0 }
    }

    fn with(&self, next: &Self) -> Self {
        let readings = self.readings + next.readings;
        let part = |b: &Self| b.temperature_c.unwrap_or(0.0) * f64::from(b.readings);
        Self {
            segment: self.segment,
            start_s: self.start_s,
            end_s: next.end_s,
            work_j: self.work_j + next.work_j,
            temperature_c: (readings > 0).then(|| (part(self) + part(next)) / f64::from(readings)),
            readings,
            early_j_s: self.early_j_s + self.work_j * (next.end_s - self.end_s) + next.early_j_s,
        }
    }

    /// [`Self::early_j_s`] beyond that of the same work done evenly, J·s.
    pub(super) fn ahead_j_s(&self) -> f64 {
        self.early_j_s - 0.5 * self.work_j * self.duration_s()
    }
}

/// A change of temperature between neighbouring groups that no heat can explain.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Jump {
    /// When, s.
    pub time_s: f64,
    /// By how much, °C.
    pub change_c: f64,
}

/// Samples in a small group: enough for a median that shrugs off spikes.
const GROUP: usize = 16;
/// Bins kept at most.
const MOST_BINS: usize = 4096;
/// A change beyond this and what heat explains is a jump, °C: clear of any usable sensor's
/// noise in a median of 16.
const JUMP_C: f64 = 3.0;
/// Least heat capacity a damper has, J/K: 80 g of steel. What rises faster than the heat put
/// into this would make it is not the damper.
pub const LEAST_CAPACITY_J_K: f64 = 40.0;
/// Fastest a damper can cool, °C/s: quenched bodies do no more (a judgement).
const FASTEST_COOLING_C_S: f64 = 1.0;

/// Keeps the run in bins.
#[derive(Debug, Clone, Default)]
pub struct ThermalLog {
    bins: Vec<Bin>,
    /// Groups to a bin.
    size: u32,
    in_last: u32,
    segments: u32,
    group: Group,
    last: Option<(u32, f64, f64)>,
    work_since: f64,
    /// Changes no heat explains: how many, and the largest.
    pub jumps: u64,
    /// The largest of them.
    pub largest_jump: Option<Jump>,
    /// Smallest difference of two readings that is not zero, °C: the channel's resolution.
    pub resolution_c: Option<f64>,
    /// Lowest and highest single reading, °C.
    pub range_c: Option<(f64, f64)>,
    previous: Option<f64>,
    /// Travel and force of the last samples, and how many there are.
    recent: [(f64, f64); 5],
    recently: usize,
    /// Times of the last two samples, s.
    times: [f64; 2],
}

#[derive(Debug, Clone, Default)]
struct Group {
    start: Option<f64>,
    end: f64,
    samples: usize,
    work: f64,
    /// Work times when it was done, J·s.
    work_time: f64,
    temperatures: Vec<f64>,
}

impl ThermalLog {
    /// An empty log.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes a chunk in our signs.
    pub fn push(&mut self, chunk: &Chunk) {
        if chunk.starts_segment.is_some() {
            self.close_group();
            self.segments += 1;
            self.in_last = u32::MAX;
            self.recently = 0;
            self.last = None;
        }
        let mut i = 0;
        while i < chunk.len() {
            if self.group.samples == 0
                && let Some(whole) = Whole::at(chunk, i)
            {
                self.whole_group(&whole);
                i += GROUP;
                continue;
            }
            let reading = chunk.temperature.get(i).copied().filter(|t| t.is_finite());
            self.sample(chunk.time[i], chunk.travel[i], chunk.force[i], reading);
            i += 1;
        }
    }

    /// Ends the recording.
    pub fn finish(&mut self) {
        self.close_group();
    }

    /// Bins in order of time.
    pub fn bins(&self) -> &[Bin] {
        &self.bins
    }

    /// Work over the whole run, cycles or not, J.
    pub fn work_j(&self) -> f64 {
        self.bins.iter().map(|b| b.work_j).sum()
    }

    /// At most `most` bins, neighbours of one segment joined.
    pub fn coarse(&self, most: usize) -> Vec<Bin> {
        let size = self.bins.len().div_ceil(most.max(1)).max(1);
        let mut out: Vec<Bin> = Vec::new();
        let mut count = 0;
        for bin in &self.bins {
            match out.last_mut() {
                Some(last) if last.segment == bin.segment && count < size => {
                    *last = last.with(bin);
                    count += 1;
                }
                _ => {
                    out.push(*bin);
                    count = 1;
                }
            }
        }
        out
    }

    fn sample(&mut self, time: f64, travel: f64, force: f64, reading: Option<f64>) {
        if let Some(t) = reading {
            self.note_reading(t);
        }
        let work = self.work(travel, force);
        let group = &mut self.group;
        // A sample stands for the time half way to its neighbours: readings are then those
        // of the middle of their bin.
        let half = if self.recently > 1 {
            0.5 * (time - self.times[1])
        } else {
            0.0
        };
        group.start.get_or_insert(time);
        group.end = time + half;
        group.samples += 1;
        group.work += work;
        // The work is that of the sample two back.
        group.work_time += work * self.times[0];
        self.times = [self.times[1], time];
        group.temperatures.extend(reading);
        if group.samples >= GROUP {
            let end = group.end;
            self.close_group();
            // The next group begins where this one ends: no time is lost between them.
            self.group.start = Some(end);
        }
    }

    /// Work of the sample two back: force times the central difference of fourth order of
    /// travel, which does not fall short where a cycle has few samples.
    fn work(&mut self, travel: f64, force: f64) -> f64 {
        self.recent.copy_within(1.., 0);
        self.recent[4] = (travel, force);
        self.recently += 1;
        if self.recently < 5 {
            return 0.0;
        }
        let x = |i: usize| self.recent[i].0;
        let step = (8.0 * (x(3) - x(1)) - (x(4) - x(0))) / 12.0;
        self.recent[2].1 * step
    }

    fn note_reading(&mut self, t: f64) {
        let (low, high) = self.range_c.unwrap_or((t, t));
        self.range_c = Some((low.min(t), high.max(t)));
        if let Some(before) = self.previous
            && before != t
        {
            let d = (t - before).abs();
            self.resolution_c = Some(self.resolution_c.map_or(d, |r| r.min(d)));
        }
        self.previous = Some(t);
    }

    /// What [`Self::sample`] does sixteen times over, for a group that lies in one chunk:
    /// nearly all do, and this is half the cost of the log.
    fn whole_group(&mut self, group: &Whole<'_>) {
        let (mut work, mut work_time) = (0.0, 0.0);
        for (w, t) in group.works().iter().zip(&group.time[BEHIND - 2..]) {
            work += w;
            work_time += w * t;
        }
        let [.., before, last] = *group.time;
        self.times = [before, last];
        self.recently += GROUP;
        for (k, recent) in self.recent.iter_mut().enumerate() {
            let at = BEHIND + GROUP - 5 + k;
            *recent = (group.travel[at], group.force[at]);
        }
        let temperature = group.readings.map(|readings| self.note_readings(readings));
        let start = self.group.start.unwrap_or(group.time[BEHIND]);
        let end = last + 0.5 * (last - before);
        self.close(start, end, work, work_time, temperature);
        self.group.start = Some(end);
    }

    /// [`Self::note_reading`] for a whole group; returns its median.
    fn note_readings(&mut self, readings: &[f64; GROUP]) -> f64 {
        let (mut low, mut high) = (readings[0], readings[0]);
        for &t in readings {
            low = if t < low { t } else { low };
            high = if t > high { t } else { high };
        }
        let (lowest, highest) = self.range_c.unwrap_or((low, high));
        self.range_c = Some((lowest.min(low), highest.max(high)));
        let mut before = [self.previous.unwrap_or(readings[0]); GROUP];
        self.previous = Some(readings[GROUP - 1]);
        if low == high && before[0] == low {
            // A slow or coarse channel hardly ever changes within a group.
            return low;
        }
        before[1..].copy_from_slice(&readings[..GROUP - 1]);
        let mut least = f64::INFINITY;
        for (a, b) in before.iter().zip(readings) {
            let step = (b - a).abs();
            let step = if step > 0.0 { step } else { f64::INFINITY };
            least = if step < least { step } else { least };
        }
        if least.is_finite() {
            self.resolution_c = Some(self.resolution_c.map_or(least, |r| r.min(least)));
        }
        middle_of_group(readings)
    }

    fn close_group(&mut self) {
        let mut group = std::mem::take(&mut self.group);
        let Some(start) = group.start.filter(|_| group.samples > 0) else {
            return;
        };
        let temperature = middle(&mut group.temperatures);
        // The room is used again.
        group.temperatures.clear();
        self.group.temperatures = std::mem::take(&mut group.temperatures);
        self.close(start, group.end, group.work, group.work_time, temperature);
    }

    fn close(
        &mut self,
        start_s: f64,
        end_s: f64,
        work_j: f64,
        work_time: f64,
        temperature_c: Option<f64>,
    ) {
        self.work_since += work_j;
        let segment = self.segments.saturating_sub(1);
        if let Some(now) = temperature_c {
            self.watch(segment, end_s, now);
        }
        let bin = Bin {
            segment,
            start_s,
            end_s,
            work_j,
            temperature_c,
            readings: u32::from(temperature_c.is_some()),
            early_j_s: end_s * work_j - work_time,
        };
        let size = self.size.max(1);
        match self.bins.last_mut() {
            Some(last) if last.segment == segment && self.in_last < size => {
                *last = last.with(&bin);
                self.in_last += 1;
            }
            _ => {
                self.bins.push(bin);
                self.in_last = 1;
            }
        }
        if self.bins.len() >= MOST_BINS && self.in_last >= size {
            self.bins = self.coarse(MOST_BINS / 2);
            self.size = size * 2;
            self.in_last = self.size;
        }
    }

    fn watch(&mut self, segment: u32, time: f64, now: f64) {
        if let Some((_, before_s, before)) = self.last.filter(|l| l.0 == segment) {
            let change = now - before;
            let allowed = JUMP_C
                + if change > 0.0 {
                    self.work_since.max(0.0) / LEAST_CAPACITY_J_K
                } else {
                    FASTEST_COOLING_C_S * (time - before_s).max(0.0)
                };
            if change.abs() > allowed {
                self.jumps += 1;
                if self
                    .largest_jump
                    .is_none_or(|j| j.change_c.abs() < change.abs())
                {
                    self.largest_jump = Some(Jump {
                        time_s: time,
                        change_c: change,
                    });
                }
            }
        }
        self.last = Some((segment, time, now));
        self.work_since = 0.0;
    }
}

/// Samples before a group that its work needs.
const BEHIND: usize = 4;

/// A group whose samples, and those just before it, lie in one chunk.
struct Whole<'a> {
    time: &'a [f64; BEHIND + GROUP],
    travel: &'a [f64; BEHIND + GROUP],
    force: &'a [f64; BEHIND + GROUP],
    /// `None` without a temperature channel.
    readings: Option<&'a [f64; GROUP]>,
}

impl<'a> Whole<'a> {
    /// The group that begins with sample `i`; `None` if it is not whole, or lacks a reading.
    fn at(chunk: &'a Chunk, i: usize) -> Option<Self> {
        let from = i.checked_sub(BEHIND)?;
        let of = |channel: &'a [f64]| channel.get(from..)?.first_chunk();
        let readings: Option<&[f64; GROUP]> = if chunk.temperature.is_empty() {
            None
        } else {
            Some(chunk.temperature.get(i..)?.first_chunk()?)
        };
        let finite = |r: &[f64; GROUP]| r.iter().fold(true, |all, t| all & t.is_finite());
        if !readings.is_none_or(finite) {
            return None;
        }
        Some(Self {
            time: of(&chunk.time)?,
            travel: of(&chunk.travel)?,
            force: of(&chunk.force)?,
            readings,
        })
    }

    /// Work of the samples two back, as [`ThermalLog::work`] has it.
    fn works(&self) -> [f64; GROUP] {
        let x = self.travel;
        let mut out = [0.0; GROUP];
        for (k, work) in out.iter_mut().enumerate() {
            let step = (8.0 * (x[k + 3] - x[k + 1]) - (x[k + 4] - x[k])) / 12.0;
            *work = self.force[k + 2] * step;
        }
        out
    }
}

/// Median of a whole group: both halves sorted by a network of exchanges (Batcher's odd-even
/// merge), which no order of values slows down; of two sorted halves, the smaller of each
/// value and its mirror image are the lower half of all.
fn middle_of_group(values: &[f64; GROUP]) -> f64 {
    const HALF: usize = GROUP / 2;
    let smaller = |a: f64, b: f64| if a < b { a } else { b };
    let larger = |a: f64, b: f64| if a < b { b } else { a };
    let mut pairs: [[f64; 2]; HALF] = std::array::from_fn(|k| [values[k], values[k + HALF]]);
    // Written out, so that the pairs stay in registers.
    let mut exchange = |low: usize, high: usize| {
        let (a, b) = (pairs[low], pairs[high]);
        pairs[low] = [smaller(a[0], b[0]), smaller(a[1], b[1])];
        pairs[high] = [larger(a[0], b[0]), larger(a[1], b[1])];
    };
    exchange(0, 1);
    exchange(2, 3);
    exchange(4, 5);
    exchange(6, 7);
    exchange(0, 2);
    exchange(1, 3);
    exchange(4, 6);
    exchange(5, 7);
    exchange(1, 2);
    exchange(5, 6);
    exchange(0, 4);
    exchange(1, 5);
    exchange(2, 6);
    exchange(3, 7);
    exchange(2, 4);
    exchange(3, 5);
    exchange(1, 2);
    exchange(3, 4);
    exchange(5, 6);
    let (mut below, mut above) = (f64::NEG_INFINITY, f64::INFINITY);
    for k in 0..HALF {
        let (a, b) = (pairs[k][0], pairs[HALF - 1 - k][1]);
        below = larger(below, smaller(a, b));
        above = smaller(above, larger(a, b));
    }
    f64::midpoint(below, above)
}

/// Median; sorts in place.
fn middle(values: &mut [f64]) -> Option<f64> {
    if values.is_empty() {
        return None;
    }
    values.sort_by(f64::total_cmp);
    let n = values.len();
    Some(f64::midpoint(values[(n - 1) / 2], values[n / 2]))
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::recording::Segment;
    use std::f64::consts::TAU;

    fn chunk(samples: usize, per_cycle: f64, temperature: impl Fn(usize) -> f64) -> Chunk {
        let mut out = Chunk {
            starts_segment: Some(Segment::default()),
            ..Chunk::default()
        };
        for i in 0..samples {
            let p = TAU * i as f64 / per_cycle;
            out.time.push(i as f64 * 0.01);
            out.travel.push(-0.025 * p.cos());
            out.force.push(300.0 * p.sin());
            out.temperature.push(temperature(i));
        }
        out
    }

    #[test]
    fn the_network_gives_the_median() {
        let mut state = 7_u64;
        for round in 0..2000 {
            let values: [f64; GROUP] = std::array::from_fn(|_| {
                state = state
                    .wrapping_mul(6_364_136_223_846_793_005)
                    .wrapping_add(1);
                // Few different values, so that equal ones come up.
                ((state >> 40) % (2 + round % 40)) as f64 - 5.0
            });
            assert_eq!(Some(middle_of_group(&values)), middle(&mut values.clone()));
        }
    }

    #[test]
    fn whole_groups_give_what_single_samples_give() {
        let mut part = chunk(5000, 77.0, |i| 20.0 + (i as f64 * 0.01).sin());
        part.temperature[700] = f64::NAN;
        part.temperature[2000] = 400.0;
        let (mut whole, mut single) = (ThermalLog::new(), ThermalLog::new());
        whole.push(&part);
        for i in 0..part.len() {
            single.push(&Chunk {
                starts_segment: part.starts_segment.clone().filter(|_| i == 0),
                time: vec![part.time[i]],
                travel: vec![part.travel[i]],
                force: vec![part.force[i]],
                temperature: vec![part.temperature[i]],
                ..Chunk::default()
            });
        }
        whole.finish();
        single.finish();
        assert_eq!(whole.bins(), single.bins());
        assert_eq!(whole.range_c, single.range_c);
        assert_eq!(whole.resolution_c, single.resolution_c);
        assert_eq!(
            (whole.jumps, whole.largest_jump),
            (single.jumps, single.largest_jump)
        );
    }

    /// Viscous damper: E = πF₀X a cycle (elementary), however few samples a cycle has.
    #[test]
    fn work_is_right_with_sixteen_samples_a_cycle() {
        let mut log = ThermalLog::new();
        log.push(&chunk(16 * 1000, 16.0, |_| 20.0));
        log.finish();
        let exact = std::f64::consts::PI * 300.0 * 0.025 * 1000.0;
        assert!(
            (log.work_j() / exact - 1.0).abs() < 2e-3,
            "{}",
            log.work_j() / exact
        );
        assert_eq!(log.jumps, 0);
    }

    #[test]
    fn a_long_log_stays_small_and_keeps_its_sums() {
        let mut log = ThermalLog::new();
        let part = chunk(1 << 16, 64.0, |i| 20.0 + i as f64 * 1e-4);
        for k in 0..40 {
            let mut part = part.clone();
            if k > 0 {
                part.starts_segment = None;
            }
            part.time
                .iter_mut()
                .for_each(|t| *t += f64::from(k) * 655.36);
            log.push(&part);
        }
        log.finish();
        assert!(log.bins().len() <= MOST_BINS);
        let exact = std::f64::consts::PI * 300.0 * 0.025 * 40.0 * 1024.0;
        assert!((log.work_j() / exact - 1.0).abs() < 1e-3);
        let gapless = log
            .bins()
            .windows(2)
            .all(|w| (w[1].start_s - w[0].end_s).abs() < 1e-9);
        assert!(gapless);
        // The channel falls back by 6.5 °C at each of 39 seams.
        assert_eq!(log.jumps, 39);
    }
}
