//! Best pairs out of many dampers.

use std::borrow::Cow;

use serde::{Deserialize, Serialize};

use super::direction::{DirectionComparison, compare_direction};
use super::grid::{Curves, curves_of, grid};
use super::names::{Named, named};
use super::pairing::least_total;
use super::repeat::Repeats;
use super::sentence::{Sentence, say};
use super::settings::{CompareSettings, Purpose};
use super::two::Two;
use super::verdict::Verdict;
use crate::run::{Run, Tool};
use crate::steps::Direction;
use crate::units::display::Kind;

/// The schema name of [`MatchResult`].
pub const MATCH_SCHEMA: &str = "loopwork.match/1";

/// How the mismatch of two dampers is made one number from their differences at every
/// shared speed, in both directions.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Mismatch {
    /// The largest.
    #[default]
    Largest,
    /// Root mean square.
    Rms,
}

/// Two dampers that go together (contract: `pairs[]`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Pair {
    /// Name of one, the earlier in the alphabet.
    pub a: String,
    /// Name of the other.
    pub b: String,
    /// Mismatch, % (see [`Mismatch`]).
    pub mismatch_pct: f64,
    /// Speed of the largest difference, m/s.
    pub worst_velocity_m_s: f64,
    /// Direction of the largest difference.
    pub worst_direction: Option<Direction>,
    /// Whether the pair keeps to the tolerance.
    pub verdict: Option<Verdict>,
    /// Axle, if axles were given.
    pub axle: Option<String>,
}

/// Best pairs (contract: `match`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct MatchResult {
    /// [`MATCH_SCHEMA`].
    pub schema: String,
    /// Who made it.
    pub tool: Tool,
    /// Pairs, the best first.
    pub pairs: Vec<Pair>,
    /// Dampers left over.
    pub unpaired: Vec<String>,
    /// Sum of the pairs' mismatches, %: the least that is possible.
    pub total_mismatch_pct: f64,
    /// All dampers, by name; rows and columns of `mismatch_pct`.
    pub dampers: Vec<Named>,
    /// Axle of each; `null` without.
    pub axles: Vec<Option<String>>,
    /// Mismatch of every two, %; `null` where they share no speed.
    pub mismatch_pct: Vec<Vec<Option<f64>>>,
    /// How mismatch is made one number.
    pub mismatch: Mismatch,
    /// Tolerance, %.
    pub tolerance_pct: f64,
    /// The settings used.
    pub settings: CompareSettings,
    /// What to know.
    pub notes: Vec<Sentence>,
}

impl MatchResult {
    /// The worst verdict of all pairs.
    pub fn worst(&self) -> Option<Verdict> {
        Verdict::all(self.pairs.iter().filter_map(|p| p.verdict))
    }
}

/// Mismatch of two dampers.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Apart {
    pct: f64,
    speed: f64,
    direction: Direction,
    verdict: Verdict,
}

/// A damper to be paired.
struct Candidate<'a> {
    name: Named,
    axle: Option<String>,
    run: Cow<'a, Run>,
    curves: Curves,
}

/// Pairs `runs` with the least total mismatch. `axles[i]` names the axle of run `i`: only
/// dampers of one axle go together, those without an axle among themselves. The order of
/// `runs` does not matter.
pub fn match_dampers(
    runs: &[Run],
    axles: &[Option<String>],
    mismatch: Mismatch,
    settings: &CompareSettings,
) -> MatchResult {
    let refs: Vec<&Run> = runs.iter().collect();
    let mut all: Vec<Candidate<'_>> = named(&refs)
        .into_iter()
        .zip(runs)
        .enumerate()
        .map(|(i, (name, run))| {
            let run = run.measured();
            Candidate {
                name,
                axle: axles.get(i).cloned().flatten(),
                curves: curves_of(&run, settings),
                run,
            }
        })
        .collect();
    all.sort_by(|a, b| (&a.name.name, &a.name.sha256).cmp(&(&b.name.name, &b.name.sha256)));
    let tolerance = settings.tolerance(Purpose::Pair);
    let n = all.len();
    let mut table: Vec<Vec<Option<Apart>>> = vec![vec![None; n]; n];
    for i in 0..n {
        for j in i + 1..n {
            table[i][j] = apart(&all[i], &all[j], mismatch, tolerance, settings);
        }
    }
    let chosen = least_total(n, |i, j| {
        if all[i].axle == all[j].axle {
            table[i][j].map(|a| a.pct)
        } else {
            None
        }
    });
    let mut pairs: Vec<Pair> = chosen
        .iter()
        .filter_map(|(i, j)| {
            let found = table[*i][*j]?;
            Some(Pair {
                a: all[*i].name.name.clone(),
                b: all[*j].name.name.clone(),
                mismatch_pct: found.pct,
                worst_velocity_m_s: found.speed,
                worst_direction: Some(found.direction),
                verdict: Some(found.verdict),
                axle: all[*i].axle.clone(),
            })
        })
        .collect();
    pairs.sort_by(|x, y| {
        x.mismatch_pct
            .total_cmp(&y.mismatch_pct)
            .then_with(|| x.a.cmp(&y.a))
    });
    let paired: Vec<usize> = chosen.iter().flat_map(|(i, j)| [*i, *j]).collect();
    let unpaired: Vec<String> = (0..n)
        .filter(|i| !paired.contains(i))
        .map(|i| all[i].name.name.clone())
        .collect();
    MatchResult {
        schema: MATCH_SCHEMA.into(),
        tool: Tool::this(),
        total_mismatch_pct: pairs.iter().map(|p| p.mismatch_pct).sum(),
        pairs,
        unpaired,
        mismatch_pct: (0..n)
            .map(|i| {
                (0..n)
                    .map(|j| {
                        if i == j {
                            Some(0.0)
                        } else {
                            table[i.min(j)][i.max(j)].map(|a| a.pct)
                        }
                    })
                    .collect()
            })
            .collect(),
        axles: all.iter().map(|a| a.axle.clone()).collect(),
        notes: notes(&all, mismatch, tolerance, settings),
        dampers: all.into_iter().map(|a| a.name).collect(),
        mismatch,
        tolerance_pct: tolerance,
        settings: *settings,
    }
}

/// Difference over the mean of both forces, but never over less than the force at which the
/// tolerance's floor is the tolerance: there percent mean nothing. Of the force without gas
/// and friction where both runs tell them, at driven speeds; the verdict is that of `compare
/// --as pair` with the first as the base.
fn apart(
    a: &Candidate<'_>,
    b: &Candidate<'_>,
    mismatch: Mismatch,
    tolerance: f64,
    settings: &CompareSettings,
) -> Option<Apart> {
    let least = settings.tolerance_floor_n / (0.01 * tolerance).max(f64::MIN_POSITIVE);
    let speeds = grid(&[&a.curves, &b.curves], settings, |v| {
        shared(&a.curves, &b.curves, v)
    });
    let repeats = Repeats::stated(&settings.repeatability);
    let two = Two::of(
        &b.name.name,
        (&a.run, &b.run),
        (Cow::Borrowed(&a.curves), Cow::Borrowed(&b.curves)),
        None,
        &repeats,
        a.name.sha256 == b.name.sha256,
        settings,
    );
    let parts: Vec<(Direction, DirectionComparison)> = Direction::BOTH
        .into_iter()
        .map(|d| {
            let sides = two.sides(d);
            let name = &b.name.name;
            let part = compare_direction(name, d, &sides, &speeds, Some(tolerance), settings);
            (d, part)
        })
        .collect();
    let mut worst: Option<Apart> = None;
    let (mut squares, mut count) = (0.0, 0usize);
    for (direction, part) in &parts {
        let judged = part.judged();
        for k in part.decisive() {
            let at = |x: &[Option<f64>]| x.get(k).copied().flatten();
            let (Some(x), Some(y), Some(speed)) =
                (at(judged.base_n), at(judged.other_n), speeds.get(k))
            else {
                continue;
            };
            let mean = 0.5 * (x + y).abs();
            let pct = 100.0 * (x - y).abs() / mean.max(least);
            squares += pct * pct;
            count += 1;
            if worst.is_none_or(|w| pct > w.pct) {
                worst = Some(Apart {
                    pct,
                    speed: *speed,
                    direction: *direction,
                    verdict: Verdict::Undecided,
                });
            }
        }
    }
    let mut out = worst?;
    if mismatch == Mismatch::Rms {
        out.pct = (squares / count as f64).sqrt();
    }
    let each = parts
        .iter()
        .map(|p| p.1.verdict.unwrap_or(Verdict::Undecided));
    out.verdict = Verdict::all(each).unwrap_or(Verdict::Undecided);
    Some(out)
}

fn shared(a: &Curves, b: &Curves, speed: f64) -> bool {
    Direction::BOTH
        .iter()
        .any(|d| a.get(*d).at(speed).is_some() && b.get(*d).at(speed).is_some())
}

fn notes(
    all: &[Candidate<'_>],
    mismatch: Mismatch,
    tolerance: f64,
    settings: &CompareSettings,
) -> Vec<Sentence> {
    let least = settings.tolerance_floor_n / (0.01 * tolerance);
    let mut out = vec![
        say(match mismatch {
            Mismatch::Largest => "mismatch: the largest difference",
            Mismatch::Rms => "mismatch: the root mean square difference",
        })
        .text(
            " over all shared driven speeds and both directions, of the force without gas and friction where both runs \
             tell them, in % of the mean of both forces, or of ",
        )
        .set(least, Kind::Force)
        .text(" where they are smaller"),
        say(
            "the pairing is the one with the least sum of mismatches among those that pair the most dampers; \
             it is exact",
        ),
    ];
    for (i, a) in all.iter().enumerate() {
        for b in all
            .iter()
            .skip(i + 1)
            .filter(|b| b.name.sha256 == a.name.sha256)
        {
            out.push(say(format!(
                "{} and {} are the same file: their mismatch is zero by nature",
                a.name.name, b.name.name
            )));
        }
        let alone = all.iter().filter(|b| b.name != a.name).all(|b| {
            let wanted = |v| shared(&a.curves, &b.curves, v);
            grid(&[&a.curves, &b.curves], settings, wanted).is_empty()
        });
        if alone && all.len() > 1 {
            out.push(say(format!(
                "{} shares no speed with any other and cannot be paired",
                a.name.name
            )));
        }
    }
    out
}
