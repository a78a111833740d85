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

pub(in crate::report) use fields::Fields;
pub use logo::Logo;
pub use run::of_run;
pub(in crate::report) use run::{ALWAYS, CARE, fastest_loop, file_name};

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
pub(in crate::report) struct Grid {
    pub(in crate::report) heading: String,
    pub(in crate::report) ink: Option<super::palette::Ink>,
    /// Names of the columns after the first.
    pub(in crate::report) columns: Vec<String>,
    pub(in crate::report) rows: Vec<Vec<String>>,
    /// True for one that stands across the sheet.
    pub(in crate::report) wide: bool,
}

/// All that stands on a sheet.
#[derive(Debug, Clone, Default)]
pub(in crate::report) struct Content {
    /// What it is about, for the document's title.
    pub(in crate::report) about: String,
    pub(in crate::report) fields: fields::Fields,
    /// What was found: the first in bold.
    pub(in crate::report) answer: Vec<String>,
    /// One or two plots side by side.
    pub(in crate::report) plots: Vec<super::plots::frame::Plot>,
    pub(in crate::report) grids: Vec<Grid>,
    /// How it is to be read.
    pub(in crate::report) statements: Vec<String>,
    /// Files it was made from.
    pub(in crate::report) made_from: String,
    /// Program.
    pub(in crate::report) maker: String,
}

/// Draws a sheet: the picture, then the document.
pub(in crate::report) fn draw(
    content: &Content,
    stationery: &Stationery,
    shown: Shown,
) -> Result<Files, Error> {
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
