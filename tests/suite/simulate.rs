//! Synthetic runs through the binary.
