//! The step builder: like cycles in a row become a step; each is reduced as it closes, so
//! that a step of a million cycles takes no more room than one of a hundred.

use super::bounds::{join_neighbours, keep_within};
use super::gathering::Gathering;
use super::{Motion, Step};
use crate::cycles::Cycle;

/// What makes cycles alike.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct StepSettings {
    /// Stroke and period of a cycle may differ from the step's mean by this share. Three
    /// percent is wider than any drive's wander and narrower than any ladder's rungs.
    pub alike: f64,
    /// Travel of a cycle may differ from the step's first cycle by this share of half the
    /// stroke (root mean square): a record that only happens to repeat its size is no step.
    pub same_shape: f64,
    /// A first or second cycle whose heat is off the later cycles' mean by more than this
    /// share (and four standard deviations) has not settled.
    pub settled: f64,
    /// A lone cycle counts as a step if its travel departs from a sine by less than this share
    /// of half the stroke and it ends where it began to within this share of the stroke …
    pub lone_departure: f64,
    /// … or, in a recording without better, by less than this.
    pub lone_departure_at_worst: f64,
}

impl Default for StepSettings {
    fn default() -> Self {
        Self {
            alike: 0.03,
            same_shape: 0.04,
            settled: 0.01,
            lone_departure: 0.015,
            lone_departure_at_worst: 0.08,
        }
    }
}

/// Groups cycles into steps.
#[derive(Debug)]
pub struct StepBuilder {
    settings: StepSettings,
    open: Option<Gathering>,
    steps: Vec<Step>,
    lone: Vec<Step>,
    last: Option<Cycle>,
}

/// Steps of a recording, and how many cycles belong to none.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Steps {
    /// In order of time.
    pub steps: Vec<Step>,
    /// Whole cycles between steps, while the machine changed speed.
    pub between: u64,
}

/// A lone cycle this close in stroke and frequency to the step it touches belongs to the
/// change of speed.
const CHANGING: f64 = 0.15;

/// Lone cycles kept for a recording that has nothing better.
const MOST_LONE: usize = 256;

impl StepBuilder {
    /// A builder with nothing in it.
    pub fn new(settings: StepSettings) -> Self {
        Self {
            settings,
            open: None,
            steps: Vec::new(),
            lone: Vec::new(),
            last: None,
        }
    }

    /// Takes the next cycle.
    pub fn push(&mut self, cycle: Cycle) {
        match &mut self.open {
            Some(open) if open.is_like(&cycle, &self.settings) => open.add(&cycle),
            _ => {
                self.close(Some(&cycle));
                let before = self.last.take().filter(|c| c.segment == cycle.segment);
                self.open = Some(Gathering::new(&cycle, before));
            }
        }
        self.last = Some(cycle);
    }

    fn close(&mut self, next: Option<&Cycle>) {
        let Some(open) = self.open.take() else { return };
        let Some(step) = open.finish(&self.settings, next) else {
            return;
        };
        if step.cycles > 1 {
            self.steps.push(step);
            keep_within(&mut self.steps, &self.settings);
        } else if self.lone.len() < MOST_LONE {
            self.lone.push(step);
        }
    }

    /// Ends the recording.
    pub fn finish(mut self) -> Steps {
        self.close(None);
        let mut steps = self.steps;
        let regular = |s: &Step, within: f64| {
            let shape = match s.motion {
                Motion::Triangle => true,
                // A short rod departs from a sine without being irregular.
                Motion::Crank => s.departure_from_sine < self.settings.lone_departure_at_worst,
                Motion::Sine | Motion::Other => s.departure_from_sine < within,
            };
            shape && s.closure < within
        };
        let (clean, rest): (Vec<Step>, Vec<Step>) = self
            .lone
            .into_iter()
            .partition(|s| regular(s, self.settings.lone_departure));
        let mut between = rest.len() as u64;
        // The last cycle of a change of speed may look clean; beside a step much like it, it
        // is no speed of its own.
        let changing = |c: &Step| {
            steps.iter().any(|s| {
                let near = |a: f64, b: f64| (a - b).abs() < CHANGING * b;
                let gap = (c.start_s + c.period_s() - s.start_s)
                    .abs()
                    .min((s.start_s + s.cycles as f64 * s.period_s() - c.start_s).abs());
                s.segment == c.segment
                    && gap < 0.2 * c.period_s()
                    && near(c.stroke_m, s.stroke_m)
                    && near(c.frequency_hz, s.frequency_hz)
            })
        };
        let (clean, passing): (Vec<Step>, Vec<Step>) =
            clean.into_iter().partition(|c| !changing(c));
        between += passing.len() as u64;
        steps.extend(clean);
        let worst = self.settings.lone_departure_at_worst;
        if steps.is_empty() && rest.iter().filter(|s| regular(s, worst)).count() * 2 > rest.len() {
            steps = rest.into_iter().filter(|s| regular(s, worst)).collect();
            between -= steps.len() as u64;
        }
        steps.sort_by(|a, b| {
            a.segment
                .cmp(&b.segment)
                .then(a.start_s.total_cmp(&b.start_s))
        });
        join_neighbours(&mut steps, &self.settings);
        for (index, step) in steps.iter_mut().enumerate() {
            step.index = index;
        }
        Steps { steps, between }
    }
}
