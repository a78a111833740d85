//! What a temperature channel says: warming, heat capacity, cooling, where it settles.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::balance::{Air, Balance};
use super::channel::Examined;
use super::energy::StepHeat;
use super::log::ThermalLog;
use super::regress::in_time;
use super::{Measured, Referred, Sensitivity};
use crate::steps::Step;

/// Temperature over the run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Temperature {
    /// First, °C.
    pub start_c: Option<f64>,
    /// Last, °C.
    pub end_c: Option<f64>,
    /// Highest, °C.
    pub max_c: Option<f64>,
    /// True if the channel can be believed; otherwise nothing below is made of it.
    pub used: bool,
    /// Why it is not used.
    pub problem: Option<String>,
    /// Heat capacity the warming implies, J/K.
    pub heat_capacity_j_k: Option<Measured>,
    /// Time constant of cooling, s.
    pub cooling_time_s: Option<Measured>,
    /// Heat given off per degree above the air, W/K.
    pub cooling_w_per_k: Option<Measured>,
    /// Air temperature the balance rests on, °C.
    pub air_c: Option<Measured>,
    /// Where that comes from: `card`, `fit`, `start`, or `no cooling seen`.
    pub air_from: Option<String>,
    /// Delay of the sensor behind the oil, s (first order).
    pub sensor_lag_s: Option<f64>,
    /// Root mean square departure of the channel from the balance, °C.
    pub fit_rms_c: Option<f64>,
    /// Change of force and heat with temperature.
    pub sensitivity: Option<Sensitivity>,
    /// Forces at peak speed referred to a common temperature.
    pub referred: Option<Referred>,
    /// The channel over the run, for plots.
    #[serde(skip)]
    pub trace: Vec<TracePoint>,
}

/// The channel at one time.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TracePoint {
    /// Segment of the recording.
    pub segment: u32,
    /// s.
    pub time_s: f64,
    /// As read, °C.
    pub read_c: f64,
    /// The oil as the balance has it, °C.
    pub oil_c: Option<f64>,
}

/// A capacity is stated if half its interval is below this share: wider, and the run cannot
/// tell it.
const CAPACITY_WITHIN: f64 = 0.3;
/// A time constant is stated if its interval spans less than this factor either way.
const TIME_WITHIN: f64 = 2.0;
/// An air temperature found by the fit beyond this is no room's, °C: the unit is suspect
/// (rooms in °F read 60 to 90).
const NO_ROOM_C: f64 = 50.0;
/// A settled temperature is stated if half its interval is below this share of its rise
/// above the air.
const SETTLED_WITHIN: f64 = 0.5;
/// Fewest readings in a step for a warming rate.
const RATE_BINS: usize = 6;

/// What the balance made of the channel.
#[derive(Debug)]
pub(super) struct Read {
    pub(super) temperature: Temperature,
    pub(super) balance: Option<Balance>,
}

/// Reads an examined channel. Fills warming and settled temperature of the steps.
pub(super) fn read(
    channel: &Examined,
    log: &ThermalLog,
    steps: &[Step],
    per_step: &mut [StepHeat],
    card_air: Option<f64>,
    notes: &mut Vec<String>,
) -> Read {
    let readings: Vec<f64> = channel
        .bins
        .iter()
        .filter_map(|b| b.temperature_c)
        .collect();
    let mut out = Temperature {
        start_c: readings.first().copied(),
        end_c: readings.last().copied(),
        max_c: readings.iter().copied().reduce(f64::max),
        used: channel.problem.is_none(),
        problem: channel.problem.clone(),
        trace: trace(channel, None),
        ..Temperature::default()
    };
    if let Some(problem) = &channel.problem {
        notes.push(format!("the temperature channel is not used: {problem}"));
        return Read {
            temperature: out,
            balance: None,
        };
    }
    for (step, heat) in steps.iter().zip(per_step.iter_mut()) {
        heat.warming_c_per_s = warming(step, log);
    }
    let moved = readings.iter().copied().fold(f64::NEG_INFINITY, f64::max)
        - readings.iter().copied().fold(f64::INFINITY, f64::min);
    if moved <= 4.0 * channel.noise_c || moved <= 0.0 {
        notes.push(format!(
            "temperature moves by {moved:.2} °C only: no heat capacity or cooling can be had from it"
        ));
        return Read {
            temperature: out,
            balance: None,
        };
    }
    let Some(balance) = choose(channel, card_air, notes) else {
        return Read {
            temperature: out,
            balance: None,
        };
    };
    if let Some(problem) = contradiction(&balance) {
        notes.push(format!("the temperature channel is not used: {problem}"));
        out.used = false;
        out.problem = Some(problem);
        for heat in per_step.iter_mut() {
            heat.warming_c_per_s = None;
        }
        return Read {
            temperature: out,
            balance: None,
        };
    }
    out.trace = trace(channel, Some(&balance));
    out.heat_capacity_j_k = balance.capacity();
    out.sensor_lag_s = Some(balance.lag);
    out.fit_rms_c = Some(balance.rms_c);
    out.air_from = Some(
        match balance.air {
            Air::Known(_) => "card",
            Air::Free => "fit",
            Air::AsAtStart => "start",
            Air::NoCooling => "no cooling seen",
        }
        .into(),
    );
    if told_time(&balance) {
        out.air_c = balance.air_c();
        out.cooling_time_s = balance.time_constant();
        out.cooling_w_per_k = balance.conductance();
        for heat in per_step.iter_mut() {
            heat.settled_c = balance.settled(heat.power_w).filter(|s| {
                let rise = s.value - out.air_c.map_or(0.0, |a| a.value);
                s.ci95
                    .is_some_and(|[a, b]| 0.5 * (b - a) <= SETTLED_WITHIN * rise.abs())
            });
        }
    } else {
        notes.push(
            "the run is too short against the damper's cooling to tell how fast it cools and where it \
             would settle; a rest of some minutes at the end would show it"
                .into(),
        );
    }
    if balance.air == Air::AsAtStart {
        notes.push(
            "heat capacity and cooling take the air to be as warm as the damper was at the start: the run \
             alone cannot tell (give air_temperature_c on the damper card)"
                .into(),
        );
    }
    Read {
        temperature: out,
        balance: Some(balance),
    }
}

fn trace(channel: &Examined, balance: Option<&Balance>) -> Vec<TracePoint> {
    channel
        .bins
        .iter()
        .filter_map(|bin| {
            let time_s = 0.5 * (bin.start_s + bin.end_s);
            Some(TracePoint {
                segment: bin.segment,
                time_s,
                read_c: bin.temperature_c?,
                oil_c: balance.and_then(|b| b.oil_at(bin.segment, time_s)),
            })
        })
        .collect()
}

/// The least assuming balance that says something.
fn choose(channel: &Examined, card_air: Option<f64>, notes: &mut Vec<String>) -> Option<Balance> {
    let ways: &[Air] = match card_air {
        Some(air) => &[Air::Known(air), Air::NoCooling],
        None => &[Air::Free, Air::AsAtStart, Air::NoCooling],
    };
    let fit = |air: &Air| Balance::fit(&channel.bins, *air);
    // With cores to spare, all ways at once take no longer than the first; else each is tried
    // only if those before it did not do.
    let at_once: Option<Vec<Option<Balance>>> =
        (rayon::current_num_threads() > 1).then(|| ways.par_iter().map(fit).collect());
    let mut at_once = at_once.map(Vec::into_iter);
    let mut found = None;
    for air in ways {
        let tried = match &mut at_once {
            Some(fits) => fits.next().flatten(),
            None => fit(air),
        };
        let Some(fit) = tried else {
            continue;
        };
        if fit.cools_when_worked() {
            return Some(fit);
        }
        if told_capacity(&fit) && (*air == Air::NoCooling || told_time(&fit) || found.is_none()) {
            let settled = told_time(&fit);
            found = Some(fit);
            if settled {
                break;
            }
        }
    }
    if found.is_none() {
        notes.push(
            "temperature and work together do not settle a heat capacity, nor how fast the damper cools"
                .into(),
        );
    }
    found
}

fn told_capacity(fit: &Balance) -> bool {
    fit.capacity().is_some_and(|c| {
        c.ci95
            .is_some_and(|[a, b]| 0.5 * (b - a) <= CAPACITY_WITHIN * c.value)
    })
}

fn told_time(fit: &Balance) -> bool {
    fit.time_constant().is_some_and(|t| {
        t.ci95
            .is_some_and(|[a, b]| b <= TIME_WITHIN * t.value && a >= t.value / TIME_WITHIN)
    })
}

fn contradiction(balance: &Balance) -> Option<String> {
    if balance.cools_when_worked() {
        return Some("it falls when the damper is worked and rises when it rests".into());
    }
    let air = balance.air_c().filter(|_| balance.air == Air::Free)?;
    let low = air.ci95?[0];
    (low > NO_ROOM_C && told_time(balance)).then(|| {
        format!(
            "it would cool towards {:.0} °C, which is no room; as °F that is {:.0} °C: give --unit \
             temperature=°F if so, or the true air temperature on the damper card",
            air.value,
            (air.value - 32.0) / 1.8
        )
    })
}

/// Slope of the channel over a step, °C/s.
fn warming(step: &Step, log: &ThermalLog) -> Option<Measured> {
    let from = step.start_s;
    let to = from + step.cycles as f64 * step.period_s();
    let (mut time, mut reading) = (Vec::new(), Vec::new());
    for bin in log.bins() {
        if bin.segment == step.segment
            && bin.start_s >= from
            && bin.end_s <= to
            && let Some(t) = bin.temperature_c
        {
            time.push(0.5 * (bin.start_s + bin.end_s) - from);
            reading.push(t);
        }
    }
    if reading.len() < RATE_BINS {
        return None;
    }
    let n = reading.len();
    let fit = in_time(&[vec![1.0; n], time], &reading, &vec![1.0; n])?;
    Some(fit.measured(1, 1.0))
}
