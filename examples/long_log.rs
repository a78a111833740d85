//! Writes a long dyno log fast, for measuring: `cargo run --release --example long_log --
//! ROWS FILE [SAMPLES_PER_SECOND [STEP_SECONDS]]`.
//!
//! Five columns (time, travel, velocity, force, temperature). Travel is a sine of 50 mm
//! whose frequency changes every `STEP_SECONDS` (60 if not given) through five values, as an
//! endurance rig's does; force is gas + friction + a digressive law with noise. About 47
//! bytes a row: 20 million rows are 0.95 GB. The same arguments give the same bytes.

#![allow(
    clippy::print_stderr,
    reason = "a tool for the bench says how it is used"
)]

use std::io::{BufWriter, Write};

const FREQUENCIES: [f64; 5] = [0.5, 1.0, 1.5, 2.5, 4.0];
const HALF_STROKE_MM: f64 = 25.0;

fn main() -> std::io::Result<()> {
    let args: Vec<String> = std::env::args().skip(1).collect();
    let number = |i: usize, otherwise: f64| {
        args.get(i)
            .and_then(|a| a.parse().ok())
            .unwrap_or(otherwise)
    };
    let Some(path) = args.get(1) else {
        eprintln!("usage: long_log ROWS FILE [SAMPLES_PER_SECOND [STEP_SECONDS]]");
        return Err(std::io::ErrorKind::InvalidInput.into());
    };
    let (rows, rate, step_s) = (number(0, 0.0) as u64, number(2, 1000.0), number(3, 60.0));
    let mut out = BufWriter::with_capacity(1 << 20, std::fs::File::create(path)?);
    out.write_all(b"time (s),travel (mm),velocity (mm/s),force (N),temperature (C)\n")?;
    let mut line = Vec::with_capacity(96);
    let mut noise = Noise(0x9e37_79b9_7f4a_7c15);
    let mut phase = 0.0_f64;
    for row in 0..rows {
        let t = row as f64 / rate;
        let hz = FREQUENCIES[(t / step_s) as usize % FREQUENCIES.len()];
        let omega = std::f64::consts::TAU * hz;
        let (sin, cos) = (std::f64::consts::TAU * phase).sin_cos();
        let (x, v) = (-HALF_STROKE_MM * cos, HALF_STROKE_MM * omega * sin);
        let speed = v.abs();
        let law = if speed < 120.0 {
            4.0 * speed
        } else {
            480.0 + 1.1 * (speed - 120.0)
        };
        let side = if v >= 0.0 { 1.0 } else { -1.6 };
        let force = 220.0 + 1.8 * x + 25.0 * (v / 2.0).clamp(-1.0, 1.0) + side * law;
        line.clear();
        fixed(&mut line, t, 6);
        line.push(b',');
        fixed(&mut line, x + 0.002 * noise.next(), 5);
        line.push(b',');
        fixed(&mut line, v + 0.2 * noise.next(), 4);
        line.push(b',');
        fixed(&mut line, force + 2.0 * noise.next(), 3);
        line.push(b',');
        fixed(&mut line, 25.0 + 60.0 * (1.0 - (-t / 3600.0).exp()), 3);
        line.push(b'\n');
        out.write_all(&line)?;
        phase = (phase + hz / rate).fract();
    }
    out.flush()
}

/// Near enough to normal for noise: the sum of four even values, unit variance.
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        // Xorshift (Marsaglia 2003), 64 bit: four 16-bit values from one draw.
        self.0 ^= self.0 << 13;
        self.0 ^= self.0 >> 7;
        self.0 ^= self.0 << 17;
        let sum: u64 = (0..4).map(|k| (self.0 >> (16 * k)) & 0xffff).sum();
        (sum as f64 / 65_536.0 - 2.0) * 3.0_f64.sqrt()
    }
}

/// A number with fixed decimals.
fn fixed(line: &mut Vec<u8>, value: f64, decimals: u32) {
    let scale = 10_u64.pow(decimals);
    let scaled = (value.abs() * scale as f64).round() as u64;
    if value < 0.0 && scaled > 0 {
        line.push(b'-');
    }
    let mut digits = [b'0'; 24];
    let mut at = digits.len();
    let mut rest = scaled;
    let mut written = 0;
    while rest > 0 || written <= decimals {
        if written == decimals && decimals > 0 {
            at -= 1;
            digits[at] = b'.';
        }
        at -= 1;
        digits[at] = b'0' + (rest % 10) as u8;
        rest /= 10;
        written += 1;
    }
    line.extend_from_slice(&digits[at..]);
}
