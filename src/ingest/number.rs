//! Numbers in cells: quickly where they are written plainly, with patience where not.

use super::plain::{EXACT, POWERS, TENS, eight_digits};

/// Reads a plain number (`-12.345`, optional exponent) at the start of `bytes`; gives its
/// value and length. Correctly rounded: small mantissas with a small power of ten are one
/// exact division, everything else goes to the library.
#[inline]
pub(super) fn leading(bytes: &[u8], decimal: u8) -> Option<(f64, usize)> {
    let mut i = 0;
    let negative = match bytes.first()? {
        b'-' => {
            i = 1;
            true
        }
        b'+' => {
            i = 1;
            false
        }
        _ => false,
    };
    let (mut mantissa, mut digits) = append_digits(bytes.get(i..)?, 0);
    i += digits;
    let mut places = 0;
    if bytes.get(i) == Some(&decimal) {
        i += 1;
        (mantissa, places) = append_digits(bytes.get(i..)?, mantissa);
        i += places;
        digits += places;
    }
    if digits == 0 {
        return None;
    }
    let exponent = matches!(bytes.get(i), Some(b'e' | b'E' | b'd' | b'D'));
    if exponent || digits > 18 || mantissa > EXACT || places > 22 {
        return slow(bytes, decimal);
    }
    let value = mantissa as f64 / POWERS.get(places)?;
    Some((if negative { -value } else { value }, i))
}

/// Appends the digits at the start of `bytes` to a number, eight at a time; gives the number
/// (of no use beyond 18 digits) and how many there were.
///
/// Eight bytes in one word, least first: `0x30` taken off leaves 0..=9 of a digit, and the
/// first byte that is more is found by its carry into bit 7.
#[inline]
fn append_digits(bytes: &[u8], mut number: u64) -> (u64, usize) {
    let mut at = 0;
    while let Some(eight) = bytes.get(at..).and_then(<[u8]>::first_chunk::<8>) {
        let word = u64::from_le_bytes(*eight) ^ 0x3030_3030_3030_3030;
        let others = (word.wrapping_add(0x7676_7676_7676_7676) | word) & 0x8080_8080_8080_8080;
        let count = (others.trailing_zeros() / 8) as usize;
        if count == 0 {
            return (number, at);
        }
        // The digits move to the end, so that zeros stand before them.
        let value = eight_digits(word << (64 - 8 * count));
        number = number
            .wrapping_mul(TENS.get(count).copied().unwrap_or(0))
            .wrapping_add(value);
        at += count;
        if count < 8 {
            return (number, at);
        }
    }
    while let Some(digit) = bytes.get(at).map(|b| b.wrapping_sub(b'0'))
        && digit < 10
    {
        number = number.wrapping_mul(10).wrapping_add(u64::from(digit));
        at += 1;
    }
    (number, at)
}

/// As [`leading`], through the library.
#[cold]
fn slow(bytes: &[u8], decimal: u8) -> Option<(f64, usize)> {
    let length = bytes
        .iter()
        .position(|b| {
            !matches!(b, b'0'..=b'9' | b'+' | b'-' | b'e' | b'E' | b'd' | b'D') && *b != decimal
        })
        .unwrap_or(bytes.len());
    let text = bytes.get(..length)?;
    let (value, used): (f64, usize) =
        if decimal == b'.' && memchr::memchr2(b'd', b'D', text).is_none() {
            fast_float2::parse_partial(text).ok()?
        } else {
            let usual: Vec<u8> = text
                .iter()
                .map(|b| match b {
                    b'd' | b'D' => b'e',
                    b if *b == decimal => b'.',
                    b => *b,
                })
                .collect();
            fast_float2::parse_partial(&usual).ok()?
        };
    value.is_finite().then_some((value, used))
}

/// Marks that may group thousands.
fn is_group(c: char, decimal: char) -> bool {
    match c {
        ',' | '.' => c != decimal,
        '\'' | '’' | ' ' | '\u{a0}' | '\u{2009}' | '\u{202f}' => true,
        _ => false,
    }
}

/// Reads a whole cell: blanks around it or after its sign, quotation marks of either kind,
/// thousands separators, a unicode minus, a minus after the digits and accounting brackets
/// (both negative) are all taken; anything else is not a number.
pub(super) fn cell(text: &str, decimal: char) -> Option<f64> {
    let text = bare(text);
    if text.is_empty() {
        return None;
    }
    if let Some((value, length)) = leading(text.as_bytes(), decimal as u8)
        && length == text.len()
    {
        return Some(value);
    }
    let unsigned = |inner: &str| {
        let digits = inner.trim();
        let plain = digits.starts_with(|c: char| c.is_ascii_digit() || c == decimal);
        plain.then(|| grouped(digits, decimal)).flatten()
    };
    if let Some(inner) = text.strip_prefix('(').and_then(|t| t.strip_suffix(')')) {
        return unsigned(inner).map(|v| -v);
    }
    if let Some(inner) = text.strip_suffix(['-', '−']) {
        return unsigned(inner).map(|v| -v);
    }
    for (sign, factor) in [("-", -1.0), ("−", -1.0), ("–", -1.0), ("+", 1.0)] {
        if let Some(inner) = text.strip_prefix(sign)
            && inner.starts_with(' ')
        {
            return unsigned(inner).map(|v| factor * v);
        }
    }
    grouped(text, decimal)
}

/// A cell without blanks and quotation marks around it. A lone apostrophe before a number is
/// a spreadsheet's mark for text.
fn bare(text: &str) -> &str {
    let text = text.trim();
    let Some(inner) = text.strip_prefix('\'') else {
        return text;
    };
    inner.strip_suffix('\'').unwrap_or(inner).trim()
}

/// A number and the text after it, such as `12.5 mm`; `None` if either is missing.
pub(super) fn with_suffix(text: &str, decimal: char) -> Option<(f64, &str)> {
    let text = bare(text);
    let end = text.rfind(|c: char| c.is_ascii_digit())? + 1;
    let (number, suffix) = text.split_at(end);
    let suffix = suffix.trim();
    if suffix.is_empty() {
        return None;
    }
    Some((cell(number, decimal)?, suffix))
}

/// A number whose thousands may be set apart.
fn grouped(text: &str, decimal: char) -> Option<f64> {
    let mut plain = String::with_capacity(text.len());
    let mut since_group: Option<usize> = None;
    let mut lead = 0_usize;
    let mut group: Option<char> = None;
    let mut fraction = false;
    for c in text.chars() {
        match c {
            '−' | '–' => plain.push('-'),
            c if c == decimal && !fraction => {
                if since_group.is_some_and(|n| n != 3) {
                    return None;
                }
                since_group = None;
                fraction = true;
                plain.push('.');
            }
            c if !fraction && is_group(c, decimal) => {
                if lead == 0 || lead > 3 && since_group.is_none() || group.is_some_and(|g| g != c) {
                    return None;
                }
                if since_group.is_some_and(|n| n != 3) {
                    return None;
                }
                // `0.512` is no 512: nobody sets a nought apart.
                if plain.trim_start_matches(['-', '+']).starts_with('0') {
                    return None;
                }
                group = Some(c);
                since_group = Some(0);
            }
            c if c.is_ascii_digit() => {
                lead += 1;
                since_group = since_group.map(|n| n + 1);
                plain.push(c);
            }
            'e' | 'E' | '+' | '-' => plain.push(c),
            _ => return None,
        }
    }
    if since_group.is_some_and(|n| n != 3) {
        return None;
    }
    let (value, used) = leading(plain.as_bytes(), b'.')?;
    (used == plain.len()).then_some(value)
}

/// True if the cell only reads as a number because its marks are taken as thousands
/// separators, such as `1,234` with a decimal point.
pub(super) fn needs_grouping(text: &str, decimal: char) -> bool {
    let text = text.trim();
    cell(text, decimal).is_some()
        && leading(text.as_bytes(), decimal as u8).is_none_or(|(_, n)| n != text.len())
}

/// How a cell is written, as far as it tells which mark is the decimal one.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Written {
    /// Digits alone.
    Whole,
    /// With the decimal mark.
    Fraction,
    /// Thousands set apart beyond doubt: with the decimal mark as well, or more than once.
    Grouped,
    /// A number whose one point or comma may set thousands apart or be another decimal mark.
    Either,
    /// A number only if the other mark is the decimal one.
    Other,
    /// No number, or one whose thousands no point or comma sets apart.
    Else,
}

/// How a cell is written; a unit after the number does not count.
pub(super) fn written(text: &str, decimal: char) -> Written {
    let other = if decimal == ',' { '.' } else { ',' };
    let end = text
        .rfind(|c: char| c.is_ascii_digit() || c == ')')
        .map_or(0, |at| at + 1);
    let text = bare(text.get(..end).unwrap_or_default());
    let marks = text.matches(other).count();
    match (cell(text, decimal), marks) {
        (Some(_), 0) if text.contains(decimal) => Written::Fraction,
        (Some(_), 0) if text.bytes().all(|b| b.is_ascii_digit() || b == b'-') => Written::Whole,
        (Some(_), 0) => Written::Else,
        (Some(_), 1) if !text.contains(decimal) => Written::Either,
        (Some(_), _) => Written::Grouped,
        (None, 1) if cell(text, other).is_some() => Written::Other,
        (None, _) => Written::Else,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;
    use proptest::test_runner::RngSeed;

    #[test]
    fn a_nought_is_no_group_of_thousands() {
        for text in ["0.512", "-0.512", "00.512", "0.512,5", "012.345"] {
            assert_eq!(cell(text, ','), None, "{text}");
        }
        assert_eq!(cell("1.512", ','), Some(1512.0));
        for (text, how) in [
            ("12", Written::Whole),
            ("-1,5", Written::Fraction),
            ("1.234,5", Written::Grouped),
            ("1.234.567", Written::Grouped),
            ("-1.234", Written::Either),
            ("1.234 N", Written::Either),
            ("0.512", Written::Other),
            ("-12.5", Written::Other),
            ("1234.567", Written::Other),
            ("1'234", Written::Else),
            ("n/a", Written::Else),
            ("", Written::Else),
        ] {
            assert_eq!(written(text, ','), how, "{text}");
        }
    }

    #[test]
    fn marks_that_group_thousands_are_taken() {
        assert_eq!(cell("1,234.5", '.'), Some(1234.5));
        assert_eq!(cell("1.234.567,25", ','), Some(1_234_567.25));
        assert_eq!(cell("12'345.5", '.'), Some(12_345.5));
        assert_eq!(cell("12\u{2009}345", '.'), Some(12_345.0));
        assert_eq!(cell("1,23", '.'), None);
        assert_eq!(cell("12,34,567", '.'), None);
        assert_eq!(cell("−3.5", '.'), Some(-3.5));
        assert_eq!(cell("(3.5)", '.'), Some(-3.5));
        assert_eq!(cell("1,234.5-", '.'), Some(-1234.5));
        assert_eq!(cell("- 3.5", '.'), Some(-3.5));
        assert_eq!(cell("'3.5'", '.'), Some(3.5));
        for none in [
            "(-3.5)", "-3.5-", "(3.5", "3.5)", "- -3", "()", "--", "(mm)",
        ] {
            assert_eq!(cell(none, '.'), None, "{none}");
        }
        assert_eq!(with_suffix("12.5 mm", '.'), Some((12.5, "mm")));
        assert_eq!(with_suffix("-1,5kN", ','), Some((-1.5, "kN")));
        assert_eq!(with_suffix("12.5", '.'), None);
        assert_eq!(with_suffix("mm", '.'), None);
        assert_eq!(cell("1e400", '.'), None);
        assert_eq!(cell("", '.'), None);
        assert_eq!(cell("-", '.'), None);
    }

    // The standard library reads decimals to the nearest double (IEEE 754, round to nearest
    // even); every bit must agree.
    proptest! {
        #![proptest_config(ProptestConfig { failure_persistence: None, rng_seed: RngSeed::Fixed(1), ..ProptestConfig::default() })]

        #[test]
        fn plain_numbers_read_to_the_nearest_double(whole in 0_u64..10_000_000_000, places in 0_usize..12, fraction in any::<u64>(), negative in any::<bool>(), tail in "[,;\t ]?[0-9]{0,9}") {
            let fraction = format!("{:012}", fraction % 1_000_000_000_000);
            let mut text = if negative { format!("-{whole}") } else { format!("{whole}") };
            if places > 0 {
                text += ".";
                text += &fraction[..places];
            }
            let want: f64 = text.parse().unwrap();
            let ended = format!("{text},{tail}");
            for line in [text.as_str(), ended.as_str()] {
                let (value, used) = leading(line.as_bytes(), b'.').unwrap();
                prop_assert_eq!(value.to_bits(), want.to_bits());
                prop_assert_eq!(used, text.len());
            }
        }

        #[test]
        fn any_double_written_out_reads_back(value in any::<f64>().prop_filter("finite", |v| v.is_finite())) {
            for text in [format!("{value}"), format!("{value:e}"), format!("{value:.17e}")] {
                prop_assert_eq!(cell(&text, '.').map(f64::to_bits), Some(value.to_bits()), "{}", text);
            }
        }

        #[test]
        fn any_text_is_a_number_or_not(text in ".{0,24}", comma in any::<bool>()) {
            let decimal = if comma { ',' } else { '.' };
            if let Some(value) = cell(&text, decimal) {
                prop_assert!(value.is_finite());
            }
        }
    }
}
