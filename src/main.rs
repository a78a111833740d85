//! The `loopwork` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    loopwork::cli::main(std::env::args_os())
}
