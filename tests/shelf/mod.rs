//! Shelves of tiny records: copies of a kept one under other names.

#![allow(dead_code, reason = "each user of this file needs a part of it")]

use std::path::{Path, PathBuf};
use std::process::{Command, Output};

/// Results as an earlier analysis might have left them.
pub(crate) const FORMER: &str = r#"{"format":1,"unit":null,"batch":"may-shelf-3","run":null,"plan":null,"rig":null,
"started":null,"bench_seconds":0.3,"virtual":true,"results":{},"absent":{},"curve":[],"signs":[],
"verdict":{"grade":"fit","reasons":["as judged in May"],"limits":{},"risk":null},"stopped":null,
"analysis":"galebench 0.0.9, analysis 0"}"#;

/// Puts `count` records on the shelf `root`, each with results of an earlier analysis, and returns their folders.
pub(crate) fn fill(root: &Path, prefix: &str, count: usize) -> Vec<PathBuf> {
    (0..count).map(|number| put(root, &format!("run-{prefix}-{number:03}"))).collect()
}

fn put(root: &Path, run: &str) -> PathBuf {
    let kept = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/runs/format-1.1");
    let dir = root.join("may-shelf-3/TQ-0001").join(run);
    std::fs::create_dir_all(&dir).expect("the shelf can be written");
    let events = std::fs::read_to_string(kept.join("events.jsonl")).expect("the kept record");
    std::fs::write(dir.join("events.jsonl"), events.replace("run-1", run)).expect("the shelf can be written");
    std::fs::copy(kept.join("samples.arrows"), dir.join("samples.arrows")).expect("the kept record");
    let former = FORMER.replace("\"run\":null", &format!("\"run\":\"{run}\""));
    std::fs::write(dir.join("results.json"), former).expect("the shelf can be written");
    dir
}

/// The program with these arguments on the shelf `root`.
pub(crate) fn galebench(root: &Path, arguments: &[&str]) -> Command {
    let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
    command.args(arguments).arg("--out").arg(root);
    command
}

/// Runs it; standard output.
pub(crate) fn run(root: &Path, arguments: &[&str]) -> String {
    let done = galebench(root, arguments).output().expect("the binary starts");
    assert!(done.status.success(), "{arguments:?}: {}", said(&done));
    String::from_utf8(done.stdout).expect("output is UTF-8")
}

/// Everything that a command printed.
pub(crate) fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}
