//! Where everything stands on the paper. What must be there is placed from both ends; the
//! plots take the room that is left.

use super::fields::Field;
use super::{Content, Grid, Stationery};
use crate::notice::Error;
use crate::report::format::Dual;
use crate::report::palette::{Ink, PAPER};
use crate::report::plots::draw::{self, FINE, Letter, Use, shorten};
use crate::report::plots::frame::{Plot, Side};
use crate::report::plots::summary::{placed, wrap};
use crate::units::display::Shown;

/// What the sheet calls itself.
pub(super) const TITLE: &str = "Damper test report";
/// Margins, px of 1/96 in.
const EDGE: f64 = 44.0;
/// See [`EDGE`].
const TOP: f64 = 38.0;
/// Room between columns, px.
const GAP: f64 = 20.0;
/// Room of the logo, px.
const LOGO: (f64, f64) = (170.0, 60.0);
/// Least, wanted and most height of a plot under its legend, in pixels of its own.
const PLOTS: [f64; 3] = [110.0, 250.0, 330.0];
/// Size of the plots on the sheet over their own: at the first their words are as small as
/// the rest; the others are for a sheet with little room.
const SMALLER: [f64; 4] = [0.8, 0.7, 0.62, 0.55];
/// Share of the first of two plots in the width.
const FIRST: f64 = 0.6;
/// White: a printer leaves it alone.
const WHITE: &str = "#ffffff";

/// A finished sheet.
pub(super) struct Drawn {
    pub(super) svg: String,
    /// Box of the logo: left, top, width, height, px.
    pub(super) logo: Option<[f64; 4]>,
}

/// A pen that moves down the sheet.
struct Pen {
    sheet: draw::Sheet,
    y: f64,
    wide: f64,
    shown: Shown,
}

/// Letters of one use: how they look and how far their lines stand apart, px.
#[derive(Clone, Copy)]
struct Hand {
    letter: Letter,
    step: f64,
}

fn hand(ink: Ink, size: f64, bold: bool) -> Hand {
    let letter = if bold {
        Letter::bold(ink, size)
    } else {
        Letter::plain(ink, size)
    };
    Hand {
        letter,
        step: (size * 1.34).round(),
    }
}

/// At most `most` lines of a width; what does not fit ends in an ellipsis.
fn lines_of(text: &str, width: f64, hand: Hand, most: usize) -> Result<Vec<String>, Error> {
    let mut lines = wrap(text, width, hand.letter)?;
    if lines.len() > most {
        let rest = lines.split_off(most.saturating_sub(1)).join(" ");
        lines.push(shorten(&format!("{rest} …"), width, hand.letter)?);
    }
    Ok(lines)
}

impl Pen {
    fn words(&mut self, text: &str, x: f64, side: Side, hand: Hand) -> Result<(), Error> {
        let at = (x, self.y);
        let purpose = Use::Picture(self.shown);
        self.sheet
            .words(&Dual::same(text), at, side, hand.letter, purpose)
    }

    /// Words over as many lines as `most`, the first in the middle of the pen's line.
    fn block(&mut self, text: &str, x: f64, width: f64, how: (Hand, usize)) -> Result<(), Error> {
        for line in lines_of(text, width, how.0, how.1)? {
            self.words(&line, x, Side::Right, how.0)?;
            self.y += how.0.step;
        }
        Ok(())
    }

    /// A level line.
    fn rule(&mut self, from: f64, to: f64, ink: Ink, width: f64) {
        let fine = |v: f64| (v * FINE).round();
        self.sheet.raw(&format!(
            "<path fill=\"none\" stroke=\"{}\" stroke-width=\"{}\" d=\"M{} {}H{}\"/>",
            ink.light(),
            fine(width),
            fine(from),
            fine(self.y),
            fine(to)
        ));
    }

    fn right(&self) -> f64 {
        self.wide - EDGE
    }
}

/// Draws a sheet.
pub(super) fn drawn(
    content: &Content,
    stationery: &Stationery,
    shown: Shown,
) -> Result<Drawn, Error> {
    let (wide, tall) = stationery.paper.pixels();
    let mut pen = Pen {
        sheet: draw::Sheet::new((wide, tall)),
        y: TOP,
        wide: f64::from(wide),
        shown,
    };
    draw::paper(&mut pen.sheet)?;
    let logo = head(&mut pen, content, stationery)?;
    fields(&mut pen, content)?;
    answer(&mut pen, content)?;
    let top = pen.y;
    // The foot is laid out once on a sheet of its own to learn how tall it is.
    let mut trial = Pen {
        sheet: draw::Sheet::new((wide, tall)),
        y: 0.0,
        ..pen
    };
    foot(&mut trial, content, stationery)?;
    let high = trial.y;
    let mut pen = Pen {
        sheet: pen.sheet,
        ..trial
    };
    let start = f64::from(tall) - TOP + 10.0 - high;
    plots(&mut pen, &content.plots, top, start - top)?;
    pen.y = start;
    foot(&mut pen, content, stationery)?;
    let svg = pen.sheet.finish(Use::Picture(shown), "");
    let svg = svg
        .replace(PAPER[0], WHITE)
        .replace(&PAPER[0].to_uppercase(), WHITE);
    Ok(Drawn { svg, logo })
}

/// The shop at the left, the sheet's own name and number at the right.
fn head(
    pen: &mut Pen,
    content: &Content,
    stationery: &Stationery,
) -> Result<Option<[f64; 4]>, Error> {
    let logo = stationery.logo.as_ref().map(|logo| {
        let (w, h) = logo.fitted(LOGO);
        [EDGE, TOP - 8.0, w, h]
    });
    let left = logo.map_or(EDGE, |at| EDGE + at[2] + 16.0);
    let own = 230.0;
    let room = pen.right() - own - left;
    let shop = &stationery.shop;
    let name = hand(Ink::Text, 17.0, true);
    let small = hand(Ink::Soft, 9.5, false);
    pen.y = TOP;
    if let Some(shop) = shop.name.as_deref().filter(|n| !n.trim().is_empty()) {
        pen.block(shop, left, room, (name, 2))?;
    }
    let address = shop.address.as_deref().unwrap_or("");
    for line in address.lines().filter(|l| !l.trim().is_empty()).take(5) {
        pen.block(line.trim(), left, room, (small, 1))?;
    }
    let below = pen.y;
    pen.y = TOP;
    let right = pen.right();
    pen.words(TITLE, right, Side::Left, hand(Ink::Text, 17.0, true))?;
    pen.y += 22.0;
    let number = content.fields.test.iter().find(|f| f.0 == "Report number");
    let number = number.and_then(|f| f.1.as_deref()).unwrap_or("");
    let about = hand(Ink::Text, 11.0, false);
    let lines = [content.about.clone(), number.to_owned()];
    for line in lines.iter().filter(|l| !l.is_empty()) {
        let line = shorten(line, own - 10.0, about.letter)?;
        pen.words(&line, right, Side::Left, about)?;
        pen.y += about.step;
    }
    pen.words("page 1 of 1", right, Side::Left, small)?;
    pen.y += small.step;
    let logo_end = logo.map_or(0.0, |at| at[1] + at[3] + 8.0);
    pen.y = pen.y.max(below).max(logo_end) + 2.0;
    pen.rule(EDGE, right, Ink::Text, 1.2);
    pen.y += 13.0;
    Ok(logo)
}

/// Width of the names of fields, px.
const NAMES: f64 = 84.0;

fn field(pen: &mut Pen, field: &Field, place: (f64, f64), most: usize) -> Result<(), Error> {
    let (left, right) = place;
    let name = hand(Ink::Soft, 9.8, false);
    let value = hand(Ink::Text, 10.4, false);
    pen.words(field.0, left, Side::Right, name)?;
    let from = left + NAMES;
    match &field.1 {
        Some(text) => pen.block(text, from, right - from, (value, most))?,
        None => {
            pen.y += 5.0;
            pen.rule(from, right, Ink::Grid, 0.8);
            pen.y += value.step - 5.0;
        }
    }
    pen.y += 1.5;
    Ok(())
}

fn fields(pen: &mut Pen, content: &Content) -> Result<(), Error> {
    let all = &content.fields;
    let half = (pen.right() - EDGE - GAP) / 2.0;
    for i in 0..all.item.len().max(all.test.len()) {
        let top = pen.y;
        let mut lowest = top;
        for (column, list) in [&all.item, &all.test].into_iter().enumerate() {
            if let Some(one) = list.get(i) {
                pen.y = top;
                let left = EDGE + (half + GAP) * column as f64;
                field(pen, one, (left, left + half), 2)?;
                lowest = lowest.max(pen.y);
            }
        }
        pen.y = lowest;
    }
    let right = pen.right();
    for one in &all.wide {
        field(pen, one, (EDGE, right), 2)?;
    }
    pen.y += 1.0;
    pen.rule(EDGE, right, Ink::Grid, 0.8);
    pen.y += 16.0;
    Ok(())
}

fn answer(pen: &mut Pen, content: &Content) -> Result<(), Error> {
    let width = pen.right() - EDGE;
    let bold = hand(Ink::Text, 13.0, true);
    let plain = hand(Ink::Text, 10.8, false);
    for (i, text) in content.answer.iter().enumerate() {
        let how = if i == 0 { (bold, 5) } else { (plain, 3) };
        pen.block(text, EDGE, width, how)?;
    }
    Ok(())
}

/// The plots side by side, in all the room there is.
fn plots(pen: &mut Pen, all: &[Plot], top: f64, room: f64) -> Result<(), Error> {
    let count = all.len();
    let width = pen.right() - EDGE - GAP * count.saturating_sub(1) as f64;
    let mut left = EDGE;
    for (i, plot) in all.iter().enumerate() {
        let wide = match (count, i) {
            (2, 0) => FIRST * width,
            (2, _) => (1.0 - FIRST) * width,
            _ => width / count as f64,
        };
        let shown = pen.shown;
        let with = |scale: f64, tall: f64| {
            let plot = Plot {
                size: ((wide / scale).round() as u32, tall.round() as u32),
                ..plot.clone()
            };
            draw::draw(&plot, Use::Picture(shown))
        };
        for (k, scale) in SMALLER.into_iter().enumerate() {
            // A title and a legend stand above the axes: they take their part of the room.
            let head = f64::from(with(scale, PLOTS[2])?.size.1) - PLOTS[2];
            let tall = ((room - 12.0) / scale - head).min(PLOTS[2]);
            let last = k + 1 == SMALLER.len();
            if tall >= PLOTS[1] || (last && tall >= PLOTS[0]) {
                let (svg, _) = placed(&with(scale, tall)?, (left, top), wide);
                pen.sheet.raw(&svg);
                break;
            }
        }
        left += wide + GAP;
    }
    Ok(())
}

/// Numbers, statements, signatures and the shop's small print.
fn foot(pen: &mut Pen, content: &Content, stationery: &Stationery) -> Result<(), Error> {
    grids(pen, &content.grids)?;
    let width = pen.right() - EDGE;
    let small = hand(Ink::Soft, 9.0, false);
    pen.y += 2.0;
    for text in &content.statements {
        pen.block(text, EDGE, width, (small, 2))?;
    }
    signatures(pen, content)?;
    let right = pen.right();
    pen.rule(EDGE, right, Ink::Grid, 0.8);
    pen.y += 10.0;
    let tiny = hand(Ink::Soft, 8.4, false);
    let shop = &stationery.shop;
    for (text, most) in [(&shop.footer, 2), (&shop.terms, 3)] {
        if let Some(text) = text.as_deref().filter(|t| !t.trim().is_empty()) {
            pen.block(&text.replace('\n', " "), EDGE, width, (tiny, most))?;
        }
    }
    let made = format!("Made by {} from {}", content.maker, content.made_from);
    pen.block(&made, EDGE, width, (tiny, 2))
}

fn signatures(pen: &mut Pen, content: &Content) -> Result<(), Error> {
    let name = hand(Ink::Soft, 9.8, false);
    let value = hand(Ink::Text, 10.4, false);
    pen.y += 18.0;
    let third = (pen.right() - EDGE - 2.0 * GAP) / 3.0;
    let authorised = content.fields.authorised.as_deref();
    let all = [
        ("Authorised by", authorised),
        ("Signature", None),
        ("Date", None),
    ];
    for (i, (word, known)) in all.into_iter().enumerate() {
        let left = EDGE + (third + GAP) * i as f64;
        pen.words(word, left, Side::Right, name)?;
        let from = left + name.letter.width(word)? + 8.0;
        match known {
            Some(text) => {
                let text = shorten(text, left + third - from, value.letter)?;
                pen.words(&text, from, Side::Right, value)?;
            }
            None => {
                pen.y += 5.0;
                pen.rule(from, left + third, Ink::Soft, 0.8);
                pen.y -= 5.0;
            }
        }
    }
    pen.y += 16.0;
    Ok(())
}

/// Tables: narrow ones two to a row.
fn grids(pen: &mut Pen, all: &[Grid]) -> Result<(), Error> {
    let full = pen.right() - EDGE;
    let half = (full - GAP) / 2.0;
    let mut rest = all;
    while let Some((first, more)) = rest.split_first() {
        rest = more;
        let top = pen.y;
        if first.wide {
            grid(pen, first, EDGE, full)?;
        } else {
            grid(pen, first, EDGE, half)?;
            let lowest = pen.y;
            if let Some((second, more)) = rest.split_first().filter(|(s, _)| !s.wide) {
                rest = more;
                pen.y = top;
                grid(pen, second, EDGE + half + GAP, half)?;
            }
            pen.y = pen.y.max(lowest);
        }
        pen.y += 6.0;
    }
    Ok(())
}

fn grid(pen: &mut Pen, grid: &Grid, left: f64, width: f64) -> Result<(), Error> {
    let head = hand(grid.ink.unwrap_or(Ink::Text), 11.0, true);
    let soft = hand(Ink::Soft, 9.0, false);
    let text = hand(Ink::Text, 10.0, false);
    // Columns after the first are as wide as they need, from the right.
    let mut ends = vec![left + width];
    for column in (0..grid.columns.len()).rev() {
        let mut widest = soft.letter.width(&grid.columns[column])?;
        for cell in grid.rows.iter().filter_map(|row| row.get(column + 1)) {
            widest = widest.max(text.letter.width(cell)?);
        }
        let end = ends.last().copied().unwrap_or(left) - widest - 8.0;
        ends.push(end);
    }
    let first = ends.pop().unwrap_or(left);
    ends.reverse();
    let heading = shorten(&grid.heading, (first - left).max(60.0), head.letter)?;
    pen.words(&heading, left, Side::Right, head)?;
    for (name, end) in grid.columns.iter().zip(&ends) {
        pen.words(name, *end, Side::Left, soft)?;
    }
    pen.y += 8.0;
    pen.rule(left, left + width, Ink::Grid, 0.8);
    pen.y += 8.0;
    for row in &grid.rows {
        let Some((name, cells)) = row.split_first() else {
            continue;
        };
        let name = shorten(name, first - left, text.letter)?;
        pen.words(&name, left, Side::Right, text)?;
        for (cell, end) in cells.iter().zip(&ends) {
            pen.words(cell, *end, Side::Left, text)?;
        }
        pen.y += text.step;
    }
    Ok(())
}
