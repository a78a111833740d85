//! Gas, friction, mass, delay and drift against closed forms: a damper written down here, apart
//! from `simulate`, on machines and instruments with known faults.

use std::f64::consts::{PI, TAU};

use loopwork::ingest::{IntakeOptions, open};
use loopwork::pipeline::{Settings, analyse};
use loopwork::recording::Polarity;
use loopwork::run::Run;

/// A damper of two slopes each way and the instrument it is read with. SI.
#[derive(Debug, Clone, Copy)]
struct Bench {
    gas_n: f64,
    stiffness_n_m: f64,
    friction_n: f64,
    /// Speed over which friction changes sign, m/s.
    rounding_m_s: f64,
    /// Slopes and knee, compression and rebound.
    valves: [[f64; 3]; 2],
    mass_kg: f64,
    delay_s: f64,
    drift_n: f64,
    zero_n: f64,
    scale: f64,
    triangle: bool,
    slow: bool,
    noise_n: f64,
    /// Rest between speeds, s.
    pause_s: f64,
}

const SOUND: Bench = Bench {
    gas_n: 220.0,
    stiffness_n_m: 700.0,
    friction_n: 32.0,
    rounding_m_s: 0.001,
    valves: [[4200.0, 800.0, 0.09], [9000.0, 1900.0, 0.11]],
    mass_kg: 0.0,
    delay_s: 0.0,
    drift_n: 0.0,
    zero_n: 0.0,
    scale: 1.0,
    triangle: false,
    slow: true,
    noise_n: 5.0,
    pause_s: 0.5,
};

const STROKE: f64 = 0.05;
const LADDER: [f64; 9] = [0.03, 0.06, 0.1, 0.15, 0.25, 0.4, 0.55, 0.75, 1.0];

impl Bench {
    fn force(&self, x: f64, v: f64, a: f64) -> f64 {
        let [low, high, knee] = self.valves[usize::from(v < 0.0)];
        let speed = v.abs();
        let valves = low * speed.min(knee) + high * (speed - knee).max(0.0);
        self.gas_n
            + self.stiffness_n_m * x
            + self.friction_n * (v / self.rounding_m_s).tanh()
            + v.signum() * valves
            + self.mass_kg * a
    }

    /// Travel, velocity and acceleration at a phase of a cycle of peak speed `speed`.
    fn motion(&self, phase: f64, speed: f64) -> (f64, f64, f64) {
        if self.triangle {
            let p = phase.rem_euclid(1.0);
            let x = if p < 0.5 {
                2.0 * p - 0.5
            } else {
                1.5 - 2.0 * p
            };
            (STROKE * x, if p < 0.5 { speed } else { -speed }, 0.0)
        } else {
            let omega = 2.0 * speed / STROKE;
            let (sin, cos) = (TAU * phase).sin_cos();
            (-0.5 * STROKE * cos, speed * sin, omega * speed * cos)
        }
    }

    fn frequency(&self, speed: f64) -> f64 {
        if self.triangle {
            speed / (2.0 * STROKE)
        } else {
            speed / (PI * STROKE)
        }
    }

    /// A recording at 1000 samples a second.
    fn csv(&self, speeds: &[f64], cycles: f64) -> String {
        let slow = if self.slow {
            vec![(0.01, 2.0)]
        } else {
            Vec::new()
        };
        let ladder: Vec<(f64, f64)> = slow
            .into_iter()
            .chain(speeds.iter().map(|v| (*v, cycles)))
            .collect();
        let total: f64 = ladder
            .iter()
            .map(|(v, n)| n / self.frequency(*v) + self.pause_s)
            .sum();
        let mut noise = Noise(0x2545_f491_4f6c_dd1d);
        let mut text = String::from("time (s),displacement (mm),force (N)\n");
        let mut start = 0.0;
        for (speed, count) in ladder {
            let lasts = count / self.frequency(speed);
            let samples = ((lasts + self.pause_s) * 1000.0) as usize;
            for i in 0..samples {
                let t = i as f64 / 1000.0;
                let at = |t: f64| {
                    let phase = (t.clamp(0.0, lasts)) * self.frequency(speed);
                    let (x, v, a) = self.motion(phase, speed);
                    if (0.0..lasts).contains(&t) {
                        (x, v, a)
                    } else {
                        (x, 0.0, 0.0)
                    }
                };
                let (x, ..) = at(t);
                let (late_x, v, a) = at(t - self.delay_s);
                let drift = self.drift_n * (start + t) / total;
                let force = self.force(late_x, v, a) + drift + self.noise_n * noise.next();
                let written = self.scale * force + self.zero_n;
                text.push_str(&format!(
                    "{:.4},{:.5},{written:.3}\n",
                    start + t,
                    1e3 * x + 0.01 * noise.next()
                ));
            }
            start += samples as f64 / 1000.0;
        }
        text
    }

    fn run(&self, speeds: &[f64], cycles: f64) -> Run {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join("bench.csv");
        std::fs::write(&path, self.csv(speeds, cycles)).unwrap();
        let options = IntakeOptions {
            compression: Some(Polarity::Positive),
            force: Some(Polarity::Positive),
            ..IntakeOptions::default()
        };
        analyse(open(&[path], &options).unwrap(), &Settings::default()).unwrap()
    }
}

/// Near-normal noise of unit deviation: the sum of twelve even numbers (elementary).
struct Noise(u64);

impl Noise {
    fn next(&mut self) -> f64 {
        (0..12)
            .map(|_| {
                self.0 ^= self.0 << 13;
                self.0 ^= self.0 >> 7;
                self.0 ^= self.0 << 17;
                (self.0 >> 11) as f64 / (1_u64 << 53) as f64
            })
            .sum::<f64>()
            - 6.0
    }
}

fn holds(what: &str, interval: Option<[f64; 2]>, truth: f64) {
    let [low, high] = interval.unwrap_or_else(|| panic!("{what}: no interval"));
    assert!(
        low <= truth && truth <= high,
        "{what}: {truth} not in {low} … {high}"
    );
}

fn near(what: &str, value: Option<f64>, truth: f64, within: f64) {
    let value = value.unwrap_or_else(|| panic!("{what}: not given"));
    assert!(
        (value - truth).abs() <= within,
        "{what}: {value}, not {truth} ± {within}"
    );
}

/// Every number lies in its own interval; friction is not negative.
fn is_consistent(run: &Run) {
    let s = run.statics.as_ref().unwrap();
    for (value, interval) in [
        (s.gas_force_n, s.ci95.gas_force_n),
        (s.gas_stiffness_n_m, s.ci95.gas_stiffness_n_m),
        (s.friction_n, s.ci95.friction_n),
        (s.moving_mass_kg, s.ci95.moving_mass_kg),
        (s.zero_drift_n, s.ci95.zero_drift_n),
        (s.force_lag_s, s.force_lag_ci95_s),
    ] {
        if let (Some(value), Some([low, high])) = (value, interval) {
            assert!(
                low <= value && value <= high,
                "{value} outside {low} … {high}"
            );
        }
    }
    assert!(s.friction_n.is_none_or(|f| f >= 0.0));
    for (name, given) in [
        ("gas_force_n", s.gas_force_n.is_some()),
        ("friction_n", s.friction_n.is_some()),
        ("gas_stiffness_n_m", s.gas_stiffness_n_m.is_some()),
    ] {
        assert!(
            given != s.why_not.contains_key(name),
            "{name}: {:?}",
            s.why_not
        );
    }
    for fit in [&run.fits.compression, &run.fits.rebound]
        .into_iter()
        .flatten()
    {
        for knee in &fit.knees {
            let [low, high] = knee.ci95_m_s;
            assert!(low <= knee.velocity_m_s && knee.velocity_m_s <= high);
        }
    }
}

#[test]
fn a_sound_damper_is_read_with_and_without_a_slow_step() {
    for slow in [true, false] {
        let run = Bench { slow, ..SOUND }.run(&LADDER, 4.0);
        let s = run.statics.as_ref().unwrap();
        is_consistent(&run);
        holds("gas", s.ci95.gas_force_n, 220.0);
        holds("friction", s.ci95.friction_n, 32.0);
        near("gas", s.gas_force_n, 220.0, 3.0);
        near("friction", s.friction_n, 32.0, 3.0);
        near("stiffness", s.gas_stiffness_n_m, 700.0, 35.0);
        for (fit, [low, high, knee]) in [
            (&run.fits.compression, SOUND.valves[0]),
            (&run.fits.rebound, SOUND.valves[1]),
        ] {
            let fit = fit.as_ref().unwrap();
            assert_eq!(fit.model, "digressive");
            assert_eq!(fit.knees.len(), 1);
            holds("knee", Some(fit.knees[0].ci95_m_s), knee);
            holds("slope", fit.segments[0].slope_ci95_n_s_m, low);
            holds("slope", fit.segments[1].slope_ci95_n_s_m, high);
        }
    }
}

/// A knee between the first two speeds is in the loops of all faster ones.
#[test]
fn a_knee_between_two_speeds_is_found_in_the_loops() {
    let bench = Bench {
        valves: [[7000.0, 900.0, 0.08], [7000.0, 900.0, 0.08]],
        slow: false,
        ..SOUND
    };
    let run = bench.run(&[0.05, 0.12, 0.3, 0.6], 4.0);
    for fit in [&run.fits.compression, &run.fits.rebound] {
        let fit = fit.as_ref().unwrap();
        near(
            "knee",
            fit.knees.first().map(|k| k.velocity_m_s),
            0.08,
            0.004,
        );
        near(
            "slope",
            fit.segments.first().map(|s| s.slope_n_s_m),
            7000.0,
            210.0,
        );
    }
}

/// Inertia is no delay and no spring in series.
#[test]
fn a_clevis_on_the_cell_is_a_mass() {
    let run = Bench {
        mass_kg: 2.5,
        ..SOUND
    }
    .run(&LADDER, 4.0);
    let s = run.statics.as_ref().unwrap();
    is_consistent(&run);
    near("mass", s.moving_mass_kg, 2.5, 0.25);
    holds("mass", s.ci95.moving_mass_kg, 2.5);
    near("delay", s.force_lag_s, 0.0, 2e-4);
    assert_eq!(s.force_lag_applied_s, 0.0);
    holds("gas", s.ci95.gas_force_n, 220.0);
}

#[test]
fn a_late_force_channel_is_a_delay() {
    let run = Bench {
        delay_s: 0.002,
        ..SOUND
    }
    .run(&LADDER, 4.0);
    let s = run.statics.as_ref().unwrap();
    near("delay", s.force_lag_s, 0.002, 2e-4);
    holds("gas", s.ci95.gas_force_n, 220.0);
    holds("friction", s.ci95.friction_n, 32.0);
}

/// Gas is that of the start of the record; what came after is told in newtons.
#[test]
fn a_drifting_cell_is_told_from_gas() {
    let run = Bench {
        drift_n: 30.0,
        ..SOUND
    }
    .run(&LADDER, 4.0);
    let s = run.statics.as_ref().unwrap();
    is_consistent(&run);
    near("drift", s.zero_drift_n, 30.0, 6.0);
    holds("gas", s.ci95.gas_force_n, 220.0);
}

/// At constant speed `sgn v` and `|v|` are one column (elementary): friction plus bleed is all
/// that is known, and that is said instead of a number.
#[test]
fn constant_speed_alone_gives_no_friction() {
    let bench = Bench {
        triangle: true,
        slow: false,
        ..SOUND
    };
    let run = bench.run(&[0.05, 0.1, 0.2, 0.3, 0.5, 0.8], 3.0);
    let s = run.statics.as_ref().unwrap();
    is_consistent(&run);
    assert_eq!(s.friction_n, None, "{:?}", s.ci95.friction_n);
    let why = &s.why_not["friction_n"];
    assert!(why.contains("bleed") && why.contains("5 mm/s"), "{why}");
}

/// One fast speed does not make friction of what the valves do.
#[test]
fn one_fast_speed_does_not_invent_friction() {
    let run = Bench {
        slow: false,
        friction_n: 25.0,
        ..SOUND
    }
    .run(&[0.5], 8.0);
    let s = run.statics.as_ref().unwrap();
    is_consistent(&run);
    if let Some(interval) = s.ci95.friction_n {
        holds("friction", Some(interval), 25.0);
    }
    if let Some(interval) = s.ci95.gas_force_n {
        holds("gas", Some(interval), 220.0);
    }
}

/// The zero of the cell moves the force at rest and nothing that the valves or seals do.
#[test]
fn shifting_the_zero_moves_gas_alone() {
    let plain = SOUND.run(&LADDER, 4.0);
    let shifted = Bench {
        zero_n: 40.0,
        ..SOUND
    }
    .run(&LADDER, 4.0);
    let (a, b) = (
        plain.statics.as_ref().unwrap(),
        shifted.statics.as_ref().unwrap(),
    );
    near("gas", b.gas_force_n, a.gas_force_n.unwrap() + 40.0, 0.3);
    near("friction", b.friction_n, a.friction_n.unwrap(), 0.3);
    let slope = |run: &Run| run.fits.rebound.as_ref().unwrap().segments[0].slope_n_s_m;
    assert!((slope(&shifted) / slope(&plain) - 1.0).abs() < 1e-3);
}

/// Force in other units: every force scales, every speed stays.
#[test]
fn scaling_the_force_scales_the_answers() {
    let plain = SOUND.run(&LADDER, 4.0);
    let doubled = Bench {
        scale: 2.0,
        ..SOUND
    }
    .run(&LADDER, 4.0);
    let (a, b) = (
        plain.statics.as_ref().unwrap(),
        doubled.statics.as_ref().unwrap(),
    );
    near("gas", b.gas_force_n, 2.0 * a.gas_force_n.unwrap(), 1.0);
    near("friction", b.friction_n, 2.0 * a.friction_n.unwrap(), 1.0);
    let knee = |run: &Run| run.fits.compression.as_ref().unwrap().knees[0].velocity_m_s;
    assert!((knee(&doubled) / knee(&plain) - 1.0).abs() < 5e-3);
}

/// Strokes at constant speed follow one another without a pause: each speed has its own force
/// and heat. Closed form: the force of the law at mid-stroke; over a cycle the spring gives back
/// what it took, so heat is the stroke times friction and valves of both directions.
#[test]
fn speeds_that_follow_without_a_pause_keep_apart() {
    let bench = Bench {
        triangle: true,
        slow: false,
        pause_s: 0.0,
        noise_n: 0.5,
        ..SOUND
    };
    for cycles in [3.0, 2.0] {
        // At 1000 samples a second a faster stroke's corners fall between samples.
        let speeds = [0.05, 0.1, 0.2, 0.3, 0.4];
        let run = bench.run(&speeds, cycles);
        assert_eq!(run.steps.len(), speeds.len(), "{cycles} cycles");
        for (step, speed) in run.steps.iter().zip(speeds) {
            let into = bench.force(0.0, speed, 0.0);
            let out = bench.force(0.0, -speed, 0.0);
            let heat = STROKE * (into - out);
            let off = |a: f64, b: f64| (a / b - 1.0).abs();
            let peak = &step.force_at_peak_velocity_n;
            assert!(
                off(peak.compression.mean, into) < 0.01,
                "{speed}: {} {into}",
                peak.compression.mean
            );
            assert!(
                off(peak.rebound.mean, out) < 0.01,
                "{speed}: {} {out}",
                peak.rebound.mean
            );
            let found = step.energy_per_cycle_j.mean;
            assert!(
                off(found, heat) < 0.01,
                "{speed}, {cycles} cycles: heat {found}, not {heat}"
            );
        }
    }
}
