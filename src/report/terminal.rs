//! The summary on the terminal: verdict, numbers, findings, steps, heat, what was assumed.
//!
//! With colour the text carries ANSI codes; the shell strips them where they do not belong.
//! Plain text has neither colour nor boxes nor plots, and reads well aloud.

use std::fmt::Write as _;

use anstyle::{AnsiColor, Style};
use comfy_table::{CellAlignment, ContentArrangement, Table as Grid, presets};

use super::format::Dual;
use super::page::{Badge, Fact, Table};
use super::text::unsafe_to_show;
use super::{charplot, facts, warmth, words};
use crate::findings::Verdict;
use crate::recording::Certainty;
use crate::run::Run;
use crate::units::display::Shown;

/// How the terminal wants its text.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Look {
    /// Columns to stay within.
    pub width: usize,
    /// No colour, boxes or plots.
    pub plain: bool,
    /// Unit system.
    pub shown: Shown,
}

impl Default for Look {
    fn default() -> Self {
        Self {
            width: 80,
            plain: false,
            shown: Shown::Si,
        }
    }
}

/// Narrowest width laid out for.
const NARROWEST: usize = 40;
/// Widest lines of prose.
const PROSE: usize = 100;

/// Text under construction.
pub struct Screen {
    look: Look,
    out: String,
}

impl Screen {
    /// An empty screen.
    pub fn new(look: Look) -> Self {
        Self {
            look: Look {
                width: look.width.max(NARROWEST),
                ..look
            },
            out: String::new(),
        }
    }

    /// What was written.
    pub fn finish(self) -> String {
        self.out
    }

    fn style(&self, style: Style, text: &str) -> String {
        if self.look.plain {
            text.to_owned()
        } else {
            format!("{style}{text}{style:#}")
        }
    }

    /// A heading with a blank line before it.
    pub fn heading(&mut self, words: &str) {
        let styled = self.style(Style::new().bold(), words);
        let _ = writeln!(self.out, "\n{styled}");
    }

    /// A paragraph, wrapped, each line indented.
    pub fn prose(&mut self, indent: usize, text: &str) {
        for line in self.wrapped(indent, text) {
            let _ = writeln!(self.out, "{line}");
        }
    }

    /// An item of a list.
    pub fn item(&mut self, indent: usize, text: &str) {
        let margin = " ".repeat(indent);
        for (i, line) in self.wrapped(indent + 2, text).into_iter().enumerate() {
            let mark = if i == 0 { "-" } else { " " };
            let _ = writeln!(self.out, "{margin}{mark} {}", line.trim_start());
        }
    }

    fn wrapped(&self, indent: usize, text: &str) -> Vec<String> {
        let width = self.look.width.min(PROSE).saturating_sub(indent).max(20);
        let mut lines: Vec<String> = Vec::new();
        let mut line = String::new();
        for word in clean(text).split(' ').filter(|w| !w.is_empty()) {
            if !line.is_empty() && columns(&line) + 1 + columns(word) > width {
                lines.push(std::mem::take(&mut line));
            }
            if !line.is_empty() {
                line.push(' ');
            }
            line.push_str(word);
        }
        if !line.is_empty() {
            lines.push(line);
        }
        let margin = " ".repeat(indent);
        lines.into_iter().map(|l| format!("{margin}{l}")).collect()
    }

    /// A line in the colour of a badge.
    pub fn verdict(&mut self, badge: Badge, text: &str) {
        let style = badge_style(badge).bold();
        for line in self.wrapped(0, text) {
            let styled = self.style(style, &line);
            let _ = writeln!(self.out, "{styled}");
        }
    }

    /// Names and values in two aligned columns, remarks after them.
    pub fn pairs(&mut self, facts: &[Fact]) {
        let shown = self.look.shown;
        let name = |f: &Fact| clean(f.name.get(shown));
        let widest = facts.iter().map(|f| columns(&name(f))).max().unwrap_or(0);
        let value = |f: &Fact| clean(f.value.get(shown));
        let wide = facts.iter().map(|f| columns(&value(f))).max().unwrap_or(0);
        for fact in facts {
            let text = value(fact);
            if self.look.plain {
                let remark = clean(&fact.remark.plain(shown));
                let tail = if remark.is_empty() {
                    String::new()
                } else {
                    format!(" ({remark})")
                };
                self.prose(2, &format!("{}: {text}{tail}", name(fact)));
                continue;
            }
            let pad = " ".repeat(widest - columns(&name(fact)));
            let push = " ".repeat(wide - columns(&text));
            let remark = clean(&fact.remark.plain(shown));
            let _ = write!(self.out, "  {}{pad}  {push}{text}", name(fact));
            if !remark.is_empty() && 4 + widest + wide + 2 + columns(&remark) <= self.look.width {
                let dim = self.style(Style::new().dimmed(), &remark);
                let _ = write!(self.out, "  {dim}");
            }
            self.out.push('\n');
        }
    }

    /// A table of numbers, aligned; one line per row when plain.
    pub fn table(&mut self, table: &Table, columns_kept: &[usize]) {
        let shown = self.look.shown;
        if self.look.plain {
            for r in 0..table.rows.len() {
                let row: Vec<String> = columns_kept
                    .iter()
                    .map(|&c| {
                        format!(
                            "{} {}",
                            clean(table.heading(c).get(shown)),
                            clean(&table.text(r, c, shown))
                        )
                    })
                    .collect();
                self.prose(2, &row.join("; "));
            }
            return;
        }
        let mut grid = Grid::new();
        grid.load_style(presets::NOTHING)
            .set_content_arrangement(ContentArrangement::Dynamic)
            .set_width(u16::try_from(self.look.width).unwrap_or(u16::MAX));
        let units = columns_kept
            .iter()
            .any(|&c| table.columns.get(c).is_some_and(|c| c.kind.is_some()));
        grid.set_header(columns_kept.iter().map(|&c| {
            let heading = clean(table.heading(c).get(shown));
            match heading.rsplit_once(", ") {
                Some((name, unit)) => format!("{name}\n{unit}"),
                None if units => format!("{heading}\n"),
                None => heading,
            }
        }));
        for r in 0..table.rows.len() {
            grid.add_row(
                columns_kept
                    .iter()
                    .map(|&c| clean(&table.text(r, c, shown))),
            );
        }
        for (i, &c) in columns_kept.iter().enumerate() {
            let numeric = table.columns.get(c).is_some_and(|c| c.kind.is_some())
                || table
                    .rows
                    .iter()
                    .all(|row| !matches!(row.get(c), Some(super::page::Cell::Words(_))));
            if numeric && let Some(column) = grid.column_mut(i) {
                column.set_cell_alignment(CellAlignment::Right);
            }
        }
        for line in grid.to_string().lines() {
            let _ = writeln!(self.out, " {}", line.trim_end());
        }
    }

    /// Lines as they are.
    pub fn raw(&mut self, text: &str) {
        self.out.push_str(text);
    }
}

/// Width of a text in character cells.
pub fn columns(text: &str) -> usize {
    unicode_width::UnicodeWidthStr::width(text)
}

/// Text fit for a terminal: no control characters, plain spaces and minus signs.
pub fn clean(text: &str) -> String {
    text.chars()
        .map(|c| match c {
            '\u{a0}' | '\n' | '\t' => ' ',
            '\u{2212}' | '\u{2013}' => '-',
            c if unsafe_to_show(c) => '\u{fffd}',
            c => c,
        })
        .collect()
}

fn badge_style(badge: Badge) -> Style {
    let colour = match badge {
        Badge::Clear => AnsiColor::Green,
        Badge::Unsure => AnsiColor::Cyan,
        Badge::Watch => AnsiColor::Yellow,
        Badge::Act => AnsiColor::Red,
    };
    Style::new().fg_color(Some(colour.into()))
}

/// The summary of a run.
pub fn run(run: &Run, look: Look) -> String {
    let mut screen = Screen::new(look);
    let shown = look.shown;
    let name = screen.style(Style::new().bold(), &clean(&run.name));
    screen.raw(&format!("{name}\n"));
    screen.prose(0, &facts::subtitle(run).plain(shown));
    screen.raw("\n");
    let (headline, badge) = words::headline(run);
    screen.verdict(badge, &headline.plain(shown));
    if let Some(assumption) = words::assumption(run) {
        screen.verdict(Badge::Watch, &assumption.plain(shown));
    }
    for group in facts::groups(run) {
        screen.heading(&group.heading);
        screen.pairs(&group.facts);
    }
    if !look.plain
        && let Some(plot) = charplot::force_speed(run, shown, screen.look.width)
    {
        screen.heading("Force against speed");
        screen.raw(&plot);
    }
    findings(&mut screen, run);
    if !run.steps.is_empty() {
        screen.heading("Steps, in order of time");
        let table = facts::short_step_table(run);
        let kept: &[usize] = if screen.look.width >= 78 {
            &[0, 1, 2, 3, 4, 5, 6, 7, 8, 9]
        } else {
            &[0, 1, 3, 5, 7, 8]
        };
        screen.table(&table, kept);
    }
    if let Some(text) = facts::heat_sentence(run) {
        screen.heading("Heat");
        screen.prose(2, &text.plain(shown));
        for more in warmth::sentences(run) {
            screen.prose(2, &more.plain(shown));
        }
    }
    assumed(&mut screen, run);
    screen.raw("\n");
    screen.prose(
        0,
        "Dampers hold gas at pressure, springs hold energy, bodies run hot. This is a measurement, \
         not a statement of fitness to drive; the maker's instructions and local codes come first.",
    );
    screen.finish()
}

fn findings(screen: &mut Screen, run: &Run) {
    if run.findings.is_empty() {
        return;
    }
    screen.heading("Findings");
    let shown = screen.look.shown;
    let sorted = words::by_gravity(run);
    for finding in sorted.iter().filter(|f| f.verdict != Verdict::None) {
        let title = words::title(&finding.kind);
        let styled = screen.style(badge_style(words::badge(finding.verdict)), &title);
        screen.raw(&format!("  {styled}\n"));
        screen.prose(
            4,
            &format!(
                "{} {}",
                words::sentence(finding).plain(shown),
                finding.advice
            ),
        );
    }
    let clear: Vec<String> = sorted
        .iter()
        .filter(|f| f.verdict == Verdict::None)
        .map(|f| words::title(&f.kind).to_lowercase())
        .collect();
    if !clear.is_empty() {
        screen.prose(
            2,
            &format!("Looked for and not seen: {}.", words::listed(&clear)),
        );
    }
}

fn assumed(screen: &mut Screen, run: &Run) {
    screen.heading("Read and assumed");
    let shown = screen.look.shown;
    screen.prose(2, &facts::sampling_sentence(run).plain(shown));
    let signs = match run.conventions.certainty {
        Certainty::Stated => "Signs: stated.",
        Certainty::Proved => "Signs: proved by physics.",
        Certainty::Assumed => "Signs: assumed, not proved.",
    };
    screen.prose(2, signs);
    for evidence in &run.conventions.evidence {
        screen.item(2, evidence);
    }
    for note in &run.notes {
        screen.item(2, note);
    }
}

/// A line of both unit systems' text, cleaned.
pub fn line(dual: &Dual, shown: Shown) -> String {
    clean(dual.get(shown))
}
