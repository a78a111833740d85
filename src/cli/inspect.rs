//! `loopwork inspect`.

use serde::Serialize;

use super::args::InspectArgs;
use super::output::print;
use super::{Outcome, diagnostics, write_aside};
use crate::ingest::{self, Card, IntakeOptions};
use crate::notice::{Error, Notice, Severity};
use crate::pipeline::{Settings, find_steps};
use crate::recording::{
    Certainty, Channel, Closing, Conventions, Layout, Polarity, Recording, Sampling, SourceFile,
    StatedSigns, Understanding,
};
use crate::report::facts::channel_table;
use crate::report::format::{Dual, dual};
use crate::report::page::{Cell, Fact, Table};
use crate::report::terminal::{Look, Screen};
use crate::report::text::Text;
use crate::run::Tool;
use crate::units::display::Kind;

/// The schema of the JSON.
const SCHEMA: &str = "loopwork.inspect/1";

/// What intake understood (contract: `inspect`).
#[derive(Debug, Serialize)]
struct Inspection {
    schema: &'static str,
    tool: Tool,
    source: Vec<SourceFile>,
    layout: Layout,
    channels: Vec<Channel>,
    /// `None` for a sweep table: its signs are removed at intake.
    conventions: Option<Conventions>,
    sampling: Sampling,
    /// Empty for a sweep table.
    steps: Vec<StepLine>,
    metadata: std::collections::BTreeMap<String, String>,
    questions: Vec<Question>,
    notes: Vec<String>,
    #[serde(skip)]
    notices: Vec<Notice>,
    #[serde(skip)]
    signs: StatedSigns,
}

/// One speed.
#[derive(Debug, Serialize)]
struct StepLine {
    index: usize,
    stroke_m: f64,
    frequency_hz: f64,
    cycles: u64,
    peak_velocity_m_s: f64,
}

/// Something the data cannot settle.
#[derive(Debug, Serialize)]
struct Question {
    about: String,
    found: String,
    settle_with: String,
}

/// Notices that ask the person something.
const ASKING: [(&str, &str); 10] = [
    ("unit-assumed", "unit"),
    ("signs-assumed", "signs"),
    ("signs-contradict-physics", "signs"),
    ("time-assumed", "time"),
    ("time-coarse", "time"),
    ("columns-swapped", "columns"),
    ("velocity-factor", "velocity"),
    ("velocity-unlike", "velocity"),
    ("force-clipped", "force"),
    ("travel-clipped", "displacement"),
];

/// Runs the command.
///
/// # Errors
/// As the stages it calls.
pub(super) fn run(args: &InspectArgs) -> Result<Outcome, Error> {
    let options = args.intake.to_options()?;
    let output = &args.output;
    output.spare_inputs(&args.files)?;
    let inspection = match ingest::open(&args.files, &options)? {
        Recording::Samples(mut stream) => {
            let understanding = stream.understanding().clone();
            let motion = find_steps(stream.as_mut(), &Settings::default())?;
            let mut closing = motion.closing;
            closing.notices.extend(motion.notices);
            let steps = motion
                .steps
                .steps
                .iter()
                .map(|s| StepLine {
                    index: s.index,
                    stroke_m: s.stroke_m,
                    frequency_hz: s.frequency_hz,
                    cycles: s.cycles,
                    peak_velocity_m_s: s.top_speed(),
                })
                .collect();
            inspection(understanding, Some(motion.conventions), closing, steps)
        }
        Recording::Sweep {
            understanding,
            closing,
            ..
        } => inspection(*understanding, None, *closing, Vec::new()),
    };
    if let Some(path) = &args.write_card {
        write_aside(path, card(&inspection, &options)?.as_bytes())?;
    }
    let json = match output.json {
        Some(_) => crate::report::json::pretty(&inspection)?,
        None => String::new(),
    };
    match output.json.as_deref() {
        Some(_) if output.json_on_stdout() => print(&json)?,
        Some(path) => write_aside(path, json.as_bytes())?,
        None => {}
    }
    if output.json_on_stdout() {
        diagnostics::say_notices(&inspection.notices, output.quiet);
    } else if !output.quiet {
        print(&text(&inspection, output.look()))?;
    }
    Ok(Outcome::Done)
}

fn inspection(
    understanding: Understanding,
    conventions: Option<Conventions>,
    closing: Closing,
    steps: Vec<StepLine>,
) -> Inspection {
    let questions = closing
        .notices
        .iter()
        .filter_map(|n| {
            let (_, about) = ASKING.iter().find(|(code, _)| *code == n.code)?;
            Some(Question {
                about: (*about).to_owned(),
                found: n.message.clone(),
                settle_with: n.help.clone().unwrap_or_default(),
            })
        })
        .collect();
    let layout = closing
        .sources
        .first()
        .map_or(understanding.layout, |s| s.layout);
    Inspection {
        schema: SCHEMA,
        tool: Tool::this(),
        layout: if closing.sources.len() > 1 {
            understanding.layout
        } else {
            layout
        },
        source: closing.sources,
        channels: understanding.channels,
        conventions,
        sampling: closing.sampling,
        steps,
        metadata: understanding.metadata,
        questions,
        notes: closing.notices.iter().map(|n| n.message.clone()).collect(),
        notices: closing.notices,
        signs: understanding.signs,
    }
}

/// The card of what was understood: stated signs, or proved ones.
fn card(inspection: &Inspection, options: &IntakeOptions) -> Result<String, Error> {
    let Some(source) = inspection.source.first() else {
        return Err(Error::input(
            "no-file",
            "there is no file to write a card of",
        ));
    };
    let signs = match &inspection.conventions {
        Some(c) if c.certainty != Certainty::Assumed => StatedSigns {
            compression: Some(c.displacement_sign),
            force: Some(c.force_sign),
        },
        _ => inspection.signs,
    };
    Card::of(source, &inspection.channels, signs, options).to_toml()
}

fn text(inspection: &Inspection, look: Look) -> String {
    let mut screen = Screen::new(look);
    for source in inspection.source.iter().take(FILES_SHOWN) {
        screen.heading(&source.path);
        screen.prose(
            2,
            &format!(
                "{} bytes, {} rows; {}; columns apart by {}, decimal mark {}; {}",
                source.bytes,
                source.rows,
                source.encoding,
                delimiter_word(&source.delimiter),
                mark_word(&source.decimal_mark),
                layout_words(source.layout)
            ),
        );
    }
    let more = inspection.source.len().saturating_sub(FILES_SHOWN);
    if more > 0 {
        screen.prose(2, &format!("and {more} more files"));
    }
    columns(&mut screen, inspection);
    signs(&mut screen, inspection);
    sampling(&mut screen, inspection);
    steps(&mut screen, inspection);
    if !inspection.metadata.is_empty() {
        screen.heading("Said before the table");
        let facts: Vec<Fact> = inspection
            .metadata
            .iter()
            .map(|(k, v)| fact(&k.replace('_', " "), Dual::same(v.clone())))
            .collect();
        screen.pairs(&facts);
    }
    let notes: Vec<&Notice> = inspection
        .notices
        .iter()
        .filter(|n| !ASKING.iter().any(|(code, _)| *code == n.code))
        .collect();
    if !notes.is_empty() {
        screen.heading("Worth knowing");
        for notice in notes {
            let mark = if notice.severity >= Severity::Warning {
                "warning: "
            } else {
                ""
            };
            screen.item(2, &format!("{mark}{}", notice.message));
        }
    }
    if inspection.questions.is_empty() {
        screen.heading("Nothing is left open");
    } else {
        screen.heading("What the data cannot settle");
        for question in &inspection.questions {
            screen.item(2, &question.found);
            screen.prose(4, &format!("→ {}", question.settle_with));
        }
    }
    screen.finish()
}

/// Files described one by one; more are counted.
const FILES_SHOWN: usize = 8;

fn columns(screen: &mut Screen, inspection: &Inspection) {
    screen.heading("Columns");
    screen.table(&channel_table(&inspection.channels), &[0, 1, 2, 3]);
}

fn signs(screen: &mut Screen, inspection: &Inspection) {
    let Some(c) = &inspection.conventions else {
        return;
    };
    screen.heading("Signs");
    let sure = match c.certainty {
        Certainty::Stated => "stated",
        Certainty::Proved => "proved",
        Certainty::Assumed => "assumed",
    };
    screen.prose(
        2,
        &format!(
            "travel {} and force {} while the damper is compressed: {sure}",
            sign_word(c.displacement_sign),
            sign_word(c.force_sign)
        ),
    );
    for line in &c.evidence {
        screen.item(2, line);
    }
}

fn sampling(screen: &mut Screen, inspection: &Inspection) {
    let s = &inspection.sampling;
    screen.heading("Samples");
    let mut facts = vec![fact("rows used", Dual::same(s.rows_used.to_string()))];
    if let Some(rate) = s.rate_hz {
        facts.push(fact("rate", dual(Kind::Frequency, Some(rate))));
    }
    if let Some(jitter) = s.jitter {
        facts.push(fact(
            "unevenness of the intervals",
            dual(Kind::Share, Some(jitter)),
        ));
    }
    facts.push(fact(
        "rows left out",
        Dual::same(s.rows_dropped.to_string()),
    ));
    for dropped in &s.dropped {
        facts.push(fact(
            &format!("  {}", dropped.reason),
            Dual::same(dropped.count.to_string()),
        ));
    }
    screen.pairs(&facts);
}

fn steps(screen: &mut Screen, inspection: &Inspection) {
    if inspection.steps.is_empty() {
        if inspection.layout != Layout::SweepTable {
            screen.heading("Steps");
            screen.prose(
                2,
                "none: travel never comes back to where it was, so there is no whole cycle",
            );
        }
        return;
    }
    let mut table = Table::new(
        "Steps",
        &[
            ("Step", None),
            ("Stroke", Some(Kind::Travel)),
            ("Frequency", Some(Kind::Frequency)),
            ("Top speed", Some(Kind::Speed)),
            ("Cycles", None),
        ],
    );
    for step in &inspection.steps {
        table.rows.push(vec![
            Cell::Count(step.index as u64 + 1),
            Cell::Number(Some(step.stroke_m)),
            Cell::Number(Some(step.frequency_hz)),
            Cell::Number(Some(step.peak_velocity_m_s)),
            Cell::Count(step.cycles),
        ]);
    }
    screen.heading("Steps");
    screen.table(&table, &[0, 1, 2, 3, 4]);
}

fn fact(name: &str, value: Dual) -> Fact {
    Fact {
        name: Dual::same(name),
        value,
        remark: Text::new(),
    }
}

fn sign_word(sign: Polarity) -> &'static str {
    match sign {
        Polarity::Positive => "positive",
        Polarity::Negative => "negative",
    }
}

fn delimiter_word(delimiter: &str) -> &str {
    match delimiter {
        "," => "commas",
        ";" => "semicolons",
        "tab" => "tabs",
        "|" => "bars",
        other => other,
    }
}

fn mark_word(mark: &str) -> &str {
    if mark == "," { "comma" } else { "point" }
}

fn layout_words(layout: Layout) -> &'static str {
    match layout {
        Layout::TimeSeries => "one series over time",
        Layout::Blocks => "one block of rows per speed",
        Layout::Wide => "speeds side by side",
        Layout::SweepTable => "a reduced table of force against velocity",
    }
}
