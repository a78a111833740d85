//! The command line: exit codes, messages, nothing half-written.
