//! Reading a description: mistakes come back with line, what was found and what to do.

use super::Spec;
use crate::notice::{Error, Place};

/// A description from TOML text. `path` is only named in errors.
///
/// # Errors
/// [`crate::notice::Fault::Input`] with file and line if the text is not a description, or
/// holds a name that does not exist (with the nearest one that does).
pub fn from_toml(text: &str, path: &str) -> Result<Spec, Error> {
    toml::from_str(text).map_err(|error| {
        let line = error.span().map(|span| {
            1 + text
                .as_bytes()
                .iter()
                .take(span.start)
                .filter(|&&b| b == b'\n')
                .count() as u64
        });
        let message = error.message().trim_end().replace('\n', " ");
        let help = advice(&message);
        Error::input("bad-spec", message)
            .at(Place {
                path: Some(path.to_owned()),
                line,
                text: line.and_then(|n| {
                    let row = usize::try_from(n).ok()?.checked_sub(1)?;
                    Some(text.lines().nth(row)?.to_owned())
                }),
                ..Place::default()
            })
            .help(help)
    })
}

/// What to do about a message of the parser. Names stand between back-quotes in it: first the
/// one found, then those that exist.
fn advice(message: &str) -> String {
    let names: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let unknown = message.starts_with("unknown field") || message.starts_with("unknown variant");
    match names.split_first() {
        Some((found, known)) if unknown => {
            let nearest = known
                .iter()
                .max_by(|a, b| {
                    strsim::jaro_winkler(found, a).total_cmp(&strsim::jaro_winkler(found, b))
                })
                .copied();
            nearest.map_or_else(
                || "see docs/simulate.md for the names that exist".to_owned(),
                |name| format!("did you mean `{name}`? All names are in docs/simulate.md"),
            )
        }
        _ => "see docs/simulate.md for what a description holds".to_owned(),
    }
}
