//! The `galebench` command.

use std::process::ExitCode;

fn main() -> ExitCode {
    galebench::cli::main(std::env::args_os())
}
