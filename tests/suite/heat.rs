//! Heat through the binary.
