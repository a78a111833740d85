//! A small plot in characters: dots of eight per character cell (Unicode braille
//! patterns, U+2800 block).

use super::format::{bare, symbols};
use crate::run::Run;
use crate::steps::Direction;
use crate::units::display::{Kind, Shown};

/// Lines of the plot.
const TALL: usize = 13;
/// Characters left for force labels.
const LABEL: usize = 8;
/// Widest the plot gets, characters.
const WIDEST: usize = 72;

/// A grid of dots.
struct Dots {
    wide: usize,
    tall: usize,
    cells: Vec<u32>,
}

impl Dots {
    fn new(wide: usize, tall: usize) -> Self {
        Self {
            wide,
            tall,
            cells: vec![0; wide * tall],
        }
    }

    /// Sets the dot at shares (0..1) of width and height, height from the bottom.
    fn set(&mut self, across: f64, up: f64) {
        if !(0.0..=1.0).contains(&across) || !(0.0..=1.0).contains(&up) {
            return;
        }
        let x = (across * (2 * self.wide - 1) as f64).round() as usize;
        let y = ((1.0 - up) * (4 * self.tall - 1) as f64).round() as usize;
        // Bits of the pattern: left column 1 2 3 7, right column 4 5 6 8 (Unicode 16, 21.1).
        const BITS: [[u32; 2]; 4] = [[0x01, 0x08], [0x02, 0x10], [0x04, 0x20], [0x40, 0x80]];
        if let Some(cell) = self.cells.get_mut(y / 4 * self.wide + x / 2) {
            *cell |= BITS[y % 4][x % 2];
        }
    }

    fn line(&mut self, from: (f64, f64), to: (f64, f64)) {
        let steps = 4 * (self.wide + self.tall);
        for i in 0..=steps {
            let t = i as f64 / steps as f64;
            self.set(from.0 + t * (to.0 - from.0), from.1 + t * (to.1 - from.1));
        }
    }

    fn row(&self, row: usize) -> String {
        self.cells[row * self.wide..(row + 1) * self.wide]
            .iter()
            .map(|bits| char::from_u32(0x2800 + bits).unwrap_or(' '))
            .map(|c| if c == '\u{2800}' { ' ' } else { c })
            .collect::<String>()
            .trim_end()
            .to_owned()
    }
}

/// Force against speed, compression above zero and rebound below; `None` without a curve.
pub fn force_speed(run: &Run, shown: Shown, width: usize) -> Option<String> {
    let series = |direction: Direction| -> Vec<(f64, f64)> {
        let curve = match direction {
            Direction::Compression => &run.curve.compression,
            Direction::Rebound => &run.curve.rebound,
        };
        let points: Vec<(f64, f64)> = if curve.len() > 1 {
            curve
                .iter()
                .map(|p| (p.velocity_m_s, p.total_force_n))
                .collect()
        } else {
            run.curve
                .peaks
                .get(direction)
                .iter()
                .map(|p| (p.velocity_m_s, p.force_n))
                .collect()
        };
        points
            .into_iter()
            .filter(|p| p.0.is_finite() && p.1.is_finite())
            .collect()
    };
    let both = Direction::BOTH.map(series);
    let all = || both.iter().flatten();
    let fast = all().map(|p| p.0).fold(0.0, f64::max);
    let low = all().map(|p| p.1).fold(0.0, f64::min);
    let high = all().map(|p| p.1).fold(0.0, f64::max);
    if fast <= 0.0 || high - low <= 0.0 {
        return None;
    }
    let wide = width.saturating_sub(LABEL + 3).min(WIDEST);
    let mut dots = Dots::new(wide, TALL);
    let place = |p: &(f64, f64)| (p.0 / fast, (p.1 - low) / (high - low));
    for points in &both {
        for pair in points.windows(2) {
            dots.line(place(&pair[0]), place(&pair[1]));
        }
    }
    let zero_row =
        ((1.0 - (0.0 - low) / (high - low)) * (4 * TALL - 1) as f64).round() as usize / 4;
    let mut out = String::new();
    for row in 0..TALL {
        let label = if row == 0 {
            bare(Kind::Force, Some(high), shown)
        } else if row == TALL - 1 && low < 0.0 {
            bare(Kind::Force, Some(low), shown)
        } else if row == zero_row {
            format!("0 {}", symbols(Kind::Force).get(shown))
        } else {
            String::new()
        };
        let label = super::terminal::clean(&label);
        let wall = if row == zero_row { '┼' } else { '│' };
        let mut body: Vec<char> = dots.row(row).chars().collect();
        if row == zero_row {
            body.resize(wide, ' ');
            for c in &mut body {
                if *c == ' ' {
                    *c = '─';
                }
            }
        }
        let body: String = body.into_iter().collect();
        out.push_str(&format!("{label:>LABEL$} {wall}{body}\n"));
    }
    let end = super::terminal::clean(&super::format::with_unit(Kind::Speed, Some(fast), shown));
    let gap = wide.saturating_sub(end.chars().count() + 1);
    out.push_str(&format!("{:>LABEL$} 0{}{end}\n", "", " ".repeat(gap)));
    out.push_str(&format!(
        "{:>LABEL$}  compression above zero, rebound below\n",
        ""
    ));
    Some(out)
}
