//! A shop's logo, from PNG or SVG to pixels.

use resvg::tiny_skia::{self, Pixmap, Transform};

use crate::report::raster;

/// The most pixels of a PNG that is read: beyond that it is no logo.
const MOST_PIXELS: u64 = 16_000_000;
/// The most pixels kept along and up: a fourfold of the room on the sheet.
const KEPT: (u32, u32) = (720, 256);

/// A logo as pixels, straight (not premultiplied) RGBA, a row after the other.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Logo {
    /// Pixels along.
    pub width: u32,
    /// Pixels up.
    pub height: u32,
    /// Colours.
    pub rgba: Vec<u8>,
}

impl Logo {
    /// Reads a logo.
    ///
    /// # Errors
    /// What is wrong with it, for a sentence: neither PNG nor SVG, broken, empty, too large.
    pub fn read(bytes: &[u8]) -> Result<Self, String> {
        let pixels = if bytes.starts_with(b"\x89PNG\r\n\x1a\n") {
            of_png(bytes)?
        } else {
            of_svg(bytes)?
        };
        let rgba = pixels
            .pixels()
            .iter()
            .flat_map(|p| {
                let c = p.demultiply();
                [c.red(), c.green(), c.blue(), c.alpha()]
            })
            .collect();
        Ok(Self {
            width: pixels.width(),
            height: pixels.height(),
            rgba,
        })
    }

    /// Width and height of the largest box of this shape in a room, px.
    pub(super) fn fitted(&self, room: (f64, f64)) -> (f64, f64) {
        let (w, h) = (f64::from(self.width), f64::from(self.height));
        let scale = (room.0 / w).min(room.1 / h);
        (w * scale, h * scale)
    }

    /// Paints it into a box (left, top, width, height) of a picture.
    pub(super) fn paint(&self, onto: &mut Pixmap, at: [f64; 4]) {
        let Some(pixels) = premultiplied(self.width, self.height, &self.rgba) else {
            return;
        };
        let [left, top, wide, high] = at.map(|v| v as f32);
        let paint = tiny_skia::PixmapPaint {
            quality: tiny_skia::FilterQuality::Bicubic,
            ..tiny_skia::PixmapPaint::default()
        };
        let place = Transform::from_row(
            wide / self.width as f32,
            0.0,
            0.0,
            high / self.height as f32,
            left,
            top,
        );
        onto.draw_pixmap(0, 0, pixels.as_ref(), &paint, place, None);
    }
}

fn premultiplied(width: u32, height: u32, rgba: &[u8]) -> Option<Pixmap> {
    let mut pixels = Pixmap::new(width, height)?;
    let (from, _) = rgba.as_chunks::<4>();
    for (to, c) in pixels.pixels_mut().iter_mut().zip(from) {
        *to = tiny_skia::ColorU8::from_rgba(c[0], c[1], c[2], c[3]).premultiply();
    }
    Some(pixels)
}

fn of_png(bytes: &[u8]) -> Result<Pixmap, String> {
    let broken = |e: png::DecodingError| format!("the PNG cannot be read: {e}");
    let mut decoder = png::Decoder::new(std::io::Cursor::new(bytes));
    decoder.set_transformations(
        png::Transformations::normalize_to_color8() | png::Transformations::ALPHA,
    );
    let mut reader = decoder.read_info().map_err(broken)?;
    let (width, height) = reader.info().size();
    if u64::from(width) * u64::from(height) > MOST_PIXELS {
        return Err(format!(
            "it has {width} by {height} pixels; expected a logo of at most {MOST_PIXELS} pixels"
        ));
    }
    let room = reader
        .output_buffer_size()
        .ok_or("the PNG is too large to read")?;
    let mut data = vec![0; room];
    let frame = reader.next_frame(&mut data).map_err(broken)?;
    let rgba: Vec<u8> = match frame.color_type {
        png::ColorType::Rgba => data,
        png::ColorType::GrayscaleAlpha => {
            let (pairs, _) = data.as_chunks::<2>();
            pairs
                .iter()
                .flat_map(|p| [p[0], p[0], p[0], p[1]])
                .collect()
        }
        other => return Err(format!("its colours ({other:?}) cannot be used")),
    };
    let pixels = premultiplied(width, height, &rgba).ok_or("it has no pixels")?;
    // Averages of whole pixels, so that a large logo is not left ragged.
    let by = (width / KEPT.0).max(height / KEPT.1).max(1);
    averaged(&pixels, by).ok_or_else(|| "it has no pixels".into())
}

/// Every block of `by` by `by` pixels made one.
fn averaged(from: &Pixmap, by: u32) -> Option<Pixmap> {
    let (wide, high) = ((from.width() / by).max(1), (from.height() / by).max(1));
    let mut to = Pixmap::new(wide, high)?;
    for y in 0..high {
        for x in 0..wide {
            let mut sums = [0_u32; 4];
            let mut count = 0;
            for pixel in (0..by * by).filter_map(|i| from.pixel(x * by + i % by, y * by + i / by)) {
                let parts = [pixel.red(), pixel.green(), pixel.blue(), pixel.alpha()];
                sums.iter_mut()
                    .zip(parts)
                    .for_each(|(sum, part)| *sum += u32::from(part));
                count += 1;
            }
            let [r, g, b, a] =
                sums.map(|sum| u8::try_from((sum + count / 2) / count.max(1)).unwrap_or(u8::MAX));
            let made = tiny_skia::PremultipliedColorU8::from_rgba(r, g, b, a);
            if let (Some(place), Some(made)) =
                (to.pixels_mut().get_mut((y * wide + x) as usize), made)
            {
                *place = made;
            }
        }
    }
    Some(to)
}

fn of_svg(bytes: &[u8]) -> Result<Pixmap, String> {
    let tree = resvg::usvg::Tree::from_data(bytes, &raster::reading())
        .map_err(|e| format!("it is neither PNG nor an SVG that can be read: {e}"))?;
    let (w, h) = (tree.size().width(), tree.size().height());
    let scale = (KEPT.0 as f32 / w).min(KEPT.1 as f32 / h);
    let size = ((w * scale).ceil() as u32, (h * scale).ceil() as u32);
    let mut pixels = Pixmap::new(size.0.max(1), size.1.max(1)).ok_or("it has no size")?;
    resvg::render(
        &tree,
        Transform::from_scale(scale, scale),
        &mut pixels.as_mut(),
    );
    Ok(pixels)
}
