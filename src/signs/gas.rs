//! The gas force as evidence of which way is compression.

use nalgebra::{SMatrix, SVector};

use super::strokes::{Series, Stroke};
use crate::recording::Polarity;

/// Samples slower than this share of their stroke's fastest are "near rest": there the
/// hydraulic force is smallest and close to a straight line in speed.
const NEAR_REST: f64 = 0.25;

/// Strokes shorter than this share of the longest are ramps.
const WHOLE_STROKE: f64 = 0.8;

/// So many slowest strokes are wanted at least.
const SLOW_STROKES: usize = 6;

/// Strokes up to this multiple of the slowest strokes' speed are looked at.
const SLOWEST_BAND: f64 = 1.5;

/// Standard errors by which gas force and its rise must differ from zero.
const SIGNIFICANT: f64 = 4.0;

/// The gas force must exceed the friction by this factor. Friction and backlash that differ
/// between the directions leave a mean force of a fraction of the friction; a charged
/// damper pushes with several times its friction, or it would not come back out.
const OVER_FRICTION: f64 = 2.0;

/// The rise over the stroke, as a share of the gas force, must lie in this range. A gas
/// chamber gives 5–100 %; an offset of the load cell alone rises by nothing, and a cell
/// zeroed with the damper clamped in at one end reads a force of half the rise or less.
const RISE_SHARE: (f64, f64) = (0.02, 1.2);

/// The gas force must exceed this share of the largest force: a zero error of the cell or of
/// the fixture's weight is within a few percent of what is measured (common practice).
const OVER_ZERO_ERROR: f64 = 0.06;

/// A rise that this delay of the force channel (s) or this mass on the cell (kg) would make
/// at the frequency of the strokes looked at proves nothing.
const DELAY_S: f64 = 0.003;
const MASS_KG: f64 = 4.0;

/// Bins of travel in which the two strokes are averaged.
const BINS: usize = 24;

/// Independent values a stroke is counted for.
const PER_STROKE: f64 = 8.0;

/// Samples the fit needs at least.
const LEAST_SAMPLES: usize = 40;

/// F = gas + rise·x + friction·sgn(v) + slope·v near rest, file's own signs.
#[derive(Debug, Clone, Copy)]
pub(super) struct GasEvidence {
    pub(super) force_n: f64,
    force_se: f64,
    rise_n_m: f64,
    rise_se: f64,
    friction_n: f64,
    stroke_m: f64,
    /// Largest force in the record, from its middle, N.
    largest_n: f64,
    /// Rise that delay and mass could make at the fastest of the strokes looked at, N/m.
    feigned_n_m: f64,
}

impl GasEvidence {
    /// The same in the signs that have travel positive in compression and force as given.
    pub(super) fn in_signs(&self, force: Polarity) -> Self {
        let s = force.factor();
        Self {
            force_n: self.force_n * s,
            rise_n_m: self.rise_n_m * s,
            friction_n: self.friction_n * s,
            ..*self
        }
    }

    /// True if only a gas charge explains it (or an offset of the load cell of that size).
    pub(super) fn proves(&self) -> bool {
        let rise = self.rise_n_m * self.stroke_m;
        let share = rise / self.force_n.abs();
        self.force_n.abs() > SIGNIFICANT * self.force_se
            && self.rise_n_m > SIGNIFICANT * self.rise_se
            && self.force_n.abs() > OVER_FRICTION * self.friction_n.abs()
            && self.force_n.abs() > OVER_ZERO_ERROR * self.largest_n
            && self.rise_n_m > self.feigned_n_m
            && (RISE_SHARE.0..=RISE_SHARE.1).contains(&share)
    }

    pub(super) fn sentence(&self) -> String {
        let verdict = if self.proves() {
            if self.force_n > 0.0 {
                "a charged damper pushes its rod out, so travel is positive in compression"
            } else {
                "a charged damper pushes its rod out, so travel is negative in compression"
            }
        } else {
            "too little to tell compression from rebound"
        };
        format!(
            "gas force: towards rest the mean force is {:+.1} ± {:.1} N with travel taken as positive \
             in compression, rising by {:+.1} ± {:.1} N over the stroke, friction {:.1} N: {verdict} \
             (a zero error of the load cell larger than that force would overturn this)",
            self.force_n,
            2.0 * self.force_se,
            self.rise_n_m * self.stroke_m,
            2.0 * self.rise_se * self.stroke_m,
            self.friction_n.abs(),
        )
    }
}

/// Fits the force in the slowest strokes: near rest for the gas force, over the whole of
/// them for its rise.
pub(super) fn look(series: &Series, strokes: &[Stroke]) -> Option<GasEvidence> {
    let speed = |s: &Stroke| -> f64 {
        let dt = series.time.get(s.to).unwrap_or(&0.0) - series.time.get(s.from).unwrap_or(&0.0);
        if dt > 0.0 {
            s.length / dt
        } else {
            f64::INFINITY
        }
    };
    let longest = strokes.iter().map(|s| s.length).fold(0.0, f64::max);
    let whole: Vec<&Stroke> = strokes
        .iter()
        .filter(|s| s.length >= WHOLE_STROKE * longest && speed(s).is_finite())
        .collect();
    let mut speeds: Vec<f64> = whole.iter().map(|s| speed(s)).collect();
    speeds.sort_by(f64::total_cmp);
    let slow = *speeds.get(SLOW_STROKES.min(speeds.len()).checked_sub(1)?)?;
    let chosen: Vec<&Stroke> = whole
        .into_iter()
        .filter(|s| speed(s) <= SLOWEST_BAND * slow)
        .collect();
    let mut near: Vec<Row> = Vec::new();
    let mut stroke_m: f64 = 0.0;
    for stroke in &chosen {
        stroke_m = stroke_m.max(stroke.length);
        let rows = rows_of(series, stroke);
        let fastest = rows.iter().map(|r| r.v.abs()).fold(0.0, f64::max);
        near.extend(rows.iter().filter(|r| r.v.abs() <= NEAR_REST * fastest));
    }
    if near.len() < LEAST_SAMPLES {
        return None;
    }
    let rest = fit(&near, stroke_m, chosen.len(), |r, v| {
        [1.0, r.x / stroke_m, r.direction, v]
    })?;
    let rise = rise(series, &chosen, stroke_m)?;
    let (low, high) = near
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), r| {
            (lo.min(r.force), hi.max(r.force))
        });
    let known = |value: &Term| value.se.is_finite() && value.se < high - low;
    if !known(&rest.gas) || !known(&rise) {
        return None;
    }
    let (least, most) = series
        .force
        .iter()
        .fold((f64::INFINITY, f64::NEG_INFINITY), |(lo, hi), f| {
            (lo.min(*f), hi.max(*f))
        });
    let fastest = chosen.iter().map(|s| speed(s)).fold(0.0, f64::max);
    // Mean speed of a stroke to angular frequency: a stroke is half a turn.
    let omega = std::f64::consts::PI * fastest / stroke_m;
    let damping = (high - low) / (std::f64::consts::FRAC_PI_2 * fastest);
    Some(GasEvidence {
        largest_n: 0.5 * (most - least),
        feigned_n_m: (damping * DELAY_S + MASS_KG) * omega * omega,
        force_n: rest.gas.value,
        force_se: rest.gas.se,
        rise_n_m: rise.value / stroke_m,
        rise_se: rise.se / stroke_m,
        friction_n: rest.friction,
        stroke_m,
    })
}

/// Rise of the force over the stroke, N: slope along travel of the mean of both strokes,
/// cycle by cycle. Friction cancels in that mean, and a force that depends on speed alone
/// is even about mid-stroke, so that neither can pass for a rise.
fn rise(series: &Series, strokes: &[&Stroke], stroke_m: f64) -> Option<Term> {
    let mut slopes = Vec::new();
    for pair in strokes.windows(2) {
        let [a, b] = pair else { continue };
        if a.to != b.from || a.rising == b.rising {
            continue;
        }
        let (one, other) = (by_travel(series, a), by_travel(series, b));
        let (mut sxx, mut sxy) = (0.0, 0.0);
        for (k, (p, q)) in one.iter().zip(&other).enumerate() {
            if let (Some(p), Some(q)) = (p, q) {
                let x = (k as f64 + 0.5) / BINS as f64 - 0.5;
                sxx += x * x;
                sxy += x * 0.5 * (p + q);
            }
        }
        let length = 0.5 * (a.length + b.length);
        if sxx > 0.0 {
            slopes.push(sxy / sxx * stroke_m / length);
        }
    }
    let n = slopes.len() as f64;
    if slopes.len() < 2 {
        return None;
    }
    let mean = slopes.iter().sum::<f64>() / n;
    let variance = slopes.iter().map(|s| (s - mean).powi(2)).sum::<f64>() / (n - 1.0);
    Some(Term {
        value: mean,
        se: (variance / n).sqrt(),
    })
}

/// Mean force of a stroke in even bins of travel from its lower to its upper end.
fn by_travel(series: &Series, stroke: &Stroke) -> Vec<Option<f64>> {
    let mut sums = vec![(0.0, 0_u32); BINS];
    let ends = (series.travel.get(stroke.from), series.travel.get(stroke.to));
    if let (Some(a), Some(b)) = ends {
        let low = a.min(*b);
        for i in stroke.from..=stroke.to {
            if let (Some(x), Some(f)) = (series.travel.get(i), series.force.get(i)) {
                let bin = ((x - low) / stroke.length * BINS as f64).floor();
                if let Some((sum, count)) = sums.get_mut(bin.max(0.0) as usize) {
                    *sum += f;
                    *count += 1;
                }
            }
        }
    }
    // The outermost bins hold the turns, where lag and inertia show most.
    sums.iter()
        .enumerate()
        .map(|(k, (sum, count))| {
            let inner = (1..BINS - 1).contains(&k);
            (inner && *count > 0).then(|| sum / f64::from(*count))
        })
        .collect()
}

/// One sample of a stroke.
#[derive(Debug, Clone, Copy)]
struct Row {
    /// Travel from mid-stroke.
    x: f64,
    direction: f64,
    v: f64,
    force: f64,
}

/// A fitted coefficient and its standard error.
#[derive(Debug, Clone, Copy)]
struct Term {
    value: f64,
    se: f64,
}

struct Fit {
    gas: Term,
    friction: f64,
}

fn rows_of(series: &Series, stroke: &Stroke) -> Vec<Row> {
    let count = stroke.to.saturating_sub(stroke.from);
    // Speed over about a fortieth of the stroke, so that noise does not choose the samples.
    let half = (count / 80).max(1);
    let at = |v: &[f64], k: usize| v.get(k).copied().unwrap_or(f64::NAN);
    let mid = 0.5 * (at(&series.travel, stroke.from) + at(&series.travel, stroke.to));
    let direction = if stroke.rising { 1.0 } else { -1.0 };
    ((stroke.from + half)..=(stroke.to.saturating_sub(half)))
        .map(|i| {
            let dt = at(&series.time, i + half) - at(&series.time, i - half);
            Row {
                x: at(&series.travel, i) - mid,
                direction,
                v: (at(&series.travel, i + half) - at(&series.travel, i - half)) / dt,
                force: at(&series.force, i),
            }
        })
        .filter(|r| r.v.is_finite() && r.force.is_finite())
        .collect()
}

/// Least squares with four terms: gas, rise, friction, slope.
fn fit(
    rows: &[Row],
    stroke_m: f64,
    strokes: usize,
    terms: impl Fn(&Row, f64) -> [f64; 4],
) -> Option<Fit> {
    let v_unit = rows.iter().map(|r| r.v.abs()).fold(0.0, f64::max);
    if v_unit <= 0.0 || stroke_m <= 0.0 {
        return None;
    }
    let design = |r: &Row| SVector::<f64, 4>::from(terms(r, r.v / v_unit));
    let mut normal = SMatrix::<f64, 4, 4>::zeros();
    let mut right = SVector::<f64, 4>::zeros();
    for row in rows {
        let d = design(row);
        normal += d * d.transpose();
        right += d * row.force;
    }
    let inverse = normal.try_inverse()?;
    let beta = inverse * right;
    let squares: f64 = rows
        .iter()
        .map(|r| (r.force - design(r).dot(&beta)).powi(2))
        .sum();
    let n = rows.len() as f64;
    // Neighbouring samples share their error: so many independent values per stroke.
    let independent = (strokes as f64 * PER_STROKE).min(n).max(5.0);
    let variance = squares / n * (n / (independent - 4.0));
    let term = |i: usize| Term {
        value: beta[i],
        se: (inverse[(i, i)] * variance).max(0.0).sqrt(),
    };
    Some(Fit {
        gas: term(0),
        friction: beta[2],
    })
}
