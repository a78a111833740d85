//! Random dampers, motions and sensors for the diagnosis study, with one cause each.
//!
//! The thresholds were chosen on [`Ranges::tuning`] and [`Ranges::tuning_wide`], the study is
//! run on [`Ranges::study`]; neither seeds nor bounds are shared.

use loopwork::simulate::{Model, Shape, SlowAt, Spec};
use rand::{RngExt, SeedableRng};
use rand_chacha::ChaCha8Rng;

/// What a run is made to have, besides what its charge and valving bring about.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) enum Made {
    Healthy,
    ShortOfGas,
    StarvedTwinTube,
    TwinTube,
    Play,
    PlayWithoutGas,
    Air,
    Friction,
    BentRod,
    StickSlip,
    Lag,
    Bump,
    LeakingCheck,
    LostOil,
    ShortOfGasAndPlay,
    ShortOfGasAndLag,
}

impl Made {
    /// In words.
    pub(super) fn words(self) -> &'static str {
        match self {
            Self::Healthy => "nothing (monotube)",
            Self::ShortOfGas => "little gas",
            Self::StarvedTwinTube => "a starved foot valve",
            Self::TwinTube => "nothing (twin-tube)",
            Self::Play => "play",
            Self::PlayWithoutGas => "play, little or no gas",
            Self::Air => "air, growing",
            Self::Friction => "friction",
            Self::BentRod => "a bent rod",
            Self::StickSlip => "a sticking seal",
            Self::Lag => "a late force channel",
            Self::Bump => "bump or top-out",
            Self::LeakingCheck => "a leaking check valve",
            Self::LostOil => "lost oil",
            Self::ShortOfGasAndPlay => "little gas and play",
            Self::ShortOfGasAndLag => "little gas and a late force channel",
        }
    }
}

pub(super) const MADE: [Made; 16] = [
    Made::Healthy,
    Made::ShortOfGas,
    Made::StarvedTwinTube,
    Made::TwinTube,
    Made::Play,
    Made::PlayWithoutGas,
    Made::Air,
    Made::Friction,
    Made::BentRod,
    Made::StickSlip,
    Made::Lag,
    Made::Bump,
    Made::LeakingCheck,
    Made::LostOil,
    Made::ShortOfGasAndPlay,
    Made::ShortOfGasAndLag,
];

/// Bounds the parameters are drawn between.
#[derive(Debug, Clone)]
pub(super) struct Ranges {
    pub(super) seed: u64,
    bore_mm: (f64, f64),
    rod_over_bore: (f64, f64),
    charge_bar: (f64, f64),
    short_charge_bar: (f64, f64),
    stroke_mm: (f64, f64),
    top_mm_s: (f64, f64),
    rate_hz: (f64, f64),
    noise_percent: (f64, f64),
    bulk_mpa: (f64, f64),
    firmness: (f64, f64),
}

impl Ranges {
    pub(super) fn tuning() -> Self {
        Self {
            seed: 20_251,
            bore_mm: (32.0, 50.0),
            rod_over_bore: (0.27, 0.44),
            charge_bar: (11.0, 26.0),
            short_charge_bar: (0.4, 9.0),
            stroke_mm: (24.0, 90.0),
            top_mm_s: (350.0, 1300.0),
            rate_hz: (300.0, 1500.0),
            noise_percent: (0.02, 0.4),
            bulk_mpa: (600.0, 1500.0),
            firmness: (0.5, 2.0),
        }
    }

    pub(super) fn tuning_wide() -> Self {
        Self {
            seed: 77_003,
            bore_mm: (30.0, 55.0),
            rod_over_bore: (0.25, 0.46),
            charge_bar: (9.0, 30.0),
            short_charge_bar: (0.2, 12.0),
            stroke_mm: (20.0, 100.0),
            top_mm_s: (300.0, 1500.0),
            rate_hz: (250.0, 2000.0),
            noise_percent: (0.01, 0.5),
            bulk_mpa: (500.0, 1700.0),
            firmness: (0.4, 2.4),
        }
    }

    pub(super) fn study() -> Self {
        Self {
            seed: 91_207,
            bore_mm: (29.0, 58.0),
            rod_over_bore: (0.24, 0.47),
            charge_bar: (8.0, 32.0),
            short_charge_bar: (0.25, 11.0),
            stroke_mm: (19.0, 105.0),
            top_mm_s: (320.0, 1600.0),
            rate_hz: (240.0, 2200.0),
            noise_percent: (0.012, 0.48),
            bulk_mpa: (480.0, 1800.0),
            firmness: (0.42, 2.5),
        }
    }

    /// The `i`-th run: what it was made to have, and its description.
    pub(super) fn draw(&self, i: u64) -> (Made, Spec) {
        let mut rng = ChaCha8Rng::seed_from_u64(self.seed.wrapping_mul(1_000_003).wrapping_add(i));
        let made = MADE[(i % MADE.len() as u64) as usize];
        let mut spec = self.damper(&mut rng, made);
        self.motion(&mut rng, &mut spec);
        sensors(self, &mut rng, &mut spec);
        fault(&mut rng, made, &mut spec);
        spec.seed = self.seed + i;
        (made, spec)
    }

    fn damper(&self, rng: &mut ChaCha8Rng, made: Made) -> Spec {
        let mut spec = Spec::default();
        let twin = matches!(made, Made::StarvedTwinTube | Made::TwinTube)
            || (made == Made::PlayWithoutGas && rng.random_bool(0.5));
        let d = &mut spec.damper;
        d.bore_mm = within(rng, self.bore_mm);
        let share = within(rng, self.rod_over_bore);
        d.rod_mm = d.bore_mm * share;
        d.bulk_modulus_mpa = within(rng, self.bulk_mpa);
        d.polytropic_exponent = within(rng, (1.05, 1.4));
        d.charge_bar = within(rng, self.charge_bar);
        let size = (d.bore_mm / 46.0).powi(2);
        d.gas_volume_cm3 = size * within(rng, (60.0, 160.0));
        d.piston_side_mm = within(rng, (80.0, 160.0));
        d.rod_side_mm = within(rng, (80.0, 140.0));
        for (valve, soft) in [(&mut d.compression, 1.0), (&mut d.rebound, 1.0)] {
            let firm = log_within(rng, self.firmness) * soft;
            valve.opening_bar *= firm * within(rng, (0.6, 1.5));
            valve.rate_bar_per_l_min *= firm / size * within(rng, (0.6, 1.6));
            valve.bleed_bar_per_l_min *= firm / size;
            valve.bleed_area_mm2 *= size * within(rng, (0.6, 1.4)) / firm.sqrt();
            valve.port_area_mm2 *= size * within(rng, (0.7, 1.5));
        }
        if twin {
            spec.model = Model::TwinTube;
            d.bore_mm = within(rng, (25.0, 36.0));
            d.rod_mm = d.bore_mm * within(rng, (0.36, 0.46));
            d.charge_bar = within(rng, (0.1, 5.0));
            d.gas_volume_cm3 = within(rng, (60.0, 140.0));
            let small = (d.bore_mm / 30.0).powi(2);
            d.compression.opening_bar = within(rng, (0.5, 2.0));
            d.compression.bleed_area_mm2 = 8.0 * small;
            d.compression.bleed_bar_per_l_min = 0.25 / small;
            d.compression.rate_bar_per_l_min = 0.05 / small;
            d.compression.port_area_mm2 = 40.0 * small;
            d.rebound.opening_bar = within(rng, (8.0, 25.0));
            d.rebound.bleed_area_mm2 = 4.0 * small;
            d.rebound.bleed_bar_per_l_min = 2.0 / small;
            d.rebound.rate_bar_per_l_min = within(rng, (0.4, 1.0)) / small;
            d.rebound.port_area_mm2 = 25.0 * small;
            if made == Made::StarvedTwinTube {
                d.foot.intake_area_mm2 = small * log_within(rng, (1.2, 8.0));
            }
        }
        match made {
            Made::ShortOfGas | Made::ShortOfGasAndPlay | Made::ShortOfGasAndLag => {
                d.charge_bar = log_within(rng, self.short_charge_bar);
            }
            Made::PlayWithoutGas if !twin => {
                d.charge_bar = within(rng, (4.0, 8.0));
                d.compression.opening_bar *= 0.4;
                d.compression.rate_bar_per_l_min *= 0.4;
            }
            _ => {}
        }
        spec.friction.sliding_n = within(rng, (5.0, 45.0));
        spec.friction.smoothing_mm_s = within(rng, (0.1, 1.0));
        spec
    }

    fn motion(&self, rng: &mut ChaCha8Rng, spec: &mut Spec) {
        let m = &mut spec.motion;
        m.shape = if rng.random_bool(0.3) {
            Shape::Crank
        } else {
            Shape::Sine
        };
        m.rod_ratio = within(rng, (3.0, 7.0));
        m.stroke_mm = within(rng, self.stroke_mm);
        let top = within(rng, self.top_mm_s);
        let count = rng.random_range(6..=10_u32);
        let low = within(rng, (30.0, 70.0));
        let bend = within(rng, (0.0, 1.0));
        m.speeds_mm_s = (0..count)
            .map(|k| {
                let u = f64::from(k) / f64::from(count - 1);
                let even = low + (top - low) * u;
                let geometric = low * (top / low).powf(u);
                even + bend * (geometric - even)
            })
            .collect();
        m.cycles = rng.random_range(3..=5);
        m.slow_at = match rng.random_range(0..10) {
            0..=5 => SlowAt::Start,
            6 | 7 => SlowAt::End,
            _ => SlowAt::None,
        };
        // Short and not too slow: the model steps once a sample, and slow steps are long.
        m.slow_mm_s = within(rng, (6.0, 12.0));
        m.slow_stroke_mm = within(rng, (8.0, 14.0)).min(m.stroke_mm);
        m.slow_cycles = 3;
        m.rate_hz = log_within(rng, self.rate_hz);
        m.steps_per_cycle = 600;
        m.start_pause_s = 0.3;
        // Keep the piston inside its oil columns.
        let room = 0.5 * m.stroke_mm + 30.0;
        spec.damper.piston_side_mm = spec.damper.piston_side_mm.max(room);
        spec.damper.rod_side_mm = spec.damper.rod_side_mm.max(room);
        let rod_area = std::f64::consts::FRAC_PI_4 * spec.damper.rod_mm.powi(2);
        let displaced = rod_area * m.stroke_mm * 0.5e-3;
        spec.damper.gas_volume_cm3 = spec.damper.gas_volume_cm3.max(2.5 * displaced);
    }
}

fn sensors(ranges: &Ranges, rng: &mut ChaCha8Rng, spec: &mut Spec) {
    let s = &mut spec.sensors;
    s.force_full_scale_n = 5000.0;
    s.force_noise_percent = log_within(rng, ranges.noise_percent);
    s.travel_noise_percent = log_within(rng, (0.002, 0.05));
    s.force_delay_ms = within(rng, (0.0, 0.4));
    if rng.random_bool(0.3) {
        s.force_step_n = within(rng, (0.5, 5.0));
        s.travel_step_mm = within(rng, (0.005, 0.05));
    }
}

fn fault(rng: &mut ChaCha8Rng, made: Made, spec: &mut Spec) {
    let f = &mut spec.faults;
    let half = 0.5 * spec.motion.stroke_mm;
    match made {
        Made::Play | Made::PlayWithoutGas | Made::ShortOfGasAndPlay => {
            f.play_mm = within(rng, (0.3, 2.0));
            f.mount_stiffness_n_mm = within(rng, (4000.0, 12_000.0));
        }
        Made::Air => {
            f.air_per_cycle_percent = log_within(rng, (0.02, 0.3));
            f.air_limit_percent = within(rng, (1.0, 6.0));
        }
        Made::Friction => spec.friction.sliding_n = within(rng, (70.0, 250.0)),
        Made::BentRod => {
            f.bent_rod_n = within(rng, (40.0, 200.0));
            f.bent_rod_at_mm = within(rng, (-0.6, 0.6)) * half;
            f.bent_rod_width_mm = within(rng, (0.2, 0.6)) * half;
        }
        Made::StickSlip => {
            f.stick_slip_n = within(rng, (30.0, 120.0));
            f.stick_stiffness_n_mm = within(rng, (200.0, 1000.0));
            f.stick_below_mm_s = within(rng, (5.0, 20.0));
        }
        Made::Lag | Made::ShortOfGasAndLag => {
            if rng.random_bool(0.5) {
                spec.sensors.force_delay_ms = within(rng, (1.0, 8.0));
            } else {
                spec.sensors.force_filter_hz = log_within(rng, (20.0, 150.0));
            }
        }
        Made::Bump => {
            f.bump_at_mm = within(rng, (0.6, 0.92)) * half;
            // A stop that pushes with some hundred newtons at the end of the stroke.
            f.bump_stiffness_n_mm = within(rng, (200.0, 1500.0)) / (half - f.bump_at_mm);
            if rng.random_bool(0.4) {
                f.top_out_at_mm = -within(rng, (0.6, 0.92)) * half;
                f.top_out_stiffness_n_mm = within(rng, (200.0, 1500.0)) / (half + f.top_out_at_mm);
            }
        }
        Made::LeakingCheck => {
            let size = (spec.damper.bore_mm / 46.0).powi(2);
            f.leak_rebound_mm2 = size * within(rng, (4.0, 25.0));
            f.leak_compression_mm2 = size * within(rng, (0.0, 25.0));
        }
        Made::LostOil => f.lost_oil_cm3 = within(rng, (5.0, 60.0)),
        _ => {}
    }
}

fn within(rng: &mut ChaCha8Rng, (low, high): (f64, f64)) -> f64 {
    rng.random_range(low..high)
}

fn log_within(rng: &mut ChaCha8Rng, (low, high): (f64, f64)) -> f64 {
    rng.random_range(low.ln()..high.ln()).exp()
}
