//! Errors and warnings for people: the line as read with the cell marked, what was
//! expected, and what settles it. On standard error, without colour where it is no terminal.

use std::io::Write as _;

use annotate_snippets::renderer::DecorStyle;
use annotate_snippets::{AnnotationKind, Group, Level, Origin, Renderer, Snippet};

use crate::notice::{Error, Notice, Place, Severity};

/// Longest part of an offending line that is shown, in characters.
const SHOWN: usize = 72;

/// Most warnings printed in full; more are counted.
const WARNINGS_SHOWN: usize = 10;

/// Prints an error on standard error.
pub fn say_error(error: &Error) {
    // A closed standard error leaves nobody to tell.
    let _ = anstream::stderr()
        .lock()
        .write_all(render_error(error).as_bytes());
}

/// Prints warnings on standard error, the weightiest first; notes are left to `inspect` and
/// the report. Nothing if `quiet`.
pub fn say_notices(notices: &[Notice], quiet: bool) {
    if quiet {
        return;
    }
    let worth: Vec<&Notice> = notices
        .iter()
        .filter(|n| n.severity >= Severity::Warning)
        .collect();
    let mut text = String::new();
    for notice in worth.iter().take(WARNINGS_SHOWN) {
        text.push_str(&render(notice));
        text.push('\n');
    }
    let more = worth.len().saturating_sub(WARNINGS_SHOWN);
    if more > 0 {
        text.push_str(&format!("and {more} more warnings\n"));
    }
    let _ = anstream::stderr().lock().write_all(text.as_bytes());
}

/// An error as text with terminal styles in it.
pub fn render_error(error: &Error) -> String {
    let mut text = String::new();
    for problem in &error.problems {
        text.push_str(&render(problem));
        text.push('\n');
    }
    match error.more {
        0 => {}
        1 => text.push_str("and 1 more problem of this kind\n"),
        more => text.push_str(&format!("and {more} more problems of this kind\n")),
    }
    text
}

/// One notice as text with terminal styles in it, without a line end.
pub fn render(notice: &Notice) -> String {
    let level = match notice.severity {
        Severity::Note => Level::NOTE,
        Severity::Warning => Level::WARNING,
        Severity::Error => Level::ERROR,
    };
    let message = clean(&notice.message);
    let help = notice.help.as_deref().map(clean);
    let mut group = Group::with_title(level.primary_title(message));
    let place = notice.place.as_ref();
    let path = place.map(|p| clean(p.path.as_deref().unwrap_or("input")));
    let mut label = None;
    let shown = place.and_then(|p| cut(p, &mut label));
    if let (Some(place), Some(path)) = (place, path) {
        let line = place.line.and_then(|l| usize::try_from(l).ok());
        if let Some((text, span)) = shown {
            let mut snippet = Snippet::source(text)
                .path(path)
                .line_start(line.unwrap_or(1))
                .line_numbering(line.is_some());
            let mark = AnnotationKind::Primary.span(span);
            snippet = snippet.annotation(match label {
                Some(label) => mark.label(label),
                None => mark,
            });
            group = group.element(snippet);
        } else {
            let mut origin = Origin::path(path);
            if let Some(line) = line {
                origin = origin.line(line);
            }
            group = group.element(origin);
        }
    }
    if let Some(help) = help {
        group = group.element(Level::HELP.message(help));
    }
    Renderer::styled()
        .decor_style(DecorStyle::Ascii)
        .render(&[group])
}

/// The part of the offending line worth showing and the marked bytes in it.
fn cut(place: &Place, label: &mut Option<String>) -> Option<(String, std::ops::Range<usize>)> {
    let text = clean(place.text.as_deref()?);
    if text.trim().is_empty() {
        return None;
    }
    *label = match (place.column, place.column_name.as_deref()) {
        (Some(n), Some(name)) if !name.is_empty() => Some(format!("column {n}, {}", clean(name))),
        (Some(n), _) => Some(format!("column {n}")),
        _ => None,
    };
    let whole = 0..text.trim_end().len();
    let span = place
        .span
        .map_or(whole.clone(), |(from, to)| from..to.min(text.len()));
    let marks = text.is_char_boundary(span.start)
        && text.is_char_boundary(span.end)
        && span.start <= span.end
        && span.end <= text.len();
    let span = if marks { span } else { whole };
    // Keep the mark in view: start a third of the width before it.
    let first = if text.chars().count() <= SHOWN {
        0
    } else {
        text.char_indices()
            .rev()
            .filter(|(at, _)| *at <= span.start)
            .nth(SHOWN / 3)
            .map_or(0, |(at, _)| at)
    };
    let rest = text.get(first..)?;
    let last = rest
        .char_indices()
        .nth(SHOWN)
        .map_or(rest.len(), |(at, _)| at);
    let kept = rest.get(..last)?;
    let from = span.start.saturating_sub(first).min(kept.len());
    let to = span.end.saturating_sub(first).clamp(from, kept.len());
    Some((kept.to_owned(), from..to))
}

/// Control characters from a hostile file must not reach the terminal; widths in bytes
/// stay, so that marks do.
fn clean(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        let hidden = c.is_control()
            || matches!(c, '\u{200b}'..='\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{feff}');
        if c == '\t' {
            out.push(' ');
        } else if hidden {
            for _ in 0..c.len_utf8() {
                out.push('?');
            }
        } else {
            out.push(c);
        }
    }
    out
}
