//! Reports through the binary.
