//! Fits: straight line, one knee, two knees; exact search, chosen by AICc, with intervals.

//!
//! Pure functions on slices of speeds and resisting forces; no damper is known here.
//! [`segmented`] is the exact optimum of one model, [`fit`] tries all and chooses. Method,
//! equations and sources: `docs/methods/fits.md`.

mod along;
mod bootstrap;
mod choice;
mod guard;
mod line;
mod loops;
mod of_curve;
mod points;
mod profile;
mod robust;
mod search;
mod segmented;
mod settings;
mod solve;
mod stated;

use serde::{Deserialize, Serialize};

pub use bootstrap::{BootstrapLimits, OwnedPoints, bootstrap, fit_cycles, points_of_cycles, widen};
pub use choice::{aicc, bic};
pub use of_curve::{CurveFits, FULL_CYCLE, PEAKS, TABLE, fit_curve};
pub use points::{NoFit, Points};
pub use segmented::{Segmented, Stated, segmented};
pub use settings::FitSettings;

use crate::steps::PerDirection;

/// One straight piece.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Piece {
    /// Speed where it starts, m/s.
    pub from_m_s: f64,
    /// Speed where it ends, m/s.
    pub to_m_s: f64,
    /// Slope, N·s/m.
    pub slope_n_s_m: f64,
    /// Resisting force at zero speed if the piece ran there, N.
    pub intercept_n: f64,
    /// 95 % interval of the slope.
    pub slope_ci95_n_s_m: Option<[f64; 2]>,
}

/// Where two pieces meet.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Knee {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Resisting force, N.
    pub force_n: f64,
    /// 95 % interval of the speed.
    pub ci95_m_s: [f64; 2],
    /// 95 % interval of the force.
    #[serde(default)]
    pub force_ci95_n: Option<[f64; 2]>,
    /// Half the band of speeds over which the valve opens, m/s; `None` where only points at
    /// single speeds were fitted, or where two knees were.
    #[serde(default)]
    pub rounding_m_s: Option<f64>,
    /// What it rests on.
    #[serde(default)]
    pub basis: KneeBasis,
}

/// What a knee rests on (contract: `knees[].basis`).
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum KneeBasis {
    /// Points at single speeds.
    #[default]
    Peaks,
    /// Loops, which run through all speeds below their peak.
    Loops,
    /// Loops, their peaks among them.
    Both,
}

/// A model that was tried.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Candidate {
    /// `line`, `one knee` or `two knees`.
    pub model: String,
    /// Speeds of its knees.
    pub knees: Vec<f64>,
    /// Corrected Akaike criterion (variance counted as a parameter).
    pub aicc: Option<f64>,
    /// Root mean square residual, N.
    pub rmse_n: f64,
    /// Its pieces.
    pub segments: Vec<Piece>,
    /// Simulated chance that a damper of the simpler model gains as much from the extra
    /// knee; `None` where AICc had already decided.
    #[serde(default)]
    pub chance: Option<f64>,
}

/// The fit of one direction (contract: `fits.*`). Speeds and resisting forces.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Fit {
    /// Shape: `linear`, `digressive`, `progressive`, `mixed`.
    pub model: String,
    /// Pieces, speed rising.
    pub segments: Vec<Piece>,
    /// Knees, speed rising.
    pub knees: Vec<Knee>,
    /// Coefficient of determination (about the mean; about the given force at zero speed if
    /// the fit is held to one).
    pub r2: Option<f64>,
    /// Root mean square residual, N.
    pub rmse_n: f64,
    /// Largest residual, N.
    pub max_residual_n: f64,
    /// Points used.
    pub points: usize,
    /// All models tried, chosen one included.
    pub candidates: Vec<Candidate>,
    /// `peak-velocity points`, `full-cycle curve` or `sweep table`.
    pub basis: String,
    /// What was not offered or not taken, and why.
    #[serde(skip)]
    pub notes: Vec<String>,
    /// The chosen model with its covariance: values and standard errors at any speed.
    #[serde(skip)]
    pub solution: Option<Segmented>,
}

/// The fits of one run.
pub type Fits = PerDirection<Option<Fit>>;

/// Fits a line, one knee and two knees (as far as the points allow), chooses by AICc with the
/// simpler preferred, guards against knees that chance would give, and states intervals.
/// Points are speeds (m/s) and resisting forces (N) of one direction, in any order.
///
/// # Errors
/// [`NoFit`] with a sentence for the run's notes: no points, one speed only, values that are
/// not numbers.
pub fn fit(points: &Points<'_>, settings: &FitSettings) -> Result<Fit, NoFit> {
    Ok(models(points, settings)?.choose(settings).stated(settings))
}

/// The models some points allow. [`fit`] in three parts, since each costs many times what the
/// one before did: finding all knees, guarding against those that chance would give, and
/// their intervals. Whoever may prefer another shape can stop between.
#[derive(Debug)]
pub struct Models {
    ready: points::Prepared,
    offered: choice::Offered,
    notes: Vec<String>,
}

/// The first part of [`fit`].
///
/// # Errors
/// Those of [`fit`].
pub fn models(points: &Points<'_>, settings: &FitSettings) -> Result<Models, NoFit> {
    let mut ready = points::Prepared::new(points, settings)?;
    let mut notes = Vec::new();
    if settings.robust {
        match robust::set_aside(&mut ready, settings) {
            Ok(outlying) => notes.extend(outlying.iter().map(|i| {
                format!(
                    "the point at {} m/s, {} N lies off the rest and was set aside (no weight)",
                    points.speed[*i], points.force[*i]
                )
            })),
            Err(why) => notes.push(why.reason),
        }
    }
    let offered = choice::offered(&ready, settings)?;
    Ok(Models {
        ready,
        offered,
        notes,
    })
}

impl Models {
    /// Every model, knees rising.
    pub fn solutions(&self) -> impl Iterator<Item = &Segmented> {
        self.offered.fits.iter().map(|(fit, _)| fit)
    }

    /// The second part of [`fit`]: chooses, and guards against invented knees.
    pub fn choose(self, settings: &FitSettings) -> Chosen {
        let Self {
            ready,
            offered,
            mut notes,
        } = self;
        let mut choice = offered.choose(&ready, settings);
        notes.append(&mut choice.notes);
        Chosen {
            ready,
            choice,
            notes,
        }
    }
}

/// Models of which one is chosen.
#[derive(Debug)]
pub struct Chosen {
    ready: points::Prepared,
    choice: choice::Choice,
    notes: Vec<String>,
}

impl Chosen {
    /// The chosen model.
    pub fn solution(&self) -> &Segmented {
        &self.choice.tried[self.choice.taken].fit
    }

    /// Knees with the intervals of their places, without those of the forces at them.
    pub fn knees(&self, settings: &FitSettings) -> Vec<Knee> {
        let fit = self.solution();
        let intervals = profile::KneeIntervals::new(&self.ready, fit, settings);
        stated::knees(fit, intervals.as_ref(), settings, &mut Vec::new())
    }

    /// The last part of [`fit`]: all intervals.
    pub fn stated(self, settings: &FitSettings) -> Fit {
        stated::stated(&self.ready, self.choice, self.notes, settings)
    }
}
