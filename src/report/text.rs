//! Sentences with numbers in them, in both unit systems.

use super::format::Dual;
use crate::units::display::Shown;

/// A piece of a sentence.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Piece {
    /// Words.
    Words(String),
    /// A number with its unit.
    Number(Dual),
}

/// A sentence or paragraph.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Text(pub Vec<Piece>);

impl Text {
    /// Nothing yet.
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds words.
    #[must_use]
    pub fn say(mut self, words: impl Into<String>) -> Self {
        self.0.push(Piece::Words(words.into()));
        self
    }

    /// Adds a number.
    #[must_use]
    pub fn num(mut self, number: Dual) -> Self {
        self.0.push(Piece::Number(number));
        self
    }

    /// Adds another text.
    #[must_use]
    pub fn and(mut self, other: Self) -> Self {
        self.0.extend(other.0);
        self
    }

    /// True without content.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }

    /// Plain text in one unit system.
    pub fn plain(&self, shown: Shown) -> String {
        self.0
            .iter()
            .map(|piece| match piece {
                Piece::Words(words) => words.as_str(),
                Piece::Number(number) => number.get(shown),
            })
            .collect()
    }

    /// The two plain texts.
    pub fn dual(&self) -> Dual {
        Dual::by(|shown| self.plain(shown))
    }

    /// HTML, everything escaped; numbers that differ between systems are given in both.
    pub fn html(&self) -> String {
        self.0
            .iter()
            .map(|piece| match piece {
                // A percent sign stays with its number.
                Piece::Words(words) => escape(words).replace(" %", "\u{a0}%"),
                Piece::Number(number) => dual_html(number),
            })
            .collect()
    }
}

impl From<&str> for Text {
    fn from(words: &str) -> Self {
        Self::new().say(words)
    }
}

impl From<String> for Text {
    fn from(words: String) -> Self {
        Self::new().say(words)
    }
}

impl From<Dual> for Text {
    fn from(number: Dual) -> Self {
        Self::new().num(number)
    }
}

/// A dual as HTML.
pub fn dual_html(number: &Dual) -> String {
    if number.is_same() {
        return escape(&number.si);
    }
    format!(
        "<span class=\"si\">{}</span><span class=\"us\">{}</span>",
        escape(&number.si),
        escape(&number.us)
    )
}

/// Text made safe for HTML and SVG, in content and in attributes. Control characters,
/// which neither may hold, become a visible stand-in, and so do the marks that turn the
/// direction of writing (they can make a file name read as another).
pub fn escape(text: &str) -> String {
    let mut out = String::with_capacity(text.len());
    for c in text.chars() {
        match c {
            '&' => out.push_str("&amp;"),
            '<' => out.push_str("&lt;"),
            '>' => out.push_str("&gt;"),
            '"' => out.push_str("&quot;"),
            '\'' => out.push_str("&#39;"),
            '\n' | '\t' => out.push(' '),
            c if unsafe_to_show(c) => out.push('\u{fffd}'),
            c => out.push(c),
        }
    }
    out
}

/// A text with its first letter large, as a sentence begins.
pub fn capital(text: &str) -> String {
    let mut letters = text.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// True for characters that must not reach a page or a terminal as they are.
pub fn unsafe_to_show(c: char) -> bool {
    c.is_control()
        || matches!(c, '\u{202a}'..='\u{202e}' | '\u{2066}'..='\u{2069}' | '\u{200e}' | '\u{200f}' | '\u{fffe}' | '\u{ffff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn nothing_gets_out_of_an_attribute_or_an_element() {
        assert_eq!(
            escape("\"><script>alert('x')</script>\u{1b}[31m\u{202e}"),
            "&quot;&gt;&lt;script&gt;alert(&#39;x&#39;)&lt;/script&gt;\u{fffd}[31m\u{fffd}"
        );
    }
}
