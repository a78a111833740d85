//! One run as a page: which sections, in which order, with which words.

use super::format::{Dual, dual, dual_interval, dual_spread, dual_within};
use super::page::{Block, Cell, Fact, FactGroup, Figure, FindingView, Page, Section, Table};
use super::plots;
use super::text::Text;
use super::{facts, warmth, words};
use crate::findings::Finding;
use crate::recording::Certainty;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::{Kind, Shown, kind_of_symbol};

/// The most findings that get a loop of their own.
const EVIDENCE_LOOPS: usize = 4;

/// The page of a run.
pub fn page(run: &Run, shown: Shown) -> Page {
    let (headline, badge) = words::headline(run);
    let sections = vec![
        numbers(run),
        curve(run),
        findings(run),
        loops(run),
        hysteresis(run),
        heat(run),
        stability(run),
        reading(run),
        method(run),
        provenance(run),
    ];
    Page {
        title: run.name.clone(),
        subtitle: facts::subtitle(run),
        headline,
        assumption: words::assumption(run),
        badge,
        sections: sections
            .into_iter()
            .filter(|section| !section.blocks.is_empty())
            .collect(),
        shown,
        marker: facts::marker(run),
        maker: format!("{} {}", run.tool.name, run.tool.version),
    }
}

fn figure_block(figure: Option<Figure>) -> Vec<Block> {
    figure
        .map(|f| Block::Figure(Box::new(f)))
        .into_iter()
        .collect()
}

fn numbers(run: &Run) -> Section {
    let mut section = Section::new("numbers", "The numbers that matter");
    let groups = facts::groups(run);
    if !groups.is_empty() {
        section = section.with(Block::Facts(groups));
    }
    let untold = facts::untold(run);
    if !untold.is_empty() {
        section = section
            .with(Block::Prose(Text::from(
                "Not told from this run, and what would settle it (numbers in SI units):",
            )))
            .with(Block::List(untold));
    }
    section
}

fn curve(run: &Run) -> Section {
    let mut section = Section::new("curve", "Force against speed");
    section
        .blocks
        .extend(figure_block(plots::force_velocity::figure(run)));
    section
        .blocks
        .extend(figure_block(plots::force_velocity::low_speed(run)));
    let table = facts::fit_table(run);
    if !table.rows.is_empty() {
        section = section.with(Block::Table(table));
    }
    section
}

fn findings(run: &Run) -> Section {
    let mut section = Section::new("findings", "What was found");
    let sorted = words::by_gravity(run);
    section = section.with(if sorted.is_empty() {
        Block::Prose(Text::from(
            "No findings: the input has no loops to look into, or nothing could be judged.",
        ))
    } else {
        Block::Findings(sorted.iter().map(|f| view(f)).collect())
    });
    for finding in sorted.iter().take(EVIDENCE_LOOPS) {
        section
            .blocks
            .extend(figure_block(plots::evidence::figure(run, finding)));
    }
    section
        .blocks
        .extend(figure_block(plots::lost_motion::figure(run)));
    section
        .blocks
        .extend(plots::lost_motion::nothing_lost(run).map(Block::Prose));
    section
}

/// A finding, ready to be read.
pub fn view(finding: &Finding) -> FindingView {
    let mut evidence = Table::new(
        format!("Evidence on {}", words::title(&finding.kind).to_lowercase()),
        &[
            ("What was measured", None),
            ("Value", None),
            ("Held against", None),
            ("Speaks for it", None),
        ],
    );
    for e in &finding.evidence {
        let show = |value: Option<f64>| match kind_of_symbol(&e.unit) {
            Some(kind) => dual(kind, value),
            None => Dual::same(value.map_or_else(
                || "–".to_owned(),
                |v| {
                    format!(
                        "{} {}",
                        super::format::fixed(v, super::format::decimals(v)),
                        e.unit
                    )
                },
            )),
        };
        evidence.rows.push(vec![
            Cell::Words(e.what.clone()),
            Cell::Dual(show(e.value)),
            Cell::Dual(show(e.threshold)),
            Cell::Words(if e.met { "yes" } else { "no" }.into()),
        ]);
    }
    FindingView {
        kind: finding.kind.clone(),
        title: words::title(&finding.kind),
        badge: words::badge(finding.verdict),
        verdict: words::verdict(finding.verdict).to_owned(),
        sentence: words::sentence(finding),
        advice: Text::from(finding.advice.as_str()),
        evidence,
    }
}

fn loops(run: &Run) -> Section {
    let mut section = Section::new("loops", "Loops at each speed");
    let steps = plots::shown_steps(run);
    if steps.len() > 1 {
        section = section.with(Block::Picker(
            steps
                .iter()
                .map(|s| (s.key.clone(), s.name.clone()))
                .collect(),
        ));
    }
    section
        .blocks
        .extend(figure_block(plots::force_travel::figure(run)));
    section
        .blocks
        .extend(figure_block(plots::loops_velocity::figure(run)));
    if !run.steps.is_empty() {
        section = section.with(Block::Table(facts::step_table(run)));
    }
    section
}

fn hysteresis(run: &Run) -> Section {
    let mut section = Section::new("hysteresis", "Loop width (hysteresis)");
    section
        .blocks
        .extend(figure_block(plots::hysteresis::figure(run)));
    section
        .blocks
        .extend(figure_block(plots::hysteresis::along(run)));
    section
}

fn heat(run: &Run) -> Section {
    let mut section = Section::new("heat", "Heat");
    if let Some(text) = facts::heat_sentence(run) {
        section = section.with(Block::Prose(text));
    }
    section
        .blocks
        .extend(figure_block(plots::heat::energy(run)));
    section.blocks.extend(figure_block(plots::heat::power(run)));
    let over_time = plots::warming::figure(run).or_else(|| plots::temperature::figure(run));
    section.blocks.extend(figure_block(over_time));
    section
        .blocks
        .extend(figure_block(plots::fade::figure(run)));
    section
        .blocks
        .extend(warmth::sentences(run).into_iter().map(Block::Prose));
    section
        .blocks
        .extend(warmth::by_step(run).map(Block::Table));
    section.blocks.extend(warmth::table(run).map(Block::Table));
    section
}

fn stability(run: &Run) -> Section {
    let mut section = Section::new("stability", "Stability from cycle to cycle");
    section
        .blocks
        .extend(figure_block(plots::stability::figure(run)));
    section
}

fn reading(run: &Run) -> Section {
    let mut section = Section::new("reading", "What was read and assumed");
    let certainty = match run.conventions.certainty {
        Certainty::Stated => "stated",
        Certainty::Proved => "proved by physics",
        Certainty::Assumed => "assumed, not proved",
    };
    let sign = |p: crate::recording::Polarity| match p {
        crate::recording::Polarity::Positive => "positive",
        crate::recording::Polarity::Negative => "negative",
    };
    section = section.with(Block::Prose(Text::from(format!(
        "Signs ({certainty}): travel is {} in the file while the damper is compressed, force is {} \
         while it resists compression.",
        sign(run.conventions.displacement_sign),
        sign(run.conventions.force_sign),
    ))));
    let list = |items: &[String]| {
        Block::List(items.iter().map(|item| Text::from(item.as_str())).collect())
    };
    if !run.conventions.evidence.is_empty() {
        section = section.with(list(&run.conventions.evidence));
    }
    if !run.notes.is_empty() {
        section = section
            .with(Block::Prose(Text::from(
                "Worth knowing (numbers in SI units):",
            )))
            .with(list(&run.notes));
    }
    if !run.channels.is_empty() {
        section = section.with(Block::Table(facts::channel_table(&run.channels)));
    }
    section = section.with(Block::Prose(facts::sampling_sentence(run)));
    let lost = facts::sampling_table(run);
    if !lost.rows.is_empty() {
        section = section.with(Block::Table(lost));
    }
    if !run.metadata.is_empty() {
        let mut table = Table::new("Labels in the file", &[("Label", None), ("Value", None)]);
        for (label, value) in &run.metadata {
            table
                .rows
                .push(vec![Cell::Words(label.clone()), Cell::Words(value.clone())]);
        }
        section = section.with(Block::Table(table));
    }
    section
}

fn method(run: &Run) -> Section {
    let mut section = Section::new("method", "Method and cautions");
    if let Some(statics) = &run.statics {
        if !statics.method.is_empty() {
            section = section.with(Block::Prose(Text::from(format!(
                "Gas force and friction: {}",
                statics.method
            ))));
        }
        if !statics.identifiable.is_empty() {
            section = section.with(Block::List(
                statics
                    .identifiable
                    .iter()
                    .map(|s| Text::from(s.as_str()))
                    .collect(),
            ));
        }
    }
    section
        .with(Block::Prose(Text::from(
            "Signs on this page: travel, velocity and force are positive in compression. Speeds are \
             taken from travel. Each direction is fitted on its own with a straight line, one knee \
             and two knees; the simplest one the data supports is shown. Ranges are 95 % intervals, \
             ± is one standard deviation from cycle to cycle unless said otherwise.",
        )))
        .with(Block::Caution(
            words::CAUTIONS.iter().map(|c| Text::from(*c)).collect(),
        ))
}

fn provenance(run: &Run) -> Section {
    Section::new("provenance", "Where this came from")
        .with(Block::Table(facts::source_table(run)))
        .with(Block::Prose(Text::from(format!(
            "Made by {} {}. The same file and options give the same page.",
            run.tool.name, run.tool.version
        ))))
}

/// Facts about one direction's fit that the opening and the terminal share.
pub fn direction_facts(run: &Run, direction: Direction) -> FactGroup {
    let mut list = Vec::new();
    let quoted = facts::standard_points(run, direction);
    // A speed run more than once is told apart by its step.
    let repeated = |peak: &crate::curves::PeakPoint| {
        let name = |p: &crate::curves::PeakPoint| dual(Kind::Speed, Some(p.velocity_m_s));
        quoted.iter().filter(|p| name(p) == name(peak)).count() > 1
    };
    for peak in quoted.iter().copied() {
        list.push(Fact {
            name: Dual::by(|shown| {
                let speed = dual(Kind::Speed, Some(peak.velocity_m_s));
                match peak.step.filter(|_| repeated(&peak)) {
                    Some(step) => format!("Force at {}, step {}", speed.get(shown), step + 1),
                    None => format!("Force at {}", speed.get(shown)),
                }
            }),
            value: dual_spread(Kind::Force, peak.force_n, peak.se_n),
            remark: Text::new(),
        });
    }
    if let Some(fit) = run.fits.get(direction) {
        for (i, knee) in fit.knees.iter().enumerate() {
            let name = words::knee_name(fit.knees.len(), i);
            list.push(Fact {
                name: Dual::same(name),
                value: dual_within(Kind::Speed, knee.velocity_m_s, Some(knee.ci95_m_s)),
                remark: Text::from("95 %: ").num(dual_interval(Kind::Speed, knee.ci95_m_s)),
            });
        }
        if let (Some(first), Some(last)) = (fit.segments.first(), fit.segments.last()) {
            let mut slope = |name: &str, piece: &crate::fits::Piece| {
                list.push(Fact {
                    name: Dual::same(name),
                    value: dual_within(Kind::Damping, piece.slope_n_s_m, piece.slope_ci95_n_s_m),
                    remark: piece.slope_ci95_n_s_m.map_or_else(Text::new, |ci| {
                        Text::from("95 %: ").num(dual_interval(Kind::Damping, ci))
                    }),
                });
            };
            if fit.segments.len() > 1 {
                slope("Slope at low speed", first);
                slope("Slope at high speed", last);
            } else {
                slope("Slope", first);
            }
        }
    }
    let word = direction.word();
    FactGroup {
        heading: format!("{}{}", word[..1].to_uppercase(), &word[1..]),
        ink: Some(plots::force_velocity::ink(direction)),
        facts: list,
    }
}
