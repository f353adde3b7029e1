//! Bench time of the full plan and of the triage: how long every stage took on one unit of every healthy kind, beside what
//! a fixed grid takes (sweep and search) or beside the stage's own floor.
//!
//! Bench seconds are virtual time, the same in every build. `cargo run --example bench_time` prints the tables,
//! `-- --write` puts them into `docs/bench-time.md`, `-- --first-seed 1` is for work on the stages.

#[path = "../../tests/support/mod.rs"]
mod support;

mod floor;
mod page;

use std::error::Error;
use std::io::Write as _;

use floor::Unit;
use galebench::config::plan::{Plan, Stage};
use galebench::config::rig::{FirstPower, ModuleKind, Rig};
use galebench::driver::virtual_bench::VirtualBench;
use galebench::plant::truth::Truth;
use galebench::record::event::Event;
use galebench::results::ResultName;

/// First of the published seeds; nothing was tuned on them.
const FIRST_SEED: u64 = 1001;
const RIG: &str = "rigs/virtual.toml";
const FULL: &str = "test-plans/full.toml";
const TRIAGE: &str = "test-plans/quick.toml";
const PAGE: &str = "docs/bench-time.md";
const BEGIN: &str = "<!-- printed by the command above -->\n";
const END: &str = "<!-- end of what it printed -->\n";

/// Bench time of one stage.
pub(crate) struct Took {
    pub(crate) stage: &'static str,
    pub(crate) seconds: f64,
    /// The stage's own floor; `None` for sweeps and searches.
    pub(crate) floor_s: Option<f64>,
}

/// Bench times of one unit.
pub(crate) struct Timed {
    pub(crate) unit: String,
    pub(crate) stages: Vec<Took>,
    /// What limits left open cost beyond the stages of the plan, and the whole run.
    pub(crate) looks_s: f64,
    pub(crate) full_s: f64,
    pub(crate) triage_s: f64,
    /// True ramp and run-down, which the time of the triage is promised for.
    pub(crate) ramp_s: f64,
    pub(crate) coast_s: f64,
}

fn main() -> Result<(), Box<dyn Error>> {
    let (mut write, mut first_seed) = (false, FIRST_SEED);
    let mut arguments = std::env::args().skip(1);
    while let Some(argument) = arguments.next() {
        match argument.as_str() {
            "--write" => write = true,
            "--first-seed" => first_seed = arguments.next().ok_or("`--first-seed` needs a number")?.parse()?,
            other => return Err(format!("unknown option `{other}`; known are --write and --first-seed").into()),
        }
    }
    let timed: Vec<Timed> = (first_seed..)
        .zip(ModuleKind::ALL)
        .map(|(seed, &kind)| time(kind, seed).map_err(|why| format!("{}/{seed}: {why}", kind.name())))
        .collect::<Result<_, _>>()?;
    let text = page::tables(&timed);
    writeln!(std::io::stdout().lock(), "{text}")?;
    if write {
        let path = support::shipped(PAGE);
        let page = std::fs::read_to_string(&path)?;
        let (head, rest) = page.split_once(BEGIN).ok_or("the page has no place for it")?;
        let (_, tail) = rest.split_once(END).ok_or("the page has no place for it")?;
        std::fs::write(path, format!("{head}{BEGIN}\n{text}\n{END}{tail}"))?;
    }
    Ok(())
}

/// Runs both plans on one unit.
fn time(kind: ModuleKind, seed: u64) -> Result<Timed, Box<dyn Error>> {
    let (rig, plan) = (support::rig(RIG, kind, seed, &[]), support::plan(FULL));
    let run = support::run(rig.clone(), plan.clone());
    if let Some(stopped) = &run.evaluated.document.stopped {
        return Err(format!("stopped: {}", stopped.cause).into());
    }
    let recording = &run.evaluated.recording;
    let learned = recording.events.iter().rev().find_map(|numbered| match &numbered.event {
        Event::Learned { what, value } if what == "most_duty" => value.split_whitespace().next()?.parse::<f64>().ok(),
        _ => None,
    });
    let hz = run.evaluated.findings.number(ResultName::CommandHz).ok_or("no command frequency")?;
    let floors = floors(rig, &plan, &run.truth, (hz, learned.map(|percent| 0.01 * percent)))?;
    // What comes after the stages of the plan are looks at open limits.
    let (planned, again) = recording.stages.split_at(plan.stages.len().min(recording.stages.len()));
    let stages = plan
        .stages
        .iter()
        .zip(planned)
        .zip(floors)
        .map(|((stage, run), floor_s)| Took { stage: stage.name(), seconds: run.t1_s - run.t0_s, floor_s })
        .collect();
    let triage = support::run(support::rig(RIG, kind, seed, &[]), support::plan(TRIAGE));
    Ok(Timed {
        unit: kind.name().to_owned(),
        stages,
        looks_s: again.iter().map(|run| run.t1_s - run.t0_s).fold(0.0, |sum, seconds| sum + seconds),
        full_s: run.evaluated.document.bench_seconds,
        triage_s: triage.evaluated.document.bench_seconds,
        ramp_s: run.truth.ramp_full_s.ok_or("no ramp")?,
        coast_s: run.truth.run_down_s.ok_or("no run-down")?,
    })
}

/// Floor of every stage of `plan`, with the command frequency and the highest duty learned.
fn floors(
    mut rig: Rig,
    plan: &Plan,
    truth: &Truth,
    (hz, learned): (f64, Option<f64>),
) -> Result<Vec<Option<f64>>, Box<dyn Error>> {
    let spec = support::virtual_spec(&mut rig).clone();
    let config = VirtualBench::plant_config(&rig, &spec, spec.seed);
    let series_ohm = match rig.first_power {
        FirstPower::PreCharge { resistance, .. } => resistance.get(),
        _ => return Err("the rig has no pre-charge resistor".into()),
    };
    let unit = Unit {
        config: &config,
        truth,
        hz,
        full: floor::highest(plan, rig.command.most_duty.fraction(), learned),
        pulses_per_rev: rig.tach.as_ref().and_then(|tach| tach.pulses_per_rev).ok_or("the rig has no tach")?,
        series_ohm,
    };
    let floors: Vec<Option<f64>> = plan.stages.iter().map(|stage: &Stage| unit.floor_s(stage, plan)).collect();
    Ok(floors)
}
