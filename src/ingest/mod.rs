//! Intake: any text file a dyno, logger or spreadsheet wrote → SI samples in chunks.
//!
//! ```text
//! source     path → unpacked bytes and their fingerprint       (encoding)
//! blocks     bytes → decoded blocks of whole lines
//! dialect    delimiter, decimal mark
//! header     where the table begins, names, units, labelled values   (names, vocabulary)
//! plan       which column plays which role, in which unit, and why
//! rows       numbers → SI columns, fast                         (plain, number)
//! assemble   columns → chunks: time base, seams, what is dropped
//! stream     files in a row as one recording
//! ```
//!
//! `docs/intake.md` lists every liberty the reader takes.

mod ahead;
mod assemble;
mod bad_rows;
mod blocks;
mod card;
mod clock;
mod damage;
mod dialect;
mod encoding;
mod file;
mod folder;
mod groups;
mod header;
mod labels;
mod look;
mod loops;
mod marks;
mod motion;
mod names;
mod number;
mod plain;
mod plan;
mod preamble;
mod rows;
mod sign_words;
mod source;
mod stream;
mod text;
mod vocabulary;
mod wide;
mod zstd;

use std::collections::VecDeque;
use std::path::PathBuf;

use crate::notice::{Error, Notice};
use crate::recording::{
    Closing, Layout, Polarity, Recording, Role, Sampling, SweepTable, Understanding,
};
pub use card::{CARD_SCHEMA, Card, CardColumn};
use file::File;
pub(crate) use labels::HELP as SEVERAL_DAMPERS_HELP;

/// Everything the person said about the input (`--map`, `--unit`, `--rate`, …, a card).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct IntakeOptions {
    /// Role → column name or 1-based number.
    pub map: Vec<(Role, String)>,
    /// Role → unit name.
    pub unit: Vec<(Role, String)>,
    /// Samples per second where the file has no time.
    pub rate_hz: Option<f64>,
    /// Sign of travel in the file while being compressed.
    pub compression: Option<Polarity>,
    /// Sign of force in the file while compression is resisted.
    pub force: Option<Polarity>,
    /// Column delimiter; a blank stands for runs of blanks.
    pub delimiter: Option<char>,
    /// Decimal mark.
    pub decimal: Option<char>,
    /// Intake card.
    pub card: Option<PathBuf>,
    /// Stroke of the crank, m, for a file with crank angle instead of travel.
    pub crank_stroke_m: Option<f64>,
    /// Crank radius over rod length, for the same; 0 is a pure sine.
    pub rod_ratio: Option<f64>,
    /// The files are one damper's run, whatever their labels say.
    pub one_damper: bool,
}

/// The options with the card worked in.
#[derive(Debug, Clone)]
struct Reading {
    /// What holds: the command line's word over the card's.
    options: IntakeOptions,
    /// What the command line said.
    said: IntakeOptions,
    card: Option<Card>,
}

impl Reading {
    fn new(said: &IntakeOptions) -> Result<Self, Error> {
        let card = said.card.as_deref().map(Card::read).transpose()?;
        Ok(Self {
            options: card
                .as_ref()
                .map_or_else(|| said.clone(), |c| c.under(said)),
            said: said.clone(),
            card,
        })
    }
}

/// Opens files (several may be one damper's speeds) and reads enough to understand them.
///
/// # Errors
/// [`crate::notice::Fault::Input`] when they cannot be read as a dyno's numbers.
pub fn open(paths: &[PathBuf], options: &IntakeOptions) -> Result<Recording, Error> {
    let mut files: VecDeque<PathBuf> = folder::expand(paths)?.into();
    let Some(first) = files.pop_front() else {
        return Err(Error::usage("no-file", "no file was given"));
    };
    let reading = Reading::new(options)?;
    let mut file = File::open(&first, &reading)?;
    match file.plan.layout {
        Layout::SweepTable if files.is_empty() => sweep(file),
        Layout::SweepTable => Err(Error::input(
            "mixed-layouts",
            "a reduced sweep table is a run of its own and cannot be joined with other files",
        )
        .help("give it by itself")
        .in_file(&file.source.path)),
        layout => {
            if layout == Layout::Wide {
                wide::unfold(&mut file)?;
            }
            let small = file.source.is_read() && files.is_empty();
            let stream = stream::Stream::new(file, files, reading)?;
            Ok(Recording::Samples(if small {
                Box::new(stream)
            } else {
                Box::new(ahead::Ahead::start(stream)?)
            }))
        }
    }
}

/// A reduced table, with its accounts.
fn sweep(mut file: File) -> Result<Recording, Error> {
    let table = wide::sweep(&mut file)?;
    let mut notices = std::mem::take(&mut file.plan.notices);
    notices.extend(say_of_sweep(&table, &file));
    let understanding = Understanding {
        layout: Layout::SweepTable,
        channels: file.plan.channels(),
        signs: file.plan.signs,
        metadata: file.plan.table.preamble.values.clone(),
    };
    let source = file.summary();
    let sampling = Sampling {
        rows_used: source.rows,
        ..Sampling::default()
    };
    Ok(Recording::Sweep {
        understanding: Box::new(understanding),
        table,
        closing: Box::new(Closing {
            sources: vec![source],
            sampling,
            notices,
        }),
    })
}

fn say_of_sweep(table: &SweepTable, file: &File) -> Vec<Notice> {
    let named = file.plan.groups.iter().any(|g| g.direction.is_some());
    let mut notices = Vec::new();
    if !named && file.plan.signs.compression.is_none() {
        notices.push(
            Notice::warning(
                "signs-assumed",
                "the table does not say which direction is compression; positive velocity is taken for it",
            )
            .help("say --compression positive or --compression negative: the sign of velocity while the damper is compressed"),
        );
    }
    let used = |i: usize| {
        let columns = file.plan.groups.iter().flat_map(|g| &g.columns);
        columns.into_iter().any(|c| c.field == i)
    };
    let columns = file.plan.table.columns.iter().enumerate();
    for (_, column) in columns.filter(|(i, c)| !used(*i) && c.fit(Role::Force) >= header::NAMED) {
        notices.push(
            Notice::warning(
                "column-unused",
                format!(
                    "column \"{}\" looks like a force, but does not say of which direction; it is not used",
                    column.written
                ),
            )
            .help("name the columns compression force and rebound force, or leave those out that are neither"),
        );
    }
    if table.compression.is_empty() || table.rebound.is_empty() {
        notices.push(Notice::note(
            "one-direction",
            "the table holds one direction only",
        ));
    }
    notices
}
