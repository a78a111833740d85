//! Findings through the binary.
