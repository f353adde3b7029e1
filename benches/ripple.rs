//! What speed from ripple costs, as a ratio to a plain transform of the same samples in this run:
//! `cargo bench --bench ripple`.

use std::hint::black_box;
use std::time::Instant;

use galebench::analysis::signal::ripple::{Search, find};
use realfft::RealFftPlanner;

/// A minute at 20 kS/s, in windows of half a second.
const RATE_HZ: f64 = 20_000.0;
const SAMPLES: usize = 1_200_000;
const WINDOW: usize = 10_000;
/// Each time is the least of this many.
const REPEATS: usize = 5;

fn main() {
    let samples: Vec<f32> = (0..SAMPLES).map(sample).collect();
    let search = Search { lo_hz: 30.0, hi_hz: 4000.0, avoid_hz: &[], per_rev: None };
    let (mut ours_s, mut plain_s, mut seen) = (f64::INFINITY, f64::INFINITY, 0);
    for _ in 0..REPEATS {
        let begin = Instant::now();
        seen = samples.chunks(WINDOW).filter_map(|window| black_box(find(window, 1.0 / RATE_HZ, &search))).count();
        ours_s = ours_s.min(begin.elapsed().as_secs_f64());
        let begin = Instant::now();
        plain(&samples);
        plain_s = plain_s.min(begin.elapsed().as_secs_f64());
    }
    println!("speed from ripple, 60 s of 20 kS/s, {seen} of {} windows with a line", SAMPLES / WINDOW);
    println!("  {:.3} s on one core, {:.1} times a plain transform of the windows", ours_s, ours_s / plain_s);
}

/// A ripple with side lines and harmonic, a bent blade, a line of the mains, and noise that repeats in every run.
fn sample(i: usize) -> f32 {
    let t = i as f64 / RATE_HZ;
    let wave = |hz: f64, amps: f64| amps * (std::f64::consts::TAU * hz * t).sin();
    let rough = ((i.wrapping_mul(2_654_435_761) >> 7) % 2001) as f64 / 1000.0 - 1.0;
    let ripple = wave(1040.0, 0.4) + wave(2080.0, 0.1) + wave(1040.0 - 43.33, 0.06) + wave(1040.0 + 43.33, 0.06);
    (14.0 + ripple + wave(43.33, 0.3) + wave(100.0, 0.1) + 0.3 * rough) as f32
}

/// One transform per window and nothing else.
fn plain(samples: &[f32]) {
    let transform = RealFftPlanner::<f64>::new().plan_fft_forward(WINDOW);
    let mut bins = transform.make_output_vec();
    for window in samples.chunks_exact(WINDOW) {
        let mut input: Vec<f64> = window.iter().map(|&v| f64::from(v)).collect();
        let done = transform.process(&mut input, &mut bins);
        black_box(done.is_ok());
    }
}
