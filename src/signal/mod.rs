//! Numerics on slices: derivatives, smoothing, interpolation. No damper words, no files.
