//! Whether force depends on the place in the stroke, told from equal speed at other places:
//! the two branches of a stroke pass one speed before and after mid-stroke, and strokes of
//! another length pass it elsewhere.
//!
//! What depends on place alone shows at every speed, in proportion to force. A void grows with
//! speed, friction that varies fades against the valves' force, delay and give grow with
//! acceleration: a place is asked for in the slower half of the steps as well.

use super::stroke::SHARES;
use super::{Evidence, Look, Side};
use crate::statistics::percentile;
use crate::steps::Direction;

/// Force that is larger or smaller over one part of a stroke.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Place {
    /// Direction of motion.
    pub direction: Direction,
    /// Difference between both sides of mid-stroke over their mean, slower half of the steps:
    /// positive where the second half of the stroke resists more.
    pub share: f64,
    /// The same in the faster half.
    pub share_fast: f64,
    /// Travel from mid-stroke where it is largest, m, our signs.
    pub travel_m: f64,
    /// Half the stroke there, m.
    pub half_stroke_m: f64,
    /// The difference there in the fastest step, N.
    pub size_n: f64,
    /// True if it rises towards the end the stroke runs into.
    pub towards_end: bool,
    /// The slowest step it was seen in, and where.
    pub step: usize,
    /// Phase from and to.
    pub phase: [f64; 2],
    /// Smallest share the noise of the run would have let through.
    pub noise_share: f64,
}

impl Place {
    /// Which direction.
    pub(super) fn side(&self) -> Side {
        Side::from(self.direction)
    }
}

/// Shares of the peak speed looked at: near the peak both branches are at one place.
const FROM: f64 = 0.28;
const TO: f64 = 0.92;
/// Neighbouring speeds averaged.
const WINDOW: usize = 3;
/// Strokes within this share of the longest are compared.
const SAME_STROKE: f64 = 0.9;

/// The largest dependence on place in a direction, whether it counts or not.
pub(super) fn place(look: &Look<'_>, direction: Direction) -> Option<Place> {
    let longest = look.of(direction).map(|s| s.stroke_m).fold(0.0, f64::max);
    let strokes: Vec<_> = look
        .quick(direction)
        .filter(|s| s.stroke_m >= SAME_STROKE * longest && s.branches.iter().any(Option::is_some))
        .collect();
    if strokes.len() < 2 {
        return None;
    }
    let halves = strokes.len().div_ceil(2);
    let difference = |s: &&super::Stroke, k: usize| {
        s.branches[k].and_then(|b| {
            let friction = look.level.friction_n;
            let mean = 0.5 * (b.down_n + b.up_n) - friction;
            (mean > 6.0 * s.error_n && mean > 0.5 * friction).then(|| (b.down_n - b.up_n) / mean)
        })
    };
    let median = |part: &[&super::Stroke], k: usize| -> Option<f64> {
        let values: Vec<f64> = part.iter().filter_map(|s| difference(s, k)).collect();
        (2 * values.len() >= part.len()).then(|| percentile(&values, 0.5))?
    };
    let kept: Vec<usize> = (0..SHARES.len())
        .filter(|&k| (FROM..=TO).contains(&SHARES[k]))
        .collect();
    let profile: Vec<(usize, f64, f64)> = kept
        .iter()
        .filter_map(|&k| {
            Some((
                k,
                median(&strokes[..halves], k)?,
                median(&strokes[strokes.len() - halves..], k)?,
            ))
        })
        .collect();
    let mean = |w: &[(usize, f64, f64)], pick: fn(&(usize, f64, f64)) -> f64| {
        w.iter().map(pick).sum::<f64>() / w.len() as f64
    };
    let best = profile.windows(WINDOW).max_by(|a, b| {
        let least = |w: &[(usize, f64, f64)]| mean(w, |p| p.1).abs().min(mean(w, |p| p.2).abs());
        least(a).total_cmp(&least(b))
    })?;
    let (share, share_fast) = (mean(best, |p| p.1), mean(best, |p| p.2));
    let k = best[WINDOW / 2].0;
    let slow = strokes[0];
    let fast = strokes[strokes.len() - 1];
    let at = slow.branches[k]?;
    let half = 0.5 * slow.stroke_m;
    let off = half * (1.0 - SHARES[k] * SHARES[k]).sqrt();
    let later = share > 0.0;
    // Compression runs towards positive travel: its second half lies there.
    let travel_m = direction.sign() * if later { off } else { -off };
    let size_n = fast.branches[k].map_or(0.0, |b| (b.down_n - b.up_n).abs());
    // Near mid-stroke a stop has not begun, a bypass already has.
    let last = profile.last().map_or(0.0, |p| p.1);
    Some(Place {
        direction,
        share,
        share_fast,
        travel_m,
        half_stroke_m: half,
        size_n,
        towards_end: later && last <= 0.5 * share,
        step: slow.step,
        phase: if later {
            [at.passage.down - 0.03, at.passage.down + 0.03]
        } else {
            [at.passage.up - 0.03, at.passage.up + 0.03]
        },
        noise_share: strokes
            .iter()
            .map(|s| 3.0 * s.error_n / (0.4 * s.half_span_n).max(f64::MIN_POSITIVE))
            .fold(0.0, f64::max),
    })
}

/// What depends on place alone is the same share of force at slow and at fast steps, within
/// this ratio; a delay's share grows with frequency.
const ALIKE: f64 = 0.6;
/// Lost motion of the fastest stroke, share of the stroke, and over that of the slowest quick
/// one, from which something grows with speed as a void does.
const VOID_SHARE: f64 = 0.03;
const VOID_GROWTH: f64 = 2.0;

/// Whether lost motion at the start of either stroke grows with speed: no place does that.
fn void_grows(look: &Look<'_>) -> bool {
    Direction::BOTH.into_iter().any(|d| {
        let mut strokes = look.quick(d);
        let (Some(slowest), Some(fastest)) = (strokes.next(), strokes.next_back()) else {
            return false;
        };
        let share = |s: &super::Stroke| s.lost.lost_m / s.stroke_m;
        share(fastest) >= VOID_SHARE && share(fastest) >= VOID_GROWTH * share(slowest)
    })
}

/// Whether a place counts: there at slow and fast speeds alike, and not what play, a stop or
/// a spring brings about.
pub(super) fn counts(look: &Look<'_>, place: &Place, share: f64) -> bool {
    place.share.abs() >= share
        && place.share.signum() == place.share_fast.signum()
        && place.share_fast.abs() >= share.max(ALIKE * place.share.abs())
        && place.share.abs() >= ALIKE * place.share_fast.abs()
        && !void_grows(look)
        && !look.soft()
        && look.gap().is_none()
        && look.contacts().is_empty()
        && super::spring_fitted::spring(look).is_none()
}

/// The evidence of every place by what it is called and how large it is: the one `found` is
/// held against the threshold, the others stand beside it.
pub(super) fn evidence(
    places: &[Place],
    found: Option<Place>,
    threshold: f64,
    told: impl Fn(&Place, &str) -> (String, f64),
) -> Vec<Evidence> {
    places
        .iter()
        .map(|p| {
            let (what, size) = told(p, p.direction.word());
            let entry = if found.is_some_and(|f| f.direction == p.direction) {
                Evidence::at_least(what, size, "1", threshold)
            } else {
                Evidence::aside(what, Some(size), "1")
            };
            entry.seen(p.step, Some(p.phase))
        })
        .collect()
}

/// Force at one speed in steps of other strokes or frequencies: the largest disagreement.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Apart {
    /// Difference over the mean, the longer stroke less the shorter.
    pub share: f64,
    /// Speed, m/s.
    pub speed_m_s: f64,
    /// Direction.
    pub direction: Direction,
    /// Strokes, shorter and longer, m.
    pub strokes_m: [f64; 2],
    /// Frequencies of the same, Hz.
    pub frequencies_hz: [f64; 2],
    /// The step of the longer stroke.
    pub step: usize,
}

/// Peak speeds within this share are one speed; strokes that differ by more than this are two.
const SAME_SPEED: f64 = 0.04;
const OTHER_STROKE: f64 = 1.2;

/// One peak speed at two strokes: the same place (mid-stroke), the same speed, another
/// frequency. `None` if the run has no such pair.
pub(super) fn other_frequency(look: &Look<'_>) -> Option<Apart> {
    let mut worst: Option<Apart> = None;
    for direction in Direction::BOTH {
        let strokes: Vec<_> = look.quick(direction).collect();
        for (i, a) in strokes.iter().enumerate() {
            for b in &strokes[i + 1..] {
                let (short, long) = if a.stroke_m < b.stroke_m {
                    (a, b)
                } else {
                    (b, a)
                };
                let same = (a.speed_m_s / b.speed_m_s - 1.0).abs() <= SAME_SPEED;
                if !same || long.stroke_m < OTHER_STROKE * short.stroke_m {
                    continue;
                }
                let steps = &look.case.steps;
                // Force goes with speed about in proportion: what is left of the difference.
                let speeds = (long.speed_m_s / short.speed_m_s - 1.0).abs();
                let mean = 0.5 * (short.load_at_peak_n + long.load_at_peak_n);
                if mean <= 8.0 * (short.error_n + long.error_n) {
                    continue;
                }
                let raw = (long.load_at_peak_n - short.load_at_peak_n) / mean;
                let share = raw.signum() * (raw.abs() - speeds).max(0.0);
                if worst.is_none_or(|w| share.abs() > w.share.abs()) {
                    worst = Some(Apart {
                        share,
                        speed_m_s: 0.5 * (a.speed_m_s + b.speed_m_s),
                        direction,
                        strokes_m: [short.stroke_m, long.stroke_m],
                        frequencies_hz: [steps[short.at].frequency_hz, steps[long.at].frequency_hz],
                        step: long.step,
                    });
                }
            }
        }
    }
    worst
}
