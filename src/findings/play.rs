//! Play: free travel in a mount, a bush or a rod end.
//!
//! While the gap is crossed nothing is pushed, so the load cell reads zero whatever the gas
//! force is, and the travel that takes is the gap's own: the same millimetres at every
//! speed. With a gas charge the rod pushes itself across, which lengthens the travel seen
//! at the start of rebound at low speed and shortens it at the start of compression.

use serde::{Deserialize, Serialize};

use super::stroke::{Dwell, Stroke, dwell, on_the_way, still_n};
use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::statistics::percentile;
use crate::steps::{Direction, PerDirection};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Travel with the load cell at zero that counts, m. Sound dampers showed up to 0.1 mm.
    pub least_m: f64,
    /// Travel that is plain, m: no bush in good order gives half a millimetre freely.
    pub plain_m: f64,
    /// The smaller of both ends over the larger, at least: a void shows at one end.
    pub both_ends: f64,
    /// Travel in the faster half of the steps over that in the slower half, at most: a void grows.
    pub growth: f64,
    /// Travel at the start of rebound that is enough without the other end, m: a strong gas
    /// charge carries the rod across before compression begins.
    pub rebound_alone_m: f64,
    /// Growth allowed then.
    pub rebound_alone_growth: f64,
    /// Share of the loaded steps that must show it.
    pub persistence: f64,
    /// Steps that carry at least this share of the run's largest force are looked at: in
    /// slower ones gas force may never let go of the mount.
    pub loaded_share: f64,
    /// A standstill at another level than zero counts from this travel at both ends, m …
    pub shifted_m: f64,
    /// … the smaller end over the larger, at least …
    pub shifted_both_ends: f64,
    /// … growing or shrinking with speed by no more than this …
    pub shifted_growth: f64,
    /// … in this share of the loaded steps.
    pub shifted_persistence: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            least_m: 1.5e-4,
            plain_m: 5e-4,
            both_ends: 0.12,
            growth: 2.5,
            rebound_alone_m: 4e-4,
            rebound_alone_growth: 1.3,
            persistence: 0.7,
            loaded_share: 0.35,
            shifted_m: 2e-4,
            shifted_both_ends: 0.5,
            shifted_growth: 1.6,
            shifted_persistence: 0.8,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "play",
    line: "free travel in a mount, bush or rod end: nothing is pushed while the gap is crossed",
    explanation: Explanation {
        means: "Something between the load cell and the piston can move without resistance: a worn bush, a loose \
rod end, a clamp that is not tight, sometimes a loose piston nut. The damper itself may be sound.",
        seen: "After each reversal the load cell stands at zero for some travel while the curve expects much more, and \
force then comes back abruptly. It is there at both ends and at every loaded speed with about the same millimetres. With a \
gas charge the rod pushes itself across the gap, so the start of compression shows less of it than the start of rebound.",
        alike: "Cavitation shows at one end and grows with speed, and is absent in slow steps. Air in the oil gives soft, not \
flat, reversals. Friction alone loses no travel.",
        next: "Tighten or replace the suspected mount and run again, or hold a dial gauge across the bush while the rod is \
pushed and pulled by hand at rest. If the travel goes with the mount, the damper is not to blame.",
    },
    judge,
};

/// Play as the loops show it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Gap {
    /// The gap, m: median travel at a standstill of the load cell, the larger end.
    pub travel_m: f64,
    /// Travel by stroke, median over loaded steps, m.
    pub by_end: PerDirection<f64>,
    /// What the load cell reads while nothing is pushed, N.
    pub zero_n: f64,
}

/// What was measured, whether or not it makes a gap.
struct Measured {
    gap: Gap,
    seen_share: f64,
    growth: f64,
    /// A gap shorter than this does not show, m.
    blind_m: f64,
}

fn loaded<'l>(look: &'l Look<'_>, direction: Direction) -> Vec<&'l Stroke> {
    let least = look.settings.play.loaded_share * look.largest_span_n();
    look.of(direction)
        .filter(|s| s.half_span_n >= least)
        .collect()
}

/// Travel at a standstill of the load cell at `zero_n`.
fn at(look: &Look<'_>, stroke: &Stroke, zero_n: f64) -> Dwell {
    if zero_n == 0.0 {
        return stroke.dwell;
    }
    dwell(&look.case.steps[stroke.at], stroke, &look.level, zero_n)
}

fn measure(look: &Look<'_>, zero_n: f64) -> Option<Measured> {
    let t = look.settings.play;
    let of = |d: Direction| -> Vec<Dwell> {
        loaded(look, d)
            .iter()
            .map(|s| at(look, s, zero_n))
            .collect()
    };
    let dwells = Direction::BOTH.map(of);
    // On one or two speeds nothing else is there to tell a column that gives by, and drag may
    // slope the standstill: where both ends lose alike, what passes zero counts whole.
    let whole = zero_n == 0.0 && look.speeds() < 3 && lost_alike(look);
    let travel = |d: &Dwell| if whole { d.gross_m } else { d.travel_m };
    let travels = |i: usize| -> Vec<f64> { dwells[i].iter().map(travel).collect() };
    let (compression, rebound) = (travels(0), travels(1));
    let median = |v: &[f64]| percentile(v, 0.5);
    let by_end = PerDirection {
        compression: median(&compression)?,
        rebound: median(&rebound)?,
    };
    let larger = if by_end.rebound >= by_end.compression {
        &rebound
    } else {
        &compression
    };
    let seen = larger.iter().filter(|x| **x >= 0.5 * t.least_m).count();
    // Slowest first: the middle step of an odd number counts in both halves.
    let half = larger.len().div_ceil(2);
    let low = percentile(&larger[..half], 0.5)?;
    let high = percentile(&larger[larger.len() - half..], 0.5)?;
    let blind: Vec<f64> = dwells[1].iter().map(|d| d.blind_m).collect();
    Some(Measured {
        gap: Gap {
            travel_m: by_end.rebound.max(by_end.compression),
            by_end,
            zero_n,
        },
        seen_share: seen as f64 / larger.len().max(1) as f64,
        growth: if low > 0.0 { high / low } else { f64::INFINITY },
        blind_m: percentile(&blind, 0.7)?,
    })
}

/// Whether both reversals lose about the same travel: a void takes it at one end.
fn lost_alike(look: &Look<'_>) -> bool {
    let [a, b] = Direction::BOTH.map(|d| {
        let lost: Vec<f64> = loaded(look, d).iter().map(|s| s.lost.lost_m).collect();
        percentile(&lost, 0.5).unwrap_or(0.0)
    });
    a.min(b) > 0.0 && a.min(b) >= BOTH_ALIKE * a.max(b)
}

/// The level at which the load cell stands longest, over all loaded strokes, while the
/// curve expects more: its zero where it was set under load, gas force where the gap is beyond
/// the rod.
fn standing_level(look: &Look<'_>) -> Option<f64> {
    let mut width: f64 = f64::INFINITY;
    let mut seen: Vec<(f64, f64)> = Vec::new();
    for direction in Direction::BOTH {
        for stroke in loaded(look, direction) {
            let still = still_n(stroke);
            width = width.min(still);
            seen.extend(
                on_the_way(&look.case.steps[stroke.at], stroke, &look.level)
                    .iter()
                    .filter(|p| (p.expected_n - p.force_n).abs() > 3.0 * still)
                    .map(|p| (p.force_n, p.travel_m)),
            );
        }
    }
    seen.sort_by(|a, b| a.0.total_cmp(&b.0));
    // The window of twice the tolerance that holds most travel.
    let (mut from, mut held) = (0, 0.0);
    let mut best: Option<(f64, f64)> = None;
    for to in 0..seen.len() {
        held += seen[to].1;
        while seen[to].0 - seen[from].0 > 2.0 * width {
            held -= seen[from].1;
            from += 1;
        }
        if best.is_none_or(|b| held > b.1) {
            best = Some((f64::midpoint(seen[from].0, seen[to].0), held));
        }
    }
    best.map(|b| b.0)
}

/// Whether what was measured is a gap, the cell's zero being what it should be.
fn is_gap(look: &Look<'_>, m: &Measured) -> bool {
    let t = look.settings.play;
    let (least, most) = (
        m.gap.by_end.compression.min(m.gap.by_end.rebound),
        m.gap.travel_m,
    );
    let both = least >= t.both_ends * most && m.growth <= t.growth;
    let rebound_alone = m.gap.by_end.rebound >= t.rebound_alone_m.max(m.gap.by_end.compression)
        && m.growth <= t.rebound_alone_growth
        && look.speeds() > 2;
    most >= t.least_m && m.seen_share >= t.persistence && (both || rebound_alone)
}

/// The same at another level: one more number was free to choose, so more is asked for. A
/// void's flat stretch, at the gas level, is at one end and grows.
fn is_shifted_gap(look: &Look<'_>, m: &Measured) -> bool {
    let t = look.settings.play;
    let least = m.gap.by_end.compression.min(m.gap.by_end.rebound);
    least >= t.shifted_m
        && least >= t.shifted_both_ends * m.gap.travel_m
        && m.growth <= t.shifted_growth
        && m.growth >= 1.0 / t.shifted_growth
        && m.seen_share >= t.shifted_persistence
}

/// The same millimetres lost at both reversals of every step, whatever the force, is a gap as
/// well, where the cell's standstill is too short to be seen: a column that gives loses in
/// proportion to force, a void at one end and more with speed.
fn by_lost_motion(look: &Look<'_>) -> Option<Gap> {
    let t = look.settings.play;
    if look.speeds() < 4 {
        return None;
    }
    let strokes = Direction::BOTH.map(|d| loaded(look, d));
    let mut by_end = [0.0; 2];
    for (end, of) in by_end.iter_mut().zip(&strokes) {
        let lost: Vec<f64> = of.iter().map(|s| s.lost.lost_m).collect();
        let median = percentile(&lost, 0.5)?;
        *end = median;
        let (first, last) = (of.first()?, of.last()?);
        let near = |s: &&&Stroke| (s.lost.lost_m / median - 1.0).abs() <= LOST_ALIKE;
        let alike = of.iter().filter(near).count() as f64;
        let forces = last.half_span_n / first.half_span_n.max(f64::MIN_POSITIVE);
        let fine = of.iter().all(|s| s.grain_m <= 0.5 * median);
        let ratio = last.lost.lost_m / first.lost.lost_m.max(f64::MIN_POSITIVE);
        let steady = (1.0 / LOST_GROWTH..=LOST_GROWTH).contains(&ratio);
        if median < t.shifted_m || alike < 0.8 * of.len() as f64 || forces < 1.5 || !fine || !steady
        {
            return None;
        }
    }
    let [compression, rebound] = by_end;
    (compression.min(rebound) >= BOTH_ALIKE * compression.max(rebound)).then_some(Gap {
        travel_m: compression.max(rebound),
        by_end: PerDirection {
            compression,
            rebound,
        },
        zero_n: 0.0,
    })
}

/// Lost motion of single strokes about their median, of the fastest over the slowest, and of
/// one end over the other.
const LOST_ALIKE: f64 = 0.35;
const LOST_GROWTH: f64 = 1.35;
const BOTH_ALIKE: f64 = 0.7;

/// What was measured, at the level that shows a gap if one does.
fn best(look: &Look<'_>) -> Option<(Measured, bool)> {
    let plain = measure(look, 0.0)?;
    if is_gap(look, &plain) {
        return Some((plain, true));
    }
    if let Some(gap) = by_lost_motion(look) {
        return Some((
            Measured {
                gap,
                seen_share: 1.0,
                growth: 1.0,
                blind_m: plain.blind_m,
            },
            true,
        ));
    }
    let shifted = standing_level(look)
        .and_then(|zero| measure(look, zero))
        .filter(|m| is_shifted_gap(look, m));
    Some(shifted.map_or((plain, false), |m| (m, true)))
}

/// The gap, if there is one.
pub(super) fn gap(look: &Look<'_>) -> Option<Gap> {
    best(look).filter(|(_, is)| *is).map(|(m, _)| m.gap)
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.play;
    let Some((m, is)) = best(look) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "No loaded stroke could be read: run at least one speed with whole cycles.",
        );
    };
    let mut evidence = evidence(look, &m);
    let finding = |verdict, advice: &str| Finding::new(RULE.name, verdict, advice);
    if !look.contacts().is_empty() && is {
        return finding(
            Verdict::CannotTell,
            "Something is met at the end of the stroke, which also moves where force passes zero: run a shorter stroke and look again.",
        )
        .with(evidence);
    }
    if !is {
        // A standstill that grows with speed or shows at one end is a void's, not a gap's.
        super::asides(&mut evidence);
        let stands = m.gap.travel_m >= t.least_m && m.seen_share >= t.persistence;
        if stands && super::cavitation::silent(look) {
            return finding(
                Verdict::CannotTell,
                "The load cell stands still for some travel after a reversal, but not as a gap makes it do: zero the cell with nothing fitted and run again \
with a slow step and five speeds; hold a dial gauge across the mount.",
            )
            .with(evidence);
        }
        return finding(Verdict::None, "No play to be seen.")
            .with(evidence)
            .would_show(
                "free travel",
                // Where speeds are too few or the samples too far apart, more has to be there.
                (4.0 * t.least_m)
                    .max(2.0 * m.blind_m + t.least_m)
                    .max(3.0 * grain(look)),
                "m",
                2.0 * t.plain_m,
                "add quicker steps, and hold a dial gauge across the mount.",
            );
    }
    let verdict = if m.gap.travel_m >= t.plain_m {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    let onset = loaded(look, Direction::Rebound)
        .first()
        .map(|s| s.speed_m_s);
    finding(
        verdict,
        "Free travel in the mounting, the same at every speed: check bushes, rod ends, clamps and the machine's own joints, \
and run again. A dial gauge across the bush at rest would settle it. Forces near the reversals are not the damper's until it is gone.",
    )
    .on(Some(Side::Both))
    .from_speed(onset)
    .with(evidence)
    .sized("of play", m.gap.travel_m, "m")
}

/// Travel between two samples where force comes back, m; nothing finer is seen.
fn grain(look: &Look<'_>) -> f64 {
    if look.speeds() < 4 {
        return f64::INFINITY;
    }
    let of: Vec<f64> = Direction::BOTH
        .iter()
        .flat_map(|d| loaded(look, *d))
        .map(|s| s.grain_m)
        .collect();
    percentile(&of, 0.7).unwrap_or(f64::INFINITY)
}

/// The numbers, for and against.
fn evidence(look: &Look<'_>, m: &Measured) -> Vec<Evidence> {
    let t = look.settings.play;
    let mut evidence = Vec::new();
    for direction in Direction::BOTH {
        let travel = *m.gap.by_end.get(direction);
        let shown = loaded(look, direction)
            .into_iter()
            .map(|s| (s.step, at(look, s, m.gap.zero_n)))
            .max_by(|a, b| a.1.travel_m.total_cmp(&b.1.travel_m));
        let need = if travel >= m.gap.travel_m {
            t.least_m
        } else {
            t.both_ends * m.gap.travel_m.max(t.least_m)
        };
        let entry = Evidence::at_least(
            format!(
                "travel at the start of {} with the load cell at a standstill, median of the loaded steps",
                direction.word()
            ),
            travel,
            "m",
            need,
        );
        evidence.push(match shown {
            Some((step, dwell)) => entry.seen(step, dwell.phase),
            None => entry,
        });
    }
    evidence.push(Evidence::at_least(
        "share of the loaded steps that show it",
        m.seen_share,
        "1",
        t.persistence,
    ));
    evidence.push(Evidence::below(
        "how much it grows with speed, faster half of the steps over slower half",
        m.growth,
        "1",
        t.growth,
    ));
    if m.gap.zero_n != 0.0 {
        evidence.push(Evidence::aside(
            "level of the standstill: the cell's zero was set under load, or gas pushes on across the gap",
            Some(m.gap.zero_n),
            "N",
        ));
    }
    for direction in Direction::BOTH {
        let lost: Vec<f64> = loaded(look, direction)
            .iter()
            .map(|s| s.lost.lost_m)
            .collect();
        evidence.push(Evidence::aside(
            format!(
                "lost motion at the start of {}, gross, median",
                direction.word()
            ),
            percentile(&lost, 0.5),
            "m",
        ));
    }
    evidence
}
