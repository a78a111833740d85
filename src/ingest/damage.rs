//! Damage that can be taken out without harm: lone wild values of travel, dropouts to zero.
//! What cannot be repaired (clipping) is counted and said.
//!
//! Force spikes stay in: the cycle finder compares cycles and can tell them from the damper.

use std::collections::BTreeMap;

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
        let bad = self.find();
        let rest = split_off(&mut self.held, until);
        let mut chunk = std::mem::replace(&mut self.held, rest);
        let mut keep = vec![true; chunk.len()];
        let mut any = false;
        for (at, reason) in bad {
            if let Some(flag) = keep.get_mut(at)
                && *flag
            {
                *flag = false;
                any = true;
                *self.dropped.entry(reason).or_insert(0) += 1;
            }
        }
        if any {
            thin(&mut chunk, &keep);
        }
        for (side, sign) in [1.0, -1.0].into_iter().enumerate() {
            if let Some(top) = self.clip_force.get_mut(side) {
                top.look(&chunk.force, sign);
            }
            if let Some(top) = self.clip_travel.get_mut(side) {
                top.look(&chunk.travel, sign);
            }
        }
        Some(chunk)
    }

    /// Wild samples among those held, as (index, reason).
    fn find(&mut self) -> Vec<(usize, &'static str)> {
        let mut bad = Vec::new();
        let travel = &self.held.travel;
        let rough = widen(&mut self.travel, travel);
        widen(&mut self.force, &self.held.force);
        let limit = SPIKE_SHARE * self.travel.span();
        if rough > limit {
            spikes(travel, limit, &mut bad);
        }
        dropouts(
            travel,
            DROPOUT_SHARE * self.travel.span(),
            "travel drops out to zero",
            &mut bad,
        );
        dropouts(
            &self.held.force,
            DROPOUT_SHARE * self.force.span(),
            "force drops out to zero",
            &mut bad,
        );
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

/// Widens the range and gives the roughest second difference.
fn widen(range: &mut Range, values: &[f64]) -> f64 {
    // The median of three neighbours, so that a lone wild value does not widen it.
    let mut rough: f64 = 0.0;
    for w in values.windows(3) {
        if let [a, b, c] = w {
            let middle = a.max(*b).min(a.min(*b).max(*c));
            range.low = range.low.min(middle);
            range.high = range.high.max(middle);
            rough = rough.max((a - 2.0 * b + c).abs());
        }
    }
    rough
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
    for values in [
        &mut chunk.time,
        &mut chunk.travel,
        &mut chunk.force,
        &mut chunk.velocity,
        &mut chunk.temperature,
        &mut chunk.pressure,
    ] {
        let mut flags = keep.iter();
        values.retain(|_| flags.next().copied().unwrap_or(true));
    }
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

    /// Looks at a chunk's values times `sign` for runs at the largest value so far.
    fn look(&mut self, values: &[f64], sign: f64) {
        let most = values
            .iter()
            .fold(f64::NEG_INFINITY, |m, v| m.max(v * sign));
        if self.seen && most < self.level * sign {
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
        for value in values {
            let v = value * sign;
            if !self.seen || v > self.level * sign {
                let seen = self.seen;
                *self = Self {
                    seen: true,
                    level: *value,
                    run: 1,
                    steep: seen && v - self.before > STEEP_STEPS * self.finest,
                    before: v,
                    finest: self.finest,
                    ..Self::default()
                };
                continue;
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
    }

    fn end_run(&mut self) {
        if self.run >= FLAT_RUN && self.steep {
            self.tops += 1;
            self.samples += self.run;
        }
        self.run = 0;
    }
}
