//! From a path to text: opening, unpacking, finding the encoding, and the fingerprint of the
//! bytes on the way.

use std::fs::File;
use std::io::{self, Read};
use std::path::Path;
use std::sync::mpsc::sync_channel;
use std::sync::{Arc, Mutex};
use std::time::Duration;

use sha2::{Digest as _, Sha256};

use super::blocks::{BLOCK, Block, Blocks, LONGEST_LINE, Rest, line_too_long};
use super::encoding;
use crate::notice::{Error, Notice};

/// Fingerprint and length of the bytes as they lie on the disk.
#[derive(Debug, Clone, Default)]
pub(super) struct Tally {
    sha: Sha256,
    pub(super) bytes: u64,
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
    first: Option<Block>,
    rest: Rest,
    tally: Arc<Mutex<Tally>>,
    pub(super) encoding: String,
    pub(super) notices: Vec<Notice>,
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
        let mut size = 0;
        let raw: Box<dyn Read + Send> = if name == "-" {
            Box::new(io::stdin())
        } else {
            let (file, length) = open_file(path, &name)?;
            size = usize::try_from(length).unwrap_or(0);
            Box::new(file)
        };
        let tally = Arc::new(Mutex::new(Tally::default()));
        let raw = Tallying {
            inner: raw,
            tally: Arc::clone(&tally),
        };
        let (mut reader, packing) =
            encoding::unpack(Box::new(raw)).map_err(|e| unreadable(&name, &e))?;
        // One byte more, so that the end shows without asking for more room.
        let mut head = Block::of(size.min(BLOCK - 1) + 1);
        let at_end = head
            .fill(&mut reader, BLOCK)
            .map_err(|e| unreadable(&name, &e))?
            < BLOCK;
        let found = encoding::guess(&head, at_end).map_err(|e| e.in_file(&name))?;
        let mut blocks = Blocks::new(&name, reader, &tally);
        blocks.packed = packing.is_some();
        blocks.at_end = at_end;
        let text = blocks.decoded_head(head, found.decode_with, found.skip);
        let line_end = line_end_of(&text);
        blocks.line_end = line_end;
        let first = blocks.whole_lines(text)?;
        let mut notices = found.notices;
        if packing == Some(encoding::UNCHECKED_ZSTD) {
            notices.push(
                Notice::warning(
                    "packed-unchecked",
                    "the zstd file carries no checksum: damage to it may unpack to other numbers, and nothing would show it",
                )
                .help("pack it with a checksum, or compare the sha256 with that of the file where it was made"),
            );
        }
        Ok(Self {
            rest: if blocks.at_end {
                Rest::Nothing
            } else {
                Rest::start(blocks).map_err(|e| unreadable(&name, &e))?
            },
            path: name,
            first,
            tally,
            encoding: match packing {
                Some(packing) => format!("{} ({packing})", found.name),
                None => found.name,
            },
            notices,
            line_end,
        })
    }

    /// The byte that ends a line: `\n`, or `\r` in files that have only that.
    pub(super) fn line_end(&self) -> u8 {
        self.line_end
    }

    /// The next whole lines, about [`BLOCK`] bytes of them; `None` at the end. The last
    /// line may lack its line end.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] on a read error or a line beyond [`LONGEST_LINE`].
    pub(super) fn next_block(&mut self) -> Result<Option<Block>, Error> {
        match self.first.take() {
            Some(first) => Ok(Some(first)),
            None => self.rest.next(),
        }
    }

    /// Gives a block back, so that its memory is used again.
    pub(super) fn take_back(&self, block: Block) {
        self.rest.take_back(block);
    }

    /// Refuses lines that no table of numbers has, before anybody splits them.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if one is longer than [`LONGEST_LINE`].
    pub(super) fn check_lines(&self, text: &[u8]) -> Result<(), Error> {
        let mut from = 0;
        for at in memchr::memchr_iter(self.line_end, text).chain([text.len()]) {
            if at - from > LONGEST_LINE {
                return Err(line_too_long(&self.path));
            }
            from = at;
        }
        Ok(())
    }

    /// True once every byte has been read.
    pub(super) fn is_read(&self) -> bool {
        matches!(self.rest, Rest::Nothing)
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

/// The file and how long it is, if that can be told.
fn open_file(path: &Path, name: &str) -> Result<(File, u64), Error> {
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
        let file = File::open(path).map_err(|e| cannot_open(name, &e))?;
        return Ok((file, about.len()));
    }
    Ok((open_pipe(path, name)?, 0))
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

pub(super) fn unreadable(name: &str, error: &io::Error) -> Error {
    Error::input(
        "cannot-read",
        format!("cannot read {name} to its end: {error}"),
    )
    .help("if it is packed, unpack it and look whether it is whole; otherwise copy it again")
    .in_file(name)
}
