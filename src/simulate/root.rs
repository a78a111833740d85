//! Roots of increasing functions: what every implicit step needs.

/// Rounds before the best guess is taken; bisection alone needs about 60.
const ROUNDS: usize = 100;

/// Root of an increasing function that returns its value and slope: Newton, kept inside the
/// bracket seen so far. Stops when the value is within `tolerance`.
pub(super) fn newton(guess: f64, tolerance: f64, mut f: impl FnMut(f64) -> (f64, f64)) -> f64 {
    let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
    let mut x = guess;
    for _ in 0..ROUNDS {
        let (value, slope) = f(x);
        if value.abs() < tolerance {
            break;
        }
        if value > 0.0 {
            high = x;
        } else {
            low = x;
        }
        let newton = x - value / slope;
        let next = if newton > low && newton < high {
            newton
        } else if low.is_finite() && high.is_finite() {
            0.5 * (low + high)
        } else {
            // Slope of no use: step away from the side that is wrong.
            x - value.signum() * (x.abs() + 1e-6)
        };
        if (next - x).abs() <= 1e-15 * x.abs() {
            break;
        }
        x = next;
    }
    x
}

/// Root of an increasing function without slopes: widens a bracket around the guess, then
/// false position with the Illinois rule. Stops when the value is within `tolerance` or the
/// bracket within `width`.
pub(super) fn false_position(
    guess: f64,
    first_step: f64,
    tolerance: f64,
    width: f64,
    mut f: impl FnMut(f64) -> f64,
) -> f64 {
    let at_guess = f(guess);
    if at_guess.abs() < tolerance {
        return guess;
    }
    let away = -at_guess.signum();
    let (mut a, mut fa) = (guess, at_guess);
    let mut step = first_step;
    let (mut b, mut fb) = (guess + away * step, f(guess + away * step));
    for _ in 0..ROUNDS {
        if fa * fb <= 0.0 {
            break;
        }
        (a, fa) = (b, fb);
        step *= 4.0;
        b += away * step;
        fb = f(b);
    }
    for _ in 0..ROUNDS {
        if fb.abs() < tolerance || (b - a).abs() < width {
            break;
        }
        let secant = b - fb * (b - a) / (fb - fa);
        let c = if secant.is_finite() {
            secant
        } else {
            0.5 * (a + b)
        };
        let fc = f(c);
        if fc * fb < 0.0 {
            (a, fa) = (b, fb);
        } else {
            fa *= 0.5;
        }
        (b, fb) = (c, fc);
    }
    b
}
