//! A corner as a page.

use super::{CLOSING, answer, headline, marker, on, part_words, plots, subtitle, tables, text_of};
use crate::corner::Corner;
use crate::corner::answer::Level;
use crate::notice::Error;
use crate::report::Files;
use crate::report::page::{Badge, Block, Page, Section, Table};
use crate::report::plots::summary::Sheet;
use crate::report::text::Text;
use crate::steps::Direction;
use crate::units::display::Shown;

/// A corner's report: a picture per plot, a summary picture, the page.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn files(corner: &Corner, shown: Shown) -> Result<Files, Error> {
    let page = page(corner, shown);
    let sheet = Sheet {
        plots: page.figures().iter().map(|f| &f.plot).collect(),
        groups: tables::facts(corner),
        lines: Vec::new(),
    };
    crate::report::files_with_sheet(&page, &sheet)
}

fn table(section: Section, table: Table) -> Section {
    if table.rows.is_empty() {
        section
    } else {
        section.with(Block::Table(table))
    }
}

fn page(corner: &Corner, shown: Shown) -> Page {
    let mut roads = Section::new("roads", "On the road");
    roads = table(roads, tables::roads(corner, Level::TimeDomain));
    roads = table(roads, tables::contacts(corner));
    if let Some(row) = tables::middle(corner) {
        let mut bands = tables::bands(row);
        bands.caption = on(&bands.caption, row).plain(Shown::Si);
        roads = table(roads, bands);
    }
    roads = table(roads, tables::roads(corner, Level::Linearised));
    let mut ratios = Section::new("ratios", "Damping ratio");
    ratios = match plots::zeta(corner) {
        Some(figure) => ratios.with(Block::Figure(Box::new(figure))),
        None => table(ratios, tables::zeta(corner)),
    };
    if !ratios.blocks.is_empty() {
        ratios = ratios.with(Block::Prose(Text::from(tables::practice())));
    }
    for direction in Direction::BOTH {
        ratios = table(ratios, tables::wheel_curve(corner, direction));
    }
    let mut changes = Section::new("changes", "What the second damper changes");
    if let Some(figure) = plots::change(corner) {
        changes = changes.with(Block::Figure(Box::new(figure)));
    }
    changes = table(changes, tables::zeta_change(corner));
    let sections = vec![
        Section::new("corner", "The corner").with(Block::Facts(tables::facts(corner))),
        changes,
        table(Section::new("pair", "Left and right"), tables::pair(corner)),
        ratios,
        roads,
        rests(corner),
    ];
    let headline = match answer(corner) {
        Some(answer) => headline(corner).say(". ").and(answer),
        None => headline(corner),
    };
    Page {
        title: corner.damper.name.clone(),
        subtitle: subtitle(corner),
        headline,
        assumption: None,
        badge: Badge::Unsure,
        sections: sections
            .into_iter()
            .filter(|s| !s.blocks.is_empty())
            .collect(),
        shown,
        marker: marker(corner),
        maker: format!("{} {}", corner.tool.name, corner.tool.version),
    }
}

/// What the numbers rest on and do not know.
fn rests(corner: &Corner) -> Section {
    let left_out: Vec<Text> = corner
        .why_not
        .iter()
        .map(|(part, why)| Text::from(format!("Left out, {}: {why}", part_words(part))))
        .collect();
    let mut section = Section::new("assumed", "What was assumed")
        .with(Block::List(corner.assumed.iter().map(text_of).collect()));
    if !left_out.is_empty() {
        section = section.with(Block::List(left_out));
    }
    let cautions: Vec<Text> = corner
        .cautions
        .iter()
        .map(String::as_str)
        .chain([CLOSING])
        .map(Text::from)
        .collect();
    let sources: Vec<Text> = super::dampers(corner)
        .iter()
        .map(|n| Text::from(format!("{}: file {}, SHA-256 {}", n.name, n.path, n.sha256)))
        .collect();
    section
        .with(Block::Caution(cautions))
        .with(Block::List(sources))
}
