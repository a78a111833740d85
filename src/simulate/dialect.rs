//! How a run is written: units, signs, column names, delimiter. The invented dynos of the
//! sample runs each have their own.

use std::io::{self, Write};

use serde::{Deserialize, Serialize};

use super::Simulated;
use crate::units;

/// How the file is written. Columns whose name is empty are left out.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Output {
    /// Lines before the header, as they are.
    pub preamble: Vec<String>,
    /// Column delimiter.
    pub delimiter: Delimiter,
    /// Decimal mark.
    pub decimal_mark: DecimalMark,
    /// Lines end in carriage return and line feed.
    pub crlf: bool,
    /// Header of the time column.
    pub time: String,
    /// Header of the travel column.
    pub travel: String,
    /// Header of the velocity column.
    pub velocity: String,
    /// Header of the force column.
    pub force: String,
    /// Header of the temperature column; only written if the thermal model is on.
    pub temperature: String,
    /// Header of a column that counts the steps from 1 (0 between them); empty leaves it out.
    pub step: String,
    /// Unit of travel.
    pub travel_unit: LengthUnit,
    /// Unit of velocity.
    pub velocity_unit: SpeedUnit,
    /// Unit of force.
    pub force_unit: ForceUnit,
    /// Unit of temperature.
    pub temperature_unit: TemperatureUnit,
    /// False writes travel and velocity negative in compression.
    pub compression_positive: bool,
    /// False writes force negative while compression is resisted.
    pub force_positive: bool,
    /// Decimals of time.
    pub time_decimals: usize,
    /// Decimals of travel.
    pub travel_decimals: usize,
    /// Decimals of velocity.
    pub velocity_decimals: usize,
    /// Decimals of force.
    pub force_decimals: usize,
    /// Decimals of temperature.
    pub temperature_decimals: usize,
}

impl Default for Output {
    fn default() -> Self {
        Self {
            preamble: Vec::new(),
            delimiter: Delimiter::Comma,
            decimal_mark: DecimalMark::Point,
            crlf: false,
            time: "time (s)".into(),
            travel: "travel (mm)".into(),
            velocity: "velocity (mm/s)".into(),
            force: "force (N)".into(),
            temperature: "temperature (degC)".into(),
            step: String::new(),
            travel_unit: LengthUnit::Mm,
            velocity_unit: SpeedUnit::MmPerS,
            force_unit: ForceUnit::N,
            temperature_unit: TemperatureUnit::Celsius,
            compression_positive: true,
            force_positive: true,
            time_decimals: 4,
            travel_decimals: 3,
            velocity_decimals: 1,
            force_decimals: 1,
            temperature_decimals: 2,
        }
    }
}

/// Column delimiter.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Delimiter {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// Tab.
    Tab,
}

impl Delimiter {
    fn text(self) -> &'static str {
        match self {
            Self::Comma => ",",
            Self::Semicolon => ";",
            Self::Tab => "\t",
        }
    }
}

/// Decimal mark.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum DecimalMark {
    /// `.`
    Point,
    /// `,`
    Comma,
}

/// Unit of travel.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum LengthUnit {
    /// Millimetre.
    Mm,
    /// Metre.
    M,
    /// Inch.
    In,
}

/// Unit of velocity.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
pub enum SpeedUnit {
    /// Millimetre per second.
    #[serde(rename = "mm/s")]
    MmPerS,
    /// Metre per second.
    #[serde(rename = "m/s")]
    MPerS,
    /// Inch per second.
    #[serde(rename = "in/s")]
    InPerS,
}

impl SpeedUnit {
    fn metres_per_second(self) -> f64 {
        match self {
            Self::MmPerS => LengthUnit::Mm,
            Self::MPerS => LengthUnit::M,
            Self::InPerS => LengthUnit::In,
        }
        .metres()
    }
}

/// Unit of force.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum ForceUnit {
    /// Newton.
    N,
    /// Kilonewton.
    Kn,
    /// Pound-force.
    Lbf,
    /// Kilogram-force.
    Kgf,
}

/// Unit of temperature.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "lowercase")]
pub enum TemperatureUnit {
    /// Degree Celsius.
    Celsius,
    /// Degree Fahrenheit.
    Fahrenheit,
}

impl LengthUnit {
    fn metres(self) -> f64 {
        match self {
            Self::Mm => 1e-3,
            Self::M => 1.0,
            Self::In => units::INCH,
        }
    }
}

impl ForceUnit {
    fn newtons(self) -> f64 {
        match self {
            Self::N => 1.0,
            Self::Kn => 1e3,
            Self::Lbf => units::POUND_FORCE,
            Self::Kgf => units::STANDARD_GRAVITY,
        }
    }
}

impl TemperatureUnit {
    fn of_celsius(self, celsius: f64) -> f64 {
        match self {
            Self::Celsius => celsius,
            Self::Fahrenheit => celsius * 1.8 + 32.0,
        }
    }
}

/// One column on its way out.
struct Column<'a> {
    name: &'a str,
    values: &'a [f64],
    scale: f64,
    offset: f64,
    decimals: usize,
}

/// Writes a run as delimited text.
///
/// # Errors
/// As the writer.
pub fn write_csv(run: &Simulated, output: &Output, mut to: impl Write) -> io::Result<()> {
    let end = if output.crlf { "\r\n" } else { "\n" };
    for line in &output.preamble {
        write!(to, "{line}{end}")?;
    }
    let columns = columns(run, output);
    let delimiter = output.delimiter.text();
    let mut line = columns
        .iter()
        .map(|c| quoted(c.name, delimiter))
        .collect::<Vec<_>>()
        .join(delimiter);
    write!(to, "{line}{end}")?;
    for row in 0..run.time.len() {
        line.clear();
        for (i, column) in columns.iter().enumerate() {
            if i > 0 {
                line.push_str(delimiter);
            }
            let value = column.values.get(row).copied().unwrap_or(f64::NAN);
            push_number(
                &mut line,
                value * column.scale + column.offset,
                column.decimals,
                output.decimal_mark,
            );
        }
        write!(to, "{line}{end}")?;
    }
    to.flush()
}

fn columns<'a>(run: &'a Simulated, output: &'a Output) -> Vec<Column<'a>> {
    let sign = |positive: bool| if positive { 1.0 } else { -1.0 };
    let compression = sign(output.compression_positive);
    let column = |name: &'a str, values: &'a [f64], scale: f64, decimals: usize| Column {
        name,
        values,
        scale,
        offset: 0.0,
        decimals,
    };
    let mut columns = vec![
        column(&output.step, &run.step, 1.0, 0),
        column(&output.time, &run.time, 1.0, output.time_decimals),
        column(
            &output.travel,
            &run.travel,
            compression / output.travel_unit.metres(),
            output.travel_decimals,
        ),
        column(
            &output.velocity,
            &run.velocity,
            compression / output.velocity_unit.metres_per_second(),
            output.velocity_decimals,
        ),
        column(
            &output.force,
            &run.force,
            sign(output.force_positive) / output.force_unit.newtons(),
            output.force_decimals,
        ),
    ];
    if !run.temperature.is_empty() {
        let zero = output.temperature_unit.of_celsius(0.0);
        columns.push(Column {
            name: &output.temperature,
            values: &run.temperature,
            scale: output.temperature_unit.of_celsius(1.0) - zero,
            offset: zero,
            decimals: output.temperature_decimals,
        });
    }
    columns.retain(|c| !c.name.is_empty());
    columns
}

/// A name as a cell: in quotes if it holds the delimiter.
fn quoted(name: &str, delimiter: &str) -> String {
    if name.contains(delimiter) || name.contains('"') {
        format!("\"{}\"", name.replace('"', "\"\""))
    } else {
        name.to_owned()
    }
}

/// Fixed decimals, no `-0`, nothing for a missing value.
fn push_number(line: &mut String, value: f64, decimals: usize, mark: DecimalMark) {
    if !value.is_finite() {
        return;
    }
    let mut text = format!("{value:.decimals$}");
    if text.starts_with('-') && !text.bytes().any(|b| b.is_ascii_digit() && b != b'0') {
        text.remove(0);
    }
    if mark == DecimalMark::Comma {
        text = text.replace('.', ",");
    }
    line.push_str(&text);
}
