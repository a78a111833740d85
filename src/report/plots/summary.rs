//! The summary sheet: one upright picture to send by phone.

use super::draw::{self, Letter, Use, paper, shorten};
use super::frame::{Plot, Side};
use crate::notice::Error;
use crate::report::format::Dual;
use crate::report::page::{FactGroup, Page};
use crate::report::palette::Ink;
use crate::report::text::Text;
use crate::report::{facts, words};
use crate::run::Run;
use crate::units::display::Shown;

/// The most findings a sheet lists.
const FINDINGS: usize = 6;
/// Width of the sheet, px.
const WIDE: f64 = 800.0;
/// Margin, px.
const EDGE: f64 = 28.0;

/// Room between columns, px.
const GAP: f64 = 16.0;

/// A pen that moves down the sheet.
struct Writer {
    sheet: draw::Sheet,
    y: f64,
    purpose: Use,
}

impl Writer {
    fn line(&mut self, text: &str, x: f64, letter: Letter, side: Side) -> Result<(), Error> {
        self.sheet
            .words(&Dual::same(text), (x, self.y), side, letter, self.purpose)
    }

    /// Plots one under the other: the first across the sheet, then small ones two to a row.
    fn plots(&mut self, plots: &[&Plot]) -> Result<(), Error> {
        let full = WIDE - 2.0 * EDGE;
        let Some((first, mut rest)) = plots.split_first() else {
            return Ok(());
        };
        self.y += self.plot(first, EDGE, full)? + 20.0;
        while let Some((first, more)) = rest.split_first() {
            rest = more;
            let small = |plot: &Plot| f64::from(plot.size.0) < 0.8 * full;
            let pair = more.first().filter(|second| small(first) && small(second));
            let top = self.y;
            if let Some(second) = pair {
                rest = &more[1..];
                let half = (full - GAP) / 2.0;
                let left = self.plot(first, EDGE, half)?;
                let right = self.plot(second, EDGE + half + GAP, half)?;
                self.y = top + left.max(right) + 20.0;
            } else {
                self.y = top + self.plot(first, EDGE, full)? + 20.0;
            }
        }
        Ok(())
    }

    /// A plot at a place and of a width; returns its height.
    fn plot(&mut self, plot: &Plot, left: f64, width: f64) -> Result<f64, Error> {
        let drawing = draw::draw(plot, self.purpose)?;
        let (inner, height) = placed(&drawing, (left, self.y), width);
        self.sheet.raw(&inner);
        Ok(height)
    }

    fn wrapped(&mut self, text: &str, letter: Letter, step: f64) -> Result<(), Error> {
        for line in wrap(text, WIDE - 2.0 * EDGE, letter)? {
            self.line(&line, EDGE, letter, Side::Right)?;
            self.y += step;
        }
        Ok(())
    }
}

/// A finished drawing as part of a larger one, at a place and of a width; and its height.
pub(crate) fn placed(drawing: &draw::Drawing, at: (f64, f64), width: f64) -> (String, f64) {
    let (w, h) = (f64::from(drawing.size.0), f64::from(drawing.size.1));
    let height = width * h / w;
    // Places inside the sheet are in its fine steps.
    let fine = |v: f64| (v * draw::FINE).round();
    let inner = drawing.svg.replacen(
        &format!("width=\"{}\" height=\"{}\"", drawing.size.0, drawing.size.1),
        &format!(
            "x=\"{}\" y=\"{}\" width=\"{}\" height=\"{}\"",
            fine(at.0),
            fine(at.1),
            fine(width),
            fine(height)
        ),
        1,
    );
    (inner, height)
}

/// Words broken into lines of a width.
pub(crate) fn wrap(text: &str, width: f64, letter: Letter) -> Result<Vec<String>, Error> {
    let mut lines = Vec::new();
    let mut line = String::new();
    for word in text.split(' ').filter(|w| !w.is_empty()) {
        let longer = if line.is_empty() {
            word.to_owned()
        } else {
            format!("{line} {word}")
        };
        if line.is_empty() || letter.width(&longer)? <= width {
            line = longer;
        } else {
            lines.push(shorten(&line, width, letter)?);
            line = word.to_owned();
        }
    }
    if !line.is_empty() {
        lines.push(shorten(&line, width, letter)?);
    }
    Ok(lines)
}

/// What goes on a sheet besides the page's own opening.
#[derive(Debug, Clone, Default)]
pub struct Sheet<'a> {
    /// Plots, one under the other.
    pub plots: Vec<&'a Plot>,
    /// Numbers.
    pub groups: Vec<FactGroup>,
    /// Lines of text under them.
    pub lines: Vec<Text>,
}

/// The sheet of a run.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the drawing library fails.
pub fn of_run(run: &Run, page: &Page, shown: Shown) -> Result<String, Error> {
    let figure = super::force_velocity::figure(run);
    let content = Sheet {
        plots: figure.iter().map(|figure| &figure.plot).collect(),
        groups: facts::groups(run),
        lines: words::by_gravity(run)
            .into_iter()
            .take(FINDINGS)
            .map(|finding| {
                Text::from(format!("{}: ", words::title(&finding.kind)))
                    .and(words::sentence(finding))
            })
            .collect(),
    };
    svg(page, &content, shown)
}

/// The sheet as SVG.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the drawing library fails.
pub fn svg(page: &Page, content: &Sheet<'_>, shown: Shown) -> Result<String, Error> {
    let purpose = Use::Picture(shown);
    // Written twice: once to learn the height, once on paper of that height.
    let tall = write(page, content, shown, purpose, 4000)?.1;
    let (drawn, _) = write(page, content, shown, purpose, tall)?;
    Ok(drawn.finish(purpose, ""))
}

fn write(
    page: &Page,
    content: &Sheet<'_>,
    shown: Shown,
    purpose: Use,
    tall: u32,
) -> Result<(draw::Sheet, u32), Error> {
    let mut pen = Writer {
        sheet: draw::Sheet::new((WIDE as u32, tall)),
        y: 40.0,
        purpose,
    };
    paper(&mut pen.sheet)?;
    let title = Letter::bold(Ink::Text, 25.0);
    let name = shorten(&page.title, WIDE - 2.0 * EDGE, title)?;
    pen.line(&name, EDGE, title, Side::Right)?;
    pen.y += 34.0;
    pen.wrapped(
        &page.subtitle.plain(shown),
        Letter::plain(Ink::Soft, 15.0),
        21.0,
    )?;
    pen.y += 8.0;
    pen.wrapped(
        &page.headline.plain(shown),
        Letter::bold(Ink::Text, 18.0),
        26.0,
    )?;
    if let Some(assumption) = &page.assumption {
        pen.wrapped(
            &assumption.plain(shown),
            Letter::plain(Ink::Mark, 15.0),
            21.0,
        )?;
    }
    pen.y += 4.0;
    pen.plots(&content.plots)?;
    columns(&mut pen, &content.groups, shown)?;
    for line in &content.lines {
        pen.wrapped(&line.plain(shown), Letter::plain(Ink::Text, 14.5), 21.0)?;
    }
    pen.y += 10.0;
    pen.wrapped(
        "Not a statement of fitness to drive. Gas under pressure, hot bodies: follow the maker's \
         instructions and local codes.",
        Letter::plain(Ink::Soft, 12.5),
        18.0,
    )?;
    pen.line(
        &page.maker,
        EDGE,
        Letter::plain(Ink::Soft, 12.5),
        Side::Right,
    )?;
    pen.y += 22.0;
    let height = pen.y.ceil() as u32;
    Ok((pen.sheet, height))
}

/// The largest of a few sizes in which every name stands beside its value, px.
fn letters_that_fit(groups: &[FactGroup], width: f64, shown: Shown) -> Result<f64, Error> {
    const SIZES: [f64; 4] = [13.0, 12.5, 12.0, 11.5];
    let smallest = SIZES[SIZES.len() - 1];
    'sizes: for size in SIZES {
        let letter = Letter::plain(Ink::Text, size);
        for fact in groups.iter().flat_map(|g| &g.facts) {
            let both = letter.width(fact.name.get(shown))? + letter.width(fact.value.get(shown))?;
            if both + BETWEEN > width {
                continue 'sizes;
            }
        }
        return Ok(size);
    }
    Ok(smallest)
}

/// Room between a fact's name and its value, px.
const BETWEEN: f64 = 8.0;

/// Fact groups side by side.
fn columns(pen: &mut Writer, groups: &[FactGroup], shown: Shown) -> Result<(), Error> {
    if groups.is_empty() {
        return Ok(());
    }
    let gap = GAP;
    let count = groups.len() as f64;
    let width = (WIDE - 2.0 * EDGE - gap * (count - 1.0)) / count;
    let top = pen.y;
    let mut lowest = top;
    let size = letters_that_fit(groups, width, shown)?;
    for (i, group) in groups.iter().enumerate() {
        let left = EDGE + (width + gap) * i as f64;
        pen.y = top;
        let heading = Letter::bold(group.ink.unwrap_or(Ink::Text), 15.5);
        pen.line(&group.heading, left, heading, Side::Right)?;
        pen.y += 23.0;
        for fact in &group.facts {
            let value = fact.value.get(shown);
            let (soft, dark) = (
                Letter::plain(Ink::Soft, size),
                Letter::plain(Ink::Text, size),
            );
            let name = shorten(
                fact.name.get(shown),
                width - dark.width(value)? - BETWEEN,
                soft,
            )?;
            pen.line(&name, left, soft, Side::Right)?;
            pen.line(value, left + width, dark, Side::Left)?;
            pen.y += 20.0;
        }
        lowest = lowest.max(pen.y);
    }
    pen.y = lowest + 12.0;
    Ok(())
}
