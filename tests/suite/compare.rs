//! Comparisons through the binary.
