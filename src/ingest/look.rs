//! What the first numbers say about units, names and the clock, where the header does not.

use super::assemble::Places;
use super::loops::interval_by_velocity;
use super::plan::{Plan, Planned, role_word};
use super::rows::Rows;
use crate::notice::Notice;
use crate::recording::Role;
use crate::units::{Quantity, Unit};

/// Rows looked at.
pub(super) const LOOK_ROWS: usize = 20_000;

/// A factor counts as found when it is this close to a unit's.
const FACTOR_CLOSE: f64 = 0.05;

/// Velocity and the derivative of travel go together from this correlation on.
const TOGETHER: f64 = 0.9;

/// A bare temperature that starts in here can only be °F: no damper at rest starts a run
/// at 55 °C or more, and a workshop is at 13–40 °C.
const ONLY_FAHRENHEIT: (f64, f64) = (55.0, 104.0);

/// A bare temperature that starts in here can only be K.
const ONLY_KELVIN: (f64, f64) = (263.0, 320.0);

/// Sample intervals of logs of dynos, s: none samples faster than a million times a second,
/// and strokes cannot be seen with less than two samples a second.
const FASTEST: f64 = 1e-6;
const SLOWEST: f64 = 0.5;

/// Days since the end of 1899, as spreadsheets write dates: of 1954 to 2119.
const SERIAL_DAYS: (f64, f64) = (20_000.0, 80_000.0);

/// What the time column turned out to be.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(super) struct TimeBase {
    /// Median of the rising intervals, s.
    pub(super) typical: Option<f64>,
    /// Where stamps repeat because they have few digits.
    pub(super) coarse: Option<Coarse>,
    /// Interval from travel and velocity, where there is no time.
    pub(super) by_velocity: Option<f64>,
}

/// Stamps too coarse for the samples.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Coarse {
    /// Mean interval of the samples, s.
    pub(super) interval: f64,
    /// Usual step from one stamp to the next, s.
    pub(super) stamp: f64,
}

/// Columns of the first rows, SI under the plan as it stands.
pub(super) struct First<'a> {
    rows: &'a Rows,
    places: &'a Places,
}

impl<'a> First<'a> {
    pub(super) fn new(rows: &'a Rows, places: &'a Places) -> Self {
        Self { rows, places }
    }

    fn column(&self, place: Option<usize>) -> &'a [f64] {
        let values = place.and_then(|p| self.rows.columns.get(p));
        values.map_or(&[], |v| v.get(..v.len().min(LOOK_ROWS)).unwrap_or_default())
    }

    fn time(&self) -> &'a [f64] {
        self.column(self.places.time)
    }
}

/// Settles what it can; the plan's units, evidence and notices change.
pub(super) fn examine(plan: &mut Plan, first: &First<'_>, has_rate: bool) -> TimeBase {
    let mut base = time_base(plan, first, has_rate);
    temperature(plan, first);
    let pair = if plan.column(Role::Displacement).is_some() && plan.column(Role::Velocity).is_some()
    {
        let travel = first.column(Some(first.places.travel));
        let velocity = first.column(first.places.velocity);
        if first.time().is_empty() {
            if !has_rate && plan.column(Role::Velocity).is_some_and(|c| !c.assumed) {
                base.by_velocity = interval_by_velocity(travel, velocity);
            }
            None
        } else {
            compare(first.time(), travel, velocity)
        }
    } else {
        None
    };
    if let Some((factor, alike)) = pair {
        velocity_factor(plan, factor, alike);
    }
    swapped(plan, first);
    swapped_time(plan, first);
    base
}

/// The code under which time and travel are said to have changed places.
pub(super) const TIME_SWAPPED: &str = "time-swapped";

/// Fewest rows that tell, and the share of steps that must fall in a column that is no time,
/// or rise in one that is.
const ROWS_TELL: usize = 50;
const FALLS: f64 = 0.2;
const RISES: f64 = 0.98;

/// Says so if the column called time goes to and fro and the one called travel only rises,
/// evenly.
fn swapped_time(plan: &mut Plan, first: &First<'_>) {
    let (Some(time), Some(travel)) = (plan.column(Role::Time), plan.column(Role::Displacement))
    else {
        return;
    };
    let (t, x) = (first.time(), first.column(Some(first.places.travel)));
    if t.len() < ROWS_TELL || t.len() != x.len() {
        return;
    }
    let steps = |v: &[f64]| -> Vec<f64> {
        v.windows(2)
            .map(|w| match w {
                [a, b] => b - a,
                _ => 0.0,
            })
            .collect()
    };
    let share = |steps: &[f64], test: &dyn Fn(f64) -> bool| {
        steps.iter().filter(|d| test(**d)).count() as f64 / steps.len().max(1) as f64
    };
    let (dt, mut dx) = (steps(t), steps(x));
    let mixed = share(&dt, &|d| d < 0.0) > FALLS && share(&dt, &|d| d > 0.0) > FALLS;
    let rises = share(&dx, &|d| d > 0.0) > RISES;
    dx.sort_by(f64::total_cmp);
    let at = |q: f64| {
        dx.get((q * dx.len() as f64) as usize)
            .copied()
            .unwrap_or(0.0)
    };
    if !(mixed && rises && at(0.9) < 1.5 * at(0.1)) {
        return;
    }
    let (t, x) = (time.column.clone(), travel.column.clone());
    plan.notices.push(
        Notice::warning(
            TIME_SWAPPED,
            format!("column \"{t}\" is called time but goes to and fro, while \"{x}\", called travel, rises evenly: their names have changed places"),
        )
        .help(format!("say --map time=\"{x}\" --map displacement=\"{t}\", with --unit for both if the units have changed places too")),
    );
}

fn time_base(plan: &mut Plan, first: &First<'_>, has_rate: bool) -> TimeBase {
    let mut base = TimeBase::default();
    let time = first.time();
    if time.len() < 3 {
        return base;
    }
    let mut steps: Vec<f64> = time
        .windows(2)
        .filter_map(|w| match w {
            [a, b] if b > a => Some(b - a),
            _ => None,
        })
        .collect();
    let repeats = time
        .windows(2)
        .filter(|w| matches!(w, [a, b] if a == b))
        .count();
    steps.sort_by(f64::total_cmp);
    base.typical = steps.get(steps.len() / 2).copied();
    if 5 * repeats > time.len() {
        base.coarse = quantised_interval(time)
            .zip(base.typical)
            .map(|(interval, stamp)| Coarse { interval, stamp });
        if let Some(Coarse { interval, .. }) = base.coarse {
            base.typical = Some(interval);
            plan.notices.push(
                Notice::warning(
                    "time-coarse",
                    format!(
                        "the time stamps have too few digits and repeat; samples are spread evenly, {interval:.6} s apart"
                    ),
                )
                .help("write time with more digits, or leave the column out and give --rate HZ"),
            );
        }
    }
    if let (Some(typical), false) = (base.typical, has_rate) {
        let scale = time_unit(plan, first, typical);
        base.typical = Some(typical * scale);
        base.coarse = base.coarse.map(|coarse| Coarse {
            interval: coarse.interval * scale,
            stamp: coarse.stamp * scale,
        });
        say_odd_interval(plan, typical * scale);
    }
    base
}

/// Says so if no dyno samples that fast or slowly: the unit of time is then another.
fn say_odd_interval(plan: &mut Plan, interval: f64) {
    let counted = |c: &Planned| c.unit.quantity == Quantity::Count;
    let Some(column) = plan.column(Role::Time).filter(|c| !counted(c)) else {
        return;
    };
    if (FASTEST..=SLOWEST).contains(&interval) {
        return;
    }
    let notice = Notice::warning(
        "sample-interval-odd",
        format!(
            "with time (column \"{}\") in {}, samples are {interval:.3e} s apart, which no dyno's log is",
            column.column, column.unit
        ),
    )
    .help("say the unit of time with --unit time=UNIT, such as time=ms, or the rate with --rate HZ");
    plan.notices.push(notice);
}

/// Mean interval of stamps that repeat, over the rising stretch from the first row.
fn quantised_interval(time: &[f64]) -> Option<f64> {
    let end = time
        .windows(2)
        .position(|w| matches!(w, [a, b] if b < a))
        .map_or(time.len(), |i| i + 1);
    let stretch = time.get(..end)?;
    // From the first change of stamp to the last, so that cut groups at the ends do not count.
    let change = |w: &[f64]| matches!(w, [a, b] if b > a);
    let from = stretch.windows(2).position(change)? + 1;
    let to = stretch.windows(2).rposition(change)? + 1;
    let span = stretch.get(to)? - stretch.get(from)?;
    (to > from && span > 0.0).then(|| span / (to - from) as f64)
}

/// An unstated time unit: s, unless the motion would then be absurd. Gives the factor to
/// what was assumed.
fn time_unit(plan: &mut Plan, first: &First<'_>, typical: f64) -> f64 {
    let open = |c: &&Planned| c.assumed && c.unit.quantity == Quantity::Time;
    if plan.column(Role::Time).filter(open).is_none() {
        return 1.0;
    }
    let travel = first.column(Some(first.places.travel));
    let stated_velocity = plan.column(Role::Velocity).is_some_and(|c| !c.assumed);
    let candidates = ["s", "ms", "µs"];
    let chosen = if stated_velocity && plan.column(Role::Displacement).is_some_and(|c| !c.assumed) {
        compare(first.time(), travel, first.column(first.places.velocity)).and_then(
            |(factor, alike)| {
                // velocity = factor × derivative in the assumed unit; the true unit makes it 1.
                let wanted = 1.0 / factor.abs();
                let unit = candidates
                    .iter()
                    .filter_map(|s| Unit::named(Quantity::Time, s))
                    .find(|u| (u.scale / wanted - 1.0).abs() < FACTOR_CLOSE);
                unit.filter(|_| alike > TOGETHER).map(|u| {
                    (
                        u,
                        "inferred: velocity against the derivative of travel".to_owned(),
                    )
                })
            },
        )
    } else {
        // Sample intervals of half a second and more cannot hold a stroke; of a dyno's
        // machines none samples slower than 5 a second or moves slower than 0.02 Hz.
        let fits = |scale: f64| (FASTEST..=0.2).contains(&(typical * scale));
        let first_stamp = first.time().first().copied().unwrap_or(0.0);
        let dated = (SERIAL_DAYS.0..SERIAL_DAYS.1).contains(&first_stamp);
        let fitting: Vec<Unit> = candidates
            .iter()
            .copied()
            .chain(dated.then_some("d"))
            .filter_map(|s| Unit::named(Quantity::Time, s))
            .filter(|u| fits(u.scale))
            .collect();
        match fitting.as_slice() {
            [only] => Some((
                *only,
                "inferred: no other unit gives a usable sample rate".to_owned(),
            )),
            [unit, ..] if unit.symbol != "s" => Some((*unit, format!("assumed: {unit}"))),
            _ => None,
        }
    };
    let Some((unit, evidence)) = chosen else {
        return 1.0;
    };
    update(plan, Role::Time, |c| {
        c.assumed = evidence.starts_with("assumed");
        c.unit = unit;
        c.evidence = evidence.clone();
    });
    unit.scale
}

fn update(plan: &mut Plan, role: Role, change: impl Fn(&mut Planned)) {
    for column in plan.groups.iter_mut().flat_map(|g| &mut g.columns) {
        if column.role == role {
            change(column);
        }
    }
}

fn temperature(plan: &mut Plan, first: &First<'_>) {
    let Some(column) = plan.column(Role::Temperature).filter(|c| c.assumed) else {
        return;
    };
    let now = column.unit;
    let Some(start) = first
        .column(first.places.temperature)
        .iter()
        .find(|t| t.is_finite())
        .map(|t| now.from_si(*t))
    else {
        return;
    };
    let within = |(low, high): (f64, f64)| (low..=high).contains(&start);
    let symbol = if within(ONLY_FAHRENHEIT) {
        "°F"
    } else if within(ONLY_KELVIN) {
        "K"
    } else {
        "°C"
    };
    let Some(unit) = Unit::named(Quantity::Temperature, symbol) else {
        return;
    };
    let physics = symbol != "°C";
    update(plan, Role::Temperature, |c| {
        c.unit = unit;
        c.assumed = !physics;
        c.evidence = if physics {
            format!("inferred: a run that starts at {start:.0} can only be in {unit}")
        } else {
            format!("assumed: {unit}")
        };
    });
}

/// Factor by which the file's velocity exceeds the derivative of travel, and how well the
/// two go together. Increments of travel are held against the integral of velocity over
/// windows, so that no smoothing biases the factor.
pub(super) fn compare(time: &[f64], travel: &[f64], velocity: &[f64]) -> Option<(f64, f64)> {
    let n = time.len().min(travel.len()).min(velocity.len());
    if n < 40 {
        return None;
    }
    let window = (n / 200).clamp(1, 50);
    let mut area = vec![0.0; n];
    let mut sum = 0.0;
    for i in 1..n {
        let (t0, t1) = (*time.get(i - 1)?, *time.get(i)?);
        let v = 0.5 * (velocity.get(i - 1)? + velocity.get(i)?);
        if v.is_finite() && t1 > t0 {
            sum += v * (t1 - t0);
        }
        if let Some(slot) = area.get_mut(i) {
            *slot = sum;
        }
    }
    let (mut saa, mut sxx, mut sax) = (0.0, 0.0, 0.0);
    for i in window..n {
        let a = area.get(i)? - area.get(i - window)?;
        let x = travel.get(i)? - travel.get(i - window)?;
        if time.get(i)? > time.get(i - window)? {
            saa += a * a;
            sxx += x * x;
            sax += a * x;
        }
    }
    let alike = sax / (saa * sxx).sqrt();
    (sxx > 0.0 && alike.is_finite()).then(|| (sax / sxx, alike))
}

/// The velocity column against the derivative of travel.
fn velocity_factor(plan: &mut Plan, factor: f64, alike: f64) {
    if alike < 0.0 && alike.abs() > TOGETHER {
        update(plan, Role::Velocity, |c| c.turn = -1.0);
        plan.notices.push(Notice::note(
            "velocity-turned",
            "the velocity column has the other sign than the derivative of travel; it is turned round to match",
        ));
    }
    if alike.abs() < TOGETHER {
        plan.notices.push(
            Notice::warning(
                "velocity-unlike",
                format!("the velocity column does not follow the derivative of travel (correlation {alike:.2}); it may be a command, a speed without sign, or another quantity"),
            )
            .help("if another column is the velocity, say --map velocity=NAME"),
        );
        return;
    }
    let factor = factor.abs();
    if (factor - 1.0).abs() < FACTOR_CLOSE {
        update(plan, Role::Velocity, |c| {
            if c.assumed {
                c.evidence = format!("inferred: {} agrees with the derivative of travel", c.unit);
                c.assumed = false;
            }
        });
        return;
    }
    let (Some(velocity), Some(travel)) =
        (plan.column(Role::Velocity), plan.column(Role::Displacement))
    else {
        return;
    };
    if velocity.assumed {
        let wanted = velocity.unit.scale / factor;
        let found = nearest(Quantity::Velocity, wanted);
        if let Some(unit) = found {
            update(plan, Role::Velocity, |c| {
                c.unit = unit;
                c.assumed = false;
                c.evidence = "inferred: derivative of travel".to_owned();
            });
            return;
        }
    } else if travel.assumed {
        let wanted = travel.unit.scale * factor;
        if let Some(unit) = nearest(Quantity::Length, wanted) {
            update(plan, Role::Displacement, |c| {
                c.unit = unit;
                c.assumed = false;
                c.evidence = "inferred: integral of velocity".to_owned();
            });
            return;
        }
    }
    plan.notices.push(
        Notice::warning(
            "velocity-factor",
            format!(
                "the velocity column is {} times the derivative of travel; a unit of one of them, or the sample rate, is wrong. Travel is believed",
                four_digits(factor)
            ),
        )
        .help("check the units of velocity and displacement (--unit) and the time base (--rate)"),
    );
}

/// A factor with four significant digits or so.
fn four_digits(factor: f64) -> String {
    if factor >= 100.0 {
        format!("{factor:.0}")
    } else {
        format!("{factor:.4}")
    }
}

fn nearest(quantity: Quantity, scale: f64) -> Option<Unit> {
    Unit::symbols(quantity)
        .filter_map(|s| Unit::named(quantity, s))
        .find(|u| (u.scale / scale - 1.0).abs() < FACTOR_CLOSE)
}

/// Says so if the column called force moves like travel and the one called travel does not.
fn swapped(plan: &mut Plan, first: &First<'_>) {
    let (Some(travel), Some(force)) = (plan.column(Role::Displacement), plan.column(Role::Force))
    else {
        return;
    };
    let x = first.column(Some(first.places.travel));
    let f = first.column(Some(first.places.force));
    let velocity = first.column(first.places.velocity);
    let evidence = if velocity.len() == x.len() && !first.time().is_empty() {
        let with =
            |y: &[f64]| compare(first.time(), y, velocity).map_or(0.0, |(_, alike)| alike.abs());
        let (as_named, other) = (with(x), with(f));
        (other > 0.98 && as_named < 0.8).then(|| {
            format!("its derivative follows the velocity column (correlation {other:.2}, the other {as_named:.2})")
        })
    } else {
        let (rough_x, rough_f) = (roughness(x), roughness(f));
        match (rough_x, rough_f) {
            (Some(a), Some(b)) if b < 1e-3 && a > 30.0 * b && a > 0.02 => Some(format!(
                "it runs like a smooth motion ({b:.1e} of it off a cycle's first harmonics, the other {a:.1e})"
            )),
            _ => None,
        }
    };
    if let Some(evidence) = evidence {
        let (t, f) = (travel.column.clone(), force.column.clone());
        plan.notices.push(
            Notice::warning(
                "columns-swapped",
                format!("column \"{f}\" is called force but moves like travel: {evidence}; column \"{t}\" does not"),
            )
            .help(format!("if they are swapped, say --map displacement=\"{f}\" --map force=\"{t}\"")),
        );
    }
}

/// How far a channel is from a smooth motion: the share of its steps' changes in the steps
/// themselves, over windows of a fiftieth of the mean cycle. A sine has about 0.016; a
/// force that jumps at each reversal far more.
fn roughness(values: &[f64]) -> Option<f64> {
    let n = values.len();
    if n < 200 {
        return None;
    }
    let mean = values.iter().sum::<f64>() / n as f64;
    let crossings = values
        .windows(2)
        .filter(|w| matches!(w, [a, b] if (a - mean) * (b - mean) < 0.0))
        .count();
    let cycle = 2 * n / crossings.max(1);
    let window = (cycle / 50).max(1);
    if crossings < 2 || window * 10 > n {
        return None;
    }
    let at = |i: usize| values.get(i).copied().unwrap_or(0.0);
    let (mut bend, mut step) = (0.0, 0.0);
    for i in (window..n - window).step_by(1) {
        let (a, b) = (at(i) - at(i - window), at(i + window) - at(i));
        bend += (b - a) * (b - a);
        step += 0.5 * (a * a + b * b);
    }
    // For a sine bend/step = (2π·window/cycle)²; take that off.
    let smooth = (std::f64::consts::TAU * window as f64 / cycle as f64).powi(2);
    (step > 0.0).then(|| (bend / step - smooth).abs())
}

/// Names a role for a message about a missing value.
pub(super) fn not_a_number(role: Role) -> String {
    format!("{} not a number", role_word(role))
}
