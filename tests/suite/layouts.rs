//! One recording written the way many machines write it. This writer knows nothing of the
//! reader: it has its own conversion factors (NIST SP 811, 2008, appendix B.8) and its own
//! idea of a header.

#![allow(clippy::expect_used, reason = "a failed writing fails the test")]

use std::fmt::Write as _;

/// What delimits columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Mark {
    Comma,
    Semicolon,
    Tab,
    Pipe,
    Blanks,
}

impl Mark {
    fn text(self) -> &'static str {
        match self {
            Self::Comma => ",",
            Self::Semicolon => ";",
            Self::Tab => "\t",
            Self::Pipe => "|",
            Self::Blanks => "   ",
        }
    }
}

/// Where the unit stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum UnitPlace {
    Round,
    Square,
    Underscore,
    Slash,
    Comma,
    Blank,
    OwnRow,
    Preamble,
}

/// Units of time, travel, velocity, force, temperature, with the factor from SI to them.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Units {
    pub(crate) time: (&'static str, f64),
    pub(crate) travel: (&'static str, f64),
    pub(crate) velocity: (&'static str, f64),
    pub(crate) force: (&'static str, f64),
    pub(crate) temperature: (&'static str, f64, f64),
}

/// NIST SP 811 B.8: 1 in = 25.4 mm; 1 lbf = 4.448 222 N (here to full length from the pound
/// 0.453 592 37 kg and 9.806 65 m/s²); 1 kgf = 9.806 65 N; t/°F = 1.8 t/°C + 32.
pub(crate) const UNIT_SETS: [Units; 5] = [
    Units {
        time: ("s", 1.0),
        travel: ("mm", 1000.0),
        velocity: ("mm/s", 1000.0),
        force: ("N", 1.0),
        temperature: ("°C", 1.0, 0.0),
    },
    Units {
        time: ("ms", 1000.0),
        travel: ("in", 1.0 / 0.0254),
        velocity: ("in/s", 1.0 / 0.0254),
        force: ("lbf", 1.0 / 4.448_221_615_260_5),
        temperature: ("°F", 1.8, 32.0),
    },
    Units {
        time: ("s", 1.0),
        travel: ("cm", 100.0),
        velocity: ("m/s", 1.0),
        force: ("kgf", 1.0 / 9.806_65),
        temperature: ("K", 1.0, 273.15),
    },
    Units {
        time: ("µs", 1e6),
        travel: ("m", 1.0),
        velocity: ("m/s", 1.0),
        force: ("kN", 1e-3),
        temperature: ("°C", 1.0, 0.0),
    },
    Units {
        time: ("s", 1.0),
        travel: ("mm", 1000.0),
        velocity: ("cm/s", 100.0),
        force: ("daN", 0.1),
        temperature: ("degC", 1.0, 0.0),
    },
];

/// Names of time, travel, velocity, force, temperature in twelve languages.
pub(crate) const LANGUAGES: [(&str, [&str; 5]); 13] = [
    (
        "English",
        ["Time", "Displacement", "Velocity", "Force", "Temperature"],
    ),
    ("English, short", ["t", "pos", "vel", "F", "temp"]),
    (
        "German",
        ["Zeit", "Weg", "Geschwindigkeit", "Kraft", "Temperatur"],
    ),
    (
        "French",
        ["Temps", "Déplacement", "Vitesse", "Effort", "Température"],
    ),
    (
        "Spanish",
        [
            "Tiempo",
            "Desplazamiento",
            "Velocidad",
            "Fuerza",
            "Temperatura",
        ],
    ),
    (
        "Italian",
        ["Tempo", "Spostamento", "Velocità", "Forza", "Temperatura"],
    ),
    (
        "Portuguese",
        [
            "Tempo",
            "Deslocamento",
            "Velocidade",
            "Força",
            "Temperatura",
        ],
    ),
    (
        "Dutch",
        ["Tijd", "Verplaatsing", "Snelheid", "Kracht", "Temperatuur"],
    ),
    (
        "Swedish",
        ["Tid", "Förskjutning", "Hastighet", "Kraft", "Temperatur"],
    ),
    (
        "Polish",
        ["Czas", "Przemieszczenie", "Prędkość", "Siła", "Temperatura"],
    ),
    ("Czech", ["Čas", "Posunutí", "Rychlost", "Síla", "Teplota"]),
    ("Japanese", ["時間", "変位", "速度", "荷重", "温度"]),
    ("Chinese", ["时间", "位移", "速度", "力", "温度"]),
];

/// How the samples are arranged.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Arrangement {
    Series,
    /// Header again before each speed; time starts anew.
    HeaderBlocks,
    /// A blank line and a label before each speed.
    LabelBlocks,
    /// Speeds side by side.
    Wide,
}

/// How time is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Clock {
    Unit,
    Samples,
    OfDay,
    Absent,
}

/// Encoding and packing.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Bytes {
    Utf8,
    Bom,
    Utf16Le,
    Utf16Be,
    Windows1252,
    Gzip,
    Zstd,
}

/// One way of writing a recording.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Writing {
    pub(crate) mark: Mark,
    pub(crate) decimal_comma: bool,
    pub(crate) unit_place: UnitPlace,
    pub(crate) units: usize,
    pub(crate) language: usize,
    pub(crate) arrangement: Arrangement,
    pub(crate) clock: Clock,
    pub(crate) bytes: Bytes,
    pub(crate) line_end: &'static str,
    /// Signs of travel (and velocity) and force.
    pub(crate) signs: (f64, f64),
    /// Order of the columns, a number below 120, and unknown columns among them.
    pub(crate) order: usize,
    pub(crate) strangers: bool,
    pub(crate) velocity: bool,
    pub(crate) temperature: bool,
    pub(crate) preamble: bool,
    pub(crate) quoted: bool,
    pub(crate) thousands: bool,
    pub(crate) trailing: bool,
}

impl Default for Writing {
    fn default() -> Self {
        Self {
            mark: Mark::Comma,
            decimal_comma: false,
            unit_place: UnitPlace::Round,
            units: 0,
            language: 0,
            arrangement: Arrangement::Series,
            clock: Clock::Unit,
            bytes: Bytes::Utf8,
            line_end: "\n",
            signs: (1.0, 1.0),
            order: 0,
            strangers: false,
            velocity: true,
            temperature: true,
            preamble: false,
            quoted: false,
            thousands: false,
            trailing: false,
        }
    }
}

/// One speed of the truth, SI, our signs.
#[derive(Debug, Clone, Default)]
pub(crate) struct Speed {
    pub(crate) time: Vec<f64>,
    pub(crate) travel: Vec<f64>,
    pub(crate) velocity: Vec<f64>,
    pub(crate) force: Vec<f64>,
    pub(crate) temperature: Vec<f64>,
}

/// Samples per second of the truth.
pub(crate) const RATE: f64 = 500.0;

/// A charged damper at two speeds: gas force rising with travel, friction, digressive damping.
pub(crate) fn truth() -> Vec<Speed> {
    let mut start = 0.0;
    [1.0, 2.5]
        .into_iter()
        .map(|frequency: f64| {
            let mut speed = Speed::default();
            let count = (4.3 * RATE / frequency) as usize;
            for i in 0..count {
                let t = i as f64 / RATE;
                let w = std::f64::consts::TAU * frequency;
                let x = 0.025 * (w * t + 0.3).sin();
                let v = 0.025 * w * (w * t + 0.3).cos();
                let damping = if v > 0.0 { 900.0 } else { 1800.0 };
                let force = 180.0
                    + 1500.0 * x
                    + 12.0 * (v / 0.003).tanh()
                    + damping * v / (1.0 + 2.0 * v.abs());
                speed.time.push(start + t);
                speed.travel.push(x);
                speed.velocity.push(v);
                speed.force.push(force);
                speed.temperature.push(22.0 + 0.05 * (start + t));
            }
            start += count as f64 / RATE;
            speed
        })
        .collect()
}

/// The columns written, in order: 0 time … 4 temperature, 5 and above unknown.
fn columns(w: &Writing) -> Vec<usize> {
    let mut all = Vec::new();
    if w.clock != Clock::Absent {
        all.push(0);
    }
    all.push(1);
    if w.velocity {
        all.push(2);
    }
    all.push(3);
    if w.temperature {
        all.push(4);
    }
    let mut number = w.order;
    let mut shuffled = Vec::new();
    while !all.is_empty() {
        shuffled.push(all.remove(number % all.len()));
        number = number / 2 + 7;
    }
    if w.strangers {
        shuffled.insert(1, 5);
        shuffled.push(6);
    }
    shuffled
}

fn name(w: &Writing, column: usize) -> (String, String) {
    let units = UNIT_SETS[w.units];
    match column {
        5 => ("Status".into(), String::new()),
        6 => ("Aux 7".into(), "V".into()),
        _ => {
            let unit = match column {
                0 => match w.clock {
                    Clock::Samples => "samples",
                    Clock::OfDay => "",
                    _ => units.time.0,
                },
                1 => units.travel.0,
                2 => units.velocity.0,
                3 => units.force.0,
                _ => units.temperature.0,
            };
            (LANGUAGES[w.language].1[column].into(), unit.into())
        }
    }
}

fn number(w: &Writing, value: f64) -> String {
    let mut text = format!("{value:.9}");
    if w.thousands && value.abs() >= 1000.0 {
        let (whole, fraction) = text.split_once('.').expect("a fraction");
        let (sign, digits) = whole.strip_prefix('-').map_or(("", whole), |d| ("-", d));
        let mut grouped = String::new();
        for (i, digit) in digits.chars().enumerate() {
            if i > 0 && (digits.len() - i) % 3 == 0 {
                grouped.push(if w.decimal_comma { '.' } else { ',' });
            }
            grouped.push(digit);
        }
        text = format!("{sign}{grouped}@{fraction}")
            .replace('@', if w.decimal_comma { "," } else { "." });
        return text;
    }
    if w.decimal_comma {
        text.replace('.', ",")
    } else {
        text
    }
}

fn cell(w: &Writing, column: usize, speed: &Speed, i: usize, start: f64) -> String {
    let units = UNIT_SETS[w.units];
    match column {
        0 => {
            let t = speed.time[i] - start;
            match w.clock {
                Clock::Samples => format!("{}", (t * RATE).round() as u64),
                Clock::OfDay => {
                    let t = t + 36_000.0;
                    format!(
                        "{:02}:{:02}:{:09.6}",
                        (t / 3600.0) as u64,
                        (t / 60.0) as u64 % 60,
                        t % 60.0
                    )
                }
                _ => number(w, t * units.time.1),
            }
        }
        1 => number(w, speed.travel[i] * w.signs.0 * units.travel.1),
        2 => number(w, speed.velocity[i] * w.signs.0 * units.velocity.1),
        3 => number(w, speed.force[i] * w.signs.1 * units.force.1),
        4 => number(
            w,
            speed.temperature[i] * units.temperature.1 + units.temperature.2,
        ),
        5 => "OK".into(),
        _ => number(w, 0.125 * (i % 7) as f64),
    }
}

fn quote(w: &Writing, text: &str) -> String {
    // Between blanks an empty cell cannot be seen; such files hold a dash there.
    let text = if w.mark == Mark::Blanks && text.is_empty() {
        "-"
    } else {
        text
    };
    let must = text.contains(w.mark.text().trim()) && !w.mark.text().trim().is_empty()
        || w.mark == Mark::Blanks && text.contains(' ');
    if w.quoted || must {
        format!("\"{text}\"")
    } else {
        text.to_owned()
    }
}

fn line(w: &Writing, cells: &[String]) -> String {
    let mut text: Vec<String> = cells.iter().map(|c| quote(w, c)).collect();
    if w.trailing && w.mark != Mark::Blanks {
        text.push(String::new());
    }
    text.join(w.mark.text()) + w.line_end
}

fn header(w: &Writing, columns: &[usize], group: &str) -> String {
    let names: Vec<(String, String)> = columns.iter().map(|c| name(w, *c)).collect();
    let cells: Vec<String> = names
        .iter()
        .map(|(name, unit)| {
            let name = format!("{name}{group}");
            if unit.is_empty() {
                return name;
            }
            match w.unit_place {
                UnitPlace::Round => format!("{name} ({unit})"),
                UnitPlace::Square => format!("{name} [{unit}]"),
                UnitPlace::Underscore => format!("{name}_{unit}"),
                UnitPlace::Slash => format!("{name}/{unit}"),
                UnitPlace::Comma => format!("{name}, {unit}"),
                UnitPlace::Blank => format!("{name} {unit}"),
                UnitPlace::OwnRow | UnitPlace::Preamble => name,
            }
        })
        .collect();
    let mut text = line(w, &cells);
    if w.unit_place == UnitPlace::OwnRow {
        let units: Vec<String> = names.iter().map(|(_, u)| u.clone()).collect();
        text += &line(w, &units);
    }
    text
}

fn preamble(w: &Writing, columns: &[usize]) -> String {
    let mut text = String::new();
    let end = w.line_end;
    let _ = write!(text, "Workshop bench 3{end}");
    let _ = write!(text, "Damper: LW-17 left{end}");
    let _ = write!(text, "Date: 2026-11-25{end}");
    let _ = write!(text, "Sample rate: 500 Hz{end}");
    let _ = write!(text, "Stroke: 50 mm{end}");
    if w.unit_place == UnitPlace::Preamble {
        for column in columns {
            let (name, unit) = name(w, *column);
            if !unit.is_empty() && *column < 5 {
                let _ = write!(text, "{name} unit: {unit}{end}");
            }
        }
    }
    text + end
}

/// The file.
pub(crate) fn write(speeds: &[Speed], w: &Writing) -> Vec<u8> {
    let columns = columns(w);
    let mut text = String::new();
    if w.preamble || w.unit_place == UnitPlace::Preamble {
        text += &preamble(w, &columns);
    }
    let rows = |text: &mut String, speed: &Speed, start: f64| {
        for i in 0..speed.time.len() {
            let cells: Vec<String> = columns
                .iter()
                .map(|c| cell(w, *c, speed, i, start))
                .collect();
            *text += &line(w, &cells);
        }
    };
    match w.arrangement {
        Arrangement::Series => {
            text += &header(w, &columns, "");
            for speed in speeds {
                rows(&mut text, speed, 0.0);
            }
        }
        Arrangement::HeaderBlocks => {
            for speed in speeds {
                text += &header(w, &columns, "");
                rows(&mut text, speed, speed.time[0]);
            }
        }
        Arrangement::LabelBlocks => {
            text += &header(w, &columns, "");
            for (k, speed) in speeds.iter().enumerate() {
                if k > 0 {
                    let _ = write!(text, "{}Speed {}{}", w.line_end, k + 1, w.line_end);
                }
                rows(&mut text, speed, speed.time[0]);
            }
        }
        Arrangement::Wide => text += &wide(w, speeds, &columns),
    }
    pack(w, &text)
}

fn wide(w: &Writing, speeds: &[Speed], columns: &[usize]) -> String {
    let mut names = Vec::new();
    let mut units = String::new();
    for k in 0..speeds.len() {
        let header = header(w, columns, &format!(" {}", k + 1));
        let mut lines = header.split(w.line_end);
        let first = lines.next().unwrap_or_default();
        names.push(
            first
                .trim_end_matches(if w.trailing { w.mark.text() } else { "" })
                .to_owned(),
        );
        if let Some(second) = lines.next().filter(|l| !l.is_empty()) {
            units += second;
            if k + 1 < speeds.len() && !w.trailing {
                units += w.mark.text();
            }
        }
    }
    let mut text = names.join(w.mark.text()) + w.line_end;
    if !units.is_empty() {
        text += &(units + w.line_end);
    }
    let longest = speeds.iter().map(|s| s.time.len()).max().unwrap_or(0);
    for i in 0..longest {
        let mut cells = Vec::new();
        for speed in speeds {
            for column in columns {
                cells.push(if i < speed.time.len() {
                    cell(w, *column, speed, i, speed.time[0])
                } else {
                    String::new()
                });
            }
        }
        text += &line(w, &cells);
    }
    text
}

fn pack(w: &Writing, text: &str) -> Vec<u8> {
    use std::io::Write as _;
    match w.bytes {
        Bytes::Utf8 => text.as_bytes().to_vec(),
        Bytes::Bom => [&[0xef, 0xbb, 0xbf], text.as_bytes()].concat(),
        Bytes::Utf16Le => {
            let units = text.encode_utf16().flat_map(u16::to_le_bytes);
            [0xff, 0xfe].into_iter().chain(units).collect()
        }
        Bytes::Utf16Be => {
            let units = text.encode_utf16().flat_map(u16::to_be_bytes);
            [0xfe, 0xff].into_iter().chain(units).collect()
        }
        // Latin-1 letters are the same bytes in Windows-1252.
        Bytes::Windows1252 => text
            .chars()
            .map(|c| u8::try_from(c as u32).unwrap_or(b'?'))
            .collect(),
        Bytes::Gzip => {
            let mut packer = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::fast());
            packer.write_all(text.as_bytes()).expect("memory");
            packer.finish().expect("memory")
        }
        Bytes::Zstd => ruzstd::encoding::compress_to_vec(
            text.as_bytes(),
            ruzstd::encoding::CompressionLevel::Fastest,
        ),
    }
}
