//! Criteria of a check: findings that must not be there, and all of them in one sentence.

use super::check::{Criterion, Limit, Passed};
use super::sentence::{Sentence, say};
use crate::findings::Verdict as Seen;
use crate::run::Run;
use crate::units::display::{Kind, kind_of_symbol};

/// A finding that must not be there.
pub(super) fn finding(run: &Run, kind: &str) -> Criterion {
    let found = run.findings.iter().filter(|f| f.kind == kind);
    let (verdict, remark) = match found.map(|f| f.verdict).max() {
        Some(Seen::None) => (Passed::Pass, None),
        Some(Seen::Onset) => (Passed::Fail, Some("beginning")),
        Some(Seen::Developed) => (Passed::Fail, Some("plainly there")),
        Some(Seen::CannotTell) => (Passed::Undecided, Some("this run cannot tell")),
        None => (
            Passed::Undecided,
            Some("not looked for in this run; see `loopwork explain` for the names"),
        ),
    };
    Criterion {
        name: format!("no {}", kind.replace('-', " ")),
        limit: Limit::default(),
        value: None,
        ci95: None,
        verdict,
        unit: "1".into(),
        margin: None,
        target: None,
        direction: None,
        velocity_m_s: None,
        remark: remark.map(say),
    }
}

/// How many fail, how many are undecided, and what failed worst.
pub(super) fn answer(criteria: &[Criterion]) -> Sentence {
    let count = |v: Passed| criteria.iter().filter(|c| c.verdict == v).count();
    let (failed, open, n) = (
        count(Passed::Fail),
        count(Passed::Undecided),
        criteria.len(),
    );
    let head = match (failed, open) {
        (0, 0) => return say(format!("pass: all {n} criteria are met")),
        (0, _) => {
            return say(format!(
                "undecided: none of {n} criteria fails, {open} cannot be told from this run"
            ));
        }
        (_, 0) => say(format!("fail: {failed} of {n} criteria")),
        _ => say(format!(
            "fail: {failed} of {n} criteria, and {open} undecided"
        )),
    };
    match worst(criteria) {
        Some(worst) => head
            .text("; ")
            .text(if failed > 1 { "worst: " } else { "" })
            .join(worst),
        None => head,
    }
}

/// The limit that a value lies beyond, and by how much of its unit.
fn beyond(c: &Criterion) -> Option<(f64, f64, &'static str)> {
    let value = c.value?;
    let low = c
        .limit
        .min
        .filter(|l| value < *l)
        .map(|l| (l, l - value, "below the least"));
    low.or_else(|| {
        c.limit
            .max
            .filter(|h| value > *h)
            .map(|h| (h, value - h, "above the most"))
    })
}

/// What failed by the largest share of its limit; a finding where no number failed.
fn worst(criteria: &[Criterion]) -> Option<Sentence> {
    let failed = || criteria.iter().filter(|c| c.verdict == Passed::Fail);
    let share = |(limit, by, _): (f64, f64, &str)| by / limit.abs().max(by * 1e-3);
    let numbers = failed().filter_map(|c| Some((c, beyond(c)?)));
    let Some((c, (limit, by, side))) = numbers.max_by(|a, b| share(a.1).total_cmp(&share(b.1)))
    else {
        return failed()
            .next()
            .map(|c| say(c.name.replacen("no ", "found: ", 1)));
    };
    let kind = match c.unit.as_str() {
        "1" => Kind::Share,
        unit => kind_of_symbol(unit).unwrap_or(Kind::Number),
    };
    let name = match (c.direction, c.velocity_m_s) {
        (Some(direction), Some(v)) => {
            say(format!("{} at ", direction.word())).number(v, Kind::Speed)
        }
        _ => say(c.name.clone()),
    };
    let name = name
        .text(" is ")
        .number(by, kind)
        .text(format!(" {side} allowed, "));
    let value = c.value.unwrap_or(limit);
    Some(
        name.number(value, kind)
            .text(" against ")
            .number(limit, kind),
    )
}
