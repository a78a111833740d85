//! A target: a curve with tolerances and limits, as a person writes it in TOML.
//!
//! ```toml
//! name = "Front damper, specification 3"
//! units = "si"            # m/s, N, mm; or "us": in/s, lbf, in
//! tolerance_percent = 10  # of the target force…
//! tolerance_force = 20    # …or this much, whichever is more
//! together = "larger"     # or "sum": both added, as QC/T 491 does (14 % + 40 N)
//!
//! [[compression]]         # one entry a speed; forces that resist, positive
//! velocity = 0.131
//! force = 640
//!
//! [[rebound]]             # or all negative, as curves with signs print rebound
//! velocity = 0.524
//! min = 1500              # limits instead of a force and tolerance
//! max = 1800
//!
//! [limits]
//! friction = { max = 55 }
//! gas_force = { min = 150, max = 300 }
//! hysteresis_percent = { max = 25 }
//! lost_motion = { max = 0.5 }
//! findings = ["cavitation", "play"]   # must not be found
//! ```

use serde::Deserialize;
use toml::Spanned;

use super::sentence::{Sentence, say};
use super::signs::{both_signs, in_order, turn_to_resisting};
use crate::notice::{Error, Fault, Notice, Place};
use crate::steps::{Direction, PerDirection};
use crate::units::display::{Kind, Shown, quantity};

/// A target, SI.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Target {
    /// A name for people.
    pub name: Option<String>,
    /// Points of the curve, speed rising.
    pub curve: PerDirection<Vec<TargetPoint>>,
    /// Friction, N.
    pub friction_n: Option<Limits>,
    /// Gas force, N.
    pub gas_force_n: Option<Limits>,
    /// Largest loop width over half the peak-to-peak force of its step, 0..1.
    pub hysteresis_share: Option<Limits>,
    /// Largest lost motion at either reversal, m.
    pub lost_motion_m: Option<Limits>,
    /// Findings that must not be there.
    pub findings: Vec<String>,
    /// Where the file has forces negative, as a curve with signs prints rebound; they are
    /// turned to resisting forces here.
    pub written_negative: PerDirection<bool>,
}

/// Lowest and highest value allowed.
pub type Limits = [Option<f64>; 2];

/// One speed of the target.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub struct TargetPoint {
    /// Speed, m/s.
    pub velocity_m_s: f64,
    /// Wanted resisting force, N.
    pub force_n: Option<f64>,
    /// Lowest and highest resisting force, N.
    pub limits_n: Limits,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct Written {
    name: Option<String>,
    #[serde(default)]
    units: WrittenUnits,
    tolerance_percent: Option<f64>,
    tolerance_force: Option<f64>,
    #[serde(default)]
    together: Together,
    #[serde(default)]
    compression: Vec<Spanned<WrittenPoint>>,
    #[serde(default)]
    rebound: Vec<Spanned<WrittenPoint>>,
    limits: Option<Spanned<WrittenLimits>>,
}

#[derive(Debug, Default, Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum WrittenUnits {
    #[default]
    Si,
    Us,
}

/// How percent and force of a tolerance go together.
#[derive(Debug, Default, Clone, Copy, PartialEq, Deserialize)]
#[serde(rename_all = "lowercase")]
enum Together {
    #[default]
    Larger,
    Sum,
}

#[derive(Debug, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenPoint {
    velocity: f64,
    force: Option<f64>,
    min: Option<f64>,
    max: Option<f64>,
    tolerance_percent: Option<f64>,
    tolerance_force: Option<f64>,
}

#[derive(Debug, Default, Deserialize)]
#[serde(deny_unknown_fields)]
struct WrittenLimits {
    friction: Option<MinMax>,
    gas_force: Option<MinMax>,
    hysteresis_percent: Option<MinMax>,
    lost_motion: Option<MinMax>,
    #[serde(default)]
    findings: Vec<String>,
}

#[derive(Debug, Clone, Copy, Deserialize)]
#[serde(deny_unknown_fields)]
struct MinMax {
    min: Option<f64>,
    max: Option<f64>,
}

/// Collects what is wrong, with its line.
struct Complaints<'a> {
    text: &'a str,
    list: Vec<Notice>,
}

impl Complaints<'_> {
    fn add(&mut self, at: usize, message: String, help: &str) {
        let line = self.text.get(..at).unwrap_or("").matches('\n').count();
        self.list
            .push(Notice::error("bad-target", message).help(help).at(Place {
                line: Some(line as u64 + 1),
                text: self.text.lines().nth(line).map(str::to_owned),
                ..Place::default()
            }));
    }
}

impl Target {
    /// Reads a target from TOML text. Points without a tolerance of their own take the
    /// file's, and without one `default_percent`.
    ///
    /// # Errors
    /// [`Fault::Input`] with every fault and its line: text that is no such TOML, a point
    /// with neither force nor limits, limits that cross, one speed twice, nothing to check.
    pub fn parse(text: &str, default_percent: f64) -> Result<Self, Error> {
        let written: Written = toml::from_str(text).map_err(|e| {
            let at = e.span().map_or(0, |s| s.start);
            let mut complaints = Complaints {
                text,
                list: Vec::new(),
            };
            complaints.add(
                at,
                format!("the target cannot be read: {}", e.message()),
                "docs/methods/compare.md shows a target with everything it may hold",
            );
            Error::many(Fault::Input, complaints.list)
        })?;
        let mut complaints = Complaints {
            text,
            list: Vec::new(),
        };
        let target = written.target(default_percent, &mut complaints);
        if complaints.list.is_empty() {
            Ok(target)
        } else {
            Err(Error::many(Fault::Input, complaints.list))
        }
    }

    /// What was made of forces written negative.
    pub(super) fn signed_note(&self) -> Option<Sentence> {
        let words: Vec<&str> = Direction::BOTH
            .into_iter()
            .filter(|d| *self.written_negative.get(*d))
            .map(Direction::word)
            .collect();
        (!words.is_empty()).then(|| {
            say(format!(
                "the target's forces in {} are written negative and taken as forces that resist",
                words.join(" and ")
            ))
        })
    }

    /// True if there is nothing to check.
    pub fn is_empty(&self) -> bool {
        self.curve.compression.is_empty()
            && self.curve.rebound.is_empty()
            && self.friction_n.is_none()
            && self.gas_force_n.is_none()
            && self.hysteresis_share.is_none()
            && self.lost_motion_m.is_none()
            && self.findings.is_empty()
    }
}

impl Written {
    fn target(&self, default_percent: f64, complaints: &mut Complaints<'_>) -> Target {
        let shown = match self.units {
            WrittenUnits::Si => Shown::Si,
            WrittenUnits::Us => Shown::Us,
        };
        for (word, value) in [
            ("tolerance_percent", self.tolerance_percent),
            ("tolerance_force", self.tolerance_force),
        ] {
            if value.is_some_and(|v| !(v.is_finite() && v >= 0.0)) {
                complaints.add(
                    0,
                    format!("{word} must be 0 or more"),
                    "write a positive number",
                );
            }
        }
        let mut read =
            |word: &str, written| self.points(word, written, default_percent, complaints);
        let (compression, down) = read("compression", &self.compression);
        let (rebound, up) = read("rebound", &self.rebound);
        let mut target = Target {
            name: self.name.clone(),
            curve: PerDirection {
                compression,
                rebound,
            },
            written_negative: PerDirection {
                compression: down,
                rebound: up,
            },
            ..Target::default()
        };
        if let Some(limits) = &self.limits {
            let at = limits.span().start;
            let all = limits.get_ref();
            let mut read = |word: &str, value: Option<MinMax>, kind: Kind| {
                let to_si = |x: f64| quantity(kind, shown).to_si(x);
                value.map(|m| {
                    check_limits(word, at, [m.min, m.max], complaints);
                    [m.min.map(to_si), m.max.map(to_si)]
                })
            };
            target.friction_n = read("friction", all.friction, Kind::Force);
            target.gas_force_n = read("gas_force", all.gas_force, Kind::Force);
            target.hysteresis_share =
                read("hysteresis_percent", all.hysteresis_percent, Kind::Share);
            target.lost_motion_m = read("lost_motion", all.lost_motion, Kind::Travel);
            target.findings.clone_from(&all.findings);
        }
        if target.is_empty() && complaints.list.is_empty() {
            complaints.add(
                0,
                "the target asks for nothing: no point of a curve and no limit".to_owned(),
                "add [[compression]] or [[rebound]] entries, or a [limits] table",
            );
        }
        target
    }

    fn points(
        &self,
        word: &str,
        written: &[Spanned<WrittenPoint>],
        default_percent: f64,
        complaints: &mut Complaints<'_>,
    ) -> (Vec<TargetPoint>, bool) {
        let shown = match self.units {
            WrittenUnits::Si => Shown::Si,
            WrittenUnits::Us => Shown::Us,
        };
        let (speed, force) = (quantity(Kind::Speed, shown), quantity(Kind::Force, shown));
        let mut out: Vec<(TargetPoint, usize)> = Vec::new();
        for (k, spanned) in written.iter().enumerate() {
            let at = spanned.span().start;
            let point = spanned.get_ref();
            let which = format!("[[{word}]] number {} ({})", k + 1, point.velocity);
            if !(point.velocity.is_finite() && point.velocity > 0.0) {
                complaints.add(
                    at,
                    format!("{which}: velocity must be above 0"),
                    "speeds are positive in both directions",
                );
                continue;
            }
            let limits = in_order(self.limits_of(point, default_percent));
            if limits == [None, None] {
                complaints.add(
                    at,
                    format!("{which}: a gap, neither force nor min or max is given"),
                    "give the force wanted there, or leave the speed out",
                );
                continue;
            }
            if !check_limits(&which, at, limits, complaints) {
                continue;
            }
            let to_si = |x: f64| force.to_si(x);
            out.push((
                TargetPoint {
                    velocity_m_s: speed.to_si(point.velocity),
                    force_n: point.force.map(to_si),
                    limits_n: limits.map(|l| l.map(to_si)),
                },
                at,
            ));
        }
        out.sort_by(|a, b| a.0.velocity_m_s.total_cmp(&b.0.velocity_m_s));
        for pair in out.windows(2) {
            if pair[1].0.velocity_m_s <= pair[0].0.velocity_m_s * (1.0 + 1e-6) {
                complaints.add(
                    pair[1].1,
                    format!("[[{word}]]: one speed stands there twice"),
                    "leave one of the two out",
                );
            }
        }
        let negative = turn_to_resisting(&mut out);
        if let Some(at) = both_signs(&out) {
            complaints.add(
                at,
                format!("[[{word}]]: forces of both signs, and not as gas alone would make them"),
                "write all forces of a direction positive (forces that resist), or all negative",
            );
        }
        (out.into_iter().map(|p| p.0).collect(), negative)
    }

    /// Limits of a point in the units written.
    fn limits_of(&self, point: &WrittenPoint, default_percent: f64) -> Limits {
        let Some(force) = point.force else {
            return [point.min, point.max];
        };
        let stated = point.tolerance_percent.is_some() || point.tolerance_force.is_some();
        let (percent, newton) = if stated {
            (point.tolerance_percent, point.tolerance_force)
        } else if self.tolerance_percent.is_some() || self.tolerance_force.is_some() {
            (self.tolerance_percent, self.tolerance_force)
        } else {
            (Some(default_percent), None)
        };
        let (a, b) = (
            0.01 * percent.unwrap_or(0.0) * force.abs(),
            newton.unwrap_or(0.0),
        );
        let allowed = match self.together {
            Together::Larger => a.max(b),
            Together::Sum => a + b,
        };
        // A limit written out stands; the tolerance fills in what was not.
        [
            point.min.or(Some(force - allowed)),
            point.max.or(Some(force + allowed)),
        ]
    }
}

/// Complains about limits that are no numbers or cross.
fn check_limits(word: &str, at: usize, limits: Limits, complaints: &mut Complaints<'_>) -> bool {
    if limits.iter().flatten().any(|l| !l.is_finite()) {
        complaints.add(
            at,
            format!("{word}: a limit is not a number"),
            "write a plain number",
        );
        return false;
    }
    if let [Some(low), Some(high)] = limits
        && low > high
    {
        complaints.add(
            at,
            format!("{word}: the limits cross, min {low} is above max {high}"),
            "swap them, or correct the wrong one; forces are those that resist, positive in both directions",
        );
        return false;
    }
    true
}

#[cfg(test)]
mod tests {
    use super::*;

    /// QC/T 491-1999 clause 1.2.2: rated 2000 N in rebound allows 1680 to 2320 N (14 % and
    /// 40 N added), rated 600 N in compression 464 to 736 N (16 % and 40 N).
    #[test]
    fn a_standards_band_is_the_sum_of_both() {
        let target = Target::parse(
            "together = \"sum\"\ntolerance_force = 40\n\
             [[rebound]]\nvelocity = 0.52\nforce = 2000\ntolerance_percent = 14\ntolerance_force = 40\n\
             [[compression]]\nvelocity = 0.52\nforce = 600\ntolerance_percent = 16\ntolerance_force = 40\n",
            10.0,
        )
        .unwrap();
        let limits = target.curve.rebound[0].limits_n.map(Option::unwrap);
        assert!((limits[0] - 1680.0).abs() < 1e-9 && (limits[1] - 2320.0).abs() < 1e-9);
        let limits = target.curve.compression[0].limits_n.map(Option::unwrap);
        assert!((limits[0] - 464.0).abs() < 1e-9 && (limits[1] - 736.0).abs() < 1e-9);
    }

    #[test]
    fn every_fault_is_told_with_its_line() {
        let error = Target::parse(
            "[[rebound]]\nvelocity = 0.1\n\n[[rebound]]\nvelocity = 0.2\nmin = 9\nmax = 3\n\n\
             [[compression]]\nvelocity = 0.1\nforce = 5\n\n[[compression]]\nvelocity = 0.1\nforce = 6\n",
            10.0,
        )
        .unwrap_err();
        let said: Vec<(u64, &str)> = error
            .problems
            .iter()
            .map(|p| {
                let line = p.place.as_ref().unwrap().line.unwrap();
                (line, p.message.as_str())
            })
            .collect();
        assert_eq!(said.len(), 3, "{said:?}");
        assert!(
            said.iter().any(|s| s.0 == 1 && s.1.contains("gap")),
            "{said:?}"
        );
        assert!(
            said.iter().any(|s| s.0 == 4 && s.1.contains("cross")),
            "{said:?}"
        );
        assert!(said.iter().any(|s| s.1.contains("twice")), "{said:?}");
    }

    #[test]
    fn an_empty_target_is_refused() {
        assert!(Target::parse("name = \"x\"\n", 10.0).is_err());
        assert!(Target::parse("nme = \"x\"\n", 10.0).is_err());
    }

    /// 1 lbf = 4.4482216152605 N, 1 in = 25.4 mm (NIST SP 811).
    #[test]
    fn us_units_are_converted() {
        let target = Target::parse(
            "units = \"us\"\n[[rebound]]\nvelocity = 10\nmin = 100\n[limits]\nlost_motion = { max = 0.02 }\n",
            10.0,
        )
        .unwrap();
        let point = target.curve.rebound[0];
        assert!((point.velocity_m_s - 0.254).abs() < 1e-12);
        assert!((point.limits_n[0].unwrap() - 444.822_161_526_05).abs() < 1e-9);
        assert!((target.lost_motion_m.unwrap()[1].unwrap() - 0.508e-3).abs() < 1e-12);
    }
}
