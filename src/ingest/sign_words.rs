//! Sentences before the table that state signs, such as "displacement positive in rebound
//! (extension), force positive in tension".

use super::header::NAMED;
use super::names::{ColumnName, fold, is_compression, is_rebound, words};
use crate::recording::{Polarity, Role, StatedSigns};

/// Beginnings of the words for positive and negative in the languages column names are known in.
const POSITIVE: [&str; 5] = ["positiv", "positif", "positief", "dodatn", "kladn"];
const NEGATIVE: [&str; 5] = ["negativ", "negatif", "negatief", "ujemn", "zaporn"];

/// A force that pulls the rod out, or pushes it in: what the load cell calls tension and
/// compression. A damper resists compression by pushing.
const PULLS: [&str; 10] = [
    "tension",
    "tensile",
    "pull",
    "pulling",
    "traction",
    "traccion",
    "trazione",
    "tracao",
    "zugkraft",
    "trekkracht",
];
const PUSHES: [&str; 4] = ["push", "pushing", "druckkraft", "drukkracht"];

/// What of a sentence has been read so far.
#[derive(Debug, Clone, Copy, Default)]
struct Clause {
    of_force: Option<bool>,
    sign: Option<Polarity>,
    /// True for compression.
    compression: Option<bool>,
}

impl Clause {
    /// Gives what is complete to the signs, and begins anew.
    fn settle(&mut self, signs: &mut StatedSigns) {
        let (Some(of_force), Some(sign), Some(compression)) =
            (self.of_force, self.sign, self.compression)
        else {
            return;
        };
        let sign = if compression { sign } else { sign.flipped() };
        let place = if of_force {
            &mut signs.force
        } else {
            &mut signs.compression
        };
        *place = place.or(Some(sign));
        *self = Self::default();
    }
}

/// The signs one line states; nothing where a subject, a sign and a direction do not all
/// stand together.
pub(super) fn read(line: &str) -> StatedSigns {
    let folded = fold(line);
    let mut signs = StatedSigns::default();
    for sentence in folded.split(". ") {
        let all = words(sentence);
        if all
            .iter()
            .any(|w| begins(w, &POSITIVE) || begins(w, &NEGATIVE))
        {
            read_sentence(&all, &mut signs);
        }
    }
    signs
}

fn begins(word: &str, list: &[&str]) -> bool {
    list.iter().any(|w| word.starts_with(w))
}

fn read_sentence(all: &[&str], signs: &mut StatedSigns) {
    let mut clause = Clause::default();
    for word in all.iter().copied() {
        if begins(word, &POSITIVE) {
            clause.sign = Some(Polarity::Positive);
        } else if begins(word, &NEGATIVE) {
            clause.sign = Some(Polarity::Negative);
        } else if is_compression(word) || PUSHES.contains(&word) {
            clause.compression = Some(true);
        } else if is_rebound(word) || PULLS.contains(&word) {
            clause.compression = Some(false);
        } else {
            let name = ColumnName::parse(word);
            let fits = |role| word.len() > 2 && name.fit(role) >= NAMED;
            let subject = match (fits(Role::Force), fits(Role::Displacement)) {
                (true, false) => Some(true),
                (false, true) => Some(false),
                _ => None,
            };
            if subject.is_some() {
                // Another subject: what was left unfinished belonged to the one before.
                if clause.of_force.is_some() {
                    clause = Clause::default();
                }
                clause.of_force = subject;
            }
        }
        clause.settle(signs);
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use Polarity::{Negative, Positive};

    #[test]
    fn signs_are_read_where_subject_sign_and_direction_stand_together() {
        for (line, compression, force) in [
            (
                "Displacement: positive in rebound (extension)",
                Some(Negative),
                None,
            ),
            ("# force positive in tension", None, Some(Negative)),
            (
                "Sign convention: displacement positive in rebound, force positive in compression",
                Some(Negative),
                Some(Positive),
            ),
            (
                "Travel negative in compression; force negative in rebound",
                Some(Negative),
                Some(Positive),
            ),
            (
                "Weg positiv beim Einfedern, Kraft positiv in Zug",
                Some(Positive),
                Some(Negative),
            ),
            ("Deplacement positif en detente", Some(Negative), None),
            ("Operator is positive about this force", None, None),
            ("Displacement;25;mm", None, None),
            ("compression positive", None, None),
            (
                "Force channel: 2 (positive gain). Compression valve: A",
                None,
                None,
            ),
        ] {
            let signs = read(line);
            assert_eq!(
                (signs.compression, signs.force),
                (compression, force),
                "{line}"
            );
        }
    }
}
