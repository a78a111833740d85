//! Files in a row as one recording.

use std::collections::VecDeque;
use std::path::PathBuf;

use super::IntakeOptions;
use super::assemble::{Assembler, Places};
use super::plan::Plan;
use super::rows::{self, Odd, RowShape, Rows};
use super::source::TextSource;
use crate::notice::{Error, Notice};
use crate::recording::{
    Chunk, Closing, Layout, SampleStream, Sampling, SourceFile, StatedSigns, Understanding,
};
use crate::units::Quantity;

/// Lines looked at to understand a file.
const LOOK_LINES: usize = 2000;

/// Interval made up where the file has neither time nor rate, s.
const ASSUMED_INTERVAL: f64 = 1e-3;

/// One file being read.
struct Open {
    source: TextSource,
    plan: Plan,
    shape: RowShape,
    assembler: Assembler,
    /// Text read but not parsed yet.
    waiting: Option<Vec<u8>>,
    done: bool,
    /// Blank line seen since the last row.
    blank: bool,
}

/// The recording.
pub(super) struct Stream {
    understanding: Understanding,
    options: IntakeOptions,
    files: VecDeque<PathBuf>,
    open: Open,
    sources: Vec<SourceFile>,
    sampling: Sampling,
    notices: Vec<Notice>,
}

impl Open {
    fn new(path: &std::path::Path, options: &IntakeOptions) -> Result<Self, Error> {
        let mut source = TextSource::open(path)?;
        let line_end = source.line_end();
        let block = source.next_block()?.unwrap_or_default();
        let look = String::from_utf8_lossy(head(&block, line_end, LOOK_LINES)).into_owned();
        let lines: Vec<&str> = split_lines(&look, line_end);
        let plan = Plan::make(&lines, options, &source.path)?;
        let (shape, places) = plan.shape(line_end);
        let places = Places::of(&places);
        let counted = plan
            .column(crate::recording::Role::Time)
            .is_some_and(|c| c.unit.quantity == Quantity::Count);
        let interval = options.rate_hz.map(|r| 1.0 / r);
        let has_time = places.time.is_some();
        let assumed = (!has_time || counted) && interval.is_none();
        let mut places = places;
        if counted {
            places.time = None;
        }
        let interval = if has_time && !counted {
            None
        } else {
            Some(interval.unwrap_or(ASSUMED_INTERVAL))
        };
        let mut assembler = Assembler::new(places, interval, assumed);
        // What comes before the data has been read already.
        let skip = offset_of_line(&block, line_end, plan.table.data);
        let waiting = block.get(skip..).map(<[u8]>::to_vec);
        assembler.expect_interval(typical_interval(
            &shape,
            &assembler.places,
            waiting.as_deref(),
        ));
        Ok(Self {
            source,
            plan,
            shape,
            assembler,
            waiting,
            done: false,
            blank: false,
        })
    }

    /// Reads on until a chunk is ready or the file ends.
    fn step(&mut self) -> Result<Option<Chunk>, Error> {
        loop {
            if let Some(chunk) = self.assembler.next() {
                return Ok(Some(chunk));
            }
            if self.done {
                return Ok(None);
            }
            let block = match self.waiting.take() {
                Some(block) => Some(block),
                None => self.source.next_block()?,
            };
            match block {
                Some(block) => {
                    for piece in rows::parse(&block, &self.shape) {
                        self.take(&piece);
                    }
                    self.assembler.flush();
                }
                None => {
                    self.assembler.end();
                    self.done = true;
                }
            }
        }
    }

    fn take(&mut self, piece: &Rows) {
        let mut from = 0;
        for odd in &piece.odd {
            if odd.rows_before > from {
                self.assembler.push(piece, from, odd.rows_before);
                from = odd.rows_before;
            }
            self.odd(odd);
        }
        self.assembler.push(piece, from, piece.len());
    }

    /// A line the fast road could not take.
    fn odd(&mut self, odd: &Odd) {
        let line = String::from_utf8_lossy(&odd.bytes);
        if line.trim().is_empty() {
            self.blank = true;
            return;
        }
        let dialect = self.plan.dialect;
        let cells = dialect.split(&line);
        let mut row = Rows {
            columns: Vec::new(),
            ..Rows::default()
        };
        let mut numbers = 0;
        let mut bad = None;
        for slot in &self.shape.slots {
            let value = cells.get(slot.field).and_then(|c| dialect.number(c));
            numbers += usize::from(value.is_some());
            if value.is_none() && slot.needed && bad.is_none() {
                bad = Some(slot.field);
            }
            row.columns.push(vec![
                value.map_or(f64::NAN, |v| v * slot.scale + slot.offset),
            ]);
        }
        if bad.is_none() {
            self.assembler.push(&row, 0, 1);
            return;
        }
        if numbers == 0 {
            // Text between rows: a repeated header, a label, a comment. A new block.
            self.assembler.seam();
            return;
        }
        self.assembler.rows += 1;
        let name = bad
            .and_then(|field| self.plan.columns.iter().find(|c| c.field == field))
            .map_or("a value", |c| super::plan::role_word(c.role));
        self.assembler.drop_row(&format!("{name} not a number"));
    }

    fn finish(&self) -> SourceFile {
        let (sha256, bytes) = self.source.tally();
        SourceFile {
            path: self.source.path.clone(),
            sha256,
            bytes,
            rows: self.assembler.rows,
            encoding: self.source.encoding.clone(),
            delimiter: self.plan.dialect.delimiter.name(),
            decimal_mark: char::from(self.plan.dialect.decimal).to_string(),
            layout: Layout::TimeSeries,
        }
    }
}

fn head(block: &[u8], line_end: u8, lines: usize) -> &[u8] {
    block
        .get(..offset_of_line(block, line_end, lines))
        .unwrap_or(block)
}

fn offset_of_line(block: &[u8], line_end: u8, line: usize) -> usize {
    match line.checked_sub(1) {
        None => 0,
        Some(before) => memchr::memchr_iter(line_end, block)
            .nth(before)
            .map_or(block.len(), |at| at + 1),
    }
}

fn split_lines(text: &str, line_end: u8) -> Vec<&str> {
    text.split(char::from(line_end))
        .map(|l| l.trim_end_matches(['\r', '\n']))
        .collect()
}

/// Median interval of the first rows.
fn typical_interval(shape: &RowShape, places: &Places, text: Option<&[u8]>) -> Option<f64> {
    let text = text?;
    let part = head(text, shape.line_end, LOOK_LINES);
    let pieces = rows::parse(part, shape);
    let time = pieces.first()?.columns.get(places.time?)?;
    let mut steps: Vec<f64> = time
        .windows(2)
        .filter_map(|w| match w {
            [a, b] if b > a => Some(b - a),
            _ => None,
        })
        .collect();
    steps.sort_by(f64::total_cmp);
    steps.get(steps.len() / 2).copied()
}

impl Stream {
    pub(super) fn open(paths: &[PathBuf], options: &IntakeOptions) -> Result<Self, Error> {
        let mut files: VecDeque<PathBuf> = paths.iter().cloned().collect();
        let Some(first) = files.pop_front() else {
            return Err(Error::usage("no-file", "no file was given"));
        };
        let open = Open::new(&first, options)?;
        let understanding = Understanding {
            layout: Layout::TimeSeries,
            channels: open.plan.channels(),
            signs: StatedSigns {
                compression: options.compression,
                force: options.force,
            },
            metadata: open.plan.table.metadata.clone(),
        };
        Ok(Self {
            understanding,
            options: options.clone(),
            files,
            open,
            sources: Vec::new(),
            sampling: Sampling::default(),
            notices: Vec::new(),
        })
    }

    fn close_file(&mut self) {
        self.sources.push(self.open.finish());
        let sampling = self.open.assembler.sampling();
        self.sampling.rate_hz = self.sampling.rate_hz.or(sampling.rate_hz);
        self.sampling.jitter = match (self.sampling.jitter, sampling.jitter) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        };
        self.sampling.rows_used += sampling.rows_used;
        self.sampling.rows_dropped += sampling.rows_dropped;
        for more in sampling.dropped {
            match self
                .sampling
                .dropped
                .iter_mut()
                .find(|d| d.reason == more.reason)
            {
                Some(have) => have.count += more.count,
                None => self.sampling.dropped.push(more),
            }
        }
        self.notices.append(&mut self.open.source.notices);
        let mut told = std::mem::take(&mut self.open.plan.notices);
        told.retain(|n| !self.notices.contains(n));
        self.notices.append(&mut told);
        if self.open.assembler.time_is_assumed {
            let notice = Notice::warning(
                "time-assumed",
                "the file has no time and no sample rate; 1000 samples per second are assumed, so every speed, frequency and damping figure hangs on that",
            )
            .help("say the rate with --rate HZ");
            if !self.notices.contains(&notice) {
                self.notices.push(notice);
            }
        }
    }
}

impl SampleStream for Stream {
    fn understanding(&self) -> &Understanding {
        &self.understanding
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        loop {
            if let Some(chunk) = self.open.step()? {
                return Ok(Some(chunk));
            }
            match self.files.pop_front() {
                Some(next) => {
                    self.close_file();
                    self.open = Open::new(&next, &self.options)?;
                }
                None => return Ok(None),
            }
        }
    }

    fn closing(&mut self) -> Closing {
        self.close_file();
        Closing {
            sources: std::mem::take(&mut self.sources),
            sampling: std::mem::take(&mut self.sampling),
            notices: std::mem::take(&mut self.notices),
        }
    }
}
