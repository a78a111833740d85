//! From a path to blocks of whole lines of UTF-8 text: opening, unpacking, decoding, and
//! the fingerprint of the bytes on the way. Never holds more than a block and a line.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::sync::mpsc::{Receiver, sync_channel};
use std::sync::{Arc, Mutex};
use std::time::Duration;

use encoding_rs::{Decoder, Encoding};
use sha2::{Digest as _, Sha256};

use super::encoding;
use crate::notice::{Error, Notice};

/// Bytes asked for at a time. Large enough to keep all cores busy, small against 256 MB.
pub(super) const BLOCK: usize = 4 << 20;

/// The longest line taken as one. 10 000 columns of 20 characters are 200 KB.
const LONGEST_LINE: usize = 1 << 20;

/// Unpacked bytes from which the ratio to the packed ones is looked at, and the ratio that
/// is refused. Records of a dyno pack 3 to 20 times; text that repeats without end packs a
/// thousand times.
const BOMB_FROM: u64 = 64 << 20;
const BOMB_RATIO: u64 = 200;

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

/// Where the bytes after the first block come from.
enum Reader {
    /// Nothing is left.
    Done,
    /// A thread of its own reads, unpacks and hashes ahead.
    Ahead(Receiver<io::Result<Vec<u8>>>),
}

/// Blocks read ahead of the one being parsed.
const AHEAD: usize = 2;

impl Reader {
    fn start(mut reader: Box<dyn Read + Send>) -> io::Result<Self> {
        let (send, receive) = sync_channel(AHEAD);
        std::thread::Builder::new()
            .name("loopwork-read".into())
            .spawn(move || {
                loop {
                    let block = read_up_to(&mut reader, BLOCK);
                    let more = block.as_ref().is_ok_and(|b| b.len() == BLOCK);
                    // Nobody listens any more once the stream has been dropped.
                    if send.send(block).is_err() || !more {
                        return;
                    }
                }
            })?;
        Ok(Self::Ahead(receive))
    }

    fn next(&mut self) -> io::Result<Vec<u8>> {
        match self {
            Self::Done => Ok(Vec::new()),
            Self::Ahead(receive) => receive.recv().unwrap_or_else(|_| Ok(Vec::new())),
        }
    }
}

/// One file as text.
pub(super) struct TextSource {
    pub(super) path: String,
    reader: Reader,
    tally: Arc<Mutex<Tally>>,
    decoder: Option<Decoder>,
    pub(super) encoding: String,
    pub(super) notices: Vec<Notice>,
    /// Text after the last line end of the block before.
    carry: Vec<u8>,
    at_end: bool,
    line_end: u8,
    packed: bool,
    unpacked: u64,
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
        let reader = if at_end {
            Reader::Done
        } else {
            Reader::start(reader).map_err(|e| unreadable(&name, &e))?
        };
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
            packed: packing.is_some(),
            unpacked: 0,
        };
        if let Some(encoding) = found.decode_with {
            source.decoder = Some(decoder(encoding));
        }
        let start = head.get(found.skip..).unwrap_or_default();
        source.carry = source.decoded(start, at_end);
        source.line_end = line_end_of(&source.carry);
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
            if self.at_end {
                let rest = std::mem::take(&mut self.carry);
                return Ok(if rest.is_empty() { None } else { Some(rest) });
            }
            if let Some(end) = memchr::memrchr(self.line_end, &self.carry) {
                let rest = self.carry.split_off(end + 1);
                return Ok(Some(std::mem::replace(&mut self.carry, rest)));
            }
            if self.carry.len() > LONGEST_LINE {
                return Err(self.line_too_long());
            }
            self.fill()?;
        }
    }

    /// Refuses lines that no table of numbers has, before anybody splits them.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if one is longer than [`LONGEST_LINE`].
    pub(super) fn check_lines(&self, text: &[u8]) -> Result<(), Error> {
        let mut from = 0;
        for at in memchr::memchr_iter(self.line_end, text).chain([text.len()]) {
            if at - from > LONGEST_LINE {
                return Err(self.line_too_long());
            }
            from = at;
        }
        Ok(())
    }

    fn line_too_long(&self) -> Error {
        Error::input(
            "line-too-long",
            format!(
                "a line runs on for more than {} MB; a table of numbers has shorter ones",
                LONGEST_LINE >> 20
            ),
        )
        .help("give the text file the dyno wrote, with one sample per line")
        .in_file(&self.path)
    }

    fn fill(&mut self) -> Result<(), Error> {
        let raw = self.reader.next().map_err(|e| unreadable(&self.path, &e))?;
        self.at_end = raw.len() < BLOCK;
        if self.decoder.is_none() {
            self.carry.extend_from_slice(&raw);
            return self.guard_against_bombs();
        }
        let at_end = self.at_end;
        let text = self.decoded(&raw, at_end);
        self.carry.extend_from_slice(&text);
        self.guard_against_bombs()
    }

    /// True once every byte has been read.
    pub(super) fn is_read(&self) -> bool {
        self.at_end
    }

    /// A packed file that unfolds to hundreds of times its size holds no measurement.
    fn guard_against_bombs(&mut self) -> Result<(), Error> {
        self.unpacked += BLOCK as u64;
        if !self.packed || self.unpacked < BOMB_FROM {
            return Ok(());
        }
        let (_, bytes) = self.tally();
        if self.unpacked / bytes.max(1) < BOMB_RATIO {
            return Ok(());
        }
        Err(Error::input(
            "unfolds-without-end",
            format!("the packed file unfolds to more than {BOMB_RATIO} times its size; no dyno's record does"),
        )
        .help("unpack it yourself and look at what is in it")
        .in_file(&self.path))
    }

    /// Fingerprint and length of what was read so far.
    pub(super) fn tally(&self) -> (String, u64) {
        self.tally
            .lock()
            .map(|tally| tally.finish())
            .unwrap_or_default()
    }
}

/// Bytes looked at for the line end.
const LOOK: usize = 64 << 10;

/// The byte that ends lines: `\r` only where hardly one stands before a `\n`. A few `\n`
/// may then stand within quoted cells.
fn line_end_of(text: &[u8]) -> u8 {
    let head = text.get(..LOOK).unwrap_or(text);
    let feeds = memchr::memchr_iter(b'\n', head).count();
    let lone = memchr::memchr_iter(b'\r', head)
        .filter(|at| head.get(at + 1).is_some_and(|next| *next != b'\n'))
        .count();
    if lone > 4 * feeds { b'\r' } else { b'\n' }
}

fn decoder(encoding: &'static Encoding) -> Decoder {
    encoding.new_decoder_without_bom_handling()
}

/// First room for a block; a small file does not ask for 4 MB.
const READ_STEP: usize = 64 << 10;

fn read_up_to(reader: &mut dyn Read, most: usize) -> io::Result<Vec<u8>> {
    let mut bytes = Vec::with_capacity(READ_STEP.min(most));
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
    if about.is_file() {
        return File::open(path).map_err(|e| cannot_open(name, &e));
    }
    open_pipe(path, name)
}

/// How long a pipe may take until somebody writes into it.
const PIPE_PATIENCE: Duration = Duration::from_millis(1500);

/// Opening a pipe waits for its writer; nobody may ever come.
fn open_pipe(path: &Path, name: &str) -> Result<File, Error> {
    let (send, receive) = sync_channel(1);
    let wanted = path.to_owned();
    std::thread::Builder::new()
        .name("loopwork-open".into())
        .spawn(move || {
            // If the wait is over by then, nobody listens.
            let _ = send.send(File::open(wanted));
        })
        .map_err(|e| cannot_open(name, &e))?;
    match receive.recv_timeout(PIPE_PATIENCE) {
        Ok(opened) => opened.map_err(|e| cannot_open(name, &e)),
        Err(_) => Err(Error::input(
            "silent-pipe",
            format!("{name} is a pipe, and nobody writes into it"),
        )
        .help("start the program that writes first, or give a file")
        .in_file(name)),
    }
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
