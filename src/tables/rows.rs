//! The four tables of a batch. Every row carries `run_id`, which joins them.

use serde::{Deserialize, Serialize};

use super::day::{self, Moment};
use super::frame::row;
use crate::curves::PeakPoint;
use crate::findings::{Side, Verdict};
use crate::fits::Fit;
use crate::recording::{Certainty, Layout, Polarity};
use crate::run::Run;
use crate::steps::{Direction, Motion};

row! {
    /// One file: what came of it, and its figures. SI; forces in our signs.
    RunRow = "runs" {
        #[doc = "Joins the tables: a short fingerprint of path and content"]
        run_id: String,
        #[doc = "A short name for people"]
        name: String,
        #[doc = "The file, as it was named or found"]
        path: String,
        #[doc = "The day it was made: from the file's own label, else the file's time (UTC)"]
        day: String,
        #[doc = "Date and time to the second, from the same place"]
        recorded: String,
        #[doc = "Where the day comes from: label or file-time"]
        day_from: String,
        #[doc = "ok or error"]
        status: String,
        #[doc = "Short name of the error"]
        error_code: Option<String>,
        #[doc = "What is wrong with the file and what to do"]
        error: Option<String>,
        #[doc = "Another file of the same content that is listed before this one"]
        duplicate_of: Option<String>,
        #[doc = "SHA-256 of the content"]
        sha256: Option<String>,
        #[doc = "Length, bytes"]
        bytes: u64,
        #[doc = "Rows that went into the analysis"]
        rows_used: Option<u64>,
        #[doc = "Rows left out"]
        rows_dropped: Option<u64>,
        #[doc = "Samples per second"]
        rate_hz: Option<f64>,
        #[doc = "How the numbers are laid out"]
        layout: Option<String>,
        #[doc = "Sign of travel in the file while being compressed"]
        displacement_sign: Option<String>,
        #[doc = "Sign of force in the file while compression is resisted"]
        force_sign: Option<String>,
        #[doc = "How well the signs are known: stated, proved, assumed"]
        sign_certainty: Option<String>,
        #[doc = "Speeds found"]
        steps: Option<u64>,
        #[doc = "Whole cycles in them"]
        cycles: Option<u64>,
        #[doc = "Largest stroke, m"]
        stroke_m: Option<f64>,
        #[doc = "Largest speed, m/s"]
        top_speed_m_s: Option<f64>,
        #[doc = "Largest force in compression, N"]
        peak_force_compression_n: Option<f64>,
        #[doc = "Largest force in rebound, N (negative)"]
        peak_force_rebound_n: Option<f64>,
        #[doc = "Gas force and load-cell offset at rest, N"]
        gas_force_n: Option<f64>,
        #[doc = "Rise of the gas force with compression, N/m"]
        gas_stiffness_n_m: Option<f64>,
        #[doc = "Gas pressure above atmosphere, Pa, if the rod is known"]
        gas_pressure_pa: Option<f64>,
        #[doc = "Friction, N"]
        friction_n: Option<f64>,
        #[doc = "Delay of the force channel behind travel, s"]
        force_lag_s: Option<f64>,
        #[doc = "Shape of the compression curve"]
        model_compression: Option<String>,
        #[doc = "First knee in compression, m/s"]
        knee_compression_m_s: Option<f64>,
        #[doc = "Slope of the first piece in compression, N s/m"]
        low_slope_compression_n_s_m: Option<f64>,
        #[doc = "Slope of the last piece in compression, N s/m"]
        high_slope_compression_n_s_m: Option<f64>,
        #[doc = "Shape of the rebound curve"]
        model_rebound: Option<String>,
        #[doc = "First knee in rebound, m/s"]
        knee_rebound_m_s: Option<f64>,
        #[doc = "Slope of the first piece in rebound, N s/m"]
        low_slope_rebound_n_s_m: Option<f64>,
        #[doc = "Slope of the last piece in rebound, N s/m"]
        high_slope_rebound_n_s_m: Option<f64>,
        #[doc = "Heat over the run, J"]
        heat_j: Option<f64>,
        #[doc = "Largest instantaneous power, W"]
        peak_power_w: Option<f64>,
        #[doc = "First temperature, deg C"]
        temperature_start_c: Option<f64>,
        #[doc = "Last temperature, deg C"]
        temperature_end_c: Option<f64>,
        #[doc = "Findings plainly there, names separated by blanks"]
        developed: String,
        #[doc = "Findings at the edge of what can be seen"]
        onset: String,
        #[doc = "What could not be had or was assumed: how many notes"]
        notes: u64,
        #[doc = "Labels of the file, a JSON object"]
        labels: String,
        #[doc = "Family the run is held against (value of the family label)"]
        family: Option<String>,
        #[doc = "How far from its family, in robust standard deviations"]
        family_distance: Option<f64>,
        #[doc = "Outside its family's limits"]
        out_of_family: Option<bool>,
        #[doc = "What puts it outside"]
        family_reason: Option<String>,
    }
}

row! {
    /// One speed of one run.
    StepRow = "steps" {
        #[doc = "Joins the tables"]
        run_id: String,
        #[doc = "From 0, in order of time"]
        step: u64,
        #[doc = "Whole cycles"]
        cycles: u64,
        #[doc = "Cycles the means are taken over"]
        cycles_used: u64,
        #[doc = "Stroke, m"]
        stroke_m: f64,
        #[doc = "Frequency, Hz"]
        frequency_hz: f64,
        #[doc = "Shape of the motion"]
        motion: String,
        #[doc = "Largest speed in compression, m/s"]
        peak_velocity_compression_m_s: f64,
        #[doc = "Largest speed in rebound, m/s"]
        peak_velocity_rebound_m_s: f64,
        #[doc = "Force at the largest speed in compression, N: mean over cycles"]
        force_compression_n: f64,
        #[doc = "Its standard deviation from cycle to cycle, N"]
        force_compression_sd_n: Option<f64>,
        #[doc = "Force at the largest speed in rebound, N"]
        force_rebound_n: f64,
        #[doc = "Its standard deviation from cycle to cycle, N"]
        force_rebound_sd_n: Option<f64>,
        #[doc = "Largest force in compression, N"]
        peak_force_compression_n: f64,
        #[doc = "Largest force in rebound, N"]
        peak_force_rebound_n: f64,
        #[doc = "Heat per cycle, J: mean"]
        energy_j: f64,
        #[doc = "Its standard deviation, J"]
        energy_sd_j: Option<f64>,
        #[doc = "Heat of the compression stroke, J"]
        energy_compression_j: f64,
        #[doc = "Heat of the rebound stroke, J"]
        energy_rebound_j: f64,
        #[doc = "Mean power, W"]
        power_w: f64,
        #[doc = "Equivalent viscous coefficient, N s/m"]
        equivalent_damping_n_s_m: Option<f64>,
        #[doc = "Apparent stiffness, N/m"]
        apparent_stiffness_n_m: Option<f64>,
        #[doc = "Largest loop width in compression, N"]
        width_compression_n: Option<f64>,
        #[doc = "Largest loop width in rebound, N"]
        width_rebound_n: Option<f64>,
        #[doc = "Equivalent lag, s"]
        lag_s: Option<f64>,
        #[doc = "Lost motion at the start of compression, m"]
        lost_compression_m: Option<f64>,
        #[doc = "Lost motion at the start of rebound, m"]
        lost_rebound_m: Option<f64>,
        #[doc = "Temperature at the first cycle, deg C"]
        temperature_start_c: Option<f64>,
        #[doc = "Temperature at the last cycle, deg C"]
        temperature_end_c: Option<f64>,
        #[doc = "Cycles at the start that had not settled"]
        settling_cycles: u64,
        #[doc = "Time of the first cycle, s"]
        start_s: f64,
        #[doc = "Samples per cycle"]
        samples_per_cycle: f64,
    }
}

row! {
    /// One point of one curve.
    CurveRow = "curves" {
        #[doc = "Joins the tables"]
        run_id: String,
        #[doc = "peak (force at the largest speed of a step) or full-cycle"]
        view: String,
        #[doc = "compression or rebound"]
        direction: String,
        #[doc = "Speed, m/s, positive both ways"]
        velocity_m_s: f64,
        #[doc = "Force, N: peak as measured at mid-stroke, full-cycle with gas and friction out"]
        force_n: f64,
        #[doc = "Standard error, N"]
        se_n: Option<f64>,
        #[doc = "Force with gas and friction in, N"]
        total_force_n: f64,
    }
}

row! {
    /// One finding of one run.
    FindingRow = "findings" {
        #[doc = "Joins the tables"]
        run_id: String,
        #[doc = "Name of the finding"]
        kind: String,
        #[doc = "none, onset, developed or cannot-tell"]
        verdict: String,
        #[doc = "compression, rebound or both"]
        direction: Option<String>,
        #[doc = "First speed at which it shows, m/s"]
        onset_velocity_m_s: Option<f64>,
        #[doc = "The evidence, a JSON array"]
        evidence: String,
        #[doc = "What to do, or what would settle it"]
        advice: String,
    }
}

/// Everything the tables hold of one run.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct RunTables {
    /// Its row in `runs`.
    pub run: RunRow,
    /// Its speeds.
    pub steps: Vec<StepRow>,
    /// Its curves.
    pub curves: Vec<CurveRow>,
    /// Its findings.
    pub findings: Vec<FindingRow>,
}

impl RunTables {
    /// Gives all rows their `run_id`.
    pub fn set_id(&mut self, id: &str) {
        self.run.run_id = id.to_owned();
        self.steps.iter_mut().for_each(|r| r.run_id = id.to_owned());
        self.curves
            .iter_mut()
            .for_each(|r| r.run_id = id.to_owned());
        self.findings
            .iter_mut()
            .for_each(|r| r.run_id = id.to_owned());
    }

    /// Rows of a finished run. The shell adds the identity (path, time of the file).
    pub fn of(run: &Run) -> Self {
        Self {
            run: run_row(run),
            steps: run.steps.iter().map(step_row).collect(),
            curves: curve_rows(run),
            findings: run
                .findings
                .iter()
                .map(|f| FindingRow {
                    run_id: String::new(),
                    kind: f.kind.clone(),
                    verdict: verdict_word(f.verdict).into(),
                    direction: f.direction.map(|d| side_word(d).into()),
                    onset_velocity_m_s: f.onset_velocity_m_s,
                    evidence: serde_json::to_string(&f.evidence).unwrap_or_default(),
                    advice: f.advice.clone(),
                })
                .collect(),
        }
    }

    /// The moment a run was made: its own labels, else the file's time.
    pub fn set_moment(&mut self, labelled: Option<Moment>, of_file: Moment) {
        let moment = labelled.unwrap_or(of_file);
        self.run.day = moment.date();
        self.run.recorded = moment.iso();
        self.run.day_from = if labelled.is_some() {
            "label".into()
        } else {
            "file-time".into()
        };
    }
}

/// The moment the labels of a run give.
pub fn labelled_moment(run: &Run) -> Option<Moment> {
    day::of_labels(&run.metadata)
}

fn run_row(run: &Run) -> RunRow {
    let statics = run.statics.as_ref();
    let source = run.source.first();
    let named = |verdict: Verdict| {
        let kinds: Vec<&str> = run
            .findings
            .iter()
            .filter(|f| f.verdict == verdict)
            .map(|f| f.kind.as_str())
            .collect();
        kinds.join(" ")
    };
    let largest =
        |one: &dyn Fn(&crate::steps::Step) -> f64| run.steps.iter().map(one).max_by(f64::total_cmp);
    let has_loops = !run.steps.is_empty();
    let temperature = run.heat.as_ref().and_then(|h| h.temperature.as_ref());
    let (compression, rebound) = (
        run.fits.get(Direction::Compression),
        run.fits.get(Direction::Rebound),
    );
    let peak = |direction: Direction| {
        let points = run.curve.peaks.get(direction).iter();
        points
            .map(|p| p.force_n)
            .max_by(|a, b| a.abs().total_cmp(&b.abs()))
    };
    RunRow {
        name: run.name.clone(),
        status: "ok".into(),
        sha256: source.map(|s| s.sha256.clone()),
        bytes: source.map_or(0, |s| s.bytes),
        rows_used: Some(run.sampling.rows_used),
        rows_dropped: Some(run.sampling.rows_dropped),
        rate_hz: run.sampling.rate_hz,
        layout: Some(layout_word(run.layout).into()),
        displacement_sign: Some(sign_word(run.conventions.displacement_sign).into()),
        force_sign: Some(sign_word(run.conventions.force_sign).into()),
        sign_certainty: Some(
            match run.conventions.certainty {
                Certainty::Stated => "stated",
                Certainty::Proved => "proved",
                Certainty::Assumed => "assumed",
            }
            .into(),
        ),
        steps: has_loops.then_some(run.steps.len() as u64),
        cycles: has_loops.then(|| run.steps.iter().map(|s| s.cycles).sum()),
        stroke_m: largest(&|s| s.stroke_m),
        top_speed_m_s: largest(&crate::steps::Step::top_speed).or_else(|| top_speed_of_curve(run)),
        peak_force_compression_n: largest(&|s| s.peak_force_n.compression)
            .or_else(|| peak(Direction::Compression)),
        peak_force_rebound_n: largest(&|s| -s.peak_force_n.rebound)
            .map(|f| -f)
            .or_else(|| peak(Direction::Rebound)),
        gas_force_n: statics.and_then(|s| s.gas_force_n),
        gas_stiffness_n_m: statics.and_then(|s| s.gas_stiffness_n_m),
        gas_pressure_pa: statics.and_then(|s| s.gas_pressure_pa),
        friction_n: statics.and_then(|s| s.friction_n),
        force_lag_s: statics.and_then(|s| s.force_lag_s),
        model_compression: compression.as_ref().map(|f| f.model.clone()),
        knee_compression_m_s: compression.as_ref().and_then(knee),
        low_slope_compression_n_s_m: compression.as_ref().and_then(low_slope),
        high_slope_compression_n_s_m: compression.as_ref().and_then(high_slope),
        model_rebound: rebound.as_ref().map(|f| f.model.clone()),
        knee_rebound_m_s: rebound.as_ref().and_then(knee),
        low_slope_rebound_n_s_m: rebound.as_ref().and_then(low_slope),
        high_slope_rebound_n_s_m: rebound.as_ref().and_then(high_slope),
        heat_j: run.heat.as_ref().map(|h| h.total_j),
        peak_power_w: run.heat.as_ref().map(|h| h.peak_power_w),
        temperature_start_c: temperature.and_then(|t| t.start_c),
        temperature_end_c: temperature.and_then(|t| t.end_c),
        developed: named(Verdict::Developed),
        onset: named(Verdict::Onset),
        notes: run.notes.len() as u64,
        labels: serde_json::to_string(&run.metadata).unwrap_or_default(),
        ..RunRow::default()
    }
}

fn top_speed_of_curve(run: &Run) -> Option<f64> {
    Direction::BOTH
        .iter()
        .flat_map(|d| run.curve.get(*d))
        .map(|p| p.velocity_m_s)
        .max_by(f64::total_cmp)
}

fn knee(fit: &Fit) -> Option<f64> {
    fit.knees.first().map(|k| k.velocity_m_s)
}

fn low_slope(fit: &Fit) -> Option<f64> {
    fit.segments.first().map(|s| s.slope_n_s_m)
}

fn high_slope(fit: &Fit) -> Option<f64> {
    fit.segments.last().map(|s| s.slope_n_s_m)
}

fn step_row(step: &crate::steps::Step) -> StepRow {
    let force = &step.force_at_peak_velocity_n;
    let energy = &step.energy_per_cycle_j;
    StepRow {
        run_id: String::new(),
        step: step.index as u64,
        cycles: step.cycles,
        cycles_used: step.cycles_used,
        stroke_m: step.stroke_m,
        frequency_hz: step.frequency_hz,
        motion: match step.motion {
            Motion::Sine => "sine",
            Motion::Crank => "crank",
            Motion::Triangle => "triangle",
            Motion::Other => "other",
        }
        .into(),
        peak_velocity_compression_m_s: step.peak_velocity_m_s.compression,
        peak_velocity_rebound_m_s: step.peak_velocity_m_s.rebound,
        force_compression_n: force.compression.mean,
        force_compression_sd_n: force.compression.sd,
        force_rebound_n: force.rebound.mean,
        force_rebound_sd_n: force.rebound.sd,
        peak_force_compression_n: step.peak_force_n.compression,
        peak_force_rebound_n: step.peak_force_n.rebound,
        energy_j: energy.mean,
        energy_sd_j: energy.sd,
        energy_compression_j: energy.compression,
        energy_rebound_j: energy.rebound,
        power_w: step.power_w,
        equivalent_damping_n_s_m: step.equivalent_damping_n_s_m,
        apparent_stiffness_n_m: step.apparent_stiffness_n_m,
        width_compression_n: step.hysteresis.max_width_n.compression,
        width_rebound_n: step.hysteresis.max_width_n.rebound,
        lag_s: step.hysteresis.lag_s,
        lost_compression_m: step.lost_motion_m.compression_start,
        lost_rebound_m: step.lost_motion_m.rebound_start,
        temperature_start_c: step.temperature_c.map(|t| t.start),
        temperature_end_c: step.temperature_c.map(|t| t.end),
        settling_cycles: step.settling_cycles,
        start_s: step.start_s,
        samples_per_cycle: step.samples_per_cycle,
    }
}

fn curve_rows(run: &Run) -> Vec<CurveRow> {
    let mut rows = Vec::new();
    for direction in Direction::BOTH {
        let word = direction.word().to_owned();
        rows.extend(run.curve.peaks.get(direction).iter().map(
            |PeakPoint {
                 velocity_m_s,
                 force_n,
                 se_n,
                 ..
             }| CurveRow {
                run_id: String::new(),
                view: "peak".into(),
                direction: word.clone(),
                velocity_m_s: *velocity_m_s,
                force_n: *force_n,
                se_n: *se_n,
                total_force_n: *force_n,
            },
        ));
        rows.extend(run.curve.get(direction).iter().map(|p| CurveRow {
            run_id: String::new(),
            view: "full-cycle".into(),
            direction: word.clone(),
            velocity_m_s: p.velocity_m_s,
            force_n: p.force_n,
            se_n: p.se_n,
            total_force_n: p.total_force_n,
        }));
    }
    rows
}

fn layout_word(layout: Layout) -> &'static str {
    match layout {
        Layout::TimeSeries => "time-series",
        Layout::Blocks => "blocks",
        Layout::Wide => "wide",
        Layout::SweepTable => "sweep-table",
    }
}

fn sign_word(sign: Polarity) -> &'static str {
    match sign {
        Polarity::Positive => "positive",
        Polarity::Negative => "negative",
    }
}

fn verdict_word(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::None => "none",
        Verdict::CannotTell => "cannot-tell",
        Verdict::Onset => "onset",
        Verdict::Developed => "developed",
    }
}

fn side_word(side: Side) -> &'static str {
    match side {
        Side::Compression => "compression",
        Side::Rebound => "rebound",
        Side::Both => "both",
    }
}
