//! Tach edges through the `linux` driver in the kernel box: pulses of a line of its own kernel module (`tach-bench`), counted,
//! with their spacing and what was lost.
//!
//! `tests/kernel-box/run BINARY tests/kernel-box/bench.toml PULSES RATE`: how many pulses, and how many a second.

use std::error::Error;
use std::fs::File;
use std::io::{Read as _, Write as _};
use std::path::Path;

use galebench::bench::Pace;
use galebench::config;
use galebench::config::address::Address;
use galebench::config::rig::DriverSpec;
use galebench::driver::linux;

/// Read at a time, seconds.
const BLOCK_S: f64 = 0.02;
/// Blocks after the last pulse, for the edges that wait.
const TAIL: u32 = 10;

fn main() -> Result<(), Box<dyn Error>> {
    let arguments: Vec<String> = std::env::args().collect();
    let [_, rig, pulses, rate] = arguments.as_slice() else {
        return Err("box_tach RIG PULSES RATE".into());
    };
    let (mut rig, pulses, rate) = (config::load_rig(Path::new(rig))?, pulses.parse::<u64>()?, rate.parse::<f64>()?);
    let DriverSpec::Linux(board) = &mut rig.driver else { return Err("the rig must be of the linux driver".into()) };
    board.tach = Some(Address::Gpio { chip: None, line: "fast-tach".to_owned() });
    let board = board.clone();
    let mut bench = linux::open(&rig, &board)?;
    let mut far = File::options().read(true).write(true).open("/dev/tach-bench")?;
    bench.read(BLOCK_S, Pace::Normal)?;
    let spacing_ns = (1e9 / rate).round() as u64;
    far.write_all(&[pulses, spacing_ns].map(u64::to_ne_bytes).concat())?;
    println!("begun");
    let (mut edges, mut samples, mut lost, mut made, mut tail) = (Vec::new(), 0, 0, 0, 0);
    while tail < TAIL {
        let block = bench.read(BLOCK_S, Pace::Normal)?;
        edges.extend(block.tach_s.unwrap_or_default());
        samples += block.channels.first().map_or(0, |(_, samples)| samples.len());
        lost += block.lost;
        let mut count = [0; 8];
        far.read_exact(&mut count)?;
        made = u64::from_ne_bytes(count);
        tail += u32::from(made == pulses);
    }
    let span_s = edges.last().unwrap_or(&0.0) - edges.first().unwrap_or(&0.0);
    let longest_s = edges.windows(2).map(|pair| pair[1] - pair[0]).fold(0.0, f64::max);
    println!("made {made}");
    println!("seen {}", edges.len());
    println!("lost {lost}");
    println!("span_s {span_s:.6}");
    println!("longest_us {:.1}", longest_s * 1e6);
    println!("samples {samples}");
    for note in bench.notes() {
        println!("note {note}");
    }
    Ok(())
}
