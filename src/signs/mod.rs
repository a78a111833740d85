//! Signs: which way is compression, and which sign of force resists it.
//!
//! A passive damper turns work into heat, so of the four combinations of signs the two with
//! ∮F dx < 0 are impossible. The two that remain are one damper read with compression and
//! rebound swapped; they are told apart by what the file or the person says, or by the gas
//! force: a charged damper pushes its rod out, the harder the further the rod is in. Where
//! neither helps, travel is taken as positive in compression and the result says `assumed`.
//! `docs/conventions.md` has the reasoning and the numbers.

mod gas;
mod strokes;

use crate::notice::Notice;
use crate::recording::{Certainty, Chunk, Conventions, Polarity, StatedSigns};
use gas::GasEvidence;
use strokes::Series;

/// Samples after which more would not change the answer: 200 000 are tens of cycles at
/// any rate a dyno records, and 5 MB.
pub const PREFIX_SAMPLES: usize = 200_000;

/// Work per cycle over (stroke × force range) from which dissipation counts as seen. An
/// ellipse of damping alone has π/4 = 0.785; a spring with 1 % loss has about 0.008.
const LEAST_LOOP_SHARE: f64 = 0.01;

/// Share of the total |work| that must have one sign: ramps and pauses may disagree.
const LEAST_AGREEMENT: f64 = 0.9;

/// Collects the first samples of a recording and settles the signs from them.
#[derive(Debug, Clone, Default)]
pub struct Settler {
    series: Series,
}

impl Settler {
    /// An empty one.
    pub fn new() -> Self {
        Self::default()
    }

    /// Takes note of a chunk in the file's own signs.
    pub fn add(&mut self, chunk: &Chunk) {
        self.series.add(chunk, PREFIX_SAMPLES);
    }

    /// True once more samples would not help.
    pub fn is_full(&self) -> bool {
        self.series.len() >= PREFIX_SAMPLES
    }

    /// The signs, with the evidence, and what must be said aloud.
    pub fn settle(&self, stated: StatedSigns) -> (Conventions, Vec<Notice>) {
        let strokes = self.series.strokes();
        let work = Work::of(&self.series, &strokes);
        let gas = gas::look(&self.series, &strokes);
        decide(stated, &work, gas.as_ref())
    }
}

/// Turns a chunk into our signs, in place.
pub fn apply(conventions: &Conventions, chunk: &mut Chunk) {
    if conventions.displacement_sign == Polarity::Negative {
        for value in chunk.travel.iter_mut().chain(chunk.velocity.iter_mut()) {
            *value = -*value;
        }
    }
    if conventions.force_sign == Polarity::Negative {
        for value in &mut chunk.force {
            *value = -*value;
        }
    }
}

/// What ∮F dx says, in the file's own signs.
#[derive(Debug, Clone, Copy, Default)]
struct Work {
    cycles: usize,
    total_j: f64,
    /// Work per cycle over stroke × force range, signed.
    share: f64,
    agreement: f64,
}

impl Work {
    fn of(series: &Series, strokes: &[strokes::Stroke]) -> Self {
        let mut work = Self::default();
        let mut magnitude = 0.0;
        let mut boxes = 0.0;
        for pair in strokes.windows(2) {
            let [a, b] = pair else { continue };
            if a.to != b.from || a.rising == b.rising || !a.rising {
                continue;
            }
            let (energy, area) = series.loop_area(a.from, b.to);
            work.cycles += 1;
            work.total_j += energy;
            magnitude += energy.abs();
            boxes += area;
        }
        if boxes > 0.0 && magnitude > 0.0 {
            work.share = work.total_j / boxes;
            work.agreement = work.total_j.abs() / magnitude;
        }
        work
    }

    /// Whether force and travel have the same sign (`Some(1)`), opposite (`Some(-1)`), or it
    /// cannot be told.
    fn product(&self) -> Option<Polarity> {
        if self.cycles == 0
            || self.share.abs() < LEAST_LOOP_SHARE
            || self.agreement < LEAST_AGREEMENT
        {
            return None;
        }
        Some(if self.share > 0.0 {
            Polarity::Positive
        } else {
            Polarity::Negative
        })
    }

    fn sentence(&self) -> String {
        format!(
            "dissipation: over {} whole cycles the work done on the damper comes to {:+.3} J in the \
             file's signs, so travel and force must have {} signs",
            self.cycles,
            self.total_j,
            if self.share > 0.0 {
                "equal"
            } else {
                "opposite"
            }
        )
    }
}

fn times(a: Polarity, b: Polarity) -> Polarity {
    if a == b {
        Polarity::Positive
    } else {
        Polarity::Negative
    }
}

fn word(sign: Polarity) -> &'static str {
    match sign {
        Polarity::Positive => "positive",
        Polarity::Negative => "negative",
    }
}

fn decide(
    stated: StatedSigns,
    work: &Work,
    gas: Option<&GasEvidence>,
) -> (Conventions, Vec<Notice>) {
    let product = work.product();
    let mut evidence = Vec::new();
    let mut notices = Vec::new();
    if let Some(sign) = stated.compression {
        evidence.push(format!("stated: travel is {} in compression", word(sign)));
    }
    if let Some(sign) = stated.force {
        evidence.push(format!(
            "stated: force is {} while compression is resisted",
            word(sign)
        ));
    }
    if product.is_some() {
        evidence.push(work.sentence());
    } else {
        evidence.push(
            "dissipation: the loops enclose too little work to exclude any combination of signs"
                .to_owned(),
        );
    }
    let (displacement_sign, force_sign, certainty) = match (stated.compression, stated.force) {
        (Some(x), Some(f)) => {
            if product.is_some_and(|p| p != times(x, f)) {
                notices.push(contradiction(x, f));
                evidence.push(
                    "the stated signs make the damper give out work, which a passive damper cannot"
                        .to_owned(),
                );
            }
            (x, f, Certainty::Stated)
        }
        (Some(x), None) => match product {
            Some(p) => (x, times(p, x), Certainty::Proved),
            None => (x, x, Certainty::Assumed),
        },
        (None, Some(f)) => match product {
            Some(p) => (times(p, f), f, Certainty::Proved),
            None => (f, f, Certainty::Assumed),
        },
        (None, None) => unstated(product, gas, &mut evidence),
    };
    if certainty == Certainty::Assumed {
        notices.push(unsettled(displacement_sign, force_sign, product.is_some()));
        evidence.push(format!(
            "assumed: travel is {} in compression",
            word(displacement_sign)
        ));
    }
    let conventions = Conventions {
        displacement_sign,
        force_sign,
        certainty,
        evidence,
    };
    (conventions, notices)
}

/// Nobody said anything: dissipation leaves two readings, the gas force may leave one.
fn unstated(
    product: Option<Polarity>,
    gas: Option<&GasEvidence>,
    evidence: &mut Vec<String>,
) -> (Polarity, Polarity, Certainty) {
    let Some(product) = product else {
        return (Polarity::Positive, Polarity::Positive, Certainty::Assumed);
    };
    // The reading with travel positive in compression; the gas force in its signs.
    let force = product;
    let Some(gas) = gas else {
        evidence.push("gas force: no stretch near rest long enough to look for it".to_owned());
        return (Polarity::Positive, force, Certainty::Assumed);
    };
    let found = gas.in_signs(force);
    evidence.push(found.sentence());
    if !found.proves() {
        return (Polarity::Positive, force, Certainty::Assumed);
    }
    if found.force_n > 0.0 {
        (Polarity::Positive, force, Certainty::Proved)
    } else {
        (Polarity::Negative, force.flipped(), Certainty::Proved)
    }
}

fn contradiction(x: Polarity, f: Polarity) -> Notice {
    Notice::warning(
        "signs-contradict-physics",
        format!(
            "with travel {} in compression and force {} while it is resisted, as stated, the damper \
             would give out work in every cycle; one of the two is the wrong way round",
            word(x),
            word(f)
        ),
    )
    .help(
        "turn one of --compression and --force round, or leave one of them out: dissipation then settles it; \
         where the file states them itself, what the command line says goes before",
    )
}

fn unsettled(x: Polarity, f: Polarity, dissipates: bool) -> Notice {
    let why = if dissipates {
        "no gas force tells compression from rebound"
    } else {
        "the loops enclose too little work to tell the signs"
    };
    Notice::warning(
        "signs-assumed",
        format!(
            "which way is compression is assumed: {why}; travel is taken as {} and force as {} \
             in compression",
            word(x),
            word(f)
        ),
    )
    .help(
        "say --compression positive or --compression negative: the sign of travel in the file \
         while the damper is being compressed",
    )
}
