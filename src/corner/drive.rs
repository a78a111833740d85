//! A corner driven along a road, and what is counted on the way.

use super::time::{Corner, State};
use super::weighting::WK;

/// Parts a drive is read in, for the road's own share of an interval.
pub const PARTS: usize = 20;

/// Bands of damper speed that time and heat are told by, compression and rebound apart.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Bands {
    /// Upper ends of all bands but the last, m/s, rising; compression, rebound.
    pub ends: [Vec<f64>; 2],
    /// Width of the even bins of the histogram, m/s.
    pub bin: f64,
    /// How many of them a direction has; what is faster is in the last.
    pub bins: usize,
    /// The fastest measured speed, compression and rebound, m/s.
    pub measured: [f64; 2],
}

/// Sums over one part of a drive.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Sums {
    /// Instants.
    pub n: f64,
    /// Body acceleration squared, m²/s⁴.
    pub acceleration: f64,
    /// Mean square of the weighted body acceleration, m²/s⁴ (a mean, not a sum).
    pub weighted: f64,
    /// Travel, m, and squared, m².
    pub travel: [f64; 2],
    /// Speed of wheel against body squared, m²/s².
    pub speed: f64,
    /// Tyre deflection, m, and squared, m².
    pub tyre: [f64; 2],
    /// Damper force, N.
    pub force: f64,
    /// Power taken out, W.
    pub power: f64,
    /// Instants faster than measured.
    pub beyond: f64,
    /// Instants at which the tyre would not press.
    pub unloaded: f64,
    /// Contacts begun with the bump and with the droop stop.
    pub contacts: [f64; 2],
    /// Deepest into either stop, m.
    pub deepest: [f64; 2],
    /// Largest wheel travel up and down, m.
    pub reach: [f64; 2],
    /// Fastest damper speed in compression and rebound, m/s.
    pub fastest: [f64; 2],
    /// Instants and energy by band, compression and rebound.
    pub bands: [Vec<(f64, f64)>; 2],
    /// Instants by bin, compression and rebound.
    pub histogram: [Vec<f64>; 2],
}

impl Sums {
    fn for_bands(bands: Option<&Bands>) -> Self {
        let mut out = Self::default();
        if let Some(bands) = bands {
            for side in 0..2 {
                out.bands[side] = vec![(0.0, 0.0); bands.ends[side].len() + 1];
                out.histogram[side] = vec![0.0; bands.bins];
            }
        }
        out
    }

    /// Parts together.
    pub fn total(parts: &[Self]) -> Self {
        let mut all = parts.first().cloned().unwrap_or_default();
        for part in parts.iter().skip(1) {
            // The weighted mean is a mean of means of equal length.
            all.weighted = (all.weighted * all.n + part.weighted * part.n) / (all.n + part.n);
            all.n += part.n;
            all.acceleration += part.acceleration;
            all.speed += part.speed;
            all.force += part.force;
            all.power += part.power;
            all.beyond += part.beyond;
            all.unloaded += part.unloaded;
            for i in 0..2 {
                all.travel[i] += part.travel[i];
                all.tyre[i] += part.tyre[i];
                all.contacts[i] += part.contacts[i];
                all.deepest[i] = all.deepest[i].max(part.deepest[i]);
                all.reach[i] = all.reach[i].max(part.reach[i]);
                all.fastest[i] = all.fastest[i].max(part.fastest[i]);
                for (a, b) in all.bands[i].iter_mut().zip(&part.bands[i]) {
                    *a = (a.0 + b.0, a.1 + b.1);
                }
                for (a, b) in all.histogram[i].iter_mut().zip(&part.histogram[i]) {
                    *a += b;
                }
            }
        }
        all
    }

    /// Standard deviation from a sum and a sum of squares.
    fn spread(&self, sums: [f64; 2]) -> f64 {
        let mean = sums[0] / self.n;
        (sums[1] / self.n - mean * mean).max(0.0).sqrt()
    }

    /// The figures of these sums; `tyre_n_m` turns deflection into load.
    pub fn figures(&self, tyre_n_m: f64) -> Figures {
        Figures {
            body_acc: (self.acceleration / self.n).sqrt(),
            weighted_acc: self.weighted.sqrt(),
            tyre_load_sd: tyre_n_m * self.spread(self.tyre),
            travel_sd: self.spread(self.travel),
            speed_sd: (self.speed / self.n).sqrt(),
            offset_m: self.travel[0] / self.n,
            mean_force_n: self.force / self.n,
            heat_w: self.power / self.n,
        }
    }
}

/// Figures of a drive, SI.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Figures {
    /// Rms body acceleration, m/s².
    pub body_acc: f64,
    /// The same weighted by W_k, m/s².
    pub weighted_acc: f64,
    /// Standard deviation of tyre load, N.
    pub tyre_load_sd: f64,
    /// Standard deviation of travel, m.
    pub travel_sd: f64,
    /// Rms speed of wheel against body, m/s.
    pub speed_sd: f64,
    /// Mean travel, body over wheel, m: negative when the body rides lower.
    pub offset_m: f64,
    /// Mean damper force at the wheel, N.
    pub mean_force_n: f64,
    /// Heat, W.
    pub heat_w: f64,
}

impl Figures {
    /// How many figures there are.
    pub const COUNT: usize = 8;

    /// All, in the order of the fields.
    pub fn all(&self) -> [f64; Self::COUNT] {
        [
            self.body_acc,
            self.weighted_acc,
            self.tyre_load_sd,
            self.travel_sd,
            self.speed_sd,
            self.offset_m,
            self.mean_force_n,
            self.heat_w,
        ]
    }
}

/// How a drive goes.
#[derive(Debug, Clone, Copy)]
pub struct Plan<'a> {
    /// Step, s.
    pub dt: f64,
    /// Steps of each part.
    pub each: usize,
    /// Parts.
    pub parts: usize,
    /// Ratio of damper to wheel speed where it does not change.
    pub ratio: f64,
    /// Load the tyre carries at rest, N.
    pub static_n: f64,
    /// What is told by band; `None` leaves it out.
    pub bands: Option<&'a Bands>,
    /// Weighting squared by frequency, for spectra of `each` steps.
    pub weights: Option<&'a Weights>,
}

/// Drives a corner from a state along road velocities and reads it in parts. Returns the
/// parts and the state at the end.
pub fn drive(
    corner: &Corner,
    start: State,
    road: impl Fn(usize) -> f64,
    plan: &Plan<'_>,
) -> (Vec<Sums>, State) {
    let mut s = start;
    let mut out = Vec::with_capacity(plan.parts);
    let mut series = vec![0.0; plan.each];
    let mut inside = [true; 2];
    for part in 0..plan.parts {
        let mut sums = Sums::for_bands(plan.bands);
        for (i, kept) in series.iter_mut().enumerate() {
            let w = road(part * plan.each + i);
            let (next, rate) = corner.stepped(&s, [w; 3], plan.dt);
            *kept = rate.body;
            count(&mut sums, corner, &s, &rate, plan, &mut inside);
            s = next;
        }
        sums.n = plan.each as f64;
        if let Some(weights) = plan.weights {
            sums.weighted = weights.mean_square(&series);
        }
        out.push(sums);
    }
    (out, s)
}

/// Lets a corner run along a road without counting.
pub fn run_in(corner: &Corner, road: impl Fn(usize) -> f64, steps: usize, dt: f64) -> State {
    let mut s = State::default();
    for i in 0..steps {
        let w = road(i);
        s = corner.stepped(&s, [w; 3], dt).0;
    }
    s
}

#[inline]
fn count(
    sums: &mut Sums,
    corner: &Corner,
    s: &State,
    rate: &State,
    plan: &Plan<'_>,
    inside: &mut [bool; 2],
) {
    let closing = s.wheel - s.body;
    let damper = corner.forces(s).damper;
    let power = damper * closing;
    sums.acceleration += rate.body * rate.body;
    sums.travel[0] += s.travel;
    sums.travel[1] += s.travel * s.travel;
    sums.tyre[0] += s.tyre;
    sums.tyre[1] += s.tyre * s.tyre;
    sums.speed += closing * closing;
    sums.force += damper;
    sums.power += power;
    let Some(bands) = plan.bands else {
        return;
    };
    if corner.tyre_n_m() * s.tyre > plan.static_n {
        sums.unloaded += 1.0;
    }
    sums.reach[0] = sums.reach[0].max(-s.travel);
    sums.reach[1] = sums.reach[1].max(s.travel);
    let deep = corner.stops().into(s.travel);
    for (side, depth) in [deep, -deep].into_iter().enumerate() {
        if depth > 0.0 {
            sums.deepest[side] = sums.deepest[side].max(depth);
            if inside[side] {
                sums.contacts[side] += 1.0;
            }
        }
        inside[side] = depth <= 0.0;
    }
    let signed = corner.damper_speed(s, plan.ratio);
    let side = usize::from(signed < 0.0);
    let speed = signed.abs();
    sums.fastest[side] = sums.fastest[side].max(speed);
    if speed > bands.measured[side] {
        sums.beyond += 1.0;
    }
    let band = bands.ends[side].iter().filter(|e| speed >= **e).count();
    let cell = &mut sums.bands[side][band];
    *cell = (cell.0 + 1.0, cell.1 + power);
    let bin = ((speed / bands.bin) as usize).min(bands.bins - 1);
    sums.histogram[side][bin] += 1.0;
}

/// The weighting squared at the frequencies of a spectrum of one length.
pub struct Weights {
    squares: Vec<f64>,
    fft: std::sync::Arc<dyn realfft::RealToComplex<f64>>,
    size: usize,
}

impl std::fmt::Debug for Weights {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Weights")
            .field("size", &self.size)
            .finish_non_exhaustive()
    }
}

impl Weights {
    /// For series of `size` values every `dt`.
    pub fn new(size: usize, dt: f64) -> Self {
        let fft = realfft::RealFftPlanner::<f64>::new().plan_fft_forward(size);
        let n = size as f64;
        let squares = (0..=size / 2)
            .map(|k| {
                let twice = if k == 0 || 2 * k == size { 1.0 } else { 2.0 };
                twice * (WK.at(k as f64 / (n * dt)) / n).powi(2)
            })
            .collect();
        Self { squares, fft, size }
    }

    /// Weighted mean square of a series (Parseval).
    pub fn mean_square(&self, series: &[f64]) -> f64 {
        let mut input = series.to_vec();
        let mut spectrum = self.fft.make_output_vec();
        if self.fft.process(&mut input, &mut spectrum).is_err() {
            return f64::NAN;
        }
        spectrum
            .iter()
            .zip(&self.squares)
            .map(|(x, w)| x.norm_sqr() * w)
            .sum()
    }
}
