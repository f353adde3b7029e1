//! Standard output: results only, and nothing ill when the reader has gone.

use std::io::{ErrorKind, Write};
use std::path::Path;

use crate::cli::exit::Failure;

/// Prints `text` to standard output. A reader that has gone (a closed pipe) is no failure: it has seen enough.
///
/// # Errors
/// When standard output cannot be written for another reason, a full disk for instance.
pub(crate) fn print(text: &str) -> Result<(), Failure> {
    let mut out = std::io::stdout().lock();
    let mut written = out.write_all(text.as_bytes());
    if !text.ends_with('\n') {
        written = written.and_then(|()| out.write_all(b"\n"));
    }
    match written.and_then(|()| out.flush()) {
        Err(error) if error.kind() != ErrorKind::BrokenPipe => {
            Err(Failure::failed(format!("standard output cannot be written: {error}")))
        }
        _ => Ok(()),
    }
}

/// Puts `json` where `--json` asked for it: `-` is standard output, anything else a file.
///
/// # Errors
/// When that cannot be written.
pub(crate) fn put_json(json: &str, to: &Path) -> Result<(), Failure> {
    if to == Path::new("-") {
        return print(json);
    }
    std::fs::write(to, json).map_err(|error| Failure::failed(format!("cannot write {}: {error}", to.display())))
}

/// Says something to the person at the terminal, on standard error; talk that cannot be heard is no failure.
pub(crate) fn say(text: &str) {
    let _ = writeln!(std::io::stderr().lock(), "{text}");
}
