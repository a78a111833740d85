//! What a rule is, and finding one by name.

use super::{Finding, Look, RULES};

/// What a person should know of a finding. The same text is printed by `loopwork explain`
/// and makes up `docs/findings.md`.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Explanation {
    /// What it means.
    pub means: &'static str,
    /// How it is seen in the data, with the numbers that are looked at.
    pub seen: &'static str,
    /// What else looks like it, and how it is told apart.
    pub alike: &'static str,
    /// What to check next.
    pub next: &'static str,
}

/// One rule.
#[derive(Debug, Clone, Copy)]
pub struct Rule {
    /// Name, kebab-case.
    pub name: &'static str,
    /// What it is about, one line.
    pub line: &'static str,
    /// The text.
    pub explanation: Explanation,
    /// The judgement.
    pub judge: fn(&Look<'_>) -> Finding,
}

/// The rule of a name.
pub fn rule(name: &str) -> Option<&'static Rule> {
    RULES.iter().find(|r| r.name == name)
}

/// Findings that tell of the measurement or of how the run was made, and not of the damper.
const ABOUT_THE_MEASUREMENT: [&str; 3] = ["sensor", "unsettled", "overheated"];

/// Whether a finding tells of the measurement (a fault of the signals, cycles that had not
/// settled, a run that was driven too hot) and not of the damper.
pub fn about_the_measurement(name: &str) -> bool {
    ABOUT_THE_MEASUREMENT.contains(&name)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_tells_of_the_measurement_is_there() {
        for name in ABOUT_THE_MEASUREMENT {
            assert!(rule(name).is_some(), "{name}");
        }
        assert!(!about_the_measurement("cavitation"));
    }

    #[test]
    fn names_are_unique_and_texts_are_complete() {
        for (i, rule) in RULES.iter().enumerate() {
            assert!(
                RULES[i + 1..].iter().all(|r| r.name != rule.name),
                "{} twice",
                rule.name
            );
            let text = &rule.explanation;
            for part in [rule.line, text.means, text.seen, text.alike, text.next] {
                assert!(part.len() > 20, "{}: {part:?}", rule.name);
                assert!(
                    !part.contains("  "),
                    "{}: two blanks in {part:?}",
                    rule.name
                );
            }
        }
    }
}
