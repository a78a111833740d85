//! Two or more runs side by side: differences, checks, best pairs.
