//! One body that takes up heat and gives it off to the air in proportion to how much
//! warmer it is.

/// `C·dT/dt = P − G·(T − T_air)` (lumped capacity; Incropera & DeWitt, Fundamentals of Heat
/// and Mass Transfer, sec. 5.1–5.3, from memory).
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Lump {
    /// Heat capacity `C`, J/K.
    pub capacity_j_k: f64,
    /// Heat given off per degree `G`, W/K; 0 for none.
    pub conductance_w_k: f64,
    /// Air temperature, °C.
    pub air_c: f64,
}

impl Lump {
    /// `C/G`, s. `None` without cooling.
    pub fn time_constant_s(&self) -> Option<f64> {
        (self.conductance_w_k > 0.0).then(|| self.capacity_j_k / self.conductance_w_k)
    }

    /// `T_air + P/G`, °C. `None` without cooling.
    pub fn settled_c(&self, power_w: f64) -> Option<f64> {
        (self.conductance_w_k > 0.0).then(|| self.air_c + power_w / self.conductance_w_k)
    }

    /// Temperature `time_s` after `start_c` under constant power, °C.
    pub fn after(&self, start_c: f64, power_w: f64, time_s: f64) -> f64 {
        match (self.settled_c(power_w), self.time_constant_s()) {
            (Some(end), Some(tau)) => end + (start_c - end) * libm::exp(-time_s / tau),
            _ => start_c + power_w * time_s / self.capacity_j_k,
        }
    }

    /// Time from `start_c` to `target_c` under constant power, s; 0 if it is there already,
    /// `None` if it never gets there.
    pub fn time_to(&self, start_c: f64, power_w: f64, target_c: f64) -> Option<f64> {
        let towards = (target_c - start_c)
            * match self.settled_c(power_w) {
                Some(end) => end - start_c,
                None => power_w,
            };
        if target_c == start_c {
            return Some(0.0);
        }
        if towards <= 0.0 {
            return None;
        }
        match (self.settled_c(power_w), self.time_constant_s()) {
            (Some(end), Some(tau)) => {
                let left = (target_c - end) / (start_c - end);
                (left > 0.0).then(|| -tau * libm::log(left))
            }
            _ => Some((target_c - start_c) * self.capacity_j_k / power_w),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use std::f64::consts::PI;

    /// A sphere in a gas stream (kg/m³, J/(kg K), m, W/(m² K)).
    fn sphere(density: f64, specific_heat: f64, diameter: f64, film: f64, air_c: f64) -> Lump {
        Lump {
            capacity_j_k: density * specific_heat * PI / 6.0 * diameter.powi(3),
            conductance_w_k: film * PI * diameter * diameter,
            air_c,
        }
    }

    /// Thermocouple junction of Incropera & DeWitt, example 5.1 (h = 400, c = 400, ρ = 8500;
    /// 25 °C into a stream at 200 °C): for a time constant of 1 s the diameter is 0.706 mm,
    /// and 199 °C is reached in 5.2 s. Problem statement read in a public copy of it, printed
    /// results from memory.
    #[test]
    fn thermocouple_junction_of_the_textbook() {
        let junction = sphere(8500.0, 400.0, 7.06e-4, 400.0, 200.0);
        assert!((junction.time_constant_s().unwrap() - 1.0).abs() < 5e-3);
        let time = junction.time_to(25.0, 0.0, 199.0).unwrap();
        assert!((time - 5.2).abs() < 0.05, "{time}");
    }

    /// Çengel, Heat Transfer: A Practical Approach, example 4-1 (numbers and the rounded
    /// result read in a public worked solution, attribution from memory): D = 1 mm, ρ = 8500,
    /// c = 320, h = 210; 99 % of the step is read in 10 s.
    #[test]
    fn thermocouple_bead_of_the_second_example() {
        let bead = sphere(8500.0, 320.0, 1e-3, 210.0, 100.0);
        let time = bead.time_to(0.0, 0.0, 99.0).unwrap();
        assert_eq!(time.round(), 10.0);
    }

    /// Lienhard & Lienhard, A Heat Transfer Textbook, example 1.3 (public edition): a solder
    /// bead of 1 mm, ρ = 9300, c = 180, h = 250 has a time constant of 1.116 s (ρ, h and the
    /// value from memory; read in an excerpt: 0.18 kJ/(kg K), 1 mm, 20 to 200 °C, and that 95 %
    /// come within three time constants).
    #[test]
    fn solder_bead_of_the_third_example() {
        let bead = sphere(9300.0, 180.0, 1e-3, 250.0, 200.0);
        let tau = bead.time_constant_s().unwrap();
        assert!((tau - 1.116).abs() < 5e-4, "{tau}");
        let share = (bead.after(20.0, 0.0, 3.0 * tau) - 20.0) / 180.0;
        assert!((share - 0.95).abs() < 5e-3, "{share}");
    }

    #[test]
    fn what_is_never_reached_has_no_time() {
        let lump = Lump {
            capacity_j_k: 500.0,
            conductance_w_k: 2.0,
            air_c: 20.0,
        };
        assert_eq!(lump.time_to(20.0, 100.0, 71.0), None);
        assert!(lump.time_to(20.0, 100.0, 69.0).is_some());
        assert_eq!(lump.time_to(60.0, 0.0, 70.0), None);
        assert_eq!(lump.time_to(60.0, 0.0, 20.0), None);
        let there_and_back = lump.time_to(60.0, 0.0, 30.0).unwrap();
        assert!((lump.after(60.0, 0.0, there_and_back) - 30.0).abs() < 1e-9);
    }
}
