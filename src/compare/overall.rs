//! Verdict, answer and reasons of one of the others; how the numbers were made.

use super::answer::answer;
use super::comparison::{Caution, Comparison, Overall};
use super::identity::{SIGNS_DIFFER, stands_first};
use super::repeat::Repeats;
use super::revalve::{Moved, in_words, statics_moved};
use super::sentence::{Sentence, say};
use super::settings::{CompareSettings, Purpose};
use super::verdict::Verdict;
use super::words::reasons_of_direction;
use crate::steps::Direction;
use crate::units::display::Kind;

/// Verdict and reasons of one other.
pub(super) fn overall(comparison: &Comparison, i: usize) -> Overall {
    let mut verdicts = Vec::new();
    let mut reasons: Vec<(Option<Verdict>, Sentence)> = Vec::new();
    if let Some(revalve) = comparison.revalve.get(i) {
        reasons.extend(revalve.sentences.iter().map(|s| (None, s.clone())));
    } else {
        reasons.extend(stories(comparison, i).into_iter().map(|s| (None, s)));
    }
    for direction in Direction::BOTH {
        let Some(part) = comparison.get(direction).get(i) else {
            continue;
        };
        let compared = part.delta_n.iter().any(Option::is_some);
        if part.tolerance_pct.is_some() {
            let found = part.verdict.filter(|_| compared);
            let verdict = Some(found.unwrap_or(Verdict::Undecided));
            verdicts.extend(verdict);
            reasons.push((
                verdict,
                reasons_of_direction(part, direction, &comparison.grid_m_s),
            ));
        } else if !compared {
            reasons.push((
                None,
                say(format!(
                    "{}: no speed was measured with both dampers",
                    direction.word()
                )),
            ));
        }
    }
    if let Some(wear) = comparison.wear.get(i) {
        for criterion in &wear.criteria {
            verdicts.extend(criterion.verdict);
            reasons.push((criterion.verdict, criterion.text.clone()));
        }
    }
    // The worst first; the order within one verdict is kept.
    reasons.sort_by_key(|(v, _)| std::cmp::Reverse(*v));
    let other = &comparison.others[i].name;
    let first = comparison.cautions.iter().filter(|c| stands_first(c));
    let first: Vec<&Caution> = first.filter(|c| c.other.as_ref() == Some(other)).collect();
    let turned = first.iter().any(|c| c.code == SIGNS_DIFFER);
    let verdict = match Verdict::all(verdicts) {
        Some(_) if turned => Some(Verdict::Undecided),
        found => found,
    };
    Overall {
        other: other.clone(),
        answer: match first.iter().find(|c| c.code == SIGNS_DIFFER) {
            Some(caution) => caution.text.clone(),
            None => answer(comparison, i, verdict),
        },
        verdict,
        reasons: first
            .into_iter()
            .filter(|c| c.code != SIGNS_DIFFER)
            .map(|c| c.text.clone())
            .chain(reasons.into_iter().map(|(_, s)| s))
            .collect(),
    }
}

/// What moved of valves, gas and seals, of a pair or a worn damper; its own criteria tell gas
/// and seals of the latter.
fn stories(comparison: &Comparison, i: usize) -> Vec<Sentence> {
    let valves = comparison.stories.get(i).map_or(&[][..], |s| &s.valves);
    let moved = valves.iter().filter(|z| z.moved == Moved::Moved);
    let mut out: Vec<Sentence> = moved
        .map(|z| {
            let what = if z.hydraulic {
                "valves: "
            } else {
                "total force: "
            };
            say(what).join(in_words(z))
        })
        .collect();
    if comparison.purpose == Purpose::Pair {
        out.extend(statics_moved(comparison, i));
    }
    out
}

pub(super) fn notes(
    repeatability: &Repeats,
    tolerance: Option<f64>,
    settings: &CompareSettings,
) -> Vec<Sentence> {
    let mut out = vec![match repeatability.measured_over_stated {
        None => say("run-to-run repeatability was not measured: each run's force is taken to repeat to ")
            .set(0.01 * repeatability.pct, Kind::Share)
            .text(" and ")
            .set(repeatability.n, Kind::Force)
            .text(
                " (one standard deviation, common practice); give a second run of the base with --repeat to \
                 measure it",
            ),
        Some(ratio) => say(format!(
            "run-to-run repeatability from {} repeat(s) of the base, which spread {:.1} times as far as the \
             usual figure, held together with that figure: ",
            repeatability.repeats, ratio
        ))
        .set(0.01 * repeatability.pct, Kind::Share)
        .text(" and ")
        .set(repeatability.n, Kind::Force)
        .text(" (one standard deviation of one run)"),
    }];
    if let Some(pct) = tolerance {
        out.push(
            say("allowed difference: ")
                .set(0.01 * pct, Kind::Share)
                .text(" of the base's force, at least ")
                .set(settings.tolerance_floor_n, Kind::Force)
                .text(match settings.tolerance_pct {
                    Some(_) => "",
                    None => " (default, common practice; set your own with --tolerance)",
                }),
        );
        out.push(say(format!(
            "judged is the force without gas and friction, where both runs tell them, at speeds that were driven; \
             within: at every such speed two one-sided tests at {:.0} % show the difference inside the tolerance; \
             outside: at some speed it lies outside at {:.0} % confidence, allowing for the number of speeds \
             looked at; else undecided",
            100.0 * settings.alpha,
            100.0 * settings.confidence
        )));
    }
    out.push(say(
        "forces in the tables are total forces at mid-stroke, gas and friction included; speeds both were not \
         measured at are left out, and those without a verdict are read between driven ones",
    ));
    out
}
