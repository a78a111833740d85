//! Reading a description: mistakes come back with line, what was found and what to do.

use super::{Spec, limits};
use crate::notice::{Error, Place};

/// A description from TOML text. `path` is only named in errors.
///
/// # Errors
/// [`crate::notice::Fault::Input`] with file and line if the text is not a description, or
/// holds a name that does not exist (with the nearest one that does) or values that cannot be.
pub fn from_toml(text: &str, path: &str) -> Result<Spec, Error> {
    let spec = toml::from_str(text).map_err(|error| {
        let (message, help) = explain(error.message().trim_end());
        let place = error
            .span()
            .map_or_else(Place::default, |span| place(text, span.start, span.end));
        Error::input("bad-spec", message).at(place).help(help)
    });
    spec.and_then(|spec| limits::check(&spec).map(|()| spec))
        .map_err(|error| with_lines(error, text).in_file(path))
}

/// Gives every problem that starts with a field's name the line that sets the field.
fn with_lines(mut error: Error, text: &str) -> Error {
    for problem in &mut error.problems {
        let name = problem.message.split_whitespace().next().unwrap_or("");
        if problem.place.is_none() {
            problem.place = setting(text, name);
        }
    }
    error
}

/// Where the text sets `table.key`.
fn setting(text: &str, name: &str) -> Option<Place> {
    let mut table = String::new();
    let mut start = 0;
    for line in text.split_inclusive('\n') {
        let trimmed = line.trim();
        if let Some(header) = trimmed.strip_prefix('[') {
            table = header.split(']').next().unwrap_or("").trim().to_owned();
        } else if let Some((key, _)) = trimmed.split_once('=') {
            let key = key.trim();
            let full = if table.is_empty() {
                key.to_owned()
            } else {
                format!("{table}.{key}")
            };
            if full == name {
                let at = start + line.find(key).unwrap_or(0);
                return Some(place(text, at, at + key.len()));
            }
        }
        start += line.len();
    }
    None
}

/// The line that holds a byte range.
fn place(text: &str, from: usize, to: usize) -> Place {
    let before = text.get(..from).unwrap_or(text);
    let start = before.rfind('\n').map_or(0, |i| i + 1);
    let line = text.get(start..).unwrap_or("").lines().next().unwrap_or("");
    Place {
        line: Some(before.matches('\n').count() as u64 + 1),
        text: Some(line.to_owned()),
        span: Some((from - start, (to - start).min(line.len()).max(from - start))),
        ..Place::default()
    }
}

/// A parser's message in plainer words, and what to do. Names stand between back-quotes in
/// it: first the one found, then those that exist.
fn explain(message: &str) -> (String, String) {
    let names: Vec<&str> = message.split('`').skip(1).step_by(2).collect();
    let unknown = message.starts_with("unknown field") || message.starts_with("unknown variant");
    if let Some((found, known)) = names.split_first()
        && unknown
    {
        let nearest = known.iter().max_by(|a, b| {
            strsim::jaro_winkler(found, a).total_cmp(&strsim::jaro_winkler(found, b))
        });
        let what = if message.starts_with("unknown field") {
            format!("there is no `{found}` here")
        } else {
            format!("`{found}` is not one of the words allowed here")
        };
        let guess = nearest.map_or_else(String::new, |name| format!("did you mean `{name}`? "));
        return (what, format!("{guess}allowed here: {}", known.join(", ")));
    }
    (
        message.replace('\n', " "),
        "docs/simulate.md lists what a description holds".to_owned(),
    )
}
