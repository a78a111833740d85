//! Arrays that go round: one period on an even grid.

use std::f64::consts::TAU;
use std::sync::{Arc, LazyLock};

use realfft::{RealFftPlanner, RealToComplex};

use super::local_fit::{dot_circular, savitzky_golay};

/// One term of a Fourier series: `cosine·cos(2πhφ) + sine·sin(2πhφ)`, φ = 0..1.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct Harmonic {
    /// Order, 0 for the mean.
    pub order: usize,
    /// Cosine coefficient.
    pub cosine: f64,
    /// Sine coefficient.
    pub sine: f64,
}

impl Harmonic {
    /// Amplitude.
    pub fn amplitude(&self) -> f64 {
        self.cosine.hypot(self.sine)
    }
}

/// Fourier coefficients of one period of even samples, orders 0 up to `most` (at most half
/// the samples less one).
pub fn harmonics(values: &[f64], most: usize) -> Vec<Harmonic> {
    let n = values.len();
    if n < 4 {
        return Vec::new();
    }
    let plan = if n == USUAL_POINTS {
        USUAL_PLAN.clone()
    } else {
        plan(n)
    };
    let mut input = values.to_vec();
    let mut output = plan.make_output_vec();
    if plan.process(&mut input, &mut output).is_err() {
        return Vec::new();
    }
    output
        .iter()
        .take((most + 1).min(n / 2))
        .enumerate()
        .map(|(order, c)| {
            let scale = if order == 0 { 1.0 } else { 2.0 } / n as f64;
            Harmonic {
                order,
                cosine: c.re * scale,
                sine: -c.im * scale,
            }
        })
        .collect()
}

/// The grid nearly all calls ask for: that of the cycles' phases.
const USUAL_POINTS: usize = 512;

static USUAL_PLAN: LazyLock<Arc<dyn RealToComplex<f64>>> = LazyLock::new(|| plan(USUAL_POINTS));

fn plan(points: usize) -> Arc<dyn RealToComplex<f64>> {
    RealFftPlanner::<f64>::new().plan_fft_forward(points)
}

static USUAL_ANGLES: LazyLock<Vec<(f64, f64)>> = LazyLock::new(|| angles(USUAL_POINTS));

/// Sine and cosine of so many even parts of a turn.
fn angles(points: usize) -> Vec<(f64, f64)> {
    (0..points)
        .map(|part| (TAU * part as f64 / points as f64).sin_cos())
        .collect()
}

/// The `derivative`-th derivative with respect to phase (0..1) of a Fourier series, on an
/// even grid of `points`.
pub fn series_at(series: &[Harmonic], derivative: u32, points: usize) -> Vec<f64> {
    let mut out = vec![0.0; points];
    // All orders meet the same few angles.
    let own;
    let angles = if points == USUAL_POINTS {
        &*USUAL_ANGLES
    } else {
        own = angles(points);
        &own
    };
    for h in series {
        if h.order == 0 {
            if derivative == 0 {
                out.iter_mut().for_each(|v| *v += h.cosine);
            }
            continue;
        }
        let w = TAU * h.order as f64;
        let (mut c, mut s) = (h.cosine, h.sine);
        for _ in 0..derivative {
            (c, s) = (s * w, -c * w);
        }
        if h.order == 1 {
            for (v, (sin, cos)) in out.iter_mut().zip(angles) {
                *v += c * cos + s * sin;
            }
            continue;
        }
        // The phase is reduced first, so that high orders keep their digits.
        let (mut at, stride) = (0, h.order % points);
        for v in &mut out {
            let (sin, cos) = angles[at];
            *v += c * cos + s * sin;
            at += stride;
            if at >= points {
                at -= points;
            }
        }
    }
    out
}

/// Savitzky–Golay derivative of a periodic array, per sample. A window longer than the
/// array, or an even one, gives zeros.
pub fn circular_savitzky_golay(
    values: &[f64],
    window: usize,
    order: usize,
    derivative: usize,
) -> Vec<f64> {
    let n = values.len();
    match savitzky_golay(window, order, derivative) {
        Some(weights) if window <= n => {
            let half = (window / 2) as isize;
            (0..n)
                .map(|i| dot_circular(values, i as isize - half, &weights))
                .collect()
        }
        _ => vec![0.0; n],
    }
}

/// Central difference of fourth order at index `i` of a periodic array, per sample:
/// `(8(y₊₁ − y₋₁) − (y₊₂ − y₋₂)) / 12`.
pub fn fourth_order_difference(values: &[f64], i: usize) -> f64 {
    let n = values.len();
    let at = |k: usize| values[(i + k) % n];
    (8.0 * (at(1) - at(n - 1)) - (at(2) - at(n - 2))) / 12.0
}

/// Value of a periodic array at a phase (any real, period 1), by the cubic through the four
/// neighbours.
#[inline]
pub fn sample_circular(values: &[f64], phase: f64) -> f64 {
    let n = values.len();
    if n == 0 {
        return f64::NAN;
    }
    // Most phases lie in the first turn as they are.
    let phase = if (0.0..1.0).contains(&phase) {
        phase
    } else {
        phase.rem_euclid(1.0)
    };
    let place = phase * n as f64;
    // Not negative, so that cutting off is rounding down.
    let whole = place as usize;
    let t = place - whole as f64;
    let i = if whole < n { whole } else { whole % n };
    let (a, b, c, d) = match values.get(i.wrapping_sub(1)..) {
        Some([a, b, c, d, ..]) => (*a, *b, *c, *d),
        _ => (
            values[(i + n - 1) % n],
            values[i],
            values[(i + 1) % n],
            values[(i + 2) % n],
        ),
    };
    -a * t * (t - 1.0) * (t - 2.0) / 6.0 + b * (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0
        - c * (t + 1.0) * t * (t - 2.0) / 2.0
        + d * (t + 1.0) * t * (t - 1.0) / 6.0
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wave(n: usize) -> Vec<f64> {
        (0..n)
            .map(|i| {
                let p = TAU * i as f64 / n as f64;
                1.5 + 2.0 * p.sin() - 0.3 * (2.0 * p).cos()
            })
            .collect()
    }

    #[test]
    fn harmonics_of_a_known_wave_come_back() {
        let series = harmonics(&wave(512), 5);
        assert!((series[0].cosine - 1.5).abs() < 1e-12);
        assert!((series[1].sine - 2.0).abs() < 1e-12);
        assert!((series[2].cosine + 0.3).abs() < 1e-12);
        let back = series_at(&series, 0, 512);
        for (a, b) in back.iter().zip(wave(512)) {
            assert!((a - b).abs() < 1e-12);
        }
    }

    #[test]
    fn derivatives_agree_with_calculus() {
        let n = 512;
        let slope = series_at(&harmonics(&wave(n), 4), 1, n);
        let w = wave(n);
        for (i, slope) in slope.iter().enumerate() {
            let p = TAU * i as f64 / n as f64;
            let exact = TAU * (2.0 * p.cos() + 0.6 * (2.0 * p).sin());
            assert!((slope - exact).abs() < 1e-9);
            assert!((fourth_order_difference(&w, i) * n as f64 - exact).abs() < 1e-5);
        }
    }
}
