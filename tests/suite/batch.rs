//! `batch` through the binary.
