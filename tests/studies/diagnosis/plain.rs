//! Recordings from closed formulas: nine kinds of damper, six motions, and causes at three sizes
//! that a hydraulic model does not bring about by itself. Nothing here is shared with
//! `loopwork::simulate` but the container the samples are handed over in.

use std::f64::consts::PI;

use loopwork::simulate::Simulated;
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// Kinds of damper by what they are fitted to: name, force at 0.3 m/s in compression and rebound
/// N, friction N, gas N, gas stiffness N/m, stroke m, top speed m/s, knee m/s.
type Kind = (&'static str, [f64; 2], f64, f64, f64, f64, f64, f64);

pub(super) const KINDS: [Kind; 9] = [
    (
        "road car, monotube",
        [550.0, 1400.0],
        25.0,
        220.0,
        700.0,
        0.05,
        1.0,
        0.12,
    ),
    (
        "road car, twin-tube",
        [350.0, 1100.0],
        20.0,
        15.0,
        60.0,
        0.06,
        0.8,
        0.1,
    ),
    ("rally", [1500.0, 2600.0], 70.0, 350.0, 500.0, 0.1, 1.5, 0.2),
    (
        "race car",
        [1800.0, 2200.0],
        18.0,
        120.0,
        500.0,
        0.025,
        0.35,
        0.05,
    ),
    ("fork", [180.0, 420.0], 22.0, 10.0, 0.0, 0.08, 0.9, 0.15),
    ("bicycle", [55.0, 130.0], 6.0, 25.0, 150.0, 0.04, 0.5, 0.1),
    ("kart", [250.0, 500.0], 8.0, 20.0, 60.0, 0.03, 0.4, 0.08),
    (
        "truck",
        [4200.0, 12_000.0],
        140.0,
        60.0,
        100.0,
        0.1,
        0.7,
        0.15,
    ),
    ("steering", [500.0, 520.0], 30.0, 0.0, 0.0, 0.1, 0.6, 0.3),
];

/// How the machine moves.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Drive {
    Sine,
    Crank,
    Triangle,
    Amplitudes,
    TwoCycles,
    OneSpeed,
}

pub(super) const DRIVES: [Drive; 6] = [
    Drive::Sine,
    Drive::Crank,
    Drive::Triangle,
    Drive::Amplitudes,
    Drive::TwoCycles,
    Drive::OneSpeed,
];

/// What is done to the damper or the bench.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Cause {
    Sound,
    Void,
    VoidAtTop,
    Play,
    PlayOfRod,
    PlayTared,
    SteadyAir,
    Friction,
    Bump,
    HydraulicStop,
    Bypass,
    Coil,
    AirSpring,
    SoftStage,
    Progressive,
    Leak,
    Drift,
    Mass,
}

pub(super) const CAUSES: [Cause; 18] = [
    Cause::Sound,
    Cause::Void,
    Cause::VoidAtTop,
    Cause::Play,
    Cause::PlayOfRod,
    Cause::PlayTared,
    Cause::SteadyAir,
    Cause::Friction,
    Cause::Bump,
    Cause::HydraulicStop,
    Cause::Bypass,
    Cause::Coil,
    Cause::AirSpring,
    Cause::SoftStage,
    Cause::Progressive,
    Cause::Leak,
    Cause::Drift,
    Cause::Mass,
];

impl Cause {
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Sound => "nothing",
            Self::Void => "a void from half the top speed",
            Self::VoidAtTop => "a void at the top speed alone",
            Self::Play => "play, the cell at zero",
            Self::PlayOfRod => "play that only shifts the rod",
            Self::PlayTared => "play, the cell zeroed under load",
            Self::SteadyAir => "steady air",
            Self::Friction => "friction",
            Self::Bump => "bump stop",
            Self::HydraulicStop => "hydraulic stop",
            Self::Bypass => "bypass in one half",
            Self::Coil => "coil spring left on",
            Self::AirSpring => "air spring",
            Self::SoftStage => "soft second stage",
            Self::Progressive => "progressive valve (sound)",
            Self::Leak => "leak at low speed",
            Self::Drift => "drift of the cell",
            Self::Mass => "moving mass",
        }
    }

    /// Findings that are right where this was done.
    pub(super) fn right(self) -> &'static [&'static str] {
        match self {
            Self::Sound | Self::Progressive => &[],
            Self::Void | Self::VoidAtTop => &["cavitation"],
            Self::Play | Self::PlayOfRod | Self::PlayTared => &["play"],
            Self::SteadyAir => &["aeration"],
            Self::Friction => &["high-friction"],
            Self::Bump => &["bump"],
            Self::HydraulicStop => &["hydraulic-stop"],
            Self::Bypass => &["position"],
            Self::Coil | Self::AirSpring => &["spring-fitted"],
            Self::SoftStage => &["frequency"],
            Self::Leak => &["leaking-check"],
            Self::Drift => &["drift"],
            Self::Mass => &["moving-mass"],
        }
    }
}

/// One recording and what is true of it.
pub(super) struct Made {
    pub(super) kind: usize,
    pub(super) drive: Drive,
    pub(super) cause: Cause,
    /// 0 small, 1 middling, 2 large.
    pub(super) size: usize,
    /// The effect in the unit its finding states its smallest in.
    pub(super) effect: f64,
    pub(super) run: Simulated,
}

/// Bench and damper of one recording.
struct Bench {
    law: [[f64; 2]; 2],
    knee: f64,
    progressive: bool,
    friction: f64,
    creep: f64,
    gas: f64,
    stiffness: f64,
    stroke: f64,
    top: f64,
    rate: f64,
    noise: f64,
    zero: f64,
}

impl Bench {
    fn draw(rng: &mut ChaCha8Rng, kind: usize) -> Self {
        let (_, force, friction, gas, stiffness, stroke, top, knee) = KINDS[kind];
        let mut vary = |low: f64, high: f64| rng.random_range(low..high);
        let knee = knee * vary(0.7, 1.4);
        let law = force.map(|f| {
            let f = f * vary(0.6, 1.6);
            // Share of the force at 0.3 m/s that is there at the knee.
            let at_knee = f * if knee >= 0.28 {
                knee / 0.3
            } else {
                vary(0.5, 0.85)
            };
            let above = if knee >= 0.28 {
                at_knee / knee
            } else {
                (f - at_knee) / (0.3 - knee)
            };
            [at_knee / knee, above]
        });
        let stroke = stroke * vary(0.7, 1.3);
        let top = top * vary(0.7, 1.3);
        let cycle = PI * stroke / top;
        let largest = law
            .iter()
            .map(|l| l[0] * knee + l[1] * (top - knee))
            .fold(0.0, f64::max);
        Self {
            law,
            knee,
            progressive: false,
            friction: friction * vary(0.5, 1.5),
            creep: vary(5e-4, 2e-3),
            gas: gas * vary(0.6, 1.4),
            stiffness: stiffness * vary(0.6, 1.4),
            stroke,
            top,
            rate: (vary(80.0, 400.0) / cycle).clamp(200.0, 5000.0),
            noise: largest * 10f64.powf(vary(-3.6, -2.3)),
            zero: 0.0,
        }
    }

    fn hydraulic(&self, v: f64) -> f64 {
        let side = usize::from(v < 0.0);
        let [low, high] = self.law[side];
        let u = v.abs();
        let f = if self.progressive {
            low * self.knee * (u / self.knee).powf(1.6)
        } else if u <= self.knee {
            low * u
        } else {
            low * self.knee + high * (u - self.knee)
        };
        f * v.signum()
    }

    /// Speed at which the valves give a force in compression.
    fn speed_at(&self, force: f64) -> f64 {
        let (mut a, mut b) = (0.0, 20.0);
        for _ in 0..60 {
            let m = 0.5 * (a + b);
            if self.hydraulic(m) < force {
                a = m;
            } else {
                b = m;
            }
        }
        0.5 * (a + b)
    }

    fn rub(&self, v: f64) -> f64 {
        self.friction * (v / self.creep).tanh()
    }
}

/// Travel, velocity and acceleration over one step, from full extension.
fn path(drive: Drive, phase: f64, half: f64, period: f64) -> (f64, f64, f64) {
    let w = 2.0 * PI / period;
    let sine = |p: f64| {
        let a = 2.0 * PI * p;
        (-half * a.cos(), half * w * a.sin(), half * w * w * a.cos())
    };
    match drive {
        Drive::Crank => {
            // Crank of half the stroke, rod four times as long.
            let (r, l) = (half, 4.0 * half);
            let x = |p: f64| {
                let a = 2.0 * PI * p;
                -r * a.cos() + (l * l - (r * a.sin()).powi(2)).sqrt() - l
            };
            let h = 1e-4;
            let (a, b, c) = (x(phase - h), x(phase), x(phase + h));
            (
                b,
                (c - a) / (2.0 * h * period),
                (c - 2.0 * b + a) / (h * period).powi(2),
            )
        }
        Drive::Triangle => {
            // Corners rounded over a twentieth of each half.
            let corner = 0.05;
            let p = phase.rem_euclid(1.0);
            let (q, sign) = if p < 0.5 {
                (2.0 * p, 1.0)
            } else {
                (2.0 * p - 1.0, -1.0)
            };
            let v = 2.0 * half / (1.0 - corner) / (0.5 * period);
            let stroke = 2.0 * half;
            let t = 0.5 * period;
            let (x, u, a) = if q < corner {
                let s = q / corner;
                (0.5 * v * corner * t * s * s, v * s, v / (corner * t))
            } else if q > 1.0 - corner {
                let s = (1.0 - q) / corner;
                (
                    stroke - 0.5 * v * corner * t * s * s,
                    v * s,
                    -v / (corner * t),
                )
            } else {
                (v * t * (q - 0.5 * corner), v, 0.0)
            };
            (sign * (x - half), sign * u, sign * a)
        }
        _ => sine(phase),
    }
}

/// The `i`-th recording of a set.
pub(super) fn make(seed: u64, i: u64) -> Made {
    let mut rng = ChaCha8Rng::seed_from_u64(seed.wrapping_mul(7919).wrapping_add(i));
    let cause = CAUSES[(i % CAUSES.len() as u64) as usize];
    let kind = rng.random_range(0..KINDS.len());
    let drive = DRIVES[rng.random_range(0..DRIVES.len())];
    let size = rng.random_range(0..3_usize);
    let mut bench = Bench::draw(&mut rng, kind);
    let scale = [1.0, 2.0, 4.0][size] * rng.random_range(0.85..1.2);
    let force_at_top = [1.0, -1.0].map(|s: f64| bench.hydraulic(s * bench.top).abs());
    let span = 0.5 * (force_at_top[0] + force_at_top[1]);
    let mut cap = f64::INFINITY;
    let mut effect = 0.0;
    match cause {
        Cause::Void => cap = bench.hydraulic((0.8 - 0.15 * size as f64) * bench.top),
        Cause::VoidAtTop => cap = bench.hydraulic((0.95 - 0.02 * size as f64) * bench.top),
        Cause::Progressive => bench.progressive = true,
        Cause::Friction => bench.friction = (bench.friction + 0.06 * span) * scale,
        Cause::Coil => bench.gas += 0.3 * span * scale,
        _ => {}
    }
    if rng.random_bool(0.3) {
        bench.zero = -bench.gas * f64::from(u8::from(rng.random_bool(0.5)));
    }
    if cause == Cause::PlayTared {
        bench.zero = if bench.gas > 1.0 {
            -bench.gas
        } else {
            0.02 * span
        };
    }
    let play = 1e-3 * 0.3 * scale;
    let shares: Vec<f64> = match drive {
        Drive::OneSpeed => vec![1.0],
        Drive::TwoCycles => vec![0.06, 0.15, 0.3, 0.5, 0.75, 1.0],
        _ => vec![0.03, 0.08, 0.15, 0.25, 0.4, 0.6, 0.8, 1.0],
    };
    let cycles = match drive {
        Drive::TwoCycles => 2.0,
        Drive::OneSpeed => 8.0,
        _ => 4.0,
    };
    let mut run = Simulated::default();
    let slow = drive != Drive::OneSpeed && rng.random_bool(0.6);
    let twice = cause == Cause::SoftStage;
    let mut steps: Vec<(f64, f64, f64)> = Vec::new();
    if slow {
        steps.push((bench.stroke, 0.008, 3.0));
    }
    for s in &shares {
        let (stroke, speed) = match drive {
            Drive::Amplitudes => (bench.stroke * s.max(0.12), bench.top * s.max(0.12)),
            _ => (bench.stroke, bench.top * s),
        };
        steps.push((stroke, speed, cycles));
        if twice && *s > 0.2 && drive != Drive::OneSpeed {
            steps.push((0.5 * stroke, speed, cycles));
        }
    }
    let mut state = State::default();
    let mut clock = 0.0;
    let whole: f64 = steps
        .iter()
        .map(|(stroke, speed, n)| n * PI * stroke / speed)
        .sum();
    let mut stands: Option<f64> = None;
    for (stroke, speed, n) in steps {
        // The machine moves to where the next stroke begins.
        if let Some(from) = stands.filter(|f| (f + 0.5 * stroke).abs() > 1e-9) {
            let rate = bench.rate.min(500.0);
            let count = (0.8 * rate) as usize;
            for k in 0..count {
                let share = 0.5 * (1.0 - (PI * k as f64 / count as f64).cos());
                run.time.push(clock + k as f64 / rate);
                run.travel.push(from + share * (-0.5 * stroke - from));
                run.velocity.push(0.0);
                run.force
                    .push(bench.gas + bench.zero + bench.noise * rng.random_range(-1.5..1.5));
            }
            clock += 0.8;
        }
        stands = Some(-0.5 * stroke);
        let half = 0.5 * stroke;
        let period = match drive {
            Drive::Triangle => 2.0 * stroke / 0.95 / speed,
            _ => PI * stroke / speed,
        };
        // Slow steps are sampled more slowly, as machines do.
        let rate = (400.0 / period).min(bench.rate).max(60.0);
        let count = (n * period * rate).round() as usize;
        for k in 0..count {
            let t = k as f64 / rate;
            let (x, v, a) = path(drive, t / period, half, period);
            let force = one(
                &bench,
                cause,
                scale,
                size,
                play,
                cap,
                &mut state,
                (x, v, a),
                1.0 / rate,
                span,
                period,
            );
            let drift = if cause == Cause::Drift {
                0.02 * span * scale * (clock + t) / whole
            } else {
                0.0
            };
            let noise: f64 = (0..12).map(|_| rng.random_range(0.0..1.0)).sum::<f64>() - 6.0;
            run.time.push(clock + t);
            run.travel.push(x + 2e-6 * rng.random_range(-1.0..1.0));
            run.velocity.push(v);
            run.force
                .push(force + bench.zero + drift + bench.noise * noise);
        }
        clock += count as f64 / rate;
        state = State::default();
    }
    if twice && drive != Drive::OneSpeed {
        // The largest difference one speed at both strokes really makes.
        let loss = |period: f64, stroke: f64| {
            let quick = 1.0 / (1.0 + (period / (1.5 * PI * stroke / bench.top)).powi(2));
            1.0 - 0.25 * scale.min(3.0) * quick
        };
        for s in shares.iter().filter(|s| **s > 0.2) {
            let period = PI * bench.stroke / (bench.top * s);
            let (long, short) = (loss(period, bench.stroke), loss(0.5 * period, bench.stroke));
            effect = f64::max(effect, (long - short) / (0.5 * (long + short)) * 0.9);
        }
    }
    if effect == 0.0 {
        effect = match cause {
            Cause::Play | Cause::PlayOfRod | Cause::PlayTared => play,
            Cause::Friction => bench.friction,
            Cause::Coil => 0.25 * span * scale,
            Cause::AirSpring => 0.4 * span * scale,
            Cause::Bump => 0.12 * span * scale,
            Cause::HydraulicStop | Cause::Bypass => 0.25 * scale,
            Cause::SoftStage => 0.15 * scale.min(3.5),
            Cause::Leak => 0.3 + 0.2 * size as f64,
            Cause::Drift => 0.02 * span * scale,
            Cause::Mass => mass(&bench, scale, span),
            Cause::Void | Cause::VoidAtTop => (force_at_top[0] - cap).max(0.0),
            Cause::SteadyAir => 0.02 * scale,
            Cause::Sound | Cause::Progressive => 0.0,
        };
    }
    Made {
        kind,
        drive,
        cause,
        size,
        effect,
        run,
    }
}

/// A mass whose inertia at the top speed is some share of the force.
fn mass(bench: &Bench, scale: f64, span: f64) -> f64 {
    let acceleration = 2.0 * bench.top * bench.top / bench.stroke;
    0.04 * scale * span / acceleration
}

#[derive(Default)]
struct State {
    /// Travel of a void, m.
    void: f64,
    /// Where the rod is behind a gap, m.
    rod: Option<f64>,
    /// Force of a column that gives, N.
    column: f64,
}

#[expect(
    clippy::too_many_arguments,
    reason = "one formula and all that it takes"
)]
fn one(
    b: &Bench,
    cause: Cause,
    scale: f64,
    size: usize,
    play: f64,
    cap: f64,
    state: &mut State,
    (x, v, a): (f64, f64, f64),
    dt: f64,
    span: f64,
    period: f64,
) -> f64 {
    let half = 0.5 * b.stroke;
    let gas = |x: f64| b.gas + b.stiffness * x;
    let rest = |x: f64, v: f64| gas(x) + b.rub(v);
    match cause {
        Cause::Void | Cause::VoidAtTop => {
            let limit = b.speed_at(cap);
            if v > 0.0 && (v > limit || state.void > 0.0) {
                state.void = (state.void + (v - limit) * dt).max(0.0);
                return rest(x, v)
                    + cap.min(if state.void > 0.0 {
                        cap
                    } else {
                        b.hydraulic(v)
                    });
            }
            if v < 0.0 && state.void > 0.0 {
                state.void = (state.void + v * dt).max(0.0);
                return rest(x, v);
            }
            rest(x, v) + b.hydraulic(v)
        }
        Cause::Play | Cause::PlayOfRod | Cause::PlayTared => {
            let rod = state.rod.get_or_insert(x - 0.5 * play);
            let before = *rod;
            *rod = rod.clamp(x - 0.5 * play, x + 0.5 * play);
            let moved = (*rod - before).abs() > 0.0;
            match (moved, cause) {
                (true, _) => rest(x, v) + b.hydraulic(v),
                (false, Cause::PlayOfRod) => gas(x),
                (false, _) => 0.0,
            }
        }
        Cause::SteadyAir => {
            // A column of some percent of the stroke at the largest force.
            let stiffness = span / (0.04 * scale * b.stroke);
            for _ in 0..8 {
                let through = through(b, state.column);
                state.column += stiffness * (v - through) * dt / 8.0;
            }
            rest(x, v) + state.column
        }
        Cause::Bump => {
            let from = 0.75 * half;
            let depth = (x - from).max(0.0) / (half - from);
            rest(x, v) + b.hydraulic(v) + 0.12 * span * scale * depth
        }
        Cause::HydraulicStop => {
            let depth = ((x - 0.55 * half) / (0.45 * half)).clamp(0.0, 1.0);
            let more = if v > 0.0 {
                1.0 + 0.5 * scale * depth
            } else {
                1.0
            };
            rest(x, v) + b.hydraulic(v) * more
        }
        Cause::Bypass => {
            let inside = ((x / half + 0.1) / 0.2).clamp(0.0, 1.0);
            rest(x, v) + b.hydraulic(v) * (1.0 + 0.25 * scale * inside)
        }
        Cause::Coil => rest(x, v) + b.hydraulic(v) + 0.25 * span * scale * x / b.stroke,
        Cause::AirSpring => {
            let pressed = 0.25 * span * scale * (1.0 / (1.0 - 0.75 * (x + half) / b.stroke) - 1.0);
            rest(x, v) + b.hydraulic(v) + pressed
        }
        Cause::SoftStage => {
            // Less force for short, quick strokes.
            let quick = 1.0 / (1.0 + (period / (1.5 * PI * b.stroke / b.top)).powi(2));
            rest(x, v) + b.hydraulic(v) * (1.0 - 0.25 * scale.min(3.0) * quick)
        }
        Cause::Leak => {
            let left = [0.6, 0.35, 0.15][size];
            let u = v.abs() / (0.3 * b.top);
            let share = if v < 0.0 {
                left + (1.0 - left) * (u * u / (1.0 + u * u))
            } else {
                1.0
            };
            rest(x, v) + b.hydraulic(v) * share
        }
        Cause::Mass => rest(x, v) + b.hydraulic(v) + mass(b, scale, span) * a,
        _ => rest(x, v) + b.hydraulic(v),
    }
}

/// Speed at which the valves let a force through, signed.
fn through(b: &Bench, force: f64) -> f64 {
    let side = usize::from(force < 0.0);
    let [low, high] = b.law[side];
    let f = force.abs();
    let at_knee = low * b.knee;
    let u = if f <= at_knee {
        f / low
    } else {
        b.knee + (f - at_knee) / high
    };
    u * force.signum()
}
