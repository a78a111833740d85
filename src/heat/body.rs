//! A body that cools at a rate, seen by a sensor that lags, from one stretch of time to the
//! next: exact for power that is even or changes evenly.

/// What one stretch of time does to body and sensor: worked out once for all that is in them.
#[derive(Debug, Clone, Copy)]
pub(super) struct Stretch {
    rate: f64,
    dt: f64,
    decay: f64,
    mean_decay: f64,
    sensor: Option<Sensor>,
}

#[derive(Debug, Clone, Copy)]
struct Sensor {
    /// `1 − rate·lag`.
    q: f64,
    decay: f64,
    mean_decay: f64,
    /// `dt/lag`.
    y: f64,
}

impl Stretch {
    /// `rate` of cooling, 1/s; `lag` of the sensor, s, 0 for none.
    pub(super) fn new(rate: f64, lag: f64, dt: f64) -> Self {
        let z = rate * dt;
        let sensor = (lag > 0.0).then(|| {
            let mut q = 1.0 - rate * lag;
            if q.abs() < 1e-6 {
                // Both time constants equal: the limit is approached from one side.
                q = 1e-6;
            }
            let y = dt / lag;
            Sensor {
                q,
                decay: libm::exp(-y),
                mean_decay: mean_exponential(y),
                y,
            }
        });
        Self {
            rate,
            dt,
            decay: libm::exp(-z),
            mean_decay: mean_exponential(z),
            sensor,
        }
    }
}

/// A first-order body seen by a first-order sensor.
#[derive(Debug, Clone, Copy)]
pub(super) struct Lagged {
    /// The body's own state.
    pub(super) inside: f64,
    /// What the sensor shows.
    pub(super) shown: f64,
}

impl Lagged {
    pub(super) fn new(start: f64) -> Self {
        Self {
            inside: start,
            shown: start,
        }
    }

    /// Advances under a constant input; returns the mean of what is shown.
    pub(super) fn advance(&mut self, input: f64, over: &Stretch) -> f64 {
        let end = input / over.rate;
        let away = self.inside - end;
        self.inside = end + away * over.decay;
        let Some(sensor) = &over.sensor else {
            self.shown = self.inside;
            return end + away * over.mean_decay;
        };
        let part = away / sensor.q;
        let own = self.shown - end - part;
        let mean = end + part * over.mean_decay + own * sensor.mean_decay;
        self.shown = end + part * over.decay + own * sensor.decay;
        mean
    }

    /// Corrects an advance for work that came early: `ahead` is the work times how much longer
    /// before the end it was done than if it had been even. An input that falls evenly with
    /// that moment bends the inside by a parabola, zero at both ends, of mean `ahead/dt`; the
    /// sensor follows it. Cooling of that small part within the stretch is left out but for
    /// its sum. Returns what is added to the mean shown.
    pub(super) fn shift(&mut self, ahead: f64, over: &Stretch) -> f64 {
        if ahead == 0.0 || over.dt <= 0.0 {
            return 0.0;
        }
        let mean = ahead / over.dt;
        self.inside -= over.rate * ahead;
        let Some(sensor) = &over.sensor else {
            self.shown = self.inside;
            return mean;
        };
        let follow = 6.0 * parabola(sensor.y, sensor.decay);
        self.shown += mean * sensor.y * follow;
        mean * (1.0 - follow)
    }
}

/// `∫₀¹ u(1 − u) e^{−yu} du`, given `e^{−y}`.
fn parabola(y: f64, decay: f64) -> f64 {
    const SERIES_BELOW: f64 = 0.02;
    if y < SERIES_BELOW {
        1.0 / 6.0 - y / 12.0 + y * y / 40.0
    } else {
        ((y - 2.0) + (y + 2.0) * decay) / (y * y * y)
    }
}

/// `(1 − e^{−z})/z`.
fn mean_exponential(z: f64) -> f64 {
    if z < 1e-6 {
        1.0 - 0.5 * z
    } else {
        -libm::expm1(-z) / z
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exact_response_agrees_with_small_steps() {
        let (rate, lag, dt) = (0.02, 3.0, 5.0);
        let mut exact = Lagged::new(2.0);
        exact.shown = 1.0;
        let (mut inside, mut shown, mut sum) = (2.0, 1.0, 0.0);
        let n = 200_000;
        let h = dt / f64::from(n);
        for _ in 0..n {
            let (a, b) = (0.7 - rate * inside, (inside - shown) / lag);
            sum += shown * h;
            inside += a * h;
            shown += b * h;
        }
        let mean = exact.advance(0.7, &Stretch::new(rate, lag, dt));
        assert!((exact.inside - inside).abs() < 1e-5);
        assert!((exact.shown - shown).abs() < 1e-4);
        assert!((mean - sum / dt).abs() < 1e-4);
    }

    #[test]
    fn early_work_agrees_with_small_steps() {
        for lag in [0.0, 0.2, 3.0] {
            let (rate, dt) = (0.002, 2.0);
            let (even, fall) = (0.7, 0.5);
            let mut body = Lagged::new(2.0);
            let mean = body.advance(even, &Stretch::new(rate, lag, dt));
            // Power falls evenly by `fall` per second about its mean.
            let ahead = fall * dt * dt * dt / 12.0;
            let mean = mean + body.shift(ahead, &Stretch::new(rate, lag, dt));
            let (mut inside, mut shown, mut sum) = (2.0, 2.0, 0.0);
            let n = 400_000;
            let h = dt / f64::from(n);
            for i in 0..n {
                let power = even - fall * ((f64::from(i) + 0.5) * h - 0.5 * dt);
                let a = power - rate * inside;
                let seen = if lag > 0.0 { shown } else { inside };
                sum += seen * h;
                shown += if lag > 0.0 {
                    (inside - shown) / lag * h
                } else {
                    0.0
                };
                inside += a * h;
            }
            // Right to first order in the cooling within the bin.
            let left_out = rate * dt * ahead / dt;
            assert!((body.inside - inside).abs() < 1e-5, "{lag}");
            assert!(
                (mean - sum / dt).abs() < left_out,
                "{lag}: {mean} {}",
                sum / dt
            );
            if lag > 0.0 {
                assert!((body.shown - shown).abs() < left_out, "{lag}");
            }
        }
    }
}
