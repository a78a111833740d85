//! Numbers for people: SI and US customary side by side, with sensible digits.
//!
//! A [`Dual`] holds both spellings of one quantity, so that a page can switch between them
//! without computing anything. Without a spread a number shows about three significant
//! digits and never loses its integer part; with one it is cut where the spread's second
//! digit stands (the usual rule for stated uncertainties, GUM 7.2.6).

pub use crate::units::display::Kind;
use crate::units::display::{Shown, quantity};

/// One quantity in both unit systems.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Dual {
    /// SI text, unit included.
    pub si: String,
    /// US customary text, unit included.
    pub us: String,
}

impl Dual {
    /// The same text in both systems.
    pub fn same(text: impl Into<String>) -> Self {
        let si = text.into();
        Self { us: si.clone(), si }
    }

    /// Made by a function of the unit system.
    pub fn by(make: impl Fn(Shown) -> String) -> Self {
        Self {
            si: make(Shown::Si),
            us: make(Shown::Us),
        }
    }

    /// The text of one system.
    pub fn get(&self, shown: Shown) -> &str {
        match shown {
            Shown::Si => &self.si,
            Shown::Us => &self.us,
        }
    }

    /// True if both systems read the same.
    pub fn is_same(&self) -> bool {
        self.si == self.us
    }
}

/// Shown where a number could not be had.
pub const MISSING: &str = "–";

/// Numbers smaller than this, in the shown unit, read as zero.
const NOTHING: f64 = 1e-5;

/// Decimals that leave about three significant digits, 0 to 5.
pub fn decimals(value: f64) -> usize {
    let size = value.abs();
    if !size.is_finite() || size < NOTHING {
        return 0;
    }
    // The digits before the point; negative for 0.0x. A number that rounds up to the next
    // power of ten counts as having reached it.
    let lead = (size * 1.0005).log10().floor();
    (2.0 - lead).clamp(0.0, 5.0) as usize
}

/// Place of the second digit of a spread: 2 for 0.0x, 0 for 4.1 → 1, −1 for 230.
fn place_of_spread(spread: f64) -> i32 {
    let size = spread.abs();
    if !size.is_finite() || size < NOTHING {
        return 5;
    }
    // 0.0996 is read as 0.10: its second digit stands one place further left.
    (1.0 - (size * 1.005).log10().floor()) as i32
}

/// A number rounded at a decimal place, which may lie left of the point.
fn rounded(value: f64, place: i32) -> String {
    if place >= 0 {
        return fixed(value, usize::try_from(place).unwrap_or(0));
    }
    let unit = 10f64.powi(-place);
    fixed((value / unit).round() * unit, 0)
}

/// A plain number with a proper minus sign; never `-0`.
pub fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return MISSING.to_owned();
    }
    let text = format!("{value:.decimals$}");
    match text.strip_prefix('-') {
        Some(rest) if rest.bytes().all(|b| b == b'0' || b == b'.') => rest.to_owned(),
        Some(rest) => format!("\u{2212}{rest}"),
        None => text,
    }
}

/// A bare number in the shown unit, for table cells; `None` is [`MISSING`].
pub fn bare(kind: Kind, value: Option<f64>, shown: Shown) -> String {
    match value.filter(|v| v.is_finite()) {
        None => MISSING.to_owned(),
        Some(v) => {
            let x = quantity(kind, shown).from_si(v);
            let most = match (kind, shown) {
                // Speeds are set to the millimetre per second at best.
                (Kind::Speed, Shown::Si) if x.abs() > 0.0095 => 3,
                _ => 5,
            };
            fixed(x, decimals(x).min(most))
        }
    }
}

/// A number with its unit.
pub fn with_unit(kind: Kind, value: Option<f64>, shown: Shown) -> String {
    match value.filter(|v| v.is_finite()) {
        None => MISSING.to_owned(),
        Some(_) => join(&bare(kind, value, shown), quantity(kind, shown).symbol),
    }
}

/// A number and its spread, `612.3 ± 4.1 N`.
pub fn with_spread(kind: Kind, value: f64, spread: Option<f64>, shown: Shown) -> String {
    let unit = quantity(kind, shown);
    let x = unit.from_si(value);
    match spread.map(|s| unit.difference_from_si(s)) {
        Some(s) if s.is_finite() && s > NOTHING => {
            // A tiny spread is no reason for a row of digits.
            let place = place_of_spread(s).min(digits_of(x) + 1);
            join(
                &format!("{} ± {}", rounded(x, place), rounded(s, place)),
                unit.symbol,
            )
        }
        _ => with_unit(kind, Some(value), shown),
    }
}

fn digits_of(value: f64) -> i32 {
    i32::try_from(decimals(value)).unwrap_or(0)
}

/// The place an interval's ends are rounded at: the second digit of half its width, but no
/// finer than a digit more than usual.
fn place_of_interval(ends: (f64, f64)) -> i32 {
    let size = ends.0.abs().max(ends.1.abs());
    place_of_spread((ends.1 - ends.0) / 2.0).min(digits_of(size) + 1)
}

/// An interval, `0.117 to 0.136 m/s`.
pub fn interval(kind: Kind, ends: [f64; 2], shown: Shown) -> String {
    let unit = quantity(kind, shown);
    let (lo, hi) = (unit.from_si(ends[0]), unit.from_si(ends[1]));
    let place = place_of_interval((lo, hi));
    join(
        &format!("{} to {}", rounded(lo, place), rounded(hi, place)),
        unit.symbol,
    )
}

/// A number rounded as its interval allows.
pub fn within(kind: Kind, value: f64, ends: Option<[f64; 2]>, shown: Shown) -> String {
    let Some(ends) = ends.filter(|e| e.iter().all(|v| v.is_finite())) else {
        return with_unit(kind, Some(value), shown);
    };
    let unit = quantity(kind, shown);
    let place = place_of_interval((unit.from_si(ends[0]), unit.from_si(ends[1])));
    join(&rounded(unit.from_si(value), place), unit.symbol)
}

fn join(number: &str, symbol: &str) -> String {
    match symbol {
        "" => number.to_owned(),
        "%" => format!("{number}\u{a0}%"),
        _ => format!("{number}\u{a0}{symbol}"),
    }
}

/// Both systems of [`with_unit`].
pub fn dual(kind: Kind, value: Option<f64>) -> Dual {
    Dual::by(|shown| with_unit(kind, value, shown))
}

/// Both systems of [`bare`].
pub fn dual_bare(kind: Kind, value: Option<f64>) -> Dual {
    Dual::by(|shown| bare(kind, value, shown))
}

/// Both systems of [`with_spread`].
pub fn dual_spread(kind: Kind, value: f64, spread: Option<f64>) -> Dual {
    Dual::by(|shown| with_spread(kind, value, spread, shown))
}

/// A spread on its own, two digits, without unit.
pub fn dual_sd(kind: Kind, sd: Option<f64>) -> Dual {
    Dual::by(|shown| match sd.filter(|v| v.is_finite()) {
        None => MISSING.to_owned(),
        Some(v) => {
            let x = quantity(kind, shown).difference_from_si(v);
            rounded(x, place_of_spread(x).min(3))
        }
    })
}

/// Both systems of [`within`].
pub fn dual_within(kind: Kind, value: f64, ends: Option<[f64; 2]>) -> Dual {
    Dual::by(|shown| within(kind, value, ends, shown))
}

/// Both systems of [`interval`].
pub fn dual_interval(kind: Kind, ends: [f64; 2]) -> Dual {
    Dual::by(|shown| interval(kind, ends, shown))
}

/// Both systems' unit symbols.
pub fn symbols(kind: Kind) -> Dual {
    Dual::by(|shown| quantity(kind, shown).symbol.to_owned())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn digits_follow_size_and_spread() {
        assert_eq!(
            with_unit(Kind::Force, Some(1234.4), Shown::Si),
            "1234\u{a0}N"
        );
        assert_eq!(
            with_unit(Kind::Speed, Some(0.1304), Shown::Si),
            "0.130\u{a0}m/s"
        );
        assert_eq!(
            with_spread(Kind::Force, 612.34, Some(4.12), Shown::Si),
            "612.3 ± 4.1\u{a0}N"
        );
        assert_eq!(with_unit(Kind::Force, None, Shown::Us), MISSING);
        assert_eq!(
            interval(Kind::Damping, [7928.4, 14343.0], Shown::Si),
            "7900 to 14300\u{a0}N·s/m"
        );
        assert_eq!(
            within(Kind::Damping, 11135.0, Some([7928.4, 14343.0]), Shown::Si),
            "11100\u{a0}N·s/m"
        );
        assert_eq!(
            interval(Kind::Speed, [0.117, 0.146], Shown::Si),
            "0.117 to 0.146\u{a0}m/s"
        );
    }

    #[test]
    fn a_rounded_zero_has_no_sign() {
        assert_eq!(fixed(-0.0004, 2), "0.00");
        assert_eq!(fixed(-1.5, 1), "\u{2212}1.5");
    }

    /// Factors: NIST SP 811 (2008), appendix B.8.
    #[test]
    fn us_figures_are_those_of_the_tables() {
        assert_eq!(
            with_unit(Kind::Force, Some(4448.222), Shown::Us),
            "1000\u{a0}lbf"
        );
        assert_eq!(
            with_unit(Kind::Speed, Some(0.254), Shown::Us),
            "10.0\u{a0}in/s"
        );
        assert_eq!(
            with_unit(Kind::Temperature, Some(100.0), Shown::Us),
            "212\u{a0}°F"
        );
        assert_eq!(
            with_unit(Kind::Energy, Some(1.355_817_9), Shown::Us),
            "1.00\u{a0}ft·lbf"
        );
    }
}
