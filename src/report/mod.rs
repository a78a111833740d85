//! Output: terminal, JSON, HTML, plots. Renders a finished result and decides nothing.
//!
//! Everything returns bytes or text; only the shell writes.

pub mod charplot;
pub mod comparison;
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
pub mod terminal;
pub mod text;
pub mod warmth;
pub mod words;

use crate::notice::Error;
use crate::run::Run;
use crate::units::display::Shown;
use page::Page;

/// The files of one report, by name, the page last.
pub type Files = Vec<(String, Vec<u8>)>;

/// A run's report: a picture per plot, a summary picture, the page.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if something cannot be drawn.
pub fn run_files(run: &Run, shown: Shown) -> Result<Files, Error> {
    let page = html::page(run, shown);
    let mut files = page_files(&page)?;
    let sheet = plots::summary::of_run(run, &page, shown)?;
    files.insert(0, ("summary.png".into(), raster::png(&sheet)?));
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
    let mut files = Files::new();
    for figure in page.figures() {
        let drawing = figure.picture(page.shown)?;
        files.push((
            format!("{}.png", figure.plot.id),
            raster::png(&drawing.svg)?,
        ));
    }
    files.push(("index.html".into(), page.html()?.into_bytes()));
    Ok(files)
}
