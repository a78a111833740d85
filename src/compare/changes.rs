//! What else changed: gas, friction, hysteresis, heat, lost motion, fits, findings.

use serde::{Deserialize, Serialize};

use super::repeat::Repeats;
use super::settings::CompareSettings;
use super::uncertain::{Part, half_width, interval, total};
use super::wear::HALF_95;
use crate::findings::{Finding, Side, Verdict as Seen, about_the_measurement};
use crate::fits::Fit;
use crate::run::Run;
use crate::statistics::{Summary, welch_from_summaries};
use crate::steps::{Direction, PerDirection, Step};

/// One number, before and after.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Change {
    /// The base's.
    pub base: Option<f64>,
    /// The other's.
    pub other: Option<f64>,
    /// Other minus base.
    pub delta: Option<f64>,
    /// In % of the base.
    pub delta_pct: Option<f64>,
    /// 95 % interval of `delta`, where both have one.
    pub ci95: Option<[f64; 2]>,
}

impl Change {
    /// Of two numbers.
    pub fn of(base: Option<f64>, other: Option<f64>) -> Self {
        let both = base.zip(other);
        Self {
            base,
            other,
            delta: both.map(|(b, o)| o - b),
            delta_pct: both
                .filter(|(b, _)| *b != 0.0)
                .map(|(b, o)| 100.0 * (o - b) / b.abs()),
            ci95: None,
        }
    }

    /// Of two numbers with intervals: half-widths of independent numbers add in squares.
    pub fn with_intervals(
        base: Option<f64>,
        other: Option<f64>,
        intervals: (Option<[f64; 2]>, Option<[f64; 2]>),
    ) -> Self {
        let mut change = Self::of(base, other);
        let half = |i: [f64; 2]| 0.5 * (i[1] - i[0]);
        if let (Some(delta), (Some(a), Some(b))) = (change.delta, intervals) {
            let width = half(a).hypot(half(b));
            change.ci95 = width.is_finite().then_some([delta - width, delta + width]);
        }
        change
    }

    /// True if the interval leaves zero out.
    pub fn moved(&self) -> Option<bool> {
        self.ci95.map(|[low, high]| low > 0.0 || high < 0.0)
    }
}

/// Gas force, stiffness, friction.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StaticsChange {
    /// Name of the other damper.
    pub other: String,
    /// N, load-cell offset included.
    pub gas_force_n: Change,
    /// N/m.
    pub gas_stiffness_n_m: Change,
    /// N.
    pub friction_n: Change,
}

/// Error of a value from run to run, by what repeats showed.
type ErrorOf = fn(&Repeats, f64) -> Part;

impl StaticsChange {
    /// Widens the interval of the gas's force by `share` of it (one standard deviation): what
    /// unknown degrees are worth.
    pub(super) fn allow_for_degrees(&mut self, share: f64) {
        let change = &mut self.gas_force_n;
        if let (Some(base), Some(delta), Some([low, high])) =
            (change.base, change.delta, change.ci95)
        {
            let half = (HALF_95 * share * base).hypot(0.5 * (high - low));
            change.ci95 = Some([delta - half, delta + half]);
        }
    }

    /// Widens the intervals of forces by what a run of the same damper differs from the next.
    pub(super) fn allow_for_runs(&mut self, repeats: &Repeats, confidence: f64) {
        let each: [(&mut Change, ErrorOf); 2] = [
            (&mut self.gas_force_n, Repeats::of_gas),
            (&mut self.friction_n, Repeats::of_friction),
        ];
        for (change, error) in each {
            let (Some(base), Some(other), Some(delta), Some([low, high])) =
                (change.base, change.other, change.delta, change.ci95)
            else {
                continue;
            };
            let (a, b) = (error(repeats, base), error(repeats, other));
            let runs = Part {
                variance: a.variance + b.variance,
                df: a.df,
            };
            if let Some(half) = half_width(&runs, confidence) {
                let half = half.hypot(0.5 * (high - low));
                change.ci95 = Some([delta - half, delta + half]);
            }
        }
    }
}

/// A fitted knee or slope, before and after.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FitChange {
    /// Shape of the base's curve.
    pub base_model: Option<String>,
    /// Shape of the other's.
    pub other_model: Option<String>,
    /// Slope of the slowest piece, N·s/m.
    pub low_speed_slope_n_s_m: Change,
    /// Slope of the fastest piece, N·s/m.
    pub high_speed_slope_n_s_m: Change,
    /// Speeds of the knees, m/s; only if both have as many.
    pub knee_velocity_m_s: Vec<Change>,
    /// Resisting forces at the knees, N.
    pub knee_force_n: Vec<Change>,
}

/// Fits of one damper against the base's.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FitsChange {
    /// Name of the other damper.
    pub other: String,
    /// Compression.
    pub compression: FitChange,
    /// Rebound.
    pub rebound: FitChange,
}

/// One speed that both were driven at.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StepChange {
    /// Step index in the base.
    pub base_step: usize,
    /// Step index in the other.
    pub other_step: usize,
    /// Peak speed of the base's step, m/s.
    pub velocity_m_s: f64,
    /// Heat per cycle, J; only if stroke and frequency agree.
    pub energy_per_cycle_j: Change,
    /// Equivalent viscous coefficient, N·s/m.
    pub equivalent_damping_n_s_m: Change,
    /// Largest loop width over half the step's peak-to-peak force.
    pub hysteresis_share: PerDirection<Change>,
    /// Lost motion at the start of compression, m.
    pub lost_compression_m: Change,
    /// Lost motion at the start of rebound, m.
    pub lost_rebound_m: Change,
}

/// Heat, hysteresis and lost motion, speed by speed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct HeatChange {
    /// Name of the other damper.
    pub other: String,
    /// Speeds both were driven at.
    pub steps: Vec<StepChange>,
}

/// A finding, before and after.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct FindingChange {
    /// Name of the finding.
    pub kind: String,
    /// Direction concerned.
    pub direction: Option<Side>,
    /// Verdict in the base; `None` if it was not looked for.
    pub base: Option<Seen>,
    /// Verdict in the other.
    pub other: Option<Seen>,
}

/// Findings gained, lost, changed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct FindingsChange {
    /// Name of the other damper.
    pub other: String,
    /// There now, not before.
    pub gained: Vec<FindingChange>,
    /// There before, not now.
    pub lost: Vec<FindingChange>,
    /// In both.
    pub kept: Vec<FindingChange>,
}

impl FindingsChange {
    /// What the other damper gained that is a matter of the damper: a fault of the
    /// measurement, or of how it was run, is not wear.
    pub fn of_the_damper(&self) -> Vec<&FindingChange> {
        let gained = self.gained.iter();
        gained.filter(|f| !about_the_measurement(&f.kind)).collect()
    }
}

/// Steps whose peak speeds differ by less than this are compared with each other.
const LIKE_SPEED: f64 = 0.03;
/// Strokes and frequencies that differ by less are the same motion.
const LIKE_MOTION: f64 = 0.03;

/// Gas force, stiffness, friction of two runs; empty for a reduced table.
pub fn statics_change(name: &str, base: &Run, other: &Run) -> StaticsChange {
    let of = |pick: &dyn Fn(&Run) -> Option<f64>, ci: &dyn Fn(&Run) -> Option<[f64; 2]>| {
        Change::with_intervals(pick(base), pick(other), (ci(base), ci(other)))
    };
    let statics = |r: &Run| r.statics.clone();
    StaticsChange {
        other: name.to_owned(),
        gas_force_n: of(&|r| statics(r)?.gas_force_n, &|r| {
            statics(r)?.ci95.gas_force_n
        }),
        gas_stiffness_n_m: of(&|r| statics(r)?.gas_stiffness_n_m, &|r| {
            statics(r)?.ci95.gas_stiffness_n_m
        }),
        friction_n: of(&|r| statics(r)?.friction_n, &|r| {
            statics(r)?.ci95.friction_n
        }),
    }
}

/// Slopes and knees of two runs.
pub fn fits_change(name: &str, base: &Run, other: &Run) -> FitsChange {
    let of = |direction| {
        fit_change(
            base.fits.get(direction).as_ref(),
            other.fits.get(direction).as_ref(),
        )
    };
    FitsChange {
        other: name.to_owned(),
        compression: of(Direction::Compression),
        rebound: of(Direction::Rebound),
    }
}

fn fit_change(base: Option<&Fit>, other: Option<&Fit>) -> FitChange {
    let slope = |last: bool| {
        let piece = |fit: Option<&Fit>| {
            let all = &fit?.segments;
            if last { all.last() } else { all.first() }.copied()
        };
        let (a, b) = (piece(base), piece(other));
        Change::with_intervals(
            a.map(|p| p.slope_n_s_m),
            b.map(|p| p.slope_n_s_m),
            (
                a.and_then(|p| p.slope_ci95_n_s_m),
                b.and_then(|p| p.slope_ci95_n_s_m),
            ),
        )
    };
    let knees = match (base, other) {
        (Some(a), Some(b)) if a.knees.len() == b.knees.len() => {
            a.knees.iter().zip(&b.knees).collect()
        }
        _ => Vec::new(),
    };
    FitChange {
        base_model: base.map(|f| f.model.clone()),
        other_model: other.map(|f| f.model.clone()),
        low_speed_slope_n_s_m: slope(false),
        high_speed_slope_n_s_m: slope(true),
        knee_velocity_m_s: knees
            .iter()
            .map(|(a, b)| {
                Change::with_intervals(
                    Some(a.velocity_m_s),
                    Some(b.velocity_m_s),
                    (Some(a.ci95_m_s), Some(b.ci95_m_s)),
                )
            })
            .collect(),
        knee_force_n: knees
            .iter()
            .map(|(a, b)| {
                Change::with_intervals(
                    Some(a.force_n),
                    Some(b.force_n),
                    (a.force_ci95_n, b.force_ci95_n),
                )
            })
            .collect(),
    }
}

/// Heat, hysteresis, lost motion at the speeds both were driven at.
pub fn heat_change(name: &str, base: &Run, other: &Run, settings: &CompareSettings) -> HeatChange {
    let mut steps: Vec<StepChange> = base
        .steps
        .iter()
        .filter_map(|a| {
            let near = other
                .steps
                .iter()
                .min_by(|x, y| apart(a, x).total_cmp(&apart(a, y)))?;
            (apart(a, near) <= LIKE_SPEED).then(|| step_change(a, near, settings))
        })
        .collect();
    steps.sort_by(|a, b| a.velocity_m_s.total_cmp(&b.velocity_m_s));
    HeatChange {
        other: name.to_owned(),
        steps,
    }
}

fn apart(a: &Step, b: &Step) -> f64 {
    (b.top_speed() / a.top_speed()).ln().abs()
}

fn step_change(a: &Step, b: &Step, settings: &CompareSettings) -> StepChange {
    let alike = |x: f64, y: f64| (x / y).ln().abs() <= LIKE_MOTION;
    let energy = if alike(a.stroke_m, b.stroke_m) && alike(a.frequency_hz, b.frequency_hz) {
        energy_change(a, b, settings)
    } else {
        Change::of(Some(a.energy_per_cycle_j.mean), None)
    };
    let share = |direction| Change::of(loop_width(a, direction), loop_width(b, direction));
    StepChange {
        base_step: a.index,
        other_step: b.index,
        velocity_m_s: a.top_speed(),
        energy_per_cycle_j: energy,
        equivalent_damping_n_s_m: Change::of(
            a.equivalent_damping_n_s_m,
            b.equivalent_damping_n_s_m,
        ),
        hysteresis_share: PerDirection {
            compression: share(Direction::Compression),
            rebound: share(Direction::Rebound),
        },
        lost_compression_m: Change::of(
            a.lost_motion_m.compression_start,
            b.lost_motion_m.compression_start,
        ),
        lost_rebound_m: Change::of(a.lost_motion_m.rebound_start, b.lost_motion_m.rebound_start),
    }
}

/// Cycle spread by Welch, widened by the stated run-to-run part (heat goes with force).
fn energy_change(a: &Step, b: &Step, settings: &CompareSettings) -> Change {
    let (x, y) = (a.energy_per_cycle_j, b.energy_per_cycle_j);
    let mut change = Change::of(Some(x.mean), Some(y.mean));
    let summary = |e: &crate::steps::Energy| Summary {
        n: e.n as usize,
        mean: e.mean,
        sd: e.sd,
    };
    let runs = |e: f64| Part::stated(0.01 * settings.repeatability.pct * e);
    if let Some(test) = welch_from_summaries(&summary(&y), &summary(&x), settings.confidence) {
        let error = total(&[
            Part::estimated(test.se * test.se, test.df),
            runs(x.mean),
            runs(y.mean),
        ]);
        change.ci95 = interval(test.difference, &error, settings.confidence);
    }
    change
}

/// Findings gained, lost and kept; a finding is there from `onset` up.
pub fn findings_change(name: &str, base: &Run, other: &Run) -> FindingsChange {
    let mut out = FindingsChange {
        other: name.to_owned(),
        ..FindingsChange::default()
    };
    let mut keys: Vec<(&str, Option<Side>)> = Vec::new();
    for finding in base.findings.iter().chain(&other.findings) {
        let key = (finding.kind.as_str(), finding.direction);
        if !keys.contains(&key) {
            keys.push(key);
        }
    }
    keys.sort_by_key(|(kind, side)| ((*kind).to_owned(), side.map(|s| s as u8)));
    for (kind, direction) in keys {
        let seen = |findings: &[Finding]| {
            findings
                .iter()
                .find(|f| f.kind == kind && f.direction == direction)
                .map(|f| f.verdict)
        };
        let (b, o) = (seen(&base.findings), seen(&other.findings));
        let there = |v: Option<Seen>| v.is_some_and(|v| v >= Seen::Onset);
        let change = FindingChange {
            kind: kind.to_owned(),
            direction,
            base: b,
            other: o,
        };
        match (there(b), there(o)) {
            (false, true) => out.gained.push(change),
            (true, false) => out.lost.push(change),
            (true, true) => out.kept.push(change),
            (false, false) => {}
        }
    }
    out
}

/// Largest loop width of a step over half its peak-to-peak force, which gas force does not
/// change and which is never near zero (the force at the width's own speed can be).
pub fn loop_width(step: &Step, direction: Direction) -> Option<f64> {
    let width = (*step.hysteresis.max_width_n.get(direction))?.abs();
    let half = half_peak_to_peak(step);
    (half > 0.0).then(|| width / half)
}

/// Half the step's peak-to-peak force, N.
pub fn half_peak_to_peak(step: &Step) -> f64 {
    0.5 * (step.peak_force_n.compression - step.peak_force_n.rebound)
}
