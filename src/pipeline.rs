//! The order of the stages: recording in, finished run out.

mod one_damper;
mod plausible;
mod refer;

use std::collections::BTreeMap;
use std::path::Path;

use crate::cards::DamperCard;
use crate::curves::{
    Curve, FullCycleSettings, curve, curve_of_table, expectations, fill_loop_shares,
    fill_lost_motion,
};
use crate::cycles::{CycleAccount, CycleFinder};
use crate::findings::{Case, FindingSettings, gas_margin, judge, touch_warning};
use crate::fits::{CurveFits, FitSettings, Fits, fit_curve};
use crate::heat::{Ground, HeatSettings, ThermalLog, heat};
use crate::notice::{Error, Notice};
use crate::recording::{
    Certainty, Chunk, Closing, Conventions, Dropped, Polarity, Recording, SampleStream,
    StatedSigns, SweepTable, Understanding,
};
use crate::run::{AsMeasured, RUN_SCHEMA, Reference, Run, Tool};
use crate::signs::{Settler, apply};
use crate::statics::{JointSettings, statics};
use crate::statistics::Resampling;
use crate::steps::{Step, StepBuilder, StepSettings, Steps};

/// What steers an analysis.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Settings {
    /// What is known of the damper.
    pub card: Option<DamperCard>,
    /// A name for the run; the file's stem if left out.
    pub name: Option<String>,
    /// What makes cycles alike.
    pub steps: StepSettings,
    /// Labels that add to those of the file, or take their place.
    pub labels: BTreeMap<String, String>,
    /// Gas force, friction and what else the load cell reads.
    pub statics: JointSettings,
    /// The full-cycle curve.
    pub full_cycle: FullCycleSettings,
    /// Fits.
    pub fits: FitSettings,
    /// Heat and temperature.
    pub heat: HeatSettings,
    /// Temperature that curves and fits are to be referred to, °C; as measured if left out.
    /// Takes the place of `heat.reference_c`.
    pub refer_to_c: Option<f64>,
    /// Resampling of cycles.
    pub resampling: Resampling,
    /// Thresholds of the findings.
    pub findings: FindingSettings,
    /// Files that repeat each other's speeds are one damper's run all the same.
    pub one_damper: bool,
}

/// Noise and resolution are measured on exactly this many samples, however the reader cuts
/// its chunks, so that results do not depend on chunk size.
const CALIBRATION_SAMPLES: usize = 1 << 16;

/// Analyses one damper's recording.
///
/// # Errors
/// [`crate::notice::Fault::Input`] when no cycle can be found or the motion does not repeat.
pub fn analyse(recording: Recording, settings: &Settings) -> Result<Run, Error> {
    match recording {
        Recording::Samples(mut stream) => analyse_samples(stream.as_mut(), settings),
        Recording::Sweep {
            understanding,
            table,
            closing,
        } => Ok(analyse_table(&understanding, &table, *closing, settings)),
    }
}

/// Steps of a recording, and what was settled on the way to them.
#[derive(Debug, Clone)]
pub struct Motion {
    /// Signs.
    pub conventions: Conventions,
    /// Steps and the cycles between them.
    pub steps: Steps,
    /// Cycles found and left out.
    pub account: CycleAccount,
    /// What intake had to say at the end.
    pub closing: Closing,
    /// What the signs had to say.
    pub notices: Vec<Notice>,
    /// Work and temperature over the whole recording.
    pub log: ThermalLog,
}

/// The first half of the way: samples → signs → cycles → steps. Reads the stream to its end
/// in bounded memory; a long file's stream reads on meanwhile.
///
/// # Errors
/// Those of the stream.
pub fn find_steps(
    stream: &mut (dyn SampleStream + Send),
    settings: &Settings,
) -> Result<Motion, Error> {
    let mut reduction = Reduction::new(stream.understanding().signs, settings.steps);
    while let Some(chunk) = stream.next_chunk()? {
        reduction.push(chunk);
    }
    Ok(reduction.finish(stream.closing()))
}

/// From chunks to steps. The first samples wait until they have told the signs.
struct Reduction {
    stated: StatedSigns,
    settler: Settler,
    waiting: Vec<Chunk>,
    settled: Option<(Conventions, Vec<Notice>)>,
    finder: CycleFinder,
    builder: StepBuilder,
    log: ThermalLog,
}

impl Reduction {
    fn new(stated: StatedSigns, steps: StepSettings) -> Self {
        Self {
            stated,
            settler: Settler::new(),
            waiting: Vec::new(),
            settled: None,
            finder: CycleFinder::new(),
            builder: StepBuilder::new(steps),
            log: ThermalLog::new(),
        }
    }

    fn push(&mut self, chunk: Chunk) {
        if self.settled.is_some() {
            self.take(chunk);
            return;
        }
        self.settler.add(&chunk);
        self.waiting.push(chunk);
        if self.settler.is_full() {
            self.settle();
        }
    }

    fn settle(&mut self) {
        let settler = std::mem::take(&mut self.settler);
        self.settled = Some(settler.settle(self.stated));
        let waiting = std::mem::take(&mut self.waiting);
        self.finder.calibrate(&prefix(&waiting));
        waiting.into_iter().for_each(|chunk| self.take(chunk));
    }

    fn take(&mut self, mut chunk: Chunk) {
        if let Some((conventions, _)) = &self.settled {
            apply(conventions, &mut chunk);
        }
        self.log.push(&chunk);
        for cycle in self.finder.push(&chunk) {
            self.builder.push(cycle);
        }
    }

    fn finish(mut self, closing: Closing) -> Motion {
        if self.settled.is_none() {
            self.settle();
        }
        for cycle in self.finder.finish() {
            self.builder.push(cycle);
        }
        self.log.finish();
        let (conventions, notices) = self
            .settled
            .unwrap_or_else(|| Settler::new().settle(self.stated));
        Motion {
            conventions,
            steps: self.builder.finish(),
            account: self.finder.account().clone(),
            closing,
            notices,
            log: self.log,
        }
    }
}

fn prefix(chunks: &[Chunk]) -> Chunk {
    let mut out = Chunk::default();
    for chunk in chunks {
        let more = (CALIBRATION_SAMPLES - out.travel.len()).min(chunk.len());
        out.time.extend_from_slice(&chunk.time[..more]);
        out.travel.extend_from_slice(&chunk.travel[..more]);
        out.force.extend_from_slice(&chunk.force[..more]);
    }
    out
}

fn analyse_samples(
    stream: &mut (dyn SampleStream + Send),
    settings: &Settings,
) -> Result<Run, Error> {
    let motion = find_steps(stream, settings)?;
    let understanding = stream.understanding().clone();
    let Motion {
        conventions,
        steps: Steps { mut steps, between },
        account,
        mut closing,
        mut notices,
        log,
    } = motion;
    // A single cycle has no spread and cannot be told from a start or a stop.
    // An averaged loop is one cycle too: of one speed it says as little.
    if account.is_lone_loop() || steps.iter().map(|s| s.cycles).sum::<u64>() < 2 {
        return Err(not_cyclic(&account, between, &closing));
    }
    plausible::check(&steps, &understanding.channels, &notices).map_err(|e| {
        match closing.sources.first() {
            Some(source) => e.in_file(&source.path),
            None => e,
        }
    })?;
    if !settings.one_damper {
        one_damper::check(&steps, &account.segments, &closing.sources)?;
    }
    let mut notes = notes_of_cycles(&account, between);
    let card = settings.card.as_ref();
    let statics = statics(&steps, &settings.statics, card);
    take_out_inertia(&mut steps, statics.moving_mass_applied_kg);
    let level = statics.level();
    let curve = curve(&steps, &level, &settings.full_cycle);
    let expected = expectations(&curve);
    fill_lost_motion(&mut steps, &level, &expected);
    for step in &mut steps {
        fill_loop_shares(step, &level, statics.series_stiffness_n_m, &expected);
    }
    let ground = Ground {
        steps: &steps,
        statics: &statics,
        log: &log,
        card,
    };
    let heat_settings = HeatSettings {
        reference_c: settings.refer_to_c.unwrap_or(settings.heat.reference_c),
        ..settings.heat
    };
    // Neither needs the other.
    let (curve_fits, (heat, heat_notes)) = rayon::join(
        || {
            fit_curve(
                &curve,
                statics.loops.as_deref(),
                &settings.fits,
                settings.resampling,
            )
        },
        || heat(&ground, &heat_settings),
    );
    let CurveFits {
        fits,
        full_cycle: full_cycle_fits,
        notes: fit_notes,
    } = curve_fits;
    notes.extend(fit_notes);
    notes.extend(heat_notes);
    if account.spikes > 0 {
        let dropped = Dropped {
            reason: "force spike, bridged".into(),
            count: account.spikes,
        };
        closing.sampling.dropped.push(dropped);
    }
    for clipped in &mut closing.sampling.clipped {
        let sign = match clipped.channel.as_str() {
            "force" => conventions.force_sign,
            _ => conventions.displacement_sign,
        };
        if sign == Polarity::Negative {
            clipped.level = -clipped.level;
        }
    }
    let case = Case {
        steps: &steps,
        statics: &statics,
        curve: &curve,
        fits: &fits,
        heat: &heat,
        sampling: &closing.sampling,
        card,
    };
    let findings = judge(&case, &settings.findings);
    notices.extend(touch_warning(&heat, &settings.findings.overheated));
    let gas_margin = card.and_then(|c| gas_margin(c, &statics, &curve));
    notes.extend(
        gas_margin
            .as_ref()
            .map(crate::findings::GasMargin::sentence),
    );
    if steps
        .iter()
        .all(|s| s.lost_motion_m.rebound_baseline.is_none())
    {
        notes.push(
            "there is no slow step (below 15 mm/s), so what the damper shows at rest could not be taken off lost motion: \
             it is given in full"
                .into(),
        );
    }
    notes_of_statics(&statics, card, &mut notes);
    let as_measured = AsMeasured {
        curve,
        fits,
        full_cycle_fits,
    };
    let at = settings
        .refer_to_c
        .map(|c| refer::refer(&steps, &level, &heat, c, settings));
    notes.extend(at.iter().map(|(reference, _)| refer::note(reference)));
    let (reported, kept, reference) = reported(as_measured, at, settings);
    notices.extend(closing.notices.iter().cloned());
    notes.extend(notices.iter().map(|n| n.message.clone()));
    Ok(Run {
        schema: RUN_SCHEMA.into(),
        tool: Tool::this(),
        name: name_of(settings, &closing),
        source: closing.sources,
        layout: understanding.layout,
        channels: understanding.channels,
        conventions,
        sampling: closing.sampling,
        steps,
        statics: Some(statics),
        curve: reported.curve,
        fits: reported.fits,
        full_cycle_fits: reported.full_cycle_fits,
        reference,
        as_measured: kept,
        findings,
        gas_margin,
        heat: Some(heat),
        notes,
        metadata: labelled(understanding.metadata, settings),
        damper: settings.card.clone(),
        notices,
    })
}

/// The curve and fits to report, and those as measured where they are others.
fn reported(
    measured: AsMeasured,
    at: Option<(Reference, Option<Curve>)>,
    settings: &Settings,
) -> (AsMeasured, Option<Box<AsMeasured>>, Option<Reference>) {
    match at {
        None => (measured, None, None),
        Some((reference, None)) => (measured, None, Some(reference)),
        Some((reference, Some(curve))) => {
            let CurveFits {
                fits,
                full_cycle: full_cycle_fits,
                ..
            } = fit_curve(&curve, None, &settings.fits, settings.resampling);
            let referred = AsMeasured {
                curve,
                fits,
                full_cycle_fits,
            };
            (referred, Some(Box::new(measured)), Some(reference))
        }
    }
}

fn analyse_table(
    understanding: &Understanding,
    table: &SweepTable,
    closing: Closing,
    settings: &Settings,
) -> Run {
    let curve = curve_of_table(table);
    let mut notes = vec![
        "a reduced table holds no loops: there are no steps, gas force, friction, loop width, lost motion or \
         heat; forces are as given, gas and friction included"
            .to_owned(),
    ];
    let CurveFits {
        fits,
        notes: fit_notes,
        ..
    } = fit_curve(&curve, None, &settings.fits, settings.resampling);
    notes.extend(fit_notes);
    let reference = settings.refer_to_c.map(|temperature_c| Reference {
        temperature_c,
        why_not: Some("a reduced table has no temperature channel".into()),
        ..Reference::default()
    });
    notes.extend(reference.iter().map(refer::note));
    notes.extend(closing.notices.iter().map(|n| n.message.clone()));
    Run {
        schema: RUN_SCHEMA.into(),
        tool: Tool::this(),
        name: name_of(settings, &closing),
        source: closing.sources,
        layout: understanding.layout,
        channels: understanding.channels.clone(),
        conventions: Conventions {
            displacement_sign: understanding
                .signs
                .compression
                .unwrap_or(Polarity::Positive),
            force_sign: understanding.signs.force.unwrap_or(Polarity::Positive),
            certainty: Certainty::Stated,
            evidence: vec!["a reduced table names its directions".into()],
        },
        sampling: closing.sampling,
        steps: Vec::new(),
        statics: None,
        curve,
        fits,
        full_cycle_fits: Fits::default(),
        reference,
        as_measured: None,
        findings: Vec::new(),
        gas_margin: None,
        heat: None,
        notes,
        metadata: labelled(understanding.metadata.clone(), settings),
        damper: settings.card.clone(),
        notices: closing.notices,
    }
}

/// Takes the inertia of a mass that moves with the load cell out of every loop.
fn take_out_inertia(steps: &mut [Step], mass_kg: f64) {
    if mass_kg == 0.0 {
        return;
    }
    for step in steps {
        let fold = &mut step.fold;
        let loops =
            std::iter::once(&mut fold.force).chain(step.kept.iter_mut().map(|c| &mut c.force));
        for force in loops {
            for (f, a) in force.iter_mut().zip(&fold.acceleration) {
                *f -= mass_kg * a;
            }
        }
    }
}

/// Labels of the file, and those stated beside it, which win.
fn labelled(mut labels: BTreeMap<String, String>, settings: &Settings) -> BTreeMap<String, String> {
    for (name, value) in &settings.labels {
        labels.retain(|old, _| old.to_lowercase() != name.to_lowercase());
        labels.insert(name.clone(), value.clone());
    }
    labels
}

fn name_of(settings: &Settings, closing: &Closing) -> String {
    settings.name.clone().unwrap_or_else(|| {
        let stem = |path: &str| {
            Path::new(path)
                .file_stem()
                .map(|s| s.to_string_lossy().into_owned())
        };
        closing
            .sources
            .first()
            .and_then(|s| stem(&s.path))
            .unwrap_or_else(|| "run".into())
    })
}

fn notes_of_cycles(account: &CycleAccount, between: u64) -> Vec<String> {
    let mut notes = Vec::new();
    if between > 0 {
        notes.push(format!(
            "{between} whole cycles between steps, while the machine changed speed, are left out"
        ));
    }
    if account.incomplete > 0 {
        notes.push(format!(
            "{} incomplete cycles at the ends are left out",
            account.incomplete
        ));
    }
    if account.segments.iter().any(|s| s.time_is_assumed) {
        notes.push(
            "the file has no time base; speeds, frequencies and powers rest on an assumed one"
                .into(),
        );
    }
    notes
}

fn notes_of_statics(
    statics: &crate::statics::Statics,
    card: Option<&DamperCard>,
    notes: &mut Vec<String>,
) {
    notes.push(
        "a load cell's zero offset cannot be told from gas force: the gas force given holds both"
            .into(),
    );
    if statics.gas_pressure_pa.is_none() {
        notes.push(match card.and_then(|c| c.rod_mm) {
            None => {
                "gas pressure is not given: the rod diameter is not known (give it on a damper card)"
                    .into()
            }
            Some(_) => "gas pressure is not given: no gas force could be had".to_owned(),
        });
    }
    if statics.moving_mass_applied_kg != 0.0 {
        notes.push(format!(
            "{:.2} kg move with the load cell; their inertia is taken out of loops and curves",
            statics.moving_mass_applied_kg
        ));
    }
    if statics.force_lag_applied_s != 0.0 {
        notes.push(format!(
            "the force channel is {:.2} ms behind travel; curves, knees and statics have that taken out, \
             loops and heat are as recorded",
            1e3 * statics.force_lag_applied_s
        ));
    }
}

fn one_cycle() -> Error {
    Error::input(
            "one-cycle",
            "only one whole cycle was found: expected at least two alike, better five, at each speed",
        )
        .help("record a few cycles at each speed; a single one has no spread and may be a start or a stop")
}

fn not_cyclic(account: &CycleAccount, between: u64, closing: &Closing) -> Error {
    let rows = closing.sampling.rows_used;
    let error = match account.cycles {
        n if n > 1 && account.is_lone_loop() => one_cycle(),
        0 => Error::input(
            "no-cycle",
            format!(
                "no whole cycle in {rows} samples: expected travel that goes in and comes out again at \
                 least once, from one full extension to the next"
            ),
        )
        .help(
            "check that the travel column is the right one (`loopwork inspect FILE`, then \
             `--map displacement=COLUMN`), and that the file is not cut short",
        ),
        1 => one_cycle(),
        n => Error::input(
            "not-cyclic",
            format!(
                "the motion does not repeat: {n} swings were found, but no two in a row have the same \
                 stroke, period and shape ({between} stand alone)"
            ),
        )
        .help(
            "record at least two, better five, whole cycles at each speed; a road or earthquake record \
             has no steady cycles and cannot be analysed here",
        ),
    };
    match closing.sources.first() {
        Some(source) => error.in_file(&source.path),
        None => error,
    }
}
