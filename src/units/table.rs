//! The units a dyno, a logger or a spreadsheet writes, and how they spell them.

use std::f64::consts::{PI, TAU};
use std::sync::LazyLock;

use super::{FOOT, INCH, POUND_FORCE, Quantity, STANDARD_GRAVITY, Unit, ZERO_CELSIUS};

const fn unit(quantity: Quantity, symbol: &'static str, scale: f64) -> Unit {
    Unit {
        symbol,
        quantity,
        scale,
        offset: 0.0,
    }
}

const fn degrees(symbol: &'static str, scale: f64, offset: f64) -> Unit {
    Unit {
        symbol,
        quantity: Quantity::Temperature,
        scale,
        offset,
    }
}

use Quantity::{Angle, Count, Force, Length, Pressure, Time, Velocity};

/// Unit and its spellings besides the symbol. Spellings are as [`normal`] leaves them.
pub(super) const UNITS: &[(Unit, &[&str])] = &[
    (
        unit(Time, "s", 1.0),
        &[
            "sec", "secs", "second", "seconds", "sek", "sekunde", "sekunden", "seconde",
            "secondes", "segundo", "segundos", "secondi", "秒",
        ],
    ),
    (
        unit(Time, "ms", 1e-3),
        &[
            "msec",
            "msecs",
            "millisecond",
            "milliseconds",
            "millisec",
            "毫秒",
        ],
    ),
    (
        unit(Time, "µs", 1e-6),
        &["us", "usec", "microsecond", "microseconds", "微秒"],
    ),
    (
        unit(Time, "ns", 1e-9),
        &["nsec", "nanosecond", "nanoseconds"],
    ),
    (
        unit(Time, "min", 60.0),
        &["mins", "minute", "minutes", "minuten"],
    ),
    (
        unit(Time, "h", 3600.0),
        &["hr", "hrs", "hour", "hours", "std"],
    ),
    (unit(Time, "d", 86_400.0), &["day", "days", "tag", "tage"]),
    (
        unit(Length, "mm", 1e-3),
        &[
            "millimeter",
            "millimeters",
            "millimetre",
            "millimetres",
            "毫米",
            "ミリ",
            "㎜",
        ],
    ),
    (
        unit(Length, "m", 1.0),
        &["meter", "meters", "metre", "metres", "米"],
    ),
    (
        unit(Length, "cm", 1e-2),
        &[
            "centimeter",
            "centimeters",
            "centimetre",
            "centimetres",
            "厘米",
        ],
    ),
    (unit(Length, "dm", 1e-1), &[]),
    (
        unit(Length, "µm", 1e-6),
        &[
            "um",
            "micron",
            "microns",
            "micrometer",
            "micrometre",
            "微米",
        ],
    ),
    (
        unit(Length, "in", INCH),
        &[
            "inch", "inches", "ins", "\"", "''", "″", "zoll", "pouce", "pulgada", "英寸",
        ],
    ),
    (unit(Length, "mil", INCH * 1e-3), &["mils", "thou"]),
    (unit(Length, "ft", FOOT), &["foot", "feet"]),
    (
        unit(Velocity, "m/s", 1.0),
        &[
            "m/sec", "m/sek", "mps", "ms-1", "ms^-1", "m.s-1", "meter/s", "米/秒",
        ],
    ),
    (
        unit(Velocity, "mm/s", 1e-3),
        &[
            "mm/sec",
            "mm/sek",
            "mmps",
            "mms-1",
            "mm.s-1",
            "mms^-1",
            "毫米/秒",
        ],
    ),
    (
        unit(Velocity, "cm/s", 1e-2),
        &["cm/sec", "cm/sek", "cms-1", "厘米/秒"],
    ),
    (unit(Velocity, "dm/s", 1e-1), &[]),
    (
        unit(Velocity, "in/s", INCH),
        &[
            "in/sec",
            "ips",
            "inch/s",
            "inch/sec",
            "inches/s",
            "inches/sec",
            "inches/second",
            "inpersec",
            "\"/s",
            "\"/sec",
        ],
    ),
    (
        unit(Velocity, "ft/s", FOOT),
        &["ft/sec", "fps", "feet/s", "feet/sec", "foot/s"],
    ),
    (unit(Velocity, "mm/min", 1e-3 / 60.0), &[]),
    (unit(Velocity, "m/min", 1.0 / 60.0), &[]),
    (unit(Velocity, "in/min", INCH / 60.0), &["ipm"]),
    (unit(Velocity, "ft/min", FOOT / 60.0), &["fpm"]),
    (unit(Velocity, "km/h", 1.0 / 3.6), &["kmh", "kph", "km/hr"]),
    (unit(Velocity, "mph", FOOT * 5280.0 / 3600.0), &["mi/h"]),
    (
        unit(Force, "N", 1.0),
        &["newton", "newtons", "nwt", "牛", "牛顿"],
    ),
    (
        unit(Force, "kN", 1e3),
        &["kilonewton", "kilonewtons", "千牛"],
    ),
    (unit(Force, "daN", 10.0), &["dekanewton", "decanewton"]),
    (unit(Force, "cN", 1e-2), &[]),
    (unit(Force, "mN", 1e-3), &["millinewton"]),
    (unit(Force, "MN", 1e6), &["meganewton"]),
    (
        unit(Force, "lbf", POUND_FORCE),
        &[
            "lb",
            "lbs",
            "pound",
            "pounds",
            "lbsf",
            "lb-f",
            "lb.",
            "lbs.",
            "lb_f",
            "#",
            "poundforce",
            "pound-force",
            "pounds-force",
            "磅",
        ],
    ),
    (
        unit(Force, "kip", POUND_FORCE * 1e3),
        &["kips", "klbf", "klb", "kilopound"],
    ),
    (unit(Force, "ozf", POUND_FORCE / 16.0), &["oz"]),
    (
        unit(Force, "kgf", STANDARD_GRAVITY),
        &[
            "kg", "kgs", "kilo", "kilos", "kp", "kilopond", "kg-f", "kg_f", "公斤", "千克",
        ],
    ),
    (
        unit(Force, "gf", STANDARD_GRAVITY * 1e-3),
        &["g", "gram", "grams", "pond"],
    ),
    (
        unit(Force, "tf", STANDARD_GRAVITY * 1e3),
        &["t", "tonf", "tonne", "tonnes"],
    ),
    (unit(Force, "dyn", 1e-5), &["dyne", "dynes"]),
    (
        degrees("°C", 1.0, 0.0),
        &[
            "c",
            "degc",
            "deg.c",
            "celsius",
            "centigrade",
            "ºc",
            "oc",
            "˚c",
            "℃",
            "grad c",
            "gradc",
            "摄氏度",
        ],
    ),
    (
        degrees("°F", 5.0 / 9.0, -160.0 / 9.0),
        &[
            "f",
            "degf",
            "deg.f",
            "fahrenheit",
            "ºf",
            "of",
            "˚f",
            "℉",
            "华氏度",
        ],
    ),
    (
        degrees("K", 1.0, -ZERO_CELSIUS),
        &["kelvin", "degk", "°k", "ºk"],
    ),
    (
        degrees("°R", 5.0 / 9.0, -ZERO_CELSIUS),
        &["rankine", "degr"],
    ),
    (
        unit(Angle, "deg", PI / 180.0),
        &[
            "°",
            "degree",
            "degrees",
            "º",
            "grad",
            "degs",
            "winkelgrad",
            "度",
        ],
    ),
    (unit(Angle, "rad", 1.0), &["radian", "radians"]),
    (
        unit(Angle, "rev", TAU),
        &["turn", "turns", "revolution", "revolutions", "revs"],
    ),
    (unit(Angle, "gon", PI / 200.0), &["gradian", "gradians"]),
    (unit(Pressure, "bar", 1e5), &["barg", "bar(g)", "bars"]),
    (unit(Pressure, "mbar", 1e2), &["millibar"]),
    (unit(Pressure, "Pa", 1.0), &["pascal", "n/m2"]),
    (unit(Pressure, "hPa", 1e2), &[]),
    (unit(Pressure, "kPa", 1e3), &["kilopascal"]),
    (unit(Pressure, "MPa", 1e6), &["megapascal", "n/mm2"]),
    (
        unit(Pressure, "psi", POUND_FORCE / (INCH * INCH)),
        &["psig", "lbf/in2", "lb/in2", "lbs/in2", "lbf/in^2"],
    ),
    (
        unit(Pressure, "ksi", 1e3 * POUND_FORCE / (INCH * INCH)),
        &[],
    ),
    (
        unit(Pressure, "kgf/cm2", STANDARD_GRAVITY * 1e4),
        &["kg/cm2", "kp/cm2", "at"],
    ),
    (unit(Pressure, "atm", 101_325.0), &[]),
    (unit(Pressure, "mmHg", 133.322_387_415), &["torr"]),
    (
        unit(Count, "count", 1.0),
        &[
            "counts", "samples", "sample", "smp", "pts", "points", "#", "-", "n",
        ],
    ),
];

/// A spelling without blanks, small signs written one way. Case is kept.
pub(super) fn normal(text: &str) -> String {
    text.trim()
        .chars()
        .filter(|c| !c.is_whitespace() && *c != '\u{a0}' && *c != '\u{202f}')
        .map(|c| match c {
            'μ' | 'µ' => 'u',
            '²' => '2',
            '⁻' => '-',
            '¹' => '1',
            '·' | '⋅' => '.',
            '∕' | '÷' => '/',
            '’' => '\'',
            other => other,
        })
        .collect()
}

/// Looks a spelling up: as written first (`mN` is not `MN`), then in lower case.
pub(super) fn find(text: &str, quantity: Option<Quantity>) -> Option<Unit> {
    let wanted = normal(text);
    if wanted.is_empty() || wanted.len() > 24 {
        return None;
    }
    let fits = |unit: &Unit| quantity.is_none_or(|q| unit.quantity == q);
    let exact = SPELLED
        .iter()
        .find(|(unit, symbol, _)| *symbol == wanted && fits(unit));
    if let Some((unit, ..)) = exact {
        return Some(*unit);
    }
    let lower = wanted.to_lowercase();
    SPELLED
        .iter()
        .zip(UNITS)
        .find(|((unit, _, symbol), (_, spellings))| {
            fits(unit) && (*symbol == lower || spellings.iter().any(|s| *s == lower))
        })
        .map(|((unit, ..), _)| *unit)
}

/// Units with their symbols as [`normal`] spells them, and in lower case: worked out once.
static SPELLED: LazyLock<Vec<(Unit, String, String)>> = LazyLock::new(|| {
    UNITS
        .iter()
        .map(|(unit, _)| {
            let symbol = normal(unit.symbol);
            let lower = symbol.to_lowercase();
            (*unit, symbol, lower)
        })
        .collect()
});
