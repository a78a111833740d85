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

#[cfg(test)]
mod tests {
    use super::*;

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
