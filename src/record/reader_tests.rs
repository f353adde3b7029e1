use std::fs::OpenOptions;
use std::io::Write;

use proptest::prelude::*;

use super::*;
use crate::bench::{ActiveLevel, Channel, Line, Setting, Supply};
use crate::record::event::{Loss, SpanKind, StageEnd};
use crate::record::preflight::Check;
use crate::record::writer::RecordWriter;
use crate::results::{Direction, ResultName, StoppedBy};
use crate::units::{Duty, Hertz, Volts};

fn words() -> impl Strategy<Value = String> {
    // Line ends, quotes and characters outside ASCII are what a line format could stumble over.
    proptest::string::string_regex("[a-z0-9 \"\\\\\n\r\tµΩ°\u{2028}]{0,24}").unwrap()
}

fn setting() -> impl Strategy<Value = Setting> {
    (
        prop_oneof![Just(Supply::Off), Just(Supply::Gentle), Just(Supply::On)],
        0.0..=1.0_f64,
        prop_oneof![Just(ActiveLevel::Low), Just(ActiveLevel::High)],
        0.1..30_000.0_f64,
        line(),
        proptest::option::of((0.0..60.0_f64).prop_map(Volts)),
    )
        .prop_map(|(supply, duty, active, hertz, line, supply_v)| Setting {
            supply,
            duty: Duty::clamped(duty),
            active,
            frequency: Hertz(hertz),
            line,
            supply_v,
        })
}

fn line() -> impl Strategy<Value = Line> {
    prop_oneof![Just(Line::Pwm), Just(Line::Open), Just(Line::Low), Just(Line::High)]
}

fn stage_end() -> impl Strategy<Value = StageEnd> {
    prop_oneof![
        Just(StageEnd::Done),
        Just(StageEnd::Stopped),
        words().prop_map(|why| StageEnd::Skipped { why }),
        words().prop_map(|why| StageEnd::Partial { why }),
    ]
}

fn span_kind() -> impl Strategy<Value = SpanKind> {
    let losses =
        prop_oneof![Just(Loss::Zero), Just(Loss::Full), Just(Loss::Open), Just(Loss::HeldLow), Just(Loss::HeldHigh)];
    prop_oneof![
        prop::sample::select(vec![
            SpanKind::Zero,
            SpanKind::PreCharge,
            SpanKind::OpenLine,
            SpanKind::Probe,
            SpanKind::Start,
            SpanKind::StartAsleep,
            SpanKind::Stop,
            SpanKind::Ascend,
            SpanKind::Descend,
            SpanKind::FlatOut,
            SpanKind::Follow,
            SpanKind::PowerUp,
            SpanKind::Soak,
            SpanKind::Sleep,
            SpanKind::Hold,
        ]),
        line().prop_map(|line| SpanKind::LineRead { line }),
        prop_oneof![Just(Direction::Up), Just(Direction::Down)].prop_map(|direction| SpanKind::Point { direction }),
        losses.prop_map(|loss| SpanKind::Loss { loss }),
    ]
}

fn stopped_by() -> impl Strategy<Value = StoppedBy> {
    prop::sample::select(vec![StoppedBy::Unit, StoppedBy::Rig, StoppedBy::Record, StoppedBy::Host, StoppedBy::Operator])
}

/// Every kind of event but the header, which the writer itself writes.
fn event() -> impl Strategy<Value = Event> {
    let outcome = || prop_oneof![Just(Ok(())), words().prop_map(Err)];
    prop_oneof![
        (0..99_usize, words()).prop_map(|(index, stage)| Event::StageBegin { index, stage }),
        (0..99_usize, words(), stage_end()).prop_map(|(index, stage, end)| Event::StageEnd { index, stage, end }),
        setting().prop_map(|setting| Event::Set { setting }),
        (0..9_u64, span_kind()).prop_map(|(id, kind)| Event::SpanBegin { id, kind }),
        (0..9_u64, outcome()).prop_map(|(id, complete)| Event::SpanEnd { id, complete }),
        words().prop_map(|text| Event::Note { text }),
        (words(), words()).prop_map(|(what, value)| Event::Learned { what, value }),
        any::<u64>().prop_map(|samples| Event::Lost { samples }),
        (words(), words(), stopped_by()).prop_map(|(rule, saw, by)| Event::Trip { rule, saw, by }),
        outcome().prop_map(|confirmed| Event::Safe { confirmed }),
        (2..9_u32, words(), words()).prop_map(|(number, why, stage)| Event::Look {
            number,
            limits: [(ResultName::DropV, why)].into(),
            stages: vec![stage],
        }),
        (words(), words()).prop_map(|(what, saw)| Event::Preflight {
            checks: vec![Check::pass(what.clone(), saw.clone()), Check::fail(what, StoppedBy::Rig, saw, "stop")],
        }),
        any::<bool>().prop_map(|finished| Event::End { finished }),
    ]
}

fn numbered() -> impl Strategy<Value = Vec<Numbered>> {
    prop::collection::vec((0.0..2000.0_f64, event()), 0..20).prop_map(|events| {
        let seq = 1..;
        events.into_iter().zip(seq).map(|((t_s, event), seq)| Numbered { seq, t_s, event }).collect()
    })
}

fn blocks() -> impl Strategy<Value = Vec<Block>> {
    let samples = || prop::option::of(prop::collection::vec(-1e6..1e6_f32, 0..50));
    let block = (
        1e-4..0.02_f64,
        0..5_u64,
        prop::array::uniform8(samples()),
        prop::option::of(prop::collection::vec(0.0..2000.0_f64, 0..5)),
        prop::option::of(any::<bool>()),
    );
    prop::collection::vec(block, 0..40).prop_map(|blocks| {
        let mut t0_s = 0.0;
        let mut made = Vec::new();
        for (duration_s, lost, samples, tach_s, stop_pressed) in blocks {
            let channels = Channel::ALL.into_iter().zip(samples).filter_map(|(c, s)| Some((c, s?))).collect();
            made.push(Block { t0_s, duration_s, lost, channels, tach_s, stop_pressed });
            t0_s += duration_s;
        }
        made
    })
}

fn write(dir: &Path, blocks: &[Block], events: &[Numbered]) {
    let mut writer = RecordWriter::create(dir, &Header { run: "run-1".into(), ..Header::default() }).unwrap();
    blocks.iter().for_each(|block| writer.block(block.clone()).unwrap());
    events.iter().for_each(|event| writer.event(event).unwrap());
    writer.finish().unwrap();
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 64, ..ProptestConfig::default() })]

    #[test]
    fn every_event_and_every_block_reads_back_as_it_was(blocks in blocks(), events in numbered()) {
        let dir = tempfile::tempdir().unwrap();
        write(dir.path(), &blocks, &events);
        let raw = read_raw(dir.path()).unwrap();
        prop_assert_eq!(&raw.events[1..], &events[..]);
        prop_assert_eq!(raw.blocks, blocks);
        prop_assert_eq!(raw.integrity.torn, None);
        prop_assert_eq!((raw.integrity.unknown_events, raw.integrity.missing_events), (0, 0));
    }

    /// Cut off anywhere after the header, a record still reads, as a beginning of what it was.
    #[test]
    fn a_record_cut_off_anywhere_reads_up_to_there(
        blocks in blocks(), events in numbered(), samples_cut in 0.0..1.0_f64, events_cut in 0.0..1.0_f64, zeros in 0..600_usize,
    ) {
        let dir = tempfile::tempdir().unwrap();
        write(dir.path(), &blocks, &events);
        let header_end = fs::read(dir.path().join(EVENTS_FILE)).unwrap().iter().position(|b| *b == b'\n').unwrap() + 1;
        cut(&dir.path().join(EVENTS_FILE), header_end, events_cut, 0);
        cut(&dir.path().join(SAMPLES_FILE), 0, samples_cut, zeros);
        let raw = read_raw(dir.path()).unwrap();
        prop_assert!(raw.events[1..] == events[..raw.events.len() - 1]);
        prop_assert!(raw.blocks[..] == blocks[..raw.blocks.len()]);
    }

    /// A cut within the mark before a message, with zeros behind it, is a cut like any other.
    #[test]
    fn a_record_cut_off_in_a_mark_reads_up_to_there(blocks in blocks(), ends in 1..=4_usize, zeros in 0..40_usize) {
        let dir = tempfile::tempdir().unwrap();
        write(dir.path(), &blocks, &[]);
        let path = dir.path().join(SAMPLES_FILE);
        let mut bytes = fs::read(&path).unwrap();
        // The end mark is a mark too: four bytes and a length of none.
        bytes.truncate(bytes.len() - 8 + ends);
        bytes.resize(bytes.len() + zeros, 0);
        let whole = ends == 4 && zeros == 4;
        fs::write(&path, bytes).unwrap();
        let raw = read_raw(dir.path()).unwrap();
        prop_assert_eq!(raw.blocks, blocks);
        prop_assert_eq!(raw.integrity.torn.is_none(), whole);
    }

    /// Whatever the bytes, reading ends with a record or an error.
    #[test]
    fn damaged_files_never_bring_the_reader_down(
        blocks in blocks(), events in numbered(), places in prop::collection::vec((any::<prop::sample::Index>(), any::<u8>()), 1..6),
        which in any::<bool>(),
    ) {
        let dir = tempfile::tempdir().unwrap();
        write(dir.path(), &blocks, &events);
        let path = dir.path().join(if which { EVENTS_FILE } else { SAMPLES_FILE });
        let mut bytes = fs::read(&path).unwrap();
        for (place, value) in places {
            let place = place.index(bytes.len());
            bytes[place] = value;
        }
        fs::write(&path, bytes).unwrap();
        let _ = read(dir.path());
    }
}

/// Cuts a file off at a share of what follows `keep`, then lets it go on with zeros.
fn cut(path: &Path, keep: usize, share: f64, zeros: usize) {
    let mut bytes = fs::read(path).unwrap();
    let rest = bytes.len() - keep;
    bytes.truncate(keep + (rest as f64 * share) as usize);
    bytes.resize(bytes.len() + zeros, 0);
    fs::write(path, bytes).unwrap();
}

fn note(seq: u64) -> Numbered {
    Numbered { seq, t_s: 0.1 * seq as f64, event: Event::Note { text: format!("note {seq}") } }
}

fn append(dir: &Path, text: &str) {
    let mut file = OpenOptions::new().append(true).open(dir.join(EVENTS_FILE)).unwrap();
    file.write_all(text.as_bytes()).unwrap();
}

#[test]
fn a_torn_last_line_is_reported_and_read_past() {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), &[], &[note(1)]);
    append(dir.path(), r#"{"seq":2,"t_s":0.2,"event":{"note":{"te"#);
    let raw = read_raw(dir.path()).unwrap();
    assert_eq!(raw.events.len(), 2);
    assert_eq!(raw.integrity.torn.as_deref(), Some("the last line of events.jsonl breaks off after 39 bytes"));
    assert!(!raw.integrity.finished);
}

#[test]
fn a_bad_line_elsewhere_is_an_error_with_its_line_number() {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), &[], &[note(1)]);
    append(dir.path(), "{\"seq\":2,\"t_s\":\n{\"seq\":3,\"t_s\":0.3,\"event\":{\"lost\":{\"samples\":4}}}\n");
    let error = read(dir.path()).unwrap_err();
    assert!(matches!(&error, RecordError::BadLine { line: 3, .. }), "{error}");
    assert!(error.to_string().contains("events.jsonl:3: EOF while parsing"), "{error}");
}

#[test]
fn events_out_of_order_are_an_error_and_missing_ones_are_counted() {
    let dir = tempfile::tempdir().unwrap();
    write(dir.path(), &[], &[note(1), note(5)]);
    assert_eq!(read(dir.path()).unwrap().1.missing_events, 3);
    append(dir.path(), "{\"seq\":5,\"t_s\":0.3,\"event\":{\"lost\":{\"samples\":4}}}\n");
    let error = read(dir.path()).unwrap_err();
    assert!(error.to_string().ends_with("events.jsonl:4: number 5 follows 5"), "{error}");
}

#[test]
fn a_newer_minor_version_is_read_past_its_novelties_and_a_newer_major_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    let version = |major: u32, minor: u32| {
        write(&dir.path().join(format!("{major}.{minor}")), &[], &[]);
        let path = dir.path().join(format!("{major}.{minor}"));
        let file = path.join(EVENTS_FILE);
        let text = fs::read_to_string(&file).unwrap();
        let this = format!("\"format\":[{},{}]", FORMAT.major, FORMAT.minor);
        let other = format!("\"format\":[{major},{minor}],\"novelty\":7");
        fs::write(&file, text.replace(&this, &other)).unwrap();
        append(&path, "{\"seq\":1,\"t_s\":0.3,\"event\":{\"novelty\":{\"much\":4}},\"novelty\":5}\n");
        append(&path, "{\"seq\":2,\"t_s\":0.4,\"event\":{\"end\":{\"finished\":true,\"novelty\":4}},\"novelty\":5}\n");
        path
    };
    let newer = FORMAT.minor + 1;
    let (recording, integrity) = read(&version(1, newer)).unwrap();
    assert_eq!(integrity, Integrity { finished: true, unknown_events: 1, ..Default::default() });
    assert_eq!(recording.header.format, (1, newer));

    // In a record of this version the same line is damage.
    assert!(matches!(read(&version(1, FORMAT.minor)), Err(RecordError::BadLine { line: 2, .. })));

    let error = read(&version(2, 0)).unwrap_err();
    assert_eq!(error, RecordError::Newer { path: dir.path().join("2.0"), major: 2, known: 1 });
}

#[test]
fn damage_before_the_end_of_the_samples_is_an_error_with_its_place() {
    let dir = tempfile::tempdir().unwrap();
    let block = |i: u32| Block {
        t0_s: f64::from(i),
        duration_s: 1.0,
        channels: vec![(Channel::SupplyV, (0..20).map(|k| k as f32).collect())],
        ..Block::default()
    };
    let blocks: Vec<Block> = (0..3000).map(block).collect();
    let end = Numbered { seq: 1, t_s: 0.0, event: Event::End { finished: true } };
    write(dir.path(), &blocks, &[end]);
    let path = dir.path().join(SAMPLES_FILE);
    let bytes = fs::read(&path).unwrap();
    let frame = framing::scan(&bytes).unwrap();
    assert!(frame.messages.len() >= 4 && frame.ended, "{frame:?}");

    // The frame of a message, and a byte among its samples.
    for place in [frame.messages[2], frame.messages[3] - 2000] {
        let mut damaged = bytes.clone();
        damaged[place] ^= 1;
        fs::write(&path, &damaged).unwrap();
        let error = read(dir.path()).unwrap_err();
        assert!(matches!(error, RecordError::BadSamples { offset, .. } if offset == frame.messages[2]), "{error}");
    }

    // The same stream cut off is a torn one; its whole batches are kept.
    fs::write(&path, &bytes[..frame.messages[2] + 30]).unwrap();
    let raw = read_raw(dir.path()).unwrap();
    assert_eq!(raw.integrity.torn.as_deref(), Some("samples.arrows: the last batch breaks off after 30 bytes"));
    assert!(raw.blocks.len() >= 1024 && raw.blocks[..] == blocks[..raw.blocks.len()]);
}

#[test]
fn what_is_no_record_says_so() {
    let dir = tempfile::tempdir().unwrap();
    let error = read(dir.path()).unwrap_err();
    assert!(error.to_string().ends_with("is not a record: it has no events.jsonl"), "{error}");
    fs::write(dir.path().join(EVENTS_FILE), "time_s,supply_a\n0,1\n").unwrap();
    let error = read(dir.path()).unwrap_err();
    assert!(error.to_string().contains("the first line of events.jsonl is no header"), "{error}");
    fs::write(dir.path().join(EVENTS_FILE), "").unwrap();
    assert!(matches!(read(dir.path()), Err(RecordError::NotARecord { .. })));
}

#[test]
fn records_are_found_wherever_they_lie_below_the_root() {
    let dir = tempfile::tempdir().unwrap();
    let runs = ["may-shelf-3/TQ-0002/run-1", "may-shelf-3/TQ-0001/run-2", "unsorted/TQ-0003/run-1"];
    runs.iter().for_each(|run| write(&dir.path().join(run), &[], &[]));
    fs::create_dir_all(dir.path().join("may-shelf-3/empty")).unwrap();
    let found = list(dir.path()).unwrap();
    let due = [runs[1], runs[0], runs[2]].map(|run| dir.path().join(run));
    assert_eq!(found, due);
    assert_eq!(list(&dir.path().join("nowhere")).unwrap(), Vec::<PathBuf>::new());
    assert_eq!(read_header(&found[0]).unwrap().run, "run-1");
}

#[test]
fn whether_a_record_was_brought_to_its_end_shows_in_its_last_line() {
    let dir = tempfile::tempdir().unwrap();
    let end = |seq| Numbered { seq, t_s: 99.0, event: Event::End { finished: false } };
    write(&dir.path().join("whole"), &[], &[note(1), end(2)]);
    write(&dir.path().join("interrupted"), &[], &[note(1)]);
    write(&dir.path().join("torn"), &[], &[note(1), end(2)]);
    append(&dir.path().join("torn"), "{");
    let finished = ["whole", "interrupted", "torn"].map(|run| is_finished(&dir.path().join(run)).unwrap());
    assert_eq!(finished, [true, false, false]);
    assert!(matches!(is_finished(dir.path()), Err(RecordError::NotARecord { .. })));
}
