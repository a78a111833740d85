//! Synthetic runs from a damper description. For demos, teaching and tests, not the truth
//! about any real part; the analysis never imports it.
//!
//! [`Spec`] describes damper, motion, heat, faults, sensors and file format; [`run`] makes
//! the signals the sensors would show, with the [`Truth`] beside them; [`write_csv`] writes
//! them in a dyno's dialect, [`Simulated::stream`] hands them to the analysis directly.
//! Equations and their sources are in `docs/simulate.md`.
//!
//! ```
//! use loopwork::simulate::{run, Spec};
//!
//! let mut spec = Spec::default();
//! spec.motion.speeds_mm_s = vec![100.0, 300.0];
//! let made = run(&spec)?;
//! assert_eq!(made.truth.steps.len(), 3); // the slow step comes first
//! assert!(!made.truth.has_void());
//! # Ok::<(), loopwork::notice::Error>(())
//! ```

mod analytic;
mod dialect;
mod hydraulic;
mod integrate;
mod limits;
mod motion;
mod read;
mod rig;
mod root;
mod sensors;
mod spec;
mod stream;
mod truth;
mod valve;

pub use dialect::{
    DecimalMark, Delimiter, ForceUnit, LengthUnit, Output, SpeedUnit, TemperatureUnit, write_csv,
};
pub use integrate::run;
pub use read::from_toml;
pub use spec::{
    Analytic, Damper, Dropout, Faults, FootValve, Friction, Law, Model, Motion, Sensors, Shape,
    SlowAt, Spec, Thermal, Valve,
};
pub use stream::SimulatedStream;
pub use truth::{Both, DirectionKnees, StepTruth, Truth};

/// A synthetic run: what the sensors showed, SI, in our signs, and what was true.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Simulated {
    /// Time, s.
    pub time: Vec<f64>,
    /// Travel, m, positive in compression.
    pub travel: Vec<f64>,
    /// Velocity, m/s, positive in compression.
    pub velocity: Vec<f64>,
    /// Force, N, positive when it resists compression; NaN where the channel dropped out.
    pub force: Vec<f64>,
    /// Temperature, °C; empty if the thermal model is off.
    pub temperature: Vec<f64>,
    /// Number of the step from 1, 0 between steps.
    pub step: Vec<f64>,
    /// What was true.
    pub truth: Truth,
}
