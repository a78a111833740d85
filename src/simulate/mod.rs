//! Synthetic runs from a damper description. For demos, teaching and tests; the analysis never imports it.
