//! Whole runs on the virtual bench.

use std::path::Path;

use crate::bench::Block;
use crate::config::plan::Plan;
use crate::config::rig::Rig;
use crate::config::{load_plan, parse_rig};
use crate::driver;
use crate::record::event::{Event, Header, Numbered, StageEnd};
use crate::runner::{Quiet, RunOutcome, RunRequest, StopHandle, run};
use crate::safety::RecordSink;

#[derive(Debug, Default)]
struct Nowhere;

impl RecordSink for Nowhere {
    fn block(&mut self, _block: &Block) -> Result<(), String> {
        Ok(())
    }
    fn event(&mut self, _event: &Numbered) -> Result<(), String> {
        Ok(())
    }
    fn finish(self: Box<Self>) -> Result<(), String> {
        Ok(())
    }
}

fn rig(bend: impl Fn(&str) -> String) -> Rig {
    let path = Path::new("rigs/virtual.toml");
    parse_rig(path, &bend(&std::fs::read_to_string(path).unwrap())).map_err(|p| p.to_string()).unwrap()
}

fn of_kind(kind: &str) -> Rig {
    rig(|text| text.replace("linear-low", kind))
}

fn full() -> Plan {
    load_plan(Path::new("test-plans/full.toml")).map_err(|p| p.to_string()).unwrap()
}

fn go(rig: &Rig, plan: Plan) -> RunOutcome {
    let bench = driver::open(rig, None).unwrap();
    let request = RunRequest { rig: rig.clone(), plan, header: Header::default() };
    run(request, bench, Nowhere, &mut Quiet, StopHandle::new())
}

#[test]
fn a_healthy_unit_goes_through_every_stage_and_trips_nothing() {
    let outcome = go(&of_kind("linear-low"), full());
    assert_eq!(outcome.stopped, None);
    assert!(outcome.safe_confirmed, "{:?}", outcome.safe_doubt);
    let ends: Vec<_> = outcome.recording.stages.iter().map(|run| (run.stage.as_str(), run.end.clone())).collect();
    assert!(ends.iter().all(|(_, end)| *end == Some(StageEnd::Done)), "{ends:?}");
    assert_eq!(ends.len(), full().stages.len());
    let last = outcome.recording.events.last().map(|numbered| &numbered.event);
    assert_eq!(last, Some(&Event::End { finished: true }));
}
