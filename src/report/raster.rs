//! From SVG to PNG, with the same font the drawing was measured with and no other.

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

/// A PNG of an SVG drawing at [`SCALE`].
///
/// # Errors
/// [`crate::notice::Fault::Output`] if the drawing cannot be read or is too large.
pub fn png(svg: &str) -> Result<Vec<u8>, Error> {
    let options = usvg::Options {
        font_family: FAMILY.to_owned(),
        fontdb: fonts(),
        ..usvg::Options::default()
    };
    let tree = usvg::Tree::from_str(svg, &options).map_err(|e| failed(&e.to_string()))?;
    let size = tree
        .size()
        .to_int_size()
        .scale_by(SCALE)
        .ok_or_else(|| failed("no size"))?;
    let mut pixels =
        tiny_skia::Pixmap::new(size.width(), size.height()).ok_or_else(|| failed("too large"))?;
    resvg::render(
        &tree,
        tiny_skia::Transform::from_scale(SCALE, SCALE),
        &mut pixels.as_mut(),
    );
    pixels.encode_png().map_err(|e| failed(&e.to_string()))
}
