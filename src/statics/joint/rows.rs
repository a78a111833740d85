//! What every sample of the folded loops says of every term of the model.

use super::basis::SpeedNodes;
use crate::signal::{harmonics, sample_circular, series_at};
use crate::statics::sound_alone;
use crate::steps::{Direction, Motion, Step};

/// Terms that are not the valves', in the order of the columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Term {
    /// Force at rest and mid-stroke.
    Rest,
    /// Its rise with travel.
    Spring,
    /// The stiffening of that rise.
    Stiffening,
    /// Friction.
    Friction,
    /// Mass that moves with the cell.
    Mass,
    /// Drift of the cell's zero over the run.
    Drift,
    /// Delay of the force channel.
    Delay,
    /// What a second-order filter does beyond a delay.
    Smearing,
    /// Give of oil and structure in series with the valves.
    Compliance,
    /// How gradually friction changes sign.
    Rounding,
}

/// How many of them.
pub(crate) const TERMS: usize = 10;

impl Term {
    /// Place of its column.
    pub(crate) const fn at(self) -> usize {
        self as usize
    }
}

/// Units of the columns: a coefficient of one is one of these.
pub(crate) const PER_MS: f64 = 1e-3;
/// Of the compliance, m/N.
pub(crate) const PER_COMPLIANCE: f64 = 1e-7;

/// One sample.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Row {
    /// Which of the steps.
    pub(crate) step: usize,
    /// Half strokes in order: steps × 4.
    pub(crate) cluster: usize,
    /// Index on the phase grid.
    pub(crate) phase: usize,
    /// Terms but the valves'.
    pub(crate) terms: [f64; TERMS],
    /// Column of the node at or above the speed, its share, and whether one is below it.
    pub(crate) node: usize,
    /// Share of that node.
    pub(crate) share: f64,
    /// Whether the piece begins at rest.
    pub(crate) from_rest: bool,
    /// Speed, m/s.
    pub(crate) speed: f64,
    /// Sign of the direction: force of a node counts positive where the valves resist.
    pub(crate) sign: f64,
    /// Force, N.
    pub(crate) force: f64,
    /// Weight.
    pub(crate) weight: f64,
}

/// Samples slower than this are left out, m/s: seals creep before they slide.
const CREEP: f64 = 0.002;
/// … or than this share of the step's largest speed, if that is less.
const CREEP_SHARE: f64 = 0.4;
/// Friction builds up over this much travel after a reversal (common practice), m …
const BUILD_UP: f64 = 0.000_4;
/// … or this share of the stroke, if that is less.
const BUILD_UP_SHARE: f64 = 0.03;
/// Speed over which friction changes sign, m/s, and how far it may be from that.
const ROUNDED: f64 = 0.000_4;
const ROUNDED_RANGE: [f64; 2] = [0.000_3, 0.002];
/// At constant speed, samples slower than this share of it are in a corner.
const PLATEAU: f64 = 0.93;
/// Samples between a reversal and the first one used.
const CLEAR: f64 = 3.0;
/// Rows of one step at most.
const PER_STEP: usize = 256;
/// Harmonics of force used for its derivative.
const MOST_HARMONICS: usize = 48;
/// … as long as they stand out of the noise by this factor.
const STANDS_OUT: f64 = 4.0;

/// First and second derivative of a step's force in time on the phase grid, N/s and N/s².
pub(crate) type Derivatives = (Vec<f64>, Vec<f64>);

/// What the model is asked about: one fold a step, with its delay known so far.
pub(crate) struct Ground<'a> {
    /// Steps.
    pub(crate) steps: &'a [Step],
    /// Of each step.
    pub(crate) derivatives: &'a [Derivatives],
    /// Delay taken out of the force already, s.
    pub(crate) delay: f64,
    /// Start of the first step and time from there to the end of the last, s; nought where
    /// the steps do not share a clock.
    pub(crate) clock: (f64, f64),
    /// Travel that counts as mid-stroke, in the recording's own zero, m.
    pub(crate) centre: f64,
    /// Half the largest stroke, m.
    pub(crate) reach: f64,
}

impl<'a> Ground<'a> {
    pub(crate) fn new(steps: &'a [Step], derivatives: &'a [Derivatives], delay: f64) -> Self {
        let first = steps
            .iter()
            .map(|s| s.start_s)
            .fold(f64::INFINITY, f64::min);
        let last = steps
            .iter()
            .map(|s| s.start_s + s.cycles as f64 * s.period_s())
            .fold(f64::NEG_INFINITY, f64::max);
        let one_clock = steps.windows(2).all(|w| w[0].segment == w[1].segment);
        let cycles: f64 = steps.iter().map(|s| s.cycles_used as f64).sum();
        let centre = steps
            .iter()
            .map(|s| s.centre_m * s.cycles_used as f64)
            .sum::<f64>()
            / cycles.max(1.0);
        Self {
            steps,
            derivatives,
            delay,
            clock: (first, if one_clock { last - first } else { 0.0 }),
            centre: if one_clock { centre } else { f64::NAN },
            reach: 0.5 * steps.iter().map(|s| s.stroke_m).fold(0.0, f64::max),
        }
    }

    /// Travel of a step's mid-stroke from the run's, m.
    fn offset(&self, step: &Step) -> f64 {
        if self.centre.is_finite() {
            step.centre_m - self.centre
        } else {
            0.0
        }
    }

    /// Rows of every step in `used`; `slope` is the valves' slope at (direction, speed), N·s/m, as far
    /// as it is known.
    pub(crate) fn rows(
        &self,
        nodes: [&SpeedNodes; 2],
        slope: &dyn Fn(Direction, f64) -> f64,
        used: &[bool],
    ) -> Vec<Row> {
        let mut out = Vec::new();
        let chosen = self.steps.iter().enumerate().zip(used).filter(|(_, u)| **u);
        for ((index, step), _) in chosen {
            self.rows_of(index, step, nodes, slope, &mut out);
        }
        out
    }

    fn rows_of(
        &self,
        index: usize,
        step: &Step,
        nodes: [&SpeedNodes; 2],
        slope: &dyn Fn(Direction, f64) -> f64,
        out: &mut Vec<Row>,
    ) {
        let fold = &step.fold;
        let n = fold.force.len();
        let period = step.period_s();
        let late = self.delay / period;
        let (first, second) = &self.derivatives[index];
        let offset = self.offset(step);
        let used_from = step.start_s + step.settling_cycles as f64 * period;
        let middle = used_from + 0.5 * (step.cycles_used as f64 - 1.0) * period;
        let stride = n.div_ceil(PER_STEP);
        for phase in (0..n).step_by(stride) {
            let velocity = fold.velocity[phase];
            let direction = if velocity >= 0.0 {
                Direction::Compression
            } else {
                Direction::Rebound
            };
            let place = phase as f64 / n as f64;
            if !self.is_usable(step, direction, phase) {
                continue;
            }
            let speed = velocity.abs();
            let which = usize::from(direction == Direction::Rebound);
            let (node, share) = nodes[which].place(speed);
            let x = (fold.travel[phase] + offset) / self.reach;
            let at = |series: &[f64]| {
                if late == 0.0 {
                    series[phase]
                } else {
                    sample_circular(series, place + late)
                }
            };
            let (rise, bend) = (at(first), at(second));
            let drift = if self.clock.1 > 0.0 {
                (middle + place * period - self.clock.0) / self.clock.1
            } else {
                0.0
            };
            let mut terms = [0.0; TERMS];
            terms[Term::Rest.at()] = 1.0;
            terms[Term::Spring.at()] = x;
            terms[Term::Stiffening.at()] = x * x;
            terms[Term::Friction.at()] = (velocity / ROUNDED).tanh();
            let [sharp, soft] = ROUNDED_RANGE.map(|v| (velocity / v).tanh());
            terms[Term::Rounding.at()] = sharp - soft;
            terms[Term::Mass.at()] = fold.acceleration[phase];
            terms[Term::Drift.at()] = drift;
            terms[Term::Delay.at()] = -rise * PER_MS;
            terms[Term::Smearing.at()] = -bend * PER_MS * PER_MS;
            terms[Term::Compliance.at()] = -slope(direction, speed) * rise * PER_COMPLIANCE;
            let peak = fold.peaks.get(direction).phase;
            let slowing = (place - peak).rem_euclid(1.0) < 0.5;
            out.push(Row {
                step: index,
                cluster: 4 * index + 2 * which + usize::from(slowing),
                phase,
                terms,
                node: node + if which == 0 { 0 } else { nodes[0].len() },
                share,
                from_rest: node == 0,
                speed,
                sign: direction.sign(),
                force: at(&fold.force),
                weight: 1.0,
            });
        }
    }

    /// Whether a sample says anything: fast enough that friction slides, apart from the
    /// reversals and from what is lost behind them.
    fn is_usable(&self, step: &Step, direction: Direction, phase: usize) -> bool {
        let fold = &step.fold;
        let n = fold.force.len();
        let speed = fold.velocity[phase].abs();
        let top = *step.peak_velocity_m_s.get(direction);
        let least = match step.motion {
            Motion::Triangle => PLATEAU * top,
            _ => CREEP.min(CREEP_SHARE * top),
        };
        if speed < least {
            return false;
        }
        let place = phase as f64 / n as f64;
        let (begin, end) = match direction {
            Direction::Compression => (0.0, fold.turn_phase),
            Direction::Rebound => (fold.turn_phase, 1.0),
        };
        let clear = CLEAR / step.samples_per_cycle.max(1.0);
        let since = place - begin;
        if since < clear + self.delay.max(0.0) / step.period_s() || end - place < clear {
            return false;
        }
        let built = BUILD_UP.min(BUILD_UP_SHARE * step.stroke_m);
        let turned = sample_circular(&fold.travel, begin);
        (fold.travel[phase] - turned).abs() >= built
    }
}

/// Phases from which each stroke carries force again after its reversal.
pub(crate) fn lost(steps: &[Step]) -> Vec<[f64; 2]> {
    steps
        .iter()
        .map(|s| Direction::BOTH.map(|d| sound_alone(s, d)))
        .collect()
}

/// First and second derivative of the folded force in time, N/s and N/s², from the harmonics
/// that stand out of the noise.
pub(crate) fn force_derivatives(step: &Step) -> Derivatives {
    let fold = &step.fold;
    let n = fold.force.len();
    let most = MOST_HARMONICS
        .min((step.samples_per_cycle / 3.0) as usize)
        .max(1);
    let series = harmonics(&fold.force, most);
    let independent = step.samples_per_cycle.min(n as f64) * step.cycles_used.max(1) as f64;
    let noise = step.force_noise_n * (2.0 / independent.max(1.0)).sqrt();
    let kept: Vec<_> = series
        .into_iter()
        .filter(|h| h.order <= 1 || h.amplitude() > STANDS_OUT * noise)
        .collect();
    let in_time = |derivative: u32| {
        let scale = step.frequency_hz.powi(derivative as i32);
        series_at(&kept, derivative, n)
            .iter()
            .map(|d| d * scale)
            .collect()
    };
    (in_time(1), in_time(2))
}
