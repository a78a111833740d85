//! From files and options to a finished run: what every command that analyses shares.

use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

use indicatif::ProgressBar;
use serde::de::DeserializeOwned;
use serde::{Deserialize, Serialize};

use super::args::{AnalysisArgs, IntakeArgs, ReferenceArgs};
use crate::cards::DamperCard;
use crate::findings::FindingSettings;
use crate::ingest;
use crate::notice::{Error, Fault, Place};
use crate::pipeline::{self, Settings};
use crate::recording::{Chunk, Closing, Recording, SampleStream, Understanding};
use crate::run::Run;
use crate::statics::JointSettings;
use crate::units::{Quantity, Unit};

/// Reading that is over sooner than this shows no progress.
const PATIENCE: Duration = Duration::from_millis(800);

/// Reads and analyses one damper's run. Progress, if it takes long and `quiet` is not set,
/// goes to standard error.
///
/// # Errors
/// [`crate::notice::Fault::Usage`] for options that cannot be used,
/// [`crate::notice::Fault::Input`] for files or a damper card that cannot be.
pub fn load_run(
    files: &[PathBuf],
    intake: &IntakeArgs,
    analysis: &AnalysisArgs,
    name: Option<&str>,
    quiet: bool,
) -> Result<Run, Error> {
    load_with(files, intake, &settings(analysis, name)?, quiet)
}

/// The same with finished settings.
///
/// # Errors
/// As [`load_run`].
pub fn load_with(
    files: &[PathBuf],
    intake: &IntakeArgs,
    settings: &Settings,
    quiet: bool,
) -> Result<Run, Error> {
    let options = intake.to_options()?;
    let recording = match ingest::open(files, &options)? {
        Recording::Samples(stream) if !quiet => Recording::Samples(Box::new(Watched::new(stream))),
        other => other,
    };
    let settings = Settings {
        one_damper: options.one_damper,
        ..settings.clone()
    };
    pipeline::analyse(recording, &settings)
}

/// The analysis options as settings.
///
/// # Errors
/// As [`load_run`].
pub fn settings(analysis: &AnalysisArgs, name: Option<&str>) -> Result<Settings, Error> {
    if let Some(lag) = analysis.force_lag.filter(|ms| !ms.is_finite()) {
        return Err(Error::usage(
            "bad-lag",
            format!("--force-lag {lag}: the delay is a number of milliseconds"),
        ));
    }
    if let Some(mass) = analysis.moving_mass.filter(|m| !m.is_finite() || *m < 0.0) {
        return Err(Error::usage(
            "bad-mass",
            format!("--moving-mass {mass}: the mass is a number of kilograms, not negative"),
        ));
    }
    Ok(Settings {
        card: analysis.damper.as_deref().map(damper_card).transpose()?,
        statics: JointSettings {
            delay_s: analysis.force_lag.map(|ms| ms * 1e-3),
            moving_mass_kg: analysis.moving_mass,
            ..JointSettings::default()
        },
        name: name.map(str::to_owned),
        findings: analysis
            .settings
            .as_deref()
            .map(settings_file)
            .transpose()?
            .unwrap_or_default()
            .findings,
        ..Settings::default()
    })
}

/// The coldest and the hottest temperature results can be stated at, °C: oil and seals live
/// between them.
const REFERENCE_C: [f64; 2] = [-60.0, 250.0];

impl ReferenceArgs {
    /// The temperature asked for, °C.
    ///
    /// # Errors
    /// [`Fault::Usage`] for what is no temperature.
    pub(super) fn celsius(&self) -> Result<Option<f64>, Error> {
        let Some(text) = self.reference_temperature.as_deref() else {
            return Ok(None);
        };
        let refused = |what: &str| {
            Error::usage(
                "bad-temperature",
                format!("--reference-temperature {text}: {what}"),
            )
            .help("write a number in °C, such as 20, or with its unit: 68F, \"68 °F\", 293K")
        };
        let plain = text.trim().replace('\u{2212}', "-").replace(',', ".");
        let end = plain
            .find(|c: char| !(c.is_ascii_digit() || matches!(c, '.' | '-' | '+')))
            .unwrap_or(plain.len());
        let (number, unit) = plain.split_at(end);
        let number: f64 = number
            .parse()
            .map_err(|_| refused("expected a number of degrees"))?;
        let celsius = match unit.trim() {
            "" => number,
            unit => Unit::named(Quantity::Temperature, unit)
                .ok_or_else(|| refused(&format!("\"{unit}\" is not a unit of temperature")))?
                .to_si(number),
        };
        if (REFERENCE_C[0]..=REFERENCE_C[1]).contains(&celsius) {
            Ok(Some(celsius))
        } else {
            Err(refused(&format!(
                "{celsius:.0} °C is outside {:.0} to {:.0} °C, where oil and seals live",
                REFERENCE_C[0], REFERENCE_C[1]
            )))
        }
    }

    /// The settings of an analysis that refers to it.
    ///
    /// # Errors
    /// As [`ReferenceArgs::celsius`] and [`settings`].
    pub(super) fn settings(
        &self,
        analysis: &AnalysisArgs,
        name: Option<&str>,
    ) -> Result<Settings, Error> {
        Ok(Settings {
            refer_to_c: self.celsius()?,
            ..settings(analysis, name)?
        })
    }
}

/// What a settings file may hold (`--settings FILE.toml`). Every part may be left out.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct SettingsFile {
    /// Thresholds of the findings: `[findings.cavitation]` and so on.
    pub findings: FindingSettings,
}

/// Reads a settings file.
///
/// # Errors
/// [`crate::notice::Fault::Usage`] naming file and line.
pub fn settings_file(path: &Path) -> Result<SettingsFile, Error> {
    read_toml(path, "settings file").map_err(|error| {
        Error {
            fault: Fault::Usage,
            ..error
        }
        .help(
            "`loopwork explain` names the findings; docs/settings.md lists the thresholds of each",
        )
    })
}

/// Reads a damper card.
///
/// # Errors
/// [`crate::notice::Fault::Input`] naming file and line.
pub fn damper_card(path: &Path) -> Result<DamperCard, Error> {
    const HELP: &str = "docs/cards.md lists what a damper card may hold and in which units";
    let card: DamperCard = read_toml(path, "damper card").map_err(|e| e.help(HELP))?;
    match card.impossible() {
        None => Ok(card),
        Some((key, said)) => {
            let error = Error::input("bad-card", format!("the damper card cannot be: {said}"));
            Err(error.help(HELP).at(place_of_key(path, key)))
        }
    }
}

/// Where a TOML file gives a key.
pub(super) fn place_of_key(path: &Path, key: &str) -> Place {
    let text = std::fs::read_to_string(path).unwrap_or_default();
    let gives = |line: &str| {
        line.trim_start()
            .strip_prefix(key)
            .is_some_and(|rest| rest.trim_start().starts_with('='))
    };
    let found = text.lines().enumerate().find(|(_, line)| gives(line));
    Place {
        path: Some(path.display().to_string()),
        line: found.map(|(i, _)| i as u64 + 1),
        text: found.map(|(_, line)| line.to_owned()),
        ..Place::default()
    }
}

/// Reads a TOML file; `what` names it in messages.
pub(super) fn read_toml<T: DeserializeOwned>(path: &Path, what: &str) -> Result<T, Error> {
    let name = path.display().to_string();
    let place = Place {
        path: Some(name.clone()),
        ..Place::default()
    };
    let text = std::fs::read_to_string(path).map_err(|e| {
        Error::input(
            "cannot-read",
            format!("could not read the {what} {name}: {e}"),
        )
        .at(place.clone())
    })?;
    toml::from_str(&text).map_err(|error| {
        let start = error.span().map_or(0, |span| span.start);
        let before = text.get(..start).unwrap_or("");
        let line = before.matches('\n').count() as u64 + 1;
        Error::input(
            "bad-card",
            format!("the {what} cannot be used: {}", error.message()),
        )
        .at(Place {
            line: error.span().map(|_| line),
            text: error.span().and_then(|_| {
                text.lines()
                    .nth(usize::try_from(line - 1).unwrap_or(usize::MAX))
                    .map(str::to_owned)
            }),
            ..place
        })
    })
}

/// A stream that shows how far it is.
struct Watched {
    inner: Box<dyn SampleStream + Send>,
    begun: Instant,
    rows: u64,
    bar: Option<ProgressBar>,
}

impl Watched {
    fn new(inner: Box<dyn SampleStream + Send>) -> Self {
        Self {
            inner,
            begun: Instant::now(),
            rows: 0,
            bar: None,
        }
    }
}

impl SampleStream for Watched {
    fn understanding(&self) -> &Understanding {
        self.inner.understanding()
    }

    fn next_chunk(&mut self) -> Result<Option<Chunk>, Error> {
        let chunk = self.inner.next_chunk()?;
        if let Some(chunk) = &chunk {
            self.rows += chunk.len() as u64;
            if self.begun.elapsed() > PATIENCE {
                let bar = self.bar.get_or_insert_with(ProgressBar::new_spinner);
                bar.set_message(format!("reading: {} samples so far", self.rows));
                bar.tick();
            }
        } else if let Some(bar) = self.bar.take() {
            bar.finish_and_clear();
        }
        Ok(chunk)
    }

    fn closing(&mut self) -> Closing {
        self.inner.closing()
    }
}
