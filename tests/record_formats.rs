//! Records of every format version so far still read: one tiny record of each is kept under `tests/fixtures/runs/`.

use std::path::{Path, PathBuf};

use galebench::bench::{ActiveLevel, Block, Channel, Line, Setting, Supply};
use galebench::record::event::{Event, FORMAT, Header, Numbered, SpanKind, StageEnd};
use galebench::record::reader::{self, Integrity};
use galebench::record::writer::RecordWriter;
use galebench::results::Direction;
use galebench::units::{Duty, Hertz};

fn fixtures() -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/fixtures/runs")
}

fn on(percent: f64) -> Setting {
    Setting {
        supply: Supply::On,
        duty: Duty::from_percent(percent).expect("a legal duty"),
        active: ActiveLevel::Low,
        frequency: Hertz(140.0),
        line: Line::Pwm,
        supply_v: None,
    }
}

fn header() -> Header {
    Header {
        run: "run-1".to_owned(),
        unit: Some("TQ-0001".to_owned()),
        batch: Some("may-shelf-3".to_owned()),
        started: Some("2026-05-04T09:00:00Z".to_owned()),
        program: "0.1.0".to_owned(),
        is_virtual: true,
        seed: Some(7),
        ..Header::default()
    }
}

/// Ten blocks with a slow channel, a gap, and one without a tach reading.
fn blocks() -> Vec<Block> {
    (0..10_u8)
        .map(|i| {
            let t0_s = f64::from(i) * 0.02 + if i < 6 { 0.0 } else { 0.1 };
            let ramp = |k: u8| f32::from(i) + f32::from(k) / 4.0;
            Block {
                t0_s,
                duration_s: 0.02,
                lost: if i == 6 { 5 } else { 0 },
                channels: vec![
                    (Channel::SupplyV, vec![13.5; 4]),
                    (Channel::SupplyA, (0..4).map(ramp).collect()),
                    (Channel::CaseC, vec![21.0]),
                ],
                tach_s: (i != 3).then(|| vec![t0_s + 0.01]),
                stop_pressed: Some(false),
            }
        })
        .collect()
}

fn events() -> Vec<Numbered> {
    let kind = SpanKind::Point { direction: Direction::Up };
    let stage = || "sweep".to_owned();
    let events = [
        (0.0, Event::StageBegin { index: 0, stage: stage() }),
        (0.02, Event::SpanBegin { id: 0, kind }),
        (0.02, Event::Set { setting: on(35.0) }),
        (0.12, Event::Lost { samples: 5 }),
        (0.2, Event::SpanEnd { id: 0, complete: Ok(()) }),
        (0.2, Event::Learned { what: "off_duty".to_owned(), value: "8 %".to_owned() }),
        (0.3, Event::StageEnd { index: 0, stage: stage(), end: StageEnd::Done }),
        (0.3, Event::Safe { confirmed: Ok(()) }),
        (0.3, Event::End { finished: true }),
    ];
    (1..).zip(events).map(|(seq, (t_s, event))| Numbered { seq, t_s, event }).collect()
}

#[test]
fn every_kept_version_still_reads_as_it_was_written() {
    let kept = reader::list(&fixtures()).unwrap();
    assert!(kept.contains(&fixtures().join(format!("format-{}.{}", FORMAT.major, FORMAT.minor))), "{kept:?}");
    for dir in kept {
        let raw = reader::read_raw(&dir).unwrap();
        assert_eq!(raw.header, Header { format: raw.header.format, ..header() }, "{}", dir.display());
        assert_eq!(raw.events[1..], events()[..], "{}", dir.display());
        assert_eq!(raw.blocks, blocks(), "{}", dir.display());
        assert_eq!(raw.integrity, Integrity { finished: true, ..Integrity::default() }, "{}", dir.display());

        let (recording, _) = reader::read(&dir).unwrap();
        assert_eq!(recording.setting_at(0.1), Some(on(35.0)));
        assert_eq!((recording.lost, recording.spans.len(), recording.stages.len()), (5, 1, 1));
        assert_eq!(recording.channels[&Channel::SupplyA].chunks().len(), 2);
    }
}

/// To be run once after the version was raised: `cargo test --test record_formats -- --ignored`.
#[test]
#[ignore = "writes the fixture of a new version"]
fn write_the_record_of_this_version() {
    let dir = fixtures().join(format!("format-{}.{}", FORMAT.major, FORMAT.minor));
    let mut writer = RecordWriter::create(&dir, &header()).unwrap();
    blocks().into_iter().for_each(|block| writer.block(block).unwrap());
    events().iter().for_each(|event| writer.event(event).unwrap());
    writer.finish().unwrap();
}
