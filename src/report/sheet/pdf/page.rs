//! What a drawing holds, as the content of a page.

use std::collections::{BTreeMap, BTreeSet};

use pdf_writer::types::{LineCapStyle, LineJoinStyle, TextRenderingMode};
use pdf_writer::{Content, Finish, Name, Str};
use resvg::tiny_skia::{PathSegment, Point, Transform};
use resvg::usvg::layout::PositionedGlyph;
use resvg::usvg::{self, Node, Paint, PaintOrder};
use subsetter::GlyphRemapper;

use super::failed;
use crate::notice::Error;

/// One font of the page.
pub(super) struct Font {
    id: usvg::fontdb::ID,
    pub(super) data: Vec<u8>,
    pub(super) index: u32,
    pub(super) name: String,
    pub(super) kept: GlyphRemapper,
    /// What each glyph of the subset stands for.
    pub(super) text: BTreeMap<u16, String>,
}

impl Font {
    pub(super) fn face(&self) -> Result<ttf_parser::Face<'_>, Error> {
        ttf_parser::Face::parse(&self.data, self.index).map_err(failed)
    }
}

/// Glyphs of one line that follow each other in one size.
struct Line {
    font: usize,
    matrix: Transform,
    /// Glyph of the subset, where it stands and how far it moves on, em.
    glyphs: Vec<(u16, f32, f32)>,
}

/// The page under construction.
pub(super) struct Page<'a> {
    tree: &'a usvg::Tree,
    pub(super) content: Content,
    pub(super) fonts: Vec<Font>,
    /// Opacities of fill and stroke in use, per mille.
    pub(super) states: BTreeSet<(u32, u32)>,
}

fn mille(opacity: f32) -> u32 {
    (opacity.clamp(0.0, 1.0) * 1000.0).round() as u32
}

pub(super) fn state_name(state: (u32, u32)) -> String {
    format!("g{}x{}", state.0, state.1)
}

fn colour(paint: &Paint) -> Option<[f32; 3]> {
    match paint {
        Paint::Color(c) => Some([c.red, c.green, c.blue].map(|v| f32::from(v) / 255.0)),
        _ => None,
    }
}

impl<'a> Page<'a> {
    /// An empty page for a drawing.
    pub(super) fn new(tree: &'a usvg::Tree) -> Self {
        Self {
            tree,
            content: Content::new(),
            fonts: Vec::new(),
            states: BTreeSet::new(),
        }
    }

    /// Draws a group; `page` leads from the drawing to the paper.
    pub(super) fn walk(
        &mut self,
        group: &usvg::Group,
        page: Transform,
        opacity: f32,
    ) -> Result<(), Error> {
        for node in group.children() {
            match node {
                Node::Group(inner) => self.walk(inner, page, opacity * inner.opacity().get())?,
                Node::Path(path) if path.is_visible() => self.path(path, page, opacity),
                Node::Text(text) => self.text(text, page, opacity)?,
                Node::Path(_) | Node::Image(_) => {}
            }
        }
        Ok(())
    }

    /// Sets opacities, if there are any.
    fn see_through(&mut self, fill: f32, stroke: f32) {
        let state = (mille(fill), mille(stroke));
        if state != (1000, 1000) {
            self.states.insert(state);
            self.content
                .set_parameters(Name(state_name(state).as_bytes()));
        }
    }

    fn stroke_style(&mut self, stroke: &usvg::Stroke, scale: f32) {
        let c = &mut self.content;
        c.set_line_width(stroke.width().get() * scale);
        c.set_line_cap(match stroke.linecap() {
            usvg::LineCap::Butt => LineCapStyle::ButtCap,
            usvg::LineCap::Round => LineCapStyle::RoundCap,
            usvg::LineCap::Square => LineCapStyle::ProjectingSquareCap,
        });
        c.set_line_join(match stroke.linejoin() {
            usvg::LineJoin::Round => LineJoinStyle::RoundJoin,
            usvg::LineJoin::Bevel => LineJoinStyle::BevelJoin,
            usvg::LineJoin::Miter | usvg::LineJoin::MiterClip => LineJoinStyle::MiterJoin,
        });
        if let Some(dashes) = stroke.dasharray() {
            c.set_dash_pattern(
                dashes.iter().map(|d| d * scale),
                stroke.dashoffset() * scale,
            );
        }
    }

    fn path(&mut self, path: &usvg::Path, page: Transform, opacity: f32) {
        let whole = page.pre_concat(path.abs_transform());
        let Some(outline) = path.data().clone().transform(whole) else {
            return;
        };
        let fill = path.fill().and_then(|f| Some((f, colour(f.paint())?)));
        let stroke = path.stroke().and_then(|s| Some((s, colour(s.paint())?)));
        if fill.is_none() && stroke.is_none() {
            return;
        }
        let alpha = |own: Option<f32>| own.map_or(1.0, |own| own * opacity);
        self.content.save_state();
        self.see_through(
            alpha(fill.map(|f| f.0.opacity().get())),
            alpha(stroke.map(|s| s.0.opacity().get())),
        );
        if let Some((_, [r, g, b])) = fill {
            self.content.set_fill_rgb(r, g, b);
        }
        if let Some((stroke, [r, g, b])) = stroke {
            self.content.set_stroke_rgb(r, g, b);
            self.stroke_style(stroke, scale_of(whole));
        }
        self.outline(outline.segments());
        let even_odd = fill.is_some_and(|f| f.0.rule() == usvg::FillRule::EvenOdd);
        match (fill.is_some(), stroke.is_some(), even_odd) {
            (true, true, true) => self.content.fill_even_odd_and_stroke(),
            (true, true, false) => self.content.fill_nonzero_and_stroke(),
            (true, false, true) => self.content.fill_even_odd(),
            (true, false, false) => self.content.fill_nonzero(),
            _ => self.content.stroke(),
        };
        self.content.restore_state();
    }

    fn outline(&mut self, segments: impl Iterator<Item = PathSegment>) {
        let c = &mut self.content;
        let mut at = Point::default();
        for segment in segments {
            match segment {
                PathSegment::MoveTo(p) => {
                    c.move_to(p.x, p.y);
                    at = p;
                }
                PathSegment::LineTo(p) => {
                    c.line_to(p.x, p.y);
                    at = p;
                }
                PathSegment::QuadTo(m, p) => {
                    // A parabola as a cubic.
                    let third = |end: f32, middle: f32| end + (middle - end) * 2.0 / 3.0;
                    c.cubic_to(
                        third(at.x, m.x),
                        third(at.y, m.y),
                        third(p.x, m.x),
                        third(p.y, m.y),
                        p.x,
                        p.y,
                    );
                    at = p;
                }
                PathSegment::CubicTo(a, b, p) => {
                    c.cubic_to(a.x, a.y, b.x, b.y, p.x, p.y);
                    at = p;
                }
                PathSegment::Close => {
                    c.close_path();
                }
            }
        }
    }

    /// Place of a font in `fonts`.
    fn font(&mut self, id: usvg::fontdb::ID) -> Result<usize, Error> {
        if let Some(place) = self.fonts.iter().position(|f| f.id == id) {
            return Ok(place);
        }
        let fonts = self.tree.fontdb();
        let name = fonts
            .face(id)
            .map(|face| face.post_script_name.clone())
            .ok_or_else(|| failed("a font is missing"))?;
        let (data, index) = fonts
            .with_face_data(id, |data, index| (data.to_vec(), index))
            .ok_or_else(|| failed("a font is missing"))?;
        self.fonts.push(Font {
            id,
            data,
            index,
            name,
            kept: GlyphRemapper::new(),
            text: BTreeMap::new(),
        });
        Ok(self.fonts.len() - 1)
    }

    fn text(&mut self, text: &usvg::Text, page: Transform, opacity: f32) -> Result<(), Error> {
        let whole = page.pre_concat(text.abs_transform());
        for span in text.layouted().iter().filter(|s| s.visible) {
            let lines = self.lines(&span.positioned_glyphs, whole)?;
            let fill = span
                .fill
                .as_ref()
                .and_then(|f| Some((f.opacity().get() * opacity, colour(f.paint())?)));
            let stroke = span.stroke.as_ref();
            let edge = stroke.and_then(|s| Some((s.opacity().get() * opacity, colour(s.paint())?)));
            let mut passes = vec![(TextRenderingMode::Fill, fill)];
            let first = usize::from(span.paint_order == PaintOrder::FillAndStroke);
            passes.insert(first, (TextRenderingMode::Stroke, edge));
            for (mode, ink) in passes {
                let Some((alpha, [r, g, b])) = ink else {
                    continue;
                };
                self.content.save_state();
                self.see_through(alpha, alpha);
                if let (TextRenderingMode::Stroke, Some(stroke)) = (mode, stroke) {
                    self.content.set_stroke_rgb(r, g, b);
                    self.stroke_style(stroke, scale_of(whole));
                    // The edge around a word is drawn as shapes: the word itself is text once.
                    self.edges(&span.positioned_glyphs, whole)?;
                } else {
                    self.content.set_fill_rgb(r, g, b);
                    lines.iter().for_each(|line| self.line(line));
                }
                self.content.restore_state();
            }
        }
        Ok(())
    }

    /// Outlines of glyphs, stroked.
    fn edges(&mut self, glyphs: &[PositionedGlyph], whole: Transform) -> Result<(), Error> {
        for glyph in glyphs {
            let font = self.font(glyph.font)?;
            let mut pen = Outline(resvg::tiny_skia::PathBuilder::new());
            let id = u16::try_from(glyph.id.0).unwrap_or(0);
            self.fonts[font]
                .face()?
                .outline_glyph(ttf_parser::GlyphId(id), &mut pen);
            let placed = whole.pre_concat(glyph.outline_transform());
            if let Some(path) = pen.0.finish().and_then(|p| p.transform(placed)) {
                self.outline(path.segments());
                self.content.stroke();
            }
        }
        Ok(())
    }

    fn lines(&mut self, glyphs: &[PositionedGlyph], whole: Transform) -> Result<Vec<Line>, Error> {
        let mut lines: Vec<Line> = Vec::new();
        for glyph in glyphs {
            let place = self.font(glyph.font)?;
            let font = &mut self.fonts[place];
            let old = u16::try_from(glyph.id.0).unwrap_or(0);
            let new = font.kept.remap(old);
            font.text.entry(new).or_insert_with(|| glyph.text.clone());
            let face = font.face()?;
            let em = f32::from(face.units_per_em());
            let on = face
                .glyph_hor_advance(ttf_parser::GlyphId(old))
                .map_or(0.0, |a| f32::from(a) / em);
            let matrix = whole
                .pre_concat(glyph.outline_transform())
                .pre_concat(Transform::from_scale(em, em));
            let follows = |line: &Line| {
                line.font == place
                    && (line.matrix.sx - matrix.sx).abs() < 1e-3 * matrix.sx.abs()
                    && (line.matrix.ty - matrix.ty).abs() < 1e-3 * matrix.sx.abs()
                    && matrix.kx == 0.0
                    && matrix.ky == 0.0
                    && line.matrix.ky == 0.0
            };
            match lines.last_mut().filter(|line| follows(line)) {
                Some(line) => {
                    let x = (matrix.tx - line.matrix.tx) / line.matrix.sx;
                    line.glyphs.push((new, x, on));
                }
                None => lines.push(Line {
                    font: place,
                    matrix,
                    glyphs: vec![(new, 0.0, on)],
                }),
            }
        }
        Ok(lines)
    }

    fn line(&mut self, line: &Line) {
        let m = line.matrix;
        let c = &mut self.content;
        c.begin_text();
        c.set_font(Name(format!("f{}", line.font).as_bytes()), 1.0);
        c.set_text_matrix([m.sx, m.ky, m.kx, m.sy, m.tx, m.ty]);
        let mut positioned = c.show_positioned();
        let mut items = positioned.items();
        let mut pen = 0.0;
        let mut waiting: Vec<u8> = Vec::new();
        for (glyph, x, on) in &line.glyphs {
            // Thousandths of an em, to the left.
            let back = ((pen - x) * 1000.0).round();
            if back != 0.0 {
                if !waiting.is_empty() {
                    items.show(Str(&waiting));
                    waiting.clear();
                }
                items.adjust(back);
            }
            waiting.extend(glyph.to_be_bytes());
            pen = x + on;
        }
        items.show(Str(&waiting));
        items.finish();
        positioned.finish();
        c.end_text();
    }
}

/// Collects a glyph's outline.
struct Outline(resvg::tiny_skia::PathBuilder);

impl ttf_parser::OutlineBuilder for Outline {
    fn move_to(&mut self, x: f32, y: f32) {
        self.0.move_to(x, y);
    }
    fn line_to(&mut self, x: f32, y: f32) {
        self.0.line_to(x, y);
    }
    fn quad_to(&mut self, x1: f32, y1: f32, x: f32, y: f32) {
        self.0.quad_to(x1, y1, x, y);
    }
    fn curve_to(&mut self, x1: f32, y1: f32, x2: f32, y2: f32, x: f32, y: f32) {
        self.0.cubic_to(x1, y1, x2, y2, x, y);
    }
    fn close(&mut self) {
        self.0.close();
    }
}

/// How much a transform enlarges widths.
fn scale_of(t: Transform) -> f32 {
    (t.sx * t.sy - t.kx * t.ky).abs().sqrt()
}
