//! Curves: force against velocity per direction, from peaks and from whole cycles.

mod expected;
mod full_cycle;
mod loop_shares;
mod lost;
mod peaks;

pub use expected::Expected;
pub use full_cycle::{FullCycleSettings, full_cycle, speed_grid};
pub use loop_shares::fill_loop_shares;
pub use lost::{expectations, fill_lost_motion, step_recovery};
pub use peaks::{PeakSample, peak_sample};

use serde::{Deserialize, Serialize};

use crate::recording::SweepTable;
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, PerDirection, Step};

/// One point of the full-cycle curve (contract: `curve.*[]`).
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct CurvePoint {
    /// Speed, m/s, positive both ways.
    pub velocity_m_s: f64,
    /// Force with gas and friction taken out, N, our signs (negative in rebound). For a
    /// sweep table: the force as given.
    pub force_n: f64,
    /// Standard error from cycle to cycle, N.
    pub se_n: Option<f64>,
    /// Force at mid-stroke with gas and friction in, N.
    pub total_force_n: f64,
}

/// One peak-velocity point.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct PeakPoint {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Total force there, referred to mid-stroke and with the lag taken out, N, our signs.
    pub force_n: f64,
    /// Standard error, N.
    pub se_n: Option<f64>,
    /// The step it comes from; `None` for a sweep table.
    pub step: Option<usize>,
}

/// Coverage factor of an expanded uncertainty (GUM 6.2.1): about 95 % for many cycles.
pub const COVERAGE: f64 = 2.0;

impl PeakPoint {
    /// Expanded uncertainty of the force, N: [`COVERAGE`] standard errors.
    pub fn expanded_n(&self) -> Option<f64> {
        self.se_n.map(|se| COVERAGE * se)
    }
}

/// The curves of one run (contract: `curve`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Curve {
    /// Full-cycle curve in compression, speed rising.
    pub compression: Vec<CurvePoint>,
    /// Full-cycle curve in rebound, speed rising.
    pub rebound: Vec<CurvePoint>,
    /// Peak-velocity points, speed rising.
    pub peaks: PerDirection<Vec<PeakPoint>>,
    /// The cycles behind each of `peaks`, in the same order: (speed m/s, force N).
    #[serde(skip)]
    pub peak_cycles: PerDirection<Vec<Vec<(f64, f64)>>>,
}

impl Curve {
    /// Full-cycle curve of one direction.
    pub fn get(&self, direction: Direction) -> &[CurvePoint] {
        match direction {
            Direction::Compression => &self.compression,
            Direction::Rebound => &self.rebound,
        }
    }
}

/// Both views of a run's curve.
pub fn curve(steps: &[Step], level: &StaticLevel, settings: &FullCycleSettings) -> Curve {
    let of = |direction| full_cycle(steps, direction, level, settings);
    let (compression, rebound) =
        rayon::join(|| of(Direction::Compression), || of(Direction::Rebound));
    let mut out = Curve {
        compression,
        rebound,
        ..Curve::default()
    };
    for direction in Direction::BOTH {
        let mut samples: Vec<PeakSample> = steps
            .iter()
            .map(|s| peak_sample(s, direction, level))
            .collect();
        samples.sort_by(|a, b| a.point.velocity_m_s.total_cmp(&b.point.velocity_m_s));
        *out.peaks.get_mut(direction) = samples.iter().map(|s| s.point).collect();
        *out.peak_cycles.get_mut(direction) = samples.into_iter().map(|s| s.cycles).collect();
    }
    out
}

/// The curve of a reduced table: forces as given, nothing taken out.
pub fn curve_of_table(table: &SweepTable) -> Curve {
    let points = |rows: &[(f64, f64)]| {
        rows.iter()
            .map(|&(v, f)| CurvePoint {
                velocity_m_s: v,
                force_n: f,
                se_n: None,
                total_force_n: f,
            })
            .collect()
    };
    let peaks = |rows: &[(f64, f64)]| {
        rows.iter()
            .map(|&(v, f)| PeakPoint {
                velocity_m_s: v,
                force_n: f,
                se_n: None,
                step: None,
            })
            .collect()
    };
    Curve {
        compression: points(&table.compression),
        rebound: points(&table.rebound),
        peaks: PerDirection {
            compression: peaks(&table.compression),
            rebound: peaks(&table.rebound),
        },
        peak_cycles: PerDirection::default(),
    }
}
