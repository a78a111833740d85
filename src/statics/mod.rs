//! Statics: gas force, gas stiffness, friction, and the lag of the force channel, which
//! must be known before a loop can be read.

mod lag;
mod rest;

pub use lag::{LoopCauses, loop_causes};
pub use rest::{Estimate, Rest, RestSettings, rest, sound_alone, sound_from};

use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use crate::cards::DamperCard;
use crate::steps::Step;
use crate::steps::lost_motion::StaticLevel;

/// An interval, low end first.
pub type Interval = [f64; 2];

/// Gas force, stiffness, friction (contract: `statics`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Statics {
    /// Mean force at v → 0 and mid-stroke, N: gas force plus any load-cell offset.
    pub gas_force_n: Option<f64>,
    /// Rise of that force with compression, N/m.
    pub gas_stiffness_n_m: Option<f64>,
    /// Friction, N.
    pub friction_n: Option<f64>,
    /// How they were found, one sentence.
    pub method: String,
    /// 95 % intervals.
    pub ci95: StaticsIntervals,
    /// Gas pressure above atmosphere, Pa, if the rod diameter is known.
    pub gas_pressure_pa: Option<f64>,
    /// Delay of the force channel behind travel, s, as estimated.
    pub force_lag_s: Option<f64>,
    /// Its 95 % interval, s.
    pub force_lag_ci95_s: Option<Interval>,
    /// Delay taken out before curves were made, s (stated or estimated; 0 if none).
    pub force_lag_applied_s: f64,
    /// Series compliance of oil and structure, N/m, if it can be told from lag.
    pub series_stiffness_n_m: Option<f64>,
    /// Its 95 % interval.
    pub series_stiffness_ci95_n_m: Option<Interval>,
    /// What the speeds at hand could and could not tell apart.
    pub identifiable: Vec<String>,
}

/// 95 % intervals of [`Statics`].
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct StaticsIntervals {
    /// Of the gas force.
    pub gas_force_n: Option<Interval>,
    /// Of the gas stiffness.
    pub gas_stiffness_n_m: Option<Interval>,
    /// Of the friction.
    pub friction_n: Option<Interval>,
}

impl Statics {
    /// The level that carries no damping, for reading loops.
    pub fn level(&self) -> StaticLevel {
        StaticLevel {
            gas_force_n: self.gas_force_n.unwrap_or(0.0),
            gas_stiffness_n_m: self.gas_stiffness_n_m.unwrap_or(0.0),
            friction_n: self.friction_n.unwrap_or(0.0),
            lag_s: self.force_lag_applied_s,
        }
    }
}

/// Gas force, stiffness, friction and lag of a run (docs/methods/statics.md).
///
/// With a slow step they come from it; without one, from the slow part of the slowest step,
/// with wider intervals. `stated_lag` is a force delay the person gave, s.
pub fn statics(
    steps: &[Step],
    settings: &RestSettings,
    stated_lag: Option<f64>,
    card: Option<&DamperCard>,
) -> Statics {
    let mut by_speed: Vec<&Step> = steps.iter().collect();
    by_speed.sort_by(|a, b| a.top_speed().total_cmp(&b.top_speed()));
    let slow: Vec<&Step> = by_speed
        .iter()
        .copied()
        .filter(|s| s.top_speed() < settings.slow_m_s)
        .collect();
    let from_slow = pooled(&slow, |s| {
        rest(s, settings, s.top_speed(), stated_lag.unwrap_or(0.0), None)
    });
    let known = from_slow.map(|r| (r.stiffness.value, r.stiffness.half_width / 2.0));
    let causes = loop_causes(steps, known, stated_lag);
    let lag = causes.lag.map_or(0.0, |l| l.0);
    let mut out = Statics {
        force_lag_applied_s: lag,
        identifiable: causes.said.clone(),
        ..Statics::default()
    };
    if let Some((tau, se)) = causes.lag {
        out.force_lag_s = Some(tau);
        out.force_lag_ci95_s = Some([tau - causes.t95 * se, tau + causes.t95 * se]);
    }
    if let Some((compliance, se)) = causes.compliance {
        out.series_stiffness_n_m = Some(1.0 / compliance);
        let (low, high) = (compliance - causes.t95 * se, compliance + causes.t95 * se);
        out.series_stiffness_ci95_n_m = (low > 0.0).then(|| [1.0 / high, 1.0 / low]);
    }
    let (found, method) = if let Some(found) = from_slow {
        (
            Some(found),
            format!(
                "slow step at {:.1} mm/s peak, taken to zero speed",
                1e3 * slow[0].top_speed()
            ),
        )
    } else {
        let slowest: Vec<&Step> = by_speed.iter().copied().take(2).collect();
        // Lag and stiffness look alike in one step; what the whole ladder says is held.
        let plausible = causes
            .stiffness
            .filter(|(k, se)| is_gas_spring(*k, *se, steps));
        if plausible.is_none() {
            out.identifiable.push(
                "no gas stiffness can be told from these speeds: taken as none, which widens gas force and \
                 friction"
                    .into(),
            );
        }
        let stiffness = Some(plausible.map_or(0.0, |(k, _)| k));
        let found = pooled(&slowest, |s| {
            rest(
                s,
                settings,
                settings
                    .low_m_s
                    .min(0.6 * s.top_speed())
                    .max(0.3 * s.top_speed()),
                lag,
                stiffness,
            )
        });
        let found = found.map(|mut r| {
            r.stiffness.half_width = plausible.map_or(f64::NAN, |(_, se)| causes.t95 * se);
            r
        });
        let speed = slowest.first().map_or(0.0, |s| 1e3 * s.top_speed());
        (
            found,
            format!(
                "no slow step: the slow part of the slowest steps ({speed:.0} mm/s peak), taken to zero speed"
            ),
        )
    };
    out.method = method;
    if let Some(found) = found {
        let interval = |e: &Estimate| [e.value - e.half_width, e.value + e.half_width];
        out.gas_force_n = Some(found.gas_force.value);
        let told = found.stiffness.half_width.is_finite();
        out.gas_stiffness_n_m = told.then_some(found.stiffness.value);
        out.friction_n = Some(found.friction.value.max(0.0));
        out.ci95 = StaticsIntervals {
            gas_force_n: Some(interval(&found.gas_force)),
            gas_stiffness_n_m: told.then(|| interval(&found.stiffness)),
            friction_n: Some(interval(&found.friction)),
        };
        let rod = card.and_then(|c| c.rod_mm).filter(|d| *d > 0.0);
        out.gas_pressure_pa = rod.map(|d| found.gas_force.value / (0.25 * PI * (d * 1e-3).powi(2)));
    } else {
        out.method = "not enough slow motion to tell gas force and friction".into();
    }
    out
}

/// A gas spring moves force over the stroke by no more than this share of the largest force
/// (common practice: tens of newtons against hundreds or thousands).
const MOST_SPRING_SHARE: f64 = 0.3;

/// Whether a stiffness read from loops can be a gas spring: not negative beyond its error,
/// and not so large that something else (play, a structure) must be meant.
fn is_gas_spring(k: f64, se: f64, steps: &[Step]) -> bool {
    let stroke = steps.iter().map(|s| s.stroke_m).fold(0.0, f64::max);
    let force = steps
        .iter()
        .map(|s| {
            s.peak_force_n
                .compression
                .abs()
                .max(s.peak_force_n.rebound.abs())
        })
        .fold(0.0, f64::max);
    k + 2.0 * se >= 0.0 && k * stroke <= MOST_SPRING_SHARE * force
}

/// Mean over steps, weighted by the squares of their intervals.
fn pooled(steps: &[&Step], one: impl Fn(&Step) -> Option<Rest>) -> Option<Rest> {
    let found: Vec<Rest> = steps.iter().filter_map(|s| one(s)).collect();
    let first = found.first()?;
    let pool = |pick: &dyn Fn(&Rest) -> Estimate| {
        let least = found
            .iter()
            .map(|r| pick(r).half_width)
            .fold(f64::INFINITY, f64::min);
        if found.len() < 2 || least <= 0.0 {
            return pick(first);
        }
        let weight = |e: &Estimate| 1.0 / e.half_width.powi(2);
        let total: f64 = found.iter().map(|r| weight(&pick(r))).sum();
        let value = found
            .iter()
            .map(|r| weight(&pick(r)) * pick(r).value)
            .sum::<f64>()
            / total;
        // Steps that disagree widen the interval.
        let apart = found
            .iter()
            .map(|r| (pick(r).value - value).abs())
            .fold(0.0, f64::max);
        Estimate {
            value,
            half_width: (1.0 / total).sqrt().max(0.5 * apart),
        }
    };
    Some(Rest {
        gas_force: pool(&|r| r.gas_force),
        stiffness: pool(&|r| r.stiffness),
        friction: pool(&|r| r.friction),
        curved: first.curved,
    })
}
