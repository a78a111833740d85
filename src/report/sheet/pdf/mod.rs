//! From a drawing to one page of PDF (ISO 32000-1): paths as paths, text as text in an
//! embedded subset of its font, so that it can be searched, copied and read aloud.
//!
//! Only what our own drawings hold is written: plain colours, strokes, dashes, opacity and
//! words along level lines. A logo comes as pixels beside the drawing.

mod page;

use std::io::Write as _;

use pdf_writer::types::{CidFontType, FontFlags, SystemInfo, UnicodeCmap};
use pdf_writer::{Filter, Finish, Name, Pdf, Rect, Ref, Str, TextStr};
use resvg::tiny_skia::Transform;
use resvg::usvg;

use self::page::{Font, Page, state_name};
use super::logo::Logo;
use crate::notice::Error;

/// What goes on the page.
pub(super) struct Sheet<'a> {
    /// The drawing.
    pub(super) tree: &'a usvg::Tree,
    /// Paper, points.
    pub(super) size: (f64, f64),
    /// Logo and its box in the drawing: left, top, width, height.
    pub(super) logo: Option<(&'a Logo, [f64; 4])>,
    /// Title of the document.
    pub(super) title: &'a str,
    /// Who made it.
    pub(super) maker: &'a str,
}

fn failed(what: impl std::fmt::Display) -> Error {
    Error::output(
        "cannot-draw",
        format!("the sheet's PDF could not be made: {what}"),
    )
}

fn packed(bytes: &[u8]) -> Result<Vec<u8>, Error> {
    let mut out = flate2::write::ZlibEncoder::new(Vec::new(), flate2::Compression::default());
    out.write_all(bytes).map_err(failed)?;
    out.finish().map_err(failed)
}

/// The document.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if a font cannot be embedded.
pub(super) fn document(sheet: &Sheet<'_>) -> Result<Vec<u8>, Error> {
    let (width, height) = (sheet.size.0 as f32, sheet.size.1 as f32);
    let scale = width / sheet.tree.size().width();
    let onto = Transform::from_row(scale, 0.0, 0.0, -scale, 0.0, height);
    let mut page = Page::new(sheet.tree);
    page.walk(sheet.tree.root(), onto, 1.0)?;
    if let Some((_, [left, top, wide, high])) = sheet.logo {
        let [left, top, wide, high] = [left, top, wide, high].map(|v| v as f32 * scale);
        page.content
            .save_state()
            .transform([wide, 0.0, 0.0, high, left, height - top - high])
            .x_object(Name(b"logo"))
            .restore_state();
    }
    let mut next = Ref::new(1);
    let [catalog, tree, leaf, content, info] = std::array::from_fn(|_| next.bump());
    let mut pdf = Pdf::new();
    pdf.catalog(catalog)
        .pages(tree)
        .lang(TextStr("en"))
        .viewer_preferences()
        .display_doc_title(true);
    pdf.pages(tree).kids([leaf]).count(1);
    pdf.document_info(info)
        .title(TextStr(sheet.title))
        .producer(TextStr(sheet.maker));
    let fonts: Vec<Ref> = page
        .fonts
        .iter()
        .enumerate()
        .map(|(i, font)| embed(&mut pdf, &mut next, font, i))
        .collect::<Result<_, _>>()?;
    let logo = match sheet.logo {
        Some((logo, _)) => Some(image(&mut pdf, &mut next, logo)?),
        None => None,
    };
    let mut made = pdf.page(leaf);
    made.parent(tree)
        .media_box(Rect::new(0.0, 0.0, width, height))
        .contents(content);
    let mut resources = made.resources();
    let mut names = resources.fonts();
    for (i, id) in fonts.iter().enumerate() {
        names.pair(Name(format!("f{i}").as_bytes()), *id);
    }
    names.finish();
    let mut states = resources.ext_g_states();
    for state in &page.states {
        states
            .insert(Name(state_name(*state).as_bytes()))
            .start::<pdf_writer::writers::ExtGraphicsState<'_>>()
            .non_stroking_alpha(state.0 as f32 / 1000.0)
            .stroking_alpha(state.1 as f32 / 1000.0);
    }
    states.finish();
    if let Some(id) = logo {
        resources.x_objects().pair(Name(b"logo"), id);
    }
    resources.finish();
    made.finish();
    pdf.stream(content, &packed(&page.content.finish())?)
        .filter(Filter::FlateDecode);
    Ok(pdf.finish())
}

/// Writes a font's used glyphs.
fn embed(pdf: &mut Pdf, next: &mut Ref, font: &Font, place: usize) -> Result<Ref, Error> {
    const SYSTEM: SystemInfo<'_> = SystemInfo {
        registry: Str(b"Adobe"),
        ordering: Str(b"Identity"),
        supplement: 0,
    };
    let [whole, cid, descriptor, map, file] = std::array::from_fn(|_| next.bump());
    // Subsets are told apart by six letters (ISO 32000-1, 9.6.4).
    let letter = char::from(b'A' + u8::try_from(place % 26).unwrap_or(0));
    let name = format!("LOOPW{letter}+{}", font.name);
    let name = Name(name.as_bytes());
    let face = font.face()?;
    let per_em = 1000.0 / f32::from(face.units_per_em());
    pdf.type0_font(whole)
        .base_font(name)
        .encoding_predefined(Name(b"Identity-H"))
        .descendant_font(cid)
        .to_unicode(map);
    let widths = font.kept.remapped_gids().map(|old| {
        let advance = face.glyph_hor_advance(ttf_parser::GlyphId(old));
        f32::from(advance.unwrap_or(0)) * per_em
    });
    let mut inner = pdf.cid_font(cid);
    inner
        .subtype(CidFontType::Type2)
        .base_font(name)
        .system_info(SYSTEM)
        .font_descriptor(descriptor)
        .default_width(0.0)
        .cid_to_gid_map_predefined(Name(b"Identity"));
    inner.widths().consecutive(0, widths);
    inner.finish();
    let edges = face.global_bounding_box();
    let em = |v: i16| f32::from(v) * per_em;
    pdf.font_descriptor(descriptor)
        .name(name)
        .flags(FontFlags::SYMBOLIC)
        .bbox(Rect::new(
            em(edges.x_min),
            em(edges.y_min),
            em(edges.x_max),
            em(edges.y_max),
        ))
        .italic_angle(0.0)
        .ascent(em(face.ascender()))
        .descent(em(face.descender()))
        .cap_height(em(face.capital_height().unwrap_or(face.ascender())))
        .stem_v(if font.name.contains("Bold") {
            140.0
        } else {
            80.0
        })
        .font_file2(file);
    let mut codes = UnicodeCmap::<u16>::new(Name(b"Text"), SYSTEM);
    for (glyph, text) in font.text.iter().filter(|(_, text)| !text.is_empty()) {
        codes.pair_with_multiple(*glyph, text.chars());
    }
    pdf.stream(map, &packed(&codes.finish())?)
        .filter(Filter::FlateDecode);
    let subset = subsetter::subset(&font.data, font.index, &font.kept).map_err(failed)?;
    pdf.stream(file, &packed(&subset)?)
        .filter(Filter::FlateDecode)
        .pair(Name(b"Length1"), i32::try_from(subset.len()).unwrap_or(0));
    Ok(whole)
}

/// Writes the logo's pixels.
fn image(pdf: &mut Pdf, next: &mut Ref, logo: &Logo) -> Result<Ref, Error> {
    let [colours, mask] = std::array::from_fn(|_| next.bump());
    let size = (logo.width as i32, logo.height as i32);
    let (pixels, _) = logo.rgba.as_chunks::<4>();
    let rgb: Vec<u8> = pixels.iter().flat_map(|p| [p[0], p[1], p[2]]).collect();
    let alpha: Vec<u8> = pixels.iter().map(|p| p[3]).collect();
    let (rgb, alpha) = (packed(&rgb)?, packed(&alpha)?);
    let mut picture = pdf.image_xobject(colours, &rgb);
    picture.filter(Filter::FlateDecode);
    picture
        .width(size.0)
        .height(size.1)
        .bits_per_component(8)
        .s_mask(mask);
    picture.color_space().device_rgb();
    picture.finish();
    let mut shape = pdf.image_xobject(mask, &alpha);
    shape.filter(Filter::FlateDecode);
    shape.width(size.0).height(size.1).bits_per_component(8);
    shape.color_space().device_gray();
    Ok(colours)
}
