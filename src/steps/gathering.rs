//! A step in the making.

use std::f64::consts::PI;

use super::energy::{velocity_loop_area, work, work_in_time};
use super::hysteresis::{angular, hysteresis};
use super::motion::{Kinematics, kinematics};
use super::series::{Series, thin};
use super::supplied::supplied_velocity;
use super::tally::{LoopTally, Tally};
use super::{
    CycleSummary, Energy, Fold, LostMotion, Motion, PerDirection, StartEnd, Step, StepSettings,
};
use crate::cycles::Cycle;
use crate::signal::{dot_circular, noise_of, savitzky_golay, sum_of_squared_gaps};

/// Cycles at the start that are held apart until it is clear whether they had settled.
const HELD: usize = 2;

/// Running sums over the cycles of a step.
#[derive(Debug)]
pub(super) struct Gathering {
    first: Cycle,
    held: Vec<Cycle>,
    guide: Option<Kinematics>,
    cycles: u64,
    stroke: Tally,
    period: Tally,
    centre: Tally,
    turn: Tally,
    samples: Tally,
    travel: LoopTally,
    force: LoopTally,
    velocity: LoopTally,
    energy: Tally,
    compression: Tally,
    rebound: Tally,
    time_gap: Tally,
    at_peak: PerDirection<Tally>,
    series: Series,
    kept: Vec<Cycle>,
    stride: u64,
    last_temperature: Option<f64>,
    /// The cycle before the step, if it runs into it.
    before: Option<Cycle>,
}

/// Below this many cycles, the steady part of the neighbouring unlike cycles is used too.
const FEW_CYCLES: u64 = 4;
/// Travel there may depart from the step's by this share of half the stroke.
const EDGE_ALIKE: f64 = 0.03;

impl Gathering {
    pub(super) fn new(cycle: &Cycle, before: Option<Cycle>) -> Self {
        let mut new = Self {
            first: cycle.clone(),
            held: Vec::new(),
            guide: None,
            cycles: 0,
            stroke: Tally::default(),
            period: Tally::default(),
            centre: Tally::default(),
            turn: Tally::default(),
            samples: Tally::default(),
            travel: LoopTally::default(),
            force: LoopTally::default(),
            velocity: LoopTally::default(),
            energy: Tally::default(),
            compression: Tally::default(),
            rebound: Tally::default(),
            time_gap: Tally::default(),
            at_peak: PerDirection::default(),
            series: Series::default(),
            kept: Vec::new(),
            stride: 1,
            last_temperature: None,
            before,
        };
        new.add(cycle);
        new
    }

    /// Whether a cycle belongs to this step.
    pub(super) fn is_like(&self, cycle: &Cycle, settings: &StepSettings) -> bool {
        let near = |value: f64, mean: f64| (value - mean).abs() <= settings.alike * mean;
        if cycle.segment != self.first.segment
            || !near(cycle.stroke_m, self.stroke.mean())
            || !near(cycle.period_s, self.period.mean())
        {
            return false;
        }
        let shift = (cycle.centre_m - self.centre.mean()).abs();
        let squares = sum_of_squared_gaps(&cycle.travel, &self.first.travel);
        let rms = (squares / cycle.travel.len() as f64).sqrt();
        let half = 0.5 * self.stroke.mean();
        rms <= settings.same_shape * half && shift <= 2.0 * settings.same_shape * half
    }

    pub(super) fn add(&mut self, cycle: &Cycle) {
        self.cycles += 1;
        self.stroke.add(cycle.stroke_m);
        self.period.add(cycle.period_s);
        self.centre.add(cycle.centre_m);
        self.turn.add(cycle.turn_phase);
        self.samples.add(f64::from(cycle.samples));
        self.last_temperature = cycle
            .temperature_c
            .map(|(_, end)| end)
            .or(self.last_temperature);
        if self.held.len() < HELD {
            self.held.push(cycle.clone());
            if self.held.len() == HELD {
                self.guide = Some(self.guide_of_held());
            }
            return;
        }
        let summary = self.summary(cycle);
        self.take_in(cycle, &summary);
        self.series.push(summary);
        self.keep(cycle);
    }

    fn guide_of_held(&self) -> Kinematics {
        let mut travel = LoopTally::default();
        self.held.iter().for_each(|c| travel.add(&c.travel));
        kinematics(
            travel.mean(),
            self.period.mean(),
            self.turn.mean(),
            self.samples.mean(),
        )
    }

    /// Adds a settled cycle to the means.
    fn take_in(&mut self, cycle: &Cycle, summary: &CycleSummary) {
        self.travel.add(&cycle.travel);
        self.force.add(&cycle.force);
        if !cycle.velocity.is_empty() {
            self.velocity.add(&cycle.velocity);
            let in_time = work_in_time(&cycle.velocity, &cycle.force, cycle.period_s);
            self.time_gap.add(in_time - summary.energy_j);
        }
        self.energy.add(summary.energy_j);
        self.compression.add(summary.energy_compression_j);
        self.rebound.add(summary.energy_rebound_j);
        self.at_peak.compression.add(summary.force_compression_n);
        self.at_peak.rebound.add(summary.force_rebound_n);
    }

    /// Keeps whole cycles evenly spread over the step.
    fn keep(&mut self, cycle: &Cycle) {
        let place = self.cycles - HELD as u64 - 1;
        if place.is_multiple_of(self.stride) {
            self.kept.push(cycle.force_only());
        }
        if self.kept.len() > Step::MOST_KEPT {
            self.kept = thin(std::mem::take(&mut self.kept));
            self.stride *= 2;
        }
    }

    fn summary(&self, cycle: &Cycle) -> CycleSummary {
        let (compression, rebound) = work(&cycle.travel, &cycle.force, cycle.turn_phase);
        let at = |peak: &super::motion::SpeedPeak| {
            dot_circular(&cycle.force, peak.window_start, &peak.weights)
        };
        let (fc, fr) = self.guide.as_ref().map_or((0.0, 0.0), |g| {
            (at(&g.peaks.compression), at(&g.peaks.rebound))
        });
        let turn =
            (cycle.turn_phase * cycle.force.len() as f64).round() as usize % cycle.force.len();
        CycleSummary {
            first: cycle.index,
            count: 1,
            start_s: cycle.start_s,
            period_s: cycle.period_s,
            stroke_m: cycle.stroke_m,
            energy_j: compression + rebound,
            energy_compression_j: compression,
            energy_rebound_j: rebound,
            force_compression_n: fc,
            force_rebound_n: fr,
            force_at_turns_n: f64::midpoint(cycle.force[0], cycle.force[turn]),
            lost_compression_m: None,
            lost_rebound_m: None,
            temperature_c: cycle.temperature_c.map(|(a, b)| f64::midpoint(a, b)),
        }
    }

    /// Closes the step. `None` if its motion has no speed in one of the directions.
    pub(super) fn finish(mut self, settings: &StepSettings, after: Option<&Cycle>) -> Option<Step> {
        if self.guide.is_none() {
            self.guide = Some(self.guide_of_held());
        }
        let settling = self.admit_held(settings);
        let period = self.period.mean();
        let k = kinematics(
            self.travel.mean(),
            period,
            self.turn.mean(),
            self.samples.mean(),
        );
        if k.peaks.compression.speed <= 0.0 || k.peaks.rebound.speed <= 0.0 {
            return None;
        }
        let force_sd = self.force.sd();
        let fold = Fold {
            travel: self.travel.mean().to_vec(),
            velocity: k.velocity.clone(),
            acceleration: k.acceleration.clone(),
            force: self.force_with_edges(after),
            turn_phase: self.turn.mean(),
            peaks: k.peaks.clone(),
            force_sd,
        };
        let omega = angular(period);
        let half = 0.5 * self.stroke.mean();
        let scale = PI * omega * half * half;
        let (compression, rebound) = if self.force.n() < FEW_CYCLES {
            work(&fold.travel, &fold.force, fold.turn_phase)
        } else {
            (self.compression.mean(), self.rebound.mean())
        };
        let energy = compression + rebound;
        let near_sine = matches!(k.motion, Motion::Sine | Motion::Crank);
        let equivalent = energy / scale;
        let stiffness = -velocity_loop_area(&fold.velocity, &fold.force) / scale;
        let supplied = supplied_velocity(self.velocity.mean(), &fold.velocity, period);
        let (force, place) = extremes(&fold);
        let temperature = self
            .first
            .temperature_c
            .zip(self.last_temperature)
            .map(|((start, _), end)| StartEnd { start, end });
        Some(Step {
            index: 0,
            cycles: self.cycles,
            cycles_used: self.force.n(),
            stroke_m: self.stroke.mean(),
            frequency_hz: 1.0 / period,
            motion: k.motion,
            departure_from_sine: k.departure,
            closure: (self.first.end_travel_m - self.first.travel[0]).abs() / self.stroke.mean(),
            peak_velocity_m_s: PerDirection {
                compression: k.peaks.compression.speed,
                rebound: k.peaks.rebound.speed,
            },
            force_at_peak_velocity_n: PerDirection {
                compression: self.at_peak.compression.spread(),
                rebound: self.at_peak.rebound.spread(),
            },
            peak_force_n: force,
            peak_force_at_m: place,
            energy_per_cycle_j: Energy {
                mean: energy,
                sd: self.energy.sd(),
                n: self.energy.n(),
                compression,
                rebound,
                compression_sd: self.compression.sd(),
                rebound_sd: self.rebound.sd(),
                time_gap: (self.time_gap.n() > 0).then(|| self.time_gap.spread()),
            },
            power_w: energy / period,
            equivalent_damping_n_s_m: near_sine.then_some(equivalent),
            apparent_stiffness_n_m: near_sine.then_some(stiffness),
            hysteresis: hysteresis(&fold, &k, equivalent, omega),
            lost_motion_m: LostMotion::default(),
            temperature_c: temperature,
            velocity_ratio: supplied.map(|s| s.ratio),
            velocity_delay_s: supplied.map(|s| s.delay_s),
            settling_cycles: settling,
            segment: self.first.segment,
            start_s: self.first.start_s,
            centre_m: self.centre.mean(),
            samples_per_cycle: self.samples.mean(),
            force_noise_n: force_noise(&fold),
            fold,
            series: self.series.into_blocks(),
            kept: self.kept,
        })
    }

    /// The mean loop; with few cycles, the steady tail of the cycle before and the steady
    /// head of the cycle after are averaged in, phase by phase: a test that holds full
    /// stroke for three cycles has little else to give.
    fn force_with_edges(&self, after: Option<&Cycle>) -> Vec<f64> {
        let mut force = self.force.mean().to_vec();
        if self.force.n() >= FEW_CYCLES {
            return force;
        }
        let n = force.len();
        let reach = EDGE_ALIKE * 0.5 * self.stroke.mean();
        let alike = |edge: &Cycle, i: usize| {
            let shift = edge.centre_m - self.centre.mean();
            (edge.travel[i] + shift - self.travel.mean()[i]).abs() <= reach
        };
        let mut count = vec![self.force.n() as f64; n];
        let mut take = |edge: &Cycle, i: usize| {
            count[i] += 1.0;
            force[i] += (edge.force[i] - force[i]) / count[i];
        };
        // Equal travel against phase is not equal speed: the clock must agree as well.
        let in_time = |edge: &Cycle| (edge.period_s / self.period.mean() - 1.0).abs() <= EDGE_ALIKE;
        let joined =
            |a: &Cycle, b_start: f64| (a.start_s + a.period_s - b_start).abs() < 0.02 * a.period_s;
        if let Some(edge) = self
            .before
            .as_ref()
            .filter(|c| joined(c, self.first.start_s) && in_time(c))
        {
            (0..n)
                .rev()
                .take_while(|&i| alike(edge, i))
                .for_each(|i| take(edge, i));
        }
        let end = self.first.start_s + self.cycles as f64 * self.period.mean();
        if let Some(edge) =
            after.filter(|c| in_time(c) && (c.start_s - end).abs() < 0.1 * c.period_s)
        {
            (0..n)
                .take_while(|&i| alike(edge, i))
                .for_each(|i| take(edge, i));
        }
        force
    }

    /// Decides about the first cycles and puts them at the head of the record; returns how
    /// many had not settled.
    fn admit_held(&mut self, settings: &StepSettings) -> u64 {
        let held = std::mem::take(&mut self.held);
        let enough = self.energy.n() >= 2;
        let (mean, sd) = (self.energy.mean(), self.energy.sd().unwrap_or(0.0));
        let summaries: Vec<CycleSummary> = held.iter().map(|c| self.summary(c)).collect();
        let off = |s: &CycleSummary| {
            let gap = (s.energy_j - mean).abs();
            enough && gap > settings.settled * mean.abs() && gap > 4.0 * sd
        };
        // Only cycles at the very start can be unsettled: a second one only after a first.
        let settling = summaries.iter().take_while(|s| off(s)).count();
        for (cycle, summary) in held.iter().zip(&summaries).skip(settling) {
            self.take_in(cycle, summary);
        }
        self.series.prepend(&summaries);
        let mut head: Vec<Cycle> = held.iter().skip(settling).map(Cycle::force_only).collect();
        head.append(&mut self.kept);
        self.kept = head;
        settling as u64
    }
}

/// A channel noisier than this share of the force range is smoothed over a twentieth of the
/// period before its extreme is read, a quieter one over a seventieth.
const NOISY: f64 = 0.005;

/// Extreme force of each stroke, smoothed so that noise does not raise it, and the travel where it falls.
fn extremes(fold: &Fold) -> (PerDirection<f64>, PerDirection<f64>) {
    let n = fold.force.len();
    let turn = (fold.turn_phase * n as f64).round() as usize;
    let (low, high) = fold
        .force
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(l, h), &f| {
            (l.min(f), h.max(f))
        });
    let noisy = force_noise(fold) > NOISY * (high - low);
    let window = if noisy { 25 } else { 7 };
    let weights = savitzky_golay(window, 2, 0).unwrap_or_default();
    let smooth = |i: usize| dot_circular(&fold.force, i as isize - (window / 2) as isize, &weights);
    let best = |range: std::ops::Range<usize>, sign: f64| {
        range
            .map(|i| (sign * smooth(i), i))
            .max_by(|a, b| a.0.total_cmp(&b.0))
    };
    let mut force = PerDirection::default();
    let mut place = PerDirection::default();
    if let Some((f, i)) = best(0..turn, 1.0) {
        (force.compression, place.compression) = (f, fold.travel[i]);
    }
    if let Some((f, i)) = best(turn..n, -1.0) {
        (force.rebound, place.rebound) = (-f, fold.travel[i]);
    }
    (force, place)
}

/// Noise of one cycle's force: the cycle-to-cycle spread, or for a lone cycle what its own
/// fourth differences say.
fn force_noise(fold: &Fold) -> f64 {
    if fold.force_sd.is_empty() {
        return noise_of(&fold.force).unwrap_or(0.0);
    }
    let squares: f64 = fold.force_sd.iter().map(|s| s * s).sum();
    (squares / fold.force_sd.len() as f64).sqrt()
}
