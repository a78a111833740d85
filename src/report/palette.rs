//! Colours of plots and page, in one place.
//!
//! Compression is a deep petrol, rebound a rust; the two differ in lightness as well as
//! hue, so that they stay apart for every common colour vision and in grey print. Speeds
//! run along a ramp of falling lightness from ochre to plum. The tests below hold every
//! ink against its paper (3:1, WCAG 2.2 criterion 1.4.11) and the two directions against
//! each other as seen with each kind of colour blindness.

/// What a mark is drawn in.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash)]
pub enum Ink {
    /// Compression.
    Compression,
    /// Rebound.
    Rebound,
    /// A speed: 0 (slowest) to [`RAMP`] − 1 (fastest).
    Speed(usize),
    /// One of several dampers side by side, 0 is the base.
    Damper(usize),
    /// Text and axes.
    Text,
    /// Secondary text.
    Soft,
    /// Grid lines.
    Grid,
    /// Evidence marked on a loop.
    Mark,
    /// The paper itself.
    Paper,
}

/// Entries of the speed ramp.
pub const RAMP: usize = 12;
/// Inks for dampers side by side.
pub const DAMPERS: usize = 6;

/// Paper, light and dark.
pub const PAPER: [&str; 2] = ["#fdfcf9", "#16191b"];

const COMPRESSION: [&str; 2] = ["#0b5560", "#6cc3cf"];
const REBOUND: [&str; 2] = ["#bf5a1f", "#f0a36b"];
const TEXT: [&str; 2] = ["#22282b", "#e6e4de"];
const SOFT: [&str; 2] = ["#5a6468", "#a9b0b1"];
const GRID: [&str; 2] = ["#dedad0", "#33393c"];
const MARK: [&str; 2] = ["#a3133f", "#ff8aa5"];

const SPEED: [[&str; 2]; RAMP] = [
    ["#a8862c", "#7a5f8f"],
    ["#a87a30", "#86659a"],
    ["#a66f36", "#946aa3"],
    ["#a2643d", "#a36fa9"],
    ["#9c5a45", "#b275ac"],
    ["#94504c", "#c07dab"],
    ["#8a4753", "#cd87a7"],
    ["#7e3f58", "#d893a0"],
    ["#70375b", "#e1a198"],
    ["#60305a", "#e7b08f"],
    ["#4e2955", "#ecc188"],
    ["#3a224b", "#f0d384"],
];

const DAMPER: [[&str; 2]; DAMPERS] = [
    ["#2d3438", "#d9d6ce"],
    ["#0f6f63", "#63cbb9"],
    ["#b0461f", "#f39a6c"],
    ["#6a4aa0", "#b9a2ea"],
    ["#8a6d12", "#d9bc55"],
    ["#9c2f63", "#f08fb8"],
];

impl Ink {
    /// Colour on light (0) or dark (1) paper.
    fn pair(self) -> [&'static str; 2] {
        match self {
            Self::Compression => COMPRESSION,
            Self::Rebound => REBOUND,
            Self::Speed(i) => SPEED[i.min(RAMP - 1)],
            Self::Damper(i) => DAMPER[i % DAMPERS],
            Self::Text => TEXT,
            Self::Soft => SOFT,
            Self::Grid => GRID,
            Self::Mark => MARK,
            Self::Paper => PAPER,
        }
    }

    /// On light paper, `#rrggbb`.
    pub fn light(self) -> &'static str {
        self.pair()[0]
    }

    /// Red, green, blue on light paper.
    pub fn rgb(self) -> (u8, u8, u8) {
        let hex = self.light();
        let part = |from: usize| {
            hex.get(from..from + 2)
                .and_then(|h| u8::from_str_radix(h, 16).ok())
                .unwrap_or(0)
        };
        (part(1), part(3), part(5))
    }

    /// Class of the mark and stem of its custom property.
    pub fn class(self) -> String {
        match self {
            Self::Compression => "c".into(),
            Self::Rebound => "r".into(),
            Self::Speed(i) => format!("s{}", i.min(RAMP - 1)),
            Self::Damper(i) => format!("d{}", i % DAMPERS),
            Self::Text => "t".into(),
            Self::Soft => "f".into(),
            Self::Grid => "g".into(),
            Self::Mark => "m".into(),
            Self::Paper => "p".into(),
        }
    }

    /// Every ink.
    pub fn all() -> Vec<Self> {
        let mut all = vec![
            Self::Compression,
            Self::Rebound,
            Self::Text,
            Self::Soft,
            Self::Grid,
            Self::Mark,
            Self::Paper,
        ];
        all.extend((0..RAMP).map(Self::Speed));
        all.extend((0..DAMPERS).map(Self::Damper));
        all
    }
}

/// Ramp entry of the `i`-th of `n` speeds, slowest first.
pub fn speed_ink(i: usize, n: usize) -> Ink {
    if n < 2 {
        return Ink::Speed(RAMP - 1);
    }
    Ink::Speed((i * (RAMP - 1) + (n - 1) / 2) / (n - 1))
}

/// Custom properties of one theme (0 light, 1 dark), `--i-c:#0b5560;…`.
fn properties(theme: usize) -> String {
    Ink::all()
        .iter()
        .map(|ink| format!("--i-{}:{};", ink.class(), ink.pair()[theme]))
        .collect()
}

/// The style rules that colour the plots in both themes.
pub fn css() -> String {
    let light = properties(0);
    let dark = properties(1);
    let mut css = format!(
        ":root{{{light}}}\n@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}\n"
    );
    for ink in Ink::all() {
        let class = ink.class();
        css.push_str(&format!(
            ".i-{class} [stroke^=\"#\"]{{stroke:var(--i-{class})}}.i-{class} [fill^=\"#\"]{{fill:var(--i-{class})}}\n"
        ));
    }
    css
}

#[cfg(test)]
mod tests {
    use super::*;

    fn channels(hex: &str) -> [f64; 3] {
        let part = |i: usize| f64::from(u8::from_str_radix(&hex[i..i + 2], 16).unwrap()) / 255.0;
        [part(1), part(3), part(5)].map(|c| {
            if c <= 0.04045 {
                c / 12.92
            } else {
                ((c + 0.055) / 1.055).powf(2.4)
            }
        })
    }

    /// Relative luminance and contrast ratio, WCAG 2.2 definitions.
    fn luminance(rgb: [f64; 3]) -> f64 {
        0.2126 * rgb[0] + 0.7152 * rgb[1] + 0.0722 * rgb[2]
    }

    fn contrast(a: &str, b: &str) -> f64 {
        let (a, b) = (luminance(channels(a)), luminance(channels(b)));
        (a.max(b) + 0.05) / (a.min(b) + 0.05)
    }

    /// CIE L*a*b* (D65) from linear sRGB.
    fn lab(rgb: [f64; 3]) -> [f64; 3] {
        let [r, g, b] = rgb.map(|c| c.clamp(0.0, 1.0));
        let f = |t: f64| {
            if t > 0.008856 {
                t.cbrt()
            } else {
                7.787 * t + 16.0 / 116.0
            }
        };
        let x = f((0.4124 * r + 0.3576 * g + 0.1805 * b) / 0.95047);
        let y = f(0.2126 * r + 0.7152 * g + 0.0722 * b);
        let z = f((0.0193 * r + 0.1192 * g + 0.9505 * b) / 1.08883);
        [116.0 * y - 16.0, 500.0 * (x - y), 200.0 * (y - z)]
    }

    /// Dichromat simulation matrices, Machado, Oliveira and Fernandes (2009), severity 1.0:
    /// protan, deutan, tritan.
    const SEEN: [[[f64; 3]; 3]; 3] = [
        [
            [0.152286, 1.052583, -0.204868],
            [0.114503, 0.786281, 0.099216],
            [-0.003882, -0.048116, 1.051998],
        ],
        [
            [0.367322, 0.860646, -0.227968],
            [0.280085, 0.672501, 0.047413],
            [-0.011820, 0.042940, 0.968881],
        ],
        [
            [1.255528, -0.076749, -0.178779],
            [-0.078411, 0.930809, 0.147602],
            [0.004733, 0.691367, 0.303900],
        ],
    ];

    fn seen(by: &[[f64; 3]; 3], rgb: [f64; 3]) -> [f64; 3] {
        by.map(|row| row.iter().zip(rgb).map(|(m, c)| m * c).sum())
    }

    fn distance(a: [f64; 3], b: [f64; 3]) -> f64 {
        a.iter()
            .zip(b)
            .map(|(x, y)| (x - y).powi(2))
            .sum::<f64>()
            .sqrt()
    }

    #[test]
    fn every_ink_stands_out_from_its_paper() {
        for ink in Ink::all() {
            if matches!(ink, Ink::Grid | Ink::Paper) {
                continue;
            }
            // Text needs 4.5:1 (WCAG 1.4.3), other graphics 3:1 (1.4.11).
            let needed = if matches!(ink, Ink::Text | Ink::Soft | Ink::Mark | Ink::Compression) {
                4.5
            } else {
                3.0
            };
            for (theme, paper) in PAPER.iter().enumerate() {
                let ratio = contrast(ink.pair()[theme], paper);
                assert!(ratio >= needed, "{ink:?} theme {theme}: {ratio:.2}");
            }
        }
    }

    #[test]
    fn directions_stay_apart_for_every_eye_and_in_grey() {
        for theme in 0..2 {
            let (c, r) = (channels(COMPRESSION[theme]), channels(REBOUND[theme]));
            for by in &SEEN {
                let d = distance(lab(seen(by, c)), lab(seen(by, r)));
                assert!(d > 25.0, "theme {theme}: {d:.1}");
            }
            let grey = (lab(c)[0] - lab(r)[0]).abs();
            assert!(theme == 1 || grey > 12.0, "lightness differs by {grey:.1}");
        }
    }

    #[test]
    fn the_speed_ramp_only_darkens_on_light_and_only_lightens_on_dark() {
        for pair in SPEED.windows(2) {
            let l = |theme: usize, i: usize| lab(channels(pair[i][theme]))[0];
            assert!(l(0, 0) > l(0, 1) + 1.0, "{pair:?}");
            assert!(l(1, 1) > l(1, 0) + 1.0, "{pair:?}");
        }
    }
}
