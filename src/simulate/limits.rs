//! Values that cannot be: all of them are named at once.

use super::motion::Path;
use super::spec::{Law, Model, Shape, Spec, Valve};
use crate::notice::{Error, Fault, Notice};

/// Most time steps of one run: about a minute of work.
const MOST_STEPS: f64 = 5e7;

/// Collects complaints.
struct Complaints(Vec<Notice>);

impl Complaints {
    fn add(&mut self, name: &str, found: impl std::fmt::Display, expected: &str) {
        self.0.push(
            Notice::error(
                "impossible-value",
                format!("{name} is {found}, expected {expected}"),
            )
            .help(format!("change {name} in the description")),
        );
    }

    fn positive(&mut self, name: &str, value: f64) {
        if !(value > 0.0 && value.is_finite()) {
            self.add(name, value, "a number above zero");
        }
    }

    fn not_negative(&mut self, name: &str, value: f64) {
        if !(value >= 0.0 && value.is_finite()) {
            self.add(name, value, "zero or more");
        }
    }

    fn finite(&mut self, name: &str, value: f64) {
        if !value.is_finite() {
            self.add(name, value, "a finite number");
        }
    }
}

/// Checks a whole description.
///
/// # Errors
/// [`Fault::Input`] with everything that is wrong.
pub(super) fn check(spec: &Spec) -> Result<(), Error> {
    let mut wrong = Complaints(Vec::new());
    motion(spec, &mut wrong);
    match spec.model {
        Model::Analytic => analytic(spec, &mut wrong),
        Model::Monotube | Model::TwinTube => damper(spec, &mut wrong),
    }
    friction_and_faults(spec, &mut wrong);
    thermal(spec, &mut wrong);
    sensors(spec, &mut wrong);
    if wrong.0.is_empty() {
        room(spec, &mut wrong);
    }
    if wrong.0.is_empty() {
        Ok(())
    } else {
        Err(Error::many(Fault::Input, wrong.0))
    }
}

fn motion(spec: &Spec, wrong: &mut Complaints) {
    let m = &spec.motion;
    wrong.positive("motion.stroke_mm", m.stroke_mm);
    wrong.positive("motion.rate_hz", m.rate_hz);
    wrong.not_negative("motion.start_pause_s", m.start_pause_s);
    wrong.not_negative("motion.pause_s", m.pause_s);
    wrong.not_negative("motion.end_pause_s", m.end_pause_s);
    wrong.not_negative("motion.slow_stroke_mm", m.slow_stroke_mm);
    wrong.positive("motion.slow_mm_s", m.slow_mm_s);
    if !(0.0..=45.0).contains(&m.jitter_percent) {
        wrong.add("motion.jitter_percent", m.jitter_percent, "0 to 45");
    }
    for (name, list) in [
        ("motion.speeds_mm_s", &m.speeds_mm_s),
        ("motion.frequencies_hz", &m.frequencies_hz),
        ("motion.strokes_mm", &m.strokes_mm),
    ] {
        for &value in list {
            wrong.positive(name, value);
        }
    }
    if !m.strokes_mm.is_empty() {
        wrong.positive("motion.frequency_hz", m.frequency_hz);
    }
    if m.cycles == 0 || m.slow_cycles == 0 {
        wrong.add(
            "motion.cycles or motion.slow_cycles",
            0,
            "one cycle or more",
        );
    }
    let ladder = [&m.strokes_mm, &m.frequencies_hz, &m.speeds_mm_s]
        .into_iter()
        .find(|list| !list.is_empty())
        .map_or(0, Vec::len);
    if !m.cycles_of_each.is_empty()
        && (m.cycles_of_each.len() != ladder || m.cycles_of_each.contains(&0))
    {
        wrong.add(
            "motion.cycles_of_each",
            format!("{:?}", m.cycles_of_each),
            &format!("{ladder} counts of one or more, one a step of the ladder"),
        );
    }
    if m.steps_per_cycle < 100 {
        wrong.add("motion.steps_per_cycle", m.steps_per_cycle, "100 or more");
    }
    if m.shape == Shape::Crank && (m.rod_ratio.is_nan() || m.rod_ratio <= 1.0) {
        wrong.add(
            "motion.rod_ratio",
            m.rod_ratio,
            "more than 1 (rod longer than crank)",
        );
    }
    if m.shape == Shape::Triangle && !(m.rounding > 0.0 && m.rounding <= 1.0) {
        wrong.add("motion.rounding", m.rounding, "above 0 and up to 1");
    }
}

fn analytic(spec: &Spec, wrong: &mut Complaints) {
    let a = &spec.analytic;
    wrong.finite("analytic.gas_force_n", a.gas_force_n);
    wrong.not_negative("analytic.gas_stiffness_n_mm", a.gas_stiffness_n_mm);
    wrong.not_negative("analytic.series_stiffness_n_mm", a.series_stiffness_n_mm);
    law("analytic.compression", &a.compression, wrong);
    law("analytic.rebound", &a.rebound, wrong);
    let f = &spec.faults;
    for (name, value) in [
        ("faults.air_per_cycle_percent", f.air_per_cycle_percent),
        ("faults.leak_compression_mm2", f.leak_compression_mm2),
        ("faults.leak_rebound_mm2", f.leak_rebound_mm2),
        ("faults.lost_oil_cm3", f.lost_oil_cm3),
    ] {
        if value != 0.0 {
            wrong.add(
                name,
                value,
                "0 with the analytic model, which has no chambers",
            );
        }
    }
}

fn law(name: &str, law: &Law, wrong: &mut Complaints) {
    let slopes = law.slopes_n_s_m.len();
    let knees = law.knees_m_s.len();
    if slopes != knees + 1 && !(slopes == 0 && knees == 0) {
        wrong.add(
            &format!("{name}.slopes_n_s_m"),
            format!("{slopes} long with {knees} knees"),
            "one slope more than there are knees",
        );
    }
    for &slope in &law.slopes_n_s_m {
        wrong.not_negative(&format!("{name}.slopes_n_s_m"), slope);
    }
    let mut before = 0.0;
    for &knee in &law.knees_m_s {
        if !(knee > before && knee.is_finite()) {
            wrong.add(
                &format!("{name}.knees_m_s"),
                knee,
                "rising speeds above zero",
            );
        }
        before = knee;
    }
    wrong.not_negative(&format!("{name}.coefficient"), law.coefficient);
    if law.coefficient > 0.0 {
        wrong.positive(&format!("{name}.exponent"), law.exponent);
    }
}

fn damper(spec: &Spec, wrong: &mut Complaints) {
    let d = &spec.damper;
    for (name, value) in [
        ("damper.bore_mm", d.bore_mm),
        ("damper.rod_mm", d.rod_mm),
        ("damper.gas_volume_cm3", d.gas_volume_cm3),
        ("damper.piston_side_mm", d.piston_side_mm),
        ("damper.rod_side_mm", d.rod_side_mm),
        ("damper.bulk_modulus_mpa", d.bulk_modulus_mpa),
        ("damper.oil_density_kg_m3", d.oil_density_kg_m3),
        ("damper.discharge_coefficient", d.discharge_coefficient),
        ("damper.foot.intake_area_mm2", d.foot.intake_area_mm2),
    ] {
        wrong.positive(name, value);
    }
    wrong.not_negative("damper.charge_bar", d.charge_bar);
    wrong.not_negative("damper.gas_volume_limit_cm3", d.gas_volume_limit_cm3);
    wrong.not_negative("damper.vapour_pressure_bar", d.vapour_pressure_bar);
    wrong.not_negative("damper.foot.intake_opening_bar", d.foot.intake_opening_bar);
    if d.rod_mm >= d.bore_mm {
        wrong.add("damper.rod_mm", d.rod_mm, "less than damper.bore_mm");
    }
    if d.vapour_pressure_bar >= 1.0 {
        wrong.add(
            "damper.vapour_pressure_bar",
            d.vapour_pressure_bar,
            "less than 1 bar",
        );
    }
    if !(1.0..=1.67).contains(&d.polytropic_exponent) {
        wrong.add(
            "damper.polytropic_exponent",
            d.polytropic_exponent,
            "1 to 1.67",
        );
    }
    if !(0.0..=30.0).contains(&d.free_air_percent) {
        wrong.add("damper.free_air_percent", d.free_air_percent, "0 to 30");
    }
    if !(d.charge_temperature_c > -100.0 && d.charge_temperature_c.is_finite()) {
        wrong.add(
            "damper.charge_temperature_c",
            d.charge_temperature_c,
            "above -100 °C",
        );
    }
    valve("damper.compression", &d.compression, wrong);
    valve("damper.rebound", &d.rebound, wrong);
    valve("damper.foot.compression", &d.foot.compression, wrong);
}

fn valve(name: &str, valve: &Valve, wrong: &mut Complaints) {
    wrong.positive(&format!("{name}.bleed_area_mm2"), valve.bleed_area_mm2);
    wrong.positive(&format!("{name}.port_area_mm2"), valve.port_area_mm2);
    wrong.positive(&format!("{name}.opening_bar"), valve.opening_bar);
    wrong.positive(
        &format!("{name}.rate_bar_per_l_min"),
        valve.rate_bar_per_l_min,
    );
    wrong.not_negative(
        &format!("{name}.bleed_bar_per_l_min"),
        valve.bleed_bar_per_l_min,
    );
}

fn friction_and_faults(spec: &Spec, wrong: &mut Complaints) {
    let f = &spec.faults;
    for (name, value) in [
        ("friction.sliding_n", spec.friction.sliding_n),
        ("friction.smoothing_mm_s", spec.friction.smoothing_mm_s),
        ("faults.air_per_cycle_percent", f.air_per_cycle_percent),
        ("faults.play_mm", f.play_mm),
        ("faults.mount_stiffness_n_mm", f.mount_stiffness_n_mm),
        ("faults.bent_rod_n", f.bent_rod_n),
        ("faults.bump_stiffness_n_mm", f.bump_stiffness_n_mm),
        ("faults.top_out_stiffness_n_mm", f.top_out_stiffness_n_mm),
        ("faults.leak_compression_mm2", f.leak_compression_mm2),
        ("faults.leak_rebound_mm2", f.leak_rebound_mm2),
        ("faults.stick_slip_n", f.stick_slip_n),
        ("faults.lost_oil_cm3", f.lost_oil_cm3),
    ] {
        wrong.not_negative(name, value);
    }
    if !(0.0..=30.0).contains(&f.air_limit_percent) {
        wrong.add("faults.air_limit_percent", f.air_limit_percent, "0 to 30");
    }
    if f.bent_rod_n > 0.0 {
        wrong.positive("faults.bent_rod_width_mm", f.bent_rod_width_mm);
        wrong.finite("faults.bent_rod_at_mm", f.bent_rod_at_mm);
    }
    if f.unsettled_percent != 0.0 {
        wrong.positive("faults.unsettled_cycles", f.unsettled_cycles);
        wrong.not_negative("faults.unsettled_percent", f.unsettled_percent);
    }
    if f.stick_slip_n > 0.0 {
        wrong.positive("faults.stick_stiffness_n_mm", f.stick_stiffness_n_mm);
        wrong.positive("faults.stick_below_mm_s", f.stick_below_mm_s);
    }
    wrong.finite("faults.bump_at_mm", f.bump_at_mm);
    wrong.finite("faults.top_out_at_mm", f.top_out_at_mm);
}

fn thermal(spec: &Spec, wrong: &mut Complaints) {
    let t = &spec.thermal;
    if t.capacity_j_k() <= 0.0 || !t.capacity_j_k().is_finite() {
        wrong.add(
            "heat capacity of [thermal]",
            t.capacity_j_k(),
            "a number above zero",
        );
    }
    wrong.not_negative("thermal.cooling_w_per_k", t.cooling_w_per_k);
    wrong.finite("thermal.fade_percent_per_c", t.fade_percent_per_c);
    for (name, value) in [
        ("thermal.start_c", t.start_c),
        ("thermal.air_c", t.air_c),
        ("thermal.reference_c", t.reference_c),
    ] {
        if !(-100.0..=400.0).contains(&value) {
            wrong.add(name, value, "-100 to 400 °C");
        }
    }
}

fn sensors(spec: &Spec, wrong: &mut Complaints) {
    let s = &spec.sensors;
    for (name, value) in [
        ("sensors.force_full_scale_n", s.force_full_scale_n),
        ("sensors.force_noise_percent", s.force_noise_percent),
        ("sensors.force_step_n", s.force_step_n),
        ("sensors.force_clip_n", s.force_clip_n),
        ("sensors.force_delay_ms", s.force_delay_ms),
        ("sensors.force_filter_hz", s.force_filter_hz),
        ("sensors.travel_full_scale_mm", s.travel_full_scale_mm),
        ("sensors.travel_noise_percent", s.travel_noise_percent),
        ("sensors.travel_step_mm", s.travel_step_mm),
        ("sensors.velocity_delay_ms", s.velocity_delay_ms),
        ("sensors.velocity_noise_mm_s", s.velocity_noise_mm_s),
        ("sensors.temperature_lag_s", s.temperature_lag_s),
        ("sensors.temperature_noise_c", s.temperature_noise_c),
        ("sensors.spikes_per_thousand", s.spikes_per_thousand),
        ("sensors.dropouts_per_thousand", s.dropouts_per_thousand),
    ] {
        wrong.not_negative(name, value);
    }
    for (name, value) in [
        ("sensors.force_offset_n", s.force_offset_n),
        ("sensors.travel_offset_mm", s.travel_offset_mm),
        ("sensors.temperature_offset_c", s.temperature_offset_c),
        ("sensors.spike_n", s.spike_n),
        ("sensors.velocity_gain", s.velocity_gain),
    ] {
        wrong.finite(name, value);
    }
}

/// Whether the stroke fits the damper and the run fits the machine.
fn room(spec: &Spec, wrong: &mut Complaints) {
    let path = Path::new(&spec.motion);
    let Some(reach) = path
        .steps()
        .iter()
        .map(|s| s.amplitude)
        .max_by(f64::total_cmp)
    else {
        wrong.add(
            "motion.speeds_mm_s",
            "empty",
            "at least one speed, or a slow step",
        );
        return;
    };
    let fastest = path.steps().iter().map(|s| s.frequency).fold(0.0, f64::max);
    if spec.motion.rate_hz < 8.0 * fastest {
        wrong.add(
            "motion.rate_hz",
            spec.motion.rate_hz,
            &format!(
                "at least 8 samples in the fastest cycle ({:.0} Hz)",
                8.0 * fastest
            ),
        );
    }
    let pace = spec
        .motion
        .rate_hz
        .max(fastest * f64::from(spec.motion.steps_per_cycle));
    if path.duration() * pace > MOST_STEPS {
        wrong.add(
            "the run",
            format!("{:.0} s long", path.duration()),
            "a shorter one, or a lower motion.rate_hz",
        );
    }
    if spec.model == Model::Analytic {
        return;
    }
    let d = &spec.damper;
    // m times mm² is cm³.
    let rod_volume = reach * 0.25 * std::f64::consts::PI * d.rod_mm * d.rod_mm;
    if d.gas_volume_cm3 <= 1.1 * rod_volume {
        wrong.add(
            "damper.gas_volume_cm3",
            d.gas_volume_cm3,
            &format!(
                "more than {:.1}, which the rod takes at half stroke",
                1.1 * rod_volume
            ),
        );
    }
    // A millimetre of oil must stay on either side.
    let needed = reach * 1e3 + 1.0 + spec.faults.play_mm;
    if d.piston_side_mm < needed || d.rod_side_mm < needed {
        wrong.add(
            "damper.piston_side_mm or damper.rod_side_mm",
            d.piston_side_mm.min(d.rod_side_mm),
            &format!("at least {needed:.0} for this stroke"),
        );
    }
}
