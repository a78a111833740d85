//! The summary sheet: one upright picture to send by phone.

use super::draw::{Letter, Sheet, Use, draw, paper, shorten};
use super::frame::Side;
use crate::notice::Error;
use crate::report::format::Dual;
use crate::report::page::{FactGroup, Page};
use crate::report::palette::Ink;
use crate::report::{facts, words};
use crate::run::Run;
use crate::units::display::Shown;

/// Width of the sheet, px.
const WIDE: f64 = 800.0;
/// Margin, px.
const EDGE: f64 = 28.0;

/// A pen that moves down the sheet.
struct Writer {
    sheet: Sheet,
    y: f64,
    purpose: Use,
}

impl Writer {
    fn line(&mut self, text: &str, x: f64, letter: Letter, side: Side) -> Result<(), Error> {
        self.sheet
            .words(&Dual::same(text), (x, self.y), side, letter, self.purpose)
    }

    fn wrapped(&mut self, text: &str, letter: Letter, step: f64) -> Result<(), Error> {
        for line in wrap(text, WIDE - 2.0 * EDGE, letter)? {
            self.line(&line, EDGE, letter, Side::Right)?;
            self.y += step;
        }
        Ok(())
    }
}

/// Words broken into lines of a width.
fn wrap(text: &str, width: f64, letter: Letter) -> Result<Vec<String>, Error> {
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

/// The sheet as SVG.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the drawing library fails.
pub fn svg(run: &Run, page: &Page, shown: Shown) -> Result<String, Error> {
    let purpose = Use::Picture(shown);
    // Written twice: once to learn the height, once on paper of that height.
    let tall = write(run, page, shown, purpose, 4000)?.1;
    let (sheet, _) = write(run, page, shown, purpose, tall)?;
    Ok(sheet.finish(purpose, ""))
}

fn write(
    run: &Run,
    page: &Page,
    shown: Shown,
    purpose: Use,
    tall: u32,
) -> Result<(Sheet, u32), Error> {
    let mut pen = Writer {
        sheet: Sheet::new((WIDE as u32, tall)),
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
    let verdict = Letter::bold(Ink::Text, 18.0);
    pen.wrapped(&page.headline.plain(shown), verdict, 26.0)?;
    if let Some(assumption) = &page.assumption {
        pen.wrapped(
            &assumption.plain(shown),
            Letter::plain(Ink::Mark, 15.0),
            21.0,
        )?;
    }
    pen.y += 4.0;
    if let Some(figure) = super::force_velocity::figure(run) {
        let drawing = draw(&figure.plot, purpose)?;
        let width = WIDE - 2.0 * EDGE;
        let height = width * f64::from(drawing.size.1) / f64::from(drawing.size.0);
        // Places inside the sheet are in its fine steps.
        let inner = drawing.svg.replacen(
            &format!("width=\"{}\" height=\"{}\"", drawing.size.0, drawing.size.1),
            &format!(
                "x=\"{:.0}\" y=\"{:.0}\" width=\"{:.0}\" height=\"{:.0}\"",
                EDGE * super::draw::FINE,
                pen.y * super::draw::FINE,
                width * super::draw::FINE,
                height * super::draw::FINE
            ),
            1,
        );
        pen.sheet.raw(&inner);
        pen.y += height + 20.0;
    }
    let groups = facts::groups(run);
    columns(&mut pen, &groups, shown)?;
    for finding in words::by_gravity(run).into_iter().take(6) {
        let line = format!(
            "{}: {}",
            words::title(&finding.kind),
            words::sentence(finding).plain(shown)
        );
        pen.wrapped(&line, Letter::plain(Ink::Text, 14.5), 21.0)?;
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

/// Fact groups side by side.
fn columns(pen: &mut Writer, groups: &[FactGroup], shown: Shown) -> Result<(), Error> {
    if groups.is_empty() {
        return Ok(());
    }
    let gap = 26.0;
    let count = groups.len() as f64;
    let width = (WIDE - 2.0 * EDGE - gap * (count - 1.0)) / count;
    let top = pen.y;
    let mut lowest = top;
    for (i, group) in groups.iter().enumerate() {
        let left = EDGE + (width + gap) * i as f64;
        pen.y = top;
        let heading = Letter::bold(group.ink.unwrap_or(Ink::Text), 15.5);
        pen.line(&group.heading, left, heading, Side::Right)?;
        pen.y += 23.0;
        for fact in &group.facts {
            let value = fact.value.get(shown);
            let (soft, dark) = (
                Letter::plain(Ink::Soft, 13.0),
                Letter::plain(Ink::Text, 13.0),
            );
            let name = shorten(fact.name.get(shown), width - dark.width(value)? - 8.0, soft)?;
            pen.line(&name, left, soft, Side::Right)?;
            pen.line(value, left + width, dark, Side::Left)?;
            pen.y += 20.0;
        }
        lowest = lowest.max(pen.y);
    }
    pen.y = lowest + 12.0;
    Ok(())
}
