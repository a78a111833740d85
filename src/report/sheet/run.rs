//! The sheet of one damper's run.

use std::collections::BTreeMap;

use super::fields::Fields;
use super::{Content, Stationery, draw, numbers};
use crate::notice::Error;
use crate::report::format::dual;
use crate::report::page::Badge;
use crate::report::plots::frame::Plot;
use crate::report::plots::{force_travel, force_velocity, shown_steps};
use crate::report::{Files, facts, words};
use crate::run::Run;
use crate::units::display::{Kind, Shown};

/// Sentences of advice a sheet gives.
const ADVICE: usize = 2;

/// What holds of every sheet.
pub(in crate::report) const ALWAYS: [&str; 2] = [
    "The results apply to the item tested alone, as it was received and set, and to the runs named below.",
    "The fields above are as stated in the file, on a card or by hand; a damper temperature is as logged.",
];
/// What the uncertainties of one run are.
const UNCERTAINTY: &str = "± is the expanded uncertainty U, coverage factor k = 2, from the scatter of this run's cycles; ranges are 95 % \
     intervals. What the calibration of the machine's force and travel adds is not in them.";
/// Care, in one line.
pub(in crate::report) const CARE: &str = "Not a statement of fitness to drive. Gas under pressure, hot bodies: follow the maker's \
     instructions and local codes.";

/// The sheet of a run, as PDF and PNG.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn of_run(run: &Run, stationery: &Stationery, shown: Shown) -> Result<Files, Error> {
    let fields = Fields::of(
        &stationery.shop.labels,
        &run.metadata,
        &stationery.labels,
        &known(run, shown),
    );
    let (headline, badge) = words::headline(run);
    let mut answer = vec![headline.plain(shown).trim().to_owned()];
    if badge == Badge::Act {
        answer.extend(advice(run));
    }
    answer.extend(words::assumption(run).map(|text| text.plain(shown)));
    let mut statements: Vec<String> = untold(run, shown).into_iter().collect();
    statements.push(fields.rule.clone().unwrap_or_else(|| {
        "Decision rule: no limits were set, so nothing is passed or failed. A finding is stated where the numbers are \
         beyond the program's documented thresholds."
            .into()
    }));
    statements.push(UNCERTAINTY.to_owned());
    statements.extend(ALWAYS.map(str::to_owned));
    statements.push(CARE.to_owned());
    let sources: Vec<String> = run
        .source
        .iter()
        .map(|s| format!("{}, SHA-256 {}", file_name(&s.path), s.sha256))
        .collect();
    let content = Content {
        about: run.name.clone(),
        fields,
        answer,
        plots: plots(run),
        grids: numbers::of_run(run, shown),
        statements,
        made_from: sources.join("; "),
        maker: format!("{} {}", run.tool.name, run.tool.version),
    };
    draw(&content, stationery, shown)
}

/// What the gravest finding asks for.
fn advice(run: &Run) -> Option<String> {
    let gravest = words::by_gravity(run).into_iter().next()?;
    let sentences: Vec<&str> = gravest.advice.split_inclusive(". ").take(ADVICE).collect();
    let advice = sentences.concat();
    (!advice.trim().is_empty()).then(|| advice.trim().to_owned())
}

/// Names of what the run could not tell; the report gives the reasons.
fn untold(run: &Run, shown: Shown) -> Option<String> {
    let names: Vec<String> = facts::untold(run)
        .iter()
        .filter_map(|text| Some(text.plain(shown).split_once(':')?.0.to_lowercase()))
        .collect();
    (!names.is_empty()).then(|| {
        format!(
            "Not to be had from this run, for reasons the full report gives: {}.",
            words::listed(&names)
        )
    })
}

/// Fields the run itself answers.
fn known(run: &Run, shown: Shown) -> BTreeMap<&'static str, String> {
    let mut known = BTreeMap::from([("Method", facts::subtitle(run).plain(shown))]);
    let mut add = |name, value: Option<String>| value.and_then(|value| known.insert(name, value));
    if let Some(card) = &run.damper {
        add("Part", card.name.clone());
        add("Serial number", card.serial.clone());
        let charge = card
            .gas_charge_bar
            .map(|bar| format!("{bar} bar, as stated"));
        add("Gas charge", charge);
    }
    add("Part", (!known_part(run)).then(|| run.name.clone()));
    let logged = run.heat.as_ref().and_then(|h| h.temperature.as_ref());
    if let Some(t) = logged.filter(|t| t.used)
        && let (Some(start), Some(end)) = (t.start_c, t.end_c)
    {
        let of = |c| dual(Kind::Temperature, Some(c)).get(shown).to_owned();
        add(
            "Temperature",
            Some(format!("damper {} to {}", of(start), of(end))),
        );
    }
    known
}

fn known_part(run: &Run) -> bool {
    run.damper.as_ref().is_some_and(|card| card.name.is_some())
}

/// A path's last part.
pub(in crate::report) fn file_name(path: &str) -> &str {
    path.rsplit(['/', '\\']).next().unwrap_or(path)
}

/// The curve and the fastest loop.
fn plots(run: &Run) -> Vec<Plot> {
    let mut plots = Vec::new();
    if let Some(figure) = force_velocity::figure(run) {
        plots.push(figure.plot);
    }
    plots.extend(fastest_loop(run));
    plots
}

/// The loop of the highest speed.
pub(in crate::report) fn fastest_loop(run: &Run) -> Option<Plot> {
    let index = shown_steps(run).last()?.step.index;
    let step = run.steps.iter().find(|s| s.index == index)?;
    let one = Run {
        steps: vec![step.clone()],
        ..run.clone()
    };
    Some(Plot {
        title: "Loop at the highest speed".into(),
        ..force_travel::figure(&one)?.plot
    })
}
