//! Numerics on slices: derivatives, smoothing, interpolation, noise. No damper words, no files.

mod interpolate;
mod lanes;
mod local_fit;
mod noise;
mod periodic;
mod regression;

pub use interpolate::{CubicGrid, HatGrid, cubic_at, quintic_on_grid};
pub use lanes::{range_of, sum_of_squared_gaps};
pub use local_fit::{
    LocalPolynomial, dot_circular, line_through, parabola_through, polynomial_weights,
    savitzky_golay,
};
pub use noise::{noise_of, quantum_of};
pub use periodic::{
    Harmonic, circular_savitzky_golay, fourth_order_difference, harmonics, sample_circular,
    series_at,
};
pub use regression::{Regression, least_squares, residual_squares, robust_clustered};
