//! From the journal to tables and page. Every file is written aside and moved into place,
//! the page last; stopped at any moment, each file is the old one or the new one.

use std::collections::{BTreeMap, BTreeSet};
use std::io::BufWriter;
use std::path::{Path, PathBuf};

use sha2::{Digest as _, Sha256};
use tempfile::NamedTempFile;

use super::gather::Found;
use super::journal::{Journal, OURS, Record};
use super::{Account, hex};
use crate::cli::write::{aside_in, write_aside};
use crate::notice::Error;
use crate::run::Tool;
use crate::tables::index::{Entry, order, page};
use crate::tables::population::{BandRow, Member, Population};
use crate::tables::{CurveRow, FindingRow, Frame, RunRow, RunTables, StepRow, csv};
use crate::units::display::Shown;

/// Runs in memory at a time while the tables are written.
const BLOCK: usize = 500;
/// Lines of outliers and failures in the summary.
const TOLD: usize = 5;
/// Family of a run without the label.
const UNLABELLED: &str = "unlabelled";

/// What steers the tables.
pub(super) struct Options<'a> {
    /// `day` or a label.
    pub(super) by: &'a str,
    /// Label of the families.
    pub(super) family: Option<&'a str>,
    /// Units of the page.
    pub(super) shown: Shown,
    /// Whether a page is wanted.
    pub(super) page: bool,
}

/// What was published.
pub(super) struct Published {
    good: usize,
    copies: usize,
    out: Vec<(String, String)>,
    failed: Vec<(String, String)>,
    drifts: Vec<String>,
}

/// Writes all tables and the page.
///
/// # Errors
/// [`crate::notice::Fault::Output`].
pub(super) fn publish(
    folder: &Path,
    journal: &mut Journal,
    listed: Option<&[Found]>,
    options: &Options<'_>,
) -> Result<Published, Error> {
    let mut places = listing(journal, listed, options)?;
    let (mut entries, population) = survey(journal, &mut places, options)?;
    let mut out = Tables::begin(folder)?;
    let mut judged = BTreeMap::new();
    for same_part in places.chunk_by(|a, b| a.part == b.part) {
        for (number, block) in same_part.chunks(BLOCK).enumerate() {
            let mut frames = Frames::new();
            for place in block {
                let Some(mut record) = journal.read(&place.path)? else {
                    continue;
                };
                complete(&mut record, place, &population);
                frames.push(&record.tables);
                judged.insert(place.path.clone(), record.tables.run);
            }
            out.put(&frames, options.by, &place_of(block), number)?;
        }
    }
    for entry in &mut entries {
        if let Some(run) = judged.remove(&entry.run.path) {
            entry.run = run;
        }
    }
    let mut bands = Frame::of::<BandRow>();
    population.rows().iter().for_each(|row| bands.push(row));
    out.finish(&bands)?;
    if options.page {
        let tool = Tool::this();
        let maker = format!("{} {}", tool.name, tool.version);
        let html = page(&entries, &population, options.shown, &maker)?;
        write_aside(&folder.join("index.html"), html.as_bytes())?;
    }
    Ok(Published::of(entries, &population))
}

/// A run in the order of the tables.
struct Place {
    path: String,
    /// Value of what Parquet is split by.
    part: Option<String>,
    family: String,
    /// First path with the same content, if that is another.
    duplicate_of: Option<String>,
}

fn place_of(block: &[Place]) -> Option<String> {
    block.first().and_then(|p| p.part.clone())
}

fn listing(
    journal: &mut Journal,
    listed: Option<&[Found]>,
    options: &Options<'_>,
) -> Result<Vec<Place>, Error> {
    let only: Option<BTreeSet<String>> = listed.map(|f| f.iter().map(Found::name).collect());
    let mut places = Vec::new();
    for path in journal.paths() {
        if only.as_ref().is_some_and(|only| !only.contains(&path)) {
            continue;
        }
        let Some(record) = journal.read(&path)? else {
            continue;
        };
        let labels: BTreeMap<String, String> =
            serde_json::from_str(&record.tables.run.labels).unwrap_or_default();
        let label = |wanted: &str| {
            labels
                .iter()
                .find(|(name, _)| name.trim().eq_ignore_ascii_case(wanted.trim()))
                .map(|(_, value)| value.trim().to_owned())
                .filter(|value| !value.is_empty())
        };
        let part = if options.by == "day" {
            Some(record.tables.run.day.clone())
        } else {
            label(options.by)
        };
        let family = match options.family {
            None => "all".to_owned(),
            Some(wanted) => label(wanted).unwrap_or_else(|| UNLABELLED.to_owned()),
        };
        places.push(Place {
            path,
            part,
            family,
            duplicate_of: None,
        });
    }
    places.sort_by(|a, b| (&a.part, &a.path).cmp(&(&b.part, &b.path)));
    Ok(places)
}

/// First reading: copies of each other, what the page lists, the population.
fn survey(
    journal: &mut Journal,
    places: &mut [Place],
    options: &Options<'_>,
) -> Result<(Vec<Entry>, Population), Error> {
    let mut first_with: BTreeMap<String, String> = BTreeMap::new();
    let mut by_path: Vec<usize> = (0..places.len()).collect();
    by_path.sort_by(|a, b| places[*a].path.cmp(&places[*b].path));
    let mut entries = Vec::new();
    let mut members = Vec::new();
    for i in by_path {
        let Some(mut record) = journal.read(&places[i].path)? else {
            continue;
        };
        let path = &places[i].path;
        let sha = record.tables.run.sha256.clone();
        if let Some(sha) = sha.filter(|_| record.tables.run.status == "ok") {
            match first_with.get(&sha) {
                Some(first) => places[i].duplicate_of = Some(first.clone()),
                None => {
                    first_with.insert(sha, path.clone());
                }
            }
        }
        complete(&mut record, &places[i], &Population::default());
        members.extend(Member::of(&record.tables, &places[i].family));
        let mut entry = Entry::of(&record.tables);
        if !options.page {
            entry.curve = Default::default();
        }
        entries.push(entry);
    }
    Ok((entries, Population::of(members)))
}

/// What a row can only say beside the others.
fn complete(record: &mut Record, place: &Place, population: &Population) {
    let mut sha = Sha256::new();
    sha.update(record.path.as_bytes());
    sha.update([0]);
    sha.update(record.tables.run.sha256.as_deref().unwrap_or("").as_bytes());
    record.tables.set_id(&hex(&sha.finalize(), 8));
    let run = &mut record.tables.run;
    run.duplicate_of.clone_from(&place.duplicate_of);
    run.family = (run.status == "ok").then(|| place.family.clone());
    if let Some(judgement) = population.judgements.get(&run.run_id) {
        run.family_distance = judgement.distance;
        run.out_of_family = judgement.out;
        run.family_reason.clone_from(&judgement.reason);
    }
}

/// The four tables of a block of runs.
struct Frames {
    all: [Frame; 4],
}

impl Frames {
    fn new() -> Self {
        Self {
            all: [
                Frame::of::<RunRow>(),
                Frame::of::<StepRow>(),
                Frame::of::<CurveRow>(),
                Frame::of::<FindingRow>(),
            ],
        }
    }

    fn push(&mut self, tables: &RunTables) {
        let [runs, steps, curves, findings] = &mut self.all;
        runs.push(&tables.run);
        tables.steps.iter().for_each(|row| steps.push(row));
        tables.curves.iter().for_each(|row| curves.push(row));
        tables.findings.iter().for_each(|row| findings.push(row));
    }
}

/// A file being written aside.
struct Aside {
    file: BufWriter<NamedTempFile>,
    target: PathBuf,
}

impl Aside {
    fn new(folder: &Path, name: &str) -> Result<Self, Error> {
        let target = folder.join(name);
        let file = aside_in(&folder.join(OURS)).map_err(|e| cannot_write(&target, &e))?;
        Ok(Self {
            file: BufWriter::with_capacity(1 << 16, file),
            target,
        })
    }

    fn finish(self) -> Result<(), Error> {
        let target = self.target;
        let file = self
            .file
            .into_inner()
            .map_err(|e| cannot_write(&target, e.error()))?;
        file.as_file()
            .sync_all()
            .map_err(|e| cannot_write(&target, &e))?;
        file.persist(&target)
            .map_err(|e| cannot_write(&target, &e.error))?;
        Ok(())
    }
}

fn cannot_write(target: &Path, error: &std::io::Error) -> Error {
    Error::output(
        "cannot-write",
        format!("could not write {}: {error}", target.display()),
    )
    .help(
        "make room or name another folder with --report; what was analysed is kept, and the same \
         command goes on from there",
    )
}

/// The tables being written.
struct Tables {
    folder: PathBuf,
    csv: Vec<Aside>,
    #[cfg(feature = "tables")]
    parquet: BTreeSet<PathBuf>,
}

impl Tables {
    fn begin(folder: &Path) -> Result<Self, Error> {
        let empty = Frames::new();
        let mut csv = Vec::new();
        for frame in &empty.all {
            let mut aside = Aside::new(folder, &format!("{}.csv", frame.table))?;
            csv::write_head(frame, &mut aside.file).map_err(|e| cannot_write(&aside.target, &e))?;
            csv.push(aside);
        }
        Ok(Self {
            folder: folder.to_path_buf(),
            csv,
            #[cfg(feature = "tables")]
            parquet: BTreeSet::new(),
        })
    }

    #[cfg_attr(
        not(feature = "tables"),
        expect(unused_variables, reason = "only Parquet is split")
    )]
    fn put(
        &mut self,
        frames: &Frames,
        by: &str,
        part: &Option<String>,
        number: usize,
    ) -> Result<(), Error> {
        for (frame, aside) in frames.all.iter().zip(&mut self.csv) {
            csv::write_rows(frame, &mut aside.file).map_err(|e| cannot_write(&aside.target, &e))?;
        }
        #[cfg(feature = "tables")]
        for frame in &frames.all {
            self.put_parquet(frame, by, part.as_deref(), number)?;
        }
        Ok(())
    }

    /// `parquet/<table>/<key>=<value>/part-<n>.parquet`, the layout readers of split tables
    /// know.
    #[cfg(feature = "tables")]
    fn put_parquet(
        &mut self,
        frame: &Frame,
        by: &str,
        part: Option<&str>,
        number: usize,
    ) -> Result<(), Error> {
        let value = part.map_or_else(|| NO_VALUE.to_owned(), as_folder);
        let path = self
            .folder
            .join("parquet")
            .join(frame.table)
            .join(format!("{}={value}", as_folder(by)))
            .join(format!("part-{number}.parquet"));
        if frame.height() > 0 {
            let bytes = crate::tables::parquet::bytes(frame, &[by])
                .map_err(|e| cannot_write(&path, &std::io::Error::other(e)))?;
            write_aside(&path, &bytes)?;
            self.parquet.insert(path);
        }
        Ok(())
    }

    fn finish(mut self, bands: &Frame) -> Result<(), Error> {
        let mut aside = Aside::new(&self.folder, "population.csv")?;
        csv::write_head(bands, &mut aside.file)
            .and_then(|()| csv::write_rows(bands, &mut aside.file))
            .map_err(|e| cannot_write(&aside.target, &e))?;
        self.csv.push(aside);
        self.csv.into_iter().try_for_each(Aside::finish)?;
        #[cfg(feature = "tables")]
        clear_stale(&self.folder.join("parquet"), &self.parquet);
        Ok(())
    }
}

/// Folder value of a run without the label, as readers of split tables know it.
#[cfg(feature = "tables")]
const NO_VALUE: &str = "__HIVE_DEFAULT_PARTITION__";

/// A value as a folder name: what is not plain is written as `%` and two hex digits.
#[cfg(feature = "tables")]
fn as_folder(value: &str) -> String {
    let mut out = String::new();
    for byte in value.bytes() {
        if byte.is_ascii_alphanumeric()
            || matches!(byte, b'-' | b'_')
            || (byte == b'.' && !out.is_empty())
        {
            out.push(char::from(byte));
        } else {
            out.push_str(&format!("%{byte:02X}"));
        }
    }
    out
}

/// Parquet files of an earlier publishing that this one did not write again.
#[cfg(feature = "tables")]
fn clear_stale(folder: &Path, written: &BTreeSet<PathBuf>) {
    for entry in walkdir::WalkDir::new(folder)
        .min_depth(3)
        .into_iter()
        .flatten()
    {
        let path = entry.path();
        let ours = path.extension().is_some_and(|e| e == "parquet")
            && entry.file_name().to_string_lossy().starts_with("part-");
        if ours && !written.contains(path) {
            let _ = std::fs::remove_file(path);
            // Only goes if it is empty.
            let _ = path.parent().map(std::fs::remove_dir);
        }
    }
}

impl Published {
    fn of(entries: Vec<Entry>, population: &Population) -> Self {
        let (mut good, bad): (Vec<Entry>, Vec<Entry>) =
            entries.into_iter().partition(|e| e.run.status == "ok");
        order(&mut good);
        Self {
            good: good.len(),
            copies: good.iter().filter(|e| e.run.duplicate_of.is_some()).count(),
            out: good
                .iter()
                .filter(|e| e.run.out_of_family == Some(true))
                .map(|e| {
                    (
                        e.run.name.clone(),
                        e.run.family_reason.clone().unwrap_or_default(),
                    )
                })
                .collect(),
            failed: bad
                .iter()
                .map(|e| (e.run.path.clone(), e.run.error.clone().unwrap_or_default()))
                .collect(),
            drifts: population
                .families
                .iter()
                .flat_map(|f| {
                    f.drifts.iter().filter(|d| d.is_clear()).map(|d| {
                        format!("{}: {:+.1} {} from first to last", d.what, d.change, d.unit)
                    })
                })
                .collect(),
        }
    }

    /// What a person is told.
    pub(super) fn summary(&self, account: &Account) -> String {
        let mut text = format!(
            "{} runs listed ({} analysed now, {} known before",
            self.good, account.analysed, account.known
        );
        if self.copies > 0 {
            text.push_str(&format!(", {} copies of others", self.copies));
        }
        text.push_str(")\n");
        list(&mut text, "out of family", &self.out);
        for drift in self.drifts.iter().take(TOLD) {
            text.push_str(&format!("drift   {drift}\n"));
        }
        list(&mut text, "could not be used", &self.failed);
        text
    }
}

fn list(text: &mut String, what: &str, all: &[(String, String)]) {
    if all.is_empty() {
        return;
    }
    text.push_str(&format!("{} {what}\n", all.len()));
    for (name, reason) in all.iter().take(TOLD) {
        text.push_str(&format!("  {name}: {reason}\n"));
    }
    if all.len() > TOLD {
        text.push_str(&format!("  and {} more\n", all.len() - TOLD));
    }
}
