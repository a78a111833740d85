//! Knees from whole loops: broken lines, their corners rounded or sharp, held against all
//! that the loops say of one direction ([`LoopCurve`]).
//!
//! Every loop runs through all speeds below its peak, so a knee between two speeds of the
//! ladder, or below the first, is in the samples. A stack of shims opens over a band of
//! speeds: the corner is a parabola over that band, and the knee is where the outer lines
//! cross. Intervals are profile intervals: all places of the knee, and all widths of its
//! band, that fit not significantly worse than the best, and for slopes the hull over them.

use nalgebra::{DMatrix, DVector, SMatrix, SVector};

use super::stated::shape;
use super::{Candidate, Fit, FitSettings, Knee, KneeBasis, NoFit, Piece};
use crate::statics::LoopCurve;
use crate::statistics::f_quantile;

/// Name of the basis.
const LOOPS: &str = "whole loops of all steps";
/// … where strokes stay at single speeds.
const STROKES: &str = "strokes at constant speed";
/// From so many pieces with samples on, loops run through all speeds.
const RUNS_THROUGH: usize = 20;
/// Fewer pieces of the speed scale than this with samples in them make no curve.
const FEWEST_CELLS: usize = 5;

/// Places of a knee that are looked at.
const PLACES: usize = 72;
/// Halvings between two places when the edge of an interval is closed in on.
const HALVINGS: usize = 5;
/// Places of each of two knees.
const PLACES_OF_TWO: usize = 26;
/// Half widths of the band over which a knee opens, in shares of its speed.
const BANDS: [f64; 6] = [0.0, 0.08, 0.16, 0.3, 0.5, 0.8];
/// Nodes on either side of a knee that samples must speak for.
const BESIDE: usize = 3;
/// Exponents of the power law that is tried.
const EXPONENTS: [f64; 13] = [
    0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.1, 1.25, 1.4, 1.6, 1.8, 2.0,
];
/// A fit within this share of the largest force is as good as a bench can tell: the misfit of
/// a model below it is not held against it.
const AS_GOOD: f64 = 0.002;

/// Two knees are two only where they move the force by this share of the largest beyond what
/// one does …
const SECOND_BEND: f64 = 0.015;
/// … and each changes the slope by this share of the steeper one.
const PLAIN_BEND: f64 = 0.3;
/// Speed comes from the folded travel and is as good as that: no slope is known better than to
/// this share, no knee better than to the next.
const SLOPE_FLOOR: f64 = 0.003;
const KNEE_FLOOR: f64 = 0.005;

/// A column of a model with what the loops make of it.
#[derive(Debug, Clone)]
struct Column {
    values: DVector<f64>,
    informed: DVector<f64>,
    right: f64,
}

/// The quadratic form ready for models.
struct Ground<'a> {
    curve: &'a LoopCurve,
    level: Column,
    speed: Column,
    /// Forces at the nodes of the best curve of any shape, N.
    free: DVector<f64>,
    /// Its `Q`.
    free_badness: f64,
    /// Independent forces at most: nodes that samples speak for, or pieces with samples.
    nodes: usize,
    /// Evenness of the noise that a model may miss by, in units of `Q`: see [`AS_GOOD`].
    slack: f64,
}

/// A model fitted.
#[derive(Debug, Clone)]
struct Tried {
    name: &'static str,
    knees: Vec<f64>,
    band: f64,
    coefficients: Vec<f64>,
    parameters: usize,
    badness: f64,
    columns: Vec<Column>,
}

impl<'a> Ground<'a> {
    fn new(curve: &'a LoopCurve) -> Option<Self> {
        let n = curve.speeds.len();
        let column = |f: &dyn Fn(f64) -> f64| {
            let values = DVector::from_iterator(n, curve.speeds.iter().map(|v| f(*v)));
            let informed = &curve.information * &values;
            let right = curve.right.dot(&values);
            Column {
                values,
                informed,
                right,
            }
        };
        let (first, last) = curve.spoken;
        let count = last + 1 - first;
        let own = curve
            .information
            .view((first, first), (count, count))
            .into_owned();
        let mut system = own.clone();
        let mean = own.diagonal().mean();
        for j in 0..count {
            system[(j, j)] += 1e-9 * mean + f64::MIN_POSITIVE;
        }
        let right = curve.right.rows(first, count).into_owned();
        let factor = nalgebra::Cholesky::new(system)?;
        let solved = factor.solve(&right);
        let free_badness = curve.constant - solved.dot(&right);
        let mut free = DVector::zeros(n);
        free.rows_mut(first, count).copy_from(&solved);
        let miss = DVector::from_element(count, AS_GOOD * curve.largest);
        let slack = miss.component_mul(&miss).dot(&own.diagonal()).max(0.0);
        Some(Self {
            curve,
            level: column(&|_| 1.0),
            speed: column(&|v| v),
            free,
            free_badness,
            nodes: count.min(curve.cells),
            slack,
        })
    }

    fn column(&self, f: impl Fn(f64) -> f64) -> Column {
        let n = self.curve.speeds.len();
        let values = DVector::from_iterator(n, self.curve.speeds.iter().map(|v| f(*v)));
        Column {
            informed: &self.curve.information * &values,
            right: self.curve.right.dot(&values),
            values,
        }
    }

    /// Least squares of up to two columns beside level and speed: coefficients and `Q`.
    fn solve<const N: usize>(&self, extra: [&Column; N]) -> Option<(Vec<f64>, f64)> {
        let columns: Vec<&Column> = [&self.level, &self.speed]
            .into_iter()
            .chain(extra)
            .collect();
        let k = columns.len();
        let system = SMatrix::<f64, 4, 4>::from_fn(|i, j| match (columns.get(i), columns.get(j)) {
            (Some(a), Some(b)) => a.values.dot(&b.informed),
            _ => f64::from(u8::from(i == j)),
        });
        let right = SVector::<f64, 4>::from_fn(|i, _| columns.get(i).map_or(0.0, |c| c.right));
        let solved = system.cholesky()?.solve(&right);
        let badness = self.curve.constant - solved.dot(&right);
        Some((solved.iter().take(k).copied().collect(), badness))
    }

    /// Covariance of the coefficients in units of the noise.
    fn covariance(columns: &[&Column]) -> Option<DMatrix<f64>> {
        DMatrix::from_fn(columns.len(), columns.len(), |i, j| {
            columns[i].values.dot(&columns[j].informed)
        })
        .try_inverse()
    }

    /// Speeds a knee may have.
    fn places(&self, count: usize) -> Vec<f64> {
        let (first, last) = self.curve.spoken;
        let (low, high) = (first + BESIDE, last.saturating_sub(BESIDE));
        if low >= high {
            return Vec::new();
        }
        let (low, high) = (self.curve.speeds[low], self.curve.speeds[high]);
        let step = (high / low).ln() / (count - 1) as f64;
        (0..count).map(|k| low * (step * k as f64).exp()).collect()
    }

    /// Root mean square of a model about the best curve of any shape, N, over the nodes.
    fn apart(&self, tried: &Tried) -> (f64, f64) {
        let (first, last) = self.curve.spoken;
        let gaps: Vec<f64> = (first..=last)
            .map(|j| tried.value_at_node(j) - self.free[j])
            .collect();
        let squares: f64 = gaps.iter().map(|g| g * g).sum();
        (
            (squares / gaps.len() as f64).sqrt(),
            gaps.iter().map(|g| g.abs()).fold(0.0, f64::max),
        )
    }
}

impl Tried {
    /// Whether every knee changes the slope plainly.
    fn bends_plainly(&self) -> bool {
        self.slopes()
            .windows(2)
            .all(|s| (s[1] - s[0]).abs() > PLAIN_BEND * s[0].abs().max(s[1].abs()))
    }

    fn value_at_node(&self, j: usize) -> f64 {
        self.columns
            .iter()
            .zip(&self.coefficients)
            .map(|(c, b)| c.values[j] * b)
            .sum()
    }

    /// Slopes, speed rising.
    fn slopes(&self) -> Vec<f64> {
        let mut slope = self.coefficients[1];
        let mut out = vec![slope];
        for bend in self.coefficients.iter().skip(2).take(self.knees.len()) {
            slope += bend;
            out.push(slope);
        }
        out
    }
}

/// What a knee adds to a line: nought below its band, the speed beyond the knee above it.
fn bend(speed: f64, knee: f64, band: f64) -> f64 {
    let half = band * knee;
    let beyond = speed - knee;
    if beyond.abs() < half {
        (beyond + half).powi(2) / (4.0 * half)
    } else {
        beyond.max(0.0)
    }
}

/// Fits a line, one knee, two knees and a power law to one direction, and chooses.
///
/// # Errors
/// [`NoFit`] where too few speeds are passed through.
pub(super) fn fit_loops(curve: &LoopCurve, settings: &FitSettings) -> Result<Fit, NoFit> {
    if curve.cells < FEWEST_CELLS {
        return Err(NoFit::because("the loops stay at single speeds"));
    }
    let ground = Ground::new(curve)
        .ok_or_else(|| NoFit::because("the loops pass through too few speeds for a curve"))?;
    let (coefficients, badness) = ground
        .solve([])
        .ok_or_else(|| NoFit::because("the loops pass through too few speeds for a line"))?;
    let line = Tried {
        name: "line",
        knees: Vec::new(),
        band: 0.0,
        coefficients,
        parameters: 2,
        badness,
        columns: vec![ground.level.clone(), ground.speed.clone()],
    };
    let knee = (settings.max_knees >= 1)
        .then(|| one_knee(&ground))
        .flatten();
    let two = (settings.max_knees >= 2)
        .then(|| two_knees(&ground))
        .flatten();
    let power = power_law(&ground);
    Ok(stated(
        &ground,
        line,
        knee.as_ref(),
        two.as_ref(),
        power,
        settings,
    ))
}

/// One knee's profile: for every place and band, the fit.
struct Profile {
    best: Tried,
    /// (knee, band, `Q`).
    looks: Vec<(f64, f64, f64)>,
}

fn one_knee(ground: &Ground<'_>) -> Option<Profile> {
    let mut looks = Vec::new();
    let mut best: Option<(f64, f64, f64)> = None;
    let mut look = |knee: f64, band: f64, best: &mut Option<(f64, f64, f64)>| {
        let column = ground.column(|v| bend(v, knee, band));
        if let Some((_, badness)) = ground.solve([&column]) {
            looks.push((knee, band, badness));
            if best.is_none_or(|b| badness < b.2) {
                *best = Some((knee, band, badness));
            }
        }
    };
    let places = ground.places(PLACES);
    for knee in &places {
        for band in BANDS {
            look(*knee, band, &mut best);
        }
    }
    // Closer looks about the best.
    let mut width = (places.last()? / places.first()?).ln() / PLACES as f64;
    for _ in 0..3 {
        let (at, band, _) = best?;
        for k in -4..=4 {
            let knee = at * (width * f64::from(k) / 4.0).exp();
            let (low, high) = (places.first()?, places.last()?);
            if knee >= *low && knee <= *high {
                look(knee, band, &mut best);
            }
        }
        width /= 4.0;
    }
    let (knee, band, badness) = best?;
    let column = ground.column(|v| bend(v, knee, band));
    let (coefficients, _) = ground.solve([&column])?;
    Some(Profile {
        best: Tried {
            name: "one knee",
            knees: vec![knee],
            band,
            coefficients,
            parameters: 4,
            badness,
            columns: vec![ground.level.clone(), ground.speed.clone(), column],
        },
        looks,
    })
}

/// Two knees, and every pair of places that was looked at with its `Q`.
type TwoKnees = (Tried, Vec<([f64; 2], f64)>);

fn two_knees(ground: &Ground<'_>) -> Option<TwoKnees> {
    let places = ground.places(PLACES_OF_TWO);
    let columns: Vec<Column> = places
        .iter()
        .map(|knee| ground.column(|v| bend(v, *knee, 0.0)))
        .collect();
    let mut looks = Vec::new();
    let mut best: Option<(f64, f64, f64)> = None;
    for i in 0..places.len() {
        for j in i + 2..places.len() {
            if let Some((_, badness)) = ground.solve([&columns[i], &columns[j]]) {
                looks.push(([places[i], places[j]], badness));
                if best.is_none_or(|b| badness < b.2) {
                    best = Some((places[i], places[j], badness));
                }
            }
        }
    }
    let mut width = (places.last()? / places.first()?).ln() / PLACES_OF_TWO as f64;
    for _ in 0..4 {
        let (a, b, _) = best?;
        for i in -2..=2 {
            for j in -2..=2 {
                let near = |at: f64, k: i32| at * (width * f64::from(k) / 3.0).exp();
                let (one, other) = (near(a, i), near(b, j));
                if one < places[0] || other > *places.last()? || other < 1.2 * one {
                    continue;
                }
                let (c, d) = (
                    ground.column(|v| bend(v, one, 0.0)),
                    ground.column(|v| bend(v, other, 0.0)),
                );
                if let Some((_, badness)) = ground.solve([&c, &d]) {
                    looks.push(([one, other], badness));
                    if best.is_none_or(|b| badness < b.2) {
                        best = Some((one, other, badness));
                    }
                }
            }
        }
        width /= 2.0;
    }
    let (a, b, badness) = best?;
    let (c, d) = (
        ground.column(|v| bend(v, a, 0.0)),
        ground.column(|v| bend(v, b, 0.0)),
    );
    let (coefficients, _) = ground.solve([&c, &d])?;
    let tried = Tried {
        name: "two knees",
        knees: vec![a, b],
        band: 0.0,
        coefficients,
        parameters: 6,
        badness,
        columns: vec![ground.level.clone(), ground.speed.clone(), c, d],
    };
    Some((tried, looks))
}

/// `F = F₀ + c vᵖ`.
fn power_law(ground: &Ground<'_>) -> Option<(f64, f64)> {
    EXPONENTS
        .iter()
        .filter_map(|p| {
            let column = ground.column(|v| v.powf(*p));
            // Level and power alone: the speed column is left out.
            let a = ground.level.values.dot(&ground.level.informed);
            let b = ground.level.values.dot(&column.informed);
            let c = column.values.dot(&column.informed);
            let det = a * c - b * b;
            (det > 0.0).then(|| {
                let x = (ground.level.right * c - column.right * b) / det;
                let y = (column.right * a - ground.level.right * b) / det;
                let badness = ground.curve.constant - x * ground.level.right - y * column.right;
                (*p, badness)
            })
        })
        .min_by(|a, b| a.1.total_cmp(&b.1))
}

/// How ill a model fits beyond any curve, over what the richest leaves: one is noise alone.
fn dispersion(ground: &Ground<'_>, badness: f64, parameters: usize) -> f64 {
    let spare = ground.nodes.saturating_sub(parameters).max(1) as f64;
    ((badness - ground.free_badness) / spare).max(1.0)
}

fn stated(
    ground: &Ground<'_>,
    line: Tried,
    knee: Option<&Profile>,
    two: Option<&TwoKnees>,
    power: Option<(f64, f64)>,
    settings: &FitSettings,
) -> Fit {
    let richest = two
        .map(|t| (t.0.badness, 6))
        .into_iter()
        .chain(knee.map(|k| (k.best.badness, 4)))
        .min_by(|a, b| a.0.total_cmp(&b.0))
        .unwrap_or((line.badness, 2));
    let noise = dispersion(ground, richest.0, richest.1).max(ground.slack / ground.nodes as f64);
    let criterion = |badness: f64, parameters: usize| {
        let (k, n) = ((parameters + 1) as f64, ground.nodes as f64);
        (badness - ground.free_badness) / noise
            + 2.0 * k
            + 2.0 * k * (k + 1.0) / (n - k - 1.0).max(1.0)
    };
    let mut candidates = Vec::new();
    let mut tried: Vec<Tried> = vec![line];
    tried.extend(knee.map(|k| k.best.clone()));
    tried.extend(two.map(|t| t.0.clone()));
    let mut taken = 0;
    for (i, t) in tried.iter().enumerate() {
        let aicc = criterion(t.badness, t.parameters);
        let now = criterion(tried[taken].badness, tried[taken].parameters);
        let moved = (ground.curve.spoken.0..=ground.curve.spoken.1)
            .map(|j| (t.value_at_node(j) - tried[taken].value_at_node(j)).abs())
            .fold(0.0, f64::max);
        let (bend, plain) = if t.knees.len() > 1 {
            (SECOND_BEND, t.bends_plainly())
        } else {
            (settings.material_bend, true)
        };
        let worth = i > 0
            && plain
            && aicc < now - settings.prefer_simpler_within
            && moved > bend * ground.curve.largest;
        candidates.push(Candidate {
            model: t.name.into(),
            knees: t.knees.clone(),
            aicc: Some(aicc),
            rmse_n: ground.apart(t).0,
            segments: pieces(ground, t, &[]),
            chance: None,
        });
        if worth {
            taken = i;
        }
    }
    let mut notes = Vec::new();
    let chosen = &tried[taken];
    if let Some((exponent, badness)) = power {
        let aicc = criterion(badness, 3);
        candidates.push(Candidate {
            model: format!("power law, exponent {exponent}"),
            knees: Vec::new(),
            aicc: Some(aicc),
            rmse_n: 0.0,
            segments: Vec::new(),
            chance: None,
        });
        if taken > 0 && aicc < criterion(chosen.badness, chosen.parameters) - 10.0 {
            notes.push(format!(
                "the force rises smoothly, much like speed to the power {exponent}: a knee is where two lines \
                 would cross, not a place where a valve opens"
            ));
        }
    }
    let spare = ground.nodes.saturating_sub(chosen.parameters).max(2) as f64;
    let scale = dispersion(ground, chosen.badness, chosen.parameters);
    let room = scale * f_quantile(settings.confidence, 1.0, spare).unwrap_or(5.0);
    let limit = chosen.badness + room;
    let around = match (taken, knee, two) {
        (1, Some(profile), _) => around_one(ground, profile, limit),
        (2, _, Some((best, looks))) => around_two(ground, best, looks, limit),
        _ => around_line(ground, chosen, room),
    };
    let around = around.not_below_the_floor();
    let runs_through = ground.curve.cells >= RUNS_THROUGH;
    let segments = pieces(ground, chosen, &around.slopes);
    let knees = chosen
        .knees
        .iter()
        .zip(&around.knees)
        .zip(&around.forces)
        .map(|((v, ci), force)| Knee {
            velocity_m_s: *v,
            force_n: line_force(chosen, *v),
            ci95_m_s: *ci,
            force_ci95_n: Some(*force),
            rounding_m_s: (chosen.knees.len() == 1).then_some(chosen.band * v),
            basis: if runs_through {
                KneeBasis::Both
            } else {
                KneeBasis::Peaks
            },
        })
        .collect();
    let (rmse, largest) = ground.apart(chosen);
    let (first, last) = ground.curve.spoken;
    let count = (last + 1 - first) as f64;
    let mean = (first..=last).map(|j| ground.free[j]).sum::<f64>() / count;
    let spread: f64 = (first..=last)
        .map(|j| (ground.free[j] - mean).powi(2))
        .sum();
    let slopes = chosen.slopes();
    let falls = around.slopes.last().is_some_and(|s| s[1] < 0.0) && slopes.len() > 1;
    Fit {
        model: if falls { "regressive" } else { shape(&slopes) }.into(),
        segments,
        knees,
        r2: (spread > 0.0).then(|| 1.0 - rmse * rmse * count / spread),
        rmse_n: rmse,
        max_residual_n: largest,
        points: ground.nodes,
        candidates,
        basis: if runs_through { LOOPS } else { STROKES }.into(),
        notes,
        solution: None,
    }
}

/// Force where the outer lines of a knee cross, or of the line at a speed, N.
fn line_force(tried: &Tried, speed: f64) -> f64 {
    tried.coefficients[0]
        + tried.coefficients[1] * speed
        + tried
            .knees
            .iter()
            .zip(tried.coefficients.iter().skip(2))
            .map(|(k, b)| b * (speed - k).max(0.0))
            .sum::<f64>()
}

fn pieces(ground: &Ground<'_>, tried: &Tried, intervals: &[[f64; 2]]) -> Vec<Piece> {
    let [low, high] = ground.curve.range;
    tried
        .slopes()
        .iter()
        .enumerate()
        .map(|(j, slope)| {
            let from = if j == 0 { low } else { tried.knees[j - 1] };
            Piece {
                from_m_s: from,
                to_m_s: tried.knees.get(j).copied().unwrap_or(high),
                slope_n_s_m: *slope,
                intercept_n: line_force(tried, if j == 0 { 0.0 } else { from })
                    - if j == 0 { 0.0 } else { slope * from },
                slope_ci95_n_s_m: intervals.get(j).copied(),
            }
        })
        .collect()
}

/// Intervals of a chosen model.
#[derive(Debug, Default)]
struct Around {
    knees: Vec<[f64; 2]>,
    forces: Vec<[f64; 2]>,
    slopes: Vec<[f64; 2]>,
}

impl Around {
    fn not_below_the_floor(mut self) -> Self {
        for (intervals, floor) in [
            (&mut self.slopes, SLOPE_FLOOR),
            (&mut self.knees, KNEE_FLOOR),
        ] {
            for own in intervals {
                let more = floor * 0.5 * (own[0] + own[1]).abs();
                *own = [own[0] - more, own[1] + more];
            }
        }
        self
    }
}

fn widen(own: &mut Option<[f64; 2]>, value: f64, half: f64) {
    let half = if half.is_finite() { half } else { 0.0 };
    let (low, high) = (value - half, value + half);
    *own = Some(own.map_or([low, high], |o| [o[0].min(low), o[1].max(high)]));
}

fn around_line(ground: &Ground<'_>, line: &Tried, room: f64) -> Around {
    let columns = [&ground.level, &ground.speed];
    let half =
        Ground::covariance(&columns).map_or(f64::NAN, |c| (room * c[(1, 1)].max(0.0)).sqrt());
    let slope = line.coefficients[1];
    Around {
        slopes: vec![[slope - half, slope + half]],
        ..Around::default()
    }
}

fn around_one(ground: &Ground<'_>, profile: &Profile, limit: f64) -> Around {
    let mut knees = None;
    let mut forces = None;
    let mut slopes = [None; 2];
    let step = ground
        .places(PLACES)
        .windows(2)
        .next()
        .map_or(0.0, |w| (w[1] / w[0]).ln());
    for (knee, band, badness) in profile.looks.iter().filter(|l| l.2 <= limit) {
        widen(&mut knees, *knee, 0.0);
        let column = ground.column(|v| bend(v, *knee, *band));
        let columns = [&ground.level, &ground.speed, &column];
        let (Some((b, _)), Some(c)) = (ground.solve([&column]), Ground::covariance(&columns))
        else {
            continue;
        };
        let room = limit - badness;
        let half = |g: [f64; 3]| {
            let mut variance = 0.0;
            for i in 0..3 {
                for j in 0..3 {
                    variance += g[i] * g[j] * c[(i, j)];
                }
            }
            (room * variance.max(0.0)).sqrt()
        };
        widen(&mut slopes[0], b[1], half([0.0, 1.0, 0.0]));
        widen(&mut slopes[1], b[1] + b[2], half([0.0, 1.0, 1.0]));
        widen(&mut forces, b[0] + b[1] * knee, half([1.0, *knee, 0.0]));
    }
    let best = profile.best.knees[0];
    let mut own = knees.unwrap_or([best; 2]);
    // Between the last place inside and the first one outside, the edge is closed in on.
    let inside = |knee: f64| {
        BANDS.iter().any(|band| {
            let column = ground.column(|v| bend(v, knee, *band));
            ground
                .solve([&column])
                .is_some_and(|(_, badness)| badness <= limit)
        })
    };
    for (end, outward) in own.iter_mut().zip([-step, step]) {
        let (mut within, mut without) = (*end, *end * outward.exp());
        for _ in 0..HALVINGS {
            let middle = (within * without).sqrt();
            if inside(middle) {
                within = middle;
            } else {
                without = middle;
            }
        }
        *end = without;
    }
    let slope = profile.best.slopes();
    let force = line_force(&profile.best, best);
    Around {
        knees: vec![own],
        forces: vec![forces.unwrap_or([force; 2])],
        slopes: slopes
            .iter()
            .zip(slope)
            .map(|(s, own)| s.unwrap_or([own; 2]))
            .collect(),
    }
}

fn around_two(ground: &Ground<'_>, best: &Tried, looks: &[([f64; 2], f64)], limit: f64) -> Around {
    let mut knees = [None; 2];
    let mut forces = [None; 2];
    let mut slopes = [None; 3];
    let own = ([best.knees[0], best.knees[1]], best.badness);
    for (at, badness) in looks.iter().filter(|l| l.1 <= limit).chain([&own]) {
        let (c, d) = (
            ground.column(|v| bend(v, at[0], 0.0)),
            ground.column(|v| bend(v, at[1], 0.0)),
        );
        let columns = [&ground.level, &ground.speed, &c, &d];
        let (Some((b, _)), Some(cov)) = (ground.solve([&c, &d]), Ground::covariance(&columns))
        else {
            continue;
        };
        let room = (limit - badness).max(0.0);
        let half = |g: [f64; 4]| {
            let mut variance = 0.0;
            for i in 0..4 {
                for j in 0..4 {
                    variance += g[i] * g[j] * cov[(i, j)];
                }
            }
            (room * variance.max(0.0)).sqrt()
        };
        widen(&mut knees[0], at[0], 0.02 * at[0]);
        widen(&mut knees[1], at[1], 0.02 * at[1]);
        widen(&mut slopes[0], b[1], half([0.0, 1.0, 0.0, 0.0]));
        widen(&mut slopes[1], b[1] + b[2], half([0.0, 1.0, 1.0, 0.0]));
        widen(
            &mut slopes[2],
            b[1] + b[2] + b[3],
            half([0.0, 1.0, 1.0, 1.0]),
        );
        widen(
            &mut forces[0],
            b[0] + b[1] * at[0],
            half([1.0, at[0], 0.0, 0.0]),
        );
        let reach = at[1] - at[0];
        widen(
            &mut forces[1],
            b[0] + b[1] * at[1] + b[2] * reach,
            half([1.0, at[1], reach, 0.0]),
        );
    }
    Around {
        knees: knees.iter().flatten().copied().collect(),
        forces: forces.iter().flatten().copied().collect(),
        slopes: slopes.iter().flatten().copied().collect(),
    }
}
