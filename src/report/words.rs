//! Wording: names of findings and verdicts, the headline. Composes what is decided
//! elsewhere; decides nothing.

use super::format::dual;
use super::page::Badge;
use super::text::Text;
use crate::findings::{Finding, Side, Verdict};
use crate::recording::Certainty;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Kind;

/// A finding's name in words.
pub fn title(kind: &str) -> String {
    let known = match kind {
        "cavitation" => "Cavitation",
        "aeration" => "Air in the oil",
        "play" => "Play in a mount or bush",
        "hysteresis" => "Wide loops",
        "low-gas" => "Low gas force",
        "high-friction" => "High friction",
        "fade" => "Fade",
        "overheated" => "Heat and hot surfaces",
        "sensor" => "Sensor trouble",
        "bump" => "Bump or top-out",
        "hydraulic-stop" => "Hydraulic stop",
        "position" => "Force that depends on the place in the stroke",
        "frequency" => "Force that depends on frequency",
        "spring-fitted" => "A spring still fitted",
        "drift" => "Force at rest that drifts",
        "moving-mass" => "Mass that moves with the load cell",
        "leaking-check" => "Leaking check valve",
        "side-load" => "Side load or a bent rod",
        "unsettled" => "Steps that had not settled",
        _ => "",
    };
    if !known.is_empty() {
        return known.to_owned();
    }
    let spaced: String = kind
        .chars()
        .map(|c| if c == '-' || c == '_' { ' ' } else { c })
        .collect();
    let mut letters = spaced.chars();
    letters.next().map_or_else(String::new, |first| {
        first.to_uppercase().chain(letters).collect()
    })
}

/// A verdict as a word.
pub fn verdict(verdict: Verdict) -> &'static str {
    match verdict {
        Verdict::None => "not seen",
        Verdict::CannotTell => "cannot tell",
        Verdict::Onset => "beginning",
        Verdict::Developed => "plainly there",
    }
}

/// The badge of a verdict.
pub fn badge(verdict: Verdict) -> Badge {
    match verdict {
        Verdict::None => Badge::Clear,
        Verdict::CannotTell => Badge::Unsure,
        Verdict::Onset => Badge::Watch,
        Verdict::Developed => Badge::Act,
    }
}

/// `in compression`, `both ways`, or nothing.
fn side(side: Option<Side>) -> &'static str {
    match side {
        None => "",
        Some(Side::Compression) => " in compression",
        Some(Side::Rebound) => " in rebound",
        Some(Side::Both) => " both ways",
    }
}

/// Where a finding shows and from which speed on, as a sentence without its name.
pub fn sentence(finding: &Finding) -> Text {
    let mut text = Text::new().say(match finding.verdict {
        Verdict::None => "Looked for and not seen",
        Verdict::CannotTell => "This run cannot tell",
        Verdict::Onset => "Beginning",
        Verdict::Developed => "Plainly there",
    });
    text = text.say(side(finding.direction));
    if let Some(speed) = finding.onset_velocity_m_s {
        text = text
            .say(", from ")
            .num(dual(Kind::Speed, Some(speed)))
            .say(" on");
    }
    text.say(".")
}

/// Findings, gravest first; order of the analysis within a verdict.
pub fn by_gravity(run: &Run) -> Vec<&Finding> {
    let rank = |v: Verdict| match v {
        Verdict::Developed => 0,
        Verdict::Onset => 1,
        Verdict::CannotTell => 2,
        Verdict::None => 3,
    };
    let mut findings: Vec<&Finding> = run.findings.iter().collect();
    findings.sort_by_key(|f| rank(f.verdict));
    findings
}

/// What every damper is asked, so that an open answer stands in the headline by name; others
/// need a run made for them (two strokes, a long step, a card) and are counted.
const ASKED: &[&str] = &[
    "cavitation",
    "aeration",
    "play",
    "low-gas",
    "high-friction",
    "side-load",
    "bump",
    "sensor",
];

/// What has to be looked for and not seen for a run to be called sound in colour.
const CLEARED: &[&str] = &["cavitation", "play", "high-friction", "bump", "sensor"];

/// The verdict in plain words and how grave it is.
pub fn headline(run: &Run) -> (Text, Badge) {
    let findings = by_gravity(run);
    let with = |v: Verdict| findings.iter().filter(move |f| f.verdict == v);
    let mut text = Text::new();
    let mut grave = Badge::Clear;
    for finding in with(Verdict::Developed) {
        grave = Badge::Act;
        text = text.and(named(finding, str::to_owned));
    }
    for finding in with(Verdict::Onset) {
        if grave == Badge::Clear {
            grave = Badge::Watch;
        }
        text = text
            .say("Beginning: ")
            .and(named(finding, str::to_lowercase));
    }
    let open = || with(Verdict::CannotTell).map(|f| f.kind.as_str());
    let unsure: Vec<String> = open()
        .filter(|k| ASKED.contains(k))
        .map(|k| title(k).to_lowercase())
        .collect();
    let more = open().filter(|k| !ASKED.contains(k)).count();
    if grave == Badge::Clear {
        if run.findings.is_empty() {
            text = text.say("Only the curve could be judged. ");
            grave = Badge::Unsure;
        } else {
            text = text.say("Nothing out of the ordinary was seen. ");
        }
    }
    if grave == Badge::Clear && open().any(|k| CLEARED.contains(&k)) {
        grave = Badge::Unsure;
    }
    let of_another = match more {
        0 => String::new(),
        1 => "one more question needs another kind of run".to_owned(),
        n => format!("{n} more questions need another kind of run"),
    };
    text = match (unsure.is_empty(), of_another.is_empty()) {
        (true, true) => text,
        (true, false) => text.say(format!("Not judged: {of_another}. ")),
        (false, true) => text.say(format!("Cannot tell from this run: {}. ", listed(&unsure))),
        (false, false) => text.say(format!(
            "Cannot tell from this run: {}; {of_another}. ",
            listed(&unsure)
        )),
    };
    (text.and(shapes(run)), grave)
}

/// What a reader must know was assumed, if anything: shown with every verdict.
pub fn assumption(run: &Run) -> Option<Text> {
    (run.conventions.certainty == Certainty::Assumed).then(|| {
        Text::from(
            "Which way is compression is assumed, not proved: if it is the other way round, read \
             compression for rebound and rebound for compression.",
        )
    })
}

/// `Cavitation in compression, from 0.52 m/s on. `
fn named(finding: &Finding, spelt: fn(&str) -> String) -> Text {
    let mut text = Text::from(format!(
        "{}{}",
        spelt(&title(&finding.kind)),
        side(finding.direction)
    ));
    if let Some(speed) = finding.onset_velocity_m_s {
        text = text
            .say(" from ")
            .num(dual(Kind::Speed, Some(speed)))
            .say(" on");
    }
    text.say(". ")
}

/// What a knee is called among `of` of one curve.
pub fn knee_name(of: usize, place: usize) -> &'static str {
    match (of, place) {
        (1, _) => "Knee",
        (_, 0) => "First knee",
        _ => "Second knee",
    }
}

/// The shapes of both curves, one sentence.
fn shapes(run: &Run) -> Text {
    let mut text = Text::new();
    let mut any = false;
    for direction in Direction::BOTH {
        let Some(fit) = run.fits.get(direction) else {
            continue;
        };
        text = text.say(if any {
            format!("; {} {}", direction.word(), fit.model)
        } else {
            let word = direction.word();
            format!(
                "{}{} is {}",
                word[..1].to_uppercase(),
                &word[1..],
                fit.model
            )
        });
        any = true;
        for (i, knee) in fit.knees.iter().enumerate() {
            text = text
                .say(if i == 0 { ", knee at " } else { " and " })
                .num(dual(Kind::Speed, Some(knee.velocity_m_s)));
        }
    }
    if any { text.say(".") } else { text }
}

/// `a, b and c`.
pub fn listed(items: &[String]) -> String {
    match items {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// The cautions that go with every result that could lead to work on a damper.
pub const CAUTIONS: [&str; 4] = [
    "Dampers hold gas at pressure, some of them tens of bar, and springs hold energy: do not open, \
     drill, heat or charge one on the strength of this page. The maker's instructions, local codes \
     and licensed practice come first.",
    "A body that has just run can be hot enough to burn: let it cool before it is handled.",
    "This is a measurement of one damper on one machine. It does not say that a damper is fit to \
     be driven on, and it does not replace an inspection for leaks, bent rods and worn mounts.",
    "Where the page says it cannot tell, it means that: repeat the test, or settle it another way, \
     before acting.",
];
