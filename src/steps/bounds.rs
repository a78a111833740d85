//! Keeping a day-long log small: what is kept of the steps has an upper limit, however
//! many there are.
//!
//! A step keeps whole cycles, a record of its cycles and folded loops, about 100 kB. A log
//! of an endurance rig that goes through the same few speeds all day has thousands of
//! steps: beyond [`MOST_STEPS`], steps that repeat an earlier one are joined with it.

use super::series::{merge, thin};
use super::{Fold, Motion, PerDirection, Spread, StartEnd, Step, StepSettings};

/// Steps kept apart. A ladder has tens; a log with more has repeats.
const MOST_STEPS: usize = 256;
/// Cycles kept over all steps: 2048 of 4 kB.
const MOST_CYCLES: usize = 2048;
/// Blocks of the record of cycles over all steps, of 150 bytes.
const MOST_RECORDS: usize = 1 << 16;
/// Cycles and records no step is thinned below.
const FEWEST: usize = 8;

/// Brings closed steps within the limits.
pub(super) fn keep_within(steps: &mut Vec<Step>, settings: &StepSettings) {
    if steps.len() > MOST_STEPS {
        join_repeats(steps, settings);
    }
    let over = |n: usize, limit: usize| n > limit.max(2 * FEWEST * steps.len());
    let cycles = over(steps.iter().map(|s| s.kept.len()).sum(), MOST_CYCLES);
    let records = over(steps.iter().map(|s| s.series.len()).sum(), MOST_RECORDS);
    for step in steps.iter_mut() {
        if cycles && step.kept.len() > FEWEST {
            step.kept = thin(std::mem::take(&mut step.kept));
        }
        if records && step.series.len() > FEWEST {
            halve(&mut step.series);
        }
    }
}

/// Neighbouring blocks averaged in pairs.
fn halve(series: &mut Vec<super::CycleSummary>) {
    *series = series
        .chunks(2)
        .map(|pair| {
            pair.get(1)
                .map_or(pair[0], |second| merge(&pair[0], second))
        })
        .collect();
}

/// Joins every step with the first one of the same segment, stroke, period and centre.
fn join_repeats(steps: &mut Vec<Step>, settings: &StepSettings) {
    let mut kept: Vec<Step> = Vec::new();
    for step in std::mem::take(steps) {
        match kept.iter_mut().find(|k| is_repeat(k, &step, settings)) {
            Some(first) => first.join(step),
            None => kept.push(step),
        }
    }
    *steps = kept;
}

/// Joins each step with the one before where the machine ran on at the same speed and only a
/// cycle or two in between fell outside what a step admits: a machine that does not hold its
/// stroke or its middle exactly is driven at one speed all the same.
pub(super) fn join_neighbours(steps: &mut Vec<Step>, settings: &StepSettings) {
    let mut kept: Vec<Step> = Vec::new();
    for step in std::mem::take(steps) {
        match kept.last_mut().filter(|k| runs_on(k, &step, settings)) {
            Some(before) => before.join(step),
            None => kept.push(step),
        }
    }
    *steps = kept;
}

/// Periods that may lie between two parts of one step.
const MOST_BETWEEN: f64 = 3.2;
/// The middle of the stroke may have wandered by this share of half the stroke.
const WANDERED: f64 = 0.15;
/// Standard deviations of a step's own cycles by which two parts of one step may differ.
const OWN_SPREAD: f64 = 3.0;

/// Whether the machine, at the end of `a`, ran on into `b` at the same speed. Stroke and
/// period may differ by what one step admits, or by as much as the cycles within the two
/// scatter; the rungs of a ladder lie further apart than their own cycles do.
fn runs_on(a: &Step, b: &Step, settings: &StepSettings) -> bool {
    let end = a.start_s + a.cycles as f64 * a.period_s();
    let gap = (b.start_s - end) / a.period_s();
    let turning = |s: &Step| s.motion == Motion::Triangle;
    let near = |of: fn(&super::CycleSummary) -> f64| {
        let spread = spread_within(&a.series, of).max(spread_within(&b.series, of));
        let (x, y) = (mean_of_series(&a.series, of), mean_of_series(&b.series, of));
        (x - y).abs() <= (OWN_SPREAD * spread).clamp(settings.alike, 2.0 * settings.alike) * x
    };
    a.segment == b.segment
        && a.cycles > 1
        && b.cycles > 1
        && turning(a) == turning(b)
        && (-1.0..=MOST_BETWEEN).contains(&gap)
        && near(|c| c.stroke_m)
        && near(|c| c.period_s)
        && (a.centre_m - b.centre_m).abs() <= WANDERED * 0.5 * a.stroke_m
}

fn mean_of_series(series: &[super::CycleSummary], of: fn(&super::CycleSummary) -> f64) -> f64 {
    series.iter().map(of).sum::<f64>() / (series.len().max(1)) as f64
}

/// Standard deviation over the cycles of a step as a share of their mean.
fn spread_within(series: &[super::CycleSummary], of: fn(&super::CycleSummary) -> f64) -> f64 {
    let mut tally = super::Tally::default();
    series.iter().for_each(|c| tally.add(of(c)));
    let spread = tally.spread();
    spread.sd.map_or(0.0, |sd| sd / spread.mean.abs())
}

fn is_repeat(a: &Step, b: &Step, settings: &StepSettings) -> bool {
    let near = |x: f64, y: f64| (x - y).abs() <= settings.alike * x.abs();
    let half = 0.5 * a.stroke_m;
    a.segment == b.segment
        && a.motion == b.motion
        && near(a.stroke_m, b.stroke_m)
        && near(a.frequency_hz, b.frequency_hz)
        && (a.centre_m - b.centre_m).abs() <= 2.0 * settings.same_shape * half
}

impl Step {
    /// Takes in a later step of the same motion: means weighted by cycles used, spreads
    /// pooled, records one after the other.
    fn join(&mut self, other: Self) {
        let (na, nb) = (self.cycles_used as f64, other.cycles_used as f64);
        let share = nb / (na + nb).max(1.0);
        let mean = |a: f64, b: f64| a + (b - a) * share;
        let mean_of = |a: &mut Option<f64>, b: Option<f64>| {
            *a = a.zip(b).map(|(a, b)| mean(a, b)).or(*a).or(b);
        };
        for (a, b) in [
            (&mut self.stroke_m, other.stroke_m),
            (&mut self.frequency_hz, other.frequency_hz),
            (&mut self.departure_from_sine, other.departure_from_sine),
            (&mut self.power_w, other.power_w),
            (&mut self.centre_m, other.centre_m),
            (&mut self.samples_per_cycle, other.samples_per_cycle),
            (&mut self.force_noise_n, other.force_noise_n),
            (
                &mut self.energy_per_cycle_j.compression,
                other.energy_per_cycle_j.compression,
            ),
            (
                &mut self.energy_per_cycle_j.rebound,
                other.energy_per_cycle_j.rebound,
            ),
        ] {
            *a = mean(*a, b);
        }
        for (a, b) in [
            (&mut self.peak_velocity_m_s, other.peak_velocity_m_s),
            (&mut self.peak_force_n, other.peak_force_n),
            (&mut self.peak_force_at_m, other.peak_force_at_m),
        ] {
            a.compression = mean(a.compression, b.compression);
            a.rebound = mean(a.rebound, b.rebound);
        }
        for (a, b) in [
            (
                &mut self.equivalent_damping_n_s_m,
                other.equivalent_damping_n_s_m,
            ),
            (
                &mut self.apparent_stiffness_n_m,
                other.apparent_stiffness_n_m,
            ),
            (&mut self.velocity_ratio, other.velocity_ratio),
            (&mut self.velocity_delay_s, other.velocity_delay_s),
            (
                &mut self.hysteresis.loop_area_n_m_s,
                other.hysteresis.loop_area_n_m_s,
            ),
            (&mut self.hysteresis.lag_s, other.hysteresis.lag_s),
        ] {
            mean_of(a, b);
        }
        let force = &mut self.force_at_peak_velocity_n;
        *force = PerDirection {
            compression: pooled(
                &force.compression,
                &other.force_at_peak_velocity_n.compression,
            ),
            rebound: pooled(&force.rebound, &other.force_at_peak_velocity_n.rebound),
        };
        let energy = &mut self.energy_per_cycle_j;
        let of = |e: &super::Energy| Spread {
            mean: e.mean,
            sd: e.sd,
            n: e.n,
        };
        let both = pooled(&of(energy), &of(&other.energy_per_cycle_j));
        (energy.mean, energy.sd, energy.n) = (both.mean, both.sd, both.n);
        self.temperature_c = match (self.temperature_c, other.temperature_c) {
            (Some(a), Some(b)) => Some(StartEnd {
                start: a.start,
                end: b.end,
            }),
            (a, b) => a.or(b),
        };
        self.fold.join(&other.fold, share);
        self.cycles += other.cycles;
        self.cycles_used += other.cycles_used;
        self.settling_cycles += other.settling_cycles;
        self.series.extend(other.series);
        self.kept.extend(other.kept);
        if self.kept.len() > Self::MOST_KEPT {
            self.kept = thin(std::mem::take(&mut self.kept));
        }
    }
}

impl Fold {
    fn join(&mut self, other: &Self, share: f64) {
        for (a, b) in [
            (&mut self.travel, &other.travel),
            (&mut self.velocity, &other.velocity),
            (&mut self.acceleration, &other.acceleration),
            (&mut self.force, &other.force),
            (&mut self.force_sd, &other.force_sd),
        ] {
            for (a, b) in a.iter_mut().zip(b) {
                *a += (b - *a) * share;
            }
        }
    }
}

/// Mean and spread of two groups as one (the sum of squares about the common mean).
fn pooled(a: &Spread, b: &Spread) -> Spread {
    let (na, nb) = (a.n as f64, b.n as f64);
    let n = na + nb;
    if n == 0.0 {
        return *a;
    }
    let apart = b.mean - a.mean;
    let squares = |s: &Spread, n: f64| s.sd.map_or(0.0, |sd| sd * sd * (n - 1.0).max(0.0));
    let total = squares(a, na) + squares(b, nb) + apart * apart * na * nb / n;
    Spread {
        mean: a.mean + apart * nb / n,
        sd: (n > 1.0).then(|| (total / (n - 1.0)).sqrt()),
        n: a.n + b.n,
    }
}

#[cfg(test)]
mod tests {
    use super::super::Tally;
    use super::*;

    #[test]
    fn pooling_two_groups_equals_the_spread_of_all() {
        let values: Vec<f64> = (0..30).map(|i| (f64::from(i) * 1.7).sin() + 5.0).collect();
        let of = |v: &[f64]| {
            let mut t = Tally::default();
            v.iter().for_each(|x| t.add(*x));
            t.spread()
        };
        let (whole, both) = (of(&values), pooled(&of(&values[..11]), &of(&values[11..])));
        assert_eq!(whole.n, both.n);
        assert!((whole.mean - both.mean).abs() < 1e-12);
        assert!((whole.sd.unwrap() - both.sd.unwrap()).abs() < 1e-12);
    }
}
