//! Travel, where the file has something else: crank angle, or velocity alone.

use crate::recording::Chunk;

/// A velocity must fall to this share of the largest seen below zero before the next rise
/// through zero counts as the start of a cycle.
const ARM_SHARE: f64 = 0.2;

/// Most samples held back while waiting for a cycle to end.
const MOST_HELD: usize = 1 << 20;

/// How travel is had from what stands in [`Chunk::travel`].
#[derive(Debug, Clone)]
pub(super) enum Motion {
    /// It is travel.
    AsIs,
    /// It is crank angle, rad, from full extension.
    Crank { radius: f64, rod_ratio: f64 },
    /// It is velocity.
    Integrate(Box<Integrator>),
}

impl Motion {
    /// Turns a chunk's travel into travel; gives what is ready.
    pub(super) fn take(&mut self, mut chunk: Chunk) -> Vec<Chunk> {
        match self {
            Self::AsIs => vec![chunk],
            Self::Crank { radius, rod_ratio } => {
                for angle in &mut chunk.travel {
                    *angle = crank(*angle, *radius, *rod_ratio);
                }
                vec![chunk]
            }
            Self::Integrate(integrator) => integrator.take(chunk),
        }
    }

    /// No more will come.
    pub(super) fn end(&mut self) -> Vec<Chunk> {
        match self {
            Self::Integrate(integrator) => integrator.flush().into_iter().collect(),
            _ => Vec::new(),
        }
    }
}

/// Travel of a slider-crank, m, from mid-way between its dead points, positive towards the
/// crank: x = r cos θ' + l √(1 − (λ sin θ')²) with θ' from the far dead point, λ = r/l.
/// Here θ = 0 is full extension of the damper; the crank pushes its rod in from there.
fn crank(angle: f64, radius: f64, rod_ratio: f64) -> f64 {
    let straight = -radius * angle.cos();
    if rod_ratio <= 0.0 {
        return straight;
    }
    let rod = radius / rod_ratio;
    let lean = (rod_ratio * angle.sin()).clamp(-1.0, 1.0);
    straight - rod * (1.0 - (1.0 - lean * lean).sqrt())
}

/// Integrates velocity cycle by cycle: every cycle returns to where it began, so the mean
/// velocity over it is drift (an offset of the channel) and is taken off.
#[derive(Debug, Clone, Default)]
pub(super) struct Integrator {
    held: Chunk,
    /// Samples of `held` before the first start of a cycle.
    lead: Option<usize>,
    armed: bool,
    fastest: f64,
    drift: f64,
    scanned: usize,
}

impl Integrator {
    fn take(&mut self, mut chunk: Chunk) -> Vec<Chunk> {
        let mut out = Vec::new();
        if chunk.starts_segment.is_some() {
            out.extend(self.flush());
            self.held.starts_segment = chunk.starts_segment.take();
        }
        append(&mut self.held, chunk);
        let mut ready = Chunk::default();
        while let Some(at) = self.next_start() {
            match self.lead {
                None => self.lead = Some(at),
                Some(lead) => {
                    let done = self.cycle(lead, at);
                    append(&mut ready, done);
                }
            }
        }
        if !ready.is_empty() {
            out.push(ready);
        }
        if self.held.len() > MOST_HELD {
            out.extend(self.flush());
        }
        out
    }

    /// Index of the next sample at which velocity rises through zero.
    fn next_start(&mut self) -> Option<usize> {
        while self.scanned < self.held.len() {
            let i = self.scanned;
            self.scanned += 1;
            let v = *self.held.travel.get(i)? - self.drift;
            self.fastest = self.fastest.max(v.abs());
            if v < -ARM_SHARE * self.fastest {
                self.armed = true;
            } else if self.armed && v >= 0.0 {
                self.armed = false;
                return Some(i);
            }
        }
        None
    }

    /// Integrates `from..to` (one whole cycle) and what stands before it, and takes both
    /// out of what is held.
    fn cycle(&mut self, from: usize, to: usize) -> Chunk {
        let (t, v) = (&self.held.time, &self.held.travel);
        self.drift = mean_between(t, v, from, to);
        let done = self.integrated(0, from, to);
        let rest = split_off(&mut self.held, to);
        let mut chunk = std::mem::replace(&mut self.held, rest);
        chunk.travel = done;
        self.scanned = self.scanned.saturating_sub(to);
        self.lead = Some(0);
        chunk
    }

    /// Travel at samples `from..to`, zero at sample `zero`.
    fn integrated(&self, from: usize, zero: usize, to: usize) -> Vec<f64> {
        let (t, v) = (&self.held.time, &self.held.travel);
        let mut travel = Vec::with_capacity(to.saturating_sub(from));
        let mut x = 0.0;
        let mut at_zero = 0.0;
        for i in from..to {
            if let (Some(i0), Some(v1), Some(t1)) = (i.checked_sub(1), v.get(i), t.get(i))
                && i > from
                && let (Some(v0), Some(t0)) = (v.get(i0), t.get(i0))
            {
                x += (0.5 * (v0 + v1) - self.drift) * (t1 - t0);
            }
            if i == zero {
                at_zero = x;
            }
            travel.push(x);
        }
        for value in &mut travel {
            *value -= at_zero;
        }
        travel
    }

    /// What is left at the end of a segment: no whole cycle, the last drift stands.
    fn flush(&mut self) -> Option<Chunk> {
        let mut held = std::mem::take(&mut self.held);
        let n = held.len();
        let lead = self.lead.take();
        self.scanned = 0;
        self.armed = false;
        if n == 0 {
            return None;
        }
        if lead.is_none() {
            self.drift = mean_between(&held.time, &held.travel, 0, n - 1);
        }
        let probe = Self {
            held: Chunk {
                time: held.time.clone(),
                travel: held.travel.clone(),
                ..Chunk::default()
            },
            drift: self.drift,
            ..Self::default()
        };
        held.travel = probe.integrated(0, lead.unwrap_or(0), n);
        Some(held)
    }
}

/// Mean of `v` over time from sample `from` to sample `to`, by trapezoids.
fn mean_between(t: &[f64], v: &[f64], from: usize, to: usize) -> f64 {
    let (Some(ts), Some(vs)) = (t.get(from..=to), v.get(from..=to)) else {
        return 0.0;
    };
    let mut area = 0.0;
    for (tw, vw) in ts.windows(2).zip(vs.windows(2)) {
        if let ([t0, t1], [v0, v1]) = (tw, vw) {
            area += 0.5 * (v0 + v1) * (t1 - t0);
        }
    }
    match (ts.first(), ts.last()) {
        (Some(a), Some(b)) if b > a => area / (b - a),
        _ => 0.0,
    }
}

/// Adds the samples of `more` to `to`.
pub(super) fn append(to: &mut Chunk, mut more: Chunk) {
    if to.is_empty() {
        more.starts_segment = to.starts_segment.take().or(more.starts_segment);
        *to = more;
        return;
    }
    for (to, more) in to.channels_mut().into_iter().zip(more.channels_mut()) {
        to.append(more);
    }
}

/// Takes samples from `at` on out of `chunk`.
pub(super) fn split_off(chunk: &mut Chunk, at: usize) -> Chunk {
    let mut rest = Chunk::default();
    for (rest, all) in rest.channels_mut().into_iter().zip(chunk.channels_mut()) {
        if all.len() > at {
            *rest = all.split_off(at);
        }
    }
    rest
}

#[cfg(test)]
mod tests {
    use super::*;

    // A slider-crank's piston travel over a whole turn is twice the crank radius whatever
    // the rod; at 90° the finite rod puts it r(1/λ)(1 − √(1 − λ²)) off mid-stroke.
    // Source: kinematics of the slider-crank, any machine design handbook (common practice).
    #[test]
    fn crank_travel_spans_twice_the_radius() {
        for ratio in [0.0, 0.2, 0.33] {
            let low = crank(0.0, 0.025, ratio);
            let high = crank(std::f64::consts::PI, 0.025, ratio);
            assert!((high - low - 0.05).abs() < 1e-15);
            let mid = crank(std::f64::consts::FRAC_PI_2, 0.025, ratio);
            let off = if ratio > 0.0 {
                0.025 / ratio * (1.0 - (1.0 - ratio * ratio).sqrt())
            } else {
                0.0
            };
            assert!((mid + off).abs() < 1e-15);
        }
    }
}
