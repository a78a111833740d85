//! What a revalve moved, in the trade's words: low speed (bleed), knee, high speed.

use serde::{Deserialize, Serialize};

use super::comparison::Comparison;
use super::direction::DeltaError;
use super::sentence::{Sentence, say};
use super::settings::REVALVE_TOLERANCE_PCT;
use super::uncertain::{Part, interval, total};
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
    /// Mean change in % of the base's mean force there.
    pub delta_pct: Option<f64>,
    /// Its 95 % interval.
    pub ci95_pct: Option<[f64; 2]>,
    /// Whether it moved.
    pub moved: Moved,
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

/// What moved for other `i` of a comparison.
pub(super) fn revalve(comparison: &Comparison, base: &Run, i: usize) -> Revalve {
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
}

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
    let mut used: Vec<At> = Vec::new();
    for (k, v) in comparison.grid_m_s.iter().enumerate() {
        if *v < speeds[0] || *v >= speeds[1] {
            continue;
        }
        let at = |x: &Vec<Option<f64>>| x.get(k).copied().flatten();
        if let (Some(base), Some(delta), Some(Some(error))) =
            (at(&part.base_n), at(&part.delta_n), part.errors.get(k))
        {
            used.push(At {
                speed: *v,
                base,
                delta,
                error: *error,
            });
        }
    }
    let n = used.len() as f64;
    let (first, last) = (used.first()?.speed, used.last()?.speed);
    let base = used.iter().map(|u| u.base).sum::<f64>() / n;
    let delta = direction.sign() * used.iter().map(|u| u.delta).sum::<f64>() / n;
    let error = mean_error(&used);
    let confidence = comparison.settings.confidence;
    let ci95_n = interval(delta, &error, confidence);
    let floor = comparison.settings.tolerance_floor_n;
    let enough = base.abs() >= floor && base != 0.0;
    let percent = |x: f64| 100.0 * x / base.abs();
    let unchanged = comparison.settings.allowed_n(
        base,
        comparison
            .settings
            .tolerance_pct
            .unwrap_or(REVALVE_TOLERANCE_PCT),
    );
    let moved = match ci95_n {
        Some([low, high]) if low > 0.0 || high < 0.0 => Moved::Moved,
        Some([low, high]) if -unchanged <= low && high <= unchanged => Moved::Unchanged,
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
        ci95_pct: ci95_n.filter(|_| enough).map(|c| c.map(percent)),
        moved,
    })
}

/// Error of a mean over speeds: cycle spread averages out, reading between speeds and the
/// run's own error do not.
fn mean_error(used: &[At]) -> Part {
    let n = used.len() as f64;
    let cycles: Vec<Part> = used.iter().map(|u| u.error.cycles.times(1.0 / n)).collect();
    let mean_sd = |pick: &dyn Fn(&DeltaError) -> Part| {
        let parts = || used.iter().map(|u| pick(&u.error));
        let sd = parts().map(|p| p.variance.sqrt()).sum::<f64>() / n;
        let df = parts().map(|p| p.df).fold(f64::INFINITY, f64::min);
        Part::estimated(sd * sd, df)
    };
    total(&[
        total(&cycles),
        mean_sd(&|e| e.between),
        mean_sd(&|e| e.runs),
    ])
}

fn sentences(
    comparison: &Comparison,
    i: usize,
    zones: &[ZoneChange],
    main: Option<Direction>,
) -> Vec<Sentence> {
    let mut out = Vec::new();
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
fn in_words(z: &ZoneChange) -> Sentence {
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

/// Gas and friction, if they moved.
fn statics_moved(comparison: &Comparison, i: usize) -> Vec<Sentence> {
    let Some(statics) = comparison.statics.get(i) else {
        return Vec::new();
    };
    [
        ("gas force", &statics.gas_force_n),
        ("friction", &statics.friction_n),
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
