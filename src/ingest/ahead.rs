//! Reading ahead: files larger than a block are read, parsed and put in order on a thread
//! of their own while the analysis works on what came before. The chunks are the same, in
//! the same order.

use std::sync::mpsc::{Receiver, sync_channel};

use crate::notice::Error;
use crate::recording::{Chunk, Closing, SampleStream, Understanding};

/// Chunks waiting at most; with the blocks behind them they stay far below 256 MB.
const WAITING: usize = 6;

/// Asks for a large piece of memory and lets go of it without having touched it.
///
/// Some allocators (glibc's) give large pieces back to the system at once, so that each new
/// chunk is made of fresh pages, which costs more than parsing into it; they stop doing so
/// for pieces up to the size of the largest one freed, 32 MB at most. Others do not mind.
fn keep_freed_memory() {
    const PIECE: usize = 30 << 20;
    drop(std::hint::black_box(Vec::<u8>::with_capacity(PIECE)));
}

/// What the thread sends.
enum Message {
    Chunk(Chunk),
    Failed(Error),
    End(Box<Closing>),
}

/// A stream whose work is done on another thread.
pub(super) struct Ahead {
    understanding: Understanding,
    receive: Receiver<Message>,
    closing: Option<Box<Closing>>,
}

impl Ahead {
    /// Moves a stream to a thread of its own.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] if the system gives no thread.
    pub(super) fn start(mut inner: impl SampleStream + Send + 'static) -> Result<Self, Error> {
        let understanding = inner.understanding().clone();
        keep_freed_memory();
        let (send, receive) = sync_channel(WAITING);
        let work = move || {
            loop {
                let message = match inner.next_chunk() {
                    Ok(Some(chunk)) => Message::Chunk(chunk),
                    Ok(None) => Message::End(Box::new(inner.closing())),
                    Err(error) => Message::Failed(error),
                };
                let last = !matches!(message, Message::Chunk(_));
                if send.send(message).is_err() || last {
                    return;
                }
            }
        };
        std::thread::Builder::new()
            .name("loopwork-parse".into())
            .spawn(work)
            .map_err(|e| {
                Error::input(
                    "no-thread",
                    format!("the system gave no thread to read with: {e}"),
                )
            })?;
        Ok(Self {
            understanding,
            receive,
            closing: None,
        })
    }
}

impl SampleStream for Ahead {
    fn understanding(&self) -> &Understanding {
        &self.understanding
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        if self.closing.is_some() {
            return Ok(None);
        }
        match self.receive.recv() {
            Ok(Message::Chunk(chunk)) => Ok(Some(chunk)),
            Ok(Message::Failed(error)) => Err(error),
            Ok(Message::End(closing)) => {
                self.closing = Some(closing);
                Ok(None)
            }
            Err(_) => Err(Error::input(
                "reading-stopped",
                "reading stopped before the end of the file",
            )),
        }
    }

    fn closing(&mut self) -> Closing {
        self.closing.take().map(|c| *c).unwrap_or_default()
    }
}
