//! The `galebench` command.

use std::process::ExitCode;

#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> ExitCode {
    galebench::cli::main(std::env::args_os())
}
