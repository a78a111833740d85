//! The gas force as evidence of which way is compression.

use nalgebra::{Matrix4, Vector4};

use super::strokes::{Series, Stroke};
use crate::recording::Polarity;

/// Samples slower than this share of their stroke's fastest are "near rest": there the
/// hydraulic force is smallest and close to a straight line in speed.
const NEAR_REST: f64 = 0.25;

/// Strokes up to this multiple of the slowest stroke's speed are looked at.
const SLOWEST_BAND: f64 = 1.5;

/// Standard errors by which gas force and its rise must differ from zero.
const SIGNIFICANT: f64 = 4.0;

/// The gas force must exceed the friction by this factor. Friction and backlash that differ
/// between the directions leave a mean force of a fraction of the friction; a charged
/// damper pushes with several times its friction, or it would not come back out.
const OVER_FRICTION: f64 = 1.0;

/// The rise over the stroke, as a share of the gas force, must lie in this range. A gas
/// chamber gives 5–100 %; an offset of the load cell alone rises by nothing.
const RISE_SHARE: (f64, f64) = (0.02, 3.0);

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

/// Fits the force near rest in the slowest strokes.
pub(super) fn look(series: &Series, strokes: &[Stroke]) -> Option<GasEvidence> {
    let speed = |s: &Stroke| -> f64 {
        let dt = series.time.get(s.to).unwrap_or(&0.0) - series.time.get(s.from).unwrap_or(&0.0);
        if dt > 0.0 {
            s.length / dt
        } else {
            f64::INFINITY
        }
    };
    let slowest = strokes.iter().map(speed).fold(f64::INFINITY, f64::min);
    if !slowest.is_finite() || slowest <= 0.0 {
        return None;
    }
    let chosen: Vec<&Stroke> = strokes
        .iter()
        .filter(|s| speed(s) <= SLOWEST_BAND * slowest)
        .collect();
    let mut rows: Vec<[f64; 5]> = Vec::new();
    let mut stroke_m: f64 = 0.0;
    for stroke in &chosen {
        stroke_m = stroke_m.max(stroke.length);
        near_rest(series, stroke, &mut rows);
    }
    if rows.len() < LEAST_SAMPLES {
        return None;
    }
    fit(&rows, stroke_m, chosen.len())
}

/// Rows (x − mid, sgn v, v, F, stroke) of the samples of one stroke that are near rest.
fn near_rest(series: &Series, stroke: &Stroke, rows: &mut Vec<[f64; 5]>) {
    let count = stroke.to.saturating_sub(stroke.from);
    // Speed over about a fortieth of the stroke, so that noise does not choose the samples.
    let half = (count / 80).max(1);
    let (Some(x0), Some(x1)) = (series.travel.get(stroke.from), series.travel.get(stroke.to))
    else {
        return;
    };
    let mid = 0.5 * (x0 + x1);
    let mut found: Vec<[f64; 5]> = Vec::with_capacity(count);
    let mut fastest: f64 = 0.0;
    for i in (stroke.from + half)..=(stroke.to.saturating_sub(half)) {
        let at = |v: &[f64], k: usize| v.get(k).copied().unwrap_or(f64::NAN);
        let dt = at(&series.time, i + half) - at(&series.time, i - half);
        let v = (at(&series.travel, i + half) - at(&series.travel, i - half)) / dt;
        if v.is_finite() {
            fastest = fastest.max(v.abs());
            let direction = if stroke.rising { 1.0 } else { -1.0 };
            found.push([
                at(&series.travel, i) - mid,
                direction,
                v,
                at(&series.force, i),
                0.0,
            ]);
        }
    }
    rows.extend(
        found
            .into_iter()
            .filter(|r| r[2].abs() <= NEAR_REST * fastest),
    );
}

fn fit(rows: &[[f64; 5]], stroke_m: f64, strokes: usize) -> Option<GasEvidence> {
    let x_unit = stroke_m.max(f64::MIN_POSITIVE);
    let v_unit = rows.iter().map(|r| r[2].abs()).fold(0.0, f64::max);
    if v_unit <= 0.0 {
        return None;
    }
    let design = |r: &[f64; 5]| Vector4::new(1.0, r[0] / x_unit, r[1], r[2] / v_unit);
    let mut normal = Matrix4::zeros();
    let mut right = Vector4::zeros();
    for row in rows {
        let d = design(row);
        normal += d * d.transpose();
        right += d * row[3];
    }
    let inverse = normal.try_inverse()?;
    let beta = inverse * right;
    let squares: f64 = rows
        .iter()
        .map(|r| (r[3] - design(r).dot(&beta)).powi(2))
        .sum();
    let n = rows.len() as f64;
    // Neighbouring samples share their error; count one independent value per stroke end
    // and quarter, not per sample.
    let independent = (strokes as f64 * 8.0).min(n).max(5.0);
    let variance = squares / (n - 4.0) * (n / independent);
    let se = |i: usize| (inverse[(i, i)] * variance).max(0.0).sqrt();
    Some(GasEvidence {
        force_n: beta[0],
        force_se: se(0),
        rise_n_m: beta[1] / x_unit,
        rise_se: se(1) / x_unit,
        friction_n: beta[2],
        stroke_m,
    })
}
