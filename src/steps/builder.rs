//! The step builder: like cycles in a row become a step; each is reduced as it closes, so
//! that a step of a million cycles takes no more room than one of a hundred.

use super::bounds::keep_within;
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
    /// A lone cycle counts as a step only in a recording without better, and only if its
    /// travel departs from a sine by less than this share of half the stroke.
    pub lone_departure: f64,
}

impl Default for StepSettings {
    fn default() -> Self {
        Self {
            alike: 0.03,
            same_shape: 0.04,
            settled: 0.01,
            lone_departure: 0.08,
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
        let mut between = self.lone.len() as u64;
        let mut steps = self.steps;
        let regular = |s: &Step| {
            s.motion == Motion::Triangle || s.departure_from_sine < self.settings.lone_departure
        };
        if steps.is_empty() && self.lone.iter().filter(|s| regular(s)).count() * 2 > self.lone.len()
        {
            steps = self.lone.into_iter().filter(regular).collect();
            between -= steps.len() as u64;
        }
        steps.sort_by(|a, b| {
            a.segment
                .cmp(&b.segment)
                .then(a.start_s.total_cmp(&b.start_s))
        });
        for (index, step) in steps.iter_mut().enumerate() {
            step.index = index;
        }
        Steps { steps, between }
    }
}
