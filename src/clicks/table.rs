//! Settings out of a table: a column of files, one column an adjuster.

use super::setting::Setting;
use super::settings::Settings;
use crate::notice::{Error, Fault, Notice, Place};

/// One row.
#[derive(Debug, Clone, PartialEq)]
pub struct TableRow {
    /// File as written.
    pub file: String,
    /// Settings.
    pub settings: Settings,
}

/// A table of settings.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SettingsTable {
    /// Rows, in order.
    pub rows: Vec<TableRow>,
}

impl SettingsTable {
    /// Reads a table: comma or semicolon between cells, the first column a file, the header
    /// naming the adjusters. `path` is named in errors.
    ///
    /// # Errors
    /// [`Fault::Input`] with every cell that is no number and its line and column, a file
    /// that stands there twice, a header without adjusters, no row.
    pub fn parse(text: &str, path: &str) -> Result<Self, Error> {
        let head = text.lines().next().unwrap_or("");
        let delimiter = if head.contains(';') { b';' } else { b',' };
        let mut reader = csv::ReaderBuilder::new()
            .delimiter(delimiter)
            .flexible(true)
            .has_headers(false)
            .trim(csv::Trim::All)
            .from_reader(text.trim_start_matches('\u{feff}').as_bytes());
        let mut names: Vec<String> = Vec::new();
        let mut table = Self::default();
        let mut wrong: Vec<Notice> = Vec::new();
        let mut complain = |line: u64, column: Option<usize>, what: String| {
            wrong.push(
                Notice::error("bad-settings-table", what)
                    .help("first column the file, then one column an adjuster, a number in each")
                    .at(Place {
                        path: Some(path.to_owned()),
                        line: Some(line),
                        column,
                        ..Place::default()
                    }),
            );
        };
        for record in reader.records() {
            let record = match record {
                Ok(record) => record,
                Err(error) => {
                    complain(1, None, format!("the table cannot be read: {error}"));
                    break;
                }
            };
            let line = record.position().map_or(1, csv::Position::line);
            if names.is_empty() {
                names = record.iter().skip(1).map(str::to_owned).collect();
                if names.is_empty() || names.iter().any(String::is_empty) {
                    complain(line, None, "the header does not name the adjusters".into());
                    break;
                }
                continue;
            }
            let file = record.get(0).unwrap_or("").to_owned();
            if table.rows.iter().any(|r| r.file == file) {
                complain(line, Some(1), format!("{file} stands there twice"));
                continue;
            }
            let mut settings = Settings::new();
            for (i, name) in names.iter().enumerate() {
                let cell = record.get(i + 1).unwrap_or("");
                match Setting::parse(cell) {
                    Some(setting) => {
                        settings.insert(name.clone(), setting);
                    }
                    None => complain(
                        line,
                        Some(i + 2),
                        format!("{file}: {name} is \"{cell}\", expected a number"),
                    ),
                }
            }
            table.rows.push(TableRow { file, settings });
        }
        if table.rows.is_empty() && wrong.is_empty() {
            wrong.push(Notice::error(
                "bad-settings-table",
                format!("{path} holds no row of settings"),
            ));
        }
        if wrong.is_empty() {
            Ok(table)
        } else {
            Err(Error::many(Fault::Input, wrong))
        }
    }

    /// The settings of a file: by its path as written, else by its name without folder,
    /// where only one row has it.
    pub fn of(&self, path: &str) -> Option<&Settings> {
        fn name(path: &str) -> &str {
            path.rsplit(['/', '\\']).next().unwrap_or(path)
        }
        let exact = self.rows.iter().find(|r| r.file == path);
        let mut alike = self.rows.iter().filter(|r| name(&r.file) == name(path));
        let row = exact.or_else(|| alike.next().filter(|_| alike.next().is_none()))?;
        Some(&row.settings)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn rows_are_found_by_path_or_name() {
        let text = "file,rebound,compression\nfront/a.csv,3,1 1/2\nrear/a.csv,4,2\nb.csv,5,2\n";
        let table = SettingsTable::parse(text, "sweep.csv").unwrap();
        assert_eq!(table.of("rear/a.csv").unwrap()["rebound"].value, 4.0);
        assert_eq!(table.of("front/a.csv").unwrap()["compression"].value, 1.5);
        assert_eq!(table.of("runs/b.csv").unwrap()["rebound"].value, 5.0);
        assert_eq!(table.of("a.csv"), None, "two rows may be meant");
        let german = SettingsTable::parse("Datei;Zug\na.csv;2,5\n", "t.csv").unwrap();
        assert_eq!(german.of("a.csv").unwrap()["Zug"].value, 2.5);
    }

    #[test]
    fn every_fault_has_its_place() {
        let text = "file,rebound\na.csv,soft\na.csv,3\nb.csv\n";
        let error = SettingsTable::parse(text, "sweep.csv").unwrap_err();
        let lines: Vec<_> = error
            .problems
            .iter()
            .filter_map(|p| p.place.as_ref().and_then(|p| p.line))
            .collect();
        assert_eq!(lines, [2, 3, 4]);
        assert_eq!(error.exit_code(), 3);
        assert!(SettingsTable::parse("", "t.csv").is_err());
        assert!(SettingsTable::parse("file\na.csv\n", "t.csv").is_err());
    }
}
