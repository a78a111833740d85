//! Damage that can be taken out without harm: lone wild values of travel, dropouts to zero.
//! What cannot be repaired (clipping) is counted and said.
//!
//! Force spikes stay in: the cycle finder compares cycles and can tell them from the damper.

use std::collections::BTreeMap;

use wide::f64x4;

use super::file::File;
use super::motion::{append, split_off};
use crate::notice::Notice;
use crate::recording::{Chunk, Clipped};

/// Samples kept back so that a wild value at a chunk's edge has neighbours on both sides.
const EDGE: usize = 64;

/// Longest run of wild values of travel that is taken out.
const LONGEST_SPIKE: usize = 3;

/// Longest dropout to zero that is taken out, samples; shorter than [`EDGE`].
const LONGEST_DROPOUT: usize = 32;

/// A wild value differs from its neighbours by this share of the range at least …
const SPIKE_SHARE: f64 = 0.02;

/// … and by this many times the steps around it.
const SPIKE_STEPS: f64 = 8.0;

/// Values on both sides of a dropout are this share of the range away from zero.
const DROPOUT_SHARE: f64 = 0.1;

/// Equal values at the extreme from which a run is a flat top.
const FLAT_RUN: u64 = 5;

/// Flat tops from which the channel is called clipped.
const FLAT_TOPS: u64 = 3;

/// The step into a flat top is this many times the finest step of the channel, or it is
/// only a smooth turn written with few digits.
const STEEP_STEPS: f64 = 4.0;

/// Watches for damage in a stream of chunks.
#[derive(Debug, Clone, Default)]
pub(super) struct Damage {
    held: Chunk,
    travel: Range,
    force: Range,
    pub(super) dropped: BTreeMap<&'static str, u64>,
    clip_force: [FlatTop; 2],
    clip_travel: [FlatTop; 2],
}

#[derive(Debug, Clone, Copy)]
struct Range {
    low: f64,
    high: f64,
}

impl Default for Range {
    fn default() -> Self {
        Self {
            low: f64::INFINITY,
            high: f64::NEG_INFINITY,
        }
    }
}

impl Range {
    fn span(&self) -> f64 {
        (self.high - self.low).max(0.0)
    }

    fn widen(&mut self, survey: &Survey) {
        self.low = self.low.min(survey.range.low);
        self.high = self.high.max(survey.range.high);
    }
}

impl Damage {
    /// Takes a chunk; gives what is ready.
    pub(super) fn take(&mut self, mut chunk: Chunk) -> Vec<Chunk> {
        let mut out = Vec::new();
        if chunk.starts_segment.is_some() {
            out.extend(self.flush());
            self.held.starts_segment = chunk.starts_segment.take();
        }
        append(&mut self.held, chunk);
        if self.held.len() <= 2 * EDGE {
            return out;
        }
        let keep_from = self.held.len() - EDGE;
        out.extend(self.work_off(keep_from));
        out
    }

    /// Hands the samples that are still held to the file, which puts those to come behind them.
    pub(super) fn lend(&mut self, file: &mut File) {
        if self.held.starts_segment.is_none() {
            file.go_on_from(&mut self.held);
        }
    }

    /// The samples that are still held.
    pub(super) fn flush(&mut self) -> Option<Chunk> {
        let all = self.held.len();
        self.work_off(all)
    }

    /// Checks everything held, lets go of what is before `until`.
    fn work_off(&mut self, until: usize) -> Option<Chunk> {
        if until == 0 {
            return None;
        }
        let travel = Survey::of(&self.held.travel);
        let force = Survey::of(&self.held.force);
        let bad = self.find(&travel, &force);
        let rest = split_off(&mut self.held, until);
        let mut chunk = std::mem::replace(&mut self.held, rest);
        if !bad.is_empty() {
            self.take_out(&mut chunk, bad);
        }
        for (tops, values, survey) in [
            (&mut self.clip_force, &chunk.force, &force),
            (&mut self.clip_travel, &chunk.travel, &travel),
        ] {
            let [top, bottom] = tops;
            top.look(values, 1.0, survey.most);
            bottom.look(values, -1.0, -survey.least);
        }
        Some(chunk)
    }

    /// Takes samples out of a chunk; those beyond its end will be seen again.
    fn take_out(&mut self, chunk: &mut Chunk, bad: Vec<(usize, &'static str)>) {
        let mut keep = vec![true; chunk.len()];
        for (at, reason) in bad {
            if let Some(flag) = keep.get_mut(at)
                && *flag
            {
                *flag = false;
                *self.dropped.entry(reason).or_insert(0) += 1;
            }
        }
        thin(chunk, &keep);
    }

    /// Wild samples among those held, as (index, reason).
    fn find(&mut self, travel: &Survey, force: &Survey) -> Vec<(usize, &'static str)> {
        let mut bad = Vec::new();
        self.travel.widen(travel);
        self.force.widen(force);
        let limit = SPIKE_SHARE * self.travel.span();
        if travel.rough > limit {
            spikes(&self.held.travel, limit, &mut bad);
        }
        for (survey, values, span, reason) in [
            (
                travel,
                &self.held.travel,
                self.travel.span(),
                "travel drops out to zero",
            ),
            (
                force,
                &self.held.force,
                self.force.span(),
                "force drops out to zero",
            ),
        ] {
            if survey.zeros {
                dropouts(values, DROPOUT_SHARE * span, reason, &mut bad);
            }
        }
        bad
    }

    /// Channels that were cut off flat, in the file's signs.
    pub(super) fn clipped(&self) -> Vec<Clipped> {
        [
            ("force", "N", &self.clip_force),
            ("travel", "m", &self.clip_travel),
        ]
        .into_iter()
        .flat_map(|(channel, unit, tops)| {
            let flat = tops.iter().filter(|t| t.is_clipped());
            flat.map(move |top| Clipped {
                channel: channel.into(),
                level: top.level,
                unit: unit.into(),
                places: top.tops,
                samples: top.samples,
            })
        })
        .collect()
    }

    /// What there is to say about clipping.
    pub(super) fn notices(&self) -> Vec<Notice> {
        let mut notices = Vec::new();
        for (code, word, tops) in [
            ("force-clipped", "force", &self.clip_force),
            ("travel-clipped", "travel", &self.clip_travel),
        ] {
            for top in tops.iter().filter(|t| t.is_clipped()) {
                notices.push(
                    Notice::warning(
                        code,
                        format!(
                            "{word} is cut off flat at {:.6} {} in {} places, {} samples in all: the sensor or its amplifier was at full scale, and peaks beyond it are lost",
                            top.level,
                            if word == "force" { "N" } else { "m" },
                            top.tops,
                            top.samples,
                        ),
                    )
                    .help("measure again with a wider range; forces near that level are too small here"),
                );
            }
        }
        notices
    }
}

/// What one look at the values of a channel shows, whatever their order: most have nothing
/// wrong, and need no other.
struct Survey {
    /// Range of the medians of three neighbours, so that a lone wild value does not widen it.
    range: Range,
    /// Roughest second difference.
    rough: f64,
    /// Range of the values.
    least: f64,
    most: f64,
    /// Whether one of them is exactly zero.
    zeros: bool,
}

impl Survey {
    fn of(values: &[f64]) -> Self {
        let mut found = Lanes::new();
        let inner = values.len().saturating_sub(2);
        let from = |at: usize| values.get(at..at + inner).unwrap_or_default();
        let (a, a_rest) = from(0).as_chunks::<4>();
        let (b, b_rest) = from(1).as_chunks::<4>();
        let (c, c_rest) = from(2).as_chunks::<4>();
        for ((a, b), c) in a.iter().zip(b).zip(c) {
            found.see(f64x4::new(*a), f64x4::new(*b), f64x4::new(*c));
        }
        for ((a, b), c) in a_rest.iter().zip(b_rest).zip(c_rest) {
            found.see(f64x4::splat(*a), f64x4::splat(*b), f64x4::splat(*c));
        }
        for end in [values.first(), values.last()].into_iter().flatten() {
            found.see_one(f64x4::splat(*end));
        }
        let least = |v: f64x4| v.to_array().into_iter().fold(f64::INFINITY, f64::min);
        let most = |v: f64x4| v.to_array().into_iter().fold(f64::NEG_INFINITY, f64::max);
        Self {
            range: Range {
                low: least(found.low),
                high: most(found.high),
            },
            rough: most(found.rough),
            least: least(found.least),
            most: most(found.most),
            zeros: found.zeros.any(),
        }
    }
}

/// A [`Survey`] in the making, of four neighbouring places at a time. All values are finite.
struct Lanes {
    low: f64x4,
    high: f64x4,
    rough: f64x4,
    least: f64x4,
    most: f64x4,
    zeros: f64x4,
}

impl Lanes {
    fn new() -> Self {
        let (low, high) = (f64x4::splat(f64::INFINITY), f64x4::splat(f64::NEG_INFINITY));
        Self {
            low,
            high,
            rough: f64x4::ZERO,
            least: low,
            most: high,
            zeros: f64x4::ZERO,
        }
    }

    /// Takes values with their neighbours before and behind.
    #[inline]
    fn see(&mut self, a: f64x4, b: f64x4, c: f64x4) {
        let middle = a.fast_min(b).fast_max(a.fast_max(b).fast_min(c));
        self.low = self.low.fast_min(middle);
        self.high = self.high.fast_max(middle);
        self.rough = self.rough.fast_max((a - b * 2.0 + c).abs());
        self.see_one(b);
    }

    #[inline]
    fn see_one(&mut self, values: f64x4) {
        self.least = self.least.fast_min(values);
        self.most = self.most.fast_max(values);
        self.zeros |= values.simd_eq(f64x4::ZERO);
    }
}

/// Runs of up to [`LONGEST_SPIKE`] samples that jump away and back.
fn spikes(x: &[f64], limit: f64, bad: &mut Vec<(usize, &'static str)>) {
    let at = |i: usize| x.get(i).copied().unwrap_or(f64::NAN);
    let mut i = 3;
    while i + 3 < x.len() {
        let out = at(i) - at(i - 1);
        if out.abs() > limit {
            let around = |m: usize| {
                [
                    at(i - 1) - at(i - 2),
                    at(i - 2) - at(i - 3),
                    at(i + m + 1) - at(i + m),
                    at(i + m + 2) - at(i + m + 1),
                ]
                .into_iter()
                .filter(|d| d.is_finite())
                .map(f64::abs)
                .fold(0.0, f64::max)
            };
            let run = (1..=LONGEST_SPIKE).find(|m| {
                let back = at(i + m) - at(i + m - 1);
                let steps = SPIKE_STEPS * around(*m);
                let gap = (at(i + m) - at(i - 1)).abs();
                back * out < 0.0
                    && back.abs() > limit
                    && out.abs() > steps
                    && back.abs() > steps
                    && gap < 0.25 * out.abs()
            });
            if let Some(run) = run {
                bad.extend((i..i + run).map(|k| (k, "travel spike")));
                i += run + 1;
                continue;
            }
        }
        i += 1;
    }
}

/// Runs of exact zeros between values that are far from zero on one side.
fn dropouts(x: &[f64], far: f64, reason: &'static str, bad: &mut Vec<(usize, &'static str)>) {
    if far <= 0.0 {
        return;
    }
    let mut i = 1;
    while i < x.len() {
        let zero = x.get(i).is_some_and(|v| *v == 0.0);
        let before = i
            .checked_sub(1)
            .and_then(|k| x.get(k))
            .copied()
            .unwrap_or(0.0);
        if zero && before.abs() > far {
            let run = x.iter().skip(i).take_while(|v| **v == 0.0).count();
            let after = x.get(i + run).copied().unwrap_or(0.0);
            if run <= LONGEST_DROPOUT && after.abs() > far && after * before > 0.0 {
                bad.extend((i..i + run).map(|k| (k, reason)));
            }
            i += run;
        }
        i += 1;
    }
}

fn thin(chunk: &mut Chunk, keep: &[bool]) {
    for values in chunk.channels_mut() {
        let mut flags = keep.iter();
        values.retain(|_| flags.next().copied().unwrap_or(true));
    }
}

/// Values passed over together where none of them is at the extreme.
const FEW: usize = 256;

/// The largest of values times `sign`.
fn largest(values: &[f64], sign: f64) -> f64 {
    let (fours, rest) = values.as_chunks::<4>();
    let most = fours
        .iter()
        .fold(f64x4::splat(f64::NEG_INFINITY), |most, four| {
            most.fast_max(f64x4::new(*four) * sign)
        });
    let rest = rest.iter().map(|v| v * sign);
    most.to_array()
        .into_iter()
        .chain(rest)
        .fold(f64::NEG_INFINITY, f64::max)
}

/// Flat tops at one extreme of one channel.
#[derive(Debug, Clone, Copy, Default)]
struct FlatTop {
    seen: bool,
    level: f64,
    tops: u64,
    samples: u64,
    run: u64,
    steep: bool,
    before: f64,
    finest: f64,
}

impl FlatTop {
    fn is_clipped(&self) -> bool {
        self.tops >= FLAT_TOPS
    }

    /// Looks at a chunk's values times `sign` for runs at the largest value so far. None of
    /// them is larger than `most`.
    fn look(&mut self, values: &[f64], sign: f64, most: f64) {
        if self.seen && (most < self.level * sign || largest(values, sign) < self.level * sign) {
            self.end_run();
            return;
        }
        if self.finest == 0.0 {
            self.finest = values
                .windows(2)
                .filter_map(|w| match w {
                    [a, b] if a != b => Some((a - b).abs()),
                    _ => None,
                })
                .fold(f64::INFINITY, f64::min);
        }
        for some in values.chunks(FEW) {
            if self.seen
                && largest(some, sign) < self.level * sign
                && let Some(last) = some.last()
            {
                self.end_run();
                self.before = last * sign;
                continue;
            }
            some.iter().for_each(|value| self.look_at(*value, sign));
        }
    }

    fn look_at(&mut self, value: f64, sign: f64) {
        let v = value * sign;
        if !self.seen || v > self.level * sign {
            let seen = self.seen;
            *self = Self {
                seen: true,
                level: value,
                run: 1,
                steep: seen && v - self.before > STEEP_STEPS * self.finest,
                before: v,
                finest: self.finest,
                ..Self::default()
            };
            return;
        }
        if v == self.level * sign {
            if self.run == 0 {
                self.steep = v - self.before > STEEP_STEPS * self.finest;
            }
            self.run += 1;
        } else {
            self.end_run();
        }
        self.before = v;
    }

    fn end_run(&mut self) {
        if self.run >= FLAT_RUN && self.steep {
            self.tops += 1;
            self.samples += self.run;
        }
        self.run = 0;
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

        // One look at many values together shows what looking at each of them does.
        #[test]
        fn a_survey_sees_what_each_value_shows(values in proptest::collection::vec(prop_oneof![-1e3..1e3, Just(0.0), Just(-0.0)], 0..70)) {
            let found = Survey::of(&values);
            let mut medians: Vec<f64> = Vec::new();
            let mut rough = 0.0_f64;
            for w in values.windows(3) {
                let mut sorted = w.to_vec();
                sorted.sort_by(f64::total_cmp);
                medians.push(sorted[1]);
                rough = rough.max((w[0] - 2.0 * w[1] + w[2]).abs());
            }
            let least = |v: &[f64]| v.iter().copied().fold(f64::INFINITY, f64::min);
            let most = |v: &[f64]| v.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            prop_assert_eq!((found.range.low, found.range.high), (least(&medians), most(&medians)));
            prop_assert_eq!((found.least, found.most, found.rough), (least(&values), most(&values), rough));
            prop_assert_eq!(found.zeros, values.contains(&0.0));
        }

        // Stretches below the extreme may be passed over.
        #[test]
        fn flat_tops_are_the_same_seen_one_by_one(levels in proptest::collection::vec((-3..4_i8, 1..400_usize), 1..20), low in any::<bool>()) {
            let values: Vec<f64> = levels.iter().flat_map(|(v, n)| std::iter::repeat_n(f64::from(*v), *n)).collect();
            let sign = if low { -1.0 } else { 1.0 };
            let mut together = FlatTop::default();
            together.look(&values, sign, f64::INFINITY);
            let mut single = FlatTop { finest: together.finest, ..FlatTop::default() };
            values.iter().for_each(|v| single.look_at(*v, sign));
            prop_assert_eq!(format!("{together:?}"), format!("{single:?}"));
        }
    }
}
