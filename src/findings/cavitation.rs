//! Cavitation: oil tears where pressure falls to its vapour pressure, and a void has to be
//! refilled before force comes back.
//!
//! Monotube: the piston side sees the gas pressure `p`, the rod side `p` less the pressure
//! drop of the compression valve. Compression force cannot grow beyond
//! `p·(A_piston − A_rod)` plus the gas force; where the void has not refilled by the end of
//! the stroke, rebound starts without force. Twin-tube: where the foot valve's intake cannot
//! follow in rebound, the void is on the piston side and compression starts without force.
//!
//! Two signs are looked for, each net of what slower steps of the same damper show:
//! lost motion after a reversal, and an overhang: force that stays up while slowing down,
//! above what speeding up through the same speed took, because a void still holds the rod
//! side at no pressure.

use serde::{Deserialize, Serialize};

use super::stroke::{Branches, SHARES, Stroke};
use super::{Evidence, Explanation, Finding, Look, Rule, Side, Verdict};
use crate::signal::sample_circular;
use crate::steps::Direction;

/// Thresholds of the rule. Chosen on simulated runs of other dampers, speeds and seeds than
/// the study in docs/methods/findings.md is made of.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Net lost motion that counts, share of the stroke. Sound dampers stayed below 0.008,
    /// all but a few with a force delay of several ms left in below 0.02; voids that matter
    /// began at 0.02.
    pub lost_share: f64,
    /// Net lost motion that is plain, share of the stroke.
    pub lost_plain_share: f64,
    /// Net lost motion must also be this many sample distances where force is back.
    pub lost_samples: f64,
    /// Where force even pushes the wrong way after the reversal, as a void that still holds the
    /// rod side empty makes it do, this much net lost motion is enough, share of the stroke;
    /// sound dampers that did so at all stayed below 0.005.
    pub wrong_way_share: f64,
    /// Missing force, share of expected on average over the lost travel, from which it counts
    /// as pushing the wrong way: above one.
    pub wrong_way_missing: f64,
    /// … and the largest deficit, share of half the peak-to-peak force.
    pub wrong_way_deficit: f64,
    /// Part of the lost motion at the start of compression over which force must be flat.
    pub flat_part: f64,
    /// Overhang that counts, share of half the peak-to-peak force. Sound dampers stayed below
    /// 0.008 once what slower steps show was taken off.
    pub overhang_share: f64,
    /// Overhang that is plain.
    pub overhang_plain_share: f64,
    /// Overhang must also be this many standard errors of the loop's force: a mean over two
    /// speeds of the difference of two branches has just one such error.
    pub overhang_errors: f64,
    /// Overhang is looked for from this share of the peak speed up: below it, lag and the
    /// steep bleed make loops wide.
    pub overhang_from: f64,
    /// Of the steps at and above the first speed, this share must show it.
    pub persistence: f64,
    /// Noise that hides a force change of this share of half the peak-to-peak force makes
    /// the run unfit to judge.
    pub hidden_share: f64,
    /// A verdict needs at least this many cycles in all.
    pub least_cycles: u64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            lost_share: 0.02,
            lost_plain_share: 0.06,
            lost_samples: 1.0,
            wrong_way_share: 0.01,
            wrong_way_missing: 1.05,
            wrong_way_deficit: 0.15,
            flat_part: 0.15,
            overhang_share: 0.02,
            overhang_plain_share: 0.12,
            overhang_errors: 3.5,
            overhang_from: 0.38,
            persistence: 0.5,
            hidden_share: 0.15,
            least_cycles: 3,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "cavitation",
    line: "oil tears behind the piston or over the foot valve, and force is missing until the void has refilled",
    explanation: Explanation {
        means: "Pressure on one side of the piston has fallen to nothing and the oil has torn. In a \
damper with a gas chamber that is the rod side in compression: the charge cannot hold up the compression \
valving. In a twin-tube it can also be the piston side in rebound: the foot valve's intake does not let oil \
follow. Until the void has closed again the damper does not damp.",
        seen: "Lost motion at the start of the next stroke that grows with speed and is absent in slow \
steps (net of what slow steps and the oil's own give show), at the start of rebound for a void on the rod \
side, at the start of compression for one on the piston side. A shallow void closes before the stroke ends; \
then compression force stays up while slowing down, above what it was at the same speed while speeding up, \
and drops back abruptly (the overhang). With bore and rod known, the force at which compression stops growing is \
also given as a pressure.",
        alike: "Play in a mount loses the same millimetres at every speed and at both ends, with the load \
cell at zero. Air in the oil makes both reversals soft rather than flat and grows cycle by cycle. A late force \
channel widens the loop at both ends alike and is estimated apart. A bump contact pushes at the same travel at \
every speed. A digressive valve also stops growing, but its loop stays narrow there.",
        next: "Run the same ladder again with a slow step and with steps on either side of the first speed \
named. If the charge can be set by someone equipped and allowed to, compare two charges: a void moves to higher \
speed with more gas, everything else stays. In a twin-tube look at the foot valve and the oil level. Opening and \
charging follow the maker's instructions, local rules and licensed practice only: there is gas at pressure inside.",
    },
    judge,
};

/// One sign of a void in one stroke.
#[derive(Debug, Clone, Copy)]
struct Sign {
    step: usize,
    speed: f64,
    plain: bool,
    /// Net lost motion, m, or 0.
    size_m: f64,
    /// Force held up, N, or 0.
    size_n: f64,
}

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.cavitation;
    let mut evidence = Vec::new();
    let mut started = lost_motion(look, Direction::Compression, &t, &mut evidence);
    let mut emptied = lost_motion(look, Direction::Rebound, &t, &mut evidence);
    let mut held_up = overhang(look, &t, &mut evidence);
    let any = !(started.is_empty() && emptied.is_empty() && held_up.is_empty());
    let other = if any { other_cause(look) } else { None };
    match other {
        // Play alone accounts for what is lost at a single speed, air that grows for all of it.
        Some("aeration" | "spring-fitted") => {
            started.clear();
            emptied.clear();
            held_up.clear();
        }
        Some("play") if look.speeds() < 2 => {
            started.clear();
            emptied.clear();
            held_up.clear();
        }
        // What depends on place or frequency bends a stroke, but does not empty a chamber.
        Some("hydraulic-stop" | "position" | "frequency") => held_up.clear(),
        _ => {}
    }
    let piston = lasting(look, started, &t);
    // Bubbles that have grown under low pressure hold force up in the same way: where loops
    // plainly go soft from cycle to cycle, a void must show as lost motion too.
    let softer = || super::aeration::verdict(look) == Verdict::Developed;
    if emptied.is_empty() && (dragged(look, &t) || softer()) {
        held_up.clear();
    }
    // A deep void shows as lost motion, a shallow one as an overhang: together they last.
    let rod = lasting(look, [emptied.clone(), held_up.clone()].concat(), &t);
    let on_rod_side = |signs: &[Sign]| -> Vec<Sign> {
        let kept = |s: &&Sign| rod.iter().any(|r| r.step == s.step);
        signs.iter().filter(kept).copied().collect()
    };
    for entry in &mut evidence {
        let seen = |s: &Sign| Some(s.step) == entry.step;
        if entry.met && !(rod.iter().any(seen) || piston.iter().any(seen)) {
            super::asides(std::slice::from_mut(entry));
        }
    }
    let on_piston_side = piston_side_first(&piston, &on_rod_side(&emptied), &on_rod_side(&held_up));
    let signs = if on_piston_side { &piston } else { &rod };
    let finding = |verdict, advice: String| Finding::new(RULE.name, verdict, advice);
    if signs.is_empty() {
        return unseen(look, &t, any, other).with(evidence);
    }
    let onset = signs.iter().map(|s| s.speed).reduce(f64::min);
    evidence.extend(cap(look, on_piston_side, onset));
    evidence.extend(heat_deficit(look, on_piston_side));
    // Plain lost motion shows through any noise.
    let plain = emptied.iter().chain(&piston).any(|s| s.plain);
    if let Some(reason) = cannot_tell(look, &t).filter(|_| !plain || look.speeds() < 2) {
        return finding(
            Verdict::CannotTell,
            format!("Something like a void shows, but {reason}"),
        )
        .with(evidence);
    }
    // At the fastest step alone nothing above it says how far it goes.
    let fastest = look
        .quick(Direction::Compression)
        .next_back()
        .map(|s| s.step);
    let top_alone = signs.iter().all(|s| Some(s.step) == fastest);
    let verdict = if signs.iter().any(|s| s.plain) && !top_alone {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    let advice = if on_piston_side {
        "Force is missing at the start of compression, the more the faster: oil does not follow into the piston \
side in rebound. Suspect the foot valve's intake, a low oil level or a blocked passage. A ladder with smaller \
speed steps near the first speed would place it; opening the damper is work for the maker's instructions and a \
licensed shop, since there may be gas at pressure inside."
    } else {
        "The gas charge does not hold up the compression valving: compression force stops growing and rebound \
starts without force. Either the charge is low for this valving or the compression valving is too firm for the charge. \
To settle it, run the same ladder at two charges set by someone equipped for it, within the maker's limits; see \
the gas margin if bore and rod are on the damper card. Do not open or charge a damper without the maker's \
instructions, proper equipment and the licence local rules ask for."
    };
    let mut advice = if top_alone {
        format!("It shows at the top speed alone: add one above it to see how it grows. {advice}")
    } else {
        advice.to_owned()
    };
    if let Some(v) = onset.filter(|v| knee_near(look, on_piston_side, *v)) {
        advice.push_str(&format!(
            " The knee in compression at about {v:.2} m/s is where force is capped, not where a valve opens."
        ));
    }
    let size = signs.iter().map(|s| s.size_m).fold(0.0, f64::max);
    let held = signs.iter().map(|s| s.size_n).fold(0.0, f64::max);
    let found = finding(verdict, advice);
    let found = if size > 0.0 {
        found.sized("of lost motion", size, "m")
    } else {
        found.sized("held up while slowing down", held, "N")
    };
    found
        .on(Some(if on_piston_side {
            Side::Rebound
        } else {
            Side::Compression
        }))
        .from_speed(onset)
        .with(evidence)
}

/// A knee within this share of the first speed is the cap's.
const KNEE_NEAR: f64 = 0.25;

/// Whether a knee of the compression curve lies where a void begins to cap it.
fn knee_near(look: &Look<'_>, on_piston_side: bool, onset: f64) -> bool {
    let fit = look.case.fits.get(Direction::Compression).as_ref();
    let near = |v: f64| (v / onset - 1.0).abs() <= KNEE_NEAR;
    !on_piston_side && fit.is_some_and(|f| f.knees.iter().any(|k| near(k.velocity_m_s)))
}

/// Another finding that brings about what a void would.
fn other_cause(look: &Look<'_>) -> Option<&'static str> {
    if look.gap().is_some() {
        return Some("play");
    }
    if !look.contacts().is_empty() {
        return Some("bump");
    }
    if super::hydraulic_stop::stop(look).is_some() {
        return Some("hydraulic-stop");
    }
    if super::position::found(look).is_some() {
        return Some("position");
    }
    if super::frequency::found(look) {
        return Some("frequency");
    }
    if super::spring_fitted::spring(look).is_some() {
        return Some("spring-fitted");
    }
    (super::aeration::grew(look) || look.soft()).then_some("aeration")
}

/// True where no sign of a void is there at all, so that a standstill has to be something else.
pub(super) fn silent(look: &Look<'_>) -> bool {
    judge(look).verdict < Verdict::Onset
}

/// What to say where no sign lasts.
fn unseen(look: &Look<'_>, t: &Thresholds, any: bool, other: Option<&str>) -> Finding {
    if let Some(reason) = cannot_tell(look, t) {
        return Finding::new(RULE.name, Verdict::CannotTell, reason);
    }
    let none = |advice: &str| Finding::new(RULE.name, Verdict::None, advice);
    match (any, other) {
        (true, Some(cause)) => {
            none("What is missing or held up here comes with the finding named as its cause.")
                .explained(cause)
        }
        (true, None) => Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Something like a void shows at some speeds and not at faster ones: run the ladder again with one stroke, a slow step and more speeds.",
        ),
        (false, _) => {
            let fastest = look.quick(Direction::Compression).next_back();
            let (least, matters) = fastest.map_or((f64::NAN, 0.0), |s| {
                let held = (t.overhang_share * s.half_span_n).max(t.overhang_errors * s.error_n);
                let flat = s.branches.iter().all(Option::is_none);
                // Without two branches lost motion alone tells: a void that costs a tenth.
                let least = if strokes_differ(look) {
                    // No step of the same stroke to hold the fastest against.
                    0.3 * s.half_span_n
                } else if flat {
                    0.1 * s.half_span_n
                } else {
                    held
                };
                (least, t.hidden_share * s.half_span_n)
            });
            none("No sign of a void at the speeds that were run; faster ones were not tried.")
                .would_show(
                    "change of force by a void at the fastest step",
                    least,
                    "N",
                    matters,
                    "record more cycles at each speed.",
                )
        }
    }
}

/// The signs of the steps from which on at least the asked share of steps has one.
fn lasting(look: &Look<'_>, signs: Vec<Sign>, t: &Thresholds) -> Vec<Sign> {
    let steps: Vec<usize> = look.quick(Direction::Compression).map(|s| s.step).collect();
    let flags: Vec<bool> = steps
        .iter()
        .map(|step| signs.iter().any(|s| s.step == *step))
        .collect();
    let Some(first) = first_lasting(&flags, t.persistence) else {
        return Vec::new();
    };
    signs
        .into_iter()
        .filter(|s| steps[first..].contains(&s.step))
        .collect()
}

/// Which side tears: the one that shows at the lower speed. A void on the rod side also bends
/// the start of compression at higher speeds, and one on the piston side makes compression
/// lopsided as an overhang does; at equal speed lost motion is the better sign.
fn piston_side_first(piston: &[Sign], emptied: &[Sign], held_up: &[Sign]) -> bool {
    let first = |signs: &[Sign]| signs.iter().map(|s| s.speed).fold(f64::INFINITY, f64::min);
    let own = first(piston);
    // The two peaks of a crank's step differ a little.
    let same = 1.03;
    own.is_finite() && own < first(emptied) / same && own <= first(held_up) * same
}

/// Why the run cannot be judged, if it cannot.
fn cannot_tell(look: &Look<'_>, t: &Thresholds) -> Option<String> {
    let cycles: u64 = look.case.steps.iter().map(|s| s.cycles_used).sum();
    if look.speeds() < 2 {
        // Play explains a loop of one speed to the end: nothing is left to tell.
        return look.gap().is_none().then(|| {
            "one speed alone cannot tell a void from play, friction or valving: run at least a slow step (below \
15 mm/s) and three speeds."
                .to_owned()
        });
    }
    if cycles < t.least_cycles {
        return Some(format!(
            "{cycles} whole cycles are too few: run at least three, better five, at each speed."
        ));
    }
    let loudest = look
        .quick(Direction::Compression)
        .next_back()
        .map(|s| t.overhang_errors * s.error_n / s.half_span_n.max(f64::MIN_POSITIVE))?;
    (loudest > t.hidden_share).then(|| {
        "the force channel is noisier than the effect: record more cycles at each speed, or find the noise."
            .to_owned()
    })
}

/// Net lost motion at the start of the strokes of `direction` that counts.
fn lost_motion(
    look: &Look<'_>,
    direction: Direction,
    t: &Thresholds,
    evidence: &mut Vec<Evidence>,
) -> Vec<Sign> {
    let play = look.play_m();
    let pushed = look
        .contacts()
        .iter()
        .filter(|c| c.before == direction)
        .map(|c| c.lost_m)
        .fold(0.0, f64::max);
    let strokes: Vec<&Stroke> = look.quick(direction).collect();
    let counts = |s: &Stroke| {
        let net = s.net_m() - play - pushed;
        let need = needed(s, direction, t);
        // Where compression is held up late in the stroke, its start looks weak against it; a
        // void leaves it flat instead.
        // In a ladder of strokes the longest alone may meet a stop, whose push is not flat.
        let flat = (direction == Direction::Rebound && !strokes_differ(look))
            || s.lost.flat_m >= t.flat_part * s.lost.lost_m;
        let flat =
            flat && (!strokes_differ(look) || s.lost.flat_m >= FLAT_OF_LADDER * s.lost.lost_m);
        net >= need && flat
    };
    // A void grows with speed. What bends the slowest stroke more than the fastest one is a
    // stop, drag that depends on place, or play.
    let grows = match (strokes.first(), strokes.last()) {
        (Some(slowest), Some(fastest)) => fastest.lost.lost_m >= slowest.lost.lost_m,
        _ => false,
    };
    let worst = strokes
        .iter()
        .max_by(|a, b| a.net_m().total_cmp(&b.net_m()));
    if let Some(worst) = worst {
        let need = needed(worst, direction, t);
        let net = (worst.net_m() - play - pushed).max(0.0);
        let mut entry = Evidence::at_least(
            format!(
                "lost motion at the start of {}, net of slow steps, give{}",
                direction.word(),
                if play > 0.0 { " and play" } else { "" }
            ),
            net,
            "m",
            need,
        );
        let met = grows && counts(worst);
        if entry.met != met {
            // Beyond the size that counts, but not as a void goes.
            entry.met = true;
            super::asides(std::slice::from_mut(&mut entry));
        }
        evidence.push(entry.seen(worst.step, Some(worst.lost_phase())));
        if met {
            let flat = "of that travel, force near its static level (flat stretch)";
            evidence
                .push(Evidence::aside(flat, Some(worst.lost.flat_m), "m").seen(worst.step, None));
            let abrupt = "how abruptly force returns, over the steepest rise the curve has";
            evidence.push(
                Evidence::aside(abrupt, Some(worst.lost.abruptness), "1").seen(worst.step, None),
            );
        }
    }
    strokes
        .iter()
        .filter(|s| grows && counts(s))
        .map(|s| Sign {
            step: s.step,
            speed: s.speed_m_s,
            plain: s.net_m() - play - pushed >= t.lost_plain_share * s.stroke_m,
            size_m: s.net_m() - play - pushed,
            size_n: 0.0,
        })
        .collect()
}

/// True where the slowest quick compression stroke already loses more motion than counts, and
/// faster ones less: drag that depends on place bends the stroke then, and holds force up late
/// in it at every speed.
fn dragged(look: &Look<'_>, t: &Thresholds) -> bool {
    let mut strokes = look.quick(Direction::Compression);
    let (Some(slowest), Some(fastest)) = (strokes.next(), strokes.next_back()) else {
        return false;
    };
    look.gap().is_none()
        && slowest.lost.lost_m > t.lost_share * slowest.stroke_m
        && fastest.lost.lost_m < slowest.lost.lost_m
}

/// Part of lost motion that must be flat where strokes differ.
const FLAT_OF_LADDER: f64 = 0.5;
/// Strokes that differ by more than this make a ladder of strokes.
const OTHER_STROKE: f64 = 1.2;

/// Whether the quick steps are of unlike strokes.
fn strokes_differ(look: &Look<'_>) -> bool {
    let of = || look.quick(Direction::Compression).map(|s| s.stroke_m);
    of().fold(0.0, f64::max) > OTHER_STROKE * of().fold(f64::INFINITY, f64::min)
}

/// Samples of net lost motion that are enough where force pushes the wrong way.
const WRONG_WAY_SAMPLES: f64 = 0.5;

/// Net lost motion that counts, m.
fn needed(stroke: &Stroke, direction: Direction, t: &Thresholds) -> f64 {
    let wrong_way = direction == Direction::Rebound
        && stroke.lost.missing >= t.wrong_way_missing
        && stroke.lost.deficit_n >= t.wrong_way_deficit * stroke.half_span_n;
    if wrong_way {
        (t.wrong_way_share * stroke.stroke_m).max(WRONG_WAY_SAMPLES * stroke.grain_m)
    } else {
        (t.lost_share * stroke.stroke_m).max(t.lost_samples * stroke.grain_m)
    }
}

/// First index from which on at least `share` of the flags are set.
fn first_lasting(flags: &[bool], share: f64) -> Option<usize> {
    (0..flags.len()).find(|&i| {
        let rest = &flags[i..];
        let set = rest.iter().filter(|f| **f).count();
        flags[i] && set as f64 >= share * rest.len() as f64
    })
}

/// What a sound step shows between its branches: width over the difference of acceleration
/// (lag and give widen in that proportion), by speed and by share of the peak speed.
#[derive(Debug, Clone)]
struct Sound {
    stroke_m: f64,
    speeds: Vec<f64>,
    per_acceleration: Vec<f64>,
    mean: Vec<f64>,
}

impl Sound {
    fn of(stroke: &Stroke) -> Self {
        let mut out = Self {
            stroke_m: stroke.stroke_m,
            speeds: Vec::new(),
            per_acceleration: Vec::new(),
            mean: Vec::new(),
        };
        let from = stroke.sound_from(LOST_SHARE);
        for (b, share) in stroke.branches.iter().zip(SHARES) {
            if let Some(b) = b.filter(|b| b.acceleration_m_s2 > 0.0 && b.passage.up >= from) {
                out.speeds.push(share * stroke.speed_m_s);
                out.per_acceleration
                    .push((b.down_n - b.up_n) / b.acceleration_m_s2);
                out.mean.push(f64::midpoint(b.down_n, b.up_n));
            }
        }
        out
    }

    /// Value at a speed; level at both ends.
    fn at(&self, values: &[f64], speed: f64) -> f64 {
        let k = self.speeds.partition_point(|v| *v < speed);
        match (k.checked_sub(1), self.speeds.get(k)) {
            (Some(i), Some(b)) => {
                let a = self.speeds[i];
                values[i] + (values[k] - values[i]) * (speed - a) / (b - a)
            }
            (None, Some(_)) => values[0],
            (Some(i), None) => values[i],
            (None, None) => 0.0,
        }
    }
}

/// An overhang in one stroke: its size, N, and where.
#[derive(Debug, Clone, Copy)]
struct Overhang {
    size_n: f64,
    phase: [f64; 2],
}

/// Lost motion of more than this share of the stroke is kept out of what is compared.
const LOST_SHARE: f64 = 0.01;
/// Strokes within this share of each other pass one speed at one place.
const LIKE_STROKE: f64 = 0.15;
/// Steps a stroke is held against at most: the nearest sound ones.
const COMPARED: usize = 3;

/// A stroke counts as sound below this part of what an overhang needs.
const SOUND_PART: f64 = 0.5;

/// Compression force that stays up while slowing down.
fn overhang(look: &Look<'_>, t: &Thresholds, evidence: &mut Vec<Evidence>) -> Vec<Sign> {
    // Near full compression a stop pushes, whatever the oil does.
    let stop_m = look
        .contacts()
        .iter()
        .filter(|c| c.before == Direction::Rebound)
        .map(|c| c.reach_m)
        .reduce(f64::max);
    let strokes: Vec<&Stroke> = look.quick(Direction::Compression).collect();
    let mut sound: Vec<Sound> = Vec::new();
    let mut found: Vec<Option<Overhang>> = Vec::new();
    let need = |s: &Stroke| (t.overhang_share * s.half_span_n).max(t.overhang_errors * s.error_n);
    for stroke in &strokes {
        // The slowest step is what others are held against.
        let free = |b: &Branches| stop_m.is_none_or(|stop| left_m(look, stroke, b) > stop);
        // Another stroke passes the same speed at another place: it says nothing of this one.
        let alike: Vec<Sound> = sound
            .iter()
            .filter(|s| (s.stroke_m / stroke.stroke_m - 1.0).abs() <= LIKE_STROKE)
            .cloned()
            .collect();
        let one = if alike.is_empty() {
            None
        } else {
            above(stroke, &alike, t, &free)
        };
        // A stroke that is half suspect must not set what the next ones are allowed.
        if one.is_none_or(|o| o.size_n < SOUND_PART * need(stroke)) {
            sound.push(Sound::of(stroke));
        }
        found.push(one);
    }
    let worst = strokes
        .iter()
        .zip(&found)
        .filter_map(|(s, o)| o.map(|o| (*s, o)))
        .max_by(|a, b| (a.1.size_n / need(a.0)).total_cmp(&(b.1.size_n / need(b.0))));
    if let Some((stroke, o)) = worst {
        let entry = Evidence::at_least(
            "compression force held up while slowing down, above speeding up at the same speed and what slower \
steps show",
            o.size_n.max(0.0),
            "N",
            need(stroke),
        );
        evidence.push(entry.seen(stroke.step, Some(o.phase)));
    }
    strokes
        .iter()
        .zip(&found)
        .filter_map(|(s, o)| {
            o.filter(|o| o.size_n >= need(s)).map(|o| Sign {
                step: s.step,
                speed: s.speed_m_s,
                plain: o.size_n >= t.overhang_plain_share * s.half_span_n,
                size_m: 0.0,
                size_n: o.size_n,
            })
        })
        .collect()
}

/// Part of an overhang that must show as the slowing-down branch standing above the sound
/// curve, where that is known; the rest may be the other branch standing below.
const ABOVE_PART: f64 = 0.5;

/// Travel left to full compression where the slowing-down branch passes a speed, m.
fn left_m(look: &Look<'_>, stroke: &Stroke, branches: &Branches) -> f64 {
    let travel = &look.case.steps[stroke.at].fold.travel;
    let end = travel.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    end - sample_circular(travel, branches.passage.down)
}

/// The largest width beyond what sound steps show, over two neighbouring speeds that are
/// `free` of anything else.
fn above(
    stroke: &Stroke,
    sound: &[Sound],
    t: &Thresholds,
    free: &dyn Fn(&Branches) -> bool,
) -> Option<Overhang> {
    let from = stroke.sound_from(LOST_SHARE);
    let near = &sound[sound.len().saturating_sub(COMPARED)..];
    let excess: Vec<Option<(f64, [f64; 2])>> = stroke
        .branches
        .iter()
        .zip(SHARES)
        .map(|(b, share)| {
            let b = b.filter(|b| {
                share >= t.overhang_from
                    && b.acceleration_m_s2 > 0.0
                    && b.passage.up >= from
                    && free(b)
            })?;
            let speed = share * stroke.speed_m_s;
            let allowed = near
                .iter()
                .flat_map(|s| {
                    let own = s
                        .speeds
                        .last()
                        .map_or(speed, |v| v / SHARES[SHARES.len() - 1]);
                    [
                        s.at(&s.per_acceleration, speed),
                        s.at(&s.per_acceleration, share * own),
                    ]
                })
                .fold(0.0, f64::max)
                * b.acceleration_m_s2;
            let size = b.down_n - b.up_n - allowed;
            // Where slower steps know the curve, the slowing-down branch must stand above it.
            let known = near
                .last()
                .filter(|s| s.speeds.last().is_some_and(|v| *v >= speed));
            let stands = known.is_none_or(|s| b.down_n - s.at(&s.mean, speed) >= ABOVE_PART * size);
            stands.then_some((size, [b.passage.up, b.passage.down]))
        })
        .collect();
    excess
        .windows(2)
        .filter_map(|w| match (w[0], w[1]) {
            // Of neighbours neither may be small beside the other.
            (Some(a), Some(b)) => {
                let mean = f64::midpoint(a.0, b.0);
                (a.0.min(b.0) >= 0.5 * mean).then_some((mean, a.1))
            }
            _ => None,
        })
        .max_by(|a, b| a.0.total_cmp(&b.0))
        .map(|(size_n, [up, down])| Overhang {
            size_n,
            // From the peak of speed to where force has dropped back.
            phase: [f64::midpoint(up, down), down],
        })
}

/// Where compression force stopped growing, as a force and, with bore and rod, a pressure.
fn cap(look: &Look<'_>, on_piston_side: bool, onset: Option<f64>) -> Vec<Evidence> {
    let Some(onset) = onset.filter(|_| !on_piston_side) else {
        return Vec::new();
    };
    let Some(stroke) = look
        .quick(Direction::Compression)
        .find(|s| s.speed_m_s >= onset * (1.0 - 1e-9))
    else {
        return Vec::new();
    };
    let damping = stroke.load_at_peak_n - look.level.friction_n;
    let mut out = vec![
        Evidence::aside(
            "compression damping force at the first speed, gas and friction out",
            Some(damping),
            "N",
        )
        .seen(stroke.step, None),
    ];
    if let Some(area) = look.case.card.and_then(super::gas_margin::ring_area) {
        out.push(
            Evidence::aside(
                "pressure drop over the piston that force stands for (absolute gas pressure there)",
                Some(damping / area),
                "Pa",
            )
            .seen(stroke.step, None),
        );
    }
    out
}

/// Heat missing on the stroke that starts without force, from its own second half.
fn heat_deficit(look: &Look<'_>, on_piston_side: bool) -> Option<Evidence> {
    let direction = if on_piston_side {
        Direction::Compression
    } else {
        Direction::Rebound
    };
    let stroke = look.quick(direction).next_back()?;
    // ∫ load dx over both halves of the stroke, on the shared speeds.
    let (mut up, mut down) = (0.0, 0.0);
    for b in stroke.branches.iter().flatten() {
        up += b.up_n;
        down += b.down_n;
    }
    (down > 0.0).then(|| {
        Evidence::aside(
            format!(
                "force missing while speeding up in {}, share of the slowing-down branch",
                direction.word()
            ),
            Some(1.0 - up / down),
            "1",
        )
        .seen(stroke.step, None)
    })
}

#[cfg(test)]
mod tests {
    use super::first_lasting;

    #[test]
    fn a_single_slow_step_does_not_set_the_first_speed() {
        assert_eq!(
            first_lasting(&[true, false, false, false, true, true], 0.6),
            Some(4)
        );
        assert_eq!(first_lasting(&[false, true, true], 0.5), Some(1));
        assert_eq!(first_lasting(&[false, false], 0.5), None);
    }
}
