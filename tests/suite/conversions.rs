//! Conversion factors against NIST Special Publication 811 (2008 edition), appendix B.8
//! ("Factors for units listed alphabetically"), and against an independent units library.

use loopwork::units::{Quantity, Unit};

fn factor(quantity: Quantity, symbol: &str) -> f64 {
    Unit::named(quantity, symbol).map_or(f64::NAN, |u| u.scale)
}

/// NIST SP 811 B.8 gives factors to seven digits unless exact (bold there).
#[test]
fn factors_are_those_of_nist_sp_811() {
    use Quantity::{Angle, Force, Length, Pressure, Velocity};
    for (quantity, symbol, nist, exact) in [
        (Length, "in", 2.54e-2, true),
        (Length, "ft", 3.048e-1, true),
        (Length, "mil", 2.54e-5, true),
        (Length, "µm", 1e-6, true),
        (Velocity, "in/s", 2.54e-2, true),
        (Velocity, "ft/s", 3.048e-1, true),
        (Velocity, "ft/min", 5.08e-3, true),
        (Velocity, "km/h", 2.777_778e-1, false),
        (Velocity, "mph", 4.4704e-1, true),
        (Force, "lbf", 4.448_222, false),
        (Force, "kip", 4.448_222e3, false),
        (Force, "ozf", 2.780_139e-1, false),
        (Force, "kgf", 9.806_65, true),
        (Force, "dyn", 1e-5, true),
        (Pressure, "psi", 6.894_757e3, false),
        (Pressure, "ksi", 6.894_757e6, false),
        (Pressure, "bar", 1e5, true),
        (Pressure, "atm", 1.013_25e5, true),
        (Pressure, "kgf/cm2", 9.806_65e4, true),
        (Pressure, "mmHg", 1.333_224e2, false),
        (Angle, "deg", 1.745_329e-2, false),
    ] {
        let ours = factor(quantity, symbol);
        // Half a unit of the seventh digit, or a rounding of the double.
        let bound = if exact {
            4.0 * f64::EPSILON
        } else {
            5e-7 / 1.333
        };
        assert!(
            (ours / nist - 1.0).abs() <= bound,
            "{symbol}: {ours} is not {nist}"
        );
    }
}

/// NIST SP 811 B.8: t/°C = (t/°F − 32)/1.8; t/°C = T/K − 273.15; t/°C = (T/°R)/1.8 − 273.15.
#[test]
fn temperatures_meet_at_the_fixed_points() {
    for (symbol, value, celsius) in [
        ("°F", 32.0, 0.0),
        ("°F", 212.0, 100.0),
        ("°F", -40.0, -40.0),
        ("K", 273.15, 0.0),
        ("°R", 491.67, 0.0),
        ("°C", 21.5, 21.5),
    ] {
        let unit = Unit::named(Quantity::Temperature, symbol).unwrap();
        assert!((unit.to_si(value) - celsius).abs() < 1e-10, "{symbol}");
        assert!((unit.from_si(celsius) - value).abs() < 1e-10, "{symbol}");
    }
}

/// The library rounds some factors at seven digits, hence the bound.
#[test]
fn factors_agree_with_an_independent_library() {
    use uom::si::f64::{Force, Length, Pressure, Velocity};
    use uom::si::force::{kilogram_force, kip, ounce_force, pound_force};
    use uom::si::length::{foot, inch, mil};
    use uom::si::pressure::{bar, psi};
    use uom::si::velocity::{foot_per_second, inch_per_second, kilometer_per_hour, mile_per_hour};
    for (ours, theirs) in [
        (
            factor(Quantity::Force, "lbf"),
            Force::new::<pound_force>(1.0).value,
        ),
        (factor(Quantity::Force, "kip"), Force::new::<kip>(1.0).value),
        (
            factor(Quantity::Force, "ozf"),
            Force::new::<ounce_force>(1.0).value,
        ),
        (
            factor(Quantity::Force, "kgf"),
            Force::new::<kilogram_force>(1.0).value,
        ),
        (
            factor(Quantity::Length, "in"),
            Length::new::<inch>(1.0).value,
        ),
        (
            factor(Quantity::Length, "ft"),
            Length::new::<foot>(1.0).value,
        ),
        (
            factor(Quantity::Length, "mil"),
            Length::new::<mil>(1.0).value,
        ),
        (
            factor(Quantity::Velocity, "in/s"),
            Velocity::new::<inch_per_second>(1.0).value,
        ),
        (
            factor(Quantity::Velocity, "ft/s"),
            Velocity::new::<foot_per_second>(1.0).value,
        ),
        (
            factor(Quantity::Velocity, "km/h"),
            Velocity::new::<kilometer_per_hour>(1.0).value,
        ),
        (
            factor(Quantity::Velocity, "mph"),
            Velocity::new::<mile_per_hour>(1.0).value,
        ),
        (
            factor(Quantity::Pressure, "bar"),
            Pressure::new::<bar>(1.0).value,
        ),
        (
            factor(Quantity::Pressure, "psi"),
            Pressure::new::<psi>(1.0).value,
        ),
    ] {
        assert!(
            (ours / theirs - 1.0).abs() < 2e-7,
            "{ours} against {theirs}"
        );
    }
}

#[test]
fn case_tells_milli_from_mega_and_spellings_meet() {
    assert_eq!(factor(Quantity::Force, "mN"), 1e-3);
    assert_eq!(factor(Quantity::Force, "MN"), 1e6);
    assert_eq!(factor(Quantity::Force, "KN"), 1e3);
    for (quantity, spellings, symbol) in [
        (Quantity::Force, &["lbs", "LB", "lb-f", "Pounds"][..], "lbf"),
        (Quantity::Force, &["kg", "kp", "Kilopond"][..], "kgf"),
        (Quantity::Length, &["inch", "\"", "Zoll", "毫米"][..], ""),
        (Quantity::Temperature, &["deg C", "C", "℃", "º C"][..], "°C"),
        (Quantity::Velocity, &["in/sec", "ips", "IN/S"][..], "in/s"),
        (Quantity::Time, &["sec", "Sekunden", "秒"][..], "s"),
    ] {
        for spelling in spellings {
            let unit = Unit::named(quantity, spelling);
            assert!(unit.is_some(), "{spelling}");
            if !symbol.is_empty() {
                assert_eq!(unit.map(|u| u.symbol), Some(symbol), "{spelling}");
            }
        }
    }
}
