//! What the record and the import of traces cost, each as a ratio to the least work that could do the same on this
//! machine in this run: `cargo bench --bench record`.

use std::error::Error;
use std::fmt::Write as _;
use std::fs::{self, File};
use std::hint::black_box;
use std::io::Write as _;
use std::time::Instant;

use galebench::bench::{Block, Channel};
use galebench::record::csv_import::{TraceOptions, import};
use galebench::record::event::Header;
use galebench::record::reader;
use galebench::record::writer::RecordWriter;

/// Each time is the least of this many.
const REPEATS: usize = 5;

fn main() -> Result<(), Box<dyn Error>> {
    keep_and_read_back()?;
    import_a_trace()
}

/// A full run's record, 1 M samples of each of three channels in 30 000 blocks, against the same bytes in one plain file.
fn keep_and_read_back() -> Result<(), Box<dyn Error>> {
    let blocks = blocks();
    let samples = blocks.iter().flat_map(|block| &block.channels).flat_map(|(_, values)| values);
    let bytes: Vec<u8> = samples.flat_map(|value| value.to_le_bytes()).collect();
    let root = tempfile::tempdir()?;
    let plain = root.path().join("plain");
    let mut least = [f64::INFINITY; 5];
    for round in 0..REPEATS {
        let dir = root.path().join(format!("record-{round}"));
        let begin = Instant::now();
        let mut writer = RecordWriter::create(&dir, &Header::default())?;
        for block in &blocks {
            writer.block(block.clone())?;
        }
        keep_least(&mut least[0], begin);
        writer.finish()?;
        keep_least(&mut least[1], begin);
        let begin = Instant::now();
        black_box(reader::read(&dir)?);
        keep_least(&mut least[2], begin);

        let begin = Instant::now();
        let mut file = File::create(&plain)?;
        file.write_all(&bytes)?;
        file.sync_data()?;
        keep_least(&mut least[3], begin);
        let begin = Instant::now();
        let back = fs::read(&plain)?;
        let values: Vec<f32> = back.chunks_exact(4).map(|b| f32::from_le_bytes([b[0], b[1], b[2], b[3]])).collect();
        black_box(values);
        keep_least(&mut least[4], begin);
    }
    let [handed, kept, read, plain_kept, plain_read] = least;
    println!("record of 3 x 1 M samples, against one plain file of the same bytes");
    println!("  handed over by the sampling thread  {:6.2}", handed / plain_kept);
    println!("  handed over and on the disk         {:6.2}", kept / plain_kept);
    println!("  read back as a recording            {:6.2}", read / plain_read);
    Ok(())
}

/// A trace of a million rows, against splitting the same text and reading every number in it.
fn import_a_trace() -> Result<(), Box<dyn Error>> {
    let text = trace()?;
    let mut least = [f64::INFINITY; 2];
    for _ in 0..REPEATS {
        let begin = Instant::now();
        black_box(import(text.as_bytes(), &TraceOptions::default())?);
        keep_least(&mut least[0], begin);
        let begin = Instant::now();
        let sum: f64 =
            text.lines().skip(1).flat_map(|line| line.split(',')).filter_map(|cell| cell.parse::<f64>().ok()).sum();
        black_box(sum);
        keep_least(&mut least[1], begin);
    }
    println!("trace of 1 M rows and 7 columns, against reading its numbers");
    println!("  imported as a recording             {:6.2}", least[0] / least[1]);
    Ok(())
}

fn keep_least(least: &mut f64, begin: Instant) {
    *least = least.min(begin.elapsed().as_secs_f64());
}

fn blocks() -> Vec<Block> {
    let mut state = 1_u32;
    let mut noise = || {
        state = state.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
        // The upper 12 bits: what a converter delivers, so that it packs as real samples do.
        f32::from(u16::try_from(state >> 20).unwrap_or_default())
    };
    let channels = [Channel::SupplyV, Channel::SupplyA, Channel::OutputV];
    (0..30_000)
        .map(|i| Block {
            t0_s: f64::from(i) * 0.02,
            duration_s: 0.02,
            channels: channels.map(|c| (c, (0..34).map(|_| 13.0 + 1e-4 * noise()).collect())).to_vec(),
            ..Block::default()
        })
        .collect()
}

fn trace() -> Result<String, std::fmt::Error> {
    let mut text = String::from("time_s,supply_v,supply_a,output_v,command_pct,tach,case_c\n");
    for i in 0..1_000_000_u32 {
        let noise = f64::from(i.wrapping_mul(2_654_435_761) >> 16) * 1e-6;
        let case = if i % 100 == 0 { "25.31" } else { "" };
        let (time_s, volts, amps, output_v) =
            (f64::from(i) * 5e-4 + noise * 1e-3, 13.0 + noise, 4.0 + noise, 8.0 + noise);
        writeln!(text, "{time_s:.6},{volts:.4},{amps:.5},{output_v:.4},{}.0,{},{case}", i / 10_000, (i / 7) % 2)?;
    }
    Ok(text)
}
