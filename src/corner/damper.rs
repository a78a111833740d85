//! What a run lends to a corner: the law of its damper, and others as likely, for intervals.

use rand_distr::{Distribution as _, StandardNormal};

use super::law::{Branch, FRICTION_RAMP_M_S, Law};
use crate::compare::{CompareSettings, ForceCurve, Part, Sentence, curves_of, say};
use crate::run::Run;
use crate::statistics::{replicate_stream, t_quantile};
use crate::steps::{Direction, PerDirection};
use crate::units::display::Kind;

/// Even speeds a curve is read at, besides the measured ones.
const EVEN: usize = 24;
/// Students' t at infinite freedom.
const NORMAL_95: f64 = 1.959_963_985;

/// Nodes slower than this count as friction's own ramp and are left out, m/s.
const SLOWEST: f64 = FRICTION_RAMP_M_S;
/// Nodes nearer than this share of their speed are one.
const ONE_NODE: f64 = 0.01;
/// Speeds nearer than this share err together: two neighbours that erred apart would make
/// cliffs of what no measurement tells.
const ERR_TOGETHER: f64 = 0.15;
/// No likely law is steeper than this many times the measured one.
const STEEPEST_LIKELY: f64 = 2.0;

/// A damper ready for a corner.
#[derive(Debug, Clone)]
pub struct Damper {
    /// The measured law.
    pub law: Law,
    /// Laws as likely as that one, in the same order for the same seed.
    pub likely: Vec<Law>,
    /// Speeds of the knees, m/s.
    pub knees: PerDirection<Vec<f64>>,
    /// Stiffness of what gives in series with the valves as the run tells it, N/m. The laws
    /// leave it out: on a dyno it holds the machine's own, and a car has other mounts.
    pub series_n_m: Option<f64>,
    /// What was assumed, in sentences.
    pub assumed: Vec<Sentence>,
    /// Heat given off per degree, W/K, and air temperature, °C, as its card says.
    pub cooling: Option<(f64, f64)>,
}

/// Force of one direction at one speed: value and sources of error.
struct Node {
    speed: f64,
    resisting: f64,
    cycles: f64,
    between: f64,
    anchor: usize,
    /// Share of the way to the next anchor.
    way: f64,
}

impl Damper {
    /// Of a run; `replicates` laws as likely as the measured one.
    ///
    /// # Errors
    /// A sentence: why the run has no curve in both directions.
    pub fn of(run: &Run, replicates: usize, seed: u64) -> Result<Self, String> {
        let settings = CompareSettings::default();
        let curves = curves_of(run, &settings);
        let mut assumed = Vec::new();
        let level = run.statics.as_ref().map(|s| s.level());
        let gas = level.map_or(0.0, |l| l.gas_force_n);
        let told = run.statics.as_ref().and_then(|s| s.friction_n);
        let friction = told.unwrap_or(0.0).max(0.0);
        let gas_n_m = level.map_or(0.0, |l| l.gas_stiffness_n_m).max(0.0);
        if run.statics.is_none() {
            assumed.push(say("forces of the table are taken as they are: gas and friction, if in them, count as damping"));
        } else if told.is_none() {
            assumed.push(say("the run does not tell friction; what there is of it counts as damping at the slowest speeds"));
        }
        if run
            .statics
            .as_ref()
            .is_some_and(|s| s.gas_force_n.is_none())
        {
            assumed.push(say(
                "the run does not tell the gas force; its most likely value was taken out",
            ));
        }
        let nodes = PerDirection {
            compression: nodes(
                curves.get(Direction::Compression),
                Direction::Compression,
                gas,
                friction,
            ),
            rebound: nodes(
                curves.get(Direction::Rebound),
                Direction::Rebound,
                gas,
                friction,
            ),
        };
        for direction in Direction::BOTH {
            if nodes.get(direction).is_empty() {
                return Err(format!(
                    "the run holds no force in {}, and a corner needs both directions",
                    direction.word()
                ));
            }
        }
        let law = |shift: &dyn Fn(Direction, &Node) -> f64, steepest: f64| -> Option<Law> {
            let branch = |direction: Direction| {
                let points: Vec<(f64, f64)> = nodes
                    .get(direction)
                    .iter()
                    .map(|n| (n.speed, (n.resisting + shift(direction, n)).max(0.0)))
                    .collect();
                Branch::through(&softened(&points, steepest))
            };
            Some(Law {
                friction_n: friction,
                ramp_m_s: FRICTION_RAMP_M_S,
                gas_n_m,
                series_n_m: None,
                ..Law::of(branch(Direction::Compression)?, branch(Direction::Rebound)?)
            })
        };
        let Some(measured) = law(&|_, _| 0.0, f64::INFINITY) else {
            return Err("the run's curve holds no force".into());
        };
        let slopes = Direction::BOTH
            .iter()
            .flat_map(|d| measured.valves.get(*d).slopes());
        let steepest = slopes.fold(friction / FRICTION_RAMP_M_S, f64::max);
        let gas_sd = run
            .statics
            .as_ref()
            .and_then(|s| s.ci95.gas_force_n)
            .map_or(0.0, |ci| (ci[1] - ci[0]) / (2.0 * NORMAL_95));
        let repeat = settings.repeatability;
        assumed.push(
            say("from run to run forces vary by ")
                .set(0.01 * repeat.pct, Kind::Share)
                .text(" and ")
                .set(repeat.n, Kind::Force)
                .text(" (common practice); intervals count it"),
        );
        let likely = (0..replicates)
            .filter_map(|i| {
                let mut rng = replicate_stream(seed, i);
                let mut draw = || -> f64 { StandardNormal.sample(&mut rng) };
                let (run_z, gas_z) = (draw(), draw());
                let mut z = PerDirection::<Vec<f64>>::default();
                for direction in Direction::BOTH {
                    let count = 2 * curves.get(direction).speeds().count() + 4;
                    *z.get_mut(direction) = (0..count).map(|_| draw()).collect();
                }
                law(
                    &|direction, node| {
                        let z = z.get(direction);
                        let at = |j: usize| z.get(2 * j).copied().unwrap_or(0.0);
                        let gap = z.get(2 * node.anchor + 1).copied().unwrap_or(0.0);
                        let w = node.way;
                        // Unit variance between two independent anchors.
                        let mixed = ((1.0 - w) * at(node.anchor) + w * at(node.anchor + 1))
                            / (1.0 - w).hypot(w);
                        mixed * node.cycles
                            + gap * node.between
                            + run_z * repeat.sd_n(node.resisting)
                            - direction.sign() * gas_z * gas_sd
                    },
                    STEEPEST_LIKELY * steepest,
                )
            })
            .collect();
        let knees = |fit: &Option<crate::fits::Fit>| {
            fit.as_ref()
                .map(|f| f.knees.iter().map(|k| k.velocity_m_s).collect())
                .unwrap_or_default()
        };
        Ok(Self {
            law: measured,
            likely,
            knees: PerDirection {
                compression: knees(&run.fits.compression),
                rebound: knees(&run.fits.rebound),
            },
            series_n_m: run.statics.as_ref().and_then(|s| s.series_stiffness_n_m),
            assumed,
            cooling: run
                .damper
                .as_ref()
                .and_then(|d| Some((d.cooling_w_per_k?, d.air_temperature_c?))),
        })
    }
}

/// Points (speed, force) from rest whose force rises by no more than `steepest` per speed.
fn softened(points: &[(f64, f64)], steepest: f64) -> Vec<(f64, f64)> {
    let mut last = (0.0, 0.0);
    points
        .iter()
        .map(|&(v, f)| {
            last = (v, f.min(last.1 + steepest * (v - last.0)));
            last
        })
        .collect()
}

/// The curve of one direction, gas and friction taken out, with its errors.
fn nodes(curve: &ForceCurve, direction: Direction, gas: f64, friction: f64) -> Vec<Node> {
    let anchors: Vec<f64> = curve.speeds().collect();
    let mut knots: Vec<f64> = Vec::new();
    for v in &anchors {
        if knots
            .last()
            .is_none_or(|last| *v > (1.0 + ERR_TOGETHER) * last)
        {
            knots.push(*v);
        }
    }
    let wide = |part: &Part| {
        let t = if part.df.is_finite() {
            t_quantile(0.975, part.df).unwrap_or(NORMAL_95)
        } else {
            NORMAL_95
        };
        part.variance.max(0.0).sqrt() * t / NORMAL_95
    };
    let Some([low, high]) = curve.range() else {
        return Vec::new();
    };
    // Closer together at low speed, where curves bend.
    let mut speeds: Vec<f64> = (0..=EVEN)
        .map(|i| low + (high - low) * (i as f64 / EVEN as f64).powf(1.6))
        .chain(anchors.iter().copied())
        .collect();
    speeds.sort_by(f64::total_cmp);
    speeds.retain(|v| *v >= SLOWEST || *v == high);
    speeds.dedup_by(|a, b| (*a - *b).abs() < ONE_NODE * *b);
    speeds
        .into_iter()
        .filter_map(|speed| {
            let reading = curve.at(speed)?;
            let after = knots.partition_point(|a| *a <= speed);
            let anchor = after.saturating_sub(1);
            let way = match (knots.get(anchor), knots.get(anchor + 1)) {
                (Some(a), Some(b)) if speed > *a => (speed - a) / (b - a),
                _ => 0.0,
            };
            Some(Node {
                speed,
                resisting: direction.sign() * (reading.force_n - gas) - friction,
                cycles: wide(&reading.cycles),
                between: wide(&reading.between),
                anchor,
                way,
            })
        })
        .collect()
}
