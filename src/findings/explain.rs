//! One cause is named once: what another finding explains is not listed again.

use super::Finding;

/// Who explains whom: the symptom, and what accounts for it where it is there. Symptoms are
/// what any of several causes brings about.
const EXPLAINS: &[(&str, &[&str])] = &[
    (
        "hysteresis",
        &["cavitation", "aeration", "play", "end-contact", "side-load"],
    ),
    ("unsettled", &["aeration", "fade"]),
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
