//! One page to hand over: the shop's head, what was tested and for whom, what was found,
//! the curve, a loop, the numbers with their uncertainty, a place to sign. As PDF and PNG.
//!
//! What stands on it follows the list of ISO/IEC 17025:2017, clause 7.8 (from memory of the
//! standard). Nothing is invented: what nobody stated leaves a line to fill in, dates too.

mod fields;
mod layout;
mod logo;
mod numbers;
mod pdf;
mod run;

use std::collections::BTreeMap;

pub use logo::Logo;
pub use run::of_run;

use super::{Files, raster};
use crate::cards::{Paper, ShopCard};
use crate::notice::Error;
use crate::units::display::Shown;

/// Name of the document.
pub const FILE: &str = "sheet.pdf";
/// Name of its picture.
const PICTURE: &str = "sheet.png";

/// What a shop prints its sheets on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Stationery {
    /// Whose sheet it is.
    pub shop: ShopCard,
    /// Logo.
    pub logo: Option<Logo>,
    /// Paper.
    pub paper: Paper,
    /// What was stated of the job, by name.
    pub labels: BTreeMap<String, String>,
}

/// A table of a sheet: words and finished numbers.
#[derive(Debug, Clone, Default)]
struct Grid {
    heading: String,
    ink: Option<super::palette::Ink>,
    /// Names of the columns after the first.
    columns: Vec<String>,
    rows: Vec<Vec<String>>,
    /// True for one that stands across the sheet.
    wide: bool,
}

/// All that stands on a sheet.
#[derive(Debug, Clone, Default)]
struct Content {
    /// What it is about, for the document's title.
    about: String,
    fields: fields::Fields,
    /// What was found: the first in bold.
    answer: Vec<String>,
    /// One or two plots side by side.
    plots: Vec<super::plots::frame::Plot>,
    grids: Vec<Grid>,
    /// How it is to be read.
    statements: Vec<String>,
    /// Files it was made from.
    made_from: String,
    /// Program.
    maker: String,
}

/// Draws a sheet: the picture, then the document.
fn files(content: &Content, stationery: &Stationery, shown: Shown) -> Result<Files, Error> {
    let drawn = layout::drawn(content, stationery, shown)?;
    let tree = raster::tree(&drawn.svg)?;
    let logo = stationery.logo.as_ref().zip(drawn.logo);
    let picture = raster::png_of(&tree, |pixels| {
        if let Some((logo, at)) = logo {
            logo.paint(pixels, at.map(|v| v * f64::from(raster::SCALE)));
        }
    })?;
    let title = match stationery.shop.name.as_deref() {
        Some(shop) => format!("{}: {} ({shop})", layout::TITLE, content.about),
        None => format!("{}: {}", layout::TITLE, content.about),
    };
    let document = pdf::document(&pdf::Sheet {
        tree: &tree,
        size: stationery.paper.points(),
        logo,
        title: &title,
        maker: &content.maker,
    })?;
    Ok(vec![(PICTURE.into(), picture), (FILE.into(), document)])
}
