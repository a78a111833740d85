//! The damper on the dyno: force model, friction, contacts and the mount, one time step at
//! a time.

use super::hydraulic::{Chambers, Conditions, Hydraulics, IMPLICIT};
use super::root::false_position;
use super::spec::{Analytic, Faults, Friction, Model, Spec};

/// Stiffness of a mount with play, N/mm, if none is given: a metal bush, 0.1 mm per kN.
const MOUNT_N_MM: f64 = 10_000.0;
/// Mount and damper force agree to this, N.
const MOUNT_BALANCE_N: f64 = 1e-4;
/// … or the rod's speed is known to this, m/s.
const ROD_SPEED_M_S: f64 = 1e-10;
/// First step of the search for the rod's speed, m/s.
const FIRST_STEP_M_S: f64 = 1e-3;
/// Hydraulic force never fades below this share.
const LEAST_FADE: f64 = 0.05;

#[derive(Debug, Clone)]
enum Force {
    Analytic(Analytic),
    Hydraulic(Box<Hydraulics>),
}

/// Damper and mount.
#[derive(Debug, Clone)]
pub(super) struct Rig {
    force: Force,
    friction: Friction,
    faults: Faults,
    mount: f64,
    fade: f64,
    reference: f64,
    start_c: f64,
}

/// Everything that changes.
#[derive(Debug, Clone, Copy, Default)]
pub(super) struct State {
    /// Travel of the rod, m (the dyno's less what the mount gives).
    pub rod: f64,
    /// Its velocity, m/s.
    pub rod_velocity: f64,
    /// Chambers of a physical model.
    pub chambers: Chambers,
    dashpot: (f64, f64),
    stuck_at: f64,
    /// Force at the load cell, N.
    pub force: f64,
    /// Heat being made, W.
    pub power: f64,
}

impl Rig {
    pub(super) fn new(spec: &Spec) -> Self {
        let faults = spec.faults.clone();
        let mount = if faults.mount_stiffness_n_mm > 0.0 {
            faults.mount_stiffness_n_mm * 1e3
        } else if faults.play_mm > 0.0 {
            MOUNT_N_MM * 1e3
        } else {
            0.0
        };
        let force = match spec.model {
            Model::Analytic => Force::Analytic(spec.analytic.clone()),
            model => Force::Hydraulic(Box::new(Hydraulics::new(
                model,
                &spec.damper,
                &faults,
                &spec.thermal,
            ))),
        };
        Self {
            force,
            friction: spec.friction.clone(),
            faults,
            mount,
            fade: spec.thermal.fade_percent_per_c * 0.01,
            reference: spec.thermal.reference_c,
            start_c: spec.thermal.start_c,
        }
    }

    /// The physical model, if it is one.
    pub(super) fn hydraulics(&self) -> Option<&Hydraulics> {
        match &self.force {
            Force::Analytic(_) => None,
            Force::Hydraulic(hydraulics) => Some(hydraulics),
        }
    }

    /// The same damper with oil that cannot cavitate; `None` for the analytic model.
    pub(super) fn without_voids(&self) -> Option<Self> {
        self.hydraulics().map(|hydraulics| Self {
            force: Force::Hydraulic(Box::new(hydraulics.without_voids())),
            ..self.clone()
        })
    }

    /// Factor on hydraulic force at a temperature.
    pub(super) fn fade_at(&self, celsius: f64) -> f64 {
        (1.0 - self.fade * (celsius - self.reference)).max(LEAST_FADE)
    }

    /// At rest at the dyno's travel `x`.
    pub(super) fn at_rest(&self, x: f64, with: Conditions) -> State {
        let chambers = self
            .hydraulics()
            .map(|h| h.at_rest(x, with))
            .unwrap_or_default();
        let mut state = State {
            rod: x,
            stuck_at: x,
            chambers,
            ..State::default()
        };
        let static_force = match &self.force {
            Force::Analytic(law) => gas(law, x, with.celsius - self.start_c),
            Force::Hydraulic(h) => h.force(&chambers),
        };
        if self.mount > 0.0 {
            // The gas leans on one side of the free travel.
            let lean =
                0.5e-3 * self.faults.play_mm * static_force.signum() + static_force / self.mount;
            state.rod = x - lean;
            if let Some(h) = self.hydraulics() {
                state.chambers = h.at_rest(state.rod, with);
            }
        }
        state.force = static_force;
        state
    }

    /// State after a step of `dt` that ends with the dyno at `x` (m), moving at `v` (m/s).
    pub(super) fn advance(
        &self,
        before: &State,
        x: f64,
        v: f64,
        dt: f64,
        with: Conditions,
    ) -> State {
        if self.mount <= 0.0 {
            return self.slip(self.respond(before, x, v, dt, with));
        }
        let moved = |speed: f64| {
            before.rod + dt * (IMPLICIT * speed + (1.0 - IMPLICIT) * before.rod_velocity)
        };
        let speed = false_position(
            before.rod_velocity,
            FIRST_STEP_M_S,
            MOUNT_BALANCE_N,
            ROD_SPEED_M_S,
            |speed| {
                let rod = moved(speed);
                self.respond(before, rod, speed, dt, with).force - self.mount_force(x - rod)
            },
        );
        self.slip(self.respond(before, moved(speed), speed, dt, with))
    }

    /// The damper's answer to a rod that ends the step at `rod`, moving at `velocity`.
    fn respond(&self, before: &State, rod: f64, velocity: f64, dt: f64, with: Conditions) -> State {
        let mut after = State {
            rod,
            rod_velocity: velocity,
            ..*before
        };
        let hydraulic = match &self.force {
            Force::Analytic(law) => {
                after.dashpot =
                    law.advance(before.dashpot, velocity, rod - before.rod, dt, with.fade);
                after.power = after.dashpot.0 * after.dashpot.1;
                after.dashpot.1 + gas(law, rod, with.celsius - self.start_c)
            }
            Force::Hydraulic(hydraulics) => {
                after.chambers = hydraulics.advance(&before.chambers, rod, dt, with);
                after.power = hydraulics.power(&after.chambers, with);
                hydraulics.force(&after.chambers)
            }
        };
        let friction = self.sliding(rod) * self.sense(velocity);
        let stuck = self
            .held(rod - before.stuck_at, velocity)
            .map_or(0.0, |(pull, limit)| pull.clamp(-limit, limit));
        after.power += friction * velocity;
        after.force = hydraulic + friction + stuck + self.contact(rod);
        after
    }

    /// Lets the seal break loose if it is pulled too hard.
    fn slip(&self, mut after: State) -> State {
        let slips = self
            .held(after.rod - after.stuck_at, after.rod_velocity)
            .is_none_or(|(pull, limit)| pull.abs() > limit);
        if slips {
            after.stuck_at = after.rod;
        }
        after
    }

    /// Pull of a sticking seal over a distance and the pull it can hold, N, which dies away
    /// with speed; `None` for a seal that does not stick.
    fn held(&self, distance: f64, velocity: f64) -> Option<(f64, f64)> {
        (self.faults.stick_slip_n > 0.0).then(|| {
            let pace = velocity / (self.faults.stick_below_mm_s * 1e-3);
            (
                self.faults.stick_stiffness_n_mm * 1e3 * distance,
                self.faults.stick_slip_n * libm::exp(-pace * pace),
            )
        })
    }

    /// Sliding friction at a travel, N, without its sign.
    pub(super) fn sliding(&self, rod: f64) -> f64 {
        let bent = if self.faults.bent_rod_n > 0.0 {
            let off = (rod * 1e3 - self.faults.bent_rod_at_mm) / self.faults.bent_rod_width_mm;
            self.faults.bent_rod_n * libm::exp(-off * off)
        } else {
            0.0
        };
        self.friction.sliding_n + bent
    }

    /// Sign of the velocity, smoothed.
    fn sense(&self, velocity: f64) -> f64 {
        if self.friction.smoothing_mm_s > 0.0 {
            libm::tanh(velocity / (self.friction.smoothing_mm_s * 1e-3))
        } else if velocity == 0.0 {
            0.0
        } else {
            velocity.signum()
        }
    }

    /// Force of bump and top-out, N.
    fn contact(&self, rod: f64) -> f64 {
        let bump = (rod - self.faults.bump_at_mm * 1e-3).max(0.0);
        let top = (self.faults.top_out_at_mm * 1e-3 - rod).max(0.0);
        1e3 * (self.faults.bump_stiffness_n_mm * bump - self.faults.top_out_stiffness_n_mm * top)
    }

    /// Force of the mount when the dyno is `ahead` m of the rod, N.
    fn mount_force(&self, ahead: f64) -> f64 {
        let half = 0.5e-3 * self.faults.play_mm;
        self.mount * ((ahead - half).max(0.0) + (ahead + half).min(0.0))
    }
}

/// Gas force of the analytic model.
fn gas(law: &Analytic, x: f64, warmer: f64) -> f64 {
    (law.gas_force_n + law.gas_stiffness_n_mm * 1e3 * x)
        * (1.0 + 0.01 * law.gas_percent_per_c * warmer)
}
