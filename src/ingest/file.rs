//! One file being read: understood from its first block, then block by block.

mod between;

use std::borrow::Cow;
use std::path::Path;

use between::Header;

use super::assemble::{Assembler, Places};
use super::bad_rows::BadRows;
use super::blocks::Block;
use super::header;
use super::look::{self, First, LOOK_ROWS, TimeBase};
use super::marks::{self, Marks};
use super::plan::Plan;
use super::rows::{self, Odd, RowShape, Rows, Slot};
use super::source::TextSource;
use super::text::{self, first_lines, is_label, label_of, offset_of_line};
use super::{IntakeOptions, Reading};
use crate::notice::{Error, Notice, Place};
use crate::recording::{Chunk, Layout, Role, SourceFile};
use crate::units::Quantity;

/// Lines and bytes looked at to find the table.
const LOOK_LINES: usize = 3000;
const LOOK_BYTES: usize = 256 << 10;

/// Bytes of rows looked at for units and the clock.
const LOOK_DATA: usize = 1 << 20;

/// Bytes of rows that settle units.
const LOOK_FIRST: usize = 256 << 10;

/// Interval made up where the file has neither time nor rate, s.
const ASSUMED_INTERVAL: f64 = 1e-3;

/// A file with more unusable rows than this share is refused.
const MOST_BAD: f64 = 0.5;

/// Bytes parsed at once after a header with other columns, and how that grows where none
/// follows.
const REACH: usize = 512;
const REACH_GROWS: usize = 4;

/// A block of text and its rows.
pub(super) struct Parsed {
    pub(super) block: Block,
    pub(super) rows: Rows,
    /// Where in the block the rows end.
    pub(super) until: usize,
}

/// One file being read.
pub(super) struct File {
    pub(super) source: TextSource,
    pub(super) plan: Plan,
    pub(super) shape: RowShape,
    pub(super) places: Vec<Places>,
    pub(super) assembler: Assembler,
    pub(super) base: TimeBase,
    options: IntakeOptions,
    /// The header as it stands in the file, which may be several lines.
    header_lines: Vec<String>,
    /// A block that has been read, and from where on its rows have yet to be taken.
    waiting: Option<(Block, usize)>,
    /// Lines before the text at hand.
    lines: u64,
    done: bool,
    /// A blank line since the last row.
    blank: bool,
    /// Text since the last row that may name the next segment.
    label: Option<String>,
    /// The header came again since the last row.
    again: bool,
    /// It came with other columns.
    changed: bool,
    /// The rows stand under a header that cannot join: they are left out.
    passing_over: bool,
    /// Lines of text stand between the first rows.
    labelled: bool,
    /// The row of units under the header at hand.
    units_line: Option<String>,
    /// Headers with other columns that came before, by what they say.
    headers: Vec<(String, Header)>,
    /// Decimal marks.
    marks: Marks,
    /// How far ahead of a header with other columns rows are parsed: often it is soon
    /// followed by another.
    reach: usize,
    /// Seams that text or blank lines made.
    pub(super) breaks: u64,
    bad: BadRows,
}

impl File {
    /// Opens a file and understands it.
    ///
    /// # Errors
    /// [`Fault::Input`] if there is no table in it.
    pub(super) fn open(path: &Path, reading: &Reading) -> Result<Self, Error> {
        let mut source = TextSource::open(path)?;
        let line_end = source.line_end();
        let block = source.next_block()?.unwrap_or_default();
        let head = first_lines(&block, line_end, LOOK_LINES, LOOK_BYTES);
        source.check_lines(head)?;
        let text = String::from_utf8_lossy(head).into_owned();
        let lines: Vec<&str> = text
            .split(char::from(line_end))
            .map(|l| l.trim_end_matches(['\r', '\n']))
            .collect();
        let as_written = lines;
        let lines = text::join_quoted(&as_written);
        let lines: Vec<&str> = lines.iter().map(AsRef::as_ref).collect();
        let mut options = reading.options.clone();
        let mut missing = Vec::new();
        if let Some(card) = &reading.card {
            // Looked at without the card's help, so that a departure shows.
            let plain = Plan::make(&lines, &reading.said, &source.path)?;
            card.check(&plain, &source.path)?;
            missing = card.leave_out_missing(&plain, &mut options, &reading.said);
        }
        let mut plan = Plan::make(&lines, &options, &source.path)?;
        plan.notices.extend(missing.iter().map(|name| {
            Notice::warning(
                "card-column-missing",
                format!("the file has no column \"{name}\", which the intake card names; it is read without"),
            )
            .help("look whether the sensor was connected; a card without that column says nothing of it")
        }));
        let header_lines = plan.table.header.map_or_else(Vec::new, |header| {
            let before = lines.get(..header).unwrap_or_default();
            let joined = before.iter().rev().take_while(|l| l.is_empty()).count();
            let of_header = as_written.get(header - joined..=header).unwrap_or_default();
            of_header.iter().map(|l| (*l).to_owned()).collect()
        });
        let skip = offset_of_line(&block, line_end, plan.table.data);
        let lines_before = plan.table.data as u64;
        let (shape, places) = plan.shape(line_end);
        let mut file = Self {
            source,
            assembler: Assembler::new(Places::default(), None, false),
            shape,
            header_lines,
            places: places.iter().map(|p| Places::of(p)).collect(),
            plan,
            base: TimeBase::default(),
            options,
            waiting: Some((block, skip)),
            lines: lines_before,
            done: false,
            blank: false,
            label: None,
            again: false,
            changed: false,
            passing_over: false,
            labelled: false,
            units_line: None,
            headers: Vec::new(),
            marks: Marks::default(),
            reach: usize::MAX,
            breaks: 0,
            bad: BadRows::default(),
        };
        file.look_at_marks(&lines)?;
        let table = &file.plan.table;
        let under = table.header.and_then(|h| lines.get(h + 1..table.data));
        file.units_line = under.and_then(|lines| {
            let is_units = |l: &&&str| header::is_units_row(&file.plan.dialect.split(l));
            lines.iter().find(is_units).map(|l| (*l).to_owned())
        });
        file.understand();
        file.refuse_swapped_time()?;
        if let Some(label) = file.first_label(&lines) {
            file.assembler.name_segment(Some(label));
        }
        Ok(file)
    }

    /// Looks for numbers with another decimal mark among the first rows.
    fn look_at_marks(&mut self, lines: &[&str]) -> Result<(), Error> {
        let data = self.plan.table.data;
        let rows: Vec<Vec<String>> = lines
            .get(data..)
            .unwrap_or_default()
            .iter()
            .map(|l| self.plan.dialect.split(l))
            .collect();
        let place = |row: usize| Place {
            path: Some(self.source.path.clone()),
            line: Some((data + row) as u64 + 1),
            text: lines.get(data + row).map(|l| l.chars().take(400).collect()),
            ..Place::default()
        };
        let decimal = char::from(self.shape.decimal);
        self.marks = Marks::of(&rows, &self.shape.slots, decimal, place)?;
        Ok(())
    }

    /// The number in a cell, by the patient road.
    pub(super) fn cell(&self, slot: &Slot, cell: &str) -> Option<f64> {
        let decimal = char::from(self.shape.decimal);
        let number = slot.patient(cell, self.shape.decimal)?;
        (!self.marks.doubt(slot.field, cell, decimal)).then_some(number)
    }

    /// A column called time that goes to and fro while the one called travel only rises.
    fn refuse_swapped_time(&self) -> Result<(), Error> {
        let swapped = |n: &&Notice| n.code == look::TIME_SWAPPED;
        let Some(notice) = self.plan.notices.iter().find(swapped) else {
            return Ok(());
        };
        let error = Error::input(look::TIME_SWAPPED, notice.message.clone()).at(Place {
            path: Some(self.source.path.clone()),
            line: self.plan.table.header.map(|h| h as u64 + 1),
            text: Some(self.plan.table.header_text.chars().take(400).collect()),
            ..Place::default()
        });
        Err(match &notice.help {
            Some(help) => error.help(help.clone()),
            None => error,
        })
    }

    /// What names the first segment: text between header and data, or a speed or stroke
    /// frequency said before the table.
    fn first_label(&self, lines: &[&str]) -> Option<String> {
        let table = &self.plan.table;
        let under = lines.get(table.header? + 1..table.data)?;
        let text = under.iter().find(|l| {
            let cells = self.plan.dialect.split(l);
            l.chars().any(char::is_alphanumeric) && !header::is_units_row(&cells)
        });
        text.map(|t| label_of(t))
            .or_else(|| table.preamble.values.get("speed").cloned())
    }

    /// Lets the first rows settle what the header left open, and sets the clock.
    fn understand(&mut self) {
        let line_end = self.shape.line_end;
        let rate = self.options.rate_hz.or(self.plan.table.preamble.rate_hz);
        let waiting = self.waiting.take();
        let text = rows_of(waiting.as_ref());
        let head = first_lines(text, line_end, LOOK_ROWS, LOOK_DATA);
        let (near, far) =
            head.split_at(rows::after_line(head, LOOK_FIRST.min(head.len()), line_end));
        let parsed = [
            (near, rows::parse(near, 0, &self.shape)),
            (far, rows::parse(far, 0, &self.shape)),
        ];
        let first = parsed
            .first()
            .map(|(text, rows)| self.whole_rows(rows, text));
        if let (Some(first), Some(places)) = (&first, self.places.first()) {
            // A table of velocities that swing to and fro is a record over time.
            let velocity = first
                .columns
                .get(places.travel)
                .map_or(&[][..], Vec::as_slice);
            if self.plan.layout == Layout::SweepTable && swings(velocity) {
                self.plan.layout = Layout::TimeSeries;
                self.plan.groups.truncate(1);
            }
            self.base = look::examine(&mut self.plan, &First::new(first, places), rate.is_some());
        }
        self.labelled = parsed
            .iter()
            .any(|(text, rows)| rows.odd.iter().any(|odd| self.is_labelling(odd, text)));
        self.waiting = waiting;
        let (shape, places) = self.plan.shape(line_end);
        self.shape = shape;
        self.places = places.iter().map(|p| Places::of(p)).collect();
        self.plan.say_assumed_units();
        let counted = self
            .plan
            .column(Role::Time)
            .is_some_and(|c| c.unit.quantity == Quantity::Count);
        let mut first = self.places.first().cloned().unwrap_or_default();
        if counted {
            for place in &mut self.places {
                place.time = None;
            }
            first.time = None;
        }
        let (interval, assumed) = match (first.time, rate, self.base.by_velocity) {
            (Some(_), ..) => (None, false),
            (None, Some(rate), _) => (Some(1.0 / rate), false),
            (None, None, Some(interval)) => {
                self.plan.notices.push(Notice::note(
                    "time-from-velocity",
                    format!("the file has no time; its sample interval, {interval:.6} s, follows from travel and the velocity column"),
                ));
                (Some(interval), false)
            }
            (None, None, None) => (Some(ASSUMED_INTERVAL), true),
        };
        self.assembler = Assembler::new(first, interval, assumed);
        self.assembler.coarse = self.base.coarse;
        self.assembler.expect_interval(self.base.typical);
    }

    /// True for a line of text that may name the rows after it.
    fn is_labelling(&self, odd: &Odd, block: &[u8]) -> bool {
        if odd.blank {
            return false;
        }
        let text = String::from_utf8_lossy(odd.of(block));
        let cells = self.plan.dialect.split(text.trim());
        is_label(&cells)
            && !text.starts_with(['#', '%', '*', '/'])
            && self.patient(&cells).1.is_some()
    }

    /// A piece's rows with those among them that only the patient road can read.
    fn whole_rows<'a>(&self, piece: &'a Rows, block: &[u8]) -> Cow<'a, Rows> {
        if piece.odd.iter().all(|odd| odd.blank) {
            return Cow::Borrowed(piece);
        }
        let mut all = Rows {
            columns: vec![Vec::new(); piece.columns.len()],
            ..Rows::default()
        };
        let mut from = 0;
        for odd in &piece.odd {
            all.append(piece, from, odd.rows_before as usize);
            from = odd.rows_before as usize;
            let text = String::from_utf8_lossy(odd.of(block));
            let cells = self.plan.dialect.split(text.trim_end());
            let (row, bad, _) = self.patient(&cells);
            if bad.is_none() && !odd.blank {
                all.append(&row, 0, 1);
            }
        }
        all.append(piece, from, piece.len());
        Cow::Owned(all)
    }

    /// Reads the cells of one line with care: the row, the first needed field that holds no
    /// number, and how many do.
    fn patient(&self, cells: &[String]) -> (Rows, Option<usize>, usize) {
        let mut row = Rows::default();
        let mut numbers = 0;
        let mut bad = None;
        for slot in &self.shape.slots {
            let cell = cells.get(slot.field).map_or("", String::as_str);
            let value = self.cell(slot, cell);
            numbers += usize::from(value.is_some());
            if value.is_none() && slot.needed && bad.is_none() {
                bad = Some(slot.field);
            }
            row.columns.push(vec![value.unwrap_or(f64::NAN)]);
        }
        (row, bad, numbers)
    }

    /// The next block's rows, with the block; `None` at the end. They come behind what stands
    /// in the columns that are given.
    pub(super) fn next_rows(&mut self) -> Result<Option<Parsed>, Error> {
        let waiting = self
            .waiting
            .take()
            .filter(|(block, from)| *from < block.len());
        let (mut block, from) = match waiting {
            Some(waiting) => waiting,
            None => match self.source.next_block()? {
                Some(block) => (block, 0),
                None => return Ok(None),
            },
        };
        let rest = block.get(from..).unwrap_or_default();
        if self.reach < rest.len() {
            let until = rows::after_line(&block, from + self.reach, self.shape.line_end);
            let part = block.get(..until).unwrap_or_default();
            let rows = rows::parse_into(
                self.assembler.lend(self.shape.slots.len()),
                part,
                from,
                &self.shape,
            );
            self.reach = self.reach.saturating_mul(REACH_GROWS);
            return Ok(Some(Parsed { block, rows, until }));
        }
        self.reach = usize::MAX;
        if let Some(start) = text::torn_row(rest, self.shape.line_end, self.plan.dialect) {
            block.truncate(from + start);
            self.assembler.rows += 1;
            self.assembler.drop_row("last row cut short");
        }
        let columns = self.assembler.lend(self.shape.slots.len());
        let rows = rows::parse_into(columns, &block, from, &self.shape);
        let until = block.len();
        Ok(Some(Parsed { block, rows, until }))
    }

    /// Reads on until a chunk is ready or the file ends.
    ///
    /// # Errors
    /// [`Fault::Input`] if the file breaks off or has no usable row.
    pub(super) fn step(&mut self) -> Result<Option<Chunk>, Error> {
        loop {
            if let Some(chunk) = self.assembler.next() {
                return Ok(Some(chunk));
            }
            if self.done {
                return Ok(None);
            }
            match self.next_rows()? {
                Some(parsed) => self.take_block(parsed),
                None => {
                    self.assembler.end();
                    self.done = true;
                    self.refuse_if_useless()?;
                }
            }
        }
    }

    /// Takes samples that those to come will follow, unless none will.
    pub(super) fn go_on_from(&mut self, samples: &mut Chunk) {
        if !self.done {
            self.assembler.go_on_from(samples);
        }
    }

    fn refuse_if_useless(&self) -> Result<(), Error> {
        let rows = self.assembler.rows;
        let dropped = self.assembler.sampling().dropped;
        let left_out: u64 = dropped.iter().map(|d| d.count).sum();
        if let Some(line) = self.marks.contradicted() {
            let field = self.shape.slots.first().map_or(0, |s| s.field);
            let error = marks::other_mark(field, char::from(self.shape.decimal)).at(Place {
                line: Some(line),
                ..Place::default()
            });
            return Err(error.in_file(&self.source.path));
        }
        if self.assembler.used() > 0 && left_out as f64 <= MOST_BAD * rows as f64 {
            return Ok(());
        }
        let reasons: Vec<String> = dropped
            .iter()
            .map(|d| format!("{} ({})", d.reason, d.count))
            .collect();
        let mut error = if self.bad.is_empty() && left_out > 0 {
            Error::input(
                "rows-unusable",
                format!(
                    "{left_out} of {rows} rows cannot be used: {}",
                    reasons.join(", ")
                ),
            )
            .help("look at the time column; if it is wrong, leave it out and give --rate HZ")
        } else if self.bad.is_empty() {
            Error::input(
                "no-rows",
                "the table has a header but no usable row of numbers",
            )
            .help("export the run again and look whether the rows are there")
        } else {
            self.bad.error()
        };
        if let Some(first) = error.problems.first_mut()
            && first.place.is_none()
        {
            first.place = Some(Place {
                line: self.plan.table.header.map(|h| h as u64 + 1),
                text: Some(self.plan.table.header_text.chars().take(400).collect()),
                ..Place::default()
            });
        }
        Err(error.in_file(&self.source.path))
    }

    fn take_block(&mut self, parsed: Parsed) {
        let Parsed {
            block,
            mut rows,
            until,
        } = parsed;
        let goes_on = !(self.blank || self.label.is_some() || self.again || self.passing_over);
        if goes_on && self.assembler.take_whole(&mut rows) {
            self.lines += rows.lines;
            self.assembler.flush();
            self.let_go(block, until);
            return;
        }
        self.assembler.take_back(&rows);
        let mut from = 0;
        for odd in &rows.odd {
            let until = odd.rows_before as usize;
            self.push(&rows, from, until);
            from = until;
            let line = self.lines + u64::from(odd.lines_before) + 1;
            if self.odd(odd, &block, line) {
                // The columns changed places: what follows is read anew.
                self.assembler.flush();
                self.lines = line;
                self.reach = REACH;
                self.waiting = Some((block, odd.to as usize));
                return;
            }
        }
        self.push(&rows, from, rows.len());
        self.lines += rows.lines;
        self.assembler.flush();
        self.let_go(block, until);
    }

    /// A block whose rows have been taken up to a place: what follows waits.
    fn let_go(&mut self, block: Block, until: usize) {
        if until < block.len() {
            self.waiting = Some((block, until));
        } else {
            self.source.take_back(block);
        }
    }

    /// Takes rows; before the first one after text or a blank line, decides on a seam.
    fn push(&mut self, rows: &Rows, from: usize, to: usize) {
        if from >= to {
            return;
        }
        if self.passing_over {
            self.assembler.rows += (to - from) as u64;
            (from..to).for_each(|_| self.assembler.drop_row("columns of another kind"));
            return;
        }
        if self.blank || self.label.is_some() || self.again {
            let time = self
                .assembler
                .places
                .time
                .and_then(|p| rows.column(p))
                .and_then(|c| c.get(from))
                .copied();
            let paced = self.label.as_deref().is_some_and(names_a_pace);
            let named = self.label.is_some() || self.again;
            let blank_counts = self.blank && !self.plan.table.double_spaced;
            // A page break or a remark within a run: time and travel go on as before.
            let travel = rows.column(self.assembler.places.travel);
            let travel = travel.and_then(|c| c.get(from)).copied();
            let goes_on = self.assembler.goes_on(time, travel);
            let seam = paced || self.changed || (named || blank_counts) && !goes_on;
            if seam && self.assembler.has_rows() {
                self.breaks += 1;
                self.assembler.seam();
            }
            if let Some(label) = self.label.take().filter(|_| seam) {
                self.assembler.name_segment(Some(label));
            }
            self.blank = false;
            self.again = false;
            self.changed = false;
        }
        self.assembler.push(rows, from, to);
    }

    /// A line the fast road could not take. True if the columns changed places.
    fn odd(&mut self, odd: &Odd, block: &[u8], line: u64) -> bool {
        if odd.blank {
            self.blank = true;
            return false;
        }
        let text = String::from_utf8_lossy(odd.of(block));
        let text = text.trim_end_matches(['\r', '\n', '\u{1a}']);
        let dialect = self.plan.dialect;
        let cells = dialect.split(text);
        let (row, bad, numbers) = self.patient(&cells);
        let is_text = numbers == 0 || numbers < 2 && is_label(&cells);
        if bad.is_some() && is_text {
            return self.text_between(text, &cells);
        }
        let decimal = char::from(self.shape.decimal);
        self.marks.note(&cells, &self.shape.slots, decimal, line);
        let Some(unread) = bad else {
            self.push(&row, 0, 1);
            return false;
        };
        self.bad_row(unread, &cells, text, line);
        false
    }

    fn bad_row(&mut self, field: usize, cells: &[String], text: &str, line: u64) {
        self.assembler.rows += 1;
        let columns = self.plan.groups.iter().flat_map(|g| &g.columns);
        let column = columns.into_iter().find(|c| c.field == field);
        let reason = self
            .bad
            .note(&self.source.path, column, field, cells, (text, line));
        self.assembler.drop_row(&reason);
    }

    /// The first unusable row, as a warning.
    pub(super) fn bad_rows(&self) -> Option<Notice> {
        self.bad.warning(self.assembler.rows)
    }

    pub(super) fn summary(&self) -> SourceFile {
        let (sha256, bytes) = self.source.tally();
        SourceFile {
            path: self.source.path.clone(),
            sha256,
            bytes,
            rows: self.assembler.rows,
            encoding: self.source.encoding.clone(),
            delimiter: self.plan.dialect.delimiter.name(),
            decimal_mark: char::from(self.plan.dialect.decimal).to_string(),
            layout: self.layout(),
        }
    }

    fn layout(&self) -> Layout {
        if self.plan.layout == Layout::TimeSeries && self.breaks > 0 {
            Layout::Blocks
        } else {
            self.plan.layout
        }
    }

    /// True if the first block is broken up by repeated headers or labels.
    pub(super) fn looks_like_blocks(&self) -> bool {
        let header = self.plan.table.header_text.trim();
        let part = first_lines(
            rows_of(self.waiting.as_ref()),
            self.shape.line_end,
            usize::MAX,
            LOOK_DATA,
        );
        self.labelled
            || !header.is_empty() && memchr::memmem::find(part, header.as_bytes()).is_some()
    }
}

/// The text of a block whose rows have yet to be taken.
fn rows_of(waiting: Option<&(Block, usize)>) -> &[u8] {
    waiting
        .and_then(|(block, from)| block.get(*from..))
        .unwrap_or_default()
}

/// True if a label gives a speed or a stroke frequency.
fn names_a_pace(label: &str) -> bool {
    super::loops::speed_in(label).is_some()
}

/// True if velocity goes to and fro as in a record over time.
fn swings(velocity: &[f64]) -> bool {
    /// Sign changes beyond any sweep table's.
    const SWINGS: usize = 6;
    let changes = velocity
        .windows(2)
        .filter(|w| matches!(w, [a, b] if *a < 0.0 && *b >= 0.0 || *a > 0.0 && *b <= 0.0))
        .count();
    changes > SWINGS
}
