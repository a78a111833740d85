//! What every rule looks at, worked out once: both strokes of every step, the lost motion
//! that needs no fault, and the play in the mounts.

use std::cell::OnceCell;

use serde::{Deserialize, Serialize};

use super::places::{Place, place};
use super::play::Gap;
use super::stroke::{Stroke, read};
use super::{Case, FindingSettings, Scale, aeration, bump, play};
use crate::curves::expectations;
use crate::steps::lost_motion::StaticLevel;
use crate::steps::{Direction, Step};

/// How strokes are read.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thresholds {
    /// A step slower than this at its peak shows what needs no speed: play, friction, gas,
    /// m/s. 15 mm/s, as for the statics, with a margin for cranks.
    pub slow_m_s: f64,
    /// The give of oil and structure is read from strokes that carry at least this share of
    /// the run's largest force: where force is small, so is what can be said; too large a
    /// share leaves only strokes that a void has already reached.
    pub give_force_share: f64,
    /// Give never explains more lost motion than this share of the stroke: the oil column of
    /// a car damper gives a millimetre or so at full load.
    pub most_give_share: f64,
    /// Lost motion that play explains, in times the play: force has to come back after it.
    pub play_factor: f64,
}

impl Default for Thresholds {
    fn default() -> Self {
        Self {
            slow_m_s: 0.018,
            give_force_share: 0.1,
            most_give_share: 0.05,
            play_factor: 1.2,
        }
    }
}

/// A case as the rules see it.
#[derive(Debug)]
pub struct Look<'a> {
    /// Everything that was computed.
    pub case: Case<'a>,
    /// Thresholds.
    pub settings: FindingSettings,
    /// How large the damper is.
    pub scale: Scale,
    /// What carries no damping.
    pub level: StaticLevel,
    /// All strokes, the slowest step first, compression before rebound.
    pub strokes: Vec<Stroke>,
    /// Travel per force that every loaded stroke shows at least: oil and structure, m/N.
    pub give_m_n: f64,
    gap: OnceCell<Option<Gap>>,
    contacts: OnceCell<Vec<bump::Contact>>,
    places: OnceCell<Vec<Place>>,
    soft: OnceCell<bool>,
}

impl<'a> Look<'a> {
    /// Reads every stroke.
    pub fn new(case: Case<'a>, settings: FindingSettings) -> Self {
        let level = case.statics.level();
        let expected = expectations(case.curve);
        let mut order: Vec<usize> = (0..case.steps.len())
            .filter(|&i| !case.steps[i].fold.force.is_empty())
            .collect();
        let speed = |i: usize| case.steps[i].top_speed();
        order.sort_by(|a, b| speed(*a).total_cmp(&speed(*b)));
        let strokes: Vec<Stroke> = order
            .into_iter()
            .flat_map(|at| Direction::BOTH.map(|d| read(case.steps, at, d, &level, &expected)))
            .collect();
        let mut look = Self {
            case,
            settings,
            scale: Scale::of(&case),
            level,
            strokes,
            give_m_n: 0.0,
            gap: OnceCell::new(),
            contacts: OnceCell::new(),
            places: OnceCell::new(),
            soft: OnceCell::new(),
        };
        let play = look.play_m();
        look.give_m_n = give(&look.strokes, play, &settings.look);
        // Where there is play, what gives is the mounting, not the oil column alone.
        let most_give = match look.gap() {
            Some(_) => f64::INFINITY,
            None => settings.look.most_give_share,
        };
        for direction in Direction::BOTH {
            let base = look
                .of(direction)
                .filter(|s| s.speed_m_s < settings.look.slow_m_s)
                .map(|s| s.lost.lost_m)
                .fold(0.0, f64::max);
            let give_m_n = look.give_m_n;
            let own = |s: &&mut Stroke| s.direction == direction;
            for stroke in look.strokes.iter_mut().filter(own) {
                let most = most_give * stroke.stroke_m;
                stroke.allowed_m = base.max((give_m_n * stroke.lost.wanted_n).min(most));
            }
        }
        look
    }

    /// Why a number of the statics could not be had, as a sentence with what to do; `or` where the
    /// statics do not say.
    pub fn why_not(&self, number: &str, or: &str) -> String {
        let Some(why) = self.case.statics.why_not.get(number) else {
            return or.to_owned();
        };
        super::sentence(why)
    }

    /// Strokes of one direction, slowest first.
    pub fn of(&self, direction: Direction) -> impl DoubleEndedIterator<Item = &Stroke> {
        self.strokes
            .iter()
            .filter(move |s| s.direction == direction)
    }

    /// Strokes of one direction that are not slow.
    pub fn quick(&self, direction: Direction) -> impl DoubleEndedIterator<Item = &Stroke> {
        self.of(direction)
            .filter(|s| s.speed_m_s >= self.settings.look.slow_m_s)
    }

    /// Steps, slowest first.
    pub fn steps_by_speed(&self) -> Vec<&'a Step> {
        self.of(Direction::Compression)
            .filter_map(|s| self.case.steps.get(s.at))
            .collect()
    }

    /// Different speeds in the run.
    pub fn speeds(&self) -> usize {
        let mut last = 0.0;
        let mut count = 0;
        for step in self.steps_by_speed() {
            if step.top_speed() > 1.03 * last {
                count += 1;
                last = step.top_speed();
            }
        }
        count
    }

    /// The play in the mounts, if there is any.
    pub fn gap(&self) -> Option<&Gap> {
        self.gap.get_or_init(|| play::gap(self)).as_ref()
    }

    /// Lost motion that play explains, m.
    pub fn play_m(&self) -> f64 {
        let factor = self.settings.look.play_factor;
        self.gap().map_or(0.0, |g| factor * g.travel_m)
    }

    /// Contacts at the ends of the stroke.
    pub fn contacts(&self) -> &[bump::Contact] {
        self.contacts.get_or_init(|| bump::contacts(self))
    }

    /// The largest dependence on place in either direction, whether it counts or not.
    pub(super) fn places(&self) -> &[Place] {
        self.places.get_or_init(|| {
            let both = Direction::BOTH.into_iter();
            both.filter_map(|d| place(self, d)).collect()
        })
    }

    /// Whether both ends are soft from the first cycle.
    pub fn soft(&self) -> bool {
        *self.soft.get_or_init(|| aeration::soft(self))
    }

    /// Largest half peak-to-peak force of the run, N.
    pub fn largest_span_n(&self) -> f64 {
        self.strokes
            .iter()
            .map(|s| s.half_span_n)
            .fold(0.0, f64::max)
    }
}

/// Travel per force that every loaded stroke shows at least. A loaded stroke that loses
/// nothing shows that oil and structure give nothing.
fn give(strokes: &[Stroke], play: f64, settings: &Thresholds) -> f64 {
    let largest = |of: fn(&Stroke) -> f64| {
        settings.give_force_share * strokes.iter().map(of).fold(0.0, f64::max)
    };
    let wanted = largest(|s| s.lost.wanted_n);
    let load = largest(|s| s.load_at_peak_n);
    strokes
        .iter()
        .filter_map(|s| {
            if s.lost.wanted_n > 0.0 {
                (s.lost.wanted_n >= wanted)
                    .then(|| (s.lost.lost_m - play).max(0.0) / s.lost.wanted_n)
            } else {
                (s.load_at_peak_n >= load).then_some(0.0)
            }
        })
        .reduce(f64::min)
        .unwrap_or(0.0)
}
