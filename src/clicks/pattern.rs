//! Settings out of file names: `R{rebound}_C{compression}` reads `front_R3_C12`.

use std::collections::BTreeMap;

use super::setting::Setting;
use super::settings::Settings;
use crate::notice::Error;

/// A pattern: adjusters' names in braces, what stands before each, and a tail.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NamePattern {
    /// (text before, adjuster's name).
    places: Vec<(String, String)>,
    tail: String,
}

impl NamePattern {
    /// Reads a pattern.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Usage`] for a pattern without a name in braces, with an empty
    /// name, a brace that is not closed, one name twice, or two names with nothing between.
    pub fn parse(pattern: &str) -> Result<Self, Error> {
        let refused = |what: String| {
            Error::usage("bad-pattern", format!("{pattern}: {what}"))
                .help("write what the file names hold, such as R{rebound}_C{compression}")
        };
        let mut places: Vec<(String, String)> = Vec::new();
        let mut rest = pattern;
        while let Some((before, after)) = rest.split_once('{') {
            let Some((name, more)) = after.split_once('}') else {
                return Err(refused("a brace is not closed".to_owned()));
            };
            let name = name.trim();
            if name.is_empty() {
                return Err(refused("a name in braces is empty".to_owned()));
            }
            if places.iter().any(|p| p.1 == name) {
                return Err(refused(format!("{{{name}}} stands there twice")));
            }
            if before.is_empty() && !places.is_empty() {
                return Err(refused(format!(
                    "nothing stands before {{{name}}} to tell its number from the one before"
                )));
            }
            places.push((before.to_owned(), name.to_owned()));
            rest = more;
        }
        if places.is_empty() {
            return Err(refused("no adjuster's name in braces".to_owned()));
        }
        Ok(Self {
            places,
            tail: rest.to_owned(),
        })
    }

    /// The settings a file's name (without folder and extension) holds. `None` if the
    /// pattern is not in it, or is in it in two places that say different things.
    pub fn read(&self, name: &str) -> Option<Settings> {
        let mut found: Vec<Settings> = Vec::new();
        let starts = name.char_indices().map(|(i, _)| i);
        for start in starts {
            let digit = |c: char| c.is_ascii_digit() || matches!(c, '.' | ',');
            // A number is read whole: `3` is not in the middle of `13`.
            let inside = self.places.first().is_some_and(|p| p.0.is_empty())
                && name[..start].ends_with(digit);
            if inside {
                continue;
            }
            if let Some(settings) = self.at(&name[start..])
                && !found.contains(&settings)
            {
                found.push(settings);
            }
        }
        (found.len() == 1).then(|| found.remove(0))
    }

    fn at(&self, text: &str) -> Option<Settings> {
        let mut out = BTreeMap::new();
        let mut rest = text;
        for (before, name) in &self.places {
            rest = rest.strip_prefix(before.as_str())?;
            let end = number_end(rest);
            let value = Setting::parse(rest.get(..end)?)?.value;
            out.insert(name.clone(), Setting::bare(value));
            rest = rest.get(end..)?;
        }
        rest.starts_with(self.tail.as_str()).then_some(out)
    }
}

/// Where a leading number ends; a mark counts as decimal only between digits.
fn number_end(text: &str) -> usize {
    let bytes = text.as_bytes();
    let digit = |i: usize| bytes.get(i).is_some_and(u8::is_ascii_digit);
    let mut end = 0;
    while digit(end) {
        end += 1;
    }
    if end > 0 && matches!(bytes.get(end), Some(b'.' | b',')) && digit(end + 1) {
        end += 1;
        while digit(end) {
            end += 1;
        }
    }
    end
}

#[cfg(test)]
mod tests {
    use super::*;

    fn read(pattern: &str, name: &str) -> Option<Vec<(String, f64)>> {
        let settings = NamePattern::parse(pattern).unwrap().read(name)?;
        Some(settings.into_iter().map(|(k, s)| (k, s.value)).collect())
    }

    #[test]
    fn numbers_come_out_of_names() {
        let both = read("R{rebound}_C{compression}", "front_R3_C12").unwrap();
        assert_eq!(
            both,
            [("compression".into(), 12.0), ("rebound".into(), 3.0)]
        );
        assert_eq!(read("R{r}", "run_R2.5.out").unwrap()[0].1, 2.5);
        assert_eq!(read("{n} clicks", "rear 13 clicks").unwrap()[0].1, 13.0);
        assert_eq!(read("R{r}", "front_C3"), None);
        assert_eq!(read("R{r}", "R3_R4"), None, "two answers are none");
        assert_eq!(read("R{r}", "häR7ß").unwrap()[0].1, 7.0);
    }

    #[test]
    fn a_bad_pattern_is_refused() {
        for pattern in ["", "R3", "R{", "R{}", "R{a}C{a}", "R{a}{b}"] {
            assert_eq!(NamePattern::parse(pattern).unwrap_err().exit_code(), 2);
        }
    }
}
