//! Signs: which way is compression, and which sign of force resists it.
