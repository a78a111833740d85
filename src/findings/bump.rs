//! End-of-travel contact: bump or top-out. Force rises with travel at one end, whatever the
//! speed, and pushes back on the way out.
//!
//! Within the last part of the stroke both branches stand off the gas line by the contact's
//! force: their mean is an elastic force of travel alone. A void also keeps force up at the
//! end of compression, but not in slow steps.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::statistics::percentile;
use crate::steps::{Direction, Step};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Force at the reversal beyond the gas line that counts, share of the step's half
    /// peak-to-peak force.
    pub force_share: f64,
    /// … and at least this, N: more than friction and a hysteretic bush leave at a reversal.
    pub least_n: f64,
    /// Force that is plain, share.
    pub plain_share: f64,
    /// Force at the reversal in the slowest full-stroke step over that in the fastest, at
    /// least: an elastic contact does not depend on speed.
    pub steady: f64,
    /// Rise of force on the way into the end, over the force at the reversal, at least, in the
    /// slowest full-stroke step: friction with play also holds force up there, but does not
    /// rise towards the end.
    pub rise: f64,
    /// Travel from the end over which the contact must have gone, share of the stroke.
    pub reach_share: f64,
    /// Steps whose stroke is this share of the longest reach the same end.
    pub full_stroke: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            force_share: 0.06,
            least_n: 60.0,
            plain_share: 0.2,
            steady: 0.5,
            rise: 0.5,
            reach_share: 0.45,
            full_stroke: 0.97,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "bump",
    line: "bump or top-out: something elastic is met at one end of the stroke at every speed",
    explanation: Explanation {
        means: "The stroke of the machine runs into a bump stop, a top-out spring or the end of the damper's travel. Forces near that end \
are the stop's, not the valving's.",
        seen: "At one reversal force stands off the gas line by far more than friction, at slow and high speed alike, rises steeply over the last \
travel and pushes back along the same line on the way out.",
        alike: "Cavitation keeps force up at the end of compression too, but not in slow steps. A gas spring rises over the whole \
stroke, not over its last part. A late force channel moves force at both ends and grows with speed.",
        next: "Run with a shorter stroke or another mid-stroke position. If the force at that end goes, the stop was met. Hitting a hard \
end stop at speed can damage damper and machine: stop the test if the end of travel is close.",
    },
    judge,
};

/// A contact at one end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contact {
    /// The stroke that begins at this end (rebound for a bump).
    pub before: Direction,
    /// Force at the reversal beyond the gas line, N, median over steps.
    pub force_n: f64,
    /// The same over half the peak-to-peak force.
    pub share: f64,
    /// Travel over which the contact pushes, m.
    pub reach_m: f64,
    /// Travel that reads as lost because of it, m.
    pub lost_m: f64,
    /// Slowest over fastest.
    pub steady: f64,
    /// Rise on the way into the end, over the force at the reversal.
    pub rise: f64,
}

/// Contacts that were found. A stop pushes alike at every speed, so that one speed shows none.
pub(super) fn contacts(look: &Look<'_>) -> Vec<Contact> {
    if look.speeds() < 2 || super::spring_fitted::spring(look).is_some() {
        return Vec::new();
    }
    like_contacts(look)
}

/// Ends where force is like a contact's in the steps there are.
fn like_contacts(look: &Look<'_>) -> Vec<Contact> {
    let t = look.settings.bump;
    Direction::BOTH
        .into_iter()
        .filter_map(|before| measure(look, before))
        .filter(|c| {
            c.force_n >= look.scale.newtons(t.least_n)
                && c.share >= t.force_share
                && c.steady >= t.steady
                && c.rise >= t.rise
                && c.reach_m > 0.0
        })
        .collect()
}

/// Mean of both branches beyond the gas line at a distance from the reversal, N, counted
/// positive when it pushes away from the end.
fn beyond(look: &Look<'_>, step: &Step, before: Direction, distance: usize) -> f64 {
    let fold = &step.fold;
    let n = fold.force.len();
    let turn = match before {
        Direction::Compression => 0,
        Direction::Rebound => (fold.turn_phase * n as f64).round() as usize,
    };
    let late = (look.level.lag_s * step.frequency_hz * n as f64).round() as isize;
    let force = |i: isize| fold.force[(i + late).rem_euclid(n as isize) as usize];
    let travel = |i: isize| fold.travel[i.rem_euclid(n as isize) as usize];
    let (a, b) = (
        turn as isize - distance as isize,
        turn as isize + distance as isize,
    );
    let line = |i: isize| look.level.gas_force_n + look.level.gas_stiffness_n_m * travel(i);
    let mean = 0.5 * (force(a) - line(a) + force(b) - line(b));
    -before.sign() * mean
}

/// Rise of the load over the last part of the way into the end, from its lowest point, N.
fn rise_into(look: &Look<'_>, step: &Step, before: Direction) -> f64 {
    let fold = &step.fold;
    let n = fold.force.len();
    let (coming, turn) = match before {
        Direction::Compression => (Direction::Rebound, 0),
        Direction::Rebound => (
            Direction::Compression,
            (fold.turn_phase * n as f64).round() as usize,
        ),
    };
    let at = |d: usize| {
        let phase = (turn + n - d) as f64 / n as f64;
        super::load(step, &fold.force, coming, &look.level, phase)
    };
    let lowest = (AT_END..n / 4).map(at).fold(f64::INFINITY, f64::min);
    at(AT_END) - lowest
}

/// Grid points from the reversal at which the end force is read: force of friction and
/// valves cancels there between the branches.
const AT_END: usize = 3;

fn measure(look: &Look<'_>, before: Direction) -> Option<Contact> {
    let t = look.settings.bump;
    let steps = look.steps_by_speed();
    let longest = steps.iter().map(|s| s.stroke_m).fold(0.0, f64::max);
    let full: Vec<&Step> = steps
        .into_iter()
        .filter(|s| s.stroke_m >= t.full_stroke * longest)
        .collect();
    let forces: Vec<f64> = full
        .iter()
        .map(|s| beyond(look, s, before, AT_END))
        .collect();
    let force_n = percentile(&forces, 0.5)?;
    let span = percentile(
        &full
            .iter()
            .map(|s| 0.5 * (s.peak_force_n.compression - s.peak_force_n.rebound))
            .collect::<Vec<_>>(),
        0.5,
    )?;
    let slowest = full.first()?;
    let (first, last) = (*forces.first()?, *forces.last()?);
    // Where half of the end force is left.
    let n = slowest.fold.travel.len();
    let turn = match before {
        Direction::Compression => 0,
        Direction::Rebound => (slowest.fold.turn_phase * n as f64).round() as usize,
    };
    let half = (AT_END..n / 4).find(|&d| beyond(look, slowest, before, d) < 0.5 * first);
    let reach = half.map_or(0.0, |d| {
        (slowest.fold.travel[(turn + d) % n] - slowest.fold.travel[turn % n]).abs()
    });
    let reach_m = if reach <= t.reach_share * slowest.stroke_m {
        2.0 * reach
    } else {
        0.0
    };
    let lost = look
        .of(before)
        .filter(|s| s.stroke_m >= t.full_stroke * longest)
        .map(|s| s.lost.lost_m)
        .next()
        .unwrap_or(0.0);
    Some(Contact {
        before,
        force_n,
        share: if span > 0.0 { force_n / span } else { 0.0 },
        reach_m,
        lost_m: lost.max(reach_m),
        steady: if last > 0.0 { first / last } else { 0.0 },
        rise: if first > 0.0 {
            rise_into(look, slowest, before) / first
        } else {
            0.0
        },
    })
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.bump;
    let mut evidence = Vec::new();
    let found = look.contacts();
    for before in Direction::BOTH {
        let end = match before {
            Direction::Compression => "full extension",
            Direction::Rebound => "full compression",
        };
        let Some(m) = measure(look, before) else {
            continue;
        };
        let shown = look.of(before).next().map(|s| (s.step, s.lost.begin));
        let mut rows = vec![
            Evidence::at_least(
                format!(
                    "force at {end} beyond the gas line, median, share of half the peak-to-peak force"
                ),
                m.share,
                "1",
                t.force_share,
            ),
            Evidence::at_least(
                format!("the same at {end} in the slowest full-stroke step over the fastest"),
                m.steady,
                "1",
                t.steady,
            ),
            Evidence::at_least(
                format!(
                    "rise of force on the way into {end} over the force there, slowest full-stroke step"
                ),
                m.rise,
                "1",
                t.rise,
            ),
        ];
        // Force at an end that is not there at every speed, or does not rise towards it, is
        // no stop's.
        if !found.iter().any(|c| c.before == before) {
            super::asides(&mut rows);
        }
        if let (Some((step, phase)), Some(force)) = (shown, rows.first_mut()) {
            *force = force.clone().seen(step, Some([phase - 0.03, phase + 0.03]));
        }
        evidence.extend(rows);
        evidence.push(Evidence::aside(
            format!("force at {end} beyond the gas line, median"),
            Some(m.force_n),
            "N",
        ));
    }
    let contacts = look.contacts();
    if look.speeds() < 2 && !like_contacts(look).is_empty() {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Force rises towards an end of the stroke, but one speed alone cannot tell a stop from anything that grows with speed: run a \
second, slower speed over the same stroke.",
        )
        .with(evidence);
    }
    let longest = look
        .of(Direction::Rebound)
        .map(|s| s.stroke_m)
        .fold(0.0, f64::max);
    let full = look
        .of(Direction::Rebound)
        .filter(|s| s.stroke_m >= t.full_stroke * longest)
        .count();
    if contacts.is_empty()
        && (full < 2 || look.speeds() < 3 || super::spring_fitted::spring(look).is_some())
    {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "A stop shows by pushing alike at every speed: run the whole stroke at three speeds or more, without a spring.",
        )
        .with(evidence);
    }
    let Some(worst) = contacts.iter().max_by(|a, b| a.share.total_cmp(&b.share)) else {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "Nothing elastic is met at the ends of the stroke.",
        )
        .with(evidence)
        .would_show(
            "force of a stop at the end of the stroke",
            look.scale
                .newtons(t.least_n)
                .max(t.force_share * look.largest_span_n()),
            "N",
            t.plain_share * look.largest_span_n(),
            "run a slow step over the whole stroke.",
        );
    };
    let verdict = if worst.share >= t.plain_share {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    let side = match contacts {
        [_, _] => Side::Both,
        _ if worst.before == Direction::Rebound => Side::Compression,
        _ => Side::Rebound,
    };
    let end = match side {
        Side::Compression => "full compression (bump)",
        Side::Rebound => "full extension (top-out)",
        Side::Both => "both ends",
    };
    Finding::new(
        RULE.name,
        verdict,
        format!(
            "Something elastic is met at {end} at every speed. Run with a shorter stroke or another mid-stroke position and look at the \
curve again; forces near that end are the stop's. Do not run a damper into a hard end stop."
        ),
    )
    .on(Some(side))
    .with(evidence)
    .sized("at the end of the stroke", worst.force_n, "N")
}
