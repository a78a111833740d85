//! From SVG to PNG, with the same font the drawing was measured with and no other.

use std::collections::BTreeMap;
use std::sync::{Arc, OnceLock};

use resvg::{tiny_skia, usvg};

use crate::notice::Error;
use crate::report::plots::draw::FAMILY;

/// Pixels of the picture per pixel of the drawing.
pub const SCALE: f32 = 2.0;

fn failed(what: &str) -> Error {
    Error::output(
        "cannot-draw",
        format!("a picture could not be made: {what}"),
    )
}

fn fonts() -> Arc<usvg::fontdb::Database> {
    static FONTS: OnceLock<Arc<usvg::fontdb::Database>> = OnceLock::new();
    FONTS
        .get_or_init(|| {
            let mut fonts = usvg::fontdb::Database::new();
            fonts.load_font_data(dejavu::sans::regular().to_vec());
            fonts.load_font_data(dejavu::sans::bold().to_vec());
            fonts.set_sans_serif_family(FAMILY);
            Arc::new(fonts)
        })
        .clone()
}

/// How drawings are read: with our font, and with no look at other files.
pub(crate) fn reading() -> usvg::Options<'static> {
    let mut options = usvg::Options {
        font_family: FAMILY.to_owned(),
        fontdb: fonts(),
        ..usvg::Options::default()
    };
    options.image_href_resolver.resolve_string = Box::new(|_, _| None);
    options
}

/// An SVG drawing, understood.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if it cannot be read.
pub(crate) fn tree(svg: &str) -> Result<usvg::Tree, Error> {
    usvg::Tree::from_str(svg, &reading()).map_err(|e| failed(&e.to_string()))
}

/// A PNG of an SVG drawing at [`SCALE`].
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the drawing cannot be read or is too large.
pub fn png(svg: &str) -> Result<Vec<u8>, Error> {
    png_of(&tree(svg)?, |_| {})
}

/// A PNG of a drawing; `over` may paint over it, at [`SCALE`].
///
/// # Errors
/// As [`png`].
pub(crate) fn png_of(
    tree: &usvg::Tree,
    over: impl FnOnce(&mut tiny_skia::Pixmap),
) -> Result<Vec<u8>, Error> {
    let size = tree
        .size()
        .to_int_size()
        .scale_by(SCALE)
        .ok_or_else(|| failed("no size"))?;
    let mut pixels =
        tiny_skia::Pixmap::new(size.width(), size.height()).ok_or_else(|| failed("too large"))?;
    resvg::render(
        tree,
        tiny_skia::Transform::from_scale(SCALE, SCALE),
        &mut pixels.as_mut(),
    );
    over(&mut pixels);
    encode(&pixels)
}

/// Colours a picture keeps; what PNG can index by one byte.
const COLOURS: usize = 256;

/// Opaque pixels as an indexed PNG: a report is sent by mail and phone. The commonest
/// colours are kept as they are, which holds paper and inks; what is left are steps of
/// smoothed edges, and each takes the nearest colour kept.
fn encode(pixels: &tiny_skia::Pixmap) -> Result<Vec<u8>, Error> {
    let colour = |rgba: &[u8]| [rgba[0], rgba[1], rgba[2]];
    let mut counts: BTreeMap<[u8; 3], usize> = BTreeMap::new();
    // Most pixels are as the one before them: only changes are looked up.
    let same = |a: &[u8; 4], b: &[u8; 4]| a == b;
    let (pixel, _) = pixels.data().as_chunks::<4>();
    for run in pixel.chunk_by(same) {
        *counts.entry(colour(&run[0])).or_default() += run.len();
    }
    let mut common: Vec<([u8; 3], usize)> = counts.into_iter().collect();
    common.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
    let kept: Vec<[u8; 3]> = common.iter().take(COLOURS).map(|c| c.0).collect();
    let index: BTreeMap<[u8; 3], u8> = common
        .iter()
        .map(|(colour, _)| (*colour, nearest(&kept, *colour)))
        .collect();
    let mut bytes = Vec::with_capacity(pixel.len());
    for run in pixel.chunk_by(same) {
        let place = index.get(&colour(&run[0])).copied().unwrap_or(0);
        bytes.resize(bytes.len() + run.len(), place);
    }
    let mut out = Vec::new();
    let mut encoder = png::Encoder::new(&mut out, pixels.width(), pixels.height());
    encoder.set_color(png::ColorType::Indexed);
    encoder.set_depth(png::BitDepth::Eight);
    encoder.set_palette(kept.concat());
    encoder.set_compression(png::Compression::High);
    // Neighbouring indices mean nothing to each other.
    encoder.set_filter(png::Filter::NoFilter);
    let fail = |e: png::EncodingError| failed(&e.to_string());
    let mut writer = encoder.write_header().map_err(fail)?;
    writer.write_image_data(&bytes).map_err(fail)?;
    writer.finish().map_err(fail)?;
    Ok(out)
}

/// Place of the colour nearest to `wanted`.
fn nearest(kept: &[[u8; 3]], wanted: [u8; 3]) -> u8 {
    let apart = |colour: &[u8; 3]| -> u32 {
        colour
            .iter()
            .zip(wanted)
            .map(|(a, b)| u32::from(a.abs_diff(b)).pow(2))
            .sum()
    };
    let place = kept
        .iter()
        .enumerate()
        .min_by_key(|(_, colour)| apart(colour))
        .map_or(0, |(place, _)| place);
    u8::try_from(place).unwrap_or(0)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_picture_keeps_its_paper_and_inks() {
        let svg = "<svg xmlns=\"http://www.w3.org/2000/svg\" width=\"40\" height=\"30\">\
                   <rect width=\"40\" height=\"30\" fill=\"#fdfcf9\"/>\
                   <rect x=\"10\" y=\"10\" width=\"10\" height=\"10\" fill=\"#0b5560\"/></svg>";
        let bytes = png(svg).unwrap();
        let mut reader = ::png::Decoder::new(std::io::Cursor::new(&bytes))
            .read_info()
            .unwrap();
        assert_eq!((reader.info().width, reader.info().height), (80, 60));
        let palette = reader.info().palette.clone().unwrap();
        let mut indices = vec![0; reader.output_buffer_size().unwrap()];
        reader.next_frame(&mut indices).unwrap();
        let at = |x: usize, y: usize| &palette[3 * usize::from(indices[y * 80 + x])..][..3];
        assert_eq!(at(2, 2), [0xfd, 0xfc, 0xf9]);
        assert_eq!(at(30, 30), [0x0b, 0x55, 0x60]);
    }
}
