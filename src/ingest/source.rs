//! From a path to blocks of whole lines of UTF-8 text: opening, unpacking, decoding, and
//! the fingerprint of the bytes on the way. Never holds more than a block and a line.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::sync::{Arc, Mutex};

use encoding_rs::{Decoder, Encoding};
use sha2::{Digest as _, Sha256};

use super::encoding;
use crate::notice::{Error, Notice};

/// Bytes asked for at a time. Large enough to keep all cores busy, small against 256 MB.
pub(super) const BLOCK: usize = 4 << 20;

/// The longest line taken as one. 10 000 columns of 20 characters are 200 KB.
pub(super) const LONGEST_LINE: usize = 8 << 20;

/// Fingerprint and length of the bytes as they lie on the disk.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    sha: Sha256,
    bytes: u64,
}

impl Tally {
    /// SHA-256 in hex and the number of bytes.
    pub(super) fn finish(&self) -> (String, u64) {
        let digest = self.sha.clone().finalize();
        let hex = digest.iter().map(|b| format!("{b:02x}")).collect();
        (hex, self.bytes)
    }
}

/// Counts and hashes what passes through.
struct Tallying<R> {
    inner: R,
    tally: Arc<Mutex<Tally>>,
}

impl<R: Read> Read for Tallying<R> {
    fn read(&mut self, buffer: &mut [u8]) -> io::Result<usize> {
        let n = self.inner.read(buffer)?;
        if let (Ok(mut tally), Some(read)) = (self.tally.lock(), buffer.get(..n)) {
            tally.sha.update(read);
            tally.bytes += n as u64;
        }
        Ok(n)
    }
}

/// One file as text.
pub(super) struct TextSource {
    pub(super) path: String,
    reader: Box<dyn Read + Send>,
    tally: Arc<Mutex<Tally>>,
    decoder: Option<Decoder>,
    pub(super) encoding: String,
    pub(super) notices: Vec<Notice>,
    /// Text after the last line end of the block before.
    carry: Vec<u8>,
    at_end: bool,
    line_end: u8,
}

impl TextSource {
    /// Opens a file, or standard input for `-`, and finds packing and encoding from its
    /// first bytes.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if it cannot be opened, is a folder, or is no text.
    pub(super) fn open(path: &Path) -> Result<Self, Error> {
        let name = path.display().to_string();
        let raw: Box<dyn Read + Send> = if name == "-" {
            Box::new(io::stdin())
        } else {
            Box::new(open_file(path, &name)?)
        };
        let tally = Arc::new(Mutex::new(Tally::default()));
        let raw = Tallying {
            inner: raw,
            tally: Arc::clone(&tally),
        };
        let (mut reader, packing) =
            encoding::unpack(Box::new(raw)).map_err(|e| unreadable(&name, &e))?;
        let head = read_up_to(&mut reader, BLOCK).map_err(|e| unreadable(&name, &e))?;
        let at_end = head.len() < BLOCK;
        let found = encoding::guess(&head, at_end).map_err(|e| e.in_file(&name))?;
        let mut source = Self {
            path: name,
            reader,
            tally,
            decoder: None,
            encoding: match packing {
                Some(packing) => format!("{} ({packing})", found.name),
                None => found.name.clone(),
            },
            notices: found.notices,
            carry: Vec::new(),
            at_end,
            line_end: b'\n',
        };
        if let Some(encoding) = found.decode_with {
            source.decoder = Some(decoder(encoding));
        }
        let start = head.get(found.skip..).unwrap_or_default();
        source.carry = source.decoded(start, at_end);
        if !source.carry.contains(&b'\n') && source.carry.contains(&b'\r') {
            source.line_end = b'\r';
        }
        Ok(source)
    }

    /// The byte that ends a line: `\n`, or `\r` in files that have only that.
    pub(super) fn line_end(&self) -> u8 {
        self.line_end
    }

    fn decoded(&mut self, bytes: &[u8], last: bool) -> Vec<u8> {
        match &mut self.decoder {
            None => bytes.to_vec(),
            Some(decoder) => {
                let room = decoder
                    .max_utf8_buffer_length(bytes.len())
                    .unwrap_or(bytes.len() * 3 + 16);
                let mut text = String::with_capacity(room);
                let _ = decoder.decode_to_string(bytes, &mut text, last);
                text.into_bytes()
            }
        }
    }

    /// The next whole lines, about [`BLOCK`] bytes of them; `None` at the end. The last
    /// line may lack its line end.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] on a read error or a line beyond [`LONGEST_LINE`].
    pub(super) fn next_block(&mut self) -> Result<Option<Vec<u8>>, Error> {
        loop {
            if let Some(end) = memchr::memrchr(self.line_end, &self.carry) {
                let rest = self.carry.split_off(end + 1);
                return Ok(Some(std::mem::replace(&mut self.carry, rest)));
            }
            if self.at_end {
                let rest = std::mem::take(&mut self.carry);
                return Ok(if rest.is_empty() { None } else { Some(rest) });
            }
            if self.carry.len() > LONGEST_LINE {
                return Err(Error::input(
                    "line-too-long",
                    format!(
                        "a line runs on for more than {} MB; a table of numbers has shorter ones",
                        LONGEST_LINE >> 20
                    ),
                )
                .help("give the text file the dyno wrote, with one sample per line")
                .in_file(&self.path));
            }
            self.fill()?;
        }
    }

    fn fill(&mut self) -> Result<(), Error> {
        if self.decoder.is_none() {
            let before = self.carry.len();
            let got = (&mut self.reader)
                .take(BLOCK as u64)
                .read_to_end(&mut self.carry)
                .map_err(|e| unreadable(&self.path, &e))?;
            self.at_end = got < BLOCK;
            debug_assert_eq!(self.carry.len(), before + got);
            return Ok(());
        }
        let raw = read_up_to(&mut self.reader, BLOCK).map_err(|e| unreadable(&self.path, &e))?;
        self.at_end = raw.len() < BLOCK;
        let at_end = self.at_end;
        let text = self.decoded(&raw, at_end);
        self.carry.extend_from_slice(&text);
        Ok(())
    }

    /// Fingerprint and length of what was read so far.
    pub(super) fn tally(&self) -> (String, u64) {
        self.tally
            .lock()
            .map(|tally| tally.finish())
            .unwrap_or_default()
    }
}

fn decoder(encoding: &'static Encoding) -> Decoder {
    encoding.new_decoder_without_bom_handling()
}

fn read_up_to(reader: &mut dyn Read, most: usize) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::new();
    reader.take(most as u64).read_to_end(&mut bytes)?;
    Ok(bytes)
}

fn open_file(path: &Path, name: &str) -> Result<File, Error> {
    let about = std::fs::metadata(path).map_err(|e| cannot_open(name, &e))?;
    if about.is_dir() {
        return Err(Error::input(
            "is-a-folder",
            format!("{name} is a folder without a readable run"),
        )
        .help("name the files in it, or use `loopwork batch` for many runs")
        .in_file(name));
    }
    File::open(path).map_err(|e| cannot_open(name, &e))
}

fn cannot_open(name: &str, error: &io::Error) -> Error {
    Error::input("cannot-open", format!("cannot open {name}: {error}"))
        .help("check the spelling of the path and that you may read the file")
        .in_file(name)
}

fn unreadable(name: &str, error: &io::Error) -> Error {
    Error::input(
        "cannot-read",
        format!("cannot read {name} to its end: {error}"),
    )
    .help("if it is packed, unpack it and look whether it is whole; otherwise copy it again")
    .in_file(name)
}
