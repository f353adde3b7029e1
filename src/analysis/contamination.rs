//! What real speed readings hold beside speed: a register frozen at its last value at standstill, one-sample glitches,
//! readings in coarse steps. Frozen readings become standstill, glitches are bridged, both are reported.

use std::borrow::Cow;

use crate::analysis::level;
use crate::analysis::signal::stats;
use crate::bench::Channel;
use crate::record::recording::{Recording, Series};
use crate::units::significant;

/// Rows of one and the same reading from which it may be frozen.
const FROZEN_ROWS: usize = 4;
/// A frozen reading lies under this share of the top speed: the last period measured before standstill.
const FROZEN_BELOW: f64 = 0.1;

/// The recording with its speed column cleaned, and what was done, in words. Borrowed when nothing was to do.
pub(crate) fn clean(rec: &Recording) -> (Cow<'_, Recording>, Vec<String>) {
    let Some(series) = rec.channels.get(&Channel::SpeedRpm) else { return (Cow::Borrowed(rec), Vec::new()) };
    let mut values: Vec<f32> = series.chunks().iter().flat_map(|chunk| chunk.values.iter().copied()).collect();
    let mut said = Vec::new();
    said.extend(thaw(&mut values));
    said.extend(bridge_glitches(&mut values));
    if said.is_empty() {
        return (Cow::Borrowed(rec), said);
    }
    let mut copy = rec.clone();
    let mut cleaned = Series::default();
    let mut at = 0;
    for chunk in series.chunks() {
        cleaned.push(chunk.t0_s, chunk.dt_s, &values[at..at + chunk.values.len()]);
        at += chunk.values.len();
    }
    copy.channels.insert(Channel::SpeedRpm, cleaned);
    (Cow::Owned(copy), said)
}

/// Sets frozen readings to standstill.
fn thaw(values: &mut [f32]) -> Option<String> {
    let speeds: Vec<f64> = values.iter().map(|&v| f64::from(v).abs()).collect();
    let top = stats::quantile(&speeds, 0.98)?;
    let runs = runs(values);
    let usual = usual_run(&runs, values);
    let (mut rows, mut example) = (0, 0.0);
    for (from, to) in runs {
        let speed = speeds[from];
        let long = to - from >= FROZEN_ROWS.max(4 * usual);
        // Readings at or near zero are standstill as they are.
        if long && speed > 1e-3 * top && speed < FROZEN_BELOW * top && !is_step(&speeds, speed) {
            rows += to - from;
            example = speed;
            values[from..to].fill(0.0);
        }
    }
    (rows > 0).then(|| {
        format!(
            "speed reading frozen in {rows} rows (for example at {} rpm, repeated exactly): taken as standstill",
            significant(example, 4)
        )
    })
}

/// Runs of equal readings as index ranges.
fn runs(values: &[f32]) -> Vec<(usize, usize)> {
    let mut found = Vec::new();
    let mut from = 0;
    for i in 1..=values.len() {
        if i == values.len() || values[i].to_bits() != values[from].to_bits() {
            found.push((from, i));
            from = i;
        }
    }
    found
}

/// Usual length of a run while turning: above one when the logger repeats readings between updates.
fn usual_run(runs: &[(usize, usize)], values: &[f32]) -> usize {
    let mut lengths: Vec<usize> =
        runs.iter().filter(|(from, _)| values[*from] != 0.0).map(|(from, to)| to - from).collect();
    lengths.sort_unstable();
    lengths.get(lengths.len() / 2).copied().unwrap_or(1)
}

/// Whether `value` is the step in which most readings move, so that its repeats are real.
fn is_step(speeds: &[f64], value: f64) -> bool {
    let moving: Vec<f64> = speeds.iter().copied().filter(|v| *v > 1.01 * value).collect();
    let multiples = moving.iter().filter(|v| ((*v / value).round() - *v / value).abs() < 0.05).count();
    moving.len() >= 4 && multiples * 2 > moving.len()
}

/// Replaces single wild readings by the mean of their neighbours.
fn bridge_glitches(values: &mut [f32]) -> Option<String> {
    let found = glitches(values);
    // Many wild readings are how this column is, not glitches.
    if found.is_empty() || found.len() > 3.max(values.len() / 200) {
        return None;
    }
    let worst = found.iter().map(|&i| values[i]).fold(0.0_f32, |a, b| if b.abs() > a.abs() { b } else { a });
    for &i in &found {
        values[i] = 0.5 * (values[i - 1] + values[i + 1]);
    }
    Some(format!(
        "{} single wild speed reading(s) left out (worst {} rpm)",
        found.len(),
        significant(f64::from(worst), 4)
    ))
}

/// Single readings that stand far off while their neighbours agree with each other.
fn glitches(values: &[f32]) -> Vec<usize> {
    let speeds: Vec<f64> = values.iter().map(|&v| f64::from(v).abs()).collect();
    let top = stats::quantile(&speeds, 0.98).unwrap_or(0.0);
    let steps: Vec<f64> = values.windows(2).map(|w| f64::from(w[1] - w[0]).abs()).collect();
    let usual = stats::quantile(&steps, 0.8).unwrap_or(0.0);
    (1..values.len().saturating_sub(1))
        .filter(|&i| {
            let (before, here, after) = (f64::from(values[i - 1]), f64::from(values[i]), f64::from(values[i + 1]));
            let off = (here - before).abs().min((here - after).abs());
            off > (8.0 * usual).max(0.3 * top) && (after - before).abs() < 0.3 * off
        })
        .collect()
}

/// Step in which the speed column moves, when nearly all readings are multiples of one; revolutions per minute.
pub(crate) fn speed_step(rec: &Recording) -> Option<f64> {
    let top = level::top_speed(rec)?;
    let series = rec.channels.get(&Channel::SpeedRpm)?;
    let mut speeds: Vec<f64> =
        series.samples(f64::NEG_INFINITY, f64::INFINITY).map(|(_, v)| v.abs()).filter(|v| v.is_finite()).collect();
    speeds.sort_unstable_by(f64::total_cmp);
    let gaps: Vec<f64> = speeds.windows(2).map(|w| w[1] - w[0]).filter(|gap| *gap > 0.01 * top).collect();
    let step = stats::median(&gaps)?;
    let fits = speeds.iter().filter(|v| ((*v / step).round() - *v / step).abs() < 0.12).count();
    let levels = speeds.last().map_or(0.0, |v| v / step);
    (levels >= 2.0 && fits * 20 >= speeds.len() * 19 && speeds.len() >= 20).then_some(step)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_low_reading_repeated_exactly_is_standstill_and_a_repeat_at_speed_is_not() {
        let mut values = vec![
            300.0, 240.3, 180.1, 91.7, 24.1, 24.1, 24.1, 24.1, 24.1, 24.1, 203.4, 288.0, 288.0, 288.0, 288.0, 301.0,
        ];
        let said = thaw(&mut values).unwrap();
        assert!(said.contains("6 rows") && said.contains("24.1"), "{said}");
        assert!(values[4..10].iter().all(|v| *v == 0.0));
        assert!(values[11..15].iter().all(|v| *v == 288.0));
    }

    #[test]
    fn the_lowest_count_of_a_counting_reader_is_not_frozen() {
        let mut values = vec![0.0, 0.0, 16.7, 16.7, 16.7, 16.7, 33.4, 50.1, 66.8, 100.2, 150.3, 183.7, 200.4, 217.1];
        assert_eq!(thaw(&mut values), None);
    }

    #[test]
    fn one_wild_sample_is_bridged_and_a_jump_is_kept() {
        let mut values = vec![0.0, 42.0, 120.0, 128.0, 1482.0, 120.0, 111.0, 102.0, 94.0, 94.0, 85.0, 85.0];
        assert!(bridge_glitches(&mut values).unwrap().contains("1482"));
        assert_eq!(values[4], 124.0);
        let mut jump = vec![0.0, 0.0, 0.0, 0.0, 203.0, 239.0, 282.0, 301.0, 338.0, 357.0];
        assert_eq!(bridge_glitches(&mut jump), None);
    }
}
