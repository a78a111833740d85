//! Friction that varies over the stroke: a bent rod, a tight spot, a side load.
//!
//! At one travel both strokes of a slow loop are pushed apart by friction there; half their
//! gap, the bleed's part taken off, is friction as a function of travel.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::steps::Step;

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Range of friction over the stroke that counts, N …
    pub range_n: f64,
    /// … and as a share of mean friction.
    pub range_share: f64,
    /// Range that is plain, N.
    pub plain_n: f64,
    /// The ends of the stroke that are left out, each, share of the stroke.
    pub ends: f64,
    /// Steps faster than this carry too much of the valves' force to show friction, m/s.
    pub fastest_m_s: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            range_n: 20.0,
            range_share: 0.4,
            plain_n: 60.0,
            ends: 0.12,
            fastest_m_s: 0.018,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "side-load",
    line: "friction that varies over the stroke: a bent rod, a tight spot, a side load",
    explanation: Explanation {
        means: "The rod drags more in one part of its travel than in another: it is bent or scored, the tube is dented, or the machine pushes it sideways.",
        seen: "In the slow step, half the gap between both strokes at equal travel, the bleed's part taken off, over the middle of the stroke: its range.",
        alike: "Even friction gives a flat profile. A bump contact pushes one way at one end. What the bleed carries follows speed and is taken off.",
        next: "Turn the rod by a quarter in its mounts and run the slow step again: a bent rod moves the tight spot or changes it, a misaligned machine \
does not. Roll the rod on a flat plate or check it with a dial gauge once the damper has been opened by the maker's instructions. A bent rod is a \
safety matter: do not put the part back in service on this page's word.",
    },
    judge,
};

/// Points of the profile.
const POINTS: usize = 25;

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.side_load;
    let slow: Vec<&Step> = look
        .steps_by_speed()
        .into_iter()
        .filter(|s| s.top_speed() <= t.fastest_m_s)
        .collect();
    let Some(step) = slow
        .iter()
        .copied()
        .max_by(|a, b| a.stroke_m.total_cmp(&b.stroke_m))
    else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Friction over the stroke needs a slow step (below 15 mm/s) over as much of the stroke as the machine gives.",
        );
    };
    let Some(profile) = profile(look, step) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "The slow step could not be read over its stroke.",
        );
    };
    let mean = profile.iter().map(|p| p.1).sum::<f64>() / profile.len() as f64;
    let (mut low, mut high) = ((0.0, f64::INFINITY), (0.0, f64::NEG_INFINITY));
    for &(x, f) in &profile {
        if f < low.1 {
            low = (x, f);
        }
        if f > high.1 {
            high = (x, f);
        }
    }
    let range = high.1 - low.1;
    let noise = step.force_noise_n / (step.cycles_used.max(1) as f64).sqrt();
    let need = look
        .scale
        .newtons(t.range_n)
        .max(t.range_share * mean.abs())
        .max(5.0 * noise);
    let phase = step
        .fold
        .travel
        .iter()
        .position(|x| *x >= high.0)
        .map(|i| i as f64 / step.fold.travel.len() as f64);
    let evidence = vec![
        Evidence::at_least("range of friction over the slow stroke", range, "N", need)
            .seen(step.index, phase.map(|p| [p - 0.03, p + 0.03])),
        Evidence::aside("mean friction over the slow stroke", Some(mean), "N"),
        Evidence::aside(
            "travel where it drags most, from mid-stroke",
            Some(high.0),
            "m",
        ),
        Evidence::aside("stroke of the slow step", Some(step.stroke_m), "m"),
    ];
    let (verdict, advice) = if range >= look.scale.newtons(t.plain_n).max(need) {
        (
            Verdict::Developed,
            "The rod drags much more in one part of the stroke. Turn the rod a quarter in its mounts and repeat the slow step to tell a bent rod from a \
misaligned machine; a bent rod must not go back into service.",
        )
    } else if range >= need {
        (
            Verdict::Onset,
            "Friction varies over the stroke. Turn the rod a quarter in its mounts, check the machine's alignment and repeat the slow step over the whole stroke.",
        )
    } else {
        (
            Verdict::None,
            "Friction is even over the stroke of the slow step.",
        )
    };
    Finding::new(RULE.name, verdict, advice)
        .on((verdict >= Verdict::Onset).then_some(Side::Both))
        .with(evidence)
        .sized(
            "of friction between the easiest and the tightest place",
            range,
            "N",
        )
        .would_show(
            "range of friction over the slow stroke",
            need,
            "N",
            look.scale
                .newtons(2.0 * t.plain_n)
                .max(need.min(mean.abs())),
            "run the slow step over more of the stroke, with more cycles.",
        )
}

/// Friction over travel: (travel, half the gap between the strokes less the bleed's part).
fn profile(look: &Look<'_>, step: &Step) -> Option<Vec<(f64, f64)>> {
    let t = look.settings.side_load;
    let fold = &step.fold;
    let n = fold.travel.len();
    let turn = (fold.turn_phase * n as f64).round() as usize;
    if turn < 8 || n - turn < 8 {
        return None;
    }
    let (bottom, top) = (fold.travel[0], fold.travel[turn % n]);
    let stroke = top - bottom;
    let at = |from: usize, to: usize, x: f64| {
        (from..to).find_map(|i| {
            let (a, b) = (fold.travel[i % n], fold.travel[(i + 1) % n]);
            ((a <= x && b > x) || (a >= x && b < x)).then(|| {
                let share = (x - a) / (b - a);
                let mix = |v: &[f64]| v[i % n] + share * (v[(i + 1) % n] - v[i % n]);
                (mix(&fold.force), mix(&fold.velocity))
            })
        })
    };
    // What oil carries in proportion to speed, by the slow step's own statics.
    let rows: Vec<(f64, f64, f64)> = (0..POINTS)
        .filter_map(|k| {
            let share = t.ends + (1.0 - 2.0 * t.ends) * k as f64 / (POINTS - 1) as f64;
            let x = bottom + share * stroke;
            let (inward, v) = at(0, turn, x)?;
            let (outward, w) = at(turn, n, x)?;
            Some((x, 0.5 * (inward - outward), 0.5 * (v - w)))
        })
        .collect();
    if rows.len() < POINTS / 2 {
        return None;
    }
    let friction = look.level.friction_n;
    let (mut top_sum, mut bottom_sum) = (0.0, 0.0);
    for (_, gap, v) in &rows {
        top_sum += (gap - friction) * v;
        bottom_sum += v * v;
    }
    let bleed = if bottom_sum > 0.0 {
        (top_sum / bottom_sum).max(0.0)
    } else {
        0.0
    };
    // A moving median of three takes single outliers out.
    let raw: Vec<(f64, f64)> = rows
        .iter()
        .map(|(x, gap, v)| (*x, gap - bleed * v))
        .collect();
    Some(
        raw.windows(3)
            .map(|w| {
                let mut f = [w[0].1, w[1].1, w[2].1];
                f.sort_by(f64::total_cmp);
                (w[1].0, f[1])
            })
            .collect(),
    )
}
