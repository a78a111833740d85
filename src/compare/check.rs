//! One damper against a target: pass, fail or undecided, criterion by criterion.

use serde::{Deserialize, Serialize};

use super::changes::{half_peak_to_peak, loop_width};
use super::criteria::{answer, finding};
use super::grid::{Curves, curves_of, grid};
use super::names::{Named, named};
use super::repeat::Repeats;
use super::sentence::{Sentence, say};
use super::settings::CompareSettings;
use super::target::{Limits, Target, TargetPoint};
use super::uncertain::{Part, interval, total};
use super::verdict::Verdict;
use super::wear::{HALF_95, lost_error};
use crate::run::{Run, Tool};
use crate::steps::{Direction, PerDirection, Step};
use crate::units::display::Kind;

/// The schema name of [`CheckResult`].
pub const CHECK_SCHEMA: &str = "loopwork.check/1";

/// Tolerance where a target gives none, %: common practice for a rebuilt damper against its
/// build sheet, from memory.
pub const CHECK_TOLERANCE_PCT: f64 = 10.0;

/// Verdict of a check.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Passed {
    /// Shown to keep to the limits.
    Pass,
    /// The data cannot tell.
    Undecided,
    /// Shown not to.
    Fail,
}

impl Passed {
    /// The word for it.
    pub fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Undecided => "undecided",
            Self::Fail => "fail",
        }
    }
}

impl From<Verdict> for Passed {
    fn from(verdict: Verdict) -> Self {
        match verdict {
            Verdict::Within => Self::Pass,
            Verdict::Undecided => Self::Undecided,
            Verdict::Outside => Self::Fail,
        }
    }
}

/// Lowest and highest value allowed, SI.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
pub struct Limit {
    /// Lowest.
    pub min: Option<f64>,
    /// Highest.
    pub max: Option<f64>,
}

/// One criterion (contract: `criteria[]`). Forces are those that resist (positive in both
/// directions, as fits state them).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Criterion {
    /// What is checked.
    pub name: String,
    /// Limits.
    pub limit: Limit,
    /// What was measured.
    pub value: Option<f64>,
    /// Its 95 % interval.
    pub ci95: Option<[f64; 2]>,
    /// Verdict.
    pub verdict: Passed,
    /// SI unit of value, limit and margin.
    pub unit: String,
    /// Distance to the nearer limit, positive inside.
    pub margin: Option<f64>,
    /// The target's own value, where it gives one.
    pub target: Option<f64>,
    /// Direction, for points of the curve.
    pub direction: Option<Direction>,
    /// Speed, m/s, for points of the curve.
    pub velocity_m_s: Option<f64>,
    /// Why it is undecided or failed where numbers do not say it.
    pub remark: Option<Sentence>,
}

/// What a person adds for the sheet.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct SheetData {
    /// Serial number.
    pub serial: Option<String>,
    /// Who did the test.
    pub operator: Option<String>,
    /// Date, as given.
    pub date: Option<String>,
}

/// Result of a check (contract: `check`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct CheckResult {
    /// [`CHECK_SCHEMA`].
    pub schema: String,
    /// Who made it.
    pub tool: Tool,
    /// Verdict of all criteria.
    pub verdict: Passed,
    /// The answer in one sentence: how many fail, how many are undecided, what failed worst.
    #[serde(default)]
    pub answer: Sentence,
    /// The damper.
    pub damper: Named,
    /// The target's name, and file and hash where it is one.
    pub target: Named,
    /// The criteria.
    pub criteria: Vec<Criterion>,
    /// Serial number, operator, date.
    pub sheet: SheetData,
    /// Repeatability the intervals rest on.
    pub repeatability: Repeats,
    /// The settings used.
    pub settings: CompareSettings,
    /// Temperature the curve is checked at, °C; `null` where it is checked as measured.
    #[serde(default)]
    pub reference_c: Option<f64>,
    /// What to know.
    pub notes: Vec<Sentence>,
}

impl CheckResult {
    /// The criteria, those not met first, then those not told, then those met; within each
    /// by how little of the limit is left: the margin as a share of the width between the
    /// limits, or of the limit where there is one alone.
    pub fn worst_first(&self) -> Vec<&Criterion> {
        let left = |c: &Criterion| {
            let scale = match (c.limit.min, c.limit.max) {
                (Some(low), Some(high)) => (high - low).abs(),
                (Some(one), None) | (None, Some(one)) => one.abs(),
                (None, None) => return f64::INFINITY,
            };
            c.margin.map_or(f64::INFINITY, |margin| {
                margin / scale.max(f64::MIN_POSITIVE)
            })
        };
        let mut all: Vec<&Criterion> = self.criteria.iter().collect();
        all.sort_by(|a, b| (b.verdict.cmp(&a.verdict)).then_with(|| left(a).total_cmp(&left(b))));
        all
    }
}

/// What a damper is held against.
#[derive(Debug, Clone, Copy)]
pub enum Against<'a> {
    /// A written target.
    Spec(&'a Target),
    /// Another run or a reduced table, ± this tolerance in %. Of a run, its own error
    /// counts; a table is taken as it stands.
    Run(&'a Run, f64),
}

/// Checks a run. `target` names what it is held against.
pub fn check(
    run: &Run,
    against: &Against<'_>,
    target: Named,
    sheet: SheetData,
    settings: &CompareSettings,
) -> CheckResult {
    let mut notes: Vec<Sentence> = temperature(run, against).into_iter().collect();
    // Held against a run, both are at one temperature or both as measured.
    let apart = match against {
        Against::Run(other, _) if !other.steps.is_empty() => {
            other.reference_c() != run.reference_c()
        }
        _ => false,
    };
    let kept = run.measured();
    let run: &Run = if apart { &kept } else { run };
    let curves = curves_of(run, settings);
    let repeats = Repeats::stated(&settings.repeatability);
    let bench = Bench {
        run,
        curves: &curves,
        repeats: &repeats,
        settings,
    };
    let mut criteria = Vec::new();
    match against {
        Against::Spec(spec) => {
            let n = spec.curve.compression.len() + spec.curve.rebound.len();
            for direction in Direction::BOTH {
                for point in spec.curve.get(direction) {
                    criteria.push(bench.point(direction, point, Part::stated(0.0), n));
                }
            }
            bench.limits(spec, &mut criteria);
            notes.push(say(
                "the curve is checked at the target's speeds and not between them",
            ));
            notes.extend(spec.signed_note());
        }
        Against::Run(other, tolerance) => {
            let other_kept = other.measured();
            let other: &Run = if apart { &other_kept } else { other };
            bench.against_run(other, *tolerance, &mut criteria);
            notes.push(
                say("target forces are those of the other run, allowed ")
                    .set(0.01 * tolerance, Kind::Share)
                    .text(" or ")
                    .set(settings.tolerance_floor_n, Kind::Force)
                    .text(", whichever is more"),
            );
        }
    }
    notes.push(
        say("pass: shown to be inside by two one-sided tests; fail: the interval lies wholly outside; a run's \
             force is taken to repeat to ")
        .set(0.01 * repeats.pct, Kind::Share)
        .text(" and ")
        .set(repeats.n, Kind::Force)
        .text(" (one standard deviation, common practice)"),
    );
    let verdict = criteria
        .iter()
        .map(|c| c.verdict)
        .max()
        .unwrap_or(Passed::Undecided);
    CheckResult {
        schema: CHECK_SCHEMA.into(),
        tool: Tool::this(),
        verdict,
        answer: answer(&criteria),
        damper: named(&[run]).swap_remove(0),
        target,
        criteria,
        sheet,
        repeatability: repeats,
        settings: *settings,
        reference_c: run.reference_c(),
        notes,
    }
}

/// What became of the temperature that was asked for.
fn temperature(run: &Run, against: &Against<'_>) -> Option<Sentence> {
    let wanted = run.reference.as_ref()?;
    let refused = |name: &str, why: &str| {
        say("forces are as measured: they could not be referred to ")
            .set(wanted.temperature_c, Kind::Temperature)
            .text(format!(" ({name}: {why})"))
    };
    if let Some(why) = &wanted.why_not {
        return Some(refused(&run.name, why));
    }
    if let Against::Run(other, _) = against
        && !other.steps.is_empty()
        && let Some(why) = other.reference.as_ref().and_then(|r| r.why_not.as_ref())
    {
        return Some(refused(&other.name, why));
    }
    Some(
        say("forces are as they would be at ")
            .set(wanted.temperature_c, Kind::Temperature)
            .text("; friction, gas force, loop width and lost motion are as measured"),
    )
}

struct Bench<'a> {
    run: &'a Run,
    curves: &'a Curves,
    repeats: &'a Repeats,
    settings: &'a CompareSettings,
}

impl Bench<'_> {
    fn judge(
        &self,
        name: String,
        unit: &str,
        limits: Limits,
        found: Option<(f64, Option<Part>)>,
    ) -> Criterion {
        self.judge_one_of(
            name,
            unit,
            limits,
            found.map(|(v, e)| (v, e.map(|e| (Part::stated(0.0), e)))),
            1,
        )
    }

    /// One of `n` values that share the first part of their error.
    fn judge_one_of(
        &self,
        name: String,
        unit: &str,
        limits: Limits,
        found: Option<(f64, Option<(Part, Part)>)>,
        n: usize,
    ) -> Criterion {
        let value = found.map(|f| f.0);
        let parts = found.and_then(|f| f.1);
        let error = parts.map(|(common, own)| total(&[common, own]));
        let settings = self.settings;
        let verdict = match (value, parts) {
            (Some(v), Some((common, own))) => Verdict::of_one_of_many(
                v,
                (&common, &own),
                limits,
                (settings.confidence, settings.alpha),
                n,
            ),
            _ => Verdict::Undecided,
        };
        let margin = value.and_then(|v| {
            let low = limits[0].map(|l| v - l);
            let high = limits[1].map(|h| h - v);
            match (low, high) {
                (Some(a), Some(b)) => Some(a.min(b)),
                (a, b) => a.or(b),
            }
        });
        Criterion {
            name,
            limit: Limit {
                min: limits[0],
                max: limits[1],
            },
            value,
            ci95: value
                .zip(error)
                .and_then(|(v, e)| interval(v, &e, settings.confidence)),
            verdict: verdict.into(),
            unit: unit.to_owned(),
            margin,
            target: None,
            direction: None,
            velocity_m_s: None,
            remark: match (value, error) {
                (None, _) => Some(say("not measured in this run")),
                (Some(_), None) => Some(say("no interval can be given, so nothing is shown")),
                _ => None,
            },
        }
    }

    /// One point of the curve.
    fn point(
        &self,
        direction: Direction,
        point: &TargetPoint,
        target_error: Part,
        n: usize,
    ) -> Criterion {
        let curve = self.curves.get(direction);
        let found = curve.at(point.velocity_m_s).map(|r| {
            let own = total(&[r.cycles, r.between, target_error]);
            let parts = (self.repeats.at(r.force_n), own);
            (direction.sign() * r.force_n, Some(parts))
        });
        let mut out = self.judge_one_of(
            format!("{} at {:.3} m/s", direction.word(), point.velocity_m_s),
            "N",
            point.limits_n,
            found,
            n,
        );
        out.target = point.force_n;
        out.direction = Some(direction);
        out.velocity_m_s = Some(point.velocity_m_s);
        if found.is_none() {
            out.remark = Some(match curve.range() {
                None => say(format!("the run has no {}", direction.word())),
                Some([low, high]) => say("not measured: the run covers ")
                    .bare(low, Kind::Speed)
                    .text(" to ")
                    .number(high, Kind::Speed),
            });
        }
        out
    }

    fn against_run(&self, other: &Run, tolerance: f64, criteria: &mut Vec<Criterion>) {
        let theirs = curves_of(other, self.settings);
        let same = other.source == self.run.source;
        let shared = |v: f64| {
            Direction::BOTH
                .iter()
                .any(|d| theirs.get(*d).at(v).is_some())
        };
        let speeds: PerDirection<Vec<f64>> = if other.steps.is_empty() {
            // A table is a target at its own speeds.
            PerDirection {
                compression: theirs.compression.speeds().collect(),
                rebound: theirs.rebound.speeds().collect(),
            }
        } else {
            let all = grid(&[self.curves, &theirs], self.settings, shared);
            PerDirection {
                compression: all.clone(),
                rebound: all,
            }
        };
        let n = speeds.compression.len() + speeds.rebound.len();
        for direction in Direction::BOTH {
            for speed in speeds.get(direction) {
                let Some(wanted) = theirs.get(direction).at(*speed) else {
                    continue;
                };
                let error = if other.steps.is_empty() || same {
                    Part::stated(0.0)
                } else {
                    total(&[
                        wanted.cycles,
                        wanted.between,
                        self.repeats.at(wanted.force_n),
                    ])
                };
                let force = direction.sign() * wanted.force_n;
                let allowed = self.settings.allowed_n(force, tolerance);
                let point = TargetPoint {
                    velocity_m_s: *speed,
                    force_n: Some(force),
                    limits_n: [Some(force - allowed), Some(force + allowed)],
                };
                criteria.push(self.point(direction, &point, error, n));
            }
        }
    }

    /// Limits beside the curve.
    fn limits(&self, spec: &Target, criteria: &mut Vec<Criterion>) {
        let stated = |ci: Option<[f64; 2]>| ci.map(|[l, h]| Part::stated(0.5 * (h - l) / HALF_95));
        let statics = self.run.statics.as_ref();
        if let Some(limits) = spec.friction_n {
            let found = statics.and_then(|s| Some((s.friction_n?, stated(s.ci95.friction_n))));
            criteria.push(self.judge("friction".into(), "N", limits, found));
        }
        if let Some(limits) = spec.gas_force_n {
            let found = statics.and_then(|s| Some((s.gas_force_n?, stated(s.ci95.gas_force_n))));
            let mut one = self.judge("gas force".into(), "N", limits, found);
            one.remark = one
                .remark
                .or_else(|| Some(say("the load cell's zero offset is in it")));
            criteria.push(one);
        }
        if let Some(limits) = spec.hysteresis_share {
            let found = largest(self.run.steps.iter().flat_map(loop_widths));
            criteria.push(self.judge("largest loop width".into(), "1", limits, found));
        }
        if let Some(limits) = spec.lost_motion_m {
            for direction in Direction::BOTH {
                let found = largest(self.run.steps.iter().filter_map(|s| {
                    let lost = match direction {
                        Direction::Compression => s.lost_motion_m.compression_start,
                        Direction::Rebound => s.lost_motion_m.rebound_start,
                    };
                    Some((lost?, lost_error(self.run, s, direction)))
                }));
                let name = format!("lost motion at the start of {}", direction.word());
                criteria.push(self.judge(name, "m", limits, found));
            }
        }
        criteria.extend(spec.findings.iter().map(|kind| finding(self.run, kind)));
    }
}

fn largest(all: impl Iterator<Item = (f64, Option<Part>)>) -> Option<(f64, Option<Part>)> {
    all.max_by(|a, b| a.0.total_cmp(&b.0))
}

/// Loop widths of both directions of a step; error: the noise of two branches.
fn loop_widths(step: &Step) -> Vec<(f64, Option<Part>)> {
    let noise = step.force_noise_n * (2.0 / step.cycles_used.max(1) as f64).sqrt();
    let error = Part::stated(noise / half_peak_to_peak(step).max(f64::MIN_POSITIVE));
    Direction::BOTH
        .iter()
        .filter_map(|d| Some((loop_width(step, *d)?, Some(error))))
        .collect()
}
