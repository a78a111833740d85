//! Files in a row as one recording, and the stations their samples pass.

use std::collections::VecDeque;
use std::path::PathBuf;

use super::damage::Damage;
use super::file::File;
use super::labels::OneDamper;
use super::loops::Loops;
use super::motion::Motion;
use super::{IntakeOptions, Reading};
use crate::notice::{Error, Notice};
use crate::recording::{
    Chunk, Closing, Dropped, Layout, Role, SampleStream, Sampling, SourceFile, Understanding,
};

/// The recording.
pub(super) struct Stream {
    understanding: Understanding,
    reading: Reading,
    files: VecDeque<PathBuf>,
    file: File,
    motion: Motion,
    damage: Damage,
    loops: Loops,
    ready: VecDeque<Chunk>,
    ended: bool,
    sources: Vec<SourceFile>,
    sampling: Sampling,
    notices: Vec<Notice>,
    untimed_files: u64,
    damper: OneDamper,
}

impl Stream {
    /// Takes up a file that has been opened and understood as a series, and those after it.
    pub(super) fn new(
        file: File,
        files: VecDeque<PathBuf>,
        reading: Reading,
    ) -> Result<Self, Error> {
        let layout = if !files.is_empty() || file.looks_like_blocks() {
            Layout::Blocks
        } else {
            file.plan.layout
        };
        let understanding = Understanding {
            layout,
            channels: file.plan.channels(),
            signs: file.plan.signs,
            metadata: file.plan.table.preamble.values.clone(),
        };
        let motion = motion_of(&file, &reading.options)?;
        let mut damper = OneDamper::default();
        damper.take(&file.source.path, &understanding.metadata)?;
        Ok(Self {
            understanding,
            reading,
            files,
            file,
            motion,
            damage: Damage::default(),
            loops: Loops::default(),
            ready: VecDeque::new(),
            ended: false,
            sources: Vec::new(),
            sampling: Sampling::default(),
            notices: Vec::new(),
            untimed_files: 0,
            damper,
        })
    }

    /// Sends a chunk through the stations.
    fn pass(&mut self, mut chunk: Chunk) {
        if let Some(segment) = &mut chunk.starts_segment {
            segment.file = self.sources.len() as u32;
        }
        for moved in self.motion.take(chunk) {
            self.pass_on(moved);
        }
    }

    fn pass_on(&mut self, chunk: Chunk) {
        for whole in self.damage.take(chunk) {
            self.ready.extend(self.loops.take(whole));
        }
    }

    /// Empties the stations after the last file.
    fn end(&mut self) {
        for moved in self.motion.end() {
            self.pass_on(moved);
        }
        if let Some(rest) = self.damage.flush() {
            self.ready.extend(self.loops.take(rest));
        }
        self.ready.extend(self.loops.end_segment());
        self.ready.retain(|c| !c.is_empty());
        self.ended = true;
    }

    fn close_file(&mut self) {
        self.sources.push(self.file.summary());
        let sampling = self.file.assembler.sampling();
        self.sampling.rate_hz = self.sampling.rate_hz.or(sampling.rate_hz);
        self.sampling.jitter = match (self.sampling.jitter, sampling.jitter) {
            (Some(a), Some(b)) => Some(a.max(b)),
            (a, b) => a.or(b),
        };
        self.sampling.rows_used += sampling.rows_used;
        for dropped in sampling.dropped {
            self.drop(&dropped.reason, dropped.count);
        }
        let mut said = std::mem::take(&mut self.file.source.notices);
        said.append(&mut self.file.plan.notices);
        said.extend(self.file.bad_rows());
        for notice in said {
            if !self.notices.contains(&notice) {
                self.notices.push(notice);
            }
        }
        self.untimed_files += u64::from(self.file.assembler.time_is_assumed);
    }

    fn drop(&mut self, reason: &str, count: u64) {
        self.sampling.rows_dropped += count;
        match self
            .sampling
            .dropped
            .iter_mut()
            .find(|d| d.reason == reason)
        {
            Some(have) => have.count += count,
            None => self.sampling.dropped.push(Dropped {
                reason: reason.to_owned(),
                count,
            }),
        }
    }

    fn open_next(&mut self, path: &std::path::Path) -> Result<(), Error> {
        self.close_file();
        let file = File::open(path, &self.reading)?;
        if matches!(file.plan.layout, Layout::SweepTable | Layout::Wide) {
            return Err(Error::input(
                "mixed-layouts",
                "this file is laid out differently from the files before it, so that they cannot be one run",
            )
            .help("give files of one layout together, or each by itself")
            .in_file(&file.source.path));
        }
        if !self.reading.options.one_damper {
            self.damper
                .take(&file.source.path, &file.plan.table.preamble.values)?;
        }
        // Travel of another kind cannot join half-way.
        for chunk in self.motion.end() {
            self.pass_on(chunk);
        }
        self.motion = motion_of(&file, &self.reading.options)?;
        self.file = file;
        let stem = path.file_stem().map(|s| s.to_string_lossy().into_owned());
        if !self.file.assembler.is_named() {
            self.file.assembler.name_segment(stem);
        }
        Ok(())
    }
}

/// How travel is had in this file.
fn motion_of(file: &File, options: &IntakeOptions) -> Result<Motion, Error> {
    let has = |role| file.plan.column(role).is_some();
    if has(Role::Displacement) {
        return Ok(Motion::AsIs);
    }
    if has(Role::Angle) {
        let stroke = options.crank_stroke_m.or(file.plan.table.preamble.stroke_m);
        let Some(stroke) = stroke.filter(|s| s.is_finite() && *s > 0.0) else {
            return Err(Error::input(
                "stroke-missing",
                "the file has crank angle instead of travel, and the stroke of the machine is stated nowhere",
            )
            .help("say it with --crank-stroke MM (and --rod-ratio R, crank radius over rod length, unless the drive is a pure sine)")
            .in_file(&file.source.path));
        };
        let rod_ratio = options
            .rod_ratio
            .or(file.plan.table.preamble.rod_ratio)
            .unwrap_or(0.0);
        return Ok(Motion::Crank {
            radius: 0.5 * stroke,
            rod_ratio,
        });
    }
    Ok(Motion::Integrate(Box::default()))
}

impl SampleStream for Stream {
    fn understanding(&self) -> &Understanding {
        &self.understanding
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        loop {
            if let Some(chunk) = self.ready.pop_front() {
                if chunk.is_empty() {
                    continue;
                }
                return Ok(Some(chunk));
            }
            if self.ended {
                return Ok(None);
            }
            if let Some(chunk) = self.file.step()? {
                self.pass(chunk);
                if matches!(self.motion, Motion::AsIs) {
                    self.damage.lend(&mut self.file);
                }
                continue;
            }
            match self.files.pop_front() {
                Some(next) => self.open_next(&next)?,
                None => self.end(),
            }
        }
    }

    fn closing(&mut self) -> Closing {
        self.close_file();
        let dropped: Vec<(&str, u64)> = self.damage.dropped.iter().map(|(r, n)| (*r, *n)).collect();
        for (reason, count) in dropped {
            self.sampling.rows_used = self.sampling.rows_used.saturating_sub(count);
            self.drop(reason, count);
        }
        self.sampling.clipped = self.damage.clipped();
        self.notices.append(&mut self.damage.notices());
        self.notices.append(&mut self.loops.notices());
        if self.untimed_files > 0 && self.loops.untimed > 0 {
            self.notices.push(
                Notice::warning(
                    "time-assumed",
                    "the file has no time and no sample rate; 1000 samples per second are assumed, and every speed, frequency and damping figure hangs on that",
                )
                .help("say the rate with --rate HZ"),
            );
        }
        Closing {
            sources: std::mem::take(&mut self.sources),
            sampling: std::mem::take(&mut self.sampling),
            notices: std::mem::take(&mut self.notices),
        }
    }
}
