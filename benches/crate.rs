//! What a crate of virtual units costs, full plan, records and reports included: `cargo bench --bench crate`, or with
//! another number of units, `-- 20`.
//!
//! Prints wall time and, after every tenth part of the crate, the memory that the program holds.

use std::error::Error;
use std::io::Write as _;
use std::path::Path;
use std::sync::atomic::AtomicBool;
use std::time::Instant;

use galebench::intake::journal::Facts;
use galebench::ops::flow::{After, Flow, FlowOptions};
use galebench::ops::intake::Desk;

/// As in the binary.
#[global_allocator]
static MEMORY: mimalloc::MiMalloc = mimalloc::MiMalloc;

fn main() -> Result<(), Box<dyn Error>> {
    let units = std::env::args().skip(1).find_map(|argument| argument.parse().ok()).unwrap_or(100_usize);
    let root = tempfile::tempdir()?;
    let desk = Desk { out: root.path().to_owned(), batch: "may-shelf-3".to_owned(), by: None };
    for unit in 1..=units {
        desk.register(&format!("TQ-{unit:04}"), &Facts::default(), &[])?;
    }
    let mut flow = Flow::open(FlowOptions {
        rig: "rigs/virtual.toml".into(),
        plan: "test-plans/full.toml".into(),
        desk,
        seed: Some(1),
        contact: true,
    })?;
    let at_once = std::thread::available_parallelism().map_or(1, usize::from);
    let begin = Instant::now();
    let (mut done, mut judged, mut held_mb) = (0, 0, Vec::new());
    let mut stopped = Vec::new();
    let after = flow.unattended(at_once, &AtomicBool::new(false), |unit, _| {
        done += 1;
        let document = unit.run.as_ref().map(|run| &run.document);
        stopped.extend(document.and_then(|document| Some(document.stopped.as_ref()?.cause.clone())));
        judged += usize::from(unit.is_finished());
        if done % units.div_ceil(10) == 0 {
            held_mb.push(memory_mb("VmRSS"));
        }
    })?;
    let wall_s = begin.elapsed().as_secs_f64();
    let held: Vec<String> = held_mb.iter().map(|mb| mb.map_or("?".to_owned(), |mb| format!("{mb:.0}"))).collect();
    let mut out = std::io::stdout().lock();
    writeln!(out, "crate of {units} units, {done} run, {judged} judged, {at_once} at a time")?;
    if after != After::Next {
        return Err(format!("the crate came to an early end: {}", stopped.join("; ")).into());
    }
    writeln!(
        out,
        "  wall time {wall_s:.1} s, {:.2} s a unit on one processor",
        wall_s * at_once as f64 / units as f64
    )?;
    writeln!(out, "  memory after each tenth {} MB", held.join(" "))?;
    if let Some(most) = memory_mb("VmHWM") {
        writeln!(out, "  most at any time {most:.0} MB")?;
    }
    writeln!(out, "  on the disk {:.0} MB", bytes(root.path())? as f64 / 1e6)?;
    Ok(())
}

/// What the system says of this process.
fn memory_mb(what: &str) -> Option<f64> {
    let status = std::fs::read_to_string("/proc/self/status").ok()?;
    let line = status.lines().find_map(|line| line.strip_prefix(what)?.strip_prefix(':'))?;
    Some(line.trim().trim_end_matches(" kB").parse::<f64>().ok()? / 1024.0)
}

fn bytes(path: &Path) -> std::io::Result<u64> {
    if !path.is_dir() {
        return Ok(path.metadata()?.len());
    }
    std::fs::read_dir(path)?.map(|entry| bytes(&entry?.path())).sum()
}
