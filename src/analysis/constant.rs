//! The constant part of a stretch: where a trace without a command can be read as one settled speed.

use crate::analysis::signal::stats;
use crate::bench::Channel;
use crate::record::recording::Recording;

/// Stretches into which a trace is cut.
const BLOCKS: usize = 80;
/// Fewest samples in a stretch.
const LEAST: usize = 2;
/// How far a stretch may lie from the longest constant part's level, as a share of it.
const NEAR: f64 = 0.06;

/// Begin and end of the longest part in which speed, else current, keeps its level; `None` without such a channel or
/// when no part lasts for an eighth of the trace.
///
/// Of a current the level is mean and swing together, so an AC-coupled waveform counts too.
pub(crate) fn part(rec: &Recording) -> Option<(f64, f64)> {
    let channel = [Channel::SpeedRpm, Channel::FanA, Channel::SupplyA, Channel::OutputV]
        .into_iter()
        .find(|channel| rec.channels.contains_key(channel));
    let Some(channel) = channel else {
        // Edges alone: their own kernel finds what is steady in them.
        let edges = rec.tach_s.as_deref()?;
        return edges.first().zip(edges.last()).map(|(first, last)| (*first, *last));
    };
    let samples: Vec<(f64, f64)> = rec.channels.get(&channel)?.samples(f64::NEG_INFINITY, f64::INFINITY).collect();
    let size = (samples.len() / BLOCKS).max(LEAST);
    let blocks: Vec<(f64, f64, f64)> = samples
        .chunks(size)
        .filter(|block| block.len() == size)
        .map(|block| {
            let level = if channel == Channel::SpeedRpm { mean_of(block) } else { rms_of(block) };
            (block[0].0, block[size - 1].0, level)
        })
        .collect();
    let (first, last) = longest(&blocks)?;
    (8 * (last + 1 - first) >= blocks.len())
        .then(|| (blocks[first].0, rec.end_s.min(next_begin(&blocks, last, rec.end_s))))
}

fn next_begin(blocks: &[(f64, f64, f64)], last: usize, end_s: f64) -> f64 {
    blocks.get(last + 1).map_or(end_s, |block| block.0)
}

fn mean_of(block: &[(f64, f64)]) -> f64 {
    block.iter().map(|(_, v)| v).sum::<f64>() / block.len() as f64
}

fn rms_of(block: &[(f64, f64)]) -> f64 {
    (block.iter().map(|(_, v)| v * v).sum::<f64>() / block.len() as f64).sqrt()
}

/// First and last index of the longest run of blocks near their own median; one stray block inside is passed over.
fn longest(blocks: &[(f64, f64, f64)]) -> Option<(usize, usize)> {
    let levels: Vec<f64> = blocks.iter().map(|block| block.2).collect();
    let scatter = stats::robust_sigma(&differences(&levels)).unwrap_or(0.0);
    let mut best: Option<(usize, usize)> = None;
    let mut from = 0;
    while from < levels.len() {
        let mut to = from;
        let mut strays = 0;
        for next in from + 1..levels.len() {
            let centre = stats::median(&levels[from..=to]).unwrap_or(levels[from]);
            if (levels[next] - centre).abs() <= (NEAR * centre.abs()).max(3.0 * scatter) {
                (to, strays) = (next, 0);
            } else if strays == 0 && next - from > 4 {
                strays = 1;
            } else {
                break;
            }
        }
        if best.is_none_or(|(a, b)| to - from > b - a) {
            best = Some((from, to));
        }
        from += 1;
    }
    best
}

fn differences(levels: &[f64]) -> Vec<f64> {
    levels.windows(2).map(|w| w[1] - w[0]).collect()
}
