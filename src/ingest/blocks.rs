//! Blocks of whole lines of UTF-8 text, read, fingerprinted and decoded on a thread of their
//! own, in memory that is used again. Never holds more than a few blocks and a line.

use std::io::{self, Read};
use std::sync::mpsc::{Receiver, Sender, channel, sync_channel};
use std::sync::{Arc, Mutex};

use encoding_rs::{Decoder, Encoding};

use super::encoding::PADDING;
use super::source::{Tally, unreadable};
use crate::notice::Error;

/// Bytes in a block: few enough to stay in the processor's cache from the disk to the
/// numbers, enough that handing it on costs nothing beside reading it.
pub(super) const BLOCK: usize = 1 << 20;

/// The longest line taken as one. 10 000 columns of 20 characters are 200 KB.
pub(super) const LONGEST_LINE: usize = 1 << 20;

/// Unpacked bytes from which the ratio to the packed ones is looked at, and the ratio that
/// is refused. Records of a dyno pack 3 to 20 times; text that repeats without end packs a
/// thousand times.
const BOMB_FROM: u64 = 64 << 20;
const BOMB_RATIO: u64 = 200;

/// Bytes asked of the system at a time: what was copied is still at hand when it is
/// fingerprinted.
const STEP: usize = 256 << 10;

/// Blocks read ahead of the one being parsed.
const AHEAD: usize = 3;

/// Bytes in memory that is used again: fresh memory costs as much as reading into it.
#[derive(Debug, Default)]
pub(super) struct Block {
    bytes: Vec<u8>,
    /// How many of them are filled.
    len: usize,
}

impl std::ops::Deref for Block {
    type Target = [u8];

    fn deref(&self) -> &[u8] {
        self.bytes.get(..self.len).unwrap_or_default()
    }
}

impl Block {
    /// A block with room for so many bytes at first.
    pub(super) fn of(room: usize) -> Self {
        Self {
            bytes: vec![0; room],
            len: 0,
        }
    }

    pub(super) fn truncate(&mut self, len: usize) {
        self.len = self.len.min(len);
    }

    /// Drops NULs behind the text: room that a logger set aside and did not write.
    fn drop_padding(&mut self) {
        if self.last() != Some(&0) {
            return;
        }
        let end = self.iter().rposition(|b| *b != 0).map_or(0, |at| at + 1);
        if self.len - end >= PADDING {
            self.len = end;
        }
    }

    /// Writes `line_end` for the other mark of a line's end wherever that stands alone: files
    /// joined from two machines, or mended by hand, hold both. Marks beside each other are
    /// one line's end, or blank lines, and stay.
    pub(super) fn settle_line_ends(&mut self, line_end: u8) {
        let other = if line_end == b'\n' { b'\r' } else { b'\n' };
        let Some(bytes) = self.bytes.get_mut(..self.len) else {
            return;
        };
        let is_end = |b: Option<&u8>| matches!(b, Some(b'\n' | b'\r'));
        let mut from = 0;
        while let Some(at) = bytes
            .get(from..)
            .and_then(|rest| memchr::memchr(other, rest))
            .map(|n| from + n)
        {
            let alone = bytes.get(at + 1).is_some()
                && !is_end(bytes.get(at + 1))
                && !is_end(at.checked_sub(1).and_then(|before| bytes.get(before)));
            if let Some(byte) = bytes.get_mut(at).filter(|_| alone) {
                *byte = line_end;
            }
            from = at + 1;
        }
    }

    fn append(&mut self, more: &[u8]) {
        let until = self.len + more.len();
        if self.bytes.len() < until {
            self.bytes.resize(until, 0);
        }
        if let Some(room) = self.bytes.get_mut(self.len..until) {
            room.copy_from_slice(more);
            self.len = until;
        }
    }

    /// Reads up to `most` bytes more; gives how many, fewer only at the end.
    pub(super) fn fill(&mut self, reader: &mut dyn Read, most: usize) -> io::Result<usize> {
        let before = self.len;
        let until = before + most;
        while self.len < until {
            if self.len == self.bytes.len() {
                let room = until.min(2 * self.len + STEP);
                self.bytes.resize(room, 0);
            }
            let to = until.min(self.bytes.len()).min(self.len + STEP);
            let room = self.bytes.get_mut(self.len..to);
            match reader.read(room.unwrap_or_default()) {
                Ok(0) => break,
                Ok(n) => self.len += n,
                Err(error) if error.kind() == io::ErrorKind::Interrupted => {}
                Err(error) => return Err(error),
            }
        }
        Ok(self.len - before)
    }
}

/// Reads a file on from its first block.
pub(super) struct Blocks {
    path: String,
    reader: Box<dyn Read + Send>,
    tally: Arc<Mutex<Tally>>,
    decoder: Option<Decoder>,
    /// Bytes to decode.
    raw: Block,
    /// Text after the last line end of the block before.
    carry: Vec<u8>,
    pub(super) at_end: bool,
    pub(super) line_end: u8,
    pub(super) packed: bool,
    unpacked: u64,
}

impl Blocks {
    pub(super) fn new(path: &str, reader: Box<dyn Read + Send>, tally: &Arc<Mutex<Tally>>) -> Self {
        Self {
            path: path.to_owned(),
            reader,
            tally: Arc::clone(tally),
            decoder: None,
            raw: Block::default(),
            carry: Vec::new(),
            at_end: false,
            line_end: b'\n',
            packed: false,
            unpacked: 0,
        }
    }

    /// The first bytes as text, without the byte order mark; what follows is decoded alike.
    pub(super) fn decoded_head(
        &mut self,
        mut head: Block,
        encoding: Option<&'static Encoding>,
        skip: usize,
    ) -> Block {
        self.decoder = encoding.map(Encoding::new_decoder_without_bom_handling);
        if skip == 0 && self.decoder.is_none() {
            return head;
        }
        let start = head.get(skip..).unwrap_or_default();
        let mut text = Block::default();
        if self.decoder.is_some() {
            decode(self.decoder.as_mut(), start, self.at_end, &mut text);
        } else {
            text.append(start);
        }
        head.truncate(0);
        self.raw = head;
        text
    }

    /// The next whole lines; `None` at the end.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] on a read error, a line beyond [`LONGEST_LINE`], or a
    /// packed file without end.
    fn next(&mut self, mut block: Block) -> Result<Option<Block>, Error> {
        block.truncate(0);
        block.append(&self.carry);
        self.carry.clear();
        if !self.at_end {
            self.fill(&mut block)?;
        }
        self.whole_lines(block)
    }

    /// Keeps what stands after the last line end for the next block; reads on if there is no
    /// line end. At the end of the file all that is left is one block.
    pub(super) fn whole_lines(&mut self, mut block: Block) -> Result<Option<Block>, Error> {
        loop {
            block.settle_line_ends(self.line_end);
            block.drop_padding();
            if self.at_end {
                return Ok((!block.is_empty()).then_some(block));
            }
            if let Some(end) = memchr::memrchr(self.line_end, &block) {
                let rest = block.get(end + 1..).unwrap_or_default();
                self.carry.extend_from_slice(rest);
                block.truncate(end + 1);
                return Ok(Some(block));
            }
            if block.len() > LONGEST_LINE {
                return Err(line_too_long(&self.path));
            }
            self.fill(&mut block)?;
        }
    }

    fn fill(&mut self, block: &mut Block) -> Result<(), Error> {
        let into = if self.decoder.is_some() {
            self.raw.truncate(0);
            &mut self.raw
        } else {
            &mut *block
        };
        let read = into
            .fill(&mut self.reader, BLOCK)
            .map_err(|e| unreadable(&self.path, &e))?;
        self.at_end = read < BLOCK;
        if self.decoder.is_some() {
            decode(self.decoder.as_mut(), &self.raw, self.at_end, block);
        }
        self.guard_against_bombs()
    }

    /// A packed file that unfolds to hundreds of times its size holds no measurement.
    fn guard_against_bombs(&mut self) -> Result<(), Error> {
        self.unpacked += BLOCK as u64;
        if !self.packed || self.unpacked < BOMB_FROM {
            return Ok(());
        }
        let bytes = self.tally.lock().map_or(0, |tally| tally.bytes);
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
}

fn decode(decoder: Option<&mut Decoder>, bytes: &[u8], last: bool, into: &mut Block) {
    let Some(decoder) = decoder else { return };
    let room = decoder
        .max_utf8_buffer_length(bytes.len())
        .unwrap_or(bytes.len() * 3 + 16);
    let mut text = String::with_capacity(room);
    let _ = decoder.decode_to_string(bytes, &mut text, last);
    into.append(text.as_bytes());
}

pub(super) fn line_too_long(path: &str) -> Error {
    Error::input(
        "line-too-long",
        format!(
            "a line runs on for more than {} MB; a table of numbers has shorter ones",
            LONGEST_LINE >> 20
        ),
    )
    .help("give the text file the dyno wrote, with one sample per line")
    .in_file(path)
}

/// What comes after the first block.
pub(super) enum Rest {
    /// Nothing: the first block was all.
    Nothing,
    /// A thread of its own reads, unpacks, fingerprints and decodes ahead.
    Ahead {
        receive: Receiver<Result<Option<Block>, Error>>,
        used: Sender<Block>,
    },
}

impl Rest {
    pub(super) fn start(mut blocks: Blocks) -> io::Result<Self> {
        let (send, receive) = sync_channel(AHEAD);
        let (used, again) = channel();
        std::thread::Builder::new()
            .name("loopwork-read".into())
            .spawn(move || {
                loop {
                    let block =
                        blocks.next(again.try_recv().unwrap_or_else(|_| Block::of(BLOCK + STEP)));
                    let more = matches!(block, Ok(Some(_)));
                    // Nobody listens any more once the stream has been dropped.
                    if send.send(block).is_err() || !more {
                        return;
                    }
                }
            })?;
        Ok(Self::Ahead { receive, used })
    }

    pub(super) fn next(&mut self) -> Result<Option<Block>, Error> {
        match self {
            Self::Nothing => Ok(None),
            Self::Ahead { receive, .. } => receive.recv().unwrap_or(Ok(None)),
        }
    }

    /// Memory to use again. Where nobody reads on, it is let go of.
    pub(super) fn take_back(&self, block: Block) {
        if let Self::Ahead { used, .. } = self {
            let _ = used.send(block);
        }
    }
}
