//! From the fitted model to what is said: a value with its interval, or nothing and why.

use std::collections::BTreeMap;
use std::f64::consts::PI;

use serde::{Deserialize, Serialize};

use super::Interval;
use super::joint::{Joint, JointSettings, LoopCurve, Told};
use crate::cards::DamperCard;
use crate::statistics::t_quantile;
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, Motion, Step};

/// Gas force, stiffness, friction and what else a load cell reads (contract: `statics`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Statics {
    /// Mean force at v → 0 and mid-stroke at the start of the record, N: gas force plus any
    /// load-cell offset.
    pub gas_force_n: Option<f64>,
    /// Rise of that force with compression, N/m.
    pub gas_stiffness_n_m: Option<f64>,
    /// Friction: half the jump of force with the direction, N.
    pub friction_n: Option<f64>,
    /// How they were found, one sentence.
    pub method: String,
    /// 95 % intervals.
    pub ci95: StaticsIntervals,
    /// Gas pressure above atmosphere, Pa, if the rod diameter is known.
    pub gas_pressure_pa: Option<f64>,
    /// Mass that moves with the load cell, kg.
    #[serde(default)]
    pub moving_mass_kg: Option<f64>,
    /// Change of the force at rest from the start of the record to its end, N.
    #[serde(default)]
    pub zero_drift_n: Option<f64>,
    /// Delay of the force channel behind travel, s, as estimated.
    pub force_lag_s: Option<f64>,
    /// Its 95 % interval, s.
    pub force_lag_ci95_s: Option<Interval>,
    /// Delay taken out before curves were made, s (stated or estimated; 0 if none).
    pub force_lag_applied_s: f64,
    /// Mass whose inertia was taken out before curves were made, kg (0 if none).
    #[serde(default)]
    pub moving_mass_applied_kg: f64,
    /// Series compliance of oil and structure, N/m, if it can be told from delay.
    pub series_stiffness_n_m: Option<f64>,
    /// Its 95 % interval.
    pub series_stiffness_ci95_n_m: Option<Interval>,
    /// What the speeds at hand could and could not tell apart.
    pub identifiable: Vec<String>,
    /// For each number that is `null`: why, and what would settle it.
    #[serde(default)]
    pub why_not: BTreeMap<String, String>,
    /// The best values, given or not: what loops are read with.
    #[serde(skip)]
    pub best: Option<StaticLevel>,
    /// What all loops say of the total force against speed, compression and rebound.
    #[serde(skip)]
    pub loops: Option<Box<[LoopCurve; 2]>>,
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
    /// Of the moving mass.
    #[serde(default)]
    pub moving_mass_kg: Option<Interval>,
    /// Of the drift.
    #[serde(default)]
    pub zero_drift_n: Option<Interval>,
}

impl Statics {
    /// The level that carries no damping, for reading loops.
    pub fn level(&self) -> StaticLevel {
        self.best.unwrap_or(StaticLevel {
            gas_force_n: self.gas_force_n.unwrap_or(0.0),
            gas_stiffness_n_m: self.gas_stiffness_n_m.unwrap_or(0.0),
            friction_n: self.friction_n.unwrap_or(0.0),
            lag_s: self.force_lag_applied_s,
        })
    }
}

/// A step whose peak speed is below this is a slow step, m/s: it nearly gives gas and friction.
pub(super) const SLOW_M_S: f64 = 0.015;
/// An interval wider than this share of its value …
const WORTH: f64 = 0.6;
/// … and than this share of the largest force is no answer.
const WORTH_OF_FORCE: f64 = 0.03;
/// … and beyond this share it is none whatever the value.
const HOPELESS_OF_FORCE: f64 = 0.08;
/// The same for the rise of the gas force over half the stroke.
const WORTH_OF_RISE: f64 = 0.02;
/// A mass is told if its 95 % half width is below this, kg, or below a share of it.
const WORTH_OF_MASS_KG: f64 = 0.4;
const WORTH_OF_MASS: f64 = 0.3;
/// A delay is told if its error is below this share of what was allowed beforehand.
const TOLD: f64 = 0.35;
/// A delay or a mass is taken out of the loops if it stands this many standard errors off
/// nought and is larger than anybody would leave in.
const PLAINLY: f64 = 2.0;
/// … this many for a delay that is known worse than that, s: air, too, comes late.
const MORE_PLAINLY: f64 = 3.0;
const SHARP_DELAY_S: f64 = 5e-4;
const LEAST_DELAY_S: f64 = 1.5e-4;
const LEAST_MASS_KG: f64 = 0.25;
/// A rise over the whole stroke beyond this share of the force range is no gas charge …
const SPRING_SHARE: f64 = 0.3;
/// … nor is one beyond this many times the force at mid-stroke: a gas chamber would be gone.
const SPRING_OVER_REST: f64 = 3.0;
/// A slowest step of constant speed above this cannot tell friction from bleed, m/s.
const FLAT_M_S: f64 = 0.02;

/// Statics of a run (docs/methods/statics.md). `settings` hold what a person stated.
pub fn statics(steps: &[Step], settings: &JointSettings, card: Option<&DamperCard>) -> Statics {
    let Some(joint) = Joint::fit(steps, settings) else {
        return without_model(settings);
    };
    let size = Size::of(steps);
    let t = t_quantile(0.975, joint.freedom()).unwrap_or(2.5);
    let mut out = Statics {
        method: method(steps),
        ..Statics::default()
    };
    out.take_friction(&joint, t, &size, steps);
    out.take_gas(&joint, t, &size, steps, card);
    out.take_drift(&joint, t, &size);
    out.take_mass(&joint, t, settings);
    out.take_delay(&joint, t, settings);
    out.take_compliance(&joint, t);
    let drift = if joint.drift.value.abs() > t * joint.drift.se {
        joint.drift.value
    } else {
        0.0
    };
    out.best = Some(StaticLevel {
        gas_force_n: size.likely_rest(&joint.rest) + 0.5 * drift,
        // A rise that cannot be told from mass and delay is better left in the loops.
        gas_stiffness_n_m: out.gas_stiffness_n_m.unwrap_or(0.0),
        friction_n: joint.friction.value.max(0.0),
        lag_s: out.force_lag_applied_s,
    });
    out.loops = joint.curves.map(Box::new);
    out
}

fn without_model(settings: &JointSettings) -> Statics {
    let why = "too few samples move fast enough, apart from the reversals, in both directions";
    Statics {
        method: "not enough motion to tell gas force and friction".into(),
        force_lag_applied_s: settings.delay_s.unwrap_or(0.0),
        why_not: [
            "gas_force_n",
            "gas_stiffness_n_m",
            "friction_n",
            "moving_mass_kg",
            "zero_drift_n",
        ]
        .into_iter()
        .map(|name| (name.to_owned(), why.to_owned()))
        .collect(),
        ..Statics::default()
    }
}

/// What numbers of this run are held against.
struct Size {
    /// Half the range of force, N.
    force_n: f64,
    /// The largest stroke, m.
    stroke_m: f64,
    /// The largest speed of the slowest step, m/s.
    slowest_m_s: f64,
    /// The lowest force of the compression strokes and the highest of the rebound strokes, at
    /// the middle of the stroke, N.
    between_n: [f64; 2],
}

impl Size {
    fn of(steps: &[Step]) -> Self {
        let (low, high) = steps.iter().fold((0.0_f64, 0.0_f64), |(a, b), s| {
            (
                a.min(s.peak_force_n.rebound),
                b.max(s.peak_force_n.compression),
            )
        });
        let middle = |step: &Step, direction: Direction| {
            let n = step.fold.force.len();
            (0..n)
                .filter(|i| {
                    step.fold.travel[*i].abs() < 0.1 * step.stroke_m
                        && direction.sign() * step.fold.velocity[*i] > 0.0
                })
                .map(|i| step.fold.force[i])
                .fold((0.0, 0.0), |(sum, n), f| (sum + f, n + 1.0))
        };
        let mean = |(sum, n): (f64, f64)| if n > 0.0 { sum / n } else { f64::NAN };
        let highest = steps
            .iter()
            .map(|s| mean(middle(s, Direction::Rebound)))
            .fold(f64::NEG_INFINITY, f64::max);
        let lowest = steps
            .iter()
            .map(|s| mean(middle(s, Direction::Compression)))
            .fold(f64::INFINITY, f64::min);
        Self {
            force_n: (0.5 * (high - low)).max(f64::MIN_POSITIVE),
            stroke_m: steps.iter().map(|s| s.stroke_m).fold(0.0, f64::max),
            slowest_m_s: steps
                .iter()
                .map(Step::top_speed)
                .fold(f64::INFINITY, f64::min),
            between_n: [highest, lowest],
        }
    }
}

impl Size {
    /// The force at rest that loops are read with: what was found, and, the less it is known
    /// the more, the middle between the forces of the two directions.
    fn likely_rest(&self, told: &Told) -> f64 {
        let [highest, lowest] = self.between_n;
        let (middle, spread) = (0.5 * (highest + lowest), 0.25 * (lowest - highest));
        if !spread.is_finite() || spread <= 0.0 {
            return told.value;
        }
        let (own, other) = (told.se.max(f64::MIN_POSITIVE).powi(-2), spread.powi(-2));
        (own * told.value + other * middle) / (own + other)
    }

    /// Whether an interval of this half width is wider than the answer is worth.
    fn is_no_answer(&self, value: f64, half: f64) -> bool {
        (half > WORTH * value.abs() && half > WORTH_OF_FORCE * self.force_n)
            || half > HOPELESS_OF_FORCE * self.force_n
    }
}

fn interval(told: &Told, t: f64) -> Interval {
    [told.value - t * told.se, told.value + t * told.se]
}

impl Statics {
    fn no(&mut self, name: &str, why: impl Into<String>) {
        self.why_not.insert(name.to_owned(), why.into());
    }

    fn take_friction(&mut self, joint: &Joint, t: f64, size: &Size, steps: &[Step]) {
        let told = &joint.friction;
        let half = t * told.se;
        if size.is_no_answer(told.value, half) {
            self.no("friction_n", no_rest("friction", half, size, steps));
            return;
        }
        let [low, high] = interval(told, t);
        if high < 0.0 {
            self.no(
                "friction_n",
                "the direction changes the force the wrong way near rest: something else is in the slow strokes",
            );
            return;
        }
        self.friction_n = Some(told.value.max(0.0));
        self.ci95.friction_n = Some([low.max(0.0), high]);
    }

    fn take_gas(
        &mut self,
        joint: &Joint,
        t: f64,
        size: &Size,
        steps: &[Step],
        card: Option<&DamperCard>,
    ) {
        let rise = &joint.spring;
        let half_rise = 0.5 * size.stroke_m * t * rise.se;
        let told_rise = half_rise <= WORTH * 0.5 * size.stroke_m * rise.value.abs()
            || half_rise <= WORTH_OF_RISE * size.force_n;
        if told_rise {
            self.gas_stiffness_n_m = Some(rise.value);
            self.ci95.gas_stiffness_n_m = Some(interval(rise, t));
        } else {
            self.no(
                "gas_stiffness_n_m",
                "rise with travel, moving mass and delay look alike at these speeds: run a slow step \
                 (below 15 mm/s), or state the mass",
            );
        }
        let told = &joint.rest;
        let half = t * told.se;
        let [highest, lowest] = size.between_n;
        let slack = half.max(0.01 * size.force_n);
        if size.is_no_answer(told.value, half) {
            self.no("gas_force_n", no_rest("gas force", half, size, steps));
        } else if told.value > lowest + slack || told.value < highest - slack {
            self.no(
                "gas_force_n",
                "the force found at rest does not lie between those of the two directions: something else \
                 acts in the slow strokes",
            );
        } else {
            self.gas_force_n = Some(told.value);
            self.ci95.gas_force_n = Some(interval(told, t));
        }
        let whole = rise.value * size.stroke_m;
        let is_spring = told_rise
            && whole > SPRING_SHARE * 2.0 * size.force_n
            && whole > SPRING_OVER_REST * told.value.abs();
        if is_spring {
            self.identifiable.push(format!(
                "force rises by {whole:.0} N over the stroke, too steeply for a gas charge: a spring is fitted, or a \
                 stop is reached; no gas pressure is given"
            ));
            self.no(
                "gas_pressure_pa",
                "the rise with travel is that of a spring, not of a gas charge",
            );
            return;
        }
        let rod = card.and_then(|c| c.rod_mm).filter(|d| *d > 0.0);
        self.gas_pressure_pa = self
            .gas_force_n
            .zip(rod)
            .map(|(force, d)| force / (0.25 * PI * (d * 1e-3).powi(2)));
    }

    fn take_drift(&mut self, joint: &Joint, t: f64, size: &Size) {
        let told = &joint.drift;
        let half = t * told.se;
        if told.se > 0.5 * told.before || told.before <= 0.0 {
            self.no(
                "zero_drift_n",
                "one speed, or speeds without a common clock, cannot tell drift from anything else: run the \
                 first speed again at the end",
            );
        } else if size.is_no_answer(told.value, half) {
            self.no("zero_drift_n", format!("known to ± {half:.0} N only"));
        } else {
            self.zero_drift_n = Some(told.value);
            self.ci95.zero_drift_n = Some(interval(told, t));
        }
    }

    fn take_mass(&mut self, joint: &Joint, t: f64, settings: &JointSettings) {
        let told = &joint.mass;
        let half = t * told.se;
        if let Some(stated) = settings.moving_mass_kg {
            self.moving_mass_kg = Some(stated);
            self.moving_mass_applied_kg = stated;
            return;
        }
        if half > WORTH_OF_MASS_KG && half > WORTH_OF_MASS * told.value.abs() {
            self.no(
                "moving_mass_kg",
                "inertia grows with the square of frequency; these speeds do not tell it from gas stiffness and \
                 delay: state it with --moving-mass, or run at unlike frequencies",
            );
            return;
        }
        let [low, high] = interval(told, t);
        if high < 0.0 {
            self.no(
                "moving_mass_kg",
                "force in phase with travel grows with frequency where inertia would make it fall: compliance, \
                 or a force that depends on frequency",
            );
            return;
        }
        self.moving_mass_kg = Some(told.value.max(0.0));
        self.ci95.moving_mass_kg = Some([low.max(0.0), high]);
        if told.value > PLAINLY * told.se && told.value > LEAST_MASS_KG {
            self.moving_mass_applied_kg = told.value;
        }
    }

    fn take_delay(&mut self, joint: &Joint, t: f64, settings: &JointSettings) {
        let told = &joint.delay;
        if let Some(stated) = settings.delay_s {
            self.force_lag_s = Some(stated);
            self.force_lag_applied_s = stated;
            return;
        }
        let sharply = told.se < SHARP_DELAY_S && told.value > PLAINLY * told.se;
        let plainly = told.value > MORE_PLAINLY * told.se;
        if (sharply || plainly) && told.value > LEAST_DELAY_S {
            self.force_lag_applied_s = told.value;
        } else if told.se > TOLD * told.before {
            self.no(
                "force_lag_s",
                "at these speeds a delay cannot be told from gas stiffness and mass: state it with --force-lag",
            );
            return;
        }
        self.force_lag_s = Some(told.value);
        self.force_lag_ci95_s = Some(interval(told, t));
    }

    fn take_compliance(&mut self, joint: &Joint, t: f64) {
        let told = &joint.compliance;
        let [low, high] = interval(told, t);
        if low > 0.0 {
            self.series_stiffness_n_m = Some(1.0 / told.value);
            self.series_stiffness_ci95_n_m = Some([1.0 / high, 1.0 / low]);
        }
    }
}

/// Why a force at rest is not given.
fn no_rest(what: &str, half: f64, size: &Size, steps: &[Step]) -> String {
    let flat = steps.iter().all(|s| s.motion == Motion::Triangle);
    let slowest = 1e3 * size.slowest_m_s;
    if flat && size.slowest_m_s > FLAT_M_S {
        format!(
            "at constant speed, friction and bleed are one number down to the slowest stroke ({slowest:.0} mm/s): \
             {what} is known to ± {half:.0} N only; add a stroke at 5 mm/s or a sine"
        )
    } else {
        format!(
            "taking the curve from the slowest motion (peak {slowest:.0} mm/s) to rest leaves {what} known to \
             ± {half:.0} N only; add a slow step (below 15 mm/s)"
        )
    }
}

/// How it was done, one sentence.
fn method(steps: &[Step]) -> String {
    let slowest = steps
        .iter()
        .map(Step::top_speed)
        .fold(f64::INFINITY, f64::min);
    let what = match steps.len() {
        1 => "one model over the loops of one speed".to_owned(),
        n => format!("one model over all loops of {n} steps"),
    };
    if slowest < SLOW_M_S {
        format!("{what}, with a slow step of {:.1} mm/s peak", 1e3 * slowest)
    } else {
        format!(
            "{what}; no slow step: taken to rest from {:.0} mm/s peak",
            1e3 * slowest
        )
    }
}
