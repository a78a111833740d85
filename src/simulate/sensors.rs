//! What the sensors make of the signals: lag, offset, noise, spikes, clipping, resolution,
//! dropouts.

use rand::{RngExt as _, SeedableRng as _};
use rand_chacha::ChaCha8Rng;
use rand_distr::{Distribution as _, StandardNormal};

use super::spec::{Dropout, Sensors};

/// Random numbers of one channel: each has its own stream, so that turning one kind of noise
/// off leaves the others as they were.
fn stream(seed: u64, channel: u64) -> ChaCha8Rng {
    let mut random = ChaCha8Rng::seed_from_u64(seed);
    random.set_stream(channel);
    random
}

/// When the samples are taken, s: evenly, but for the jitter (even over ± the given share of
/// the interval).
pub(super) fn clock(count: usize, rate_hz: f64, jitter_percent: f64, seed: u64) -> Vec<f64> {
    let mut random = stream(seed, 7);
    let spread = 0.01 * jitter_percent / rate_hz;
    (0..count)
        .map(|i| {
            let even = i as f64 / rate_hz;
            if i > 0 && spread > 0.0 {
                even + spread * (2.0 * random.random::<f64>() - 1.0)
            } else {
                even
            }
        })
        .collect()
}

/// Adds normal noise.
fn add_noise(values: &mut [f64], deviation: f64, seed: u64, channel: u64) {
    if deviation > 0.0 {
        let mut random = stream(seed, channel);
        for value in values {
            let normal: f64 = StandardNormal.sample(&mut random);
            *value += deviation * normal;
        }
    }
}

/// Rounds to the channel's resolution.
fn resolve(values: &mut [f64], step: f64) {
    if step > 0.0 {
        for value in values {
            *value = (*value / step).round() * step;
        }
    }
}

/// The force channel. `force` is what the load cell's electronics put out after delay and
/// filter.
pub(super) fn force(mut force: Vec<f64>, sensors: &Sensors, seed: u64) -> Vec<f64> {
    for value in &mut force {
        *value += sensors.force_offset_n;
    }
    let deviation = sensors.force_noise_percent * 0.01 * sensors.force_full_scale_n;
    add_noise(&mut force, deviation, seed, 1);
    if sensors.spikes_per_thousand > 0.0 {
        let mut random = stream(seed, 2);
        for value in &mut force {
            if random.random_bool((sensors.spikes_per_thousand * 1e-3).min(1.0)) {
                *value += if random.random_bool(0.5) { 1.0 } else { -1.0 } * sensors.spike_n;
            }
        }
    }
    if sensors.force_clip_n > 0.0 {
        for value in &mut force {
            *value = value.clamp(-sensors.force_clip_n, sensors.force_clip_n);
        }
    }
    resolve(&mut force, sensors.force_step_n);
    drop_out(&mut force, sensors, seed);
    force
}

fn drop_out(force: &mut [f64], sensors: &Sensors, seed: u64) {
    if sensors.dropouts_per_thousand <= 0.0 {
        return;
    }
    let mut random = stream(seed, 3);
    let (mut left, mut last) = (0, force.first().copied().unwrap_or(0.0));
    for value in force {
        if left == 0 && random.random_bool((sensors.dropouts_per_thousand * 1e-3).min(1.0)) {
            left = sensors.dropout_samples;
        }
        if left > 0 {
            left -= 1;
            *value = match sensors.dropout {
                Dropout::Hold => last,
                Dropout::Zero => 0.0,
                Dropout::Blank => f64::NAN,
            };
        } else {
            last = *value;
        }
    }
}

/// The travel channel.
pub(super) fn travel(mut travel: Vec<f64>, sensors: &Sensors, seed: u64) -> Vec<f64> {
    for value in &mut travel {
        *value += sensors.travel_offset_mm * 1e-3;
    }
    let deviation = sensors.travel_noise_percent * 0.01 * sensors.travel_full_scale_mm * 1e-3;
    add_noise(&mut travel, deviation, seed, 4);
    resolve(&mut travel, sensors.travel_step_mm * 1e-3);
    travel
}

/// The velocity channel. `velocity` is already late by the channel's delay.
pub(super) fn velocity(mut velocity: Vec<f64>, sensors: &Sensors, seed: u64) -> Vec<f64> {
    for value in &mut velocity {
        *value *= sensors.velocity_gain;
    }
    add_noise(&mut velocity, sensors.velocity_noise_mm_s * 1e-3, seed, 5);
    velocity
}

/// The temperature channel: first-order lag, offset, noise.
pub(super) fn temperature(oil: &[f64], time: &[f64], sensors: &Sensors, seed: u64) -> Vec<f64> {
    let mut shown = oil.first().copied().unwrap_or(0.0);
    let mut before = time.first().copied().unwrap_or(0.0);
    let mut out: Vec<f64> = oil
        .iter()
        .zip(time)
        .map(|(&now, &t)| {
            let keep = if sensors.temperature_lag_s > 0.0 {
                libm::exp((before - t) / sensors.temperature_lag_s)
            } else {
                0.0
            };
            before = t;
            shown = now + (shown - now) * keep;
            shown + sensors.temperature_offset_c
        })
        .collect();
    add_noise(&mut out, sensors.temperature_noise_c, seed, 6);
    out
}

/// Delay and first-order filter of the force, on the integration's own time base.
#[derive(Debug, Clone)]
pub(super) struct Electronics {
    delay: f64,
    time_constant: f64,
    /// What the filter put out last, and what came in.
    shown: Option<(f64, f64)>,
    past: std::collections::VecDeque<(f64, f64)>,
}

impl Electronics {
    pub(super) fn new(sensors: &Sensors) -> Self {
        Self {
            delay: sensors.force_delay_ms * 1e-3,
            time_constant: if sensors.force_filter_hz > 0.0 {
                1.0 / (std::f64::consts::TAU * sensors.force_filter_hz)
            } else {
                0.0
            },
            shown: None,
            past: std::collections::VecDeque::new(),
        }
    }

    /// Delay plus time constant, s.
    pub(super) fn lag(&self) -> f64 {
        self.delay + self.time_constant
    }

    /// Takes the force at the end of a step of `dt`.
    pub(super) fn take(&mut self, time: f64, force: f64, dt: f64) {
        let filtered = match self.shown {
            Some((before, input)) if self.time_constant > 0.0 => {
                // Exact for a force that runs straight over the step.
                let keep = libm::exp(-dt / self.time_constant);
                let slope = (force - input) / dt;
                let settled = force - slope * self.time_constant;
                settled + (before - (input - slope * self.time_constant)) * keep
            }
            _ => force,
        };
        self.shown = Some((filtered, force));
        self.past.push_back((time, filtered));
        while self.past.len() > 2 && self.past.get(1).is_some_and(|p| p.0 <= time - self.delay) {
            self.past.pop_front();
        }
    }

    /// What the channel reads at `time`, which is the last one taken.
    pub(super) fn reads(&self, time: f64) -> f64 {
        let wanted = time - self.delay;
        match (self.past.front(), self.past.get(1)) {
            (Some(&(t0, f0)), Some(&(t1, f1))) if self.delay > 0.0 && wanted > t0 => {
                f0 + (f1 - f0) * ((wanted - t0) / (t1 - t0)).min(1.0)
            }
            (Some(&(_, f0)), _) if self.delay > 0.0 => f0,
            _ => self.past.back().map_or(0.0, |p| p.1),
        }
    }
}
