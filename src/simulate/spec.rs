//! The description of a synthetic run: damper, motion, heat, faults, sensors, file format.
//!
//! Every field has its unit in its name and a default; the defaults together are a healthy
//! car-size monotube on a sine-motion dyno.

use serde::{Deserialize, Serialize};

use super::dialect::Output;

/// A whole run, as a TOML file holds it.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Spec {
    /// What the run shows, for people; never read by the model.
    pub title: String,
    /// Seed of all random numbers (sensor noise, spikes, dropouts).
    pub seed: u64,
    /// Which force model makes the run.
    pub model: Model,
    /// The parts of the damper (models `monotube` and `twin-tube`).
    pub damper: Damper,
    /// The force law (model `analytic`).
    pub analytic: Analytic,
    /// Seal friction, in every model.
    pub friction: Friction,
    /// What the dyno does.
    pub motion: Motion,
    /// Heat and what it does to the oil and the gas.
    pub thermal: Thermal,
    /// What is wrong with the damper or its mounting.
    pub faults: Faults,
    /// What the sensors do to the signals.
    pub sensors: Sensors,
    /// How the file is written.
    pub output: Output,
}

impl Default for Spec {
    fn default() -> Self {
        Self {
            title: "healthy monotube".into(),
            seed: 1,
            model: Model::Monotube,
            damper: Damper::default(),
            analytic: Analytic::default(),
            friction: Friction::default(),
            motion: Motion::default(),
            thermal: Thermal::default(),
            faults: Faults::default(),
            sensors: Sensors::default(),
            output: Output::default(),
        }
    }
}

/// Which force model makes the run.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Model {
    /// A force law written down: the truth is exact.
    Analytic,
    /// One tube, gas behind a floating piston, chamber pressures integrated over time.
    Monotube,
    /// Two tubes with a foot valve and a gas-topped reservoir.
    TwinTube,
}

/// The parts of a monotube or twin-tube damper.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Damper {
    /// Bore, which is the piston diameter, mm.
    pub bore_mm: f64,
    /// Rod diameter, mm.
    pub rod_mm: f64,
    /// Gas pressure above atmosphere, bar, at mid-stroke and `charge_temperature_c`.
    pub charge_bar: f64,
    /// Temperature the charge refers to, °C.
    pub charge_temperature_c: f64,
    /// Gas volume at mid-stroke, cm³.
    pub gas_volume_cm3: f64,
    /// Largest gas volume, where the floating piston of a monotube meets its stop, cm³; 0 is no
    /// stop.
    pub gas_volume_limit_cm3: f64,
    /// Exponent of the gas: 1 isothermal to 1.4 adiabatic.
    pub polytropic_exponent: f64,
    /// Oil column on the piston side at mid-stroke, mm.
    pub piston_side_mm: f64,
    /// Oil column on the rod side at mid-stroke, mm.
    pub rod_side_mm: f64,
    /// Effective bulk modulus of oil and walls, MPa.
    pub bulk_modulus_mpa: f64,
    /// Vapour pressure of the oil, bar absolute.
    pub vapour_pressure_bar: f64,
    /// Free air in the oil at atmospheric pressure, % of the oil's volume.
    pub free_air_percent: f64,
    /// Oil density, kg/m³.
    pub oil_density_kg_m3: f64,
    /// Discharge coefficient of bleeds and ports.
    pub discharge_coefficient: f64,
    /// Piston valve while the damper is compressed.
    pub compression: Valve,
    /// Piston valve in rebound.
    pub rebound: Valve,
    /// Foot valve (twin-tube only).
    pub foot: FootValve,
}

impl Default for Damper {
    fn default() -> Self {
        Self {
            bore_mm: 46.0,
            rod_mm: 14.0,
            charge_bar: 16.0,
            charge_temperature_c: 20.0,
            gas_volume_cm3: 70.0,
            gas_volume_limit_cm3: 0.0,
            polytropic_exponent: 1.2,
            piston_side_mm: 110.0,
            rod_side_mm: 100.0,
            bulk_modulus_mpa: 1000.0,
            vapour_pressure_bar: 0.02,
            free_air_percent: 0.0,
            oil_density_kg_m3: 860.0,
            discharge_coefficient: 0.7,
            compression: Valve {
                bleed_area_mm2: 15.0,
                bleed_bar_per_l_min: 0.22,
                opening_bar: 2.2,
                rate_bar_per_l_min: 0.055,
                port_area_mm2: 120.0,
            },
            rebound: Valve {
                bleed_area_mm2: 11.0,
                bleed_bar_per_l_min: 0.70,
                opening_bar: 7.5,
                rate_bar_per_l_min: 0.165,
                port_area_mm2: 110.0,
            },
            foot: FootValve::default(),
        }
    }
}

/// A preloaded valve with a bleed beside it and a port behind both. A description that names
/// one gives all of it: half a valve from one direction's default would surprise.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Valve {
    /// Area of the bleed orifice, mm².
    pub bleed_area_mm2: f64,
    /// Viscous part of the bleed's pressure drop, bar per L/min.
    pub bleed_bar_per_l_min: f64,
    /// Pressure difference at which the valve opens, bar.
    pub opening_bar: f64,
    /// Pressure rise over flow once the valve is open, bar per L/min.
    pub rate_bar_per_l_min: f64,
    /// Area of the port behind valve and bleed, mm².
    pub port_area_mm2: f64,
}

impl Default for Valve {
    fn default() -> Self {
        Damper::default().compression
    }
}

/// The foot valve of a twin-tube.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct FootValve {
    /// Out of the working tube, in compression.
    pub compression: Valve,
    /// Area of the intake from the reservoir, mm².
    pub intake_area_mm2: f64,
    /// Pressure difference that lifts the intake's check plate, bar.
    pub intake_opening_bar: f64,
}

impl Default for FootValve {
    fn default() -> Self {
        Self {
            compression: Valve {
                bleed_area_mm2: 1.2,
                bleed_bar_per_l_min: 1.0,
                opening_bar: 14.0,
                rate_bar_per_l_min: 2.0,
                port_area_mm2: 12.0,
            },
            intake_area_mm2: 60.0,
            intake_opening_bar: 0.05,
        }
    }
}

/// A force law written down. Hydraulic force against speed, each direction apart.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Analytic {
    /// Gas force at mid-stroke, N.
    pub gas_force_n: f64,
    /// Gas stiffness, N/mm.
    pub gas_stiffness_n_mm: f64,
    /// Change of gas force with temperature, % per °C.
    pub gas_percent_per_c: f64,
    /// Spring in series with the hydraulic force (oil and structure), N/mm; 0 is rigid.
    pub series_stiffness_n_mm: f64,
    /// Compression.
    pub compression: Law,
    /// Rebound.
    pub rebound: Law,
}

impl Default for Analytic {
    fn default() -> Self {
        Self {
            gas_force_n: 240.0,
            gas_stiffness_n_mm: 0.6,
            gas_percent_per_c: 0.0,
            series_stiffness_n_mm: 0.0,
            compression: Law {
                slopes_n_s_m: vec![3000.0, 900.0],
                knees_m_s: vec![0.12],
                ..Law::default()
            },
            rebound: Law {
                slopes_n_s_m: vec![9000.0, 1800.0],
                knees_m_s: vec![0.1],
                ..Law::default()
            },
        }
    }
}

/// Hydraulic force against speed in one direction: the sum of a piecewise-linear and a
/// power-law part. One slope without a knee is the viscous damper, exponent 2 the quadratic
/// (orifice) damper.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Law {
    /// Slope of each segment, N·s/m; one more than there are knees.
    pub slopes_n_s_m: Vec<f64>,
    /// Speeds at which the slope changes, m/s, rising.
    pub knees_m_s: Vec<f64>,
    /// Factor of the power law, N·(s/m)^exponent.
    pub coefficient: f64,
    /// Exponent of the power law.
    pub exponent: f64,
}

/// Seal friction.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Friction {
    /// Friction while sliding, N.
    pub sliding_n: f64,
    /// Speed over which friction changes sign, mm/s: friction is `sliding·tanh(v/this)`; 0 is
    /// a hard sign change.
    pub smoothing_mm_s: f64,
}

impl Default for Friction {
    fn default() -> Self {
        Self {
            sliding_n: 30.0,
            smoothing_mm_s: 0.3,
        }
    }
}

/// The path the dyno drives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Shape {
    /// Pure sine.
    Sine,
    /// Crank with a rod of finite length.
    Crank,
    /// Constant speed with rounded corners.
    Triangle,
}

/// Where the slow step sits.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum SlowAt {
    /// Before the ladder.
    Start,
    /// After it.
    End,
    /// Before and after it.
    Both,
    /// There is none.
    None,
}

/// What the dyno does. Give one of `speeds_mm_s`, `frequencies_hz` (both at `stroke_mm`) or
/// `strokes_mm` (at `frequency_hz`).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Motion {
    /// The path.
    pub shape: Shape,
    /// Rod length over crank radius (shape `crank`).
    pub rod_ratio: f64,
    /// Share of each stroke taken by the rounded corners, 0 to 1 (shape `triangle`).
    pub rounding: f64,
    /// Stroke, end to end, mm.
    pub stroke_mm: f64,
    /// Peak speed of each step, mm/s: `π·stroke·frequency` for a sine or crank, the plateau
    /// for a triangle.
    pub speeds_mm_s: Vec<f64>,
    /// Frequency of each step, Hz.
    pub frequencies_hz: Vec<f64>,
    /// Stroke of each step, mm.
    pub strokes_mm: Vec<f64>,
    /// Frequency shared by `strokes_mm`, Hz.
    pub frequency_hz: f64,
    /// Cycles of each step.
    pub cycles: u32,
    /// Cycles of each step of the ladder apart, in order; empty gives every step `cycles`.
    pub cycles_of_each: Vec<u32>,
    /// Where the slow step sits.
    pub slow_at: SlowAt,
    /// Peak speed of the slow step, mm/s.
    pub slow_mm_s: f64,
    /// Stroke of the slow step, mm; 0 takes the ladder's.
    pub slow_stroke_mm: f64,
    /// Cycles of the slow step.
    pub slow_cycles: u32,
    /// Cycles over which speed and stroke change between steps; 0 changes at once, at full
    /// extension.
    pub ramp_cycles: u32,
    /// Rest before the first step, s.
    pub start_pause_s: f64,
    /// Rest between steps, s.
    pub pause_s: f64,
    /// Rest after the last step, s.
    pub end_pause_s: f64,
    /// Samples per second.
    pub rate_hz: f64,
    /// Largest error of a sample's time, % of the sample interval.
    pub jitter_percent: f64,
    /// Steps of the integration in a cycle, at least; it also steps once a sample.
    pub steps_per_cycle: u32,
}

impl Default for Motion {
    fn default() -> Self {
        Self {
            shape: Shape::Sine,
            rod_ratio: 4.0,
            rounding: 0.2,
            stroke_mm: 50.0,
            speeds_mm_s: vec![
                50.0, 100.0, 150.0, 200.0, 300.0, 400.0, 500.0, 650.0, 800.0, 1000.0,
            ],
            frequencies_hz: Vec::new(),
            strokes_mm: Vec::new(),
            frequency_hz: 0.0,
            cycles: 5,
            cycles_of_each: Vec::new(),
            slow_at: SlowAt::Start,
            slow_mm_s: 6.0,
            slow_stroke_mm: 20.0,
            slow_cycles: 3,
            ramp_cycles: 0,
            start_pause_s: 0.5,
            pause_s: 0.0,
            end_pause_s: 0.0,
            rate_hz: 500.0,
            jitter_percent: 0.0,
            steps_per_cycle: 1500,
        }
    }
}

/// Heat: one lump of oil and metal, giving off heat to the air.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Thermal {
    /// False keeps everything at `start_c`.
    pub enabled: bool,
    /// Temperature at the start, °C.
    pub start_c: f64,
    /// Air temperature, °C.
    pub air_c: f64,
    /// Oil mass, kg.
    pub oil_kg: f64,
    /// Specific heat of the oil, J/(kg K).
    pub oil_specific_heat: f64,
    /// Metal that warms with the oil, kg.
    pub metal_kg: f64,
    /// Specific heat of the metal, J/(kg K).
    pub metal_specific_heat: f64,
    /// Heat given off per degree above the air, W/K.
    pub cooling_w_per_k: f64,
    /// Loss of hydraulic force per °C above `reference_c`, %.
    pub fade_percent_per_c: f64,
    /// Temperature at which the valves and the analytic law are stated, °C.
    pub reference_c: f64,
    /// True if the gas warms with the oil.
    pub gas_follows: bool,
}

impl Default for Thermal {
    fn default() -> Self {
        Self {
            enabled: false,
            start_c: 20.0,
            air_c: 20.0,
            oil_kg: 0.25,
            oil_specific_heat: 1900.0,
            metal_kg: 1.2,
            metal_specific_heat: 480.0,
            cooling_w_per_k: 1.5,
            fade_percent_per_c: 0.15,
            reference_c: 20.0,
            gas_follows: true,
        }
    }
}

/// What is wrong with the damper or its mounting. All zero is a healthy part.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Faults {
    /// Free air gained per cycle, % of the oil's volume (physical models).
    pub air_per_cycle_percent: f64,
    /// Free air at which the gain stops, %.
    pub air_limit_percent: f64,
    /// Total free travel in a mount, mm.
    pub play_mm: f64,
    /// Stiffness of the mount beyond the free travel, N/mm; 0 takes a default when there is play.
    pub mount_stiffness_n_mm: f64,
    /// Largest extra friction of a bent rod, N.
    pub bent_rod_n: f64,
    /// Travel at which a bent rod drags most, mm (compression positive).
    pub bent_rod_at_mm: f64,
    /// Half-width of the dragging stretch, mm.
    pub bent_rod_width_mm: f64,
    /// Stiffness of a bump contact, N/mm; 0 is none.
    pub bump_stiffness_n_mm: f64,
    /// Travel at which the bump is met, mm.
    pub bump_at_mm: f64,
    /// Stiffness of a top-out contact, N/mm; 0 is none.
    pub top_out_stiffness_n_mm: f64,
    /// Travel at which the top-out is met, mm (negative: towards extension).
    pub top_out_at_mm: f64,
    /// Area that should be shut by a check valve in compression, mm² (physical models).
    pub leak_compression_mm2: f64,
    /// Area that should be shut by a check valve in rebound, mm² (physical models).
    pub leak_rebound_mm2: f64,
    /// Friction that breaks loose beyond the sliding friction, N.
    pub stick_slip_n: f64,
    /// Stiffness of the seal while it sticks, N/mm.
    pub stick_stiffness_n_mm: f64,
    /// Speed above which nothing sticks any more, mm/s.
    pub stick_below_mm_s: f64,
    /// Extra hydraulic force at the first instant of each step, %.
    pub unsettled_percent: f64,
    /// Cycles over which it falls to 1/e.
    pub unsettled_cycles: f64,
    /// Oil lost, replaced by gas at the same charge left to expand, cm³ (monotube).
    pub lost_oil_cm3: f64,
}

/// What the sensors do to the signals.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Sensors {
    /// Full scale of the load cell, N.
    pub force_full_scale_n: f64,
    /// Standard deviation of the force noise, % of full scale.
    pub force_noise_percent: f64,
    /// Zero error of the load cell, N.
    pub force_offset_n: f64,
    /// Smallest step of the force channel, N; 0 is none.
    pub force_step_n: f64,
    /// Largest force the channel can show, either sign, N; 0 is none.
    pub force_clip_n: f64,
    /// Pure delay of the force channel, ms.
    pub force_delay_ms: f64,
    /// Cut-off of a first-order filter in the force channel, Hz; 0 is none.
    pub force_filter_hz: f64,
    /// Full scale of the travel sensor, mm.
    pub travel_full_scale_mm: f64,
    /// Standard deviation of the travel noise, % of full scale.
    pub travel_noise_percent: f64,
    /// Where mid-stroke reads, mm.
    pub travel_offset_mm: f64,
    /// Smallest step of the travel channel, mm; 0 is none.
    pub travel_step_mm: f64,
    /// What the velocity channel shows for 1 (0.001 is a mix-up of mm/s and m/s).
    pub velocity_gain: f64,
    /// Delay of the velocity channel, ms.
    pub velocity_delay_ms: f64,
    /// Standard deviation of the velocity noise, mm/s.
    pub velocity_noise_mm_s: f64,
    /// Time constant of the temperature sensor, s.
    pub temperature_lag_s: f64,
    /// Error of the temperature sensor, °C.
    pub temperature_offset_c: f64,
    /// Standard deviation of the temperature noise, °C.
    pub temperature_noise_c: f64,
    /// Force spikes per thousand samples.
    pub spikes_per_thousand: f64,
    /// Size of a spike, N (either sign).
    pub spike_n: f64,
    /// Dropouts per thousand samples.
    pub dropouts_per_thousand: f64,
    /// Samples a dropout lasts.
    pub dropout_samples: u32,
    /// What the force reads meanwhile.
    pub dropout: Dropout,
}

impl Default for Sensors {
    fn default() -> Self {
        Self {
            force_full_scale_n: 5000.0,
            force_noise_percent: 0.05,
            force_offset_n: 0.0,
            force_step_n: 0.0,
            force_clip_n: 0.0,
            force_delay_ms: 0.0,
            force_filter_hz: 0.0,
            travel_full_scale_mm: 100.0,
            travel_noise_percent: 0.005,
            travel_offset_mm: 0.0,
            travel_step_mm: 0.0,
            velocity_gain: 1.0,
            velocity_delay_ms: 0.0,
            velocity_noise_mm_s: 0.2,
            temperature_lag_s: 0.0,
            temperature_offset_c: 0.0,
            temperature_noise_c: 0.0,
            spikes_per_thousand: 0.0,
            spike_n: 0.0,
            dropouts_per_thousand: 0.0,
            dropout_samples: 5,
            dropout: Dropout::Hold,
        }
    }
}

impl Sensors {
    /// Sensors that show exactly what is there.
    pub fn perfect() -> Self {
        Self {
            force_noise_percent: 0.0,
            travel_noise_percent: 0.0,
            velocity_noise_mm_s: 0.0,
            ..Self::default()
        }
    }
}

/// What the force channel reads during a dropout.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "kebab-case")]
pub enum Dropout {
    /// The last good reading.
    Hold,
    /// Zero.
    Zero,
    /// Nothing: an empty cell.
    Blank,
}
