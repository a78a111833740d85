//! Sensor trouble: clipping, delay, a zero that is off, dropouts, spikes, noise, a velocity
//! channel that disagrees with travel. What is wrong here is the measurement, not the damper.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};
use crate::statistics::percentile;
use crate::steps::{Direction, Step};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Cycles (share of the kept ones of the fastest steps) whose extreme force is one and the
    /// same number that count as clipped.
    pub clipped_cycles: f64,
    /// Places where a channel is cut off flat (five equal samples or more at its extreme, with
    /// a steep step into them) that count as clipped: three by chance would be a wonder.
    pub flat_places: f64,
    /// Extremes count as the same within this share of the force.
    pub same: f64,
    /// Delay of the force channel that counts, as a share of the fastest cycle: 0.2 % turns
    /// 1.3 % of the peak force into width.
    pub lag_cycles: f64,
    /// Delay that is plain, share of the fastest cycle.
    pub lag_plain_cycles: f64,
    /// Force at rest below this, N, is a zero that is off: gas cannot pull.
    pub offset_n: f64,
    /// Rows dropped or bridged, share of all, that count.
    pub dropped_share: f64,
    /// Noise of force over half the peak-to-peak force of the fastest step that counts.
    pub noise_share: f64,
    /// Noise that is plain.
    pub noise_plain_share: f64,
    /// Supplied velocity over the derivative of travel may differ from one by this.
    pub velocity_ratio: f64,
    /// … and lag by this share of the fastest cycle.
    pub velocity_cycles: f64,
    /// Heat from force and the file's velocity may differ from heat by force and travel by this
    /// share, beyond noise.
    pub heat_gap: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            clipped_cycles: 0.5,
            flat_places: 3.0,
            same: 1e-5,
            lag_cycles: 0.005,
            lag_plain_cycles: 0.03,
            offset_n: -15.0,
            dropped_share: 0.002,
            noise_share: 0.03,
            noise_plain_share: 0.1,
            velocity_ratio: 0.03,
            heat_gap: 0.02,
            velocity_cycles: 0.01,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "sensor",
    line: "the measurement is at fault: clipping, delay, zero, dropouts, noise, a velocity that disagrees",
    explanation: Explanation {
        means: "Something between damper and file distorts the signals: a load cell at its limit, a filter, a lost zero, a loose plug, electrical noise, a \
velocity channel in other units or behind a filter of its own.",
        seen: "Force or travel cut off flat at one level; the same extreme force in cycle after cycle at different speeds; a delay of force behind travel estimated over the speeds; a force at \
rest below zero; rows without numbers and spikes; cycle-to-cycle noise; the file's velocity against the derivative of travel.",
        alike: "Compression force capped by cavitation also stops growing, but is not one number to the last digit. Give of oil and structure looks like a \
delay at one speed; over several speeds they part. A force at rest that is too high cannot be told from gas force.",
        next: "Zero the load cell with nothing fitted, check its range and its filter, run a stiff bar or a spring in place of the damper: a delay shows as a \
loop there. State a known delay with --force-lag.",
    },
    judge,
};

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.sensor;
    let steps = look.steps_by_speed();
    let Some(fastest) = steps.last() else {
        return Finding::new(RULE.name, Verdict::CannotTell, "No step could be read.");
    };
    let mut evidence = Vec::new();
    let mut plain = false;
    let mut words: Vec<&str> = Vec::new();
    let mut unsure = None;
    let flat_force = flat_tops(look, &t, &mut evidence, &mut words);
    plain |= !words.is_empty();
    let mut clip = clipping(&steps, &t);
    if clip.met && flat_force {
        super::asides(std::slice::from_mut(&mut clip));
    }
    if clip.met && !flat_force {
        words.push("the load cell or its amplifier is at its limit: forces beyond it are missing");
        plain = true;
    }
    evidence.push(clip);
    let statics = look.case.statics;
    if let Some(lag) = statics.force_lag_s {
        let cycles = lag.abs() * fastest.frequency_hz;
        let mut entry = Evidence::at_least(
            "delay of force behind travel, share of the fastest cycle",
            cycles,
            "1",
            t.lag_cycles,
        );
        if entry.met && (look.speeds() < 3 || bent(look) || !delayed(look, lag)) {
            unsure = Some(
                "Force comes late against travel, but a column or a mount that gives would do the same: run a stiff bar or a spring in place of the damper. Otherwise the channels look sound.",
            );
            super::asides(std::slice::from_mut(&mut entry));
        }
        if entry.met {
            words.push("force is late against travel: look for a filter or a slow channel; the delay is taken out of curves and knees, not of loops");
            plain |= cycles >= t.lag_plain_cycles;
        }
        evidence.push(entry);
        evidence.push(Evidence::aside("that delay", Some(lag), "s"));
    }
    if let Some(gas) = statics.gas_force_n {
        let high = statics.ci95.gas_force_n.map_or(gas, |ci| ci[1]);
        let offset = look.scale.newtons(t.offset_n);
        let mut entry = Evidence::below("force at rest, mid-stroke", gas, "N", offset);
        // Taken to rest from one speed, or from loops that something else bends, it is no claim.
        let slow = steps
            .first()
            .is_some_and(|s| s.top_speed() <= look.settings.look.slow_m_s);
        if entry.met && (high >= 0.0 || !slow || look.speeds() < 3 || bent(look)) {
            entry = Evidence::aside("force at rest, mid-stroke", Some(gas), "N");
        }
        if entry.met {
            words.push("force at rest is below zero, which gas cannot do: the load cell's zero is off or the signs are swapped");
        }
        evidence.push(entry);
    }
    let sampling = look.case.sampling;
    let spikes: u64 = sampling
        .dropped
        .iter()
        .filter(|d| d.reason.contains("spike"))
        .map(|d| d.count)
        .sum();
    let rows = (sampling.rows_used + sampling.rows_dropped).max(1) as f64;
    let lost = (sampling.rows_dropped + spikes) as f64 / rows;
    let entry = Evidence::at_least(
        "rows without a usable number, and spikes bridged, share of all",
        lost,
        "1",
        t.dropped_share,
    );
    if entry.met {
        words.push("rows are missing or spiked: check plugs and cables");
    }
    evidence.push(entry);
    evidence.extend(sampling.dropped.iter().map(|d| {
        let what = format!("of these: {}, rows", d.reason);
        Evidence::aside(what, Some(d.count as f64), "1")
    }));
    let span = 0.5 * (fastest.peak_force_n.compression - fastest.peak_force_n.rebound);
    let noise = steps
        .iter()
        .map(|s| scatter(s))
        .fold(f64::INFINITY, f64::min)
        / span.max(f64::MIN_POSITIVE);
    let mut entry = Evidence::at_least(
        "noise of force in the quietest step over half the largest peak-to-peak force",
        noise,
        "1",
        t.noise_share,
    );
    let loose = look.speeds() < 3 || look.gap().is_some();
    if entry.met && noise < t.noise_plain_share && loose {
        super::asides(std::slice::from_mut(&mut entry));
        unsure = Some(
            "Cycles differ from each other by more than a quiet cell's would: noise, a drift, or something loose. Run five speeds with a slow step, and look at the cell with the machine \
at rest. Otherwise the channels look sound.",
        );
    }
    if entry.met {
        words.push("force is noisy: look for earthing, a loose cable, a machine that shakes");
        plain |= noise >= t.noise_plain_share;
    }
    evidence.push(entry);
    velocity(fastest, &t, &mut evidence, &mut words);
    closure(look, &t, &mut evidence, &mut words);
    if let Some(unsure) = unsure.filter(|_| words.is_empty()) {
        return Finding::new(RULE.name, Verdict::CannotTell, unsure).with(evidence);
    }
    if words.is_empty() {
        return Finding::new(RULE.name, Verdict::None, "The channels look sound.").with(evidence);
    }
    let verdict = if plain {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    Finding::new(RULE.name, verdict, super::sentence(&words.join("; "))).with(evidence)
}

/// The delay that is left with what gives fitted beside it, over the delay fitted alone, from
/// which the channel is late and not the damper soft.
const DELAY_PART: f64 = 0.7;

/// Whether force is late by a delay, and not because something gives.
fn delayed(look: &Look<'_>, lag: f64) -> bool {
    super::lateness::lateness(look).is_some_and(|l| {
        let [delay, error] = l.delay_s;
        delay.signum() == lag.signum()
            && delay.abs() - 2.0 * error >= DELAY_PART * lag.abs()
            && !l.gives(super::aeration::GIVES, look)
    })
}

/// Scatter of force from cycle to cycle, N: median over the loop, since where force is steep a
/// little unevenness of the motion is read as force.
fn scatter(step: &Step) -> f64 {
    percentile(&step.fold.force_sd, 0.5).unwrap_or(step.force_noise_n)
}

/// Whether something on the list bends the loops as a delay would.
fn bent(look: &Look<'_>) -> bool {
    look.gap().is_some()
        || !look.contacts().is_empty()
        || super::spring_fitted::spring(look).is_some()
        || super::hydraulic_stop::stop(look).is_some()
        || super::position::found(look).is_some()
        || super::frequency::found(look)
        || look.soft()
}

fn velocity(
    fastest: &Step,
    t: &Thresholds,
    evidence: &mut Vec<Evidence>,
    words: &mut Vec<&'static str>,
) {
    if let Some(ratio) = fastest.velocity_ratio {
        let off = (ratio - 1.0).abs();
        let entry = Evidence::at_least(
            "the file's velocity over the derivative of travel, distance from one",
            off,
            "1",
            t.velocity_ratio,
        )
        .seen(fastest.index, None);
        if entry.met {
            words.push("the file's velocity disagrees with travel in size: a unit mix-up; speeds here come from travel");
        }
        evidence.push(entry);
    }
    if let Some(delay) = fastest.velocity_delay_s {
        let entry = Evidence::at_least(
            "delay of the file's velocity behind travel, share of the fastest cycle",
            delay.abs() * fastest.frequency_hz,
            "1",
            t.velocity_cycles,
        )
        .seen(fastest.index, None);
        if entry.met {
            words.push("the file's velocity is late against travel: a filter; speeds here come from travel");
        }
        evidence.push(entry);
    }
}

/// Heat by force and travel held against heat by force and the file's velocity.
fn closure(
    look: &Look<'_>,
    t: &Thresholds,
    evidence: &mut Vec<Evidence>,
    words: &mut Vec<&'static str>,
) {
    let quick = |step: usize| {
        let steps = look.case.steps.iter();
        steps
            .filter(|s| s.top_speed() >= look.settings.look.slow_m_s)
            .any(|s| s.index == step)
    };
    let worst = look
        .case
        .heat
        .closure
        .iter()
        .filter(|c| quick(c.step))
        .max_by(|a, b| a.gap_share.abs().total_cmp(&b.gap_share.abs()));
    let Some(worst) = worst else { return };
    let mut entry = Evidence::at_least(
        "heat by the file's velocity against heat by travel, distance over the latter",
        worst.gap_share.abs(),
        "1",
        t.heat_gap,
    )
    .seen(worst.step, None);
    if entry.met && !worst.beyond_noise {
        entry = Evidence::aside(entry.what, entry.value, "1").seen(worst.step, None);
    }
    if entry.met {
        words.push("heat by the file's velocity and by travel disagree: one of the two channels is scaled, filtered or late; heat here is by travel");
    }
    evidence.push(entry);
}

/// Channels that intake saw cut off flat; true if force is one of them.
fn flat_tops(
    look: &Look<'_>,
    t: &Thresholds,
    evidence: &mut Vec<Evidence>,
    words: &mut Vec<&'static str>,
) -> bool {
    let sampling = look.case.sampling;
    for (channel, said) in [
        (
            "force",
            "force is cut off flat: the load cell or its amplifier was at full scale, peaks beyond it are missing and forces, heat and knees near it are too small",
        ),
        (
            "travel",
            "travel is cut off flat: its sensor ran out of range before the stroke ended, so stroke and speeds are too small and the ends of the loops are wrong",
        ),
    ] {
        let mut met = false;
        for flat in sampling.clipped.iter().filter(|c| c.channel == channel) {
            let places = Evidence::at_least(
                format!("places where {channel} is cut off flat"),
                flat.places as f64,
                "1",
                t.flat_places,
            );
            met |= places.met;
            evidence.push(places);
            let level = format!("level at which {channel} is cut off");
            evidence.push(Evidence::aside(level, Some(flat.level), &flat.unit));
            evidence.push(Evidence::aside(
                "samples there, share of all",
                Some(flat.samples as f64 / sampling.rows_used.max(1) as f64),
                "1",
            ));
        }
        if met {
            words.push(said);
        }
    }
    words.iter().any(|w| w.starts_with("force is cut"))
}

/// Cycles of different steps that end at the very same force.
fn clipping(steps: &[&Step], t: &Thresholds) -> Evidence {
    let mut worst = (0.0_f64, None, 0.0);
    for direction in Direction::BOTH {
        let extremes: Vec<(usize, f64)> = steps
            .iter()
            .flat_map(|s| {
                s.kept.iter().map(|c| {
                    let value = match direction {
                        Direction::Compression => c.force_range_n.0.max(c.force_range_n.1),
                        Direction::Rebound => c.force_range_n.0.min(c.force_range_n.1),
                    };
                    (s.index, value)
                })
            })
            .collect();
        let Some(limit) = extremes
            .iter()
            .map(|e| direction.sign() * e.1)
            .reduce(f64::max)
        else {
            continue;
        };
        let at_limit: Vec<usize> = extremes
            .iter()
            .filter(|e| (direction.sign() * e.1 - limit).abs() <= t.same * limit.abs())
            .map(|e| e.0)
            .collect();
        // At least two speeds must end there: noise-free cycles of one speed are alike anyway.
        let speeds = steps.iter().filter(|s| at_limit.contains(&s.index)).count();
        let fastest_cycles = steps
            .iter()
            .rev()
            .take(2)
            .map(|s| s.kept.len())
            .sum::<usize>()
            .max(1);
        let share = if speeds >= 2 {
            at_limit.len() as f64 / fastest_cycles as f64
        } else {
            0.0
        };
        if share > worst.0 {
            worst = (share, at_limit.last().copied(), direction.sign() * limit);
        }
    }
    let mut entry = Evidence::at_least(
        "cycles of different speeds that end at the very same force, over the cycles of the two fastest steps",
        worst.0,
        "1",
        t.clipped_cycles,
    );
    entry.step = worst.1;
    if entry.met {
        entry.what = format!("{} ({:.0} N)", entry.what, worst.2);
    }
    entry
}
