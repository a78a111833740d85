//! Tables of a corner, shared by terminal and page.

use super::rounded;
use crate::corner::Corner;
use crate::corner::answer::{Level, OnRoad, Told};
use crate::corner::comfort::{PRACTICE, comfort};
use crate::report::format::{Dual, MISSING, dual, dual_interval};
use crate::report::page::{Cell, Fact, FactGroup, Table};
use crate::report::text::Text;
use crate::steps::Direction;
use crate::units::display::Kind;

fn fact(name: &str, value: Dual, remark: impl Into<Text>) -> Fact {
    Fact {
        name: Dual::same(name),
        value,
        remark: remark.into(),
    }
}

/// The corner itself: what is stated, and what follows from it without a road.
pub(super) fn facts(corner: &Corner) -> Vec<FactGroup> {
    let card = &corner.inputs;
    let ratio = match card.motion_ratio.steady() {
        Some(r) => fact(
            "Motion ratio",
            dual(Kind::Number, Some(r)),
            "damper travel over wheel travel",
        ),
        None => fact(
            "Motion ratio at ride height",
            dual(Kind::Number, Some(card.motion_ratio.at(0.0))),
            "damper travel over wheel travel; changes with travel",
        ),
    };
    let mut stated = vec![ratio];
    let mut say = |name: &str, kind: Kind, value: Option<f64>| {
        if let Some(v) = value {
            stated.push(fact(name, dual(kind, Some(v)), ""));
        }
    };
    say("Spring", Kind::Stiffness, card.spring_n_m);
    say("Sprung mass", Kind::Mass, card.sprung_kg);
    say("Unsprung mass", Kind::Mass, card.unsprung_kg);
    say("Tyre", Kind::Stiffness, card.tyre_n_m);
    say("Bump travel", Kind::Travel, card.bump_m);
    say("Droop travel", Kind::Travel, card.droop_m);
    vec![
        FactGroup {
            heading: "The corner".into(),
            ink: None,
            facts: stated,
        },
        FactGroup {
            heading: "What follows without a road".into(),
            ink: None,
            facts: follows(corner),
        },
    ]
}

fn follows(corner: &Corner) -> Vec<Fact> {
    let mut out = vec![
        fact(
            "Rate at the wheel",
            dual(Kind::Stiffness, corner.wheel_rate_n_m),
            "",
        ),
        fact(
            "Critical damping",
            dual(Kind::Damping, corner.critical_n_s_m),
            "on the rate at the wheel, as shops compare",
        ),
        fact(
            "Body frequency",
            dual(Kind::Frequency, corner.body_hz),
            if corner.inputs.tyre_n_m.is_some() {
                "spring and tyre in series, undamped"
            } else {
                "on the spring alone, undamped"
            },
        ),
        fact(
            "Wheel hop",
            dual(Kind::Frequency, corner.hop_hz),
            "undamped",
        ),
    ];
    if let (Some([body, wheel]), Some(at)) = (corner.modes, corner.modes_at_m_s) {
        let at = Text::from("exact mode, damper as at ").num(dual(Kind::Speed, Some(at)));
        let ratio = |m: crate::corner::car::Mode| dual(Kind::Number, Some(m.zeta));
        out.push(fact("Damping ratio of the body", ratio(body), at.clone()));
        out.push(fact("Damping ratio of the wheel", ratio(wheel), at));
    }
    if let Some([acceleration, load]) = corner.least {
        let linear = "linear damper, white road";
        out.push(fact(
            "Ratio of least body acceleration",
            dual(Kind::Number, acceleration),
            linear,
        ));
        out.push(fact(
            "Ratio of least tyre load variation",
            dual(Kind::Number, load),
            linear,
        ));
    }
    out
}

/// Habits of the trade, stated beside the ratios.
pub(super) fn practice() -> String {
    let each: Vec<String> = PRACTICE
        .iter()
        .map(|(who, [low, high])| format!("{who} {low} to {high}"))
        .collect();
    format!(
        "Common practice, on rate at the wheel: {}. A habit, no verdict.",
        each.join(", ")
    )
}

/// Damping ratios against wheel speed.
pub(super) fn zeta(corner: &Corner) -> Table {
    let mut table = Table::new(
        "Damping ratio by wheel speed",
        &[
            ("Wheel speed", Some(Kind::Speed)),
            ("Compression", None),
            ("Rebound", None),
            ("Both", None),
            ("95 % interval", None),
            ("Force over speed", None),
            ("Slope", None),
        ],
    );
    for z in &corner.zeta {
        let both = z.equal_energy.both;
        table.rows.push(vec![
            Cell::Number(Some(z.wheel_speed_m_s)),
            Cell::Dual(rounded(Kind::Number, z.equal_energy.compression)),
            Cell::Dual(rounded(Kind::Number, z.equal_energy.rebound)),
            Cell::Dual(rounded(Kind::Number, both)),
            Cell::Dual(ends(Kind::Number, both)),
            Cell::Dual(rounded(Kind::Number, z.secant.both)),
            Cell::Dual(rounded(Kind::Number, z.local.both)),
        ]);
    }
    table
}

/// The curve at the wheel.
pub(super) fn wheel_curve(corner: &Corner, direction: Direction) -> Table {
    let mut table = Table::new(
        format!("Force at the wheel without gas, {}", direction.word()),
        &[
            ("Wheel speed", Some(Kind::Speed)),
            ("Force", Some(Kind::Force)),
            ("95 % interval", None),
        ],
    );
    for p in corner.wheel_curve.get(direction) {
        table.rows.push(vec![
            Cell::Number(Some(p.velocity_m_s)),
            Cell::Number(Some(p.force_n)),
            Cell::Dual(
                p.ci95_n
                    .map_or_else(|| Dual::same(MISSING), |ci| dual_interval(Kind::Force, ci)),
            ),
        ]);
    }
    table
}

fn ends(kind: Kind, told: Told) -> Dual {
    told.ci95
        .map_or_else(|| Dual::same(MISSING), |ci| dual_interval(kind, ci))
}

/// What a road is called: its class, or the name of the measured one.
fn road(class: &str, speed_m_s: f64) -> [Cell; 2] {
    [Cell::Words(class.to_owned()), Cell::Number(Some(speed_m_s))]
}

const ROAD: [(&str, Option<Kind>); 2] = [("Road", None), ("At", Some(Kind::RoadSpeed))];

/// The rows of one level.
pub(super) fn of_level(corner: &Corner, level: Level) -> impl Iterator<Item = &OnRoad> {
    corner.roads.iter().filter(move |r| r.level == level)
}

/// The corner on its roads; a mark stands where the curve was left behind.
pub(super) fn roads(corner: &Corner, level: Level) -> Table {
    let mut columns = ROAD.to_vec();
    columns.extend([
        ("Ride, W_k", Some(Kind::Acceleration)),
        ("Body", Some(Kind::Acceleration)),
        ("Tyre load, of static", Some(Kind::Share)),
        ("Travel", Some(Kind::Travel)),
        ("Rides at", Some(Kind::Travel)),
        ("Damper speed", Some(Kind::Speed)),
        ("Heat", Some(Kind::Power)),
        ("Beyond measured", Some(Kind::Share)),
        ("Comfort, ISO 2631-1", None),
    ]);
    let mut table = Table::new(format!("On the road, {}", level.word()), &columns);
    for r in of_level(corner, level) {
        let mut row = road(&r.class, r.speed_m_s).to_vec();
        row.extend(
            [
                (Kind::Acceleration, r.weighted_acc),
                (Kind::Acceleration, r.body_acc),
                (Kind::Share, r.load_coefficient),
                (Kind::Travel, r.travel_sd),
                (Kind::Travel, r.offset_m),
                (Kind::Speed, r.damper_speed_sd),
                (Kind::Power, r.heat_w),
            ]
            .map(|(kind, told)| Cell::Dual(bare_rounded(kind, told))),
        );
        row.push(Cell::Number(Some(r.beyond_measured_share)));
        row.push(Cell::Words(comfort(r.weighted_acc.value).into()));
        table.rows.push(row);
    }
    table
}

/// Rounded as the interval allows, without the unit, which stands in the heading.
fn bare_rounded(kind: Kind, told: Told) -> Dual {
    let text = rounded(kind, told);
    let unit = crate::report::format::symbols(kind);
    Dual::by(|shown| {
        let text = text.get(shown);
        match unit.get(shown) {
            "" => text.to_owned(),
            symbol => text.trim_end_matches(symbol).trim_end().to_owned(),
        }
    })
}

/// Contacts with the stops, if any gap is stated.
pub(super) fn contacts(corner: &Corner) -> Table {
    let mut columns = ROAD.to_vec();
    columns.extend([
        ("Bump, a minute", Some(Kind::Number)),
        ("Droop, a minute", Some(Kind::Number)),
        ("Tyre unloaded", Some(Kind::Share)),
    ]);
    let mut table = Table::new("Contacts with the stops", &columns);
    for r in of_level(corner, Level::TimeDomain) {
        if r.contacts_per_min.iter().all(Option::is_none) {
            continue;
        }
        let mut row = road(&r.class, r.speed_m_s).to_vec();
        row.extend(r.contacts_per_min.map(Cell::Number));
        row.push(Cell::Number(r.unloaded_share));
        table.rows.push(row);
    }
    table
}

/// Time and heat by damper speed, on one road.
pub(super) fn bands(row: &OnRoad) -> Table {
    let mut table = Table::new(
        "Time and heat by damper speed",
        &[
            ("Direction", None),
            ("Damper speed", None),
            ("Share of time", Some(Kind::Share)),
            ("Share of heat", Some(Kind::Share)),
        ],
    );
    for b in &row.speed_bands {
        let name = match b.to {
            Some(to) => dual_interval(Kind::Speed, [b.from, to]),
            None => {
                let from = dual(Kind::Speed, Some(b.from));
                Dual::by(|s| format!("above {}", from.get(s)))
            }
        };
        table.rows.push(vec![
            Cell::Words(b.direction.word().into()),
            Cell::Dual(name),
            Cell::Number(Some(b.share_time)),
            Cell::Number(Some(b.share_heat)),
        ]);
    }
    table
}

/// A road for what is told of one only: the middle one at the middle speed of those that are
/// told.
pub(super) fn middle(corner: &Corner) -> Option<&OnRoad> {
    let rows: Vec<&OnRoad> = of_level(corner, Level::TimeDomain).collect();
    let speeds = &corner.inputs.speeds_m_s;
    let speed = speeds.get(speeds.len().saturating_sub(1) / 2)?;
    let at: Vec<&&OnRoad> = rows.iter().filter(|r| r.speed_m_s == *speed).collect();
    at.get(at.len().saturating_sub(1) / 2)
        .map(|r| **r)
        .or(rows.first().copied())
}

/// What a change is worth, by road.
pub(super) fn against(corner: &Corner) -> Table {
    let mut columns = ROAD.to_vec();
    columns.extend([
        ("Ride, W_k", None),
        ("Body", None),
        ("Tyre load", None),
        ("Travel", None),
        ("Rides lower by", None),
    ]);
    let mut table = Table::new("Change on the same road", &columns);
    for d in corner.against.iter().flat_map(|a| &a.roads) {
        let [body, ride, tyre, travel] = d.share;
        let mut row = road(&d.class, d.speed_m_s).to_vec();
        row.extend([ride, body, tyre, travel].map(|t| Cell::Dual(change(Kind::Share, t))));
        let lower = Told {
            value: -d.offset_m.value,
            ci95: d.offset_m.ci95.map(|[low, high]| [-high, -low]),
        };
        row.push(Cell::Dual(change(Kind::Travel, lower)));
        table.rows.push(row);
    }
    table
}

/// Value and half width.
fn change(kind: Kind, told: Told) -> Dual {
    let half = told.ci95.map(|[low, high]| 0.5 * (high - low));
    crate::report::format::dual_spread(kind, told.value, half)
}

/// Change of the damping ratio.
pub(super) fn zeta_change(corner: &Corner) -> Table {
    let mut table = Table::new(
        "Change of damping ratio",
        &[
            ("Wheel speed", Some(Kind::Speed)),
            ("Change", None),
            ("95 % interval", None),
        ],
    );
    for z in corner.against.iter().flat_map(|a| &a.zeta) {
        table.rows.push(vec![
            Cell::Number(Some(z.wheel_speed_m_s)),
            Cell::Dual(rounded(Kind::Number, z.change)),
            Cell::Dual(ends(Kind::Number, z.change)),
        ]);
    }
    table
}

/// Left and right, by road.
pub(super) fn pair(corner: &Corner) -> Table {
    let mut columns = ROAD.to_vec();
    columns.extend([
        ("Right firmer by", None),
        ("Roll, of heave", Some(Kind::Share)),
        ("Tyre load left", Some(Kind::Share)),
        ("Tyre load right", Some(Kind::Share)),
        ("Left higher by", Some(Kind::Travel)),
    ]);
    let mut table = Table::new("Left and right on the same road", &columns);
    for p in corner.pair.iter().flat_map(|p| &p.roads) {
        // Half the difference over the mean is told; a shop says the whole one.
        let whole = Told {
            value: 2.0 * p.mismatch.value,
            ci95: p.mismatch.ci95.map(|c| c.map(|e| 2.0 * e)),
        };
        let mut row = road(&p.class, p.speed_m_s).to_vec();
        row.extend([
            Cell::Dual(change(Kind::Share, whole)),
            Cell::Number(Some(p.roll_share_of_heave)),
            Cell::Number(Some(p.load_change[0])),
            Cell::Number(Some(p.load_change[1])),
            Cell::Number(Some(p.lean_m)),
        ]);
        table.rows.push(row);
    }
    table
}
