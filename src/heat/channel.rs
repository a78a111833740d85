//! Whether a temperature channel can be believed, before anything is made of it.

use super::log::{Bin, LEAST_CAPACITY_J_K, ThermalLog};
use crate::signal::noise_of;

/// Coldest and hottest reading of a channel in °C that can be a damper's: colder is a broken
/// sensor, hotter burns the oil and its seals (judgement; mineral oil's flash point is near
/// 200 °C, common practice).
const POSSIBLE_C: (f64, f64) = (-60.0, 250.0);
/// Readings that would be everyday temperatures in kelvin.
const KELVIN: (f64, f64) = (233.0, 430.0);
/// Largest heat capacity of a damper that fits a dyno, J/K: 16 kg of steel.
const MOST_CAPACITY_J_K: f64 = 8000.0;
/// A channel that never changes is dead if even the largest damper had warmed by this, °C.
const MUST_SHOW_C: f64 = 1.0;
/// A damper may take up this much from a warmer room without being worked, °C.
const ROOM_C: f64 = 1.0;
/// Fewer readings than this say nothing.
const LEAST_BINS: usize = 4;
/// Bins the checks and the fits work on.
pub(super) const BINS: usize = 256;

/// What the channel looks like.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Examined {
    /// Bins with a reading.
    pub(super) bins: Vec<Bin>,
    /// Why it is not used; `None` if it is.
    pub(super) problem: Option<String>,
    /// Standard deviation of a bin's reading about its neighbours, °C.
    pub(super) noise_c: f64,
}

/// Looks at the channel. `None` without one.
pub(super) fn examine(log: &ThermalLog) -> Option<Examined> {
    let (low, high) = log.range_c?;
    let bins = log.coarse(BINS);
    let readings: Vec<f64> = bins.iter().filter_map(|b| b.temperature_c).collect();
    let noise_c = noise_of(&readings).unwrap_or(0.0);
    let problem = if readings.len() < LEAST_BINS {
        Some("it has too few readings".to_owned())
    } else {
        // Means of medians: one wild reading of a loose plug is not the channel.
        let least = readings.iter().copied().fold(f64::INFINITY, f64::min);
        let most = readings.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        impossible(least, most)
            .or_else(|| constant(log, low, high))
            .or_else(|| jumping(log))
            .or_else(|| from_nothing(&bins, noise_c))
    };
    Some(Examined {
        bins,
        problem,
        noise_c,
    })
}

fn impossible(low: f64, high: f64) -> Option<String> {
    if low >= POSSIBLE_C.0 && high <= POSSIBLE_C.1 {
        return None;
    }
    let hint = if low > KELVIN.0 && high < KELVIN.1 {
        format!(
            ", but would be {:.0} to {:.0} °C in kelvin: give --unit temperature=K",
            low - 273.15,
            high - 273.15
        )
    } else {
        String::new()
    };
    Some(format!(
        "it reads {low:.1} to {high:.1} °C, which no damper survives{hint}"
    ))
}

fn constant(log: &ThermalLog, low: f64, high: f64) -> Option<String> {
    if high > low {
        return None;
    }
    let work = log.work_j();
    let least = work / MOST_CAPACITY_J_K;
    Some(if least >= MUST_SHOW_C {
        format!(
            "it stands at {low:.1} °C throughout, although {:.0} kJ went into the damper",
            1e-3 * work
        )
    } else {
        format!("it stands at {low:.1} °C throughout, so it says nothing about warming")
    })
}

fn jumping(log: &ThermalLog) -> Option<String> {
    let jump = log.largest_jump?;
    Some(format!(
        "it jumps by {:+.1} °C at {:.1} s ({} such jumps), faster than any damper warms or cools: a loose \
         sensor or a broken wire",
        jump.change_c, jump.time_s, log.jumps
    ))
}

/// A rise that the work done since the start of the segment cannot have made.
fn from_nothing(bins: &[Bin], noise: f64) -> Option<String> {
    let mut lowest = f64::INFINITY;
    let mut work = 0.0;
    let mut segment = None;
    let mut worst: Option<(f64, f64, f64)> = None;
    for bin in bins {
        if segment != Some(bin.segment) {
            (segment, lowest, work) = (Some(bin.segment), f64::INFINITY, 0.0);
        }
        work += bin.work_j.max(0.0);
        let Some(t) = bin.temperature_c else { continue };
        let rise = t - lowest;
        lowest = lowest.min(t);
        let over = rise - ROOM_C - 4.0 * noise - work / LEAST_CAPACITY_J_K;
        if over > 0.0 && worst.is_none_or(|w| over > w.0) {
            worst = Some((over, rise, work));
        }
    }
    worst.map(|(_, rise, work)| {
        format!(
            "it rises by {rise:.1} °C while only {work:.0} J went into the damper, too little to warm even \
             {LEAST_CAPACITY_J_K:.0} J/K by that"
        )
    })
}
