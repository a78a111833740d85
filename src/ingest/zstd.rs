//! Zstandard (RFC 8878): frame after frame, as tools that pack on several cores write them.

use std::io::{self, Read};

use ruzstd::decoding::{FrameDecoder, StreamingDecoder};

/// A reader with some bytes put back in front.
struct Source {
    ahead: io::Cursor<Vec<u8>>,
    rest: Box<dyn Read + Send>,
}

impl Read for Source {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        match self.ahead.read(buf)? {
            0 => self.rest.read(buf),
            n => Ok(n),
        }
    }
}

/// Unpacks one frame after the other.
pub(super) struct Frames {
    /// `None` when no more follows.
    frame: Option<StreamingDecoder<Source, FrameDecoder>>,
}

impl Frames {
    /// Starts with the first frame.
    ///
    /// # Errors
    /// If there is none.
    pub(super) fn new(packed: Box<dyn Read + Send>) -> io::Result<Self> {
        let source = Source {
            ahead: io::Cursor::new(Vec::new()),
            rest: packed,
        };
        Ok(Self {
            frame: next(source)?,
        })
    }
}

impl Read for Frames {
    fn read(&mut self, buf: &mut [u8]) -> io::Result<usize> {
        if buf.is_empty() {
            return Ok(0);
        }
        while let Some(frame) = &mut self.frame {
            let n = frame.read(buf).map_err(|_| damaged())?;
            if n > 0 {
                return Ok(n);
            }
            let stated = frame.decoder.get_checksum_from_data();
            if stated.is_some() && stated != frame.decoder.get_calculated_checksum() {
                return Err(damaged());
            }
            let source = self.frame.take().map(StreamingDecoder::into_inner);
            self.frame = source.map(next).transpose()?.flatten();
        }
        Ok(0)
    }
}

/// The next frame with content; frames that are to be skipped are. `None` at the end.
fn next(mut source: Source) -> io::Result<Option<StreamingDecoder<Source, FrameDecoder>>> {
    loop {
        let mut magic = Vec::with_capacity(4);
        (&mut source).take(4).read_to_end(&mut magic)?;
        match magic.as_slice() {
            [] => return Ok(None),
            [0x50..=0x5f, 0x2a, 0x4d, 0x18] => {
                let mut length = [0; 4];
                source.read_exact(&mut length).map_err(|_| damaged())?;
                let length = u64::from(u32::from_le_bytes(length));
                io::copy(&mut (&mut source).take(length), &mut io::sink())?;
            }
            _ => {
                source.ahead = io::Cursor::new(magic);
                return StreamingDecoder::new(source)
                    .map(Some)
                    .map_err(|_| damaged());
            }
        }
    }
}

fn damaged() -> io::Error {
    io::Error::new(
        io::ErrorKind::InvalidData,
        "the zstd data is cut short or damaged",
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    fn packed(text: &str) -> Vec<u8> {
        let level = ruzstd::encoding::CompressionLevel::Fastest;
        ruzstd::encoding::compress_to_vec(text.as_bytes(), level)
    }

    fn unpacked(bytes: Vec<u8>) -> io::Result<String> {
        let mut text = String::new();
        Frames::new(Box::new(io::Cursor::new(bytes)))?.read_to_string(&mut text)?;
        Ok(text)
    }

    /// RFC 8878, section 3: frames follow each other, and decoders pass over skippable ones.
    #[test]
    fn frames_follow_each_other() {
        let mut bytes = packed("time,travel\n");
        bytes.extend([0x5a, 0x2a, 0x4d, 0x18, 3, 0, 0, 0, 1, 2, 3]);
        bytes.extend(packed(""));
        bytes.extend(packed("0,1\n"));
        assert_eq!(unpacked(bytes).unwrap(), "time,travel\n0,1\n");
    }

    /// RFC 8878, 3.1.1: the content checksum is the low four bytes of XXH64 of the content.
    /// Bits flipped anywhere after the header give an error or the text itself.
    #[test]
    fn no_flipped_bit_changes_the_text() {
        let text = "0.001,25.4,-317.25\n".repeat(40) + "0.002,25.3,12\n";
        let whole = packed(&text);
        let mut refused = 0;
        for bit in 8 * 4..8 * whole.len() {
            let mut bytes = whole.clone();
            bytes[bit / 8] ^= 1 << (bit % 8);
            match unpacked(bytes) {
                Ok(read) => assert_eq!(read, text, "bit {bit}"),
                Err(_) => refused += 1,
            }
        }
        assert!(refused > 4 * whole.len(), "{refused}");
    }

    #[test]
    fn what_is_cut_short_is_said_to_be() {
        let whole = packed("0.1,0.2\n0.3,0.4\n");
        for cut in [5, whole.len() - 2] {
            let error = unpacked(whole[..cut].to_vec()).unwrap_err();
            assert!(error.to_string().contains("cut short"), "{error}");
        }
        let mut trailing = whole;
        trailing.extend(b"not a frame");
        assert!(unpacked(trailing).is_err());
    }
}
