//! Play: free travel in a mount, a bush or a rod end.
//!
//! While the gap is crossed nothing is pushed, so the load cell reads zero whatever the gas
//! force is, and the travel that takes is the gap's own: the same millimetres at every
//! speed. With a gas charge the rod pushes itself across, which lengthens the travel seen
//! at the start of rebound at low speed and shortens it at the start of compression.

use serde::{Deserialize, Serialize};

use super::stroke::Stroke;
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
    /// The gap, m: median travel at zero force at the start of rebound.
    pub travel_m: f64,
    /// Travel by stroke, median over loaded steps, m.
    pub by_end: PerDirection<f64>,
}

/// What was measured, whether or not it makes a gap.
struct Measured {
    gap: Gap,
    seen_share: f64,
    growth: f64,
}

fn loaded<'l>(look: &'l Look<'_>, direction: Direction) -> Vec<&'l Stroke> {
    let least = look.settings.play.loaded_share * look.largest_span_n();
    look.of(direction)
        .filter(|s| s.half_span_n >= least)
        .collect()
}

fn measure(look: &Look<'_>) -> Option<Measured> {
    let t = look.settings.play;
    let travels =
        |d: Direction| -> Vec<f64> { loaded(look, d).iter().map(|s| s.dwell.travel_m).collect() };
    let (compression, rebound) = (travels(Direction::Compression), travels(Direction::Rebound));
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
    Some(Measured {
        gap: Gap {
            travel_m: by_end.rebound.max(by_end.compression),
            by_end,
        },
        seen_share: seen as f64 / larger.len().max(1) as f64,
        growth: if low > 0.0 { high / low } else { f64::INFINITY },
    })
}

/// The gap, if there is one.
pub(super) fn gap(look: &Look<'_>) -> Option<Gap> {
    let t = look.settings.play;
    let m = measure(look)?;
    let (least, most) = (
        m.gap.by_end.compression.min(m.gap.by_end.rebound),
        m.gap.travel_m,
    );
    let both = least >= t.both_ends * most && m.growth <= t.growth;
    let rebound_alone = m.gap.by_end.rebound >= t.rebound_alone_m.max(m.gap.by_end.compression)
        && m.growth <= t.rebound_alone_growth
        && look.speeds() > 2;
    (most >= t.least_m && m.seen_share >= t.persistence && (both || rebound_alone)).then_some(m.gap)
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.play;
    let Some(m) = measure(look) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "No loaded stroke could be read: run at least one speed with whole cycles.",
        );
    };
    let mut evidence = Vec::new();
    for direction in Direction::BOTH {
        let travel = *m.gap.by_end.get(direction);
        let shown = loaded(look, direction)
            .into_iter()
            .max_by(|a, b| a.dwell.travel_m.total_cmp(&b.dwell.travel_m))
            .map(|s| (s.step, s.dwell.phase));
        let need = if travel >= m.gap.travel_m {
            t.least_m
        } else {
            t.both_ends * m.gap.travel_m.max(t.least_m)
        };
        let entry = Evidence::at_least(
            format!(
                "travel at the start of {} with the load cell at zero, median of the loaded steps",
                direction.word()
            ),
            travel,
            "m",
            need,
        );
        evidence.push(match shown {
            Some((step, phase)) => entry.seen(step, phase),
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
    if !look.contacts().is_empty() && look.gap().is_some() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Something is met at the end of the stroke, which also moves where force passes zero: run a shorter stroke and look again.",
        )
        .with(evidence);
    }
    let Some(gap) = look.gap() else {
        return Finding::new(RULE.name, Verdict::None, "No play to be seen.").with(evidence);
    };
    let verdict = if gap.travel_m >= t.plain_m {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    let onset = loaded(look, Direction::Rebound)
        .first()
        .map(|s| s.speed_m_s);
    Finding::new(
        RULE.name,
        verdict,
        "Free travel in the mounting, the same at every speed: check bushes, rod ends, clamps and the machine's own joints, \
and run again. A dial gauge across the bush at rest would settle it. Forces near the reversals are not the damper's until it is gone.",
    )
    .on(Some(Side::Both))
    .from_speed(onset)
    .with(evidence)
}
