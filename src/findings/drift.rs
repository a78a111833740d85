//! Drift: force at rest moves over the run, by gas that warms or by the cell's zero.

use serde::{Deserialize, Serialize};

use super::{Evidence, Explanation, Finding, Look, Rule, Verdict};

/// Thresholds of the rule.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// Change of force at rest over the run that counts, N on a car's damper …
    pub least_n: f64,
    /// … and as a share of half the largest peak-to-peak force.
    pub share: f64,
    /// The same, plain, times that.
    pub plain: f64,
    /// Measured over expected change of the gas force by warming, from and to, within which gas
    /// explains it.
    pub gas_from: f64,
    /// See `gas_from`.
    pub gas_to: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            least_n: 15.0,
            share: 0.01,
            plain: 3.0,
            gas_from: 0.4,
            gas_to: 2.5,
        }
    }
}

/// The rule.
pub(super) const RULE: Rule = Rule {
    name: "drift",
    line: "force at rest moves over the run: gas that warms, or a load cell whose zero wanders",
    explanation: Explanation {
        means: "The force that is there without motion is not the same at the end of the run as at its start. Gas that warms pushes harder, by about a \
third of a percent per degree; a load cell that warms or creeps moves its zero. Either moves all forces the same way.",
        seen: "Change of force at rest over the record, fitted together with gas, friction, delay and the curve; with a temperature channel, held against \
what gas of that force would gain.",
        alike: "Fade lowers the force of both strokes towards nothing; drift moves both the same way. A step of another speed does not move force at rest.",
        next: "Zero the load cell with nothing fitted before and after the run. Start and end the ladder with the same slow step, and log the temperature: \
that tells gas from cell.",
    },
    judge,
};

/// Warming per degree of a gas force at 20 °C: 1/293 of the absolute pressure.
const PER_KELVIN: f64 = 1.0 / 293.0;

fn judge(look: &Look<'_>) -> Finding {
    let t = look.settings.drift;
    let statics = look.case.statics;
    let need = look
        .scale
        .newtons(t.least_n)
        .max(t.share * look.scale.force_n);
    let Some((drift, [low, high])) = statics.zero_drift_n.zip(statics.ci95.zero_drift_n) else {
        return Finding::new(
            RULE.name,
            Verdict::CannotTell,
            "Whether force at rest moved over the run cannot be told: start and end the ladder with the same slow step.",
        );
    };
    // The least it can have been.
    let least = if low > 0.0 || high < 0.0 {
        low.abs().min(high.abs())
    } else {
        0.0
    };
    let mut evidence = vec![
        Evidence::at_least(
            "change of force at rest over the run, at least (95 %)",
            least,
            "N",
            need,
        ),
        Evidence::aside("change of force at rest over the run", Some(drift), "N"),
    ];
    if least < need {
        return Finding::new(
            RULE.name,
            Verdict::None,
            "Force at rest holds over the run.",
        )
        .with(evidence)
        .would_show(
            "change of force at rest over the run",
            need + 0.5 * (high - low),
            "N",
            4.0 * need,
            "start and end the ladder with the same slow step.",
        );
    }
    let warmed = look
        .case
        .heat
        .temperature
        .as_ref()
        .filter(|t| t.used)
        .and_then(|t| Some(t.end_c? - t.start_c?));
    let expected = warmed
        .zip(statics.gas_force_n)
        .map(|(k, gas)| k * gas * PER_KELVIN);
    evidence.push(Evidence::aside(
        "what gas of that force would gain by the warming measured",
        expected,
        "N",
    ));
    let advice = match expected {
        Some(e) if e != 0.0 && (t.gas_from..=t.gas_to).contains(&(drift / e)) => {
            "Force at rest moves as gas does that warms with the damper. Gas force and charge here are those of the start of the record."
        }
        Some(_) => {
            "Force at rest moves by another amount than gas that warms: the load cell's zero wanders. Zero it with nothing fitted before and after; forces \
carry that change, the same way in both strokes."
        }
        None => {
            "Force at rest moves over the run: gas that warms, or the load cell's zero. Log the temperature, and zero the cell with nothing fitted before and \
after, to tell which; forces carry that change, the same way in both strokes."
        }
    };
    let verdict = if least >= t.plain * need {
        Verdict::Developed
    } else {
        Verdict::Onset
    };
    Finding::new(RULE.name, verdict, advice)
        .with(evidence)
        .sized("of change of force at rest over the run", drift, "N")
}
