//! Unit names, factors and display: the only home of conversion factors.
