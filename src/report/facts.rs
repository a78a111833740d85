//! Numbers of a run as facts, tables and sentences, shared by page, terminal and summary.

use super::format::{Dual, dual, dual_interval, dual_sd, dual_spread, dual_within};
use super::html::direction_facts;
use super::page::{Cell, Fact, FactGroup, Table};
use super::plots::speed_of;
use super::text::{Text, capital};
use crate::curves::PeakPoint;
use crate::recording::{Channel, Clipped, Layout};
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::{Kind, kind_of_symbol};

/// How many of the measured speeds the opening quotes per direction.
const SPEEDS_QUOTED: usize = 4;

/// Measured peak points to quote, evenly over the speeds, fastest included. Forces are
/// quoted where they were measured: nothing is read off between.
pub fn standard_points(run: &Run, direction: Direction) -> Vec<PeakPoint> {
    let peaks = run.curve.peaks.get(direction);
    if peaks.len() <= SPEEDS_QUOTED {
        return peaks.clone();
    }
    let last = peaks.len() - 1;
    let mut picked: Vec<PeakPoint> = (0..SPEEDS_QUOTED)
        .filter_map(|i| peaks.get(i * last / (SPEEDS_QUOTED - 1)).copied())
        .collect();
    picked.dedup_by(|a, b| a == b);
    picked
}

/// What was tested, one line.
pub fn subtitle(run: &Run) -> Text {
    let mut text = Text::new();
    let cycles: u64 = run.steps.iter().map(|s| s.cycles).sum();
    match (run.steps.first(), run.layout) {
        (_, Layout::SweepTable) | (None, _) => {
            text = text.say("A table of force against speed, without loops.");
        }
        (Some(first), _) => {
            let speeds = || run.steps.iter().map(speed_of);
            let low = speeds().fold(f64::INFINITY, f64::min);
            let high = speeds().fold(0.0, f64::max);
            text = text.say(format!(
                "{} {}, {cycles} cycles, ",
                run.steps.len(),
                if run.steps.len() == 1 {
                    "speed"
                } else {
                    "speeds"
                }
            ));
            if run.steps.len() > 1 {
                text = text.num(dual(Kind::Speed, Some(low))).say(" to ");
            }
            text = text
                .num(dual(Kind::Speed, Some(high)))
                .say(" peak, stroke ");
            let strokes = || run.steps.iter().map(|s| s.stroke_m);
            let short = strokes().fold(first.stroke_m, f64::min);
            let long = strokes().fold(first.stroke_m, f64::max);
            if long > 1.03 * short {
                text = text.num(dual(Kind::Travel, Some(short))).say(" to ");
            }
            text = text.num(dual(Kind::Travel, Some(long))).say(".");
        }
    }
    if let Some(c) = run.reference_c() {
        text = text
            .say(" Curves and fits as they would be at ")
            .num(dual(Kind::Temperature, Some(c)))
            .say(".");
    }
    if let Some(card) = &run.damper {
        let parts: Vec<String> = [
            card.name.clone(),
            card.serial.as_ref().map(|s| format!("serial {s}")),
        ]
        .into_iter()
        .flatten()
        .collect();
        if !parts.is_empty() {
            text = text.say(format!(" Damper: {}.", parts.join(", ")));
        }
    }
    text
}

/// What a report was made from: the hashes of its sources, in order.
pub fn marker(run: &Run) -> String {
    run.source
        .iter()
        .map(|s| s.sha256.as_str())
        .collect::<Vec<_>>()
        .join(" ")
}

/// The opening numbers.
pub fn groups(run: &Run) -> Vec<FactGroup> {
    let mut groups: Vec<FactGroup> = Direction::BOTH
        .into_iter()
        .map(|direction| direction_facts(run, direction))
        .collect();
    let mut rest = Vec::new();
    let mut fact = |name: &str, value: Dual, remark: Text| {
        rest.push(Fact {
            name: Dual::same(name),
            value,
            remark,
        });
    };
    if let Some(statics) = &run.statics {
        let near = |kind: Kind, value: Option<f64>, ci: Option<[f64; 2]>| {
            value.map_or_else(Dual::default, |v| dual_within(kind, v, ci))
        };
        let range = |kind: Kind, ci: Option<[f64; 2]>| {
            ci.map_or_else(Text::new, |ci| {
                Text::from("95 %: ").num(dual_interval(kind, ci))
            })
        };
        if statics.gas_force_n.is_some() {
            fact(
                "Gas force at mid-stroke",
                near(Kind::Force, statics.gas_force_n, statics.ci95.gas_force_n),
                range(Kind::Force, statics.ci95.gas_force_n),
            );
        }
        if statics.gas_pressure_pa.is_some() {
            fact(
                "Gas pressure above air",
                dual(Kind::Pressure, statics.gas_pressure_pa),
                Text::from("from the rod diameter given"),
            );
        }
        if statics.gas_stiffness_n_m.is_some() {
            fact(
                "Gas stiffness",
                near(
                    Kind::Stiffness,
                    statics.gas_stiffness_n_m,
                    statics.ci95.gas_stiffness_n_m,
                ),
                range(Kind::Stiffness, statics.ci95.gas_stiffness_n_m),
            );
        }
        if statics.friction_n.is_some() {
            fact(
                "Friction",
                near(Kind::Force, statics.friction_n, statics.ci95.friction_n),
                range(Kind::Force, statics.ci95.friction_n),
            );
        }
        if statics.moving_mass_kg.is_some() {
            fact(
                "Moving mass at the load cell",
                near(
                    Kind::Mass,
                    statics.moving_mass_kg,
                    statics.ci95.moving_mass_kg,
                ),
                range(Kind::Mass, statics.ci95.moving_mass_kg),
            );
        }
        if statics.zero_drift_n.is_some() {
            fact(
                "Drift of the force at rest",
                near(Kind::Force, statics.zero_drift_n, statics.ci95.zero_drift_n),
                range(Kind::Force, statics.ci95.zero_drift_n),
            );
        }
    }
    if let Some(heat) = &run.heat {
        fact(
            "Heat over the run",
            dual(Kind::Energy, Some(heat.total_j)),
            Text::new(),
        );
        if let Some(most) = run
            .steps
            .iter()
            .max_by(|a, b| a.power_w.total_cmp(&b.power_w))
        {
            fact(
                "Largest mean power",
                dual(Kind::Power, Some(most.power_w)),
                Text::from("at ").num(dual(Kind::Speed, Some(speed_of(most)))),
            );
        }
    }
    groups.push(FactGroup {
        heading: "Gas, friction, heat".into(),
        ink: None,
        facts: rest,
    });
    groups.retain(|group| !group.facts.is_empty());
    groups
}

/// What of gas, friction, mass, drift and delay could not be had, and why.
pub fn untold(run: &Run) -> Vec<Text> {
    const NAMES: [(&str, &str); 6] = [
        ("gas_force_n", "Gas force"),
        ("gas_stiffness_n_m", "Gas stiffness"),
        ("friction_n", "Friction"),
        ("moving_mass_kg", "Moving mass at the load cell"),
        ("zero_drift_n", "Drift of the force at rest"),
        ("force_lag_s", "Delay of the force channel"),
    ];
    let Some(statics) = &run.statics else {
        return Vec::new();
    };
    NAMES
        .into_iter()
        .filter_map(|(key, name)| {
            let why = statics.why_not.get(key)?;
            Some(Text::from(format!("{name}: {why}.")))
        })
        .collect()
}

/// The chosen fits, piece by piece.
pub fn fit_table(run: &Run) -> Table {
    let mut table = Table::new(
        "The fit, piece by piece",
        &[
            ("Direction", None),
            ("Shape", None),
            ("From", Some(Kind::Speed)),
            ("To", Some(Kind::Speed)),
            ("Slope", None),
            ("95 % of slope", None),
            ("Typical miss (RMS)", Some(Kind::Force)),
            ("Points", None),
        ],
    );
    for direction in Direction::BOTH {
        let Some(fit) = run.fits.get(direction) else {
            continue;
        };
        for piece in &fit.segments {
            table.rows.push(vec![
                Cell::Words(direction.word().into()),
                Cell::Words(fit.model.clone()),
                Cell::Number(Some(piece.from_m_s)),
                Cell::Number(Some(piece.to_m_s)),
                Cell::Dual(dual_within(
                    Kind::Damping,
                    piece.slope_n_s_m,
                    piece.slope_ci95_n_s_m,
                )),
                Cell::Dual(
                    piece
                        .slope_ci95_n_s_m
                        .map_or_else(|| Dual::same("–"), |ci| dual_interval(Kind::Damping, ci)),
                ),
                Cell::Number(Some(fit.rmse_n)),
                Cell::Count(fit.points as u64),
            ]);
        }
    }
    table
}

/// Steps, in order of time.
pub fn step_table(run: &Run) -> Table {
    let mut table = Table::new(
        "Steps, in order of time",
        &[
            ("Step", None),
            ("Peak speed", Some(Kind::Speed)),
            ("Stroke", Some(Kind::Travel)),
            ("Frequency", Some(Kind::Frequency)),
            ("Cycles used", None),
            ("Force, compression", None),
            ("Force, rebound", None),
            ("Heat per cycle", Some(Kind::Energy)),
            ("Mean power", Some(Kind::Power)),
        ],
    );
    for step in &run.steps {
        let force = |direction: Direction| {
            let spread = step.force_at_peak_velocity_n.get(direction);
            Cell::Dual(dual_spread(Kind::Force, spread.mean, spread.sd))
        };
        table.rows.push(vec![
            Cell::Count(step.index as u64 + 1),
            Cell::Number(Some(speed_of(step))),
            Cell::Number(Some(step.stroke_m)),
            Cell::Number(Some(step.frequency_hz)),
            Cell::Words(format!("{} of {}", step.cycles_used, step.cycles)),
            force(Direction::Compression),
            force(Direction::Rebound),
            Cell::Number(Some(step.energy_per_cycle_j.mean)),
            Cell::Number(Some(step.power_w)),
        ]);
    }
    table
}

/// Steps as narrow as a terminal wants them.
pub fn short_step_table(run: &Run) -> Table {
    let mut table = Table::new(
        "Steps, in order of time",
        &[
            ("Step", None),
            ("Speed", Some(Kind::Speed)),
            ("Cycles", None),
            ("Comp.", Some(Kind::Force)),
            ("±", None),
            ("Reb.", Some(Kind::Force)),
            ("±", None),
            ("Heat", Some(Kind::Energy)),
            ("Power", Some(Kind::Power)),
            ("Stroke", Some(Kind::Travel)),
        ],
    );
    for step in &run.steps {
        let force = &step.force_at_peak_velocity_n;
        table.rows.push(vec![
            Cell::Count(step.index as u64 + 1),
            Cell::Number(Some(speed_of(step))),
            Cell::Count(step.cycles_used),
            Cell::Number(Some(force.compression.mean)),
            Cell::Dual(dual_sd(Kind::Force, force.compression.sd)),
            Cell::Number(Some(force.rebound.mean)),
            Cell::Dual(dual_sd(Kind::Force, force.rebound.sd)),
            Cell::Number(Some(step.energy_per_cycle_j.mean)),
            Cell::Number(Some(step.power_w)),
            Cell::Number(Some(step.stroke_m)),
        ]);
    }
    table
}

/// Columns as they were understood.
pub fn channel_table(channels: &[Channel]) -> Table {
    let mut table = Table::new(
        "Columns",
        &[
            ("Column", None),
            ("Taken as", None),
            ("Unit", None),
            ("How the unit is known", None),
        ],
    );
    for channel in channels {
        table.rows.push(vec![
            Cell::Words(channel.column.clone()),
            Cell::Words(format!("{:?}", channel.role).to_lowercase()),
            Cell::Words(channel.unit.clone()),
            Cell::Words(channel.unit_evidence.clone()),
        ]);
    }
    table
}

/// Files.
pub fn source_table(run: &Run) -> Table {
    let mut table = Table::new(
        "Files",
        &[
            ("File", None),
            ("Rows", None),
            ("Bytes", None),
            ("Encoding", None),
            ("SHA-256", None),
        ],
    );
    for source in &run.source {
        table.rows.push(vec![
            Cell::Words(source.path.clone()),
            Cell::Count(source.rows),
            Cell::Count(source.bytes),
            Cell::Words(source.encoding.clone()),
            Cell::Words(source.sha256.clone()),
        ]);
    }
    table
}

/// Intervals that differ by less than this share are called even: it is below what three
/// digits show.
const EVEN: f64 = 1e-5;

/// Sampling and what was dropped.
pub fn sampling_sentence(run: &Run) -> Text {
    let s = &run.sampling;
    let mut text = Text::new();
    if let Some(rate) = s.rate_hz {
        text = text
            .say("Sampled at ")
            .num(dual(Kind::Frequency, Some(rate)));
        if let Some(jitter) = s.jitter {
            text = if jitter < EVEN {
                text.say(", evenly")
            } else {
                text.say(", intervals uneven by ")
                    .num(dual(Kind::Share, Some(jitter)))
            };
        }
        text = text.say(". ");
    } else if run.layout != Layout::SweepTable {
        text = text.say("The file has no time base. ");
    }
    text = text.say(format!("{} rows used", s.rows_used));
    text = if s.rows_dropped == 0 {
        text.say(", none left out")
    } else {
        text.say(format!(", {} left out", s.rows_dropped))
    };
    let reasons: Vec<String> = s
        .dropped
        .iter()
        .map(|d| format!("{} ({})", d.reason, d.count))
        .collect();
    text = if reasons.is_empty() {
        text.say(".")
    } else {
        text.say(format!(": {}.", reasons.join(", ")))
    };
    for clipped in &s.clipped {
        text = text
            .say(format!(
                " {} is cut off flat at ",
                capital(&clipped.channel)
            ))
            .num(level(clipped))
            .say(format!(
                " in {} places ({} samples): peaks beyond it are missing.",
                clipped.places, clipped.samples
            ));
    }
    text
}

fn level(clipped: &Clipped) -> Dual {
    let kind = kind_of_symbol(&clipped.unit).unwrap_or(Kind::Number);
    dual(kind, Some(clipped.level))
}

/// Samples that were left out, bridged or cut off, by reason; without rows where there are
/// none.
pub fn sampling_table(run: &Run) -> Table {
    let mut table = Table::new(
        "Samples left out, bridged or cut off flat",
        &[
            ("What", None),
            ("Samples", None),
            ("Share of all", Some(Kind::Share)),
        ],
    );
    let s = &run.sampling;
    let all = (s.rows_used + s.rows_dropped).max(1) as f64;
    let mut add = |what: Dual, count: u64| {
        table.rows.push(vec![
            Cell::Dual(what),
            Cell::Count(count),
            Cell::Number(Some(count as f64 / all)),
        ]);
    };
    for dropped in &s.dropped {
        add(Dual::same(dropped.reason.clone()), dropped.count);
    }
    for clipped in &s.clipped {
        let at = level(clipped);
        let what = Dual::by(|shown| format!("{} cut off at {}", clipped.channel, at.get(shown)));
        add(what, clipped.samples);
    }
    table
}

/// Heat of the run in words.
pub fn heat_sentence(run: &Run) -> Option<Text> {
    let heat = run.heat.as_ref()?;
    let mut text = Text::from("Over the whole run the damper turned ")
        .num(dual(Kind::Energy, Some(heat.total_j)))
        .say(" into heat; at its worst instant ")
        .num(dual(Kind::Power, Some(heat.peak_power_w)))
        .say(".");
    if let Some(t) = heat.temperature.as_ref().filter(|t| t.used)
        && let (Some(start), Some(end)) = (t.start_c, t.end_c)
    {
        text = text
            .say(" It went from ")
            .num(dual(Kind::Temperature, Some(start)))
            .say(" to ")
            .num(dual(Kind::Temperature, Some(end)))
            .say(".");
    }
    Some(text)
}
