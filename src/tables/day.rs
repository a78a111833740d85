//! When a run was made: what its file says, or when the file was last written.

use std::collections::BTreeMap;

/// Labels that hold a date, the best first (lower case).
const DATE_LABELS: [&str; 9] = [
    "date",
    "test date",
    "date/time",
    "datetime",
    "timestamp",
    "recorded",
    "datum",
    "start time",
    "created",
];

/// A moment to the second, without a zone: what a label says, or UTC for a file's time.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Moment {
    /// Days since 1970-01-01.
    pub day: i64,
    /// Seconds of the day.
    pub second: i64,
}

impl Moment {
    /// From seconds since 1970-01-01 00:00 UTC.
    pub fn from_unix(seconds: i64) -> Self {
        Self {
            day: seconds.div_euclid(86_400),
            second: seconds.rem_euclid(86_400),
        }
    }

    /// `2026-11-25`.
    pub fn date(&self) -> String {
        let (year, month, day) = civil(self.day);
        format!("{year:04}-{month:02}-{day:02}")
    }

    /// `2026-11-25T14:05:09`.
    pub fn iso(&self) -> String {
        let (h, m, s) = (self.second / 3600, self.second / 60 % 60, self.second % 60);
        format!("{}T{h:02}:{m:02}:{s:02}", self.date())
    }
}

/// The moment a run's labels give, if one of them is a date that can be read only one way.
pub fn of_labels(labels: &BTreeMap<String, String>) -> Option<Moment> {
    DATE_LABELS.iter().find_map(|wanted| {
        let (_, text) = labels
            .iter()
            .find(|(label, _)| label.trim().to_lowercase() == *wanted)?;
        let mut moment = parse(text)?;
        if moment.second == 0 {
            let clock = labels
                .iter()
                .find(|(label, _)| label.trim().eq_ignore_ascii_case("time"))
                .and_then(|(_, text)| clock(text.trim()));
            moment.second = clock.unwrap_or(0);
        }
        Some(moment)
    })
}

/// Reads a date, with or without a time of day: `2026-11-25`, `2026/11/25`, `20261125`,
/// `25.11.2026`, and `25/11/2026` or `11/25/2026` where one number is above 12. A date that
/// could be two different days is refused.
pub fn parse(text: &str) -> Option<Moment> {
    let text = text.trim();
    let end = text.find(['T', ' ', ',']).unwrap_or(text.len());
    let (date, rest) = text.split_at_checked(end)?;
    let day = date_of(date)?;
    let second = clock(rest.trim_start_matches(['T', ' ', ','])).unwrap_or(0);
    Some(Moment { day, second })
}

fn date_of(text: &str) -> Option<i64> {
    let mark = text.chars().find(|c| !c.is_ascii_digit());
    let parts: Vec<i64> = match mark {
        None if text.len() == 8 => [&text[..4], &text[4..6], &text[6..]]
            .iter()
            .filter_map(|p| p.parse().ok())
            .collect(),
        Some(mark @ ('-' | '/' | '.')) => text
            .split(mark)
            .map(|p| p.parse().ok())
            .collect::<Option<_>>()?,
        _ => return None,
    };
    let [a, b, c] = parts.as_slice() else {
        return None;
    };
    let (year, month, day) = match mark {
        _ if *a > 31 => (*a, *b, *c),
        Some('.') => (*c, *b, *a),
        _ if *a > 12 => (*c, *b, *a),
        _ if *b > 12 => (*c, *a, *b),
        _ if a == b => (*c, *a, *b),
        _ => return None,
    };
    let plausible = (1900..=2200).contains(&year) && (1..=12).contains(&month);
    let number = days(year, month, day);
    (plausible && day >= 1 && civil(number) == (year, month, day)).then_some(number)
}

fn clock(text: &str) -> Option<i64> {
    let digits = text.split(['.', 'Z', '+', ' ']).next()?;
    let parts: Vec<i64> = digits
        .split(':')
        .map(|p| p.parse().ok())
        .collect::<Option<_>>()?;
    let (h, m, s) = match parts.as_slice() {
        [h, m] => (*h, *m, 0),
        [h, m, s] => (*h, *m, *s),
        _ => return None,
    };
    let good = (0..24).contains(&h) && (0..60).contains(&m) && (0..61).contains(&s);
    good.then_some(h * 3600 + m * 60 + s.min(59))
}

/// Days since 1970-01-01 of a date of the Gregorian calendar, by counting days in 400-year
/// cycles from 1 March.
fn days(year: i64, month: i64, day: i64) -> i64 {
    let year = if month <= 2 { year - 1 } else { year };
    let cycle = year.div_euclid(400);
    let of_cycle = year.rem_euclid(400);
    let of_year = (153 * ((month + 9) % 12) + 2) / 5 + day - 1;
    cycle * 146_097 + of_cycle * 365 + of_cycle / 4 - of_cycle / 100 + of_year - 719_468
}

/// Year, month, day of a day number: the inverse of [`days`].
fn civil(number: i64) -> (i64, i64, i64) {
    let shifted = number + 719_468;
    let cycle = shifted.div_euclid(146_097);
    let of_cycle = shifted.rem_euclid(146_097);
    let year = (of_cycle - of_cycle / 1_460 + of_cycle / 36_524 - of_cycle / 146_096) / 365;
    let of_year = of_cycle - (365 * year + year / 4 - year / 100);
    let month = (5 * of_year + 2) / 153;
    let day = of_year - (153 * month + 2) / 5 + 1;
    let month = if month < 10 { month + 3 } else { month - 9 };
    let year = year + cycle * 400 + i64::from(month <= 2);
    (year, month, day)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// ISO 8601 calendar facts: 2000 is a leap year, 1900 is not; 1970-01-01 is day 0;
    /// 2^31 − 1 seconds is 2038-01-19 03:14:07 UTC (POSIX, common knowledge).
    #[test]
    fn days_and_dates_agree_with_the_calendar() {
        assert_eq!(Moment::from_unix(0).iso(), "1970-01-01T00:00:00");
        assert_eq!(
            Moment::from_unix(2_147_483_647).iso(),
            "2038-01-19T03:14:07"
        );
        assert_eq!(Moment::from_unix(-1).iso(), "1969-12-31T23:59:59");
        assert_eq!(parse("2000-02-29").unwrap().date(), "2000-02-29");
        assert!(parse("1900-02-29").is_none());
        for number in -40_000..80_000 {
            let (y, m, d) = civil(number);
            assert_eq!(days(y, m, d), number);
        }
    }

    #[test]
    fn dates_are_read_only_where_one_reading_is_left() {
        for (text, date) in [
            ("2026-11-25T14:05:09Z", Some("2026-11-25T14:05:09")),
            ("2026/11/25 14:05", Some("2026-11-25T14:05:00")),
            ("20261125", Some("2026-11-25T00:00:00")),
            ("25.11.2026", Some("2026-11-25T00:00:00")),
            ("25/11/2026", Some("2026-11-25T00:00:00")),
            ("11/25/2026 7:30", Some("2026-11-25T07:30:00")),
            ("04/05/2026", None),
            ("04/04/2026", Some("2026-04-04T00:00:00")),
            ("31.02.2026", None),
            ("yesterday", None),
            ("", None),
            ("é-é-é", None),
            ("12345678é", None),
        ] {
            assert_eq!(parse(text).map(|m| m.iso()).as_deref(), date, "{text}");
        }
    }
}
