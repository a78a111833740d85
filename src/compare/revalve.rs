//! What a revalve moved, in the trade's words: low speed (bleed), knee, high speed.

use serde::{Deserialize, Serialize};

use super::comparison::Comparison;
use super::direction::DeltaError;
use super::hydraulic::{is_clear, ratio_interval};
use super::sentence::{Sentence, say};
use super::settings::REVALVE_TOLERANCE_PCT;
use super::stories::Cause;
use super::uncertain::{Part, half_width, interval, total};
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Kind;

/// Part of the speed range.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Zone {
    /// Below the knee, where the bleed rules.
    LowSpeed,
    /// Around the knee, where the valve opens.
    Knee,
    /// Above it, where shims and ports rule.
    HighSpeed,
}

impl Zone {
    /// The trade's words.
    pub fn word(self) -> &'static str {
        match self {
            Self::LowSpeed => "low speed (bleed)",
            Self::Knee => "knee",
            Self::HighSpeed => "high speed",
        }
    }

    /// The same after `at`.
    pub(super) fn place(self) -> &'static str {
        match self {
            Self::Knee => "the knee",
            other => other.word(),
        }
    }
}

/// How sure a zone's change is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Moved {
    /// More than the repeatability explains.
    Moved,
    /// Shown to be the same within the tolerance.
    Unchanged,
    /// Not told apart from the repeatability, nor shown to be the same.
    CannotTell,
}

/// Change of one part of the curve.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct ZoneChange {
    /// Direction.
    pub direction: Direction,
    /// Which part.
    pub zone: Zone,
    /// Slowest speed compared in it, m/s.
    pub from_m_s: f64,
    /// Fastest, m/s.
    pub to_m_s: f64,
    /// Speeds compared in it.
    pub speeds: usize,
    /// Mean change of resisting force, N; positive is firmer.
    pub delta_n: f64,
    /// Its 95 % interval.
    pub ci95_n: Option<[f64; 2]>,
    /// Mean change in % of the base's mean force there, where that stands clear of zero.
    pub delta_pct: Option<f64>,
    /// Its 95 % interval.
    pub ci95_pct: Option<[f64; 2]>,
    /// Whether it moved.
    pub moved: Moved,
    /// True if gas and friction are taken off, so that it is the valves that moved; false if
    /// one of the runs does not tell them and it is total force that is compared.
    #[serde(default)]
    pub hydraulic: bool,
}

/// What moved between before and after.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Revalve {
    /// Name of the other damper.
    pub other: String,
    /// Zone by zone.
    pub zones: Vec<ZoneChange>,
    /// Direction with the largest change; what else moved is told as a side effect.
    pub main_direction: Option<Direction>,
    /// The answer in words, the main change first.
    pub sentences: Vec<Sentence>,
}

/// The knee's zone reaches from this share of the slowest knee's speed…
const KNEE_FROM: f64 = 0.75;
/// …to this multiple of the fastest knee's (by feel: a shim stack opens over such a range).
const KNEE_TO: f64 = 1.33;
/// Without a knee: low speed ends here, m/s (the standards' 0.131; common practice)…
const LOW_ENDS: f64 = 0.131;
/// …and high speed begins here, m/s (0.393; common practice).
const HIGH_BEGINS: f64 = 0.393;

/// What the valves did, zone by zone, for other `i` of a comparison.
pub(super) fn valves(comparison: &Comparison, base: &Run, i: usize) -> Vec<ZoneChange> {
    let mut zones = Vec::new();
    for direction in Direction::BOTH {
        let [low, high] = knee_zone(base, direction);
        for (zone, from, to) in [
            (Zone::LowSpeed, 0.0, low),
            (Zone::Knee, low, high),
            (Zone::HighSpeed, high, f64::INFINITY),
        ] {
            zones.extend(zone_change(comparison, i, direction, zone, [from, to]));
        }
    }
    zones
}

/// What moved for other `i` of a comparison.
pub(super) fn revalve(comparison: &Comparison, zones: Vec<ZoneChange>, i: usize) -> Revalve {
    let size = |d: Direction| {
        zones
            .iter()
            .filter(|z: &&ZoneChange| z.direction == d && z.moved == Moved::Moved)
            .filter_map(|z| z.delta_pct)
            .map(f64::abs)
            .fold(0.0, f64::max)
    };
    let (c, r) = (size(Direction::Compression), size(Direction::Rebound));
    let main_direction = if c == 0.0 && r == 0.0 {
        None
    } else if c >= r {
        Some(Direction::Compression)
    } else {
        Some(Direction::Rebound)
    };
    let sentences = sentences(comparison, i, &zones, main_direction);
    Revalve {
        other: comparison.others[i].name.clone(),
        zones,
        main_direction,
        sentences,
    }
}

/// One compared speed.
struct At {
    speed: f64,
    base: f64,
    delta: f64,
    error: DeltaError,
    base_error: DeltaError,
}

/// Parts of the curves that are looked at: three zones, two directions.
const PARTS: f64 = 6.0;

/// Speeds where the knee's zone begins and ends.
fn knee_zone(base: &Run, direction: Direction) -> [f64; 2] {
    let knees = base
        .fits
        .get(direction)
        .as_ref()
        .map_or(&[][..], |f| &f.knees);
    match (knees.first(), knees.last()) {
        (Some(first), Some(last)) => [KNEE_FROM * first.velocity_m_s, KNEE_TO * last.velocity_m_s],
        _ => [LOW_ENDS, HIGH_BEGINS],
    }
}

fn zone_change(
    comparison: &Comparison,
    i: usize,
    direction: Direction,
    zone: Zone,
    speeds: [f64; 2],
) -> Option<ZoneChange> {
    let part = comparison.get(direction).get(i)?;
    let valves = part.hydraulic.as_ref();
    let judged = part.judged();
    let read = |k: usize| {
        let at = |x: &[Option<f64>]| x.get(k).copied().flatten();
        let own = valves.and_then(|h| h.base_errors.get(k).copied().flatten());
        Some(At {
            speed: *comparison.grid_m_s.get(k)?,
            base: at(judged.base_n)?,
            delta: at(judged.delta_n)?,
            error: judged.errors.get(k).copied().flatten()?,
            base_error: own.unwrap_or_default(),
        })
    };
    let inside = |at: &At| speeds[0] <= at.speed && at.speed < speeds[1];
    let mut used: Vec<At> = part.decisive().filter_map(read).filter(inside).collect();
    if used.is_empty() {
        // None was driven there: what is read between them must do.
        let all = 0..comparison.grid_m_s.len();
        used = all.filter_map(read).filter(inside).collect();
    }
    let n = used.len() as f64;
    let (first, last) = (used.first()?.speed, used.last()?.speed);
    let mean = |pick: fn(&At) -> f64| direction.sign() * used.iter().map(pick).sum::<f64>() / n;
    let (base, delta) = (mean(|u| u.base), mean(|u| u.delta));
    let error = mean_error(&used, |u| &u.error);
    let settings = &comparison.settings;
    let ci95_n = interval(delta, &error, settings.confidence);
    let base_error = mean_error(&used, |u| &u.base_error);
    let enough = base.abs() >= settings.tolerance_floor_n
        && is_clear(base, &base_error, settings.confidence);
    let percent = |x: f64| 100.0 * x / base;
    let ci95_pct = if valves.is_some() {
        ratio(base, delta, &base_error, &error, settings.confidence)
    } else {
        ci95_n.map(|c| c.map(percent))
    };
    let tolerance = settings.tolerance_pct.unwrap_or(REVALVE_TOLERANCE_PCT);
    let unchanged = settings.allowed_n(base, tolerance);
    // Many parts are looked at: that none of them moves by chance is what is held to 95 %.
    let surely = interval(delta, &error, 1.0 - (1.0 - settings.confidence) / PARTS);
    let moved = match (surely, ci95_n) {
        (Some([low, high]), _) if low > 0.0 || high < 0.0 => Moved::Moved,
        (_, Some([low, high])) if -unchanged <= low && high <= unchanged => Moved::Unchanged,
        _ => Moved::CannotTell,
    };
    Some(ZoneChange {
        direction,
        zone,
        from_m_s: first,
        to_m_s: last,
        speeds: used.len(),
        delta_n: delta,
        ci95_n,
        delta_pct: enough.then(|| percent(delta)),
        ci95_pct: ci95_pct.filter(|_| enough),
        moved,
        hydraulic: valves.is_some(),
    })
}

/// Interval of the change in % of the base, both with their errors (Fieller).
fn ratio(
    base: f64,
    delta: f64,
    base_error: &Part,
    error: &Part,
    confidence: f64,
) -> Option<[f64; 2]> {
    if error.variance == 0.0 {
        return Some([100.0 * delta / base; 2]);
    }
    let t = half_width(error, confidence)? / error.variance.sqrt();
    // The two runs are independent: what the difference errs by more is the other's own.
    let own = (error.variance - base_error.variance).max(0.0).sqrt();
    ratio_interval((base + delta, own), (base, base_error.variance.sqrt()), t)
        .map(|c| c.map(|x| 100.0 * (x - 1.0)))
}

/// Error of a mean over speeds: cycle spread averages out, reading between speeds and the
/// run's own error do not.
fn mean_error(used: &[At], of: fn(&At) -> &DeltaError) -> Part {
    let n = used.len() as f64;
    let cycles: Vec<Part> = used.iter().map(|u| of(u).cycles.times(1.0 / n)).collect();
    let mean_sd = |pick: &dyn Fn(&DeltaError) -> Part| {
        let parts = || used.iter().map(|u| pick(of(u)));
        let sd = parts().map(|p| p.variance.sqrt()).sum::<f64>() / n;
        let df = parts().map(|p| p.df).fold(f64::INFINITY, f64::min);
        Part::estimated(sd * sd, df)
    };
    total(&[
        total(&cycles),
        mean_sd(&|e| e.between),
        mean_sd(&|e| e.runs),
        mean_sd(&|e| e.rest),
        mean_sd(&|e| e.warmth),
    ])
}

fn sentences(
    comparison: &Comparison,
    i: usize,
    zones: &[ZoneChange],
    main: Option<Direction>,
) -> Vec<Sentence> {
    let mut out = Vec::new();
    if zones.iter().any(|z| !z.hydraulic) {
        out.push(say(
            "gas and friction cannot be taken off in both runs: total force is compared, and what moved need not \
             be the valves",
        ));
    }
    let (mains, others): (Vec<_>, Vec<_>) = zones.iter().partition(|z| Some(z.direction) == main);
    match main {
        None => out.push(say(
            "no part of either curve moved by more than the repeatability",
        )),
        Some(_) => out.extend(mains.iter().map(|z| in_words(z))),
    }
    let moved: Vec<_> = others.iter().filter(|z| z.moved == Moved::Moved).collect();
    if main.is_some() {
        if moved.is_empty() {
            out.extend(others.first().map(|z| quiet(&others, z.direction)));
        }
        out.extend(moved.iter().map(|z| say("also moved: ").join(in_words(z))));
    } else {
        out.extend(
            zones
                .iter()
                .filter(|z| z.moved == Moved::CannotTell)
                .map(in_words),
        );
    }
    out.extend(statics_moved(comparison, i));
    out
}

/// One zone in words.
pub(super) fn in_words(z: &ZoneChange) -> Sentence {
    let zone = format!("{}, {}, ", z.direction.word(), z.zone.word());
    let head = if z.speeds == 1 {
        say(zone + "at ")
    } else {
        say(zone).bare(z.from_m_s, Kind::Speed).text(" to ")
    };
    let head = head.number(z.to_m_s, Kind::Speed).text(": ");
    let word = match z.moved {
        Moved::Moved if z.delta_n > 0.0 => "firmer by ",
        Moved::Moved => "softer by ",
        Moved::Unchanged => "unchanged, ",
        Moved::CannotTell => "cannot tell, ",
    };
    let amount = if z.moved == Moved::Moved {
        match z.delta_pct {
            Some(pct) => head
                .text(word)
                .number(0.01 * pct.abs(), Kind::Share)
                .text(", ")
                .number(z.delta_n.abs(), Kind::Force),
            None => head.text(word).number(z.delta_n.abs(), Kind::Force),
        }
    } else {
        match z.delta_pct {
            Some(pct) => head
                .text(word)
                .change(0.01 * pct, Kind::Share)
                .text(", ")
                .change(z.delta_n, Kind::Force),
            None => head.text(word).change(z.delta_n, Kind::Force),
        }
    };
    match z.ci95_pct.map(|c| c.map(|x| 0.01 * x)) {
        Some(ci) => amount
            .text(" on average (95 % interval ")
            .interval(ci, Kind::Share)
            .text(")"),
        None => amount.text(" on average"),
    }
}

/// The direction that did not move, in one sentence.
fn quiet(zones: &[&ZoneChange], direction: Direction) -> Sentence {
    let unsure = zones
        .iter()
        .filter(|z| z.moved == Moved::CannotTell)
        .count();
    let word = direction.word();
    if unsure == 0 {
        say(format!("{word} is unchanged in every part of the curve"))
    } else {
        say(format!(
            "{word} did not move by more than the repeatability, but {unsure} part(s) of its curve cannot be \
             shown to be unchanged either"
        ))
    }
}

/// What a changed force at rest is, or can be.
pub(super) fn at_rest_words(comparison: &Comparison, i: usize) -> &'static str {
    match comparison.stories.get(i).and_then(|s| s.at_rest_is) {
        Some(Cause::Gas) => "force at rest (gas: its stiffness went with it)",
        Some(Cause::Zero) => "force at rest (the load cell's zero: the gas is as stiff as before)",
        None => "force at rest (gas charge, or the load cell's zero)",
    }
}

/// Gas and friction, if they moved.
pub(super) fn statics_moved(comparison: &Comparison, i: usize) -> Vec<Sentence> {
    let Some(statics) = comparison.statics.get(i) else {
        return Vec::new();
    };
    [
        (at_rest_words(comparison, i), &statics.gas_force_n),
        ("friction (seals)", &statics.friction_n),
    ]
    .into_iter()
    .filter(|(_, c)| c.moved() == Some(true))
    .filter_map(|(word, c)| {
        let (delta, ci) = (c.delta?, c.ci95?);
        Some(
            say(format!("also moved: {word} by "))
                .change(delta, Kind::Force)
                .text(" (95 % interval ")
                .interval(ci, Kind::Force)
                .text(")"),
        )
    })
    .collect()
}
