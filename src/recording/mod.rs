//! The recording: SI samples in chunks, where they came from and what happened to them.
//!
//! Intake makes it, everything after reads it. A recording is a stream: a day-long log
//! never has to be in memory at once.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::notice::{Error, Notice};

/// What a column is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Role {
    /// Time of the sample.
    Time,
    /// Travel of the rod.
    Displacement,
    /// Velocity of the rod.
    Velocity,
    /// Force at the load cell.
    Force,
    /// Body or oil temperature.
    Temperature,
    /// Crank angle.
    Angle,
    /// Gas or oil pressure.
    Pressure,
    /// Step, speed or cycle counter.
    Step,
}

/// One column as it was understood (contract: `channels[]`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Channel {
    /// What the column is for.
    pub role: Role,
    /// Its name in the file, as written.
    pub column: String,
    /// Its unit as a plain symbol, such as `mm` or `lbf`.
    pub unit: String,
    /// How the unit is known, such as `header`, `stated`, `assumed: …`.
    pub unit_evidence: String,
    /// Factor from the file's number to SI (the slope for °F).
    pub scale_to_si: f64,
}

/// How the file lays out its numbers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Layout {
    /// One long time series.
    TimeSeries,
    /// One block of rows per speed.
    Blocks,
    /// One group of columns per speed.
    Wide,
    /// A reduced table: velocity against force.
    SweepTable,
}

/// One input file (contract: `source[]`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct SourceFile {
    /// The path as given.
    pub path: String,
    /// SHA-256 of the bytes, lower-case hex.
    pub sha256: String,
    /// Length in bytes.
    pub bytes: u64,
    /// Data rows read.
    pub rows: u64,
    /// Text encoding, such as `UTF-8`.
    pub encoding: String,
    /// Column delimiter: `,`, `;`, `tab`, `|` or `blanks`.
    pub delimiter: String,
    /// Decimal mark: `.` or `,`.
    pub decimal_mark: String,
    /// How the numbers are laid out.
    pub layout: Layout,
}

/// Which sign the file uses for something.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Polarity {
    /// Positive numbers in the file.
    Positive,
    /// Negative numbers in the file.
    Negative,
}

impl Polarity {
    /// +1 or −1: the factor that turns the file's sign into ours.
    pub fn factor(self) -> f64 {
        match self {
            Self::Positive => 1.0,
            Self::Negative => -1.0,
        }
    }

    /// The other sign.
    #[must_use]
    pub fn flipped(self) -> Self {
        match self {
            Self::Positive => Self::Negative,
            Self::Negative => Self::Positive,
        }
    }
}

/// How well the signs are known.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum Certainty {
    /// The file or the person said so.
    Stated,
    /// Physics leaves no other reading.
    Proved,
    /// Nothing settles it; the assumption is shown wherever it matters.
    Assumed,
}

/// The file's signs (contract: `conventions`). `displacement_sign` is the sign of travel
/// in the file while the damper is being compressed; `force_sign` that of force while the
/// damper resists compression.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Conventions {
    /// Sign of travel while being compressed.
    pub displacement_sign: Polarity,
    /// Sign of force while compression is resisted.
    pub force_sign: Polarity,
    /// How well both are known.
    pub certainty: Certainty,
    /// Why, one sentence per piece of evidence.
    pub evidence: Vec<String>,
}

/// Signs that the file, a card or the command line stated. `None` is "not said".
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct StatedSigns {
    /// Sign of travel in the file while the damper is being compressed.
    pub compression: Option<Polarity>,
    /// Sign of force in the file while the damper resists compression.
    pub force: Option<Polarity>,
}

/// Rows left out, by reason (contract: `sampling.dropped[]`).
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Dropped {
    /// Plain reason, such as `force not a number`.
    pub reason: String,
    /// How many rows.
    pub count: u64,
}

/// A channel that was cut off flat: the sensor or its amplifier at full scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Clipped {
    /// `force` or `travel`.
    pub channel: String,
    /// The level it is cut off at, SI and our signs (travel from the file's own zero).
    pub level: f64,
    /// SI unit of the level.
    pub unit: String,
    /// In how many places.
    pub places: u64,
    /// Samples that stand at the level there.
    pub samples: u64,
}

/// How the rows follow each other in time (contract: `sampling`).
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Sampling {
    /// Samples per second; `None` where the file has no time base.
    pub rate_hz: Option<f64>,
    /// Standard deviation of the sample interval over its mean.
    pub jitter: Option<f64>,
    /// Rows that went on to the analysis.
    pub rows_used: u64,
    /// Rows left out.
    pub rows_dropped: u64,
    /// Why they were left out.
    pub dropped: Vec<Dropped>,
    /// Channels that were cut off flat; empty where none was.
    #[serde(default)]
    pub clipped: Vec<Clipped>,
}

/// A stretch of samples that belong together: one file, block or column group.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct Segment {
    /// The speed or name the file gives it.
    pub label: Option<String>,
    /// True if the samples are one averaged loop whose end meets its start.
    pub closed_loop: bool,
    /// True if the time base is made up (no time, no rate in the file).
    pub time_is_assumed: bool,
    /// Which of the files it comes from, from 0.
    #[serde(default)]
    pub file: u32,
}

/// Up to a few hundred thousand consecutive samples, SI. Signs are the file's own until
/// [`crate::signs`] has turned them. All vectors that are not empty have equal length;
/// `time`, `travel` and `force` are always full. Every value is finite, except that
/// `velocity`, `temperature` and `pressure` may hold NaN where a cell was missing.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Chunk {
    /// Set if these samples do not follow on from the chunk before (new file, new block,
    /// a gap in time): cycles must not span the seam.
    pub starts_segment: Option<Segment>,
    /// Time, s, strictly increasing within a segment.
    pub time: Vec<f64>,
    /// Travel, m.
    pub travel: Vec<f64>,
    /// Force, N.
    pub force: Vec<f64>,
    /// The file's own velocity, m/s; empty if it has none.
    pub velocity: Vec<f64>,
    /// Temperature, °C; empty if none.
    pub temperature: Vec<f64>,
    /// Pressure, Pa; empty if none.
    pub pressure: Vec<f64>,
}

impl Chunk {
    /// Number of samples.
    pub fn len(&self) -> usize {
        self.time.len()
    }

    /// True without samples.
    pub fn is_empty(&self) -> bool {
        self.time.is_empty()
    }

    /// Every channel, time first; those the file does not have are empty.
    pub fn channels_mut(&mut self) -> [&mut Vec<f64>; 6] {
        [
            &mut self.time,
            &mut self.travel,
            &mut self.force,
            &mut self.velocity,
            &mut self.temperature,
            &mut self.pressure,
        ]
    }
}

/// A reduced table: force against speed, no loops. File signs removed at intake where
/// stated; forces follow our signs (rebound negative).
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SweepTable {
    /// Compression: (speed m/s, force N), speed rising.
    pub compression: Vec<(f64, f64)>,
    /// Rebound: (speed m/s, force N, negative where the damper resists), speed rising.
    pub rebound: Vec<(f64, f64)>,
}

/// What intake knows before the last row has been read.
#[derive(Debug, Clone, PartialEq)]
pub struct Understanding {
    /// How the numbers are laid out.
    pub layout: Layout,
    /// The columns.
    pub channels: Vec<Channel>,
    /// Signs that were stated.
    pub signs: StatedSigns,
    /// Labelled values found before the header, such as `damper` or `date`.
    pub metadata: BTreeMap<String, String>,
}

/// What intake knows once every row has been read.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Closing {
    /// The files.
    pub sources: Vec<SourceFile>,
    /// Time base and what was dropped.
    pub sampling: Sampling,
    /// Everything intake has to say.
    pub notices: Vec<Notice>,
}

/// A recording as a stream of chunks.
pub trait SampleStream {
    /// What is known from the header and the first rows.
    fn understanding(&self) -> &Understanding;

    /// The next samples, or `None` at the end.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Input`] when the rows cannot be used.
    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error>;

    /// The accounts, once `next_chunk` has returned `None`.
    fn closing(&mut self) -> Closing;
}

/// What intake hands on.
pub enum Recording {
    /// Samples over time: loops can be cut from them.
    Samples(Box<dyn SampleStream + Send>),
    /// A reduced table: only curves and fits can be had.
    Sweep {
        /// What was understood.
        understanding: Box<Understanding>,
        /// The table.
        table: SweepTable,
        /// Files and notices.
        closing: Box<Closing>,
    },
}
