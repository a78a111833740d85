//! Heat and temperature in words and in a table: what the channel showed, what to expect,
//! how much goes with temperature.

use super::format::{Dual, MISSING, dual, dual_interval, dual_within, fixed};
use super::page::{Cell, Table};
use super::text::Text;
use crate::heat::{Forecast, Measured, Temperature};
use crate::run::Run;
use crate::units::display::{Kind, quantity};

/// Sentences about temperature and fade, in order; empty where nothing is known.
pub fn sentences(run: &Run) -> Vec<Text> {
    let Some(heat) = &run.heat else {
        return Vec::new();
    };
    let mut out: Vec<Text> = run
        .notices
        .iter()
        .filter(|n| n.code == "hot-surface")
        .map(|n| {
            let help = n.help.as_deref().unwrap_or_default();
            Text::from("Caution: ")
                .and(with_temperature(&n.message))
                .say(format!("; {help}."))
        })
        .collect();
    if let Some(t) = &heat.temperature {
        match &t.problem {
            Some(problem) => out.push(Text::from(format!(
                "The temperature channel is not used: {problem}."
            ))),
            None => out.extend(measured(t, run)),
        }
    }
    if let Some(f) = heat.forecasts.iter().find(|f| f.basis == "card") {
        out.push(expected(f, "By the damper card"));
    } else if let Some(f) = heat.forecasts.first() {
        out.push(expected(f, "By what the channel showed"));
    }
    out.extend(growth(run));
    out
}

/// A message whose first temperature, written in °C, is shown in both scales.
fn with_temperature(message: &str) -> Text {
    let Some((before, after)) = message.split_once(" °C") else {
        return Text::from(message);
    };
    let (words, number) = before.rsplit_once(' ').unwrap_or(("", before));
    match number.parse() {
        Ok(celsius) => Text::from(format!("{words} "))
            .num(Dual::by(|shown| {
                let unit = quantity(Kind::Temperature, shown);
                format!("{:.0}\u{a0}{}", unit.from_si(celsius), unit.symbol)
            }))
            .say(after),
        Err(_) => Text::from(message),
    }
}

fn measured(t: &Temperature, run: &Run) -> Option<Text> {
    let sensitivity = t.sensitivity.as_ref();
    let mut text = Text::new();
    if let Some(c) = t.heat_capacity_j_k {
        text = text
            .say("Its warming means a heat capacity of ")
            .num(dual_within(Kind::HeatCapacity, c.value, c.ci95));
        if let Some(tau) = t.cooling_time_s {
            text = text
                .say("; left alone it cools with a time constant of ")
                .num(dual(Kind::Time, Some(tau.value)));
        }
        text = text.say(". ");
    }
    let hardest = run
        .heat
        .iter()
        .flat_map(|h| &h.per_step)
        .max_by(|a, b| a.power_w.total_cmp(&b.power_w));
    if let Some((step, settled)) = hardest.and_then(|s| Some((s, s.settled_c?))) {
        text = text
            .say("Kept up, the hardest step (")
            .num(dual(Kind::Power, Some(step.power_w)))
            .say(") would settle at ")
            .num(dual(Kind::Temperature, Some(settled.value)))
            .say(", an estimate. ");
    }
    let rate = |m: Measured| dual_within(Kind::SharePerDegree, m.value, m.ci95);
    if let Some(s) = sensitivity
        && let (Some(c), Some(r)) = (s.compression_percent_per_c, s.rebound_percent_per_c)
    {
        text = text
            .say("With temperature, damping force changes by ")
            .num(rate(c))
            .say(" in compression and ")
            .num(rate(r))
            .say(if s.drift_taken_as_none {
                " in rebound, drift over cycles included."
            } else {
                " in rebound."
            });
    }
    (!text.is_empty()).then_some(text)
}

fn expected(forecast: &Forecast, by: &str) -> Text {
    let mut text = Text::from(format!("{by} this run would take it to "))
        .num(dual(Kind::Temperature, Some(forecast.highest_c)));
    for reach in &forecast.reach {
        if let Some(time) = reach.time_s.filter(|t| *t > 0.0) {
            text = text
                .say("; the hardest step reaches ")
                .num(dual(Kind::Temperature, Some(reach.temperature_c)))
                .say(" after ")
                .num(dual(Kind::Time, Some(time)));
            break;
        }
    }
    let basis = forecast.assumptions.join("; ");
    let basis = basis.strip_prefix("an estimate: ").unwrap_or(&basis);
    text.say(format!(". An estimate: {basis}."))
}

fn growth(run: &Run) -> Option<Text> {
    let growth = run.heat.as_ref()?.growth?;
    let best = growth.hydraulic.unwrap_or(growth.total);
    let [low, high] = best.ci95?;
    Some(Text::from(format!(
        "At one stroke, heat per cycle{} grows with speed to the power {} ({} to {}): 1 is a viscous \
         damper, 2 an orifice, below 1 a digressive one.",
        if growth.hydraulic.is_some() {
            " less friction"
        } else {
            ""
        },
        fixed(best.value, 2),
        fixed(low, 2),
        fixed(high, 2)
    )))
}

/// Everything measured about temperature, with intervals; `None` where there is nothing.
pub fn table(run: &Run) -> Option<Table> {
    let heat = run.heat.as_ref()?;
    let mut table = Table::new(
        "Heat and temperature",
        &[("Quantity", None), ("Value", None), ("95 % interval", None)],
    );
    let mut add = |name: &str, kind: Kind, m: Option<Measured>| {
        if let Some(m) = m {
            table.rows.push(vec![
                Cell::Words(name.to_owned()),
                Cell::Dual(dual_within(kind, m.value, m.ci95)),
                Cell::Dual(
                    m.ci95
                        .map_or_else(Dual::default, |ends| dual_interval(kind, ends)),
                ),
            ]);
        }
    };
    let single = |v: Option<f64>| v.map(|value| Measured { value, ci95: None });
    if let Some(t) = heat.temperature.as_ref().filter(|t| t.used) {
        add("Heat capacity", Kind::HeatCapacity, t.heat_capacity_j_k);
        add("Cooling time constant", Kind::Time, t.cooling_time_s);
        add("Heat given off", Kind::Cooling, t.cooling_w_per_k);
        add("Delay of the sensor", Kind::Time, single(t.sensor_lag_s));
        if let Some(s) = &t.sensitivity {
            let names = [
                ("Compression force", s.compression_percent_per_c),
                ("Rebound force", s.rebound_percent_per_c),
                ("Heat per cycle", s.heat_percent_per_c),
            ];
            for (name, value) in names {
                let name = format!("{name}, friction and gas taken out");
                add(&name, Kind::SharePerDegree, value);
            }
            add(
                "Drift of heat apart from temperature, % per 1000 cycles",
                Kind::Number,
                s.drift_percent_per_1000_cycles,
            );
        }
    }
    if let Some(gas) = &heat.gas {
        add(
            "Gas force, measured",
            Kind::ForcePerDegree,
            gas.measured_n_per_c,
        );
        add(
            "Gas force, ideal gas",
            Kind::ForcePerDegree,
            single(gas.ideal_n_per_c),
        );
        add(
            "Gas force, ideal gas and the oil's expansion",
            Kind::ForcePerDegree,
            single(gas.with_oil_expansion_n_per_c),
        );
    }
    for step in &heat.per_step {
        if let Some(settled) = step.settled_c {
            table.rows.push(vec![
                Cell::Words(format!("Step {} kept up settles at", step.step + 1)),
                Cell::Dual(dual(Kind::Temperature, Some(settled.value))),
                Cell::Dual(
                    settled
                        .ci95
                        .map_or_else(Dual::default, |ends| dual_interval(Kind::Temperature, ends)),
                ),
            ]);
        }
    }
    (!table.rows.is_empty()).then_some(table)
}

/// Heat by step with intervals.
pub fn by_step(run: &Run) -> Option<Table> {
    let heat = run.heat.as_ref()?;
    let mut table = Table::new(
        "Heat per cycle",
        &[
            ("Step", None),
            ("Whole", None),
            ("95 % interval", None),
            ("Compression", None),
            ("Rebound", None),
            ("Friction's share", Some(Kind::Share)),
            ("Mean power", Some(Kind::Power)),
            ("Peak power", Some(Kind::Power)),
        ],
    );
    for s in &heat.per_step {
        let energy = |value, ends| Cell::Dual(dual_within(Kind::Energy, value, ends));
        table.rows.push(vec![
            Cell::Count(s.step as u64 + 1),
            energy(s.energy_per_cycle_j, s.energy_ci95_j),
            Cell::Dual(s.energy_ci95_j.map_or_else(
                || Dual::same(MISSING),
                |ends| dual_interval(Kind::Energy, ends),
            )),
            energy(s.compression_j, s.compression_ci95_j),
            energy(s.rebound_j, s.rebound_ci95_j),
            Cell::Number(s.friction_share),
            Cell::Number(Some(s.power_w)),
            Cell::Number(Some(s.peak_power_w)),
        ]);
    }
    (!table.rows.is_empty()).then_some(table)
}
