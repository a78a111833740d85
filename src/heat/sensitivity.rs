//! Change of force and heat per degree at fixed speed, told apart from drift over cycles.

use serde::{Deserialize, Serialize};

use super::Measured;
use super::balance::Balance;
use super::energy::Friction;
use super::regress::in_time;
use crate::signal::least_squares;
use crate::steps::{CycleSummary, Step};

/// Change with temperature at fixed speed.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Sensitivity {
    /// Temperature the percentages refer to, °C.
    pub reference_c: f64,
    /// Compression force less gas and friction, % per °C of its value at `reference_c`.
    pub compression_percent_per_c: Option<Measured>,
    /// Rebound force, likewise.
    pub rebound_percent_per_c: Option<Measured>,
    /// Heat per cycle less friction, likewise.
    pub heat_percent_per_c: Option<Measured>,
    /// Drift of heat that does not go with temperature, % per 1000 cycles.
    pub drift_percent_per_1000_cycles: Option<Measured>,
    /// Change of the force at the reversals (gas), N per °C.
    pub gas_n_per_c: Option<Measured>,
    /// True if temperature and cycle count rise so alike that the two cannot be told apart:
    /// everything is then laid to temperature, and drift is `null`.
    pub drift_taken_as_none: bool,
    /// Span of temperature it rests on, °C.
    pub span_c: f64,
}

/// A smaller span of temperature says nothing, °C.
const LEAST_SPAN_C: f64 = 4.0;
/// Steps whose peak speeds and strokes agree within these shares are one speed.
const SAME_SPEED: f64 = 0.02;
const SAME_STROKE: f64 = 0.03;
/// Temperature and cycle count are told apart if the part of temperature that cycle count
/// does not explain is at least this share of its spread.
const TOLD_APART: f64 = 0.05;
/// Rounds in which levels at the reference are settled.
const ROUNDS: usize = 4;

/// One cycle or block.
#[derive(Debug, Clone, Copy)]
struct Row {
    group: usize,
    temperature: f64,
    cycles: f64,
    weight: f64,
    /// Speed over the group's, to the exponent of force: takes out a drive that slows.
    speed: f64,
    summary: CycleSummary,
    stroke: f64,
    /// Gas force by the line through the forces at the reversals, N: a single cycle's are
    /// two samples, as noisy as the channel.
    gas: f64,
}

/// Where the temperature of a cycle comes from.
pub(super) fn temperature_of(
    balance: Option<&Balance>,
    step: &Step,
    cycle: &CycleSummary,
) -> Option<f64> {
    let middle = cycle.start_s + 0.5 * f64::from(cycle.count) * cycle.period_s;
    balance
        .and_then(|b| b.oil_at(step.segment, middle))
        .or(cycle.temperature_c)
}

/// The sensitivities. `exponent` is that of force with speed; `reference` in °C.
pub(super) fn sensitivity(
    steps: &[Step],
    balance: Option<&Balance>,
    friction: Friction,
    exponent: f64,
    reference: f64,
    notes: &mut Vec<String>,
) -> Option<Sensitivity> {
    let mut rows = rows(steps, balance, exponent);
    let gas = gas(&mut rows);
    let low = rows
        .iter()
        .map(|r| r.temperature)
        .fold(f64::INFINITY, f64::min);
    let high = rows
        .iter()
        .map(|r| r.temperature)
        .fold(f64::NEG_INFINITY, f64::max);
    let span_c = high - low;
    if rows.is_empty() || span_c < LEAST_SPAN_C {
        notes.push(format!(
            "change per °C needs a span of {LEAST_SPAN_C:.0} °C at one speed; there are {:.1} °C",
            span_c.max(0.0)
        ));
        return None;
    }
    let rubbing = friction.map_or(0.0, |f| f.0);
    let told = told_apart(&rows);
    let fit = |value: &dyn Fn(&Row) -> f64| relative(&rows, value, reference, told);
    let ((compression, rebound), heat) = rayon::join(
        || {
            (
                fit(&|r| (r.summary.force_compression_n - r.gas - rubbing) / r.speed),
                fit(&|r| (r.gas - r.summary.force_rebound_n - rubbing) / r.speed),
            )
        },
        || fit(&|r| (r.summary.energy_j - 2.0 * rubbing * r.stroke) / r.speed),
    );
    // The gas line is common to all rows: its error adds to that of force, not to heat's.
    let gas_half = gas.and_then(|g| g.ci95).map_or(0.0, |[a, b]| 0.5 * (b - a));
    let per_c = |f: &Option<Relative>, gas_half: f64| {
        f.as_ref().map(|f| {
            let own = f.per_c.ci95.map_or(f64::NAN, |[a, b]| 0.5 * (b - a));
            Measured::around(f.per_c.value, own.hypot(100.0 * gas_half * f.per_newton))
        })
    };
    if !told {
        notes.push(
            "temperature and cycle count rise alike in this run: the change per °C takes all of it as \
             temperature's; a repeat of a speed after cooling would tell drift apart"
                .into(),
        );
    }
    Some(Sensitivity {
        reference_c: reference,
        compression_percent_per_c: per_c(&compression, gas_half),
        rebound_percent_per_c: per_c(&rebound, gas_half),
        heat_percent_per_c: per_c(&heat, 0.0),
        drift_percent_per_1000_cycles: heat.as_ref().and_then(|h| h.per_1000),
        gas_n_per_c: gas,
        drift_taken_as_none: !told,
        span_c,
    })
}

fn rows(steps: &[Step], balance: Option<&Balance>, exponent: f64) -> Vec<Row> {
    let mut groups: Vec<&Step> = Vec::new();
    let mut out = Vec::new();
    for step in steps {
        let alike = |other: &&Step| {
            (step.top_speed() / other.top_speed() - 1.0).abs() <= SAME_SPEED
                && (step.stroke_m / other.stroke_m - 1.0).abs() <= SAME_STROKE
        };
        let group = groups.iter().position(alike).unwrap_or_else(|| {
            groups.push(step);
            groups.len() - 1
        });
        let Some(base) = groups.get(group) else {
            continue;
        };
        let settling = step.series.first().map_or(0, |s| s.first) + step.settling_cycles;
        let pace = base.stroke_m * base.frequency_hz;
        for cycle in step.series.iter().filter(|c| c.first >= settling) {
            if let Some(temperature) = temperature_of(balance, step, cycle) {
                let now = cycle.stroke_m / cycle.period_s;
                out.push(Row {
                    group,
                    temperature,
                    cycles: cycle.first as f64 + 0.5 * f64::from(cycle.count),
                    weight: f64::from(cycle.count),
                    speed: libm::pow(now / pace, exponent),
                    summary: *cycle,
                    stroke: step.stroke_m,
                    gas: cycle.force_at_turns_n,
                });
            }
        }
    }
    // A speed with one reading carries no slope and would only cost a parameter.
    let counts: Vec<usize> = (0..groups.len())
        .map(|g| out.iter().filter(|r: &&Row| r.group == g).count())
        .collect();
    out.retain(|r| counts.get(r.group).is_some_and(|c| *c >= 2));
    out
}

fn groups(rows: &[Row]) -> Vec<usize> {
    let mut seen: Vec<usize> = rows.iter().map(|r| r.group).collect();
    seen.sort_unstable();
    seen.dedup();
    seen
}

/// One level per speed.
fn levels(rows: &[Row]) -> Vec<Vec<f64>> {
    groups(rows)
        .iter()
        .map(|g| {
            rows.iter()
                .map(|r| f64::from(u8::from(r.group == *g)))
                .collect()
        })
        .collect()
}

/// Whether temperature holds something that cycle count does not.
fn told_apart(rows: &[Row]) -> bool {
    let mut columns = levels(rows);
    let t: Vec<f64> = rows.iter().map(|r| r.temperature).collect();
    let w: Vec<f64> = rows.iter().map(|r| r.weight).collect();
    let rss = |columns: &[Vec<f64>]| least_squares(columns, &t, &w).map(|f| f.rss);
    let Some(alone) = rss(&columns) else {
        return false;
    };
    columns.push(rows.iter().map(|r| r.cycles).collect());
    rss(&columns).is_some_and(|with| with > TOLD_APART * TOLD_APART * alone)
}

struct Relative {
    /// % per °C.
    per_c: Measured,
    /// % per 1000 cycles.
    per_1000: Option<Measured>,
    /// Change of `per_c` (as a share) for a slope of one unit per °C added to every row.
    per_newton: f64,
}

/// `y = y_g·(1 + α(T − T_ref) + β·n)`, one level a speed, solved by repeated linear fits.
/// Speeds are weighted by how little they scatter.
fn relative(
    rows: &[Row],
    value: &dyn Fn(&Row) -> f64,
    reference: f64,
    with_drift: bool,
) -> Option<Relative> {
    let seen = groups(rows);
    let y: Vec<f64> = rows.iter().map(value).collect();
    let place: Vec<usize> = rows
        .iter()
        .map(|r| seen.iter().position(|g| *g == r.group).unwrap_or(0))
        .collect();
    let mut base: Vec<f64> = (0..seen.len())
        .map(|g| {
            let of: Vec<f64> = place
                .iter()
                .zip(&y)
                .filter(|(p, _)| **p == g)
                .map(|(_, y)| *y)
                .collect();
            of.iter().sum::<f64>() / of.len().max(1) as f64
        })
        .collect();
    let mut scatter = vec![1.0; seen.len()];
    let mut columns = levels(rows);
    columns.push(rows.iter().map(|r| r.temperature - reference).collect());
    if with_drift {
        let middle = rows.iter().map(|r| r.cycles).sum::<f64>() / rows.len() as f64;
        columns.push(rows.iter().map(|r| 1e-3 * (r.cycles - middle)).collect());
    }
    let mut fit = None;
    for round in 1..=ROUNDS {
        if base.iter().any(|b| *b <= 0.0 || !b.is_finite()) {
            return None;
        }
        let scaled: Vec<f64> = y.iter().zip(&place).map(|(y, p)| y / base[*p]).collect();
        let weights: Vec<f64> = rows
            .iter()
            .zip(&place)
            .map(|(r, p)| r.weight / (scatter[*p] * scatter[*p]))
            .collect();
        // Only the last round's errors are asked for.
        let (coefficients, residuals) = if round < ROUNDS {
            within_groups(&columns[seen.len()..], &scaled, &weights, &place)?
        } else {
            let found = fit.insert(in_time(&columns, &scaled, &weights)?);
            (found.coefficients.clone(), found.residuals.clone())
        };
        for (b, level) in base.iter_mut().zip(&coefficients) {
            *b *= level;
        }
        scatter = spread(&residuals, rows, &place, seen.len());
    }
    let fit = fit?;
    let at = seen.len();
    Some(Relative {
        per_newton: leverage(rows, &place, &base, &scatter),
        per_c: fit.measured(at, 100.0),
        per_1000: with_drift.then(|| fit.measured(at + 1, 100.0)),
    })
}

/// Least squares of one level a group and some slopes, by taking every group's weighted mean
/// off first (Frisch & Waugh 1933, Econometrica 1:387–401): coefficients, levels first, and
/// residuals, as [`least_squares`] with a column for each level would give them.
fn within_groups(
    slopes: &[Vec<f64>],
    y: &[f64],
    weights: &[f64],
    place: &[usize],
) -> Option<(Vec<f64>, Vec<f64>)> {
    let groups = place.iter().copied().max()? + 1;
    let means = |v: &[f64]| -> Vec<f64> {
        let mut sums = vec![(0.0, 0.0); groups];
        for ((v, w), p) in v.iter().zip(weights).zip(place) {
            sums[*p].0 += w * v;
            sums[*p].1 += w;
        }
        sums.iter().map(|(sum, weight)| sum / weight).collect()
    };
    let less = |v: &[f64], means: &[f64]| -> Vec<f64> {
        v.iter().zip(place).map(|(v, p)| v - means[*p]).collect()
    };
    let of_y = means(y);
    let of_slopes: Vec<Vec<f64>> = slopes.iter().map(|x| means(x)).collect();
    let columns: Vec<Vec<f64>> = slopes
        .iter()
        .zip(&of_slopes)
        .map(|(x, m)| less(x, m))
        .collect();
    let found = least_squares(&columns, &less(y, &of_y), weights)?;
    let level = |g: usize| {
        let carried = of_slopes.iter().zip(&found.coefficients);
        of_y[g] - carried.map(|(m, b)| m[g] * b).sum::<f64>()
    };
    let coefficients = (0..groups)
        .map(level)
        .chain(found.coefficients.iter().copied());
    Some((coefficients.collect(), found.residuals))
}

/// Mean of 1/level, weighted by what each speed tells about temperature.
fn leverage(rows: &[Row], place: &[usize], base: &[f64], scatter: &[f64]) -> f64 {
    let (mut sum, mut weight) = (0.0, 0.0);
    for (g, level) in base.iter().enumerate() {
        let of = || rows.iter().zip(place).filter(|(_, p)| **p == g);
        let total: f64 = of().map(|(r, _)| r.weight).sum();
        let mean = of().map(|(r, _)| r.weight * r.temperature).sum::<f64>() / total.max(1e-300);
        let told: f64 = of()
            .map(|(r, _)| r.weight * (r.temperature - mean).powi(2))
            .sum::<f64>()
            / scatter[g].powi(2);
        sum += told / level;
        weight += told;
    }
    if weight > 0.0 { sum / weight } else { 0.0 }
}

/// Scatter of each speed's residuals, with a floor so that two lucky readings do not rule.
fn spread(residuals: &[f64], rows: &[Row], place: &[usize], groups: usize) -> Vec<f64> {
    const FLOOR: f64 = 1e-3;
    (0..groups)
        .map(|g| {
            let (mut sum, mut n) = (0.0, 0.0);
            for ((r, row), p) in residuals.iter().zip(rows).zip(place) {
                if *p == g {
                    sum += row.weight * r * r;
                    n += 1.0;
                }
            }
            (sum / f64::max(n, 1.0)).sqrt().max(FLOOR)
        })
        .collect()
}

/// Slope of the force at the reversals with temperature, N/°C; puts the line's value in the
/// rows.
fn gas(rows: &mut [Row]) -> Option<Measured> {
    let mut columns = levels(rows);
    columns.push(rows.iter().map(|r| r.temperature).collect());
    let y: Vec<f64> = rows.iter().map(|r| r.summary.force_at_turns_n).collect();
    let w: Vec<f64> = rows.iter().map(|r| r.weight).collect();
    let at = columns.len() - 1;
    let fit = in_time(&columns, &y, &w)?;
    for (row, residual) in rows.iter_mut().zip(&fit.residuals) {
        row.gas -= residual;
    }
    Some(fit.measured(at, 1.0))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn taking_means_off_gives_what_columns_of_levels_give() {
        let place: Vec<usize> = (0..40).map(|i| i * 3 % 4).collect();
        let x: Vec<f64> = (0..40)
            .map(|i| f64::from(i) + (f64::from(i) * 1.7).sin())
            .collect();
        let z: Vec<f64> = (0..40).map(|i| (f64::from(i) * 0.3).cos()).collect();
        let weights: Vec<f64> = (0..40).map(|i| 1.0 + f64::from(i % 5)).collect();
        let y: Vec<f64> = (0..40)
            .map(|i| place[i] as f64 - 0.02 * x[i] + 0.5 * z[i] + 0.01 * (i as f64 * 2.3).sin())
            .collect();
        let mut columns: Vec<Vec<f64>> = (0..4)
            .map(|g| place.iter().map(|p| f64::from(u8::from(*p == g))).collect())
            .collect();
        columns.extend([x.clone(), z.clone()]);
        let whole = least_squares(&columns, &y, &weights).unwrap();
        let (coefficients, residuals) = within_groups(&[x, z], &y, &weights, &place).unwrap();
        for (a, b) in whole.coefficients.iter().zip(&coefficients) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
        for (a, b) in whole.residuals.iter().zip(&residuals) {
            assert!((a - b).abs() < 1e-12, "{a} {b}");
        }
    }
}
