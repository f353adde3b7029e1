//! Programs from PyPI that know nothing of ours. `tests/all` installs them into a folder of the build.

#![allow(dead_code, reason = "each user of this file needs a part of it")]

use std::path::{Path, PathBuf};
use std::process::Command;

/// A program of that folder.
pub(crate) fn program(name: &str) -> PathBuf {
    let found = Path::new(env!("CARGO_TARGET_TMPDIR")).join("../foreign/bin").join(name);
    assert!(found.exists(), "{} is missing; ./tests/all installs it", found.display());
    found
}

/// What a Python script prints.
pub(crate) fn python(script: &str, arguments: &[&str]) -> String {
    let done = Command::new(program("python3")).args(["-c", script]).args(arguments).output().expect("python starts");
    assert!(done.status.success(), "{arguments:?}: {}", String::from_utf8_lossy(&done.stderr));
    String::from_utf8(done.stdout).expect("output is UTF-8")
}
