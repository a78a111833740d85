//! Output: terminal, JSON, HTML, plots. Renders a finished result and decides nothing.
//!
//! Everything returns bytes or text; only the shell writes.

pub mod charplot;
pub mod clicks;
pub mod comparison;
pub mod corner;
pub mod facts;
#[cfg(test)]
mod fixture;
pub mod format;
pub mod html;
pub mod json;
pub mod names;
pub mod page;
pub mod palette;
pub mod plots;
pub mod raster;
pub mod sheet;
pub mod terminal;
pub mod text;
pub mod warmth;
pub mod words;

use rayon::prelude::*;

use crate::notice::Error;
use crate::run::Run;
use crate::units::display::Shown;
use page::{Figure, Page};

/// The files of one report, by name, the page last.
pub type Files = Vec<(String, Vec<u8>)>;

/// A run's report: a picture per plot, a summary picture, the page.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn run_files(run: &Run, shown: Shown) -> Result<Files, Error> {
    let page = html::page(run, shown);
    let sheet = || raster::png(&plots::summary::of_run(run, &page, shown)?);
    let (sheet, files) = rayon::join(sheet, || page_files(&page));
    let mut files = files?;
    files.insert(0, ("summary.png".into(), sheet?));
    Ok(files)
}

/// A page, a picture per figure and a summary sheet.
///
/// # Errors
/// As [`run_files`].
pub fn files_with_sheet(page: &Page, sheet: &plots::summary::Sheet<'_>) -> Result<Files, Error> {
    let drawn = plots::summary::svg(page, sheet, page.shown)?;
    let mut files = page_files(page)?;
    files.insert(0, ("summary.png".into(), raster::png(&drawn)?));
    Ok(files)
}

/// A page and a picture per figure, the page last.
///
/// # Errors
/// As [`run_files`].
pub fn page_files(page: &Page) -> Result<Files, Error> {
    let figures: Vec<_> = page.figures().into_iter().collect();
    let picture = |figure: &&Figure| -> Result<(String, Vec<u8>), Error> {
        let drawing = figure.picture(page.shown)?;
        let name = format!("{}.png", figure.plot.id);
        Ok((name, raster::png(&drawing.svg)?))
    };
    let mut files: Files = figures.par_iter().map(picture).collect::<Result<_, _>>()?;
    files.push(("index.html".into(), page.html()?.into_bytes()));
    Ok(files)
}
