//! Options about the sheet: the shop's card, its logo, labels.

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

use clap::{Args, ValueEnum};

use super::args::Units;
use super::load::{place_of_key, read_toml};
use crate::cards::{Paper, ShopCard};
use crate::notice::Error;
use crate::report::Files;
use crate::report::sheet::{Logo, Stationery};

/// The most bytes of a logo that are read.
const LOGO_BYTES: u64 = 20 << 20;

/// Paper of the sheet.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum PaperSize {
    /// 210 mm by 297 mm
    A4,
    /// 8.5 in by 11 in
    Letter,
}

/// Options about the sheet, shared by the commands that make one.
#[derive(Debug, Clone, Default, Args)]
#[command(next_help_heading = "Sheet")]
pub struct SheetArgs {
    /// Whose sheet it is: name, address, logo (PNG or SVG), footer, terms
    #[arg(long, value_name = "CARD.toml")]
    pub shop: Option<PathBuf>,
    /// What is known of the job, such as "Customer=A. Name"; adds to what the file says, or takes
    /// its place; can be repeated
    #[arg(long, value_name = "KEY=VALUE")]
    pub label: Vec<String>,
    /// Paper of the sheet [default: what the shop's card says; else a4, or letter with --units us]
    #[arg(long, value_enum)]
    pub paper: Option<PaperSize>,
}

impl SheetArgs {
    /// Labels as given.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Usage`] for one that is no `KEY=VALUE`.
    pub(super) fn labels(&self) -> Result<BTreeMap<String, String>, Error> {
        self.label
            .iter()
            .map(|text| {
                let named = text.split_once('=').map(|(k, v)| (k.trim(), v.trim()));
                match named {
                    Some((key, value)) if key.chars().any(char::is_alphanumeric) => {
                        Ok((key.to_owned(), value.to_owned()))
                    }
                    _ => Err(Error::usage(
                        "bad-label",
                        format!("--label \"{text}\": expected a name, = and what it is"),
                    )
                    .help("write it like --label \"Customer=A. Name\"")),
                }
            })
            .collect()
    }

    /// What the sheet is printed on.
    ///
    /// # Errors
    /// As [`SheetArgs::labels`]; [`crate::notice::Fault::Input`] naming file and line for a card or a logo
    /// that cannot be used.
    pub(super) fn stationery(&self, units: Units) -> Result<Stationery, Error> {
        let given = self.labels()?;
        let (shop, logo) = match self.shop.as_deref() {
            None => (ShopCard::default(), None),
            Some(path) => {
                let shop = shop_card(path)?;
                let logo = shop.logo.as_deref().map(|l| logo(path, l)).transpose()?;
                (shop, logo)
            }
        };
        let asked = self.paper.map(|paper| match paper {
            PaperSize::A4 => Paper::A4,
            PaperSize::Letter => Paper::Letter,
        });
        let usual = match units {
            Units::Us => Paper::Letter,
            Units::Si => Paper::A4,
        };
        let paper = asked.or(shop.paper).unwrap_or(usual);
        Ok(Stationery {
            shop,
            logo,
            paper,
            labels: given,
        })
    }
}

/// A report and its sheet, made side by side; the page last.
///
/// # Errors
/// Those of the two.
pub(super) fn with_sheet(
    report: impl FnOnce() -> Result<Files, Error> + Send,
    sheet: impl FnOnce() -> Result<Files, Error> + Send,
) -> Result<Files, Error> {
    let (report, sheet) = rayon::join(report, sheet);
    let mut files = sheet?;
    files.extend(report?);
    Ok(files)
}

fn shop_card(path: &Path) -> Result<ShopCard, Error> {
    read_toml(path, "shop card").map_err(|e| {
        e.help(
            "a shop card may hold name, address, logo, footer, terms, paper (\"a4\" or \"letter\") and a table \
             [labels]; docs/report.md shows one",
        )
    })
}

/// Reads the logo a card names.
fn logo(card: &Path, named: &Path) -> Result<Logo, Error> {
    let path = card.parent().unwrap_or(Path::new("")).join(named);
    let refused = |code, what: String| {
        Error::input(code, what)
            .at(place_of_key(card, "logo"))
            .help("expected a PNG or SVG file, its place seen from the card's own folder")
    };
    let unread = |e: std::io::Error| {
        refused(
            "cannot-read",
            format!("could not read the logo {}: {e}", path.display()),
        )
    };
    let size = std::fs::metadata(&path).map_err(unread)?.len();
    if size > LOGO_BYTES {
        return Err(refused(
            "bad-logo",
            format!(
                "the logo {} has {size} bytes; expected at most {LOGO_BYTES}",
                path.display()
            ),
        ));
    }
    let bytes = std::fs::read(&path).map_err(unread)?;
    Logo::read(&bytes).map_err(|what| {
        refused(
            "bad-logo",
            format!("the logo {} cannot be used: {what}", path.display()),
        )
    })
}
