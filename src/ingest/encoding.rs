//! What the first bytes say: packed or not, and how the text is encoded.

use std::io::{self, Read};

use chardetng::EncodingDetector;
use encoding_rs::{Encoding, UTF_16BE, UTF_16LE, WINDOWS_1252};

use super::zstd::Frames;
use crate::notice::{Error, Notice};

/// Share of NUL bytes from which a file without a byte order mark is UTF-16 (if they sit
/// on one side of the pairs) or no text at all (if not).
const NUL_SHARE: f64 = 0.05;

/// So many NULs in a row are room without text.
pub(super) const PADDING: usize = 64;

/// Bytes looked at for the encoding.
const LOOK: usize = 256 << 10;

/// The encoding of a text.
pub(super) struct Guess {
    pub(super) name: String,
    /// `None` for UTF-8 and its subset ASCII: bytes are used as they are.
    pub(super) decode_with: Option<&'static Encoding>,
    /// Bytes of the byte order mark.
    pub(super) skip: usize,
    pub(super) notices: Vec<Notice>,
}

/// The bit of a zstd frame's first byte after its magic number that says a checksum follows
/// (RFC 8878, 3.1.1.1.1.5).
const CHECKED: u8 = 1 << 2;

/// What zstd without it is called.
pub(super) const UNCHECKED_ZSTD: &str = "zstd without checksum";

/// Unpacks gzip and zstd, known by their first bytes whatever the file's name.
pub(super) fn unpack(
    mut raw: Box<dyn Read + Send>,
) -> io::Result<(Box<dyn Read + Send>, Option<&'static str>)> {
    let mut magic = Vec::with_capacity(5);
    (&mut raw).take(5).read_to_end(&mut magic)?;
    let whole = io::Cursor::new(magic.clone()).chain(raw);
    match magic.as_slice() {
        [0x1f, 0x8b, ..] => Ok((
            Box::new(flate2::read::MultiGzDecoder::new(whole)),
            Some("gzip"),
        )),
        [0x28, 0xb5, 0x2f, 0xfd, about, ..] if about & CHECKED == 0 => Ok((
            Box::new(Frames::new(Box::new(whole))?),
            Some(UNCHECKED_ZSTD),
        )),
        [0x28, 0xb5, 0x2f, 0xfd, ..] | [0x50..=0x5f, 0x2a, 0x4d, 0x18, ..] => {
            Ok((Box::new(Frames::new(Box::new(whole))?), Some("zstd")))
        }
        _ => Ok((Box::new(whole), None)),
    }
}

fn utf8(skip: usize) -> Guess {
    Guess {
        name: "UTF-8".into(),
        decode_with: None,
        skip,
        notices: Vec::new(),
    }
}

fn other(encoding: &'static Encoding, skip: usize) -> Guess {
    Guess {
        name: encoding.name().to_owned(),
        decode_with: Some(encoding),
        skip,
        notices: Vec::new(),
    }
}

/// Finds the encoding.
///
/// # Errors
/// [`crate::notice::Fault::Input`] if it is empty or no text.
pub(super) fn guess(head: &[u8], whole: bool) -> Result<Guess, Error> {
    match head {
        [] => {
            return Err(Error::input("empty-file", "the file is empty")
                .help("export the run again; there is nothing to read"));
        }
        [0xef, 0xbb, 0xbf, ..] => return Ok(utf8(3)),
        [0xff, 0xfe, ..] => return Ok(other(UTF_16LE, 2)),
        [0xfe, 0xff, ..] => return Ok(other(UTF_16BE, 2)),
        _ => {}
    }
    // NULs behind the text are room that was set aside and not written.
    let text_end = head.iter().rposition(|b| *b != 0).map_or(0, |at| at + 1);
    let head = match head.get(..text_end + 1).unwrap_or(head) {
        // UTF-16 ends with a NUL of its own.
        room if text_end > 0 && text_end + PADDING < head.len() => room,
        _ => head,
    };
    let look = head.get(..LOOK).unwrap_or(head);
    let has_nul = memchr::memchr(0, look).is_some();
    let nul = |offset: usize| {
        if !has_nul {
            return 0.0;
        }
        look.iter()
            .skip(offset)
            .step_by(2)
            .filter(|b| **b == 0)
            .count() as f64
            / look.len().max(1) as f64
    };
    let (even, odd) = (nul(0), nul(1));
    if odd > 4.0 * NUL_SHARE && even < NUL_SHARE {
        return Ok(other(UTF_16LE, 0));
    }
    if even > 4.0 * NUL_SHARE && odd < NUL_SHARE {
        return Ok(other(UTF_16BE, 0));
    }
    let control = look
        .iter()
        .filter(|b| **b < 0x20 && !matches!(**b, b'\n' | b'\r' | b'\t' | 0x0c | 0x1a))
        .count() as f64
        / look.len().max(1) as f64;
    if even + odd > NUL_SHARE || control > NUL_SHARE {
        return Err(Error::input(
            "not-text",
            "this is not a text file: it holds bytes that no table of numbers has",
        )
        .help("export the run as CSV or text and give that file"));
    }
    let text = match std::str::from_utf8(look) {
        Ok(_) => true,
        // A character cut in two at the end of the look is no fault.
        Err(error) => error.error_len().is_none() && !(whole && look.len() == head.len()),
    };
    if text {
        return Ok(utf8(0));
    }
    let mut detector = EncodingDetector::new(chardetng::Iso2022JpDetection::Deny);
    detector.feed(look, true);
    let encoding = detector.guess(None, chardetng::Utf8Detection::Deny);
    // Without letters to go by, the western page holds the signs a dyno uses: ° and µ.
    let encoding = if encoding == encoding_rs::UTF_8 {
        WINDOWS_1252
    } else {
        encoding
    };
    Ok(other(encoding, 0))
}
