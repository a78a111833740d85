//! Intake through the binary.
