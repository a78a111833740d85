//! From a [`Plot`] to SVG, with plotters. Everything is drawn at [`FINE`] steps per pixel,
//! because the SVG backend rounds places to whole numbers.

use std::sync::OnceLock;

use plotters::coord::Shift;
use plotters::coord::ranged1d::Ranged;
use plotters::coord::types::RangedCoordf64;
use plotters::prelude::*;
use plotters::style::text_anchor::{HPos, Pos, VPos};

use super::frame::{Axis, Dash, Layer, Mark, Plot, Shape, Side, ticks};
use super::path::thin;
use crate::notice::Error;
use crate::report::format::{Dual, fixed};
use crate::report::palette::Ink;
use crate::report::text::escape;
use crate::units::display::{Kind, Shown, quantity};

/// Steps per pixel of a drawing.
pub const FINE: f64 = 10.0;
/// The one font family of every picture.
pub const FAMILY: &str = "DejaVu Sans";
/// Text size, px.
const TEXT: f64 = 12.5;
/// Text size of what may be left out on small plots, px.
const SMALL: f64 = 11.0;
/// Room above the axes for the upright axis' name, px.
const TOP: f64 = 30.0;
/// Room below for ticks and the level axis' name, px.
const BOTTOM: f64 = 56.0;

/// What the drawing is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Use {
    /// Part of the page: both unit systems, no title, no legend, no paper.
    Page,
    /// On its own: one unit system, title, legend, paper.
    Picture(Shown),
}

/// A drawing and what a script needs to read values off it.
#[derive(Debug, Clone, PartialEq)]
pub struct Drawing {
    /// The SVG element.
    pub svg: String,
    /// Size, px.
    pub size: (u32, u32),
    /// Level axis: SI value at `box_px[0]` and `box_px[1]`.
    pub x: (f64, f64),
    /// Upright axis: SI value at `box_px[3]` (bottom) and `box_px[2]` (top).
    pub y: (f64, f64),
    /// Left, right, top, bottom of the axes in drawing steps.
    pub box_px: [f64; 4],
}

fn failed<E: std::fmt::Display>(error: E) -> Error {
    Error::output("cannot-draw", format!("a plot could not be drawn: {error}"))
}

/// Makes the font known to plotters, once.
fn register_font() -> Result<(), Error> {
    static DONE: OnceLock<bool> = OnceLock::new();
    let done = *DONE.get_or_init(|| {
        plotters::style::register_font(FAMILY, FontStyle::Normal, dejavu::sans::regular()).is_ok()
            && plotters::style::register_font(FAMILY, FontStyle::Bold, dejavu::sans::bold()).is_ok()
    });
    if done {
        Ok(())
    } else {
        Err(failed("the font could not be read"))
    }
}

/// Ascent plus descent of the font over its em: plotters measures by line height, SVG
/// sizes text by the em (DejaVu Sans: (1901 + 483) / 2048).
const LINE_OVER_EM: f64 = 2384.0 / 2048.0;

/// Width of a text, px.
///
/// # Errors
/// If the font cannot be read.
pub fn text_width(text: &str, size: f64, bold: bool) -> Result<f64, Error> {
    register_font()?;
    let style = if bold {
        FontStyle::Bold
    } else {
        FontStyle::Normal
    };
    let font = FontDesc::new(FontFamily::Name(FAMILY), size * FINE * LINE_OVER_EM, style);
    let ((x0, _), (x1, _)) = font.layout_box(text).map_err(failed)?;
    Ok(f64::from(x1 - x0) / FINE)
}

type Plane = Cartesian2d<RangedCoordf64, RangedCoordf64>;
type Area<'a> = DrawingArea<SVGBackend<'a>, Shift>;
type Plotted<'a> = DrawingArea<SVGBackend<'a>, Plane>;

/// One drawing under construction.
pub(crate) struct Sheet {
    size: (u32, u32),
    body: String,
}

impl Sheet {
    pub(crate) fn new(size: (u32, u32)) -> Self {
        Self {
            size,
            body: String::new(),
        }
    }

    fn fine(&self) -> (u32, u32) {
        (self.size.0 * FINE as u32, self.size.1 * FINE as u32)
    }

    /// Lets plotters draw, and files the result under a group with these attributes.
    pub(crate) fn draw(
        &mut self,
        attributes: &str,
        ink: impl FnOnce(&Area<'_>) -> Result<(), Error>,
    ) -> Result<(), Error> {
        let mut buffer = String::new();
        {
            let area = SVGBackend::with_string(&mut buffer, self.fine()).into_drawing_area();
            ink(&area)?;
            area.present().map_err(failed)?;
        }
        let inner = buffer
            .split_once('\n')
            .map_or("", |(_, rest)| rest)
            .trim_end()
            .trim_end_matches("</svg>");
        let inner = inner.replace(" opacity=\"1\"", "").replace(" \"/>", "\"/>");
        self.body.push_str("<g ");
        self.body.push_str(attributes);
        self.body.push('>');
        self.body.push_str(&inner);
        self.body.push_str("</g>\n");
        Ok(())
    }

    /// Adds finished SVG.
    pub(crate) fn raw(&mut self, svg: &str) {
        self.body.push_str(svg);
    }

    /// Words at a place in px, middle of the line at `at.1`.
    pub(crate) fn words(
        &mut self,
        words: &Dual,
        at: (f64, f64),
        side: Side,
        letter: Letter,
        purpose: Use,
    ) -> Result<(), Error> {
        register_font()?;
        let systems: Vec<(Shown, &str)> = match purpose {
            Use::Picture(shown) => vec![(shown, "")],
            Use::Page if words.is_same() => vec![(Shown::Si, "")],
            Use::Page => vec![(Shown::Si, " si"), (Shown::Us, " us")],
        };
        for (shown, class) in systems {
            let text = words.get(shown);
            if text.is_empty() {
                continue;
            }
            let ink = letter.ink.class();
            let minor = if letter.minor { " minor" } else { "" };
            if letter.halo {
                let paper = Ink::Paper.light();
                self.raw(&format!(
                    "<g class=\"halo\" stroke=\"{paper}\" stroke-width=\"34\" stroke-linejoin=\"round\" paint-order=\"stroke\">"
                ));
            }
            self.draw(&format!("class=\"i-{ink}{class}{minor}\""), |area| {
                let (r, g, b) = letter.ink.rgb();
                let h = match side {
                    Side::Left => HPos::Right,
                    Side::Middle => HPos::Center,
                    Side::Right => HPos::Left,
                };
                let style = if letter.bold {
                    FontStyle::Bold
                } else {
                    FontStyle::Normal
                };
                // plotters writes the size divided by 1.24.
                let text_style =
                    FontDesc::new(FontFamily::Name(FAMILY), letter.size * FINE * 1.24, style)
                        .color(&RGBColor(r, g, b))
                        .pos(Pos::new(h, VPos::Center));
                let place = ((at.0 * FINE).round() as i32, (at.1 * FINE).round() as i32);
                area.draw(&Text::new(visible(text), place, text_style))
                    .map_err(failed)
            })?;
            if letter.halo {
                self.raw("</g>");
            }
        }
        Ok(())
    }

    /// Closes the drawing.
    pub(crate) fn finish(self, purpose: Use, attributes: &str) -> String {
        let (w, h) = self.fine();
        let size = match purpose {
            Use::Page => String::new(),
            Use::Picture(_) => format!(" width=\"{}\" height=\"{}\"", self.size.0, self.size.1),
        };
        format!(
            "<svg xmlns=\"http://www.w3.org/2000/svg\" viewBox=\"0 0 {w} {h}\"{size} {attributes}>\n{}</svg>",
            self.body.replace(">\n", ">")
        )
    }
}

/// Text without what XML cannot hold (escaping is the backend's).
fn visible(text: &str) -> String {
    text.chars()
        .map(|c| {
            if crate::report::text::unsafe_to_show(c) {
                '\u{fffd}'
            } else {
                c
            }
        })
        .collect()
}

/// How words look.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Letter {
    pub(crate) ink: Ink,
    pub(crate) size: f64,
    pub(crate) bold: bool,
    pub(crate) halo: bool,
    pub(crate) minor: bool,
}

impl Letter {
    pub(crate) fn plain(ink: Ink, size: f64) -> Self {
        Self {
            ink,
            size,
            bold: false,
            halo: false,
            minor: false,
        }
    }

    pub(crate) fn bold(ink: Ink, size: f64) -> Self {
        Self {
            bold: true,
            ..Self::plain(ink, size)
        }
    }

    /// Width of a text in these letters, px.
    pub(crate) fn width(self, text: &str) -> Result<f64, Error> {
        text_width(text, self.size, self.bold)
    }
}

/// Where the axes stand in the drawing, px.
#[derive(Debug, Clone, Copy)]
struct Place {
    left: f64,
    right: f64,
    top: f64,
    bottom: f64,
}

impl Place {
    fn x(&self, axis: &Axis, value: f64) -> f64 {
        self.left + (value - axis.from) / (axis.to - axis.from) * (self.right - self.left)
    }

    fn y(&self, axis: &Axis, value: f64) -> f64 {
        self.bottom - (value - axis.from) / (axis.to - axis.from) * (self.bottom - self.top)
    }
}

/// Size of text on a narrow screen over its size here (the page's own rule).
const NARROW: f64 = 1.6;

/// A tick of an axis.
struct Tick {
    /// SI place.
    at: f64,
    label: String,
    /// Left out where the plot is small.
    minor: bool,
}

fn axis_ticks(axis: &Axis, shown: Shown, count: usize) -> Vec<Tick> {
    let unit = quantity(axis.kind, shown);
    let (from, to) = (unit.from_si(axis.from), unit.from_si(axis.to));
    let (places, decimals) = ticks(from, to, count, axis.whole);
    places
        .into_iter()
        .map(|t| Tick {
            at: unit.to_si(t),
            label: fixed(t, decimals),
            minor: false,
        })
        .collect()
}

/// Ticks of an axis of things, as many as there is room for; every other one is minor if
/// all would be too tight on a narrow screen.
fn named_ticks(axis: &Axis, shown: Shown, room: f64) -> Result<Vec<Tick>, Error> {
    let mut widest: f64 = 1.0;
    for (_, name) in &axis.named {
        widest = widest.max(text_width(name.get(shown), TEXT, false)? + 8.0);
    }
    let each = room / axis.named.len().max(1) as f64;
    let stride = (widest / each).ceil().max(1.0) as usize;
    let keep = (NARROW * widest / (each * stride as f64)).ceil().max(1.0) as usize;
    Ok(axis
        .named
        .iter()
        .step_by(stride)
        .enumerate()
        .map(|(i, (place, name))| Tick {
            at: *place,
            label: name.get(shown).to_owned(),
            minor: i % keep != 0,
        })
        .collect())
}

/// Name and unit of an axis.
fn axis_name(axis: &Axis) -> Dual {
    Dual::by(|shown| match quantity(axis.kind, shown).symbol {
        "" => axis.name.clone(),
        symbol => format!("{}, {symbol}", axis.name),
    })
}

/// Draws a plot.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the drawing library fails.
pub fn draw(plot: &Plot, purpose: Use) -> Result<Drawing, Error> {
    register_font()?;
    let head = match purpose {
        Use::Page => 0.0,
        Use::Picture(shown) => head_height(plot, shown)?,
    };
    let size = (plot.size.0, plot.size.1 + head.ceil() as u32);
    let mut sheet = Sheet::new(size);
    let systems: &[Shown] = match purpose {
        Use::Page => &Shown::BOTH,
        Use::Picture(Shown::Si) => &[Shown::Si],
        Use::Picture(Shown::Us) => &[Shown::Us],
    };
    let x_count = (f64::from(plot.size.0) / 95.0) as usize;
    let y_count = (f64::from(plot.size.1) / 48.0) as usize;
    let mut widest: f64 = 20.0;
    for shown in Shown::BOTH {
        for tick in axis_ticks(&plot.y, shown, y_count) {
            widest = widest.max(text_width(&tick.label, TEXT, false)?);
        }
    }
    let place = Place {
        // Room for labels enlarged on narrow screens.
        left: widest * 1.35 + 13.0,
        right: f64::from(plot.size.0) - plot.right,
        top: head + TOP,
        bottom: f64::from(size.1) - BOTTOM,
    };
    if let Use::Picture(shown) = purpose {
        paper(&mut sheet)?;
        draw_head(&mut sheet, plot, shown, purpose)?;
    }
    for &shown in systems {
        draw_axes(&mut sheet, plot, &place, shown, purpose, (x_count, y_count))?;
    }
    sheet.words(
        &axis_name(&plot.x),
        (place.right, f64::from(size.1) - 11.0),
        Side::Left,
        Letter::plain(Ink::Soft, TEXT),
        purpose,
    )?;
    sheet.words(
        &axis_name(&plot.y),
        (6.0, head + 13.0),
        Side::Right,
        Letter::plain(Ink::Soft, TEXT),
        purpose,
    )?;
    // Words last, so that no line runs through them.
    for words in [false, true] {
        for layer in &plot.layers {
            draw_layer(&mut sheet, plot, &place, (layer, words), purpose)?;
        }
    }
    Ok(Drawing {
        svg: sheet.finish(purpose, "focusable=\"false\" aria-hidden=\"true\""),
        size,
        x: (plot.x.from, plot.x.to),
        y: (plot.y.from, plot.y.to),
        box_px: [place.left, place.right, place.top, place.bottom].map(|v| (v * FINE).round()),
    })
}

/// Fills the sheet with paper.
pub(crate) fn paper(sheet: &mut Sheet) -> Result<(), Error> {
    let (w, h) = sheet.fine();
    sheet.draw("class=\"i-p\"", |area| {
        let (r, g, b) = Ink::Paper.rgb();
        area.draw(&Rectangle::new(
            [(0, 0), (w as i32, h as i32)],
            RGBColor(r, g, b).filled(),
        ))
        .map_err(failed)
    })
}

/// Legend entries placed row by row: (x, row, layer index).
fn legend_places(plot: &Plot, shown: Shown) -> Result<(Vec<(f64, usize)>, usize), Error> {
    let mut places = Vec::new();
    let (mut x, mut row) = (10.0, 0);
    for layer in plot.legend() {
        let width = 34.0 + text_width(layer.name.get(shown), SMALL, false)? + 18.0;
        if x + width > f64::from(plot.size.0) && x > 10.0 {
            x = 10.0;
            row += 1;
        }
        places.push((x, row));
        x += width;
    }
    let rows = if places.is_empty() { 0 } else { row + 1 };
    Ok((places, rows))
}

fn head_height(plot: &Plot, shown: Shown) -> Result<f64, Error> {
    let (_, rows) = legend_places(plot, shown)?;
    Ok(34.0 + 19.0 * rows as f64 + 8.0)
}

fn draw_head(sheet: &mut Sheet, plot: &Plot, shown: Shown, purpose: Use) -> Result<(), Error> {
    let title = Letter::bold(Ink::Text, 15.0);
    let words = shorten(&plot.title, f64::from(plot.size.0) - 20.0, title)?;
    sheet.words(
        &Dual::same(words),
        (10.0, 18.0),
        Side::Right,
        title,
        purpose,
    )?;
    let (places, _) = legend_places(plot, shown)?;
    for (layer, (x, row)) in plot.legend().into_iter().zip(places) {
        let y = 44.0 + 19.0 * row as f64;
        draw_key(sheet, layer, (x, y))?;
        sheet.words(
            &layer.name,
            (x + 34.0, y),
            Side::Right,
            Letter::plain(Ink::Text, SMALL),
            purpose,
        )?;
    }
    Ok(())
}

/// Cuts a text to a width, with an ellipsis.
pub(crate) fn shorten(text: &str, width: f64, letter: Letter) -> Result<String, Error> {
    let mut kept: Vec<char> = text.chars().collect();
    if letter.width(text)? <= width {
        return Ok(text.to_owned());
    }
    while !kept.is_empty() {
        kept.pop();
        let candidate: String = kept.iter().collect::<String>() + "…";
        if letter.width(&candidate)? <= width {
            return Ok(candidate);
        }
    }
    Ok(String::new())
}

/// A layer's sign in the legend, 26 px wide.
pub(crate) fn draw_key(sheet: &mut Sheet, layer: &Layer, at: (f64, f64)) -> Result<(), Error> {
    let size = sheet.size;
    let axis = |to: f64| Axis {
        name: String::new(),
        kind: Kind::Number,
        from: 0.0,
        to,
        whole: false,
        named: Vec::new(),
    };
    // Pixels as coordinates: y runs upwards in a plot, so turn it round.
    let (w, h) = (f64::from(size.0), f64::from(size.1));
    let place = Place {
        left: 0.0,
        right: w,
        top: 0.0,
        bottom: h,
    };
    let (x, y) = (at.0, h - at.1);
    let (mut seen_line, mut seen_fill, mut seen_point) = (false, false, false);
    for mark in &layer.marks {
        let key = match mark {
            Mark::Line { width, dash, .. } if !seen_line => {
                seen_line = true;
                Mark::Line {
                    points: vec![(x, y), (x + 26.0, y)],
                    width: *width,
                    dash: *dash,
                }
            }
            Mark::Level(_, dash) | Mark::Upright(_, dash) if !seen_line => {
                seen_line = true;
                Mark::Line {
                    points: vec![(x, y), (x + 26.0, y)],
                    width: 1.4,
                    dash: *dash,
                }
            }
            Mark::Points { shape, size, .. } if !seen_point => {
                seen_point = true;
                Mark::Points {
                    points: vec![(x + 13.0, y)],
                    shape: *shape,
                    size: *size,
                }
            }
            Mark::Band { opacity, .. } | Mark::Block { opacity, .. } if !seen_fill => {
                seen_fill = true;
                Mark::Block {
                    corners: (x, x + 26.0, y - 5.0, y + 5.0),
                    opacity: *opacity,
                }
            }
            _ => continue,
        };
        draw_mark(sheet, (&axis(w), &axis(h)), &place, layer.ink, &key)?;
    }
    Ok(())
}

fn draw_axes(
    sheet: &mut Sheet,
    plot: &Plot,
    place: &Place,
    shown: Shown,
    purpose: Use,
    counts: (usize, usize),
) -> Result<(), Error> {
    let class = match (purpose, shown) {
        (Use::Picture(_), _) => "",
        (Use::Page, Shown::Si) => " si",
        (Use::Page, Shown::Us) => " us",
    };
    let xs = if plot.x.named.is_empty() {
        axis_ticks(&plot.x, shown, counts.0)
    } else {
        named_ticks(&plot.x, shown, place.right - place.left)?
    };
    let ys = axis_ticks(&plot.y, shown, counts.1);
    let fine = |v: f64| (v * FINE).round() as i32;
    let (r, g, b) = Ink::Grid.rgb();
    sheet.draw(&format!("class=\"i-g{class}\""), |area| {
        let line = RGBColor(r, g, b).stroke_width(FINE as u32);
        let upright = if plot.x.named.is_empty() {
            &xs[..]
        } else {
            &[]
        };
        for tick in upright {
            let x = fine(place.x(&plot.x, tick.at));
            let ends = vec![(x, fine(place.top)), (x, fine(place.bottom))];
            area.draw(&PathElement::new(ends, line)).map_err(failed)?;
        }
        for tick in &ys {
            let y = fine(place.y(&plot.y, tick.at));
            let ends = vec![(fine(place.left), y), (fine(place.right), y)];
            area.draw(&PathElement::new(ends, line)).map_err(failed)?;
        }
        Ok(())
    })?;
    // Zero lines, if inside, a little stronger.
    let inside = |axis: &Axis| axis.from <= 0.0 && axis.to >= 0.0;
    let (r, g, b) = Ink::Soft.rgb();
    sheet.draw(&format!("class=\"i-f{class}\""), |area| {
        let line = RGBColor(r, g, b).stroke_width(FINE as u32);
        if inside(&plot.x) {
            let x = fine(place.x(&plot.x, 0.0));
            let ends = vec![(x, fine(place.top)), (x, fine(place.bottom))];
            area.draw(&PathElement::new(ends, line)).map_err(failed)?;
        }
        if inside(&plot.y) {
            let y = fine(place.y(&plot.y, 0.0));
            let ends = vec![(fine(place.left), y), (fine(place.right), y)];
            area.draw(&PathElement::new(ends, line)).map_err(failed)?;
        }
        Ok(())
    })?;
    let both = |text: &str| match shown {
        Shown::Si => Dual {
            si: text.to_owned(),
            us: String::new(),
        },
        Shown::Us => Dual {
            si: String::new(),
            us: text.to_owned(),
        },
    };
    let letter = Letter::plain(Ink::Soft, TEXT);
    for tick in &xs {
        let at = (place.x(&plot.x, tick.at), place.bottom + 19.0);
        let mut letter = letter;
        letter.minor = tick.minor;
        sheet.words(&both(&tick.label), at, Side::Middle, letter, purpose)?;
    }
    for tick in &ys {
        let at = (place.left - 7.0, place.y(&plot.y, tick.at));
        sheet.words(&both(&tick.label), at, Side::Left, letter, purpose)?;
    }
    Ok(())
}

fn draw_layer(
    sheet: &mut Sheet,
    plot: &Plot,
    place: &Place,
    (layer, words): (&Layer, bool),
    purpose: Use,
) -> Result<(), Error> {
    let mut marks = layer
        .marks
        .iter()
        .filter(|mark| matches!(mark, Mark::Label { .. }) == words)
        .peekable();
    if marks.peek().is_none() {
        return Ok(());
    }
    sheet.raw(&format!("<g data-layer=\"{}\">", escape(&layer.key)));
    for mark in marks {
        if let Mark::Label {
            at,
            shift,
            side,
            words,
            minor,
        } = mark
        {
            let letter = Letter {
                ink: layer.ink,
                size: if *minor { SMALL } else { TEXT },
                bold: false,
                halo: true,
                minor: *minor,
            };
            let anchor = (place.x(&plot.x, at.0), place.y(&plot.y, at.1) + shift.1);
            let width = letter.width(&words.si)?.max(letter.width(&words.us)?);
            let (side, across) = inside(anchor.0, shift.0, *side, width, sheet.size.0);
            sheet.words(words, (across, anchor.1), side, letter, purpose)?;
        } else {
            draw_mark(sheet, (&plot.x, &plot.y), place, layer.ink, mark)?;
        }
    }
    sheet.raw("</g>");
    Ok(())
}

/// Side and place of a label that would leave the drawing: on the other side of its anchor.
fn inside(anchor: f64, shift: f64, side: Side, width: f64, wide: u32) -> (Side, f64) {
    match side {
        Side::Right if anchor + shift + width > f64::from(wide) => (Side::Left, anchor - shift),
        Side::Left if anchor + shift - width < 0.0 => (Side::Right, anchor - shift),
        _ => (side, anchor + shift),
    }
}

fn dash_attribute(dash: Dash) -> &'static str {
    match dash {
        Dash::Solid => "",
        Dash::Long => " stroke-dasharray=\"80 45\"",
        Dash::Short => " stroke-dasharray=\"45 35\"",
        Dash::Dots => " stroke-dasharray=\"5 38\"",
    }
}

fn draw_mark(
    sheet: &mut Sheet,
    axes: (&Axis, &Axis),
    place: &Place,
    ink: Ink,
    mark: &Mark,
) -> Result<(), Error> {
    let dash = match mark {
        Mark::Line { dash, .. } | Mark::Level(_, dash) | Mark::Upright(_, dash) => *dash,
        _ => Dash::Solid,
    };
    let attributes = format!(
        "class=\"i-{}\" stroke-linejoin=\"round\" stroke-linecap=\"round\"{}",
        ink.class(),
        dash_attribute(dash)
    );
    let to_px = |p: &(f64, f64)| (place.x(axes.0, p.0), place.y(axes.1, p.1));
    let (r, g, b) = ink.rgb();
    let colour = RGBColor(r, g, b);
    let stroke = |width: f64| colour.stroke_width((width * FINE).round() as u32);
    sheet.draw(&attributes, |area| {
        let plane = plane(area, axes, place);
        let path = |points: &[(f64, f64)], width: f64| -> Result<(), Error> {
            // Thinning is judged in px, drawing happens in axis values.
            let px: Vec<_> = points.iter().map(to_px).collect();
            let thinned = thin(&px).into_iter().map(|(x, y)| {
                let across = (x - place.left) / (place.right - place.left);
                let up = (place.bottom - y) / (place.bottom - place.top);
                (
                    axes.0.from + across * (axes.0.to - axes.0.from),
                    axes.1.from + up * (axes.1.to - axes.1.from),
                )
            });
            plane
                .draw(&PathElement::new(
                    thinned.collect::<Vec<_>>(),
                    stroke(width),
                ))
                .map_err(failed)
        };
        match mark {
            Mark::Line { points, width, .. } => path(points, *width)?,
            Mark::Band { edges, opacity } => {
                let forth = edges.iter().map(|e| (e.0, e.1));
                let back = edges.iter().rev().map(|e| (e.0, e.2));
                let outline: Vec<_> = forth
                    .chain(back)
                    .filter(|p| p.0.is_finite() && p.1.is_finite())
                    .collect();
                plane
                    .draw(&Polygon::new(outline, colour.mix(*opacity).filled()))
                    .map_err(failed)?;
            }
            Mark::Points {
                points,
                shape,
                size,
            } => {
                for p in points.iter().filter(|p| p.0.is_finite() && p.1.is_finite()) {
                    draw_point(&plane, *p, *shape, *size, colour)?;
                }
            }
            Mark::Whisker(x, low, high) => {
                path(&[(*x, *low), (*x, *high)], 1.4)?;
                let half = 3.5 / (place.right - place.left) * (axes.0.to - axes.0.from);
                for y in [low, high] {
                    path(&[(x - half, *y), (x + half, *y)], 1.4)?;
                }
            }
            Mark::Bar(y, low, high) => {
                path(&[(*low, *y), (*high, *y)], 1.8)?;
                let half = 4.5 / (place.bottom - place.top) * (axes.1.to - axes.1.from);
                for x in [low, high] {
                    path(&[(*x, y - half), (*x, y + half)], 1.8)?;
                }
            }
            Mark::Block { corners, opacity } => {
                let (x0, x1, y0, y1) = *corners;
                plane
                    .draw(&Rectangle::new(
                        [(x0, y1), (x1, y0)],
                        colour.mix(*opacity).filled(),
                    ))
                    .map_err(failed)?;
            }
            Mark::Level(y, _) => path(&[(axes.0.from, *y), (axes.0.to, *y)], 1.4)?,
            Mark::Upright(x, _) => path(&[(*x, axes.1.from), (*x, axes.1.to)], 1.4)?,
            Mark::Label { .. } => {}
        }
        Ok(())
    })
}

fn plane<'a>(area: &Area<'a>, axes: (&Axis, &Axis), place: &Place) -> Plotted<'a> {
    let fine = |v: f64| (v * FINE).round() as i32;
    let x: RangedCoordf64 = (axes.0.from..axes.0.to).into();
    let y: RangedCoordf64 = (axes.1.from..axes.1.to).into();
    debug_assert!(x.range().start < x.range().end);
    area.apply_coord_spec(Cartesian2d::new(
        x,
        y,
        (
            fine(place.left)..fine(place.right),
            fine(place.bottom)..fine(place.top),
        ),
    ))
}

fn draw_point(
    plane: &Plotted<'_>,
    at: (f64, f64),
    shape: Shape,
    size: f64,
    colour: RGBColor,
) -> Result<(), Error> {
    let r = (size * FINE).round() as i32;
    match shape {
        Shape::Dot => plane
            .draw(&Circle::new(at, r, colour.filled()))
            .map_err(failed),
        Shape::Ring => plane
            .draw(&Circle::new(at, r, colour.stroke_width(16)))
            .map_err(failed),
        Shape::Square => plane
            .draw(&(EmptyElement::at(at) + Rectangle::new([(-r, -r), (r, r)], colour.filled())))
            .map_err(failed),
        Shape::Diamond => {
            let s = r * 13 / 10;
            plane
                .draw(
                    &(EmptyElement::at(at)
                        + Polygon::new(vec![(0, -s), (s, 0), (0, s), (-s, 0)], colour.filled())),
                )
                .map_err(failed)
        }
    }
}
