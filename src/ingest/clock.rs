//! Clock time: `10:23:45.123`, with or without a date before it, of 24 hours or of 12 with
//! AM and PM; `23:45.123` is minutes and seconds.

/// Seconds since midnight (with a date: since 1970 without leap seconds) at the start of
/// `bytes`, and the length read. A comma is a fraction's mark unless it delimits cells.
pub(super) fn leading(bytes: &[u8], comma_delimits: bool) -> Option<(f64, usize)> {
    if let Some((day, used)) = date(bytes) {
        let rest = bytes.get(used..)?;
        let gap = match rest.first()? {
            b'T' | b't' | b' ' => 1,
            _ => return None,
        };
        let (seconds, length) = time_of_day(rest.get(gap..)?, comma_delimits)?;
        return Some((day as f64 * 86_400.0 + seconds, used + gap + length));
    }
    time_of_day(bytes, comma_delimits)
}

/// The same for a whole cell.
pub(super) fn cell(text: &str) -> Option<f64> {
    let text = text.trim();
    let (seconds, used) = leading(text.as_bytes(), false)?;
    let rest = text.get(used..)?;
    (rest.is_empty() || is_zone(rest)).then_some(seconds)
}

/// `Z`, `+01:00`: one zone for the whole file, so that it can be left out of account.
fn is_zone(rest: &str) -> bool {
    rest == "Z"
        || rest.starts_with(['+', '-'])
            && rest.len() <= 6
            && rest
                .bytes()
                .skip(1)
                .all(|b| b.is_ascii_digit() || b == b':')
}

fn digits(bytes: &[u8], most: usize) -> Option<(u64, usize)> {
    let length = bytes
        .iter()
        .take(most)
        .take_while(|b| b.is_ascii_digit())
        .count();
    let value = bytes
        .get(..length)?
        .iter()
        .fold(0, |n, b| n * 10 + u64::from(b - b'0'));
    (length > 0).then_some((value, length))
}

fn time_of_day(bytes: &[u8], comma_delimits: bool) -> Option<(f64, usize)> {
    let is_mark = |b: u8| b == b'.' || b == b',' && !comma_delimits;
    let (hours, mut at) = digits(bytes, 3)?;
    if bytes.get(at) != Some(&b':') {
        return None;
    }
    at += 1;
    let (minutes, length) = digits(bytes.get(at..)?, 2)?;
    at += length;
    let mut seconds = hours as f64 * 3600.0 + minutes as f64 * 60.0;
    if minutes > 59 {
        return None;
    }
    if bytes.get(at).is_some_and(|b| is_mark(*b))
        && let Some((part, length)) = digits(bytes.get(at + 1..)?, 9)
    {
        // Of hours and minutes nobody writes a fraction: these are minutes and seconds.
        let fraction = part as f64 / 10_f64.powi(i32::try_from(length).ok()?);
        return Some((seconds / 60.0 + fraction, at + 1 + length));
    }
    if bytes.get(at) == Some(&b':') {
        at += 1;
        let (whole, length) = digits(bytes.get(at..)?, 2)?;
        if whole > 60 {
            return None;
        }
        at += length;
        seconds += whole as f64;
        // A colon before milliseconds is a spreadsheet habit.
        if bytes.get(at).is_some_and(|b| is_mark(*b) || *b == b':')
            && let Some((part, length)) = digits(bytes.get(at + 1..)?, 9)
        {
            at += 1 + length;
            seconds += part as f64 / 10_f64.powi(i32::try_from(length).ok()?);
        }
    }
    if let Some((afternoon, length)) = half_of_day(bytes.get(at..).unwrap_or_default())
        && (1..=12).contains(&hours)
    {
        let noon = if afternoon { 12.0 } else { 0.0 };
        seconds += (noon + (hours % 12) as f64 - hours as f64) * 3600.0;
        at += length;
    }
    Some((seconds, at))
}

/// `AM`, `p.m.` and the like: true for the afternoon, and the length with the blank before.
fn half_of_day(bytes: &[u8]) -> Option<(bool, usize)> {
    let blank = usize::from(bytes.first() == Some(&b' '));
    let word = bytes.get(blank..)?;
    let afternoon = match word.first()?.to_ascii_lowercase() {
        b'a' => false,
        b'p' => true,
        _ => return None,
    };
    let dot = usize::from(word.get(1) == Some(&b'.'));
    if !word.get(1 + dot)?.eq_ignore_ascii_case(&b'm') {
        return None;
    }
    let end = usize::from(dot == 1 && word.get(3) == Some(&b'.'));
    Some((afternoon, blank + 2 + dot + end))
}

/// Days since 1970-01-01 of `2026-11-25`, `2026/11/25`, `25.11.2026`, `11/25/2026`. Which
/// of day and month comes first does not matter to a difference within a run, save at the
/// end of a month, where the day is then off by whole days and shows as a seam.
fn date(bytes: &[u8]) -> Option<(i64, usize)> {
    let (a, n1) = digits(bytes, 4)?;
    let mark = *bytes.get(n1)?;
    if !matches!(mark, b'-' | b'/' | b'.') {
        return None;
    }
    let (b, n2) = digits(bytes.get(n1 + 1..)?, 2)?;
    if bytes.get(n1 + 1 + n2) != Some(&mark) {
        return None;
    }
    let (c, n3) = digits(bytes.get(n1 + n2 + 2..)?, 4)?;
    let used = n1 + n2 + n3 + 2;
    let (year, month, day) = if n1 == 4 {
        (a, b, c)
    } else if n3 == 4 && a > 12 || mark == b'.' {
        (c, b, a)
    } else if n3 == 4 {
        (c, a, b)
    } else {
        return None;
    };
    if !(1..=12).contains(&month) || !(1..=31).contains(&day) {
        return None;
    }
    Some((days_from_civil(year, month, day), used))
}

/// Days since 1970-01-01 in the proleptic Gregorian calendar, counted from 1 March so that
/// the leap day comes last.
fn days_from_civil(year: u64, month: u64, day: u64) -> i64 {
    let y = year as i64 - i64::from(month <= 2);
    let era = y.div_euclid(400);
    let year_of_era = y.rem_euclid(400);
    let day_of_year = (153 * ((month as i64 + 9) % 12) + 2) / 5 + day as i64 - 1;
    let day_of_era = year_of_era * 365 + year_of_era / 4 - year_of_era / 100 + day_of_year;
    era * 146_097 + day_of_era - 719_468
}

#[cfg(test)]
mod tests {
    use super::*;

    // POSIX.1-2017, "seconds since the epoch": 2000-01-01T00:00:00Z is 946684800.
    #[test]
    fn dates_count_from_1970() {
        assert_eq!(cell("2000-01-01T00:00:00Z"), Some(946_684_800.0));
        assert_eq!(cell("01.01.2000 00:00:01,5"), Some(946_684_801.5));
        assert_eq!(
            cell("2/29/2000 12:00:00"),
            Some(946_684_800.0 + 59.5 * 86_400.0)
        );
    }

    #[test]
    fn times_of_day_read_with_and_without_fraction() {
        assert_eq!(cell("10:00"), Some(36_000.0));
        assert_eq!(cell("00:00:01.25"), Some(1.25));
        assert_eq!(cell("12.5"), None);
        assert_eq!(cell("1:99:00"), None);
        assert_eq!(cell("02:05.5"), Some(125.5));
        assert_eq!(cell("1:00:00.5 PM"), Some(46_800.5));
        assert_eq!(cell("12:00:01 a.m."), Some(1.0));
        assert_eq!(cell("12:30pm"), Some(45_000.0));
        assert_eq!(cell("13:00 PM"), None);
    }
}
