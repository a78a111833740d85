//! The parts a page is built from, whatever it reports on: facts, figures, tables,
//! findings, prose. `templates/page.html` lays them out; nothing here decides anything.

use askama::Template;
use base64::Engine as _;
use sha2::{Digest as _, Sha256};

use super::format::{Dual, bare, symbols};
use super::palette;
use super::plots::draw::{Drawing, Use, draw};
use super::plots::frame::Plot;
use super::text::{Text, dual_html, escape};
use crate::notice::Error;
use crate::units::display::{Kind, Shown};

/// A column of a table.
#[derive(Debug, Clone, PartialEq)]
pub struct Column {
    /// Name without unit.
    pub name: String,
    /// Kind of number; `None` for words.
    pub kind: Option<Kind>,
}

/// One cell.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell {
    /// A number of the column's kind, SI.
    Number(Option<f64>),
    /// A count.
    Count(u64),
    /// Words.
    Words(String),
    /// A finished quantity, such as one with its spread.
    Dual(Dual),
}

/// A table of numbers.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Table {
    /// What it holds, for its caption and file name.
    pub caption: String,
    /// Columns.
    pub columns: Vec<Column>,
    /// Rows.
    pub rows: Vec<Vec<Cell>>,
}

impl Table {
    /// An empty table; a column is a name and its kind.
    pub fn new(caption: impl Into<String>, columns: &[(&str, Option<Kind>)]) -> Self {
        Self {
            caption: caption.into(),
            columns: columns
                .iter()
                .map(|(name, kind)| Column {
                    name: (*name).to_owned(),
                    kind: *kind,
                })
                .collect(),
            rows: Vec::new(),
        }
    }

    /// Adds a row of numbers.
    pub fn numbers(&mut self, row: impl IntoIterator<Item = Option<f64>>) {
        self.rows.push(row.into_iter().map(Cell::Number).collect());
    }

    /// Text of one cell.
    pub fn text(&self, row: usize, column: usize, shown: Shown) -> String {
        let kind = self.columns.get(column).and_then(|c| c.kind);
        match self.rows.get(row).and_then(|r| r.get(column)) {
            None => String::new(),
            Some(Cell::Words(words)) => words.clone(),
            Some(Cell::Count(count)) => count.to_string(),
            Some(Cell::Dual(dual)) => dual.get(shown).to_owned(),
            Some(Cell::Number(value)) => bare(kind.unwrap_or(Kind::Number), *value, shown),
        }
    }

    /// Heading of one column, unit included.
    pub fn heading(&self, column: usize) -> Dual {
        let Some(column) = self.columns.get(column) else {
            return Dual::default();
        };
        let unit = column.kind.map(symbols).unwrap_or_default();
        Dual::by(|shown| match unit.get(shown) {
            "" => column.name.clone(),
            symbol => format!("{}, {symbol}", column.name),
        })
    }

    /// True if the two unit systems differ anywhere.
    fn depends_on_units(&self) -> bool {
        (0..self.columns.len()).any(|c| !self.heading(c).is_same())
            || self
                .rows
                .iter()
                .flatten()
                .any(|cell| matches!(cell, Cell::Dual(d) if !d.is_same()))
    }

    /// The table as HTML, once per unit system if they differ.
    pub fn html(&self) -> String {
        if self.depends_on_units() {
            self.html_in(Shown::Si, " si") + &self.html_in(Shown::Us, " us")
        } else {
            self.html_in(Shown::Si, "")
        }
    }

    /// True for a column of words: set to the left.
    fn is_wordy(&self, column: usize) -> bool {
        self.columns.get(column).is_some_and(|c| c.kind.is_none())
            && self.rows.iter().any(|row| match row.get(column) {
                Some(Cell::Words(_)) => true,
                // What a row is about is words even where a number stands in them.
                Some(Cell::Dual(_)) => column == 0,
                _ => false,
            })
    }

    fn html_in(&self, shown: Shown, class: &str) -> String {
        let mut out = format!(
            "<div class=\"scroll{class}\" tabindex=\"0\" role=\"group\" aria-label=\"{0}\"><table><caption>{0}</caption><thead><tr>",
            escape(&self.caption)
        );
        let wordy: Vec<bool> = (0..self.columns.len()).map(|c| self.is_wordy(c)).collect();
        let class = |c: usize| match wordy.get(c) {
            Some(true) => " class=\"w\"",
            _ => "",
        };
        for c in 0..self.columns.len() {
            out.push_str(&format!(
                "<th scope=\"col\"{}>{}",
                class(c),
                escape(self.heading(c).get(shown))
            ));
        }
        out.push_str("<tbody>");
        for r in 0..self.rows.len() {
            out.push_str("<tr>");
            for c in 0..self.columns.len() {
                out.push_str(&format!(
                    "<td{}>{}",
                    class(c),
                    escape(&self.text(r, c, shown))
                ));
            }
        }
        out.push_str("</table></div>");
        out
    }
}

/// How a script reads values off a figure: which table columns are its axes.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Reading {
    /// Column along the level axis.
    pub x: usize,
    /// Columns up the upright axis, each with the key of the layer it belongs to (empty:
    /// always shown).
    pub y: Vec<(usize, String)>,
    /// Column whose value, appended to `prefix`, names the row's layer.
    pub by_row: Option<(usize, String)>,
}

/// A figure: plot, words, numbers.
#[derive(Debug, Clone, PartialEq)]
pub struct Figure {
    /// The plot.
    pub plot: Plot,
    /// What to look for.
    pub caption: Text,
    /// What the picture shows, for those who cannot see it.
    pub alt: Text,
    /// The numbers behind it.
    pub table: Table,
    /// How values are read off.
    pub reading: Option<Reading>,
    /// True for a figure across the whole page.
    pub wide: bool,
}

impl Figure {
    /// The drawing for the page.
    ///
    /// # Errors
    /// As [`draw`].
    pub fn drawing(&self) -> Result<Drawing, Error> {
        draw(&self.plot, Use::Page)
    }

    /// The drawing on its own.
    ///
    /// # Errors
    /// As [`draw`].
    pub fn picture(&self, shown: Shown) -> Result<Drawing, Error> {
        draw(&self.plot, Use::Picture(shown))
    }

    /// Data for the script, as JSON.
    fn script_data(&self, drawing: &Drawing) -> String {
        let Some(reading) = &self.reading else {
            return String::new();
        };
        let [left, right, top, bottom] = drawing.box_px;
        let kind_factor = |column: usize| {
            let kind = self
                .table
                .columns
                .get(column)
                .and_then(|c| c.kind)
                .unwrap_or(Kind::Number);
            crate::units::display::quantity(kind, Shown::Si)
        };
        let x = kind_factor(reading.x);
        let y = kind_factor(reading.y.first().map_or(0, |y| y.0));
        serde_json::json!({
            "x": [x.from_si(drawing.x.0), x.from_si(drawing.x.1), left, right],
            "y": [y.from_si(drawing.y.0), y.from_si(drawing.y.1), bottom, top],
            "xc": reading.x,
            "yc": reading.y,
            "by": reading.by_row,
        })
        .to_string()
    }
}

/// One number of the opening.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// What it is.
    pub name: Dual,
    /// The number, with spread or interval where known.
    pub value: Dual,
    /// A word on it.
    pub remark: Text,
}

/// Facts under one heading.
#[derive(Debug, Clone, PartialEq)]
pub struct FactGroup {
    /// Heading.
    pub heading: String,
    /// Class of the ink, if the group stands for a direction or a damper.
    pub ink: Option<palette::Ink>,
    /// Facts.
    pub facts: Vec<Fact>,
}

/// How a finding stands, for its badge.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Badge {
    /// Looked for, not there.
    Clear,
    /// Cannot tell.
    Unsure,
    /// Beginning.
    Watch,
    /// Plainly there.
    Act,
}

impl Badge {
    /// Class.
    pub fn class(self) -> &'static str {
        match self {
            Self::Clear => "clear",
            Self::Unsure => "unsure",
            Self::Watch => "watch",
            Self::Act => "act",
        }
    }
}

/// One finding, ready to be read.
#[derive(Debug, Clone, PartialEq)]
pub struct FindingView {
    /// Name as `loopwork explain` takes it.
    pub kind: String,
    /// Its name in words.
    pub title: String,
    /// Badge.
    pub badge: Badge,
    /// Verdict in words.
    pub verdict: String,
    /// One sentence: where and from what speed on.
    pub sentence: Text,
    /// What to do or what would settle it.
    pub advice: Text,
    /// Evidence.
    pub evidence: Table,
}

/// A part of a section.
#[derive(Debug, Clone, PartialEq)]
pub enum Block {
    /// A paragraph.
    Prose(Text),
    /// A list.
    List(Vec<Text>),
    /// Facts.
    Facts(Vec<FactGroup>),
    /// A table that is always open.
    Table(Table),
    /// A figure.
    Figure(Box<Figure>),
    /// Findings.
    Findings(Vec<FindingView>),
    /// A box set apart: cautions.
    Caution(Vec<Text>),
    /// A picker of steps: (layer key, name).
    Picker(Vec<(String, Dual)>),
    /// Lines to sign on, each with what goes there.
    SignOff(Vec<String>),
}

/// A section of the page.
#[derive(Debug, Clone, PartialEq)]
pub struct Section {
    /// Element id.
    pub id: String,
    /// Heading.
    pub heading: String,
    /// Content.
    pub blocks: Vec<Block>,
}

impl Section {
    /// A section without content yet.
    pub fn new(id: &str, heading: &str) -> Self {
        Self {
            id: id.to_owned(),
            heading: heading.to_owned(),
            blocks: Vec::new(),
        }
    }

    /// Adds a block.
    #[must_use]
    pub fn with(mut self, block: Block) -> Self {
        self.blocks.push(block);
        self
    }
}

/// A whole page.
#[derive(Debug, Clone, PartialEq)]
pub struct Page {
    /// Title.
    pub title: String,
    /// A line under it: what was tested.
    pub subtitle: Text,
    /// The verdict in plain words.
    pub headline: Text,
    /// What was assumed and must be known, if anything.
    pub assumption: Option<Text>,
    /// How grave the headline is.
    pub badge: Badge,
    /// Sections.
    pub sections: Vec<Section>,
    /// Which unit system is shown at first.
    pub shown: Shown,
    /// What the page was made from, so that another run's page is not overwritten.
    pub marker: String,
    /// Program and version.
    pub maker: String,
}

const SCRIPT: &str = include_str!("../../templates/page.js");
const STYLE: &str = include_str!("../../templates/page.css");

/// A block, rendered.
struct Ready {
    kind: &'static str,
    html: String,
    figure: Option<ReadyFigure>,
    findings: Vec<FindingView>,
    facts: Vec<FactGroup>,
}

struct ReadyFigure {
    id: String,
    title: String,
    wide: bool,
    svg: String,
    data: String,
    caption: String,
    alt: String,
    table: String,
    legend: Vec<(String, String, String)>,
}

struct ReadySection<'a> {
    id: &'a str,
    heading: &'a str,
    blocks: Vec<Ready>,
}

#[derive(Template)]
#[template(path = "page.html")]
struct PageTemplate<'a> {
    page: &'a Page,
    sections: Vec<ReadySection<'a>>,
    style: String,
    script: &'a str,
    script_hash: String,
    headline: String,
    subtitle: String,
    pictures: String,
}

impl PageTemplate<'_> {
    fn us(&self) -> bool {
        self.page.shown == Shown::Us
    }
}

impl Page {
    /// Every figure, in order.
    pub fn figures(&self) -> Vec<&Figure> {
        self.sections
            .iter()
            .flat_map(|section| &section.blocks)
            .filter_map(|block| match block {
                Block::Figure(figure) => Some(figure.as_ref()),
                _ => None,
            })
            .collect()
    }

    /// Names of the picture files that go with the page.
    pub fn pictures(&self) -> Vec<String> {
        std::iter::once("summary.png".to_owned())
            .chain(
                self.figures()
                    .iter()
                    .map(|figure| format!("{}.png", figure.plot.id)),
            )
            .collect()
    }

    /// The page as one self-contained HTML file.
    ///
    /// # Errors
    /// [`crate::notice::Fault::Output`] if a plot or the template fails.
    pub fn html(&self) -> Result<String, Error> {
        let mut sections = Vec::new();
        for section in &self.sections {
            let blocks = section
                .blocks
                .iter()
                .map(ready)
                .collect::<Result<Vec<_>, _>>()?;
            sections.push(ReadySection {
                id: &section.id,
                heading: &section.heading,
                blocks,
            });
        }
        let hash = Sha256::digest(SCRIPT.as_bytes());
        let template = PageTemplate {
            page: self,
            sections,
            style: palette::css() + STYLE,
            script: SCRIPT,
            script_hash: base64::engine::general_purpose::STANDARD.encode(hash),
            headline: self.headline.html(),
            subtitle: self.subtitle.html(),
            pictures: self.pictures().join(" "),
        };
        template
            .render()
            .map_err(|e| Error::output("cannot-render", format!("the page could not be made: {e}")))
    }
}

fn ready(block: &Block) -> Result<Ready, Error> {
    let plain = |kind, html| Ready {
        kind,
        html,
        figure: None,
        findings: Vec::new(),
        facts: Vec::new(),
    };
    let list = |items: &[Text]| {
        let items: String = items
            .iter()
            .map(|item| format!("<li>{}</li>", item.html()))
            .collect();
        format!("<ul>{items}</ul>")
    };
    Ok(match block {
        Block::Prose(text) => plain("html", format!("<p>{}</p>", text.html())),
        Block::List(items) => plain("html", list(items)),
        Block::Table(table) => plain("html", table.html()),
        Block::Caution(items) => plain(
            "html",
            format!("<div class=\"caution\">{}</div>", list(items)),
        ),
        Block::SignOff(lines) => {
            let lines: String = lines
                .iter()
                .map(|line| format!("<div><dt>{}</dt><dd></dd></div>", escape(line)))
                .collect();
            plain("html", format!("<dl class=\"signoff\">{lines}</dl>"))
        }
        Block::Picker(entries) => {
            let options: String = entries
                .iter()
                .map(|(key, name)| {
                    format!(
                        "<option value=\"{}\">{}</option>",
                        escape(key),
                        escape(&name.si)
                    )
                })
                .collect();
            plain(
                "html",
                format!(
                    "<p class=\"picker js\"><label>Loops of <select data-picker><option value=\"\">all speeds</option>{options}</select></label></p>"
                ),
            )
        }
        Block::Facts(groups) => Ready {
            facts: groups.clone(),
            ..plain("facts", String::new())
        },
        Block::Findings(findings) => Ready {
            findings: findings.clone(),
            ..plain("findings", String::new())
        },
        Block::Figure(figure) => {
            let drawing = figure.drawing()?;
            let legend = figure
                .plot
                .legend()
                .into_iter()
                .map(|layer| {
                    Ok((
                        layer.key.clone(),
                        super::plots::key_svg(layer)?,
                        dual_html(&layer.name),
                    ))
                })
                .collect::<Result<Vec<_>, Error>>()?;
            Ready {
                figure: Some(ReadyFigure {
                    id: figure.plot.id.clone(),
                    title: figure.plot.title.clone(),
                    wide: figure.wide,
                    data: figure.script_data(&drawing),
                    svg: drawing.svg,
                    caption: figure.caption.html(),
                    alt: figure.alt.html(),
                    table: figure.table.html(),
                    legend,
                }),
                ..plain("figure", String::new())
            }
        }
    })
}
