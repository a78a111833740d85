//! From a description to a run: the dyno drives, the rig answers, the books are kept.

use super::hydraulic::{ATMOSPHERE, Conditions};
use super::motion::{Path, PlannedStep};
use super::rig::{Rig, State};
use super::sensors::{self, Electronics};
use super::spec::{Model, Spec, Thermal};
use super::truth::{DirectionKnees, StepTruth, Truth};
use super::{Simulated, limits};
use crate::notice::Error;

/// Makes a synthetic run.
///
/// # Errors
/// [`crate::notice::Fault::Input`] with every impossible value of the description.
pub fn run(spec: &Spec) -> Result<Simulated, Error> {
    limits::check(spec)?;
    let path = Path::new(&spec.motion);
    let rig = Rig::new(spec);
    let mut truth = known(spec, &rig);
    let mut drive = drive(spec, &path, &rig);
    compare_without_voids(spec, &path, &rig, &mut drive, &mut truth);
    truth.steps = drive.steps;
    truth.work_j = drive.work;
    truth.dissipated_j = drive.dissipated;
    let late = spec.sensors.velocity_delay_ms * 1e-3;
    let velocity = drive
        .time
        .iter()
        .map(|&t| path.at((t - late).max(0.0)).1)
        .collect();
    let made = Simulated {
        step: drive.time.iter().map(|&t| number_at(&path, t)).collect(),
        travel: sensors::travel(drive.travel.clone(), &spec.sensors, spec.seed),
        velocity: sensors::velocity(velocity, &spec.sensors, spec.seed),
        force: sensors::force(drive.shown, &spec.sensors, spec.seed),
        temperature: if spec.thermal.enabled {
            sensors::temperature(&drive.celsius, &drive.time, &spec.sensors, spec.seed)
        } else {
            Vec::new()
        },
        time: drive.time,
        truth: Truth {
            force: drive.force,
            travel: drive.travel,
            velocity: drive.velocity,
            temperature: drive.celsius,
            ..truth
        },
    };
    Ok(made)
}

/// Everything one drive over the path leaves behind.
#[derive(Default)]
struct Driven {
    time: Vec<f64>,
    travel: Vec<f64>,
    velocity: Vec<f64>,
    force: Vec<f64>,
    shown: Vec<f64>,
    celsius: Vec<f64>,
    steps: Vec<StepTruth>,
    /// Force at the end of every time step, with the step it belongs to.
    trace: Vec<(u32, f64)>,
    work: f64,
    dissipated: f64,
}

/// A step not in the plan: between steps.
const NO_STEP: u32 = u32::MAX;

fn drive(spec: &Spec, path: &Path, rig: &Rig) -> Driven {
    let rate = spec.motion.rate_hz;
    let count = (path.duration() * rate + 1e-6) as usize + 1;
    let mut out = Driven {
        steps: path.steps().iter().map(planned).collect(),
        ..Driven::default()
    };
    let mut tallies: Vec<Tally> = path.steps().iter().map(|_| Tally::default()).collect();
    let mut electronics = Electronics::new(&spec.sensors);
    let mut celsius = spec.thermal.start_c;
    let (mut x, _) = path.at(0.0);
    let mut state = rig.at_rest(x, conditions(spec, rig, path, 0.0, celsius));
    electronics.take(0.0, state.force, 1.0 / rate);
    let mut start = 0.0;
    for end in sensors::clock(count, rate, spec.motion.jitter_percent, spec.seed) {
        let parts = if end > start {
            parts(spec, path, 0.5 * (start + end), end - start)
        } else {
            0
        };
        for part in 0..parts {
            let dt = (end - start) / parts as f64;
            let t = start + dt * (part as f64 + 1.0);
            let (at, speed) = path.at(t);
            let with = conditions(spec, rig, path, t, celsius);
            let next = rig.advance(&state, at, speed, dt, with);
            electronics.take(t, next.force, dt);
            celsius = warmed(&spec.thermal, celsius, next.power, dt);
            let index = step_at(path, t - 0.5 * dt);
            out.work += 0.5 * (state.force + next.force) * (at - x);
            out.dissipated += 0.5 * (state.power + next.power) * dt;
            if let (Some(step), Some(tally), Some(plan)) = (
                out.steps.get_mut(index as usize),
                tallies.get_mut(index as usize),
                path.steps().get(index as usize),
            ) {
                tally.add(step, plan, t - 0.5 * dt, (&state, &next), (x, at), speed);
                step.note_state(rig, &next, celsius, with.air);
            }
            out.trace.push((index, next.force));
            (state, x) = (next, at);
        }
        let (at, speed) = path.at(end);
        out.time.push(end);
        out.travel.push(at);
        out.velocity.push(speed);
        out.force.push(state.force);
        out.shown.push(electronics.reads(end));
        out.celsius.push(celsius);
        start = end;
    }
    for (step, tally) in out.steps.iter_mut().zip(&tallies) {
        tally.close(step);
    }
    out
}

/// Time steps in one sample interval.
fn parts(spec: &Spec, path: &Path, time: f64, interval: f64) -> usize {
    // Between steps the faster neighbour sets the pace.
    let frequency = path
        .steps()
        .iter()
        .enumerate()
        .filter(|(i, step)| {
            let before = i.checked_sub(1).and_then(|j| path.steps().get(j));
            let after = path.steps().get(i + 1);
            before.map_or(step.start, |b| b.end) <= time
                && time <= after.map_or(f64::INFINITY, |a| a.start)
        })
        .map(|(_, step)| step.frequency)
        .fold(0.0, f64::max);
    let wanted = frequency * f64::from(spec.motion.steps_per_cycle) * interval;
    (wanted - 1e-9).ceil().max(1.0) as usize
}

/// Index of the step a time belongs to.
fn step_at(path: &Path, time: f64) -> u32 {
    let after = path.steps().partition_point(|step| step.end <= time);
    match path.steps().get(after) {
        Some(step) if step.start <= time => after as u32,
        _ => NO_STEP,
    }
}

/// Number of the step for the file: from 1, 0 between.
fn number_at(path: &Path, time: f64) -> f64 {
    match step_at(path, time) {
        NO_STEP => 0.0,
        index => f64::from(index + 1),
    }
}

/// Air, temperature and fade at a time.
fn conditions(spec: &Spec, rig: &Rig, path: &Path, time: f64, celsius: f64) -> Conditions {
    let start = spec.damper.free_air_percent;
    let gain = spec.faults.air_per_cycle_percent;
    let air = if gain > 0.0 {
        let cycles: f64 = path
            .steps()
            .iter()
            .map(|step| (time.min(step.end) - step.start).max(0.0) * step.frequency)
            .sum();
        (start + gain * cycles).min(spec.faults.air_limit_percent.max(start))
    } else {
        start
    };
    let unsettled = match path.steps().get(step_at(path, time) as usize) {
        Some(step) if spec.faults.unsettled_percent > 0.0 => {
            let cycles = (time - step.start) * step.frequency;
            0.01 * spec.faults.unsettled_percent * libm::exp(-cycles / spec.faults.unsettled_cycles)
        }
        _ => 0.0,
    };
    Conditions {
        air: 0.01 * air,
        celsius,
        fade: rig.fade_at(celsius) * (1.0 + unsettled),
    }
}

/// Temperature after `dt`: `C·dT/dt = P − h·(T − T_air)`, exact for a constant `P`.
fn warmed(thermal: &Thermal, celsius: f64, power: f64, dt: f64) -> f64 {
    if !thermal.enabled {
        return celsius;
    }
    let capacity = thermal.capacity_j_k();
    if thermal.cooling_w_per_k > 0.0 {
        let settled = thermal.air_c + power / thermal.cooling_w_per_k;
        settled + (celsius - settled) * libm::exp(-dt * thermal.cooling_w_per_k / capacity)
    } else {
        celsius + power * dt / capacity
    }
}

impl Thermal {
    /// Heat capacity of oil and metal, J/K.
    pub fn capacity_j_k(&self) -> f64 {
        self.oil_kg * self.oil_specific_heat + self.metal_kg * self.metal_specific_heat
    }
}

fn planned(step: &PlannedStep) -> StepTruth {
    StepTruth {
        slow: step.slow,
        start_s: step.start,
        end_s: step.end,
        cycles: step.cycles,
        stroke_m: 2.0 * step.amplitude,
        frequency_hz: step.frequency,
        heat_j: vec![0.0; step.cycles as usize],
        ..StepTruth::default()
    }
}

impl StepTruth {
    fn note_state(&mut self, rig: &Rig, now: &State, celsius: f64, air: f64) {
        if rig.hydraulics().is_some() {
            let chambers = &now.chambers;
            self.void_piston_side_m3 = self.void_piston_side_m3.max(chambers.piston_void);
            self.void_rod_side_m3 = self.void_rod_side_m3.max(chambers.rod_void);
            let lower = |so_far: Option<f64>, now: f64| Some(so_far.map_or(now, |p| p.min(now)));
            self.lowest_piston_side_pa =
                lower(self.lowest_piston_side_pa, chambers.piston_pressure);
            self.lowest_rod_side_pa = lower(self.lowest_rod_side_pa, chambers.rod_pressure);
        }
        self.temperature_c.1 = celsius;
        self.free_air.1 = air;
    }
}

/// Sums over one step.
#[derive(Default)]
struct Tally {
    begun: bool,
    /// Compression and rebound work of each cycle.
    work: Vec<(f64, f64)>,
    /// (speed, force) at peak speed of each cycle, compression and rebound.
    peaks: Vec<[(f64, f64); 2]>,
}

impl Tally {
    fn add(
        &mut self,
        step: &mut StepTruth,
        plan: &PlannedStep,
        time: f64,
        (before, after): (&State, &State),
        (from, to): (f64, f64),
        speed: f64,
    ) {
        if !self.begun {
            self.begun = true;
            self.work = vec![(0.0, 0.0); plan.cycles as usize];
            self.peaks = vec![[(0.0, 0.0); 2]; plan.cycles as usize];
            step.peak_force_n.compression = f64::NEG_INFINITY;
            step.peak_force_n.rebound = f64::INFINITY;
        }
        let cycle = ((time - plan.start) * plan.frequency) as usize;
        let work = 0.5 * (before.force + after.force) * (to - from);
        if let Some(sum) = self.work.get_mut(cycle) {
            if to > from {
                sum.0 += work;
            } else {
                sum.1 += work;
            }
        }
        let side = usize::from(speed < 0.0);
        if let Some(peak) = self.peaks.get_mut(cycle).and_then(|p| p.get_mut(side))
            && speed.abs() > peak.0
        {
            *peak = (speed.abs(), after.force);
        }
        let force = &mut step.peak_force_n;
        force.compression = force.compression.max(after.force);
        force.rebound = force.rebound.min(after.force);
    }

    fn close(&self, step: &mut StepTruth) {
        step.heat_j = self.work.iter().map(|w| w.0 + w.1).collect();
        let settled = usize::from(self.work.len() > 1);
        let mean = |values: &mut dyn Iterator<Item = f64>| {
            let (count, sum) = values.fold((0u32, 0.0), |(n, s), v| (n + 1, s + v));
            if count > 0 {
                sum / f64::from(count)
            } else {
                0.0
            }
        };
        step.heat_compression_j = mean(&mut self.work.iter().skip(settled).map(|w| w.0));
        step.heat_rebound_j = mean(&mut self.work.iter().skip(settled).map(|w| w.1));
        step.heat_per_cycle_j = step.heat_compression_j + step.heat_rebound_j;
        let peaks = || self.peaks.iter().skip(settled);
        step.peak_velocity_m_s.compression = mean(&mut peaks().map(|p| p[0].0));
        step.peak_velocity_m_s.rebound = mean(&mut peaks().map(|p| p[1].0));
        step.force_at_peak_velocity_n.compression = mean(&mut peaks().map(|p| p[0].1));
        step.force_at_peak_velocity_n.rebound = mean(&mut peaks().map(|p| p[1].1));
    }
}

/// What is known before anything moves.
fn known(spec: &Spec, rig: &Rig) -> Truth {
    let thermal = &spec.thermal;
    let mut truth = Truth {
        friction_n: rig.sliding(0.0),
        play_m: spec.faults.play_mm * 1e-3,
        force_lag_s: Electronics::new(&spec.sensors).lag(),
        heat_capacity_j_k: thermal.capacity_j_k(),
        cooling_time_s: thermal.capacity_j_k() / thermal.cooling_w_per_k,
        fade_percent_per_c: thermal.fade_percent_per_c,
        ..Truth::default()
    };
    if let Some(h) = rig.hydraulics() {
        let pressure = h.gas(h.gas_volume, thermal.start_c);
        truth.gas_gauge_pa = Some(pressure - ATMOSPHERE);
        truth.gas_force_n = (pressure - ATMOSPHERE) * h.rod_area;
        truth.gas_stiffness_n_m =
            spec.damper.polytropic_exponent * pressure * h.rod_area * h.rod_area / h.gas_volume;
        truth.knees_m_s = DirectionKnees {
            compression: vec![h.compression.knee(h.ring_area)],
            rebound: vec![h.rebound.knee(h.ring_area)],
        };
    } else {
        let law = &spec.analytic;
        truth.gas_force_n = law.gas_force_n;
        truth.gas_stiffness_n_m = law.gas_stiffness_n_mm * 1e3;
        truth.knees_m_s = DirectionKnees {
            compression: law.compression.knees_m_s.clone(),
            rebound: law.rebound.knees_m_s.clone(),
        };
        truth.slopes_n_s_m = DirectionKnees {
            compression: law.compression.slopes_n_s_m.clone(),
            rebound: law.rebound.slopes_n_s_m.clone(),
        };
    }
    debug_assert!(spec.model == Model::Analytic || truth.gas_gauge_pa.is_some());
    truth
}

/// Drives the damper again with oil that cannot cavitate, if a void opened, and notes the
/// difference per step.
fn compare_without_voids(
    spec: &Spec,
    path: &Path,
    rig: &Rig,
    with: &mut Driven,
    truth: &mut Truth,
) {
    if !with.steps.iter().any(StepTruth::has_void) {
        return;
    }
    let Some(whole) = rig.without_voids() else {
        return;
    };
    let without = drive(spec, path, &whole);
    for (index, step) in with.steps.iter_mut().enumerate() {
        let own = || {
            with.trace
                .iter()
                .zip(&without.trace)
                .filter(|(a, _)| a.0 as usize == index)
        };
        // Like the other means: what the first cycle brings along from before is left out.
        let first = match step.cycles {
            0 | 1 => 0,
            cycles => own().count() / cycles as usize,
        };
        let change = own()
            .skip(first)
            .map(|(a, b)| (a.1 - b.1).abs())
            .fold(0.0, f64::max);
        step.force_change_by_void_n = change;
        if let Some(other) = without.steps.get(index) {
            let half = 0.5 * (other.peak_force_n.compression - other.peak_force_n.rebound);
            step.void_share = if half > 0.0 { change / half } else { 0.0 };
        }
    }
    truth.force_without_void = without.force;
}
