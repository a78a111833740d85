//! What an adjuster does, in words.

use crate::clicks::{
    Adjuster, At, Clicks, CountedFrom, Cross, Effect, Meets, Odd, Repeated, Spacing, Span, Unit,
};
use crate::compare::{Sentence, Verdict, say};
use crate::report::format::fixed;
use crate::report::text::capital;
use crate::report::words::listed;
use crate::steps::Direction;
use crate::units::display::Kind;

/// A setting as a person writes it.
pub(super) fn number(value: f64) -> String {
    let text = fixed(value, 3);
    if text.contains('.') {
        text.trim_end_matches('0').trim_end_matches('.').to_owned()
    } else {
        text
    }
}

/// `Rebound clicks 7, Compression clicks 3`.
pub(super) fn settings(at: &At) -> String {
    let all: Vec<String> = at
        .iter()
        .map(|(k, v)| format!("{k} {}", number(*v)))
        .collect();
    all.join(", ")
}

fn unit(adjuster: &Adjuster) -> &'static str {
    match adjuster.unit {
        Unit::Clicks => "click",
        Unit::Turns => "turn",
    }
}

/// Where counting starts, said or not.
pub(super) fn counted(adjuster: &Adjuster) -> String {
    let from = match adjuster.counted_from {
        Some(CountedFrom::Closed) => "counted from closed",
        Some(CountedFrom::Open) => "counted from open",
        None => "the files do not say from which end they are counted",
    };
    let run: Vec<String> = adjuster.settings.iter().map(|s| number(*s)).collect();
    format!("run at {} {}s; {from}", listed(&run), unit(adjuster))
}

fn span(span: Span) -> String {
    format!("{} to {}", number(span.from), number(span.to))
}

/// The shown effect with the largest share of the force in a direction.
pub(super) fn largest(adjuster: &Adjuster, direction: Direction) -> Option<&Effect> {
    let size = |e: &&Effect| e.range_pct.map_or(0.0, f64::abs);
    adjuster
        .effect
        .iter()
        .filter(|e| e.direction == direction && e.shown)
        .max_by(|a, b| size(a).total_cmp(&size(b)))
}

/// The answer on one adjuster in a sentence.
pub(super) fn headline(adjuster: &Adjuster) -> Sentence {
    let name = &adjuster.name;
    let Some(direction) = adjuster.direction else {
        return say(format!("{name}: no effect is shown in either direction"));
    };
    let Some(effect) = largest(adjuster, direction) else {
        return say(format!("{name}: works on {}", direction.word()));
    };
    let Some(pct) = effect.pct_per_click else {
        return say(format!("{name}: works on {}", direction.word()));
    };
    let way = if pct.value > 0.0 { "firmer" } else { "softer" };
    let mut ends = pct.ci95.map(f64::abs);
    ends.sort_by(f64::total_cmp);
    say(format!(
        "{name}: {} {} % {way} for each {} up at ",
        direction.word(),
        fixed(pct.value.abs(), 1),
        unit(adjuster),
    ))
    .number(effect.velocity_m_s, Kind::Speed)
    .text(format!(
        " (95 % interval {} to {} %), ",
        fixed(ends[0], 1),
        fixed(ends[1], 1)
    ))
    .change(direction.sign() * effect.n_per_click.value, Kind::Force)
    .text(" on average over the whole range")
}

/// What else there is to say of an adjuster.
pub(super) fn remarks(adjuster: &Adjuster) -> Vec<Sentence> {
    let mut out = Vec::new();
    if let Some(direction) = adjuster.direction {
        let word = direction.word();
        if !adjuster.acts_on.is_empty() {
            let parts: Vec<String> = adjuster
                .acts_on
                .iter()
                .map(|part| match part.as_str() {
                    "bleed" => "low speed (bleed)".to_owned(),
                    "knee" => "the knee".to_owned(),
                    other => other.replace('-', " "),
                })
                .collect();
            out.push(say(format!("in {word} it moves {}", listed(&parts))));
        }
        out.extend(dead(adjuster));
        out.extend(spacing(adjuster));
        out.extend(not_one_way(adjuster, direction));
        out.extend(cross(adjuster, direction));
    }
    out
}

fn dead(adjuster: &Adjuster) -> Option<Sentence> {
    let each: Vec<String> = adjuster.dead.iter().map(|d| span(*d)).collect();
    if each.is_empty() {
        return Some(say("no range of settings is shown to be dead"));
    }
    let usable = adjuster
        .usable
        .map_or_else(String::new, |u| format!("; what works is {}", span(u)));
    Some(say(format!(
        "dead from {}: shown to do less than a quarter of what so many clicks do on average{usable}",
        listed(&each)
    )))
}

fn spacing(adjuster: &Adjuster) -> Option<Sentence> {
    Some(match adjuster.spacing? {
        Spacing::Even => say("even: every step does about as much"),
        Spacing::Bunched { most, times_mean } => say(format!(
            "bunched: from {} a {} does {} times what one does on average",
            span(most),
            unit(adjuster),
            fixed(times_mean, 1)
        )),
        Spacing::CannotTell => say("whether the steps do alike cannot be told from these runs"),
    })
}

/// Speeds at which force does not go one way with the setting.
fn not_one_way(adjuster: &Adjuster, direction: Direction) -> Option<Sentence> {
    let turns: Vec<&Effect> = adjuster
        .effect
        .iter()
        .filter(|e| e.direction == direction && e.shown && !e.one_way)
        .collect();
    let first = turns.first()?;
    Some(
        say("force does not plainly go one way with the setting, first seen at ")
            .number(first.velocity_m_s, Kind::Speed)
            .text(": look for a run that is mislabelled or warmer than the rest"),
    )
}

fn cross(adjuster: &Adjuster, direction: Direction) -> Option<Sentence> {
    let other = match direction {
        Direction::Compression => Direction::Rebound,
        Direction::Rebound => Direction::Compression,
    };
    let word = other.word();
    Some(match adjuster.cross? {
        Cross::None => say(format!("{word} is left alone: shown at every speed")),
        Cross::CannotTell => say(format!(
            "whether {word} is left alone cannot be told from these runs"
        )),
        Cross::Shown => {
            let size = |c: &&crate::clicks::CrossEffect| c.range_pct.map_or(0.0, f64::abs);
            let most = adjuster
                .cross_effect
                .iter()
                .filter(|c| c.shown)
                .max_by(|a, b| size(a).total_cmp(&size(b)))?;
            let sign = other.sign();
            let mut ends = most.ci95_n.map(|x| sign * x);
            ends.sort_by(f64::total_cmp);
            let share = most
                .range_pct
                .map_or_else(String::new, |p| format!(", {} %", fixed(p, 1)));
            say(format!("{word} changes, too: "))
                .change(sign * most.range_n, Kind::Force)
                .text(format!("{share} from one end to the other at "))
                .number(most.velocity_m_s, Kind::Speed)
                .text(" (95 % interval ")
                .interval(ends, Kind::Force)
                .text(")")
        }
    })
}

/// Repeats of one setting.
pub(super) fn repeated(repeat: &Repeated) -> Sentence {
    let share = repeat
        .largest_pct
        .map_or_else(String::new, |p| format!(" ({} %)", fixed(p, 1)));
    let text = say(format!(
        "{} at {}: ",
        listed(&repeat.runs),
        settings(&repeat.settings)
    ))
    .number(repeat.largest_n, Kind::Force)
    .text(format!(
        "{share} apart at most, in {} at ",
        repeat.direction.word()
    ))
    .number(repeat.velocity_m_s, Kind::Speed);
    if repeat.more_than_usual {
        text.text(
            ", more than a run repeats: the adjuster does not come back, the damper was warmer, or a \
             setting is mislabelled",
        )
    } else {
        text.text(", no more than a run repeats")
    }
}

/// A run the others do not bear out.
pub(super) fn odd(odd: &Odd) -> Sentence {
    let sign = odd.direction.sign();
    let mut ends = odd.expected_n.ci95.map(|x| sign * x);
    ends.sort_by(f64::total_cmp);
    say(format!(
        "{} ({}) does not go with the others: ",
        odd.run,
        settings(&odd.settings)
    ))
    .number(sign * odd.force_n, Kind::Force)
    .text(format!(" in {} at ", odd.direction.word()))
    .number(odd.velocity_m_s, Kind::Speed)
    .text(" where they lead to expect ")
    .bare(ends[0], Kind::Force)
    .text(" to ")
    .number(ends[1], Kind::Force)
    .text("; its setting may be mislabelled, it may have run warmer, or it may be another damper")
}

/// Which setting meets the other damper, and what is left.
pub(super) fn meets(meets: &Meets) -> Vec<Sentence> {
    let mut out = Vec::new();
    let verdict = match meets.verdict {
        Some(Verdict::Within) => "shown to be within",
        Some(Verdict::Outside) => "outside",
        Some(Verdict::Undecided) | None => "not shown to be within nor outside",
    };
    let allowed = format!("the {} % a pair may differ by", number(meets.tolerance_pct));
    out.push(say(format!(
        "closest to {} at {}: {} % apart at most, {verdict} {allowed}",
        meets.other,
        settings(&meets.whole_clicks.settings),
        fixed(meets.whole_clicks.mismatch_pct, 1)
    )));
    let between: Vec<String> = meets
        .settings
        .iter()
        .map(|(name, value)| {
            let ends = meets.ci95_settings.get(name).map_or_else(String::new, |e| {
                format!(" (95 % interval {} to {})", fixed(e[0], 1), fixed(e[1], 1))
            });
            format!("{name} {}{ends}", fixed(*value, 1))
        })
        .collect();
    let most = meets.ci95_pct.map_or_else(String::new, |e| {
        format!(" (up to {} % cannot be ruled out)", fixed(e[1], 1))
    });
    out.push(
        say(format!(
            "set as finely as can be: {}; {} % is left{most}, most in {} at ",
            listed(&between),
            fixed(meets.mismatch_pct, 1),
            meets.worst_direction.word()
        ))
        .number(meets.worst_velocity_m_s, Kind::Speed),
    );
    if !meets.as_good.is_empty() {
        let each: Vec<String> = meets.as_good.iter().map(settings).collect();
        out.push(say(format!(
            "as good, shown to be worse by less than 1 %: {}",
            each.join("; ")
        )));
    }
    if !meets.stops.is_empty() {
        out.push(say("cannot be reached within what was run:"));
    }
    for stop in &meets.stops {
        let sign = stop.direction.sign();
        let text = say(format!("{} at ", stop.direction.word()))
            .number(stop.velocity_m_s, Kind::Speed)
            .text(": wanted ")
            .number(sign * stop.wanted_n, Kind::Force)
            .text(", the best setting gives ")
            .number(sign * stop.reached_n, Kind::Force);
        out.push(if stop.at_end.is_empty() {
            text
        } else {
            text.text(format!(
                ", with {} at the end of what was run",
                listed(&stop.at_end)
            ))
        });
    }
    if !meets.hydraulic {
        out.push(say(
            "total forces were compared: an unlike charge or seal counts as a difference of damping",
        ));
    }
    out
}

/// The headline of all.
pub(super) fn headlines(clicks: &Clicks) -> Vec<Sentence> {
    clicks.adjusters.iter().map(headline).collect()
}

/// What a force is, for captions.
pub(super) fn force_word(clicks: &Clicks) -> &'static str {
    match clicks.basis {
        crate::clicks::Basis::Hydraulic => "force without gas and friction",
        crate::clicks::Basis::Total => "total force",
    }
}

/// Caption of a direction's table.
pub(super) fn direction_caption(direction: Direction, rest: &str) -> String {
    format!("{}, {rest}", capital(direction.word()))
}
