//! Arrows between rooms point one way.
