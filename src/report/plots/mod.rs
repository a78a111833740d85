//! The figures of a report, one file each. Each takes finished results and returns a
//! [`Figure`](super::page::Figure): plot, caption, text alternative, numbers.

pub mod draw;
pub mod frame;
mod path;

pub mod evidence;
pub mod fade;
pub mod force_travel;
pub mod force_velocity;
pub mod heat;
pub mod hysteresis;
pub mod loops_velocity;
pub mod lost_motion;
pub mod stability;
pub mod summary;
pub mod temperature;
pub mod warming;

use crate::notice::Error;
use crate::report::format::{Dual, dual};
use crate::report::palette::{Ink, speed_ink};
use crate::run::Run;
use crate::steps::Step;
use crate::units::display::Kind;
use draw::{Sheet, Use};
use frame::{Dash, Layer};

/// The most loops one figure shows; beyond that they cover each other.
pub const LOOPS_SHOWN: usize = 14;
/// The most rows a table of loop points has over all its steps.
const LOOP_ROWS: usize = 2400;

/// The sign of a layer in the legend as a small SVG.
///
/// # Errors
/// If the drawing library fails.
pub fn key_svg(layer: &Layer) -> Result<String, Error> {
    let mut sheet = Sheet::new((28, 14));
    draw::draw_key(&mut sheet, layer, (1.0, 7.0))?;
    Ok(sheet.finish(
        Use::Page,
        "class=\"key\" width=\"28\" height=\"14\" aria-hidden=\"true\" focusable=\"false\"",
    ))
}

/// The larger of a step's two peak speeds, m/s: how steps are named and ordered.
pub fn speed_of(step: &Step) -> f64 {
    step.peak_velocity_m_s
        .compression
        .max(step.peak_velocity_m_s.rebound)
}

/// A step with the look it has in every figure.
pub struct ShownStep<'a> {
    /// The step.
    pub step: &'a Step,
    /// Ink along the speed ramp.
    pub ink: Ink,
    /// Dashes, in turn, so that neighbours differ in grey print.
    pub dash: Dash,
    /// Key of its layers.
    pub key: String,
    /// Name: its speed, and its number where two steps share one.
    pub name: Dual,
}

/// Steps that have a loop, slowest first, thinned evenly to [`LOOPS_SHOWN`].
pub fn shown_steps(run: &Run) -> Vec<ShownStep<'_>> {
    let mut steps: Vec<&Step> = run
        .steps
        .iter()
        .filter(|step| {
            step.fold.travel.len() > 2 && step.fold.force.len() == step.fold.travel.len()
        })
        .collect();
    steps.sort_by(|a, b| speed_of(a).total_cmp(&speed_of(b)));
    let all = steps.len();
    if all > LOOPS_SHOWN {
        steps = (0..LOOPS_SHOWN)
            .filter_map(|i| steps.get(i * (all - 1) / (LOOPS_SHOWN - 1)).copied())
            .collect();
    }
    let count = steps.len();
    let names: Vec<Dual> = steps
        .iter()
        .map(|step| dual(Kind::Speed, Some(speed_of(step))))
        .collect();
    steps
        .into_iter()
        .enumerate()
        .map(|(i, step)| {
            let twin = names.iter().filter(|name| **name == names[i]).count() > 1;
            let name = if twin {
                Dual {
                    si: format!("{} (step {})", names[i].si, step.index + 1),
                    us: format!("{} (step {})", names[i].us, step.index + 1),
                }
            } else {
                names[i].clone()
            };
            ShownStep {
                step,
                ink: speed_ink(i, count),
                dash: [Dash::Solid, Dash::Long, Dash::Short][(count - 1 - i) % 3],
                key: format!("step{}", step.index + 1),
                name,
            }
        })
        .collect()
}

/// A closed line through a loop's points.
pub fn closed(x: &[f64], y: &[f64]) -> Vec<(f64, f64)> {
    let mut points: Vec<(f64, f64)> = x.iter().copied().zip(y.iter().copied()).collect();
    if let Some(first) = points.first().copied() {
        points.push(first);
    }
    points
}

/// The table behind the loops: travel, velocity and force of every shown step.
pub fn loop_table(caption: &str, steps: &[ShownStep<'_>]) -> crate::report::page::Table {
    use crate::report::page::{Cell, Table};
    let mut table = Table::new(
        caption,
        &[
            ("Step", None),
            ("Travel", Some(Kind::Travel)),
            ("Velocity", Some(Kind::Speed)),
            ("Force", Some(Kind::Force)),
        ],
    );
    let each = (LOOP_ROWS / steps.len().max(1)).clamp(32, 128);
    for shown in steps {
        let fold = &shown.step.fold;
        let stride = fold.travel.len().div_ceil(each).max(1);
        for i in (0..fold.travel.len()).step_by(stride) {
            table.rows.push(vec![
                Cell::Count(shown.step.index as u64 + 1),
                Cell::Number(fold.travel.get(i).copied()),
                Cell::Number(fold.velocity.get(i).copied()),
                Cell::Number(fold.force.get(i).copied()),
            ]);
        }
    }
    table
}
