//! The `galebench` command.

fn main() {}
