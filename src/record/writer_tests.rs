use std::sync::Mutex;

use super::*;
use crate::bench::Channel;
use crate::record::reader;
use crate::record::recording::Recording;

fn block(i: u32) -> Block {
    let t0_s = f64::from(i) * 0.02;
    Block {
        t0_s,
        duration_s: 0.02,
        lost: 0,
        channels: vec![
            (Channel::SupplyV, (0..40).map(|k| 13.0 + 0.01 * k as f32).collect()),
            (Channel::SupplyA, (0..40).map(|k| (i + k) as f32 * 0.1).collect()),
            (Channel::CaseC, vec![21.5]),
        ],
        tach_s: Some(vec![t0_s + 0.004]),
        stop_pressed: Some(false),
    }
}

fn note(seq: u64, text: &str) -> Numbered {
    Numbered { seq, t_s: 0.02 * seq as f64, event: Event::Note { text: text.to_owned() } }
}

fn end(seq: u64) -> Numbered {
    Numbered { seq, t_s: 100.0, event: Event::End { finished: true } }
}

#[test]
fn what_is_handed_over_reads_back_and_the_header_comes_first() {
    let dir = tempfile::tempdir().unwrap();
    let header = Header { run: "run-1".into(), unit: Some("TQ-0001".into()), ..Header::default() };
    let mut writer = RecordWriter::create(dir.path(), &header).unwrap();
    let mut expected = Recording::default();
    for i in 0..3000 {
        writer.block(block(i)).unwrap();
        expected.push_block(&block(i));
    }
    for event in [note(1, "begun"), end(2)] {
        writer.event(&event).unwrap();
        expected.push_event(event);
    }
    writer.finish().unwrap();

    let (recording, integrity) = reader::read(dir.path()).unwrap();
    assert_eq!(recording.channels, expected.channels);
    assert_eq!(recording.tach_s, expected.tach_s);
    assert_eq!(recording.events, expected.events);
    assert_eq!(recording.header.unit.as_deref(), Some("TQ-0001"));
    assert_eq!(recording.header.format, (FORMAT.major, FORMAT.minor));
    assert_eq!(integrity, reader::Integrity { finished: true, ..Default::default() });
}

#[test]
fn data_is_on_the_disk_half_a_second_after_it_was_handed_over_though_nothing_more_comes() {
    let dir = tempfile::tempdir().unwrap();
    let mut writer = RecordWriter::create(dir.path(), &Header::default()).unwrap();
    writer.block(block(0)).unwrap();
    writer.event(&note(1, "waiting")).unwrap();
    // The test machine may be busy, so it is asked again for a while; the sync itself is in the next test.
    let deadline = Instant::now() + Duration::from_secs(5);
    loop {
        let raw = reader::read_raw(dir.path()).unwrap();
        if raw.blocks.len() == 1 && raw.events.len() == 2 {
            break;
        }
        assert!(Instant::now() < deadline, "nothing arrived: {:?}", raw.integrity);
        thread::sleep(Duration::from_millis(20));
    }
    drop(writer);
}

#[test]
fn a_record_is_never_overwritten_and_a_folder_that_cannot_be_made_is_named() {
    let dir = tempfile::tempdir().unwrap();
    let run = dir.path().join("may-shelf-3/TQ-0001/run-1");
    RecordWriter::create(&run, &Header::default()).unwrap().finish().unwrap();
    let again = RecordWriter::create(&run, &Header::default()).unwrap_err();
    assert_eq!(again, RecordError::Exists { path: run.clone() });

    let below_a_file = run.join(EVENTS_FILE).join("run-2");
    let error = RecordWriter::create(&below_a_file, &Header::default()).unwrap_err();
    assert!(matches!(&error, RecordError::Io { path, .. } if *path == below_a_file), "{error}");
    assert!(error.to_string().starts_with("cannot create folder"), "{error}");
}

#[test]
fn too_little_free_space_refuses_to_begin() {
    let error = check_free(Path::new("reports"), 3 << 20).unwrap_err();
    assert_eq!(error.to_string(), "no room for the record in reports: 3 MB free, 32 MB needed to begin");
    assert_eq!(check_free(Path::new("reports"), LEAST_FREE_BYTES), Ok(()));
}

#[test]
fn what_json_cannot_hold_is_refused_when_it_is_handed_over() {
    let dir = tempfile::tempdir().unwrap();
    let header = Header {
        bench: crate::record::event::BenchFacts { duty_u_pct: f64::NAN, ..Default::default() },
        ..Header::default()
    };
    let error = RecordWriter::create(&dir.path().join("a"), &header).unwrap_err();
    assert!(matches!(error, RecordError::Unkeepable { .. }), "{error}");

    let mut writer = RecordWriter::create(&dir.path().join("b"), &Header::default()).unwrap();
    let timeless = Numbered { t_s: f64::INFINITY, ..note(1, "when?") };
    assert!(matches!(writer.event(&timeless), Err(RecordError::Unkeepable { .. })));
    writer.event(&note(1, "first")).unwrap();
    assert!(matches!(writer.event(&note(1, "again")), Err(RecordError::Unkeepable { .. })));
    writer.event(&note(2, "second")).unwrap();
    writer.finish().unwrap();
    assert_eq!(reader::read_raw(&dir.path().join("b")).unwrap().events.len(), 3);
}

/// A disk that fills up, counts its syncs, or hangs until let go.
#[derive(Clone, Default)]
struct FakeDisk(Arc<Mutex<FakeState>>);

#[derive(Default)]
struct FakeState {
    written: usize,
    synced: usize,
    room: Option<usize>,
    hangs: Option<Duration>,
}

impl Sink for FakeDisk {
    fn append(&mut self, bytes: &[u8]) -> io::Result<()> {
        let mut state = self.0.lock().unwrap();
        state.written += bytes.len();
        match state.room {
            Some(room) if state.written > room => Err(io::ErrorKind::StorageFull.into()),
            _ => Ok(()),
        }
    }

    fn sync(&mut self) -> io::Result<()> {
        let mut state = self.0.lock().unwrap();
        state.synced = state.written;
        let hangs = state.hangs;
        drop(state);
        hangs.into_iter().for_each(thread::sleep);
        Ok(())
    }
}

fn on(disk: &FakeDisk) -> RecordWriter {
    let dir = Path::new("reports/may-shelf-3/TQ-0001/run-1");
    let mut files = Files::new(dir, disk.clone(), disk.clone()).unwrap();
    files.begin(&Header::default()).unwrap();
    RecordWriter::spawn(dir, files).unwrap()
}

#[test]
fn written_data_is_synced_without_anything_new_coming() {
    let disk = FakeDisk::default();
    let mut writer = on(&disk);
    let begun = disk.0.lock().unwrap().written;
    writer.event(&note(1, "only this")).unwrap();
    let deadline = Instant::now() + Duration::from_secs(5);
    while disk.0.lock().unwrap().synced <= begun {
        assert!(Instant::now() < deadline);
        thread::sleep(Duration::from_millis(10));
    }
    let state = disk.0.lock().unwrap();
    assert_eq!(state.synced, state.written);
}

#[test]
fn a_disk_that_fills_up_is_reported_on_a_later_call_and_for_ever() {
    let disk = FakeDisk::default();
    let mut writer = on(&disk);
    disk.0.lock().unwrap().room = Some(0);
    let deadline = Instant::now() + Duration::from_secs(5);
    let error = loop {
        if let Err(error) = writer.block(block(0)) {
            break error;
        }
        assert!(Instant::now() < deadline);
        thread::sleep(Duration::from_millis(20));
    };
    assert!(matches!(error, RecordError::Full { .. }), "{error}");
    assert_eq!(writer.event(&note(1, "still?")), Err(error.clone()));
    assert_eq!(writer.finish(), Err(error));
}

#[test]
fn a_disk_that_hangs_is_reported_and_keeps_nobody_waiting() {
    let disk = FakeDisk::default();
    let mut writer = on(&disk);
    disk.0.lock().unwrap().hangs = Some(Duration::from_secs(60));
    let begin = Instant::now();
    let error = loop {
        if let Err(error) = writer.block(block(0)) {
            break error;
        }
        assert!(begin.elapsed() < Duration::from_secs(20));
        thread::sleep(Duration::from_millis(20));
    };
    assert!(matches!(error, RecordError::Stalled { .. }), "{error}");
    let begin = Instant::now();
    assert_eq!(writer.finish(), Err(error));
    assert!(begin.elapsed() < Duration::from_secs(1));
}
