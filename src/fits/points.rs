//! Points as given, and points made ready: checked, weighted, sorted, equal speeds merged.

use super::settings::FitSettings;
use crate::statistics::median;

/// Points of one direction: speeds in m/s, resisting forces in N, in any order.
#[derive(Debug, Clone, Copy)]
pub struct Points<'a> {
    /// Speeds.
    pub speed: &'a [f64],
    /// Resisting forces.
    pub force: &'a [f64],
    /// Standard errors of the forces, if known. Used as relative weights, with a floor
    /// ([`FitSettings::se_floor`]), unless [`FitSettings::absolute_se`] says otherwise.
    pub se: Option<&'a [f64]>,
}

/// Why there is no fit: a sentence for the run's notes.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("{reason}")]
pub struct NoFit {
    /// The reason.
    pub reason: String,
}

impl NoFit {
    pub(super) fn because(reason: impl Into<String>) -> Self {
        Self {
            reason: reason.into(),
        }
    }
}

/// All points at one speed, as one.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Group {
    pub(super) x: f64,
    /// Weighted mean force, above the fixed force at zero speed if there is one.
    pub(super) y: f64,
    /// Sum of weights.
    pub(super) w: f64,
    /// Points merged.
    pub(super) count: usize,
    /// Which distinct speed this is, near-equal ones counted as one.
    pub(super) level: usize,
}

/// Points made ready for the search. Merging equal speeds loses nothing: the sum of squares
/// about any curve is that of the means plus a constant.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Prepared {
    /// Speeds, rising.
    pub(super) x: Vec<f64>,
    /// Forces above `offset`, in the same order.
    pub(super) y: Vec<f64>,
    /// Weights, mean 1 (or `1/se²` if absolute).
    pub(super) w: Vec<f64>,
    /// Place of each in the input.
    pub(super) from: Vec<usize>,
    pub(super) groups: Vec<Group>,
    /// Weighted sum of squares within groups.
    pub(super) within: f64,
    /// The fit is forced through `(0, offset)`.
    pub(super) anchored: bool,
    /// Force taken off before fitting: the fixed force at zero speed, else 0.
    pub(super) offset: f64,
    /// Weights are `1/se²` in full.
    pub(super) absolute: bool,
}

impl Prepared {
    pub(super) fn new(points: &Points<'_>, settings: &FitSettings) -> Result<Self, NoFit> {
        check(points, settings)?;
        let n = points.speed.len();
        let weights = weights(points, settings)?;
        let mut from: Vec<usize> = (0..n).collect();
        // Equal speeds by force: sums then run in one order, whatever that of the input.
        from.sort_by(|a, b| {
            points.speed[*a]
                .total_cmp(&points.speed[*b])
                .then(points.force[*a].total_cmp(&points.force[*b]))
        });
        let offset = settings.through.unwrap_or(0.0);
        let mut ready = Self {
            x: from.iter().map(|i| points.speed[*i]).collect(),
            y: from.iter().map(|i| points.force[*i] - offset).collect(),
            w: from.iter().map(|i| weights[*i]).collect(),
            from,
            groups: Vec::new(),
            within: 0.0,
            anchored: settings.through.is_some(),
            offset,
            absolute: settings.absolute_se && points.se.is_some(),
        };
        ready.regroup(settings.same_speed_within);
        Ok(ready)
    }

    /// Merges equal speeds and counts distinct ones, leaving out points of weight zero.
    pub(super) fn regroup(&mut self, same_within: f64) {
        self.groups.clear();
        self.within = 0.0;
        let range = self.x.last().copied().unwrap_or(0.0) - self.x.first().copied().unwrap_or(0.0);
        let mut level_start = f64::NEG_INFINITY;
        let mut level = 0;
        for ((x, y), w) in self.x.iter().zip(&self.y).zip(&self.w) {
            if *w <= 0.0 {
                continue;
            }
            match self.groups.last_mut() {
                Some(group) if group.x == *x => {
                    let total = group.w + w;
                    let away = y - group.y;
                    self.within += group.w * w / total * away * away;
                    group.y += away * w / total;
                    group.w = total;
                    group.count += 1;
                }
                _ => {
                    if *x - level_start > same_within * range {
                        level += usize::from(!self.groups.is_empty());
                        level_start = *x;
                    }
                    self.groups.push(Group {
                        x: *x,
                        y: *y,
                        w: *w,
                        count: 1,
                        level,
                    });
                }
            }
        }
    }

    /// Points with any weight.
    pub(super) fn n(&self) -> usize {
        self.w.iter().filter(|w| **w > 0.0).count()
    }

    /// Distinct speeds.
    pub(super) fn levels(&self) -> usize {
        self.groups.last().map_or(0, |g| g.level + 1)
    }

    /// Sum of squares below which a residual is rounding, not data: forces are read from
    /// text and pass through some hundred roundings.
    pub(super) fn rounding_rss(&self) -> f64 {
        const RELATIVE: f64 = 1e-11;
        let top = self
            .y
            .iter()
            .zip(&self.w)
            .map(|(y, w)| w.sqrt() * (y.abs() + self.offset.abs()))
            .fold(0.0, f64::max);
        self.n() as f64 * (RELATIVE * top).powi(2)
    }
}

fn check(points: &Points<'_>, settings: &FitSettings) -> Result<(), NoFit> {
    let n = points.speed.len();
    if points.force.len() != n || points.se.is_some_and(|se| se.len() != n) {
        return Err(NoFit::because(format!(
            "{n} speeds but {} forces or standard errors of another count",
            points.force.len()
        )));
    }
    let bad = points
        .speed
        .iter()
        .zip(points.force)
        .filter(|(v, f)| !v.is_finite() || !f.is_finite())
        .count();
    if bad > 0 {
        return Err(NoFit::because(format!(
            "{bad} of {n} points have a speed or force that is not a number"
        )));
    }
    if let Some(through) = settings.through {
        if !through.is_finite() {
            return Err(NoFit::because(
                "the fixed force at zero speed is not a number",
            ));
        }
        if points.speed.iter().any(|v| *v < 0.0) {
            return Err(NoFit::because(
                "a fixed force at zero speed needs speeds that are not negative",
            ));
        }
    }
    Ok(())
}

/// `1/(se² + floor·median(se)²)`, scaled to mean 1; or `1/se²` as it is if absolute.
fn weights(points: &Points<'_>, settings: &FitSettings) -> Result<Vec<f64>, NoFit> {
    let n = points.speed.len();
    let Some(se) = points.se else {
        return Ok(vec![1.0; n]);
    };
    if se.iter().any(|s| !s.is_finite() || *s < 0.0) {
        return Err(NoFit::because(
            "a standard error is negative or not a number",
        ));
    }
    if settings.absolute_se {
        if se.contains(&0.0) {
            return Err(NoFit::because(
                "a standard error of zero cannot be taken at its word",
            ));
        }
        return Ok(se.iter().map(|s| 1.0 / (s * s)).collect());
    }
    let mut typical = median(se).unwrap_or(0.0);
    if typical <= 0.0 {
        // Half the points repeat perfectly: the mean still says how large the others are.
        typical = se.iter().sum::<f64>() / n.max(1) as f64;
    }
    let floor = settings.se_floor.max(0.0) * typical * typical;
    let variances: Vec<f64> = se.iter().map(|s| s * s + floor).collect();
    if variances.iter().any(|v| *v <= 0.0) {
        return Ok(vec![1.0; n]);
    }
    let raw: Vec<f64> = variances.iter().map(|v| typical * typical / v).collect();
    let mean = raw.iter().sum::<f64>() / n as f64;
    Ok(raw.iter().map(|w| w / mean).collect())
}
