//! Simulation studies: rates and coverages over many seeded runs, printed as tables.

mod fits;
