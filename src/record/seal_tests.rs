use super::*;
use crate::bench::{Block, Channel};
use crate::record::event::{Event, Numbered};
use crate::record::samples::Encoder;
use crate::record::writer::RecordWriter;

fn block(index: u32, amps: f32) -> Block {
    Block {
        t0_s: f64::from(index) * 0.02,
        duration_s: 0.02,
        lost: 0,
        channels: vec![(Channel::SupplyA, vec![amps; 40])],
        tach_s: None,
        stop_pressed: Some(false),
    }
}

/// A minute of samples and ten notes.
fn record(dir: &Path) -> Seal {
    let header = Header { run: "run-1".to_owned(), program: "galebench".to_owned(), ..Header::default() };
    let mut writer = RecordWriter::create(dir, &header).unwrap();
    for index in 0..3000 {
        writer.block(block(index, 1.0)).unwrap();
    }
    for seq in 1..=10 {
        let event = Event::Note { text: format!("note {seq}") };
        writer.event(&Numbered { seq, t_s: 6.0 * seq as f64, event }).unwrap();
    }
    writer.event(&Numbered { seq: 11, t_s: 60.0, event: Event::End { finished: true } }).unwrap();
    writer.finish().unwrap();
    Seal::read(dir).unwrap().expect("a finished record is sealed")
}

fn found(seal: &Seal, dir: &Path) -> Vec<String> {
    seal.compare(dir).unwrap().into_iter().map(|one| format!("{} {}: {}", one.file, one.at, one.found)).collect()
}

fn edit(path: &Path, change: impl FnOnce(&mut Vec<u8>)) {
    let mut bytes = fs::read(path).unwrap();
    change(&mut bytes);
    fs::write(path, bytes).unwrap();
}

fn edit_lines(dir: &Path, change: impl FnOnce(&mut Vec<String>)) {
    let path = dir.join(EVENTS_FILE);
    let mut lines: Vec<String> = fs::read_to_string(&path).unwrap().lines().map(str::to_owned).collect();
    change(&mut lines);
    fs::write(&path, lines.join("\n") + "\n").unwrap();
}

#[test]
fn the_seal_is_of_what_lies_on_the_disk_and_its_fingerprint_that_of_the_common_tool() {
    let dir = tempfile::tempdir().unwrap();
    let seal = record(dir.path());
    assert_eq!(found(&seal, dir.path()), Vec::<String>::new());
    assert_eq!(seal.fingerprint(), fingerprint(dir.path()).unwrap());
    assert_eq!((seal.run.as_str(), seal.program.as_str()), ("run-1", "galebench"));
    // `sha256sum events.jsonl samples.arrows | sha256sum`, spelled out.
    let sum = |name: &str| hex(&Sha256::digest(fs::read(dir.path().join(name)).unwrap()));
    let printed = format!("{}  events.jsonl\n{}  samples.arrows\n", sum("events.jsonl"), sum("samples.arrows"));
    assert_eq!(seal.fingerprint(), hex(&Sha256::digest(printed)));
}

#[test]
fn an_altered_new_or_missing_line_is_told_with_its_time() {
    type Change = fn(&mut Vec<String>);
    let cases: [(Change, &str); 3] = [
        (
            |lines| lines[4] = lines[4].replace("note 4", "note 5"),
            "events.jsonl line 5 at 24.000 s: altered, now {\"seq\":4",
        ),
        (|lines| drop(lines.remove(4)), "events.jsonl after line 4 at 18.000 s: 1 lines were taken out here"),
        (
            |lines| lines.insert(4, lines[3].replace("3.0", "3.5")),
            "events.jsonl line 5 at 18.000 s: put in, {\"seq\":3",
        ),
    ];
    for (change, expected) in cases {
        let dir = tempfile::tempdir().unwrap();
        let seal = record(dir.path());
        edit_lines(dir.path(), change);
        let found = found(&seal, dir.path());
        assert!(found.len() == 1 && found[0].starts_with(expected), "{found:?} for {expected}");
    }
}

#[test]
fn an_altered_byte_of_the_samples_is_told_with_offset_and_time() {
    let dir = tempfile::tempdir().unwrap();
    let seal = record(dir.path());
    // The second batch: rows 1024 to 2047.
    let piece = seal.pieces.iter().position(|piece| piece.t_s == Some(20.48)).expect("batches of 1024 rows");
    let offset: u64 = seal.pieces[..piece].iter().map(|piece| piece.bytes).sum();
    edit(&dir.path().join(SAMPLES_FILE), |bytes| bytes[offset as usize + 900] ^= 1);
    let end = offset + seal.pieces[piece].bytes;
    let expected = format!("samples.arrows bytes {offset} to {end}, samples from 20.48 to 40.96 s: other bytes");
    assert_eq!(found(&seal, dir.path()), [expected]);
}

#[test]
fn samples_cut_off_put_on_or_gone_are_told() {
    let samples = |dir: &Path| dir.join(SAMPLES_FILE);
    let dir = tempfile::tempdir().unwrap();
    let seal = record(dir.path());
    edit(&samples(dir.path()), |bytes| bytes.truncate(bytes.len() - 8));
    assert!(found(&seal, dir.path())[0].ends_with("cut off"), "{:?}", found(&seal, dir.path()));
    edit(&samples(dir.path()), |bytes| bytes.extend([0xff, 0xff, 0xff, 0xff, 0, 0, 0, 0, 1, 2]));
    assert_eq!(found(&seal, dir.path()).len(), 1, "the end is there again: only what follows is too much");
    assert!(found(&seal, dir.path())[0].ends_with("2 bytes were put on"));
    fs::remove_file(samples(dir.path())).unwrap();
    assert_eq!(found(&seal, dir.path()), ["samples.arrows the whole file: it is missing"]);
}

/// What someone does who loads the samples with a common tool, changes some and saves them with sound check sums.
#[test]
fn samples_written_anew_with_another_packing_are_told_by_the_second() {
    let dir = tempfile::tempdir().unwrap();
    let seal = record(dir.path());
    let rewrite = |amps: fn(u32) -> f32, rows: u32| {
        let mut encoder = Encoder::new().unwrap();
        for index in 0..3000 {
            encoder.push(&block(index, amps(index)));
            if index % rows == rows - 1 {
                encoder.close_batch().unwrap();
            }
        }
        encoder.close_stream().unwrap();
        fs::write(dir.path().join(SAMPLES_FILE), encoder.pending().as_slice()).unwrap();
    };
    rewrite(|_| 1.0, 100);
    assert_eq!(found(&seal, dir.path()), ["samples.arrows the whole file: packed anew with the same samples"]);
    // Rows 655 to 754: 13.1 to 15.1 s.
    rewrite(|index| if (655..755).contains(&index) { 0.7 } else { 1.0 }, 100);
    let expected = "samples.arrows samples from 13 to 16 s: other samples; the whole file was written anew";
    assert_eq!(found(&seal, dir.path()), [expected]);
}

#[test]
fn a_record_that_breaks_off_has_no_seal_and_a_seal_of_a_newer_program_is_refused() {
    let dir = tempfile::tempdir().unwrap();
    assert_eq!(Seal::read(dir.path()).unwrap(), None);
    let seal = record(dir.path());
    let newer = Seal { format: 99, ..seal };
    fs::write(dir.path().join(SEAL_FILE), serde_json::to_vec(&newer).unwrap()).unwrap();
    let error = Seal::read(dir.path()).unwrap_err().to_string();
    assert!(error.contains("has format 99, this program reads up to 1"), "{error}");
}
