//! Heat: energy over the run, temperature, fade. Equations and sources: `docs/methods/heat.md`.

mod balance;
mod body;
mod channel;
mod energy;
mod fade;
mod forecast;
mod gas;
mod log;
mod lump;
mod referred;
mod regress;
mod sensitivity;
mod temperature;

pub use energy::{Closure, Growth, StepHeat};
pub use fade::{Course, StepFade};
pub use forecast::{Forecast, OIL_SPECIFIC_HEAT, Reach, STEEL_SPECIFIC_HEAT, StepForecast};
pub use gas::{GasWarming, gauge_at};
pub use log::{Bin, Jump, LEAST_CAPACITY_J_K, ThermalLog};
pub use lump::Lump;
pub use referred::{Referred, ReferredPoint, referred_steps};
pub use sensitivity::Sensitivity;
pub use temperature::{Temperature, TracePoint};

use serde::{Deserialize, Serialize};

use crate::cards::DamperCard;
use crate::statics::Statics;
use crate::steps::Step;

/// An interval, low end first.
pub type Interval = [f64; 2];

/// A number with its 95 % interval, where there is one.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Measured {
    /// The number.
    pub value: f64,
    /// 95 % interval.
    pub ci95: Option<Interval>,
}

impl Measured {
    /// `value ± half`; no interval if `half` is not a number.
    pub fn around(value: f64, half: f64) -> Self {
        Self {
            value,
            ci95: half.is_finite().then_some([value - half, value + half]),
        }
    }

    /// True if the interval leaves zero out.
    pub fn is_clear_of_zero(&self) -> bool {
        self.ci95.is_some_and(|[a, b]| a > 0.0 || b < 0.0)
    }
}

/// Heat of the run (contract: `heat`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Heat {
    /// Over all whole cycles, J.
    pub total_j: f64,
    /// Over the whole recording, cycles between steps and pieces included, J.
    pub whole_run_j: Option<f64>,
    /// Largest instantaneous power, W.
    pub peak_power_w: f64,
    /// By step.
    pub per_step: Vec<StepHeat>,
    /// How heat grows with speed; `None` below two speeds.
    pub growth: Option<Growth>,
    /// Force and travel against force and the file's velocity; empty without that channel.
    pub closure: Vec<Closure>,
    /// What the temperature channel says; `None` without one.
    pub temperature: Option<Temperature>,
    /// What to expect of temperature, from the damper card and from what the channel showed:
    /// estimates.
    pub forecasts: Vec<Forecast>,
    /// Gas force against temperature.
    pub gas: Option<GasWarming>,
    /// Force, heat, gas and lost motion over the cycles of long steps.
    pub fade: Vec<StepFade>,
}

/// What steers the heat analysis.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(default, deny_unknown_fields)]
pub struct HeatSettings {
    /// Temperature that forces are referred to, °C. 20: what test instructions for car
    /// dampers ask for (20 ± 5 °C in workshop manuals that give force bands).
    pub reference_c: f64,
    /// Temperatures a forecast gives the time to, °C. 60 is too hot to hold, 80 a hard stint,
    /// 100 where common seals and oils begin to suffer (common practice).
    pub reach_c: [f64; 3],
}

impl Default for HeatSettings {
    fn default() -> Self {
        Self {
            reference_c: 20.0,
            reach_c: [60.0, 80.0, 100.0],
        }
    }
}

/// Everything the heat of a run is made from.
#[derive(Debug, Clone, Copy)]
pub struct Ground<'a> {
    /// Steps.
    pub steps: &'a [Step],
    /// Gas force and friction.
    pub statics: &'a Statics,
    /// Work and temperature over the whole recording.
    pub log: &'a ThermalLog,
    /// What is known of the damper.
    pub card: Option<&'a DamperCard>,
}

/// Heat of the run, and a sentence for everything that could not be had or was assumed.
pub fn heat(ground: &Ground<'_>, settings: &HeatSettings) -> (Heat, Vec<String>) {
    let Ground {
        steps,
        statics,
        log,
        card,
    } = *ground;
    let mut notes = Vec::new();
    let friction = statics.friction_n.map(|f| {
        let half = statics.ci95.friction_n.map_or(0.0, |[a, b]| 0.5 * (b - a));
        (f, half)
    });
    let mut per_step = energy::per_step(steps, friction);
    let growth = energy::growth(steps, friction);
    let air = card.and_then(|c| c.air_temperature_c);
    let temperature = || {
        channel::examine(log).map(|channel| {
            let read = temperature::read(&channel, log, steps, &mut per_step, air, &mut notes);
            let mut out = read.temperature;
            if out.used {
                let balance = read.balance.as_ref();
                let exponent = growth.and_then(|g| g.hydraulic).map_or(1.0, |g| g.value);
                out.sensitivity = sensitivity::sensitivity(
                    steps,
                    balance,
                    friction,
                    exponent,
                    settings.reference_c,
                    &mut notes,
                );
                out.referred = out
                    .sensitivity
                    .as_ref()
                    .map(|s| referred::referred(steps, &statics.level(), s, balance));
            }
            out
        })
    };
    let (temperature, fade) = rayon::join(temperature, || fade::fade(steps));
    let mut forecasts = Vec::new();
    if let Some(card) = card {
        let made = forecast::from_card(card, temperature.as_ref(), &per_step, log, settings);
        forecasts.extend(made);
    }
    if let Some(t) = temperature.as_ref().filter(|t| t.used) {
        forecasts.extend(forecast::from_channel(t, &per_step, log, settings));
    }
    let heat = Heat {
        gas: gas::gas(card, statics, temperature.as_ref(), forecasts.first()),
        fade,
        forecasts,
        total_j: per_step.iter().map(|s| s.total_j).sum(),
        whole_run_j: (!log.bins().is_empty()).then(|| log.work_j()),
        peak_power_w: per_step.iter().map(|s| s.peak_power_w).fold(0.0, f64::max),
        growth,
        closure: energy::closure(steps),
        temperature,
        per_step,
    };
    (heat, notes)
}
