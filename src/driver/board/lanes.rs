//! The sampled channels of a board: sources of different kinds side by side, laid onto the grid of the one that carries
//! the supply current, on the monotonic clock.
//!
//! A source with a pace of its own is read at the sample nearest in time, so it is at most half its spacing off; what
//! cannot be aligned so (a current monitor behind hwmon) is a slow reading, one value a block.

use std::collections::{BTreeMap, VecDeque};
use std::fmt::Write as _;
use std::time::{Duration, Instant};

use super::grid::Grid;
use super::sampler::{Gauge, MOST_SLOTS, Sampler, Slow, Source, Tick, now_ns};
use crate::bench::Channel;
use crate::config::address::Address;
use crate::config::rig::{BoardSpec, Rig};
use crate::driver::DriverError;

/// A slow reading older than this is no reading.
const SLOW_AGE: Duration = Duration::from_secs(2);
/// Samples may be this much later than asked before the bench counts as silent.
const ALLOWED: Duration = Duration::from_secs(1);
/// How long the pace is measured at the start.
const MEASURED_S: f64 = 0.5;
/// A gap ends a block unless less than this share of it came before.
const SHORT: f64 = 0.3;
/// Seconds of another source that are kept to find the nearest sample in.
const KEPT_S: f64 = 0.5;
/// Share of a low range that is used; above, the wide range counts.
const LOW_USED: f64 = 0.95;
/// What the wide range may read where the low one is right, as a multiple of the low range: its offset counts.
const WIDE_AGREES: f64 = 3.0;

/// One reading: a channel, or the low range of one.
#[derive(Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord)]
pub(in crate::driver) struct Slot {
    pub(in crate::driver) channel: Channel,
    pub(in crate::driver) low: bool,
}

impl Slot {
    /// Whether one value a block is enough.
    pub(in crate::driver) const fn is_slow(self) -> bool {
        matches!(self.channel, Channel::CaseC | Channel::AmbientC)
    }
}

/// A source that keeps a pace, with the reading that each of its values is.
#[derive(Debug)]
pub(in crate::driver) struct Paced {
    /// Name for people.
    pub(in crate::driver) name: String,
    pub(in crate::driver) slots: Vec<Slot>,
    pub(in crate::driver) rate_hz: f64,
    /// Whether this program paces it, so that what comes slower than asked is lost and no clock of its own.
    pub(in crate::driver) ours: bool,
    pub(in crate::driver) source: Box<dyn Source>,
}

/// Every reading of a board, opened.
#[derive(Debug, Default)]
pub(in crate::driver) struct Readings {
    pub(in crate::driver) paced: Vec<Paced>,
    pub(in crate::driver) slow: Vec<(Slot, Box<dyn Gauge>)>,
    /// How far the moments of a channel may be off within its scans, seconds, standard uncertainty.
    pub(in crate::driver) skew_s: BTreeMap<Channel, f64>,
    /// What the record should say of them.
    pub(in crate::driver) notes: Vec<String>,
}

/// A source that keeps a pace.
#[derive(Debug)]
struct Lane {
    name: String,
    sampler: Sampler,
    slots: Vec<Slot>,
    rate_hz: f64,
    ours: bool,
    /// Samples that wait to be matched with those of the main source; empty for that one itself.
    recent: VecDeque<Tick>,
}

/// What one read brought.
#[derive(Debug)]
pub(in crate::driver) struct Read {
    pub(in crate::driver) begin_s: f64,
    pub(in crate::driver) duration_s: f64,
    pub(in crate::driver) lost: u64,
    pub(in crate::driver) channels: Vec<(Channel, Vec<f32>)>,
}

/// All channels.
#[derive(Debug)]
pub(in crate::driver) struct Lanes {
    /// The source of the supply current comes first.
    lanes: Vec<Lane>,
    slow: Option<(Slow, Vec<Slot>)>,
    /// Factor and addend of each reading to the channel's unit.
    scaling: BTreeMap<Slot, (f64, f64)>,
    low_range: BTreeMap<Channel, f64>,
    grid: Grid,
    origin_ns: u64,
    pending: Option<(u64, Tick)>,
    lost: u64,
    /// End of the last block where nothing keeps a pace, seconds.
    waited_s: f64,
    /// How the pace was found at the start, in words.
    pub(in crate::driver) pace: String,
}

impl Lanes {
    /// Starts sampling and measures the pace of the main source.
    pub(in crate::driver) fn open(rig: &Rig, board: &BoardSpec, readings: Readings) -> Result<Self, DriverError> {
        let rate_hz = board.rate.get();
        let mut lanes = Vec::new();
        for Paced { name, slots, rate_hz, ours, source } in readings.paced {
            few(&name, slots.len())?;
            let sampler = Sampler::start(&name, source, rate_hz)?;
            lanes.push(Lane { name, sampler, slots, rate_hz, ours, recent: VecDeque::new() });
        }
        let main = Slot { channel: Channel::SupplyA, low: false };
        lanes.sort_by_key(|lane| !lane.slots.contains(&main));
        let has_main = lanes.first().is_some_and(|lane| lane.slots.contains(&main));
        if board.channels.contains_key(&Channel::SupplyA) && !has_main {
            let what = rig.channels.get(&Channel::SupplyA).map_or("supply_a", |spec| spec.address.as_str()).to_owned();
            let why = "supply current must come from a converter that keeps the pace; hwmon is too slow for it";
            return Err(DriverError::Open { what, why: why.to_owned() });
        }
        let slow = if readings.slow.is_empty() {
            None
        } else {
            let (slots, gauges): (Vec<Slot>, Vec<_>) = readings.slow.into_iter().unzip();
            Some((Slow::start(gauges)?, slots))
        };
        let mut opened = Self {
            lanes,
            slow,
            scaling: scaling(rig, board),
            low_range: rig.channels.iter().filter_map(|(c, spec)| Some((*c, spec.low?.range.get()))).collect(),
            grid: Grid::new(0.0, 1.0 / rate_hz),
            origin_ns: 0,
            pending: None,
            lost: 0,
            waited_s: 0.0,
            pace: String::new(),
        };
        if opened.lanes.is_empty() {
            opened.origin_ns = now_ns();
            opened.pace = "sampling: nothing keeps a pace here; outputs and slow readings alone".to_owned();
        } else {
            opened.measure()?;
        }
        Ok(opened)
    }

    /// Measures the pace of the main source and begins the run's clock.
    #[expect(clippy::cast_precision_loss, reason = "half a second of nanoseconds")]
    fn measure(&mut self) -> Result<(), DriverError> {
        let (main, rate_hz) = (&self.lanes[0].sampler, self.lanes[0].rate_hz);
        main.clear();
        let mut stamps = Vec::new();
        let deadline = Instant::now() + Duration::from_secs_f64(MEASURED_S) + ALLOWED;
        while stamps.last().is_none_or(|last: &u64| (last - stamps[0]) as f64 * 1e-9 < MEASURED_S) {
            if let Some(tick) = main.next(Duration::from_millis(20))? {
                if stamps.last().is_some_and(|last| *last >= tick.stamp_ns) {
                    let why = "the stamps of its samples do not rise".to_owned();
                    return Err(DriverError::Answer { what: "supply current".to_owned(), why });
                }
                stamps.push(tick.stamp_ns);
            } else if Instant::now() > deadline {
                return Err(late("the first samples"));
            }
        }
        let mut steps: Vec<f64> = stamps.windows(2).map(|pair| (pair[1] - pair[0]) as f64 * 1e-9).collect();
        let span_s: f64 = steps.iter().sum();
        let effective_hz = steps.len() as f64 / span_s;
        steps.sort_by(f64::total_cmp);
        let median_s = steps[steps.len() / 2];
        // What a trigger was told it does; only a converter with a clock of its own is taken at its measured pace.
        let as_asked = self.lanes[0].ours || (median_s * rate_hz - 1.0).abs() < 0.02;
        let dt_s = if as_asked { 1.0 / rate_hz } else { 1.0 / effective_hz };
        // Rounded up to nothing it would be a minus zero.
        let missing = (span_s / dt_s - steps.len() as f64).round().max(0.0).abs();
        if missing > 0.2 * steps.len() as f64 {
            let why = format!(
                "only {effective_hz:.0} samples a second come where {rate_hz:.0} are asked: state a lower `rate` in \
                 `[bench]`"
            );
            return Err(DriverError::Open { what: "supply current".to_owned(), why });
        }
        let mut off_us: Vec<f64> = steps.iter().map(|step| (step - dt_s).abs() * 1e6).collect();
        off_us.sort_by(f64::total_cmp);
        let at = |share: f64| {
            #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "an index")]
            let index = (share * (off_us.len() - 1) as f64) as usize;
            off_us[index]
        };
        self.pace = format!(
            "sampling: {effective_hz:.1} S/s where {rate_hz:.1} were asked, {missing:.0} of {} missing in {span_s:.2} s; \
             spacing off by {:.0} us (median), {:.0} us (99 %), {:.0} us (most); real-time scheduling {}",
            steps.len(),
            at(0.5),
            at(0.99),
            at(1.0),
            if main.real_time() { "allowed" } else { "not allowed (see docs/linux-board.md)" },
        );
        for lane in &mut self.lanes[1..] {
            while let Some(tick) = lane.sampler.next(Duration::ZERO)? {
                lane.recent.push_back(tick);
            }
            let came_s = lane
                .recent
                .back()
                .zip(lane.recent.front())
                .map_or(0.0, |(last, first)| last.stamp_ns.saturating_sub(first.stamp_ns) as f64 * 1e-9);
            let came_hz = if came_s > 0.0 { (lane.recent.len() - 1) as f64 / came_s } else { 0.0 };
            let (name, asked_hz) = (&lane.name, lane.rate_hz);
            let _ = write!(self.pace, "; {name}: {came_hz:.1} S/s where {asked_hz:.1} were asked, the nearest taken");
        }
        // The next sample is the first of the run.
        self.origin_ns = stamps[stamps.len() - 1];
        self.grid = Grid::new(dt_s, dt_s);
        Ok(())
    }

    /// The run's clock at a moment of the monotonic clock, seconds.
    #[expect(clippy::cast_precision_loss, reason = "a run is far shorter than 2^52 ns")]
    pub(in crate::driver) fn time_s(&self, stamp_ns: u64) -> f64 {
        if stamp_ns >= self.origin_ns {
            (stamp_ns - self.origin_ns) as f64 * 1e-9
        } else {
            -((self.origin_ns - stamp_ns) as f64 * 1e-9)
        }
    }

    /// Reads on up to `until_s` of the run's clock, or to the next gap. `each` is called about every 10 ms.
    pub(in crate::driver) fn read(
        &mut self,
        asked_s: f64,
        until_s: f64,
        mut each: impl FnMut() -> Result<(), DriverError>,
    ) -> Result<Read, DriverError> {
        if self.lanes.is_empty() {
            return self.wait(until_s, each);
        }
        let deadline = Instant::now() + Duration::from_secs_f64(asked_s) + ALLOWED;
        let dt_s = self.grid.dt_s();
        let mut ticks: Vec<Tick> = Vec::new();
        let mut first = 0;
        loop {
            let (place, tick) = match self.pending.take() {
                Some(waiting) => waiting,
                None => match self.lanes[0].sampler.next(Duration::from_millis(10))? {
                    Some(tick) => {
                        let (place, missing) = self.grid.place(self.time_s(tick.stamp_ns));
                        self.lost += missing;
                        if missing > 0 && !ticks.is_empty() {
                            #[expect(clippy::cast_precision_loss, reason = "a block's length")]
                            let came_s = ticks.len() as f64 * dt_s;
                            if came_s >= SHORT * asked_s {
                                self.pending = Some((place, tick));
                                break;
                            }
                            // Too few to be worth a block: they count as lost with the gap that follows.
                            self.lost += ticks.len() as u64;
                            ticks.clear();
                        }
                        (place, tick)
                    }
                    None if Instant::now() > deadline => return Err(late("samples of the supply current")),
                    None => {
                        each()?;
                        continue;
                    }
                },
            };
            if ticks.is_empty() {
                first = place;
            }
            ticks.push(tick);
            if ticks.len().is_multiple_of(16) {
                each()?;
            }
            #[expect(clippy::cast_precision_loss, reason = "a block's length")]
            let long_enough = ticks.len() as f64 * dt_s >= SHORT * asked_s;
            // After a gap near the end of what was asked a block goes on a little beyond.
            if long_enough && self.grid.begin_s(place + 1) >= until_s - 0.5 * dt_s {
                break;
            }
        }
        #[expect(clippy::cast_precision_loss, reason = "a block's length")]
        let duration_s = ticks.len() as f64 * dt_s;
        let begin_s = self.grid.begin_s(first);
        let channels = self.channels(&ticks)?;
        // What is missing after a block is told with the next one.
        let missing_after = self.pending.map_or(0, |(place, _)| place.saturating_sub(first + ticks.len() as u64));
        let lost = self.lost - missing_after.min(self.lost);
        self.lost -= lost;
        Ok(Read { begin_s, duration_s, lost, channels })
    }

    /// Lets time pass where nothing keeps a pace; slow readings come once a block.
    fn wait(&mut self, until_s: f64, mut each: impl FnMut() -> Result<(), DriverError>) -> Result<Read, DriverError> {
        let begin_s = self.waited_s;
        loop {
            each()?;
            let now_s = self.time_s(now_ns());
            if now_s >= until_s && now_s > begin_s {
                self.waited_s = now_s;
                break;
            }
            std::thread::sleep(Duration::from_secs_f64((until_s - now_s).clamp(1e-4, 0.01)));
        }
        let channels = self.channels(&[])?;
        Ok(Read { begin_s, duration_s: self.waited_s - begin_s, lost: 0, channels })
    }

    /// The values of all channels at these samples of the main source.
    fn channels(&mut self, ticks: &[Tick]) -> Result<Vec<(Channel, Vec<f32>)>, DriverError> {
        let mut values: BTreeMap<Slot, Vec<f32>> = BTreeMap::new();
        let most_ns = (KEPT_S * 1e9) as u64;
        for (at, lane) in self.lanes.iter_mut().enumerate() {
            if at > 0 {
                while let Some(tick) = lane.sampler.next(Duration::ZERO)? {
                    lane.recent.push_back(tick);
                }
                let oldest = ticks[0].stamp_ns.saturating_sub(most_ns);
                while lane.recent.front().is_some_and(|tick| tick.stamp_ns < oldest) {
                    lane.recent.pop_front();
                }
            }
            for (index, slot) in lane.slots.iter().enumerate() {
                let of = |tick: &Tick| tick.values[index];
                let series: Option<Vec<f32>> = if at == 0 {
                    Some(ticks.iter().map(of).collect())
                } else {
                    ticks.iter().map(|tick| nearest(&lane.recent, tick.stamp_ns, most_ns).map(of)).collect()
                };
                if let Some(series) = series {
                    values.insert(*slot, series);
                }
            }
        }
        if let Some((slow, slots)) = &self.slow {
            for (index, slot) in slots.iter().enumerate() {
                #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
                let value = slow.value(index, SLOW_AGE)? as f32;
                values.insert(*slot, vec![value]);
            }
        }
        Ok(self.in_units(values))
    }

    /// Scaled, the low range in place of the wide one where it fits, temperatures once a block.
    fn in_units(&self, values: BTreeMap<Slot, Vec<f32>>) -> Vec<(Channel, Vec<f32>)> {
        let scaled = |slot: Slot| {
            let (scale, offset) = self.scaling.get(&slot).copied().unwrap_or((1.0, 0.0));
            #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
            let apply = move |value: &f32| (f64::from(*value) * scale + offset) as f32;
            values.get(&slot).map(|series| series.iter().map(apply).collect::<Vec<f32>>())
        };
        let mut channels = Vec::new();
        for channel in Channel::ALL {
            let Some(mut wide) = scaled(Slot { channel, low: false }) else { continue };
            if let (Some(low), Some(range)) = (scaled(Slot { channel, low: true }), self.low_range.get(&channel)) {
                for (wide, fine) in wide.iter_mut().zip(low) {
                    // Both must fit: a low range that lost its wire reads nothing while amperes flow.
                    let fits = |value: f32| f64::from(value).abs() <= LOW_USED * range;
                    if fits(fine) && f64::from(*wide).abs() <= WIDE_AGREES * range {
                        *wide = fine;
                    }
                }
            }
            if (Slot { channel, low: false }).is_slow() && wide.len() > 1 {
                #[expect(clippy::cast_precision_loss, reason = "a block's length")]
                let mean = wide.iter().sum::<f32>() / wide.len() as f32;
                wide = vec![mean];
            }
            channels.push((channel, wide));
        }
        channels
    }
}

/// Every reading of the board with its address.
pub(in crate::driver) fn wanted(board: &BoardSpec) -> impl Iterator<Item = (Slot, &Address)> {
    let wide = board.channels.iter().map(|(channel, address)| (Slot { channel: *channel, low: false }, address));
    wide.chain(board.low.iter().map(|(channel, (address, ..))| (Slot { channel: *channel, low: true }, address)))
}

fn scaling(rig: &Rig, board: &BoardSpec) -> BTreeMap<Slot, (f64, f64)> {
    let wide = rig.channels.iter();
    let wide = wide.map(|(channel, spec)| (Slot { channel: *channel, low: false }, (spec.scale, spec.offset)));
    let low = board.low.iter();
    let low = low.map(|(channel, (_, scale, offset))| (Slot { channel: *channel, low: true }, (*scale, *offset)));
    wide.chain(low).collect()
}

fn few(what: &str, slots: usize) -> Result<(), DriverError> {
    if slots <= MOST_SLOTS {
        return Ok(());
    }
    let why = format!("{slots} readings from one source; {MOST_SLOTS} is the most");
    Err(DriverError::Open { what: what.to_owned(), why })
}

/// The sample nearest to `stamp_ns`, unless it is further away than `most_ns`.
fn nearest(recent: &VecDeque<Tick>, stamp_ns: u64, most_ns: u64) -> Option<&Tick> {
    let after = recent.partition_point(|tick| tick.stamp_ns < stamp_ns);
    let around = [after.checked_sub(1), Some(after)];
    let candidates = around.into_iter().flatten().filter_map(|at| recent.get(at));
    let best = candidates.min_by_key(|tick| tick.stamp_ns.abs_diff(stamp_ns))?;
    (best.stamp_ns.abs_diff(stamp_ns) <= most_ns).then_some(best)
}

fn late(what: &str) -> DriverError {
    DriverError::Late { what: what.to_owned(), allowed_s: ALLOWED.as_secs_f64() }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_nearest_sample_of_another_source_is_taken() {
        let tick = |stamp_ns| Tick { stamp_ns, values: [0.0; MOST_SLOTS] };
        let recent: VecDeque<Tick> = [100, 200, 300].map(tick).into();
        let at = |stamp_ns, most| nearest(&recent, stamp_ns, most).map(|tick| tick.stamp_ns);
        assert_eq!((at(149, 60), at(151, 60), at(90, 60), at(360, 60)), (Some(100), Some(200), Some(100), Some(300)));
        assert_eq!(at(361, 60), None);
    }

    /// Samples stamped this far apart, nanoseconds.
    #[derive(Debug)]
    struct Stamped {
        spacing_ns: u64,
        last_ns: u64,
    }

    impl Source for Stamped {
        fn fetch(&mut self, into: &mut Vec<Tick>) -> Result<(), DriverError> {
            self.last_ns += self.spacing_ns;
            into.push(Tick { stamp_ns: self.last_ns, values: [0.0; MOST_SLOTS] });
            std::thread::sleep(Duration::from_micros(50));
            Ok(())
        }
    }

    /// The supply current, asked for 2 000 times a second.
    fn open(ours: bool, spacing_ns: u64) -> Result<Lanes, DriverError> {
        let rig = crate::config::load_rig(std::path::Path::new("rigs/low-cost-bench.toml")).unwrap();
        let slots = vec![Slot { channel: Channel::SupplyA, low: false }];
        let source = Box::new(Stamped { spacing_ns, last_ns: 0 });
        let paced = Paced { name: "slow".to_owned(), slots, rate_hz: 2_000.0, ours, source };
        Lanes::open(&rig, rig.driver.board().unwrap(), Readings { paced: vec![paced], ..Readings::default() })
    }

    #[test]
    fn what_comes_slower_than_this_program_asked_is_lost_and_no_pace_of_its_own() {
        let refused = open(true, 1_500_000).unwrap_err().to_string();
        assert!(refused.contains("only 667 samples a second come where 2000 are asked"), "{refused}");
        assert!((open(false, 1_500_000).unwrap().grid.dt_s() - 1.5e-3).abs() < 1e-9);
    }

    /// Each eleventh place of the grid stays empty at ten elevenths of the rate.
    #[test]
    fn a_tenth_too_slow_is_every_eleventh_sample_lost() {
        for (ours, share) in [(true, 1.0 / 11.0), (false, 0.0)] {
            let mut lanes = open(ours, 550_000).unwrap();
            assert!(lanes.pace.contains("1818.2 S/s where 2000.0 were asked"), "{}", lanes.pace);
            let (mut came, mut lost) = (0, 0);
            while came < 2_000 {
                let read = lanes.read(0.001, 0.0, || Ok(())).unwrap();
                came += read.channels[0].1.len() as u64;
                lost += read.lost;
            }
            let found = lost as f64 / (came + lost) as f64;
            assert!((found - share).abs() < 0.002, "ours {ours}: {lost} lost beside {came}");
        }
    }
}
