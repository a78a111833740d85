//! What is true of a synthetic run, for tests and teaching.

use serde::Serialize;

/// A number for each direction.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct Both {
    /// Compression.
    pub compression: f64,
    /// Rebound.
    pub rebound: f64,
}

/// What is true of one step.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct StepTruth {
    /// True for the slow step.
    pub slow: bool,
    /// First instant, s.
    pub start_s: f64,
    /// Last instant, s.
    pub end_s: f64,
    /// Whole cycles.
    pub cycles: u32,
    /// Stroke of the dyno, m.
    pub stroke_m: f64,
    /// Frequency, Hz.
    pub frequency_hz: f64,
    /// Peak speeds, m/s, both positive.
    pub peak_velocity_m_s: Both,
    /// Force at the instants of peak speed, N, in our signs; mean over the cycles but the first.
    pub force_at_peak_velocity_n: Both,
    /// Largest and smallest force, N.
    pub peak_force_n: Both,
    /// Heat of each cycle, `∮F dx` without noise, J.
    pub heat_j: Vec<f64>,
    /// Mean of `heat_j` but the first cycle (all of it if there is one only).
    pub heat_per_cycle_j: f64,
    /// The compression part of `heat_per_cycle_j`.
    pub heat_compression_j: f64,
    /// The rebound part.
    pub heat_rebound_j: f64,
    /// Largest void on the piston side, m³.
    pub void_piston_side_m3: f64,
    /// Largest void on the rod side, m³.
    pub void_rod_side_m3: f64,
    /// Lowest pressure on the piston side, Pa absolute; `None` for the analytic model.
    pub lowest_piston_side_pa: Option<f64>,
    /// Lowest pressure on the rod side, Pa absolute; `None` for the analytic model.
    pub lowest_rod_side_pa: Option<f64>,
    /// Largest change of force by voids, N, against the same damper with oil that cannot
    /// cavitate, in all cycles but the first.
    pub force_change_by_void_n: f64,
    /// The same over half the peak-to-peak force of that other damper.
    pub void_share: f64,
    /// Oil temperature at both ends, °C.
    pub temperature_c: (f64, f64),
    /// Free air at atmospheric pressure over oil volume, at both ends.
    pub free_air: (f64, f64),
}

impl StepTruth {
    /// True if a void opened.
    pub fn has_void(&self) -> bool {
        self.void_piston_side_m3 > 0.0 || self.void_rod_side_m3 > 0.0
    }
}

/// What is true of the run.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct Truth {
    /// Gas force at mid-stroke and the starting temperature, N.
    pub gas_force_n: f64,
    /// Rise of gas force with travel at mid-stroke, N/m.
    pub gas_stiffness_n_m: f64,
    /// Gas pressure above atmosphere at mid-stroke and start, Pa; `None` for the analytic model.
    pub gas_gauge_pa: Option<f64>,
    /// Sliding friction at mid-stroke, N.
    pub friction_n: f64,
    /// Knee speeds, m/s: of the law, or where the piston valve opens.
    pub knees_m_s: DirectionKnees,
    /// Slopes of the analytic law, N·s/m; empty for the physical models.
    pub slopes_n_s_m: DirectionKnees,
    /// Free travel in the mount, m.
    pub play_m: f64,
    /// Delay of the force channel, s: pure delay plus the filter's time constant.
    pub force_lag_s: f64,
    /// Heat capacity of oil and metal, J/K.
    pub heat_capacity_j_k: f64,
    /// Time constant of cooling, s.
    pub cooling_time_s: f64,
    /// Change of hydraulic force with temperature, % per °C.
    pub fade_percent_per_c: f64,
    /// Every step, in order of time.
    pub steps: Vec<StepTruth>,
    /// Force at every sample before the sensors, N.
    pub force: Vec<f64>,
    /// Travel at every sample before the sensors, m.
    pub travel: Vec<f64>,
    /// Velocity at every sample before the sensors, m/s.
    pub velocity: Vec<f64>,
    /// Oil temperature at every sample, °C.
    pub temperature: Vec<f64>,
    /// Force of the damper whose oil cannot cavitate, N, at every sample; empty if no void
    /// opened anywhere.
    pub force_without_void: Vec<f64>,
    /// Work of the dyno over the whole run, J.
    pub work_j: f64,
    /// Heat made in valves and seals over the whole run, J.
    pub dissipated_j: f64,
}

/// A list for each direction.
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
pub struct DirectionKnees {
    /// Compression.
    pub compression: Vec<f64>,
    /// Rebound.
    pub rebound: Vec<f64>,
}

impl Truth {
    /// True if a void opened in any step.
    pub fn has_void(&self) -> bool {
        self.steps.iter().any(StepTruth::has_void)
    }
}
