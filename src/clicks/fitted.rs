//! Force against settings of both directions at every speed: the fits behind every answer.

use std::collections::{BTreeMap, BTreeSet};

use rayon::prelude::*;

use super::monotone::rising;
use super::process::{self, Design, Observed, Posterior, Sampling};
use super::setting::{CountedFrom, Setting, Unit};
use super::settings::Settings;
use crate::compare::{CompareSettings, ValveForce, grid};
use crate::notice::Error;
use crate::run::Run;
use crate::statistics::{normal_quantile, percentile_interval, replicate_stream};
use crate::steps::{Direction, PerDirection};

/// Seed of the sampling.
const SEED: u64 = 20_251_128;
/// Slower steps are there for gas and friction, not for the valves, m/s.
const SLOWEST_M_S: f64 = 0.02;
/// More speeds than this make a table nobody reads; the rest are left out evenly.
const MOST_SPEEDS: usize = 12;
/// With fewer whole clicks than this on an adjuster, settings between them are drawn, too …
const FEW_CLICKS: usize = 12;
/// … this many; with more than [`MANY_CLICKS`] only these.
const BETWEEN: usize = 16;
const MANY_CLICKS: usize = 60;
/// Settings closer than this share of the range are one.
const SAME: f64 = 1e-6;
/// A projection that moves the middle of the draws by more than this many of their standard
/// deviations (beyond chance in a hundred) is one the runs speak against.
const AGAINST: f64 = 2.6;

/// One adjuster.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Axis {
    pub(super) name: String,
    pub(super) unit: Unit,
    pub(super) counted_from: Option<CountedFrom>,
    /// Settings run, rising.
    pub(super) run: Vec<f64>,
    /// Settings effects are drawn at, rising; holds those run.
    pub(super) grid: Vec<f64>,
}

impl Axis {
    pub(super) fn low(&self) -> f64 {
        self.grid[0]
    }

    pub(super) fn span(&self) -> f64 {
        self.grid[self.grid.len() - 1] - self.grid[0]
    }

    /// Place of a setting on the grid.
    pub(super) fn place(&self, value: f64) -> Option<usize> {
        let near = |g: &f64| (g - value).abs() <= SAME * self.span();
        self.grid.iter().position(near)
    }

    fn scaled(&self, value: f64) -> f64 {
        (value - self.low()) / self.span()
    }

    /// Whether a setting is one to report: run, or a whole click.
    pub(super) fn is_plain(&self, value: f64) -> bool {
        self.run
            .iter()
            .any(|r| (r - value).abs() <= SAME * self.span())
            || (self.unit == Unit::Clicks && value.fract() == 0.0)
    }
}

/// One direction and speed.
#[derive(Debug, Clone)]
pub(super) struct Cell {
    pub(super) direction: Direction,
    pub(super) speed: f64,
    /// What was fitted, resisting force.
    pub(super) observed: Observed,
    pub(super) posterior: Posterior,
    /// Whether each adjuster's effect is shown.
    pub(super) shown: Vec<bool>,
    /// Whether each adjuster's effect was taken to go one way.
    pub(super) one_way: Vec<bool>,
}

impl Cell {
    /// Draws of the resisting force at a place.
    pub(super) fn draws(&self, places: &[usize]) -> Vec<f64> {
        (0..self.posterior.draws())
            .map(|k| self.posterior.at(k, places))
            .collect()
    }

    /// Mean resisting force of the runs.
    pub(super) fn size(&self) -> f64 {
        let f = &self.observed.force;
        f.iter().map(|x| x.abs()).sum::<f64>() / f.len() as f64
    }
}

/// All fits of a sweep.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub(super) axes: Vec<Axis>,
    pub(super) design: Design,
    pub(super) forces: Vec<ValveForce>,
    /// Runs that do not tell gas and friction themselves.
    pub(super) silent: Vec<usize>,
    pub(super) cells: Vec<Cell>,
    /// Place of every adjuster while another one is looked at.
    pub(super) reference: Vec<usize>,
    pub(super) speeds: Vec<f64>,
}

/// Mean and standard deviation.
pub(super) fn moments(draws: &[f64]) -> (f64, f64) {
    let n = draws.len() as f64;
    let mean = draws.iter().sum::<f64>() / n;
    let square = draws.iter().map(|x| (x - mean).powi(2)).sum::<f64>();
    (mean, (square / (n - 1.0).max(1.0)).sqrt())
}

/// 95 % interval of draws.
pub(super) fn interval(draws: &[f64], confidence: f64) -> [f64; 2] {
    percentile_interval(draws, confidence).unwrap_or([f64::NAN; 2])
}

/// Quantile of the normal distribution that one of `looks` two-sided looks is held against.
pub(super) fn z_of_many(confidence: f64, looks: usize) -> f64 {
    normal_quantile(1.0 - 0.5 * (1.0 - confidence) / looks.max(1) as f64).unwrap_or(f64::INFINITY)
}

impl Fitted {
    /// Fits. `also` are settings that must be drawn, too, within the range of their adjuster.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if the runs share no speed.
    pub(super) fn of(
        runs: &[Run],
        settings: &[Settings],
        wanted: Option<&[f64]>,
        also: &BTreeMap<String, f64>,
        compare: &CompareSettings,
    ) -> Result<Self, Error> {
        let axes = axes(settings, also);
        let (forces, silent) = forces(runs, compare);
        let speeds = speeds(&forces, wanted, compare)?;
        let rows: Vec<Vec<f64>> = settings
            .iter()
            .map(|s| axes.iter().map(|a| a.scaled(s[&a.name].value)).collect())
            .collect();
        let design = Design {
            pairs: crossed(&rows, axes.len()),
            grids: axes
                .iter()
                .map(|a| a.grid.iter().map(|g| a.scaled(*g)).collect())
                .collect(),
            rows,
        };
        let reference = reference(&axes, settings);
        let places: Vec<(Direction, f64)> = Direction::BOTH
            .into_iter()
            .flat_map(|d| speeds.iter().map(move |v| (d, *v)))
            .filter(|(d, v)| forces.iter().all(|f| f.resists(*d, *v).is_some()))
            .collect();
        let mut cells: Vec<Cell> = places
            .par_iter()
            .enumerate()
            .filter_map(|(i, (direction, speed))| {
                let observed = observe(&forces, *direction, *speed, compare);
                let mut random = replicate_stream(SEED, i);
                let posterior = process::fit(&design, &observed, Sampling::default(), &mut random)?;
                Some(Cell {
                    direction: *direction,
                    speed: *speed,
                    observed,
                    posterior,
                    shown: vec![false; axes.len()],
                    one_way: vec![false; axes.len()],
                })
            })
            .collect();
        let z = z_of_many(compare.confidence, cells.len() * axes.len());
        for cell in &mut cells {
            for a in 0..axes.len() {
                let paired = design.pairs.iter().any(|p| p.0 == a || p.1 == a);
                cell.tell(a, z, &reference, paired);
            }
        }
        Ok(Self {
            axes,
            design,
            forces,
            silent,
            cells,
            reference,
            speeds,
        })
    }

    /// Whether gas and friction are taken off.
    pub(super) fn is_hydraulic(&self) -> bool {
        self.forces.iter().all(ValveForce::is_without_rest)
    }

    /// Mean gas force and friction of the runs, N, our signs.
    pub(super) fn rest_n(&self, direction: Direction) -> f64 {
        let all = self.forces.iter().map(|f| f.rest_n(direction));
        all.sum::<f64>() / self.forces.len() as f64
    }

    /// Places with adjuster `a` at `place` and the others at the reference.
    pub(super) fn along(&self, a: usize, place: usize) -> Vec<usize> {
        let mut places = self.reference.clone();
        places[a] = place;
        places
    }

    /// Runs with every adjuster but `a` at the reference, and where `a` stood.
    pub(super) fn beside(&self, a: usize) -> Vec<(usize, f64)> {
        let stands = |row: &[f64], b: usize| {
            (row[b] - self.design.grids[b][self.reference[b]]).abs() <= SAME
        };
        let axis = &self.axes[a];
        self.design
            .rows
            .iter()
            .enumerate()
            .filter(|(_, row)| (0..row.len()).all(|b| b == a || stands(row, b)))
            .map(|(i, row)| (i, axis.low() + axis.span() * row[a]))
            .collect()
    }

    /// Draws of the force at the highest setting minus that at the lowest.
    pub(super) fn ranges(&self, cell: &Cell, a: usize) -> Vec<f64> {
        let last = self.axes[a].grid.len() - 1;
        self.changes(cell, a, 0, last)
    }

    /// Draws of the change from one place to another.
    pub(super) fn changes(&self, cell: &Cell, a: usize, from: usize, to: usize) -> Vec<f64> {
        let (low, high) = (self.along(a, from), self.along(a, to));
        (0..cell.posterior.draws())
            .map(|k| cell.posterior.at(k, &high) - cell.posterior.at(k, &low))
            .collect()
    }
}

impl Cell {
    /// Decides whether an effect is shown, and if so makes its draws go one way, unless
    /// that goes against the runs (draws from a Gaussian process projected on monotone
    /// functions: Lin and Dunson, Biometrika 101 (2014) 303).
    fn tell(&mut self, a: usize, z: f64, reference: &[usize], paired: bool) {
        let parts = &self.posterior.parts[a];
        let last = parts.first().map_or(0, |p| p.len() - 1);
        let ends = |place: usize| {
            let mut places = reference.to_vec();
            places[a] = place;
            places
        };
        let (low, high) = (self.draws(&ends(0)), self.draws(&ends(last)));
        let rise: Vec<f64> = high.iter().zip(&low).map(|(h, l)| h - l).collect();
        let (mean, sd) = moments(&rise);
        self.shown[a] = mean.abs() > z * sd;
        if !self.shown[a] || paired {
            return;
        }
        let sign = mean.signum();
        let projected: Vec<Vec<f64>> = parts
            .iter()
            .map(|part| {
                let up: Vec<f64> = part.iter().map(|x| sign * x).collect();
                rising(&up).iter().map(|x| sign * x).collect()
            })
            .collect();
        let against = (0..=last).any(|g| {
            let at = |all: &[Vec<f64>]| moments(&all.iter().map(|p| p[g]).collect::<Vec<_>>());
            let relative = moments(
                &parts
                    .iter()
                    .map(|p| p[g] - p.iter().sum::<f64>() / p.len() as f64)
                    .collect::<Vec<_>>(),
            );
            (at(&projected).0 - at(parts).0).abs() > AGAINST * relative.1
        });
        if !against {
            self.posterior.parts[a] = projected;
            self.one_way[a] = true;
        }
    }
}

/// The runs' forces, and which of them do not tell gas and friction: a closed bleed hides
/// them. It is one damper, so such a run is given those of the others; if fewer than half
/// of the runs tell them, total forces of all are used.
fn forces(runs: &[Run], compare: &CompareSettings) -> (Vec<ValveForce>, Vec<usize>) {
    let all: Vec<ValveForce> = runs.iter().map(|r| ValveForce::of(r, compare)).collect();
    let silent: Vec<usize> = (0..all.len())
        .filter(|i| !all[*i].is_without_rest())
        .collect();
    if silent.is_empty() {
        return (all, silent);
    }
    if 2 * silent.len() > all.len() {
        return (all.into_iter().map(ValveForce::in_total).collect(), silent);
    }
    let lent = all
        .iter()
        .map(|f| {
            if f.is_without_rest() {
                f.clone()
            } else {
                f.clone().with_rest_of(&all)
            }
        })
        .collect();
    (lent, silent)
}

/// Force of every run with its errors.
fn observe(
    forces: &[ValveForce],
    direction: Direction,
    speed: f64,
    compare: &CompareSettings,
) -> Observed {
    let mut out = Observed::default();
    for one in forces {
        if let Some((force, own)) = one.resists(direction, speed) {
            // Repeatability goes with what the cell feels.
            let felt = force + direction.sign() * one.rest_n(direction);
            out.force.push(force);
            out.own_sd.push(own.variance.sqrt());
            out.usual_sd.push(compare.repeatability.sd_n(felt));
        }
    }
    out
}

/// The speeds to look at, m/s.
fn speeds(
    forces: &[ValveForce],
    wanted: Option<&[f64]>,
    compare: &CompareSettings,
) -> Result<Vec<f64>, Error> {
    let every = |v: f64| {
        let all = |d| forces.iter().all(|f| f.curves().get(d).at(v).is_some());
        Direction::BOTH.into_iter().any(all)
    };
    if let Some(wanted) = wanted {
        if let Some(missing) = wanted.iter().find(|v| !every(**v)) {
            return Err(Error::input(
                "speed-not-measured",
                format!("{missing} m/s was not measured in every run"),
            )
            .help("ask for speeds within what all runs measured"));
        }
        return Ok(wanted.to_vec());
    }
    let curves: Vec<_> = forces.iter().map(ValveForce::curves).collect();
    let measured = grid(&curves, compare, |v| v >= SLOWEST_M_S && every(v));
    if measured.is_empty() {
        return Err(Error::input(
            "no-shared-speed",
            "the runs share no speed, so their forces cannot be set against each other",
        )
        .help("run every setting over the same speeds"));
    }
    let n = measured.len();
    if n <= MOST_SPEEDS {
        return Ok(measured);
    }
    let picked = (0..MOST_SPEEDS).map(|i| measured[i * (n - 1) / (MOST_SPEEDS - 1)]);
    Ok(picked.collect())
}

fn axes(settings: &[Settings], also: &BTreeMap<String, f64>) -> Vec<Axis> {
    let names: BTreeSet<&String> = settings.iter().flat_map(BTreeMap::keys).collect();
    let mut out = Vec::new();
    for name in names {
        let all: Vec<Setting> = settings.iter().map(|s| s[name]).collect();
        let mut run: Vec<f64> = all.iter().map(|s| s.value).collect();
        run.sort_by(f64::total_cmp);
        run.dedup();
        let [Some(&low), Some(&high)] = [run.first(), run.last()] else {
            continue;
        };
        // An adjuster that stood still says nothing.
        if low == high {
            continue;
        }
        let turns = name.to_lowercase().contains("turn");
        let unit = all.iter().find_map(|s| s.unit).unwrap_or(if turns {
            Unit::Turns
        } else {
            Unit::Clicks
        });
        let mut grid = run.clone();
        let whole = (high.floor() - low.ceil()).max(0.0) as usize + 1;
        if whole <= MANY_CLICKS {
            grid.extend(
                (0..whole)
                    .map(|i| low.ceil() + i as f64)
                    .filter(|v| *v <= high),
            );
        }
        if !(FEW_CLICKS..=MANY_CLICKS).contains(&whole) {
            grid.extend((1..BETWEEN).map(|i| low + (high - low) * i as f64 / BETWEEN as f64));
        }
        grid.extend(also.get(name).copied().filter(|v| (low..=high).contains(v)));
        grid.sort_by(f64::total_cmp);
        grid.dedup_by(|b, a| (*b - *a).abs() <= SAME * (high - low));
        out.push(Axis {
            name: name.clone(),
            unit,
            counted_from: all.iter().find_map(|s| s.counted_from),
            run,
            grid,
        });
    }
    out
}

/// Pairs of adjusters whose interaction the runs can tell: somewhere two settings of one
/// were run at two settings of the other, all else equal.
fn crossed(rows: &[Vec<f64>], adjusters: usize) -> Vec<(usize, usize)> {
    let has = |wanted: &[f64]| rows.iter().any(|r| r == wanted);
    let mut out = Vec::new();
    for a in 0..adjusters {
        for b in a + 1..adjusters {
            let tells = rows.iter().any(|r| {
                rows.iter().any(|s| {
                    let mut one = r.clone();
                    one[a] = s[a];
                    let mut other = r.clone();
                    other[b] = s[b];
                    let mut both = one.clone();
                    both[b] = s[b];
                    r[a] != s[a] && r[b] != s[b] && has(&one) && has(&other) && has(&both)
                })
            });
            if tells {
                out.push((a, b));
            }
        }
    }
    out
}

/// The setting of each adjuster that was run most often, the middle one of several.
fn reference(axes: &[Axis], settings: &[Settings]) -> Vec<usize> {
    axes.iter()
        .map(|axis| {
            let count = |v: &f64| {
                settings
                    .iter()
                    .filter(|s| s[&axis.name].value == *v)
                    .count()
            };
            let most = axis.run.iter().map(count).max().unwrap_or(0);
            let often: Vec<f64> = axis
                .run
                .iter()
                .copied()
                .filter(|v| count(v) == most)
                .collect();
            often
                .get(often.len() / 2)
                .and_then(|v| axis.place(*v))
                .unwrap_or(0)
        })
        .collect()
}

/// Forces per direction, for callers that want both.
pub(super) fn split<T>(items: Vec<(Direction, T)>) -> PerDirection<Vec<T>> {
    let mut out = PerDirection {
        compression: Vec::new(),
        rebound: Vec::new(),
    };
    for (direction, item) in items {
        out.get_mut(direction).push(item);
    }
    out
}
