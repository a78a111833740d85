//! Heat and temperature in words and in a table: what the channel showed, what to expect,
//! how much goes with temperature.

use super::format::{Dual, bare, dual, dual_within, fixed};
use super::page::{Cell, Table};
use super::text::Text;
use crate::heat::{Forecast, Measured, Temperature};
use crate::run::Run;
use crate::units::display::Kind;

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
            Text::from(format!("Caution: {}; {help}.", n.message))
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

fn measured(t: &Temperature, run: &Run) -> Option<Text> {
    let sensitivity = t.sensitivity.as_ref();
    let mut text = Text::new();
    if let Some(c) = t.heat_capacity_j_k {
        text = text.say(format!(
            "Its warming means a heat capacity of {} J/K",
            fixed(c.value, 0)
        ));
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
    let share = |m: Option<Measured>| m.map(|m| fixed(m.value, 2));
    if let Some(s) = sensitivity
        && let (Some(c), Some(r)) = (
            share(s.compression_percent_per_c),
            share(s.rebound_percent_per_c),
        )
    {
        text = text.say(format!(
            "Per °C, damping force changes by {c} % in compression and {r} % in rebound{}.",
            if s.drift_taken_as_none {
                ", drift over cycles included"
            } else {
                ""
            }
        ));
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
    text.say(format!(
        ". An estimate: {}.",
        forecast.assumptions.join("; ")
    ))
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
    let mut plain = |name: &str, m: Option<Measured>, unit: &str, decimals: usize| {
        if let Some(m) = m {
            let ends = m.ci95.map_or_else(String::new, |[a, b]| {
                format!("{} to {}", fixed(a, decimals), fixed(b, decimals))
            });
            table.rows.push(vec![
                Cell::Words(name.to_owned()),
                Cell::Words(format!("{} {unit}", fixed(m.value, decimals))),
                Cell::Words(ends),
            ]);
        }
    };
    if let Some(t) = heat.temperature.as_ref().filter(|t| t.used) {
        plain("Heat capacity", t.heat_capacity_j_k, "J/K", 0);
        plain("Cooling time constant", t.cooling_time_s, "s", 0);
        plain("Heat given off", t.cooling_w_per_k, "W/K", 2);
        let delay = t.sensor_lag_s.map(|v| Measured {
            value: v,
            ci95: None,
        });
        plain("Delay of the sensor", delay, "s", 1);
        if let Some(s) = &t.sensitivity {
            let names = [
                ("Compression force", s.compression_percent_per_c),
                ("Rebound force", s.rebound_percent_per_c),
                ("Heat per cycle", s.heat_percent_per_c),
            ];
            for (name, value) in names {
                plain(
                    &format!("{name}, friction and gas taken out"),
                    value,
                    "%/°C",
                    3,
                );
            }
            plain(
                "Drift of heat apart from temperature",
                s.drift_percent_per_1000_cycles,
                "% per 1000 cycles",
                2,
            );
        }
    }
    if let Some(gas) = &heat.gas {
        plain("Gas force, measured", gas.measured_n_per_c, "N/°C", 2);
        let single = |v: Option<f64>| v.map(|value| Measured { value, ci95: None });
        plain("Gas force, ideal gas", single(gas.ideal_n_per_c), "N/°C", 2);
        plain(
            "Gas force, ideal gas and the oil's expansion",
            single(gas.with_oil_expansion_n_per_c),
            "N/°C",
            2,
        );
    }
    for step in &heat.per_step {
        if let Some(settled) = step.settled_c {
            table.rows.push(vec![
                Cell::Words(format!("Step {} kept up settles at", step.step + 1)),
                Cell::Dual(dual(Kind::Temperature, Some(settled.value))),
                Cell::Dual(settled.ci95.map_or_else(Dual::default, |[a, b]| {
                    Dual::by(|shown| {
                        format!(
                            "{} to {}",
                            bare(Kind::Temperature, Some(a), shown),
                            bare(Kind::Temperature, Some(b), shown)
                        )
                    })
                })),
            ]);
        }
    }
    (!table.rows.is_empty()).then_some(table)
}

/// Heat by step with intervals.
pub fn by_step(run: &Run) -> Option<Table> {
    let heat = run.heat.as_ref()?;
    let mut table = Table::new(
        "Heat per cycle with 95 % intervals",
        &[
            ("Step", None),
            ("Whole", Some(Kind::Energy)),
            ("Compression", Some(Kind::Energy)),
            ("Rebound", Some(Kind::Energy)),
            ("Friction", Some(Kind::Share)),
            ("Mean power", Some(Kind::Power)),
            ("Peak power", Some(Kind::Power)),
        ],
    );
    for s in &heat.per_step {
        let energy = |value, ends| Cell::Dual(dual_within(Kind::Energy, value, ends));
        table.rows.push(vec![
            Cell::Count(s.step as u64 + 1),
            energy(s.energy_per_cycle_j, s.energy_ci95_j),
            energy(s.compression_j, s.compression_ci95_j),
            energy(s.rebound_j, s.rebound_ci95_j),
            Cell::Number(s.friction_share),
            Cell::Number(Some(s.power_w)),
            Cell::Number(Some(s.peak_power_w)),
        ]);
    }
    (!table.rows.is_empty()).then_some(table)
}
