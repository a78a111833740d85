//! A measured road from text: distance and height, in metres.

use super::road::Profile;
use crate::notice::{Error, Notice, Place};

/// The most a road may rise or fall over its length, m: a unit has slipped beyond it.
const HIGHEST_M: f64 = 2000.0;

/// Reads two columns of numbers, distance and height in metres, separated by comma, semicolon,
/// tab or blanks (a decimal comma needs one of the last three). Lines before the first number
/// and lines that begin with `#` are headings.
///
/// # Errors
/// [`crate::notice::Fault::Input`]: the line, what was found and what was expected.
pub fn parse(text: &str) -> Result<Profile, Error> {
    let mut points = Vec::new();
    let mut lines = Vec::new();
    for (i, line) in text.trim_start_matches('\u{feff}').lines().enumerate() {
        let line = line.trim();
        if line.is_empty() || line.starts_with('#') {
            continue;
        }
        match pair(line) {
            Some(point) => {
                points.push(point);
                lines.push((i, line));
            }
            None if points.is_empty() => {}
            None => {
                return Err(wrong(
                    i,
                    line,
                    "a road needs two numbers a line, distance and height in metres",
                ));
            }
        }
    }
    let heights = points.iter().map(|p| p.1);
    let rise =
        heights.clone().fold(f64::NEG_INFINITY, f64::max) - heights.fold(f64::INFINITY, f64::min);
    if rise > HIGHEST_M {
        return Err(Error::input(
            "bad-road",
            format!("heights of the road span {rise:.0}; expected metres"),
        )
        .help("write distance and height in metres"));
    }
    Profile::new(&points).map_err(|(at, why)| match lines.get(at) {
        Some((i, line)) => wrong(*i, line, &why),
        None => Error::input("bad-road", format!("the road cannot be used: {why}"))
            .help("a CSV of distance and height in metres, distance rising"),
    })
}

fn pair(line: &str) -> Option<(f64, f64)> {
    let comma_is_decimal = line.contains([';', '\t']);
    let fields: Vec<String> = if comma_is_decimal {
        line.split([';', '\t'])
            .map(|f| f.trim().replace(',', "."))
            .collect()
    } else if line.contains(',') {
        line.split(',').map(|f| f.trim().to_owned()).collect()
    } else {
        line.split_whitespace().map(str::to_owned).collect()
    };
    match fields.as_slice() {
        [x, z, ..] => Some((x.parse().ok()?, z.parse().ok()?)),
        _ => None,
    }
}

fn wrong(at: usize, line: &str, why: &str) -> Error {
    let mut notice = Notice::error("bad-road", format!("the road cannot be used: {why}"));
    notice = notice
        .help("a CSV of distance and height in metres, distance rising")
        .at(Place {
            line: Some(at as u64 + 1),
            text: Some(line.to_owned()),
            ..Place::default()
        });
    Error::new(crate::notice::Fault::Input, notice)
}
