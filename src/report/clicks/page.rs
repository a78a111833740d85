//! The adjusters as a page.

use super::{badge, marker, plots, tables, terminal, words};
use crate::clicks::Clicks;
use crate::compare::Sentence;
use crate::notice::Error;
use crate::report::Files;
use crate::report::comparison::CLOSING;
use crate::report::format::Dual;
use crate::report::page::{Block, Cell, Page, Section, Table};
use crate::report::plots::summary;
use crate::report::text::Text;
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::Shown;

fn text_of(sentence: &Sentence) -> Text {
    Text::from(Dual::by(|shown| sentence.shown(shown)))
}

/// The report.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn files(clicks: &Clicks, runs: &[Run], shown: Shown) -> Result<Files, Error> {
    let mut sections = Vec::new();
    for (i, adjuster) in clicks.adjusters.iter().enumerate() {
        let mut section = Section::new(&format!("adjuster-{i}"), &adjuster.name);
        let mut list = vec![Text::from(words::counted(adjuster))];
        list.extend(words::remarks(adjuster).iter().map(text_of));
        section = section.with(Block::List(list));
        if let Some(figure) = plots::fan(clicks, adjuster, i) {
            section = section.with(Block::Figure(Box::new(figure)));
        }
        for direction in Direction::BOTH {
            if let Some(figure) = plots::against_setting(clicks, adjuster, i, direction) {
                section = section.with(Block::Figure(Box::new(figure)));
            }
        }
        for direction in Direction::BOTH {
            let effects = tables::some(adjuster, direction, usize::MAX);
            if effects.is_empty() {
                continue;
            }
            section = section
                .with(Block::Table(tables::by_setting(
                    clicks, adjuster, direction, &effects, None, true,
                )))
                .with(Block::Table(tables::by_speed(adjuster, direction)));
        }
        sections.push(section);
    }
    if let Some(meets) = &clicks.meets {
        let lines = words::meets(meets).iter().map(text_of).collect();
        let heading = format!("To meet {}", meets.other);
        sections.push(Section::new("meets", &heading).with(Block::List(lines)));
    }
    if let Some(at) = &clicks.at {
        let heading = format!("At {}", words::settings(&at.settings));
        sections
            .push(Section::new("at", &heading).with(Block::Table(tables::curve_at(clicks, at))));
    }
    let mut notes: Vec<Text> = clicks.odd.iter().map(|o| text_of(&words::odd(o))).collect();
    notes.extend(clicks.repeats.iter().map(|r| text_of(&words::repeated(r))));
    notes.extend(clicks.cautions.iter().map(text_of));
    notes.push(Text::from(terminal::NOT_BEYOND));
    sections.push(
        Section::new("cautions", "To bear in mind")
            .with(Block::List(notes))
            .with(Block::Caution(vec![Text::from(CLOSING)])),
    );
    sections.push(
        Section::new("provenance", "Where this came from")
            .with(Block::Table(runs_table(clicks)))
            .with(Block::Table(sources(runs))),
    );
    let mut headline = Text::new();
    for line in words::headlines(clicks) {
        if !headline.is_empty() {
            headline = headline.say("; ");
        }
        headline = headline.and(text_of(&line));
    }
    let page = Page {
        title: "What the adjusters do".into(),
        subtitle: Text::from(terminal::subtitle(clicks)),
        headline,
        assumption: None,
        badge: badge(clicks),
        sections,
        shown,
        marker: marker(clicks),
        maker: format!("{} {}", clicks.tool.name, clicks.tool.version),
    };
    let figures = page.figures();
    let sheet = summary::Sheet {
        plots: figures.iter().map(|figure| &figure.plot).collect(),
        groups: Vec::new(),
        lines: clicks
            .adjusters
            .iter()
            .flat_map(words::remarks)
            .map(|line| text_of(&line))
            .collect(),
    };
    let mut files = crate::report::files_with_sheet(&page, &sheet)?;
    files.insert(0, ("map.csv".into(), map(clicks).into_bytes()));
    Ok(files)
}

/// Force by adjuster, setting, direction and speed as a table for other programs: SI, our
/// signs, the other adjusters at the reference.
fn map(clicks: &Clicks) -> String {
    let mut out =
        String::from("adjuster,setting,direction,velocity_m_s,force_n,low95_n,high95_n,run\n");
    for adjuster in &clicks.adjusters {
        let name = adjuster.name.replace('"', "\"\"");
        for e in &adjuster.effect {
            for (k, setting) in e.settings.iter().enumerate() {
                let [low, high] = e.ci95_n[k];
                out.push_str(&format!(
                    "\"{name}\",{setting},{},{},{:.2},{low:.2},{high:.2},{}\n",
                    e.direction.word(),
                    e.velocity_m_s,
                    e.force_n[k],
                    adjuster.settings.contains(setting),
                ));
            }
        }
    }
    out
}

/// Which run was at which setting.
fn runs_table(clicks: &Clicks) -> Table {
    let mut table = Table::new(
        "Runs and their settings",
        &[("Run", None), ("Settings", None)],
    );
    for run in &clicks.runs {
        table.rows.push(vec![
            Cell::Words(run.name.clone()),
            Cell::Words(words::settings(&run.settings)),
        ]);
    }
    table
}

fn sources(runs: &[Run]) -> Table {
    let mut table = Table::new(
        "Files",
        &[("File", None), ("Rows", None), ("SHA-256", None)],
    );
    for source in runs.iter().flat_map(|r| &r.source) {
        table.rows.push(vec![
            Cell::Words(source.path.clone()),
            Cell::Count(source.rows),
            Cell::Words(source.sha256.clone()),
        ]);
    }
    table
}
