//! The corner: what a measured curve does on the car it is fitted to.
//!
//! ```text
//! car         masses and rates at the wheel, modes, response, closed forms on a white road
//! travel      motion ratio, spring and stops over travel
//! law         the damper as straight pieces; equivalent damping on a sine or random motion
//! road        ISO 8608 classes, measured profiles
//! spectrum    mean squares by quadrature; weighting: ISO 2631-1; comfort: words
//! linear      statistical linearisation, describing function
//! time        the law as it is, stepped along a road; drive: what is counted on the way
//! sides       two corners under one body that rolls
//! card        the corner card         damper   what a run lends: its law, and others as likely
//! setup       card and damper together, what needs no road
//! roads       the card's roads, before and after       pair   left and right
//! whole       all of it, in order     answer   the finished answer, which is the JSON
//! ```
//!
//! The equations and how far each level may be trusted: `docs/methods/corner.md`.

pub mod answer;
pub mod car;
pub mod card;
pub mod comfort;
pub mod damper;
pub mod drive;
pub mod law;
pub mod linear;
pub mod pair;
pub mod profile;
pub mod road;
pub mod roads;
pub mod setup;
pub mod sides;
pub mod spectrum;
pub mod time;
pub mod travel;
pub mod weighting;
pub mod whole;

pub use answer::Corner;
pub use card::CornerCard;
pub use whole::{Question, corner};
