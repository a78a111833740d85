//! One cause is named once: what another finding explains is not listed again.

use super::Finding;

/// Who explains whom: the symptom, and what accounts for it where it is there. Symptoms are
/// what any of several causes brings about.
const EXPLAINS: &[(&str, &[&str])] = &[
    (
        "hysteresis",
        &[
            "cavitation",
            "aeration",
            "play",
            "bump",
            "hydraulic-stop",
            "position",
            "frequency",
            "spring-fitted",
            "side-load",
            "high-friction",
            "sensor",
        ],
    ),
    ("unsettled", &["aeration", "fade", "play", "cavitation"]),
    // A void that deepens from cycle to cycle softens a reversal as air does; where air itself
    // is the cause, cavitation has already been laid to it.
    ("aeration", &["cavitation"]),
    (
        "leaking-check",
        &["cavitation", "play", "spring-fitted", "position"],
    ),
    ("low-gas", &["spring-fitted"]),
    (
        "side-load",
        &["spring-fitted", "play", "hydraulic-stop", "position"],
    ),
    ("fade", &["aeration"]),
];

/// Takes out what is explained.
pub(super) fn once(mut findings: Vec<Finding>) -> Vec<Finding> {
    for (symptom, causes) in EXPLAINS {
        let cause = causes
            .iter()
            .find(|c| findings.iter().any(|f| f.kind == **c && f.is_there()));
        let Some(cause) = cause else { continue };
        for finding in findings
            .iter_mut()
            .filter(|f| f.kind == *symptom && f.is_there())
        {
            let advice = format!(
                "What is seen here comes with {}, named above.",
                words(cause)
            );
            *finding = Finding {
                advice,
                ..finding.clone()
            }
            .explained(cause);
        }
    }
    findings
}

/// The cause in words.
fn words(kind: &str) -> String {
    kind.replace('-', " ")
}
