//! Text between rows: headers that come again or with other columns, units, labels.

use super::super::assemble::Places;
use super::super::groups::Group;
use super::super::header;
use super::super::names::{ColumnName, fold};
use super::super::plan::Plan;
use super::super::rows::RowShape;
use super::super::text::label_of;
use super::{File, names_a_pace};
use crate::recording::{Layout, Role};

/// Most headers kept, so that one that comes again is not weighed again.
const MOST_HEADERS: usize = 32;

/// How rows are read by a header in the midst of a file.
#[derive(Debug, Clone)]
pub(super) struct Header {
    columns: Vec<ColumnName>,
    groups: Vec<Group>,
    shape: RowShape,
    places: Places,
}

impl File {
    /// Text between rows: the header again, units, a label, a comment.
    pub(super) fn text_between(&mut self, text: &str, cells: &[String]) -> bool {
        let written: Vec<String> = cells.iter().map(|c| fold(c.trim())).collect();
        let known: Vec<String> = self
            .plan
            .table
            .columns
            .iter()
            .map(|c| fold(&c.written))
            .collect();
        let of_header = |line: &String| !line.trim().is_empty() && line.trim() == text.trim();
        if written == known || self.header_lines.iter().any(of_header) {
            self.again = true;
            self.passing_over = false;
            return false;
        }
        if header::is_units_row(cells) {
            let known = self.units_line.as_deref().map(str::trim);
            let others = self.again && known != Some(text.trim());
            return others && self.with_units(cells, text);
        }
        if text.chars().all(|c| !c.is_alphanumeric()) {
            return false;
        }
        if self.adopt_known(text.trim(), text) {
            return true;
        }
        let filled = cells.iter().filter(|c| !c.trim().is_empty()).count();
        // A header names two roles at least; weighing names takes its time.
        if filled > 1 && header::header_worth(cells) >= 2.0 {
            let columns = cells.iter().map(|c| ColumnName::parse(c)).collect();
            return self.replan(columns, text, text.trim());
        }
        if self.assembler.rows > 0 && filled <= 4 {
            let label = label_of(text);
            // A comment within a run is no new segment unless it names a speed or a step.
            let comment = text.trim_start().starts_with(['#', '%', '*', '/']);
            if !label.is_empty() && (!comment || names_a_pace(&label)) {
                self.label = Some(label);
            }
        }
        false
    }

    /// A row of units under a header that came again, or with other columns.
    fn with_units(&mut self, cells: &[String], text: &str) -> bool {
        let names = self.plan.table.columns.iter();
        let mut columns: Vec<ColumnName> = names.map(|c| ColumnName::parse(&c.written)).collect();
        header::adopt_units(&mut columns, cells);
        let header_lines = self.header_lines.clone();
        let written: Vec<&str> = columns.iter().map(|c| c.written.as_str()).collect();
        let key = format!("{}\n{text}", written.join("\t"));
        let changed = self.adopt_known(&key, text) || self.replan(columns, text, &key);
        self.header_lines = header_lines;
        self.units_line = Some(text.to_owned());
        changed
    }

    /// A header with other columns: the rows after it are read by it.
    fn replan(&mut self, columns: Vec<ColumnName>, text: &str, key: &str) -> bool {
        let mut table = self.plan.table.clone();
        table.columns = columns;
        table.header_text = text.to_owned();
        let plan = Plan::of_table(self.plan.dialect, table, &[], &self.options);
        // Rows under a header that is no series of travel and force are none of this run.
        let Ok(mut plan) = plan else {
            self.passing_over = true;
            return false;
        };
        // Travel that is had another way cannot join half-way.
        let moved_by =
            |plan: &Plan| [Role::Displacement, Role::Angle].map(|role| plan.column(role).is_some());
        let is_series = plan.layout == Layout::TimeSeries;
        self.passing_over = !is_series || moved_by(&plan) != moved_by(&self.plan);
        if self.passing_over {
            return false;
        }
        // Units that the first block settled hold for the same column further on.
        for column in plan.groups.iter_mut().flat_map(|g| &mut g.columns) {
            if let Some(known) = self.plan.column(column.role).filter(|_| column.assumed) {
                column.unit = known.unit;
                column.evidence.clone_from(&known.evidence);
                column.turn = known.turn;
            }
            if let Some(known) = self.plan.column(column.role) {
                column.clock = known.clock;
            }
        }
        plan.notices.clone_from(&self.plan.notices);
        let (shape, places) = plan.shape(self.shape.line_end);
        let Some(mut first) = places.first().map(|p| Places::of(p)) else {
            return false;
        };
        if self.assembler.places.time.is_none() {
            first.time = None;
        }
        let header = Header {
            columns: plan.table.columns,
            groups: plan.groups,
            shape,
            places: first,
        };
        if self.headers.len() < MOST_HEADERS {
            self.headers.push((key.to_owned(), header.clone()));
        }
        self.adopt(header, text);
        true
    }

    /// Reads on by a header that has been planned.
    fn adopt(&mut self, header: Header, text: &str) {
        self.assembler.places = header.places.clone();
        self.places = vec![header.places];
        self.shape = header.shape;
        self.plan.groups = header.groups;
        self.plan.table.columns = header.columns;
        self.header_lines = vec![text.to_owned()];
        self.units_line = None;
        self.marks.forget_fields();
        self.passing_over = false;
        self.again = true;
        self.changed = true;
    }

    /// Reads on by a header that came before, if it did.
    fn adopt_known(&mut self, key: &str, text: &str) -> bool {
        let known = self.headers.iter().find(|(k, _)| k == key);
        let Some(header) = known.map(|(_, header)| header.clone()) else {
            return false;
        };
        self.adopt(header, text);
        true
    }
}
