//! Fade: force, heat, gas and lost motion against cycle number within a long step.

use rayon::prelude::*;
use serde::{Deserialize, Serialize};

use super::Measured;
use super::regress::{in_time, lag_one};
use crate::fits::{Chosen, FitSettings, Points, Segmented, models};
use crate::signal::{least_squares, residual_squares};
use crate::statistics::t_quantile;
use crate::steps::{CycleSummary, Step};

/// What one step did over its cycles.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct StepFade {
    /// Step index.
    pub step: usize,
    /// Whole cycles.
    pub cycles: u64,
    /// Each quantity followed.
    pub courses: Vec<Course>,
}

/// A quantity followed over the cycles of a step.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Course {
    /// What: `compression force`, `rebound force`, `heat`, `gas force`, `lost motion compression`,
    /// `lost motion rebound`.
    pub what: String,
    /// Unit of `start` and `end`.
    pub unit: String,
    /// Mean over the first tenth of the cycles.
    pub start: f64,
    /// Mean over the last tenth.
    pub end: f64,
    /// End less start.
    pub change: Measured,
    /// The same over the start; `null` for quantities that may be near zero.
    pub change_share: Option<Measured>,
    /// The shape that describes it best: `steady`, `line`, `settling` (towards a level),
    /// `slowing` (the same, but the level is too far off to be told), `one break`, `two breaks`.
    pub shape: String,
    /// Cycles after which half of the change towards the level has happened (`settling`).
    pub half_life_cycles: Option<Measured>,
    /// The level it settles to.
    pub settles_at: Option<f64>,
    /// Cycle numbers where the slope changes, with their 95 % intervals.
    pub breaks: Vec<Measured>,
    /// Slope of each straight piece, per 1000 cycles.
    pub slopes_per_1000_cycles: Vec<f64>,
    /// Cycle number, value, and the value of the shape, for plots.
    #[serde(skip)]
    pub points: Vec<(f64, f64, f64)>,
}

/// A course needs a step of at least this many settled cycles or blocks, the outermost of which
/// it leaves out.
const LEAST_CYCLES: usize = 12;
const LEAST_POINTS: usize = LEAST_CYCLES - 2;
/// Points a course is reduced to, by averaging neighbours: enough for breaks to a hundredth
/// of the run, few enough for the exact search.
const POINTS: usize = 128;
/// A change below this share of the level is steady whatever the statistics say: the
/// repeatability of force is no better.
const MATERIAL: f64 = 0.003;
/// A more complicated shape must beat the simpler by this in AICc (Burnham & Anderson 2002).
const BETTER_BY: f64 = 6.0;
/// A half-life beyond this share of the run is not stated: half of the change has not
/// happened yet, so the level is a guess.
const TOLD_HALF_LIFE: f64 = 1.0;
/// Half-lives looked for, as shares of the run.
const HALF_LIVES: (f64, f64) = (0.01, 3.0);
/// Simulated runs behind each break: resolves 1 %.
const GUARD_RUNS: usize = 199;

/// Follows every quantity through every step that is long enough.
pub(super) fn fade(steps: &[Step]) -> Vec<StepFade> {
    steps.par_iter().filter_map(of_step).collect()
}

fn of_step(step: &Step) -> Option<StepFade> {
    Some(StepFade {
        step: step.index,
        cycles: step.cycles,
        courses: courses(&step.series, step.settling_cycles)?,
    })
}

/// The courses of a step's cycles, but for so many that settle. `None` if it is too short.
fn courses(series: &[CycleSummary], settling: u64) -> Option<Vec<Course>> {
    let (first, last) = (series.first()?.first, series.last()?.first);
    let settled: Vec<&CycleSummary> = series
        .iter()
        .filter(|c| c.first >= first + settling)
        .collect();
    if settled.len() < LEAST_CYCLES {
        return None;
    }
    // The outermost cycles touch those before and after, at other speeds.
    let outermost = |c: &CycleSummary| c.count == 1 && (c.first == first || c.first == last);
    let series = || settled.iter().filter(|c| !outermost(c));
    type Read = fn(&CycleSummary) -> Option<f64>;
    let followed: [(&str, &str, bool, Read); 6] = [
        ("compression force", "N", true, |c| {
            Some(c.force_compression_n)
        }),
        ("rebound force", "N", true, |c| Some(c.force_rebound_n)),
        ("heat", "J", true, |c| Some(c.energy_j)),
        ("gas force", "N", false, |c| Some(c.force_at_turns_n)),
        ("lost motion compression", "m", false, |c| {
            c.lost_compression_m
        }),
        ("lost motion rebound", "m", false, |c| c.lost_rebound_m),
    ];
    let courses = followed.iter().filter_map(|(what, unit, shares, read)| {
        let points: Vec<(f64, f64, f64)> = series()
            .filter_map(|c| {
                let y = read(c).filter(|y| y.is_finite())?;
                let n = f64::from(c.count);
                Some(((c.first - first) as f64 + 0.5 * (n - 1.0), y, n))
            })
            .collect();
        course(&points, what, unit, *shares)
    });
    Some(courses.collect())
}

/// At most [`POINTS`] points (cycle number, value), neighbours averaged.
fn reduced(points: &[(f64, f64, f64)]) -> (Vec<f64>, Vec<f64>) {
    let total: f64 = points.iter().map(|p| p.2).sum();
    let block = total / points.len().min(POINTS) as f64;
    let (mut x, mut y) = (Vec::new(), Vec::new());
    let (mut sx, mut sy, mut sw, mut done) = (0.0, 0.0, 0.0, 0.0);
    for (i, &(n, v, w)) in points.iter().enumerate() {
        sx += w * n;
        sy += w * v;
        sw += w;
        let due = block * (x.len() as f64 + 1.0);
        if done + sw >= due - 0.5 * w || i + 1 == points.len() {
            x.push(sx / sw);
            y.push(sy / sw);
            done += sw;
            (sx, sy, sw) = (0.0, 0.0, 0.0);
        }
    }
    (x, y)
}

/// A shape that was tried.
struct Tried {
    shape: &'static str,
    aicc: f64,
    residuals: Vec<f64>,
    half_life: Option<Measured>,
    settles_at: Option<f64>,
    /// Straight pieces; their breaks and slopes are stated once the shape is taken.
    pieces: Option<Chosen>,
}

fn course(points: &[(f64, f64, f64)], what: &str, unit: &str, shares: bool) -> Option<Course> {
    if points.len() < LEAST_POINTS {
        return None;
    }
    let (x, y) = reduced(points);
    let n = y.len();
    let tenth = (n / 10).max(2);
    let mean = |v: &[f64]| v.iter().sum::<f64>() / v.len() as f64;
    let (start, end) = (mean(&y[..tenth]), mean(&y[n - tenth..]));
    let level = y.iter().map(|v| v.abs()).fold(0.0, f64::max);
    let floor = n as f64 * (1e-9 * level).powi(2);
    let settings = FitSettings {
        guard_runs: GUARD_RUNS,
        ..FitSettings::default()
    };
    let best = best_shape(&x, &y, level, floor, shares, &settings)?;
    // Scatter about the shape, correlation allowed for, of a difference of two means.
    let rho = lag_one(&best.residuals).clamp(0.0, 0.95);
    let df = (n as f64 * (1.0 - rho) / (1.0 + rho) - 4.0).max(2.0);
    let rss: f64 = best.residuals.iter().map(|r| r * r).sum();
    let spread = (rss / df.max(1.0) * (1.0 - rho) / (1.0 + rho)).sqrt();
    let widened = spread * ((1.0 + rho) / (1.0 - rho)).sqrt();
    let half = t_quantile(0.975, df)? * widened * (2.0 / tenth as f64).sqrt();
    let change = Measured::around(end - start, half);
    let change_share = (shares && start != 0.0).then(|| {
        // Of the size: a rebound force of −900 N that fades to −800 N has lost, not gained.
        Measured::around(end / start - 1.0, (half / start).abs())
    });
    let shaped = x.iter().zip(&y).zip(&best.residuals);
    let breaks = best.pieces.as_ref().map(|p| p.knees(&settings));
    let slopes = best.pieces.as_ref().map(|p| &p.solution().slopes);
    Some(Course {
        points: shaped.map(|((x, y), r)| (*x, *y, y - r)).collect(),
        what: what.into(),
        unit: unit.into(),
        start,
        end,
        change,
        change_share,
        shape: best.shape.into(),
        half_life_cycles: best.half_life,
        settles_at: best.settles_at,
        breaks: breaks
            .iter()
            .flatten()
            .map(|k| Measured {
                value: k.velocity_m_s,
                ci95: Some(k.ci95_m_s),
            })
            .collect(),
        slopes_per_1000_cycles: match (best.shape, slopes) {
            ("steady", _) => vec![0.0],
            (_, slopes) => slopes.into_iter().flatten().map(|s| 1e3 * s).collect(),
        },
    })
}

/// `n·ln(RSS/n) + 2K + 2K(K+1)/(n−K−1)`, `K` with the variance counted.
fn aicc(rss: f64, n: usize, k: usize) -> f64 {
    let (n, k) = (n as f64, k as f64);
    n * (rss / n).ln() + 2.0 * k + 2.0 * k * (k + 1.0) / (n - k - 1.0).max(1.0)
}

fn best_shape(
    x: &[f64],
    y: &[f64],
    level: f64,
    floor: f64,
    shares: bool,
    settings: &FitSettings,
) -> Option<Tried> {
    let n = y.len();
    let mean = y.iter().sum::<f64>() / n as f64;
    let flat: Vec<f64> = y.iter().map(|v| v - mean).collect();
    let rss = |r: &[f64]| r.iter().map(|r| r * r).sum::<f64>().max(floor);
    let mut best = Tried {
        shape: "steady",
        aicc: aicc(rss(&flat), n, 2),
        residuals: flat,
        half_life: None,
        settles_at: None,
        pieces: None,
    };
    let low = y.iter().copied().fold(f64::INFINITY, f64::min);
    let high = y.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    let exactly_flat = rss(&best.residuals) <= floor;
    if exactly_flat || (shares && high - low < MATERIAL * level) {
        return Some(best);
    }
    let given = Points {
        speed: x,
        force: y,
        se: None,
    };
    if let Some(settles) = settling(x, y, floor)
        && settles.aicc < best.aicc - BETTER_BY
    {
        best = settles;
    }
    let Ok(pieces) = models(&given, settings) else {
        return Some(best);
    };
    let criterion = |s: &Segmented| aicc(rss(&s.residuals), n, 3 + 2 * s.knees.len());
    let to_beat = best.aicc - BETTER_BY;
    // Which of them chance would not give is asked only if one would be taken.
    if pieces.solutions().all(|s| criterion(s) >= to_beat) {
        return Some(best);
    }
    let pieces = pieces.choose(settings);
    let taken = pieces.solution();
    if criterion(taken) < to_beat {
        best = Tried {
            shape: ["line", "one break", "two breaks"][taken.knees.len().min(2)],
            aicc: criterion(taken),
            residuals: taken.residuals.clone(),
            half_life: None,
            settles_at: None,
            pieces: Some(pieces),
        };
    }
    Some(best)
}

/// `y = y∞ + b·2^(−n/h)`: for a given half-life linear in the rest, so the search is over
/// `h` alone.
fn settling(x: &[f64], y: &[f64], floor: f64) -> Option<Tried> {
    let n = y.len();
    let span = x.last()? - x.first()?;
    if span <= 0.0 {
        return None;
    }
    let ones = vec![1.0; n];
    let columns = |h: f64| vec![ones.clone(), x.iter().map(|x| libm::exp2(-x / h)).collect()];
    let solve = |h: f64| least_squares(&columns(h), y, &ones);
    let cost = |ln_h: f64| residual_squares(columns(ln_h.exp()), y.to_vec());
    let (low, high) = ((HALF_LIVES.0 * span).ln(), (HALF_LIVES.1 * span).ln());
    const GRID: usize = 60;
    let at = |i: usize| low + (high - low) * i as f64 / GRID as f64;
    let costs: Vec<f64> = (0..=GRID).map(|i| cost(at(i))).collect();
    let best = (0..=GRID).min_by(|a, b| costs[*a].total_cmp(&costs[*b]))?;
    // A half-life at the edge of what was looked for is not told by the data.
    if best == 0 || best == GRID {
        return None;
    }
    let ln_h = golden(at(best - 1), at(best + 1), &cost);
    let h = ln_h.exp();
    let fit = solve(h)?;
    let mut jacobian = columns(h);
    let ln_two = std::f64::consts::LN_2;
    jacobian.push(
        x.iter()
            .map(|x| fit.coefficients[1] * libm::exp2(-x / h) * ln_two * x / h)
            .collect(),
    );
    let half = in_time(&jacobian, &fit.residuals, &ones).map(|f| f.half_width(&[0.0, 0.0, 1.0]));
    let half_life = Measured {
        value: h,
        ci95: half
            .filter(|w| w.is_finite())
            .map(|w| [h * (-w).exp(), h * w.exp()]),
    };
    let told = h <= TOLD_HALF_LIFE * span;
    Some(Tried {
        shape: if told { "settling" } else { "slowing" },
        aicc: aicc(fit.rss.max(floor), n, 4),
        half_life: told.then_some(half_life),
        settles_at: told.then_some(fit.coefficients[0]),
        residuals: fit.residuals,
        pieces: None,
    })
}

/// Golden-section search for a minimum; 40 steps leave 4·10⁻⁹ of where it began, less than
/// the rounding of the cost lets one tell.
fn golden(mut low: f64, mut high: f64, cost: &dyn Fn(f64) -> f64) -> f64 {
    const RATIO: f64 = 0.618_033_988_749_894_9;
    let inner = |low: f64, high: f64| (high - RATIO * (high - low), low + RATIO * (high - low));
    let (mut a, mut b) = inner(low, high);
    let (mut at_a, mut at_b) = (cost(a), cost(b));
    for _ in 0..40 {
        if at_a <= at_b {
            high = b;
            (b, at_b) = (a, at_a);
            a = inner(low, high).0;
            at_a = cost(a);
        } else {
            low = a;
            (a, at_a) = (b, at_b);
            b = inner(low, high).1;
            at_b = cost(b);
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wobble(i: usize) -> f64 {
        (i as f64 * 2.399_963).sin() + (i as f64 * 0.917).cos()
    }

    /// A damper that fades to 800 N with a half-life of 150 cycles.
    #[test]
    fn a_half_life_is_recovered() {
        let points: Vec<(f64, f64, f64)> = (0..600)
            .map(|i| {
                let n = i as f64;
                (n, 800.0 + 200.0 * (-n / 150.0).exp2() + wobble(i), 1.0)
            })
            .collect();
        let c = course(&points, "compression force", "N", true).unwrap();
        assert_eq!(c.shape, "settling");
        let h = c.half_life_cycles.unwrap();
        assert!((h.value / 150.0 - 1.0).abs() < 0.03, "{h:?}");
        assert!((c.settles_at.unwrap() / 800.0 - 1.0).abs() < 0.005);
        assert!(c.change.value < -150.0);
    }

    /// Level until cycle 400, then falling: the break is found.
    #[test]
    fn a_break_is_found() {
        let points: Vec<(f64, f64, f64)> = (0..1000)
            .map(|i| {
                let n = i as f64;
                (n, 900.0 - 0.3 * (n - 400.0).max(0.0) + wobble(i), 1.0)
            })
            .collect();
        let c = course(&points, "heat", "J", true).unwrap();
        assert_eq!(c.shape, "one break");
        assert!((c.breaks[0].value - 400.0).abs() < 20.0, "{:?}", c.breaks);
        assert!((c.slopes_per_1000_cycles[1] + 300.0).abs() < 10.0);
    }

    #[test]
    fn noise_alone_is_steady() {
        let points: Vec<(f64, f64, f64)> = (0..300)
            .map(|i| (i as f64, 900.0 + 0.5 * wobble(i), 1.0))
            .collect();
        let c = course(&points, "heat", "J", true).unwrap();
        assert_eq!(c.shape, "steady");
        assert!(!c.change.is_clear_of_zero(), "{:?}", c.change);
    }

    /// The first and the last cycle of a step share a reversal with another speed.
    #[test]
    fn cycles_next_to_another_speed_do_not_make_a_break() {
        let series: Vec<CycleSummary> = (0..60)
            .map(|i| CycleSummary {
                first: i,
                count: 1,
                force_at_turns_n: match i {
                    0 => 150.0,
                    59 => 260.0,
                    _ => 200.0 + 0.2 * wobble(i as usize),
                },
                ..CycleSummary::default()
            })
            .collect();
        let courses = courses(&series, 0).unwrap();
        let gas = courses.iter().find(|c| c.what == "gas force").unwrap();
        assert_eq!(gas.shape, "steady");
        assert!(gas.change.value.abs() < 1.0, "{:?}", gas.change);
    }

    #[test]
    fn a_rebound_force_that_weakens_is_a_loss() {
        let points: Vec<(f64, f64, f64)> = (0..100)
            .map(|i| (i as f64, -1000.0 + i as f64, 1.0))
            .collect();
        let c = course(&points, "rebound force", "N", true).unwrap();
        assert!(c.change_share.unwrap().value < -0.05);
    }
}
