//! A run's key numbers with their uncertainty, as tables of a sheet.

use super::Grid;
use crate::report::facts;
use crate::report::format::{dual, dual_interval, dual_sd, dual_within, symbols};
use crate::report::plots::force_velocity;
use crate::report::text::capital;
use crate::report::words;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::{Kind, Shown};

/// What the last column holds.
const WITHIN: &str = "U (k = 2) or 95 %";

/// Both directions and what the loops say at rest.
pub(super) fn of_run(run: &Run, shown: Shown) -> Vec<Grid> {
    let mut grids: Vec<Grid> = Direction::BOTH
        .into_iter()
        .map(|direction| one_way(run, direction, shown))
        .collect();
    grids.extend(at_rest(run, shown));
    grids.retain(|grid| !grid.rows.is_empty());
    grids
}

fn one_way(run: &Run, direction: Direction, shown: Shown) -> Grid {
    let mut rows = Vec::new();
    let range = |kind: Kind, ci: Option<[f64; 2]>| {
        ci.map_or_else(String::new, |ci| {
            dual_interval(kind, ci).get(shown).to_owned()
        })
    };
    for peak in facts::standard_points(run, direction) {
        let speed = dual(Kind::Speed, Some(peak.velocity_m_s));
        // The force is cut where the second digit of its uncertainty stands.
        let ends = peak
            .expanded_n()
            .map(|u| [peak.force_n - u, peak.force_n + u]);
        let u = peak.expanded_n().map_or_else(String::new, |u| {
            format!(
                "± {}\u{a0}{}",
                dual_sd(Kind::Force, Some(u)).get(shown),
                symbols(Kind::Force).get(shown)
            )
        });
        rows.push(vec![
            format!("Force at {}", speed.get(shown)),
            dual_within(Kind::Force, peak.force_n, ends)
                .get(shown)
                .to_owned(),
            u,
        ]);
    }
    if let Some(fit) = run.fits.get(direction) {
        for (i, knee) in fit.knees.iter().enumerate() {
            let name = words::knee_name(fit.knees.len(), i);
            let ci = Some(knee.ci95_m_s);
            rows.push(vec![
                name.to_owned(),
                dual_within(Kind::Speed, knee.velocity_m_s, ci)
                    .get(shown)
                    .to_owned(),
                range(Kind::Speed, ci),
            ]);
        }
        let pieces = match fit.segments.as_slice() {
            [] => Vec::new(),
            [only] => vec![("Slope", only)],
            [first, .., last] => vec![("Slope at low speed", first), ("Slope at high speed", last)],
        };
        for (name, piece) in pieces {
            let ci = piece.slope_ci95_n_s_m;
            rows.push(vec![
                name.to_owned(),
                dual_within(Kind::Damping, piece.slope_n_s_m, ci)
                    .get(shown)
                    .to_owned(),
                range(Kind::Damping, ci),
            ]);
        }
    }
    Grid {
        heading: capital(direction.word()),
        ink: Some(force_velocity::ink(direction)),
        columns: vec!["measured".into(), WITHIN.into()],
        rows,
        wide: false,
    }
}

/// What is told apart from speed, in two tables side by side.
fn at_rest(run: &Run, shown: Shown) -> [Grid; 2] {
    let row = |name: &str, kind: Kind, value: Option<f64>, ci: Option<[f64; 2]>| {
        value.map(|value| {
            vec![
                name.to_owned(),
                dual_within(kind, value, ci).get(shown).to_owned(),
                ci.map_or_else(String::new, |ci| {
                    dual_interval(kind, ci).get(shown).to_owned()
                }),
            ]
        })
    };
    let grid = |heading: &str, rows: Vec<Vec<String>>| Grid {
        heading: heading.to_owned(),
        ink: None,
        columns: vec!["measured".into(), "95 % interval".into()],
        rows,
        wide: false,
    };
    let (mut still, mut rest) = (Vec::new(), Vec::new());
    if let Some(s) = &run.statics {
        let ci = &s.ci95;
        let stiffness = (s.gas_stiffness_n_m, ci.gas_stiffness_n_m);
        still.extend(row(
            "Gas force, mid-stroke",
            Kind::Force,
            s.gas_force_n,
            ci.gas_force_n,
        ));
        still.extend(row(
            "Gas stiffness",
            Kind::Stiffness,
            stiffness.0,
            stiffness.1,
        ));
        rest.extend(row("Friction", Kind::Force, s.friction_n, ci.friction_n));
        rest.extend(row(
            "Drift at rest",
            Kind::Force,
            s.zero_drift_n,
            ci.zero_drift_n,
        ));
    }
    if let Some(heat) = &run.heat {
        rest.extend(row(
            "Heat over the run",
            Kind::Energy,
            Some(heat.total_j),
            None,
        ));
    }
    [grid("Gas", still), grid("Friction, drift, heat", rest)]
}
