//! Units against the SI standards.
