//! The newest values of signals, held and laid into blocks. Plain data: times are seconds of the run's clock.

use std::collections::{BTreeMap, VecDeque};

use crate::bench::{Block, Channel};
use crate::config::can::CanSource;
use crate::driver::can::signal::FrameId;

/// A channel and its values that may still be needed.
#[derive(Debug)]
struct Held {
    channel: Channel,
    source: CanSource,
    scale: f64,
    offset: f64,
    /// Time and value, oldest first.
    values: VecDeque<(f64, f32)>,
    /// Values seen, and the longest time between two.
    seen: usize,
    turn_s: f64,
    losses: u32,
}

impl Held {
    /// The value that holds at `t_s`, unless it is too old.
    fn at(&self, t_s: f64) -> Option<f32> {
        let after = self.values.partition_point(|(came_s, _)| *came_s <= t_s);
        let (came_s, value) = self.values.get(after.checked_sub(1)?)?;
        (t_s - came_s <= self.source.max_age.get()).then_some(*value)
    }

    fn newest_s(&self) -> Option<f64> {
        self.values.back().map(|(came_s, _)| *came_s)
    }
}

/// Every channel of a bus.
#[derive(Debug)]
pub(super) struct Holds {
    held: Vec<Held>,
    /// Samples a second.
    rate_hz: f64,
    /// End of the last block.
    end_s: f64,
    notes: Vec<String>,
}

/// How fast a channel comes.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Turn {
    pub(super) channel: Channel,
    pub(super) name: String,
    pub(super) seen: usize,
    /// Longest time between two values, seconds.
    pub(super) turn_s: f64,
    pub(super) max_age_s: f64,
}

impl Holds {
    /// Holds nothing yet; `scaling` gives factor and addend of a channel.
    pub(super) fn new(sources: &BTreeMap<Channel, CanSource>, scaling: impl Fn(Channel) -> (f64, f64)) -> Self {
        let held = sources.iter().map(|(channel, source)| {
            let (scale, offset) = scaling(*channel);
            let (source, values) = (source.clone(), VecDeque::new());
            Held { channel: *channel, source, scale, offset, values, seen: 0, turn_s: 0.0, losses: 0 }
        });
        Self { held: held.collect(), rate_hz: 1.0, end_s: 0.0, notes: Vec::new() }
    }

    /// Takes a frame that came at `t_s`.
    pub(super) fn take(&mut self, frame: FrameId, data: &[u8], t_s: f64) {
        for held in self.held.iter_mut().filter(|held| held.source.signal.frame == frame) {
            let Some(value) = held.source.signal.decode(data) else { continue };
            // Stamps of the kernel rise; of two that do not, the later one to come is the newer.
            let came_s = held.newest_s().map_or(t_s, |newest_s| newest_s.max(t_s));
            if let Some(newest_s) = held.newest_s() {
                held.turn_s = held.turn_s.max(came_s - newest_s);
            }
            held.seen += 1;
            #[expect(clippy::cast_possible_truncation, reason = "samples are kept as f32")]
            held.values.push_back((came_s, (value * held.scale + held.offset) as f32));
            // What no block to come can reach back to.
            let oldest_s = self.end_s - held.source.max_age.get();
            while held.values.len() > 1 && held.values[1].0 < oldest_s {
                held.values.pop_front();
            }
        }
    }

    /// How fast every channel came so far.
    pub(super) fn turns(&self) -> impl Iterator<Item = Turn> + '_ {
        self.held.iter().map(|held| Turn {
            channel: held.channel,
            name: held.source.name.clone(),
            seen: held.seen,
            turn_s: held.turn_s,
            max_age_s: held.source.max_age.get(),
        })
    }

    /// Begins a clock that stands at 0 where the one so far stands at `before_s`, with `rate_hz` samples a second.
    pub(super) fn begin(&mut self, before_s: f64, rate_hz: f64) {
        (self.end_s, self.rate_hz) = (0.0, rate_hz);
        for (came_s, _) in self.held.iter_mut().flat_map(|held| held.values.iter_mut()) {
            *came_s -= before_s;
        }
    }

    /// Time up to which blocks reach.
    pub(super) const fn end_s(&self) -> f64 {
        self.end_s
    }

    /// Whether the supply current comes from here, has not come since the last block and still may in time.
    pub(super) fn current_due(&self, now_s: f64) -> bool {
        let current = self.held.iter().find(|held| held.channel == Channel::SupplyA);
        current.is_some_and(|held| {
            let newest_s = held.newest_s().unwrap_or(f64::NEG_INFINITY);
            newest_s <= self.end_s && held.at(now_s).is_some()
        })
    }

    /// The block up to `now_s`, or up to where a value became too old. Where one was too old before, the block begins
    /// after that. `None` while there is none that all channels have values for.
    #[expect(
        clippy::cast_possible_truncation,
        clippy::cast_sign_loss,
        clippy::cast_precision_loss,
        reason = "block lengths are small and positive"
    )]
    pub(super) fn block(&mut self, now_s: f64) -> Option<Block> {
        let span_s = now_s - self.end_s;
        let count = (span_s * self.rate_hz).round().max(1.0) as usize;
        let step_s = span_s / count as f64;
        let middle_s = |i: usize| self.end_s + (i as f64 + 0.5) * step_s;
        let lacks = |i: usize| self.held.iter().position(|held| held.at(middle_s(i)).is_none());
        let first = (0..count).find(|i| lacks(*i).is_none())?;
        let end = (first..count).find(|i| lacks(*i).is_some()).unwrap_or(count);
        let of = |held: &Held| (first..end).filter_map(|i| held.at(middle_s(i))).collect();
        let channels = self.held.iter().map(|held| (held.channel, of(held))).collect();
        let begin_s = self.end_s + first as f64 * step_s;
        let missing = lacks(first.saturating_sub(1)).filter(|_| first > 0);
        self.end_s += end as f64 * step_s;
        if let Some(held) = missing.and_then(|at| self.held.get_mut(at)) {
            held.losses += 1;
            // A bus that stutters all the time would fill the record.
            if held.losses.is_power_of_two() {
                let (channel, name) = (held.channel, &held.source.name);
                let age_ms = 1e3 * held.source.max_age.get();
                self.notes.push(format!(
                    "`{channel}`: no `{name}` newer than {age_ms:.0} ms before {begin_s:.3} s, {first} samples lost \
                     (time {} of this run)",
                    held.losses
                ));
            }
        }
        let duration_s = self.end_s - begin_s;
        Some(Block { t0_s: begin_s, duration_s, lost: first as u64, channels, ..Block::default() })
    }

    /// The channel that has waited longest at `now_s`, beyond its limit: what it is and how long, in words.
    pub(super) fn oldest(&self, now_s: f64) -> Option<(String, f64)> {
        let late = self.held.iter().filter(|held| held.at(now_s).is_none());
        let late = late.map(|held| (held, held.newest_s().map_or(f64::INFINITY, |newest_s| now_s - newest_s)));
        let (held, age_s) = late.max_by(|a, b| a.1.total_cmp(&b.1))?;
        let since =
            if age_s.is_finite() { format!("the last one came {age_s:.2} s ago") } else { "none came".to_owned() };
        let (name, frame) = (&held.source.name, held.source.signal.frame);
        let what = format!("`{}` from `{name}` (frame {frame}; {since})", held.channel);
        Some((what, held.source.max_age.get()))
    }

    /// What is to be noted.
    pub(super) fn notes(&mut self) -> Vec<String> {
        std::mem::take(&mut self.notes)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::driver::can::signal::{ByteOrder, Coding, Layout, Signal};
    use crate::units::Seconds;

    const CURRENT: FrameId = FrameId::Standard(0x123);
    const HEAT: FrameId = FrameId::Extended(0x123);

    /// Current in 10 mA every so often and allowed 50 ms, heat in degrees, allowed a second.
    fn holds(rate_hz: f64) -> Holds {
        let source = |frame, scale, age_s| CanSource {
            name: format!("{frame}"),
            signal: Signal {
                frame,
                layout: Layout::new(0, 16, ByteOrder::Little, Coding::Signed).unwrap(),
                scale,
                offset: 0.0,
                unit: String::new(),
            },
            max_age: Seconds(age_s),
        };
        let sources = [(Channel::SupplyA, source(CURRENT, 0.01, 0.05)), (Channel::CaseC, source(HEAT, 1.0, 1.0))];
        let mut holds =
            Holds::new(&sources.into(), |channel| if channel == Channel::CaseC { (2.0, 1.0) } else { (1.0, 0.0) });
        holds.begin(0.0, rate_hz);
        holds
    }

    fn word(value: i16) -> [u8; 8] {
        let [low, high] = value.to_le_bytes();
        [low, high, 0, 0, 0, 0, 0, 0]
    }

    fn of(block: &Block, channel: Channel) -> &[f32] {
        block.samples(channel).unwrap()
    }

    #[test]
    fn a_value_holds_until_the_next_one_and_is_scaled() {
        let mut holds = holds(100.0);
        holds.take(HEAT, &word(20), -0.5);
        for (i, t_s) in [0.000, 0.012, 0.021].into_iter().enumerate() {
            holds.take(CURRENT, &word(100 * (i as i16 + 1)), t_s);
        }
        let block = holds.block(0.04).unwrap();
        // Middles at 5, 15, 25 and 35 ms.
        assert_eq!(of(&block, Channel::SupplyA), [1.0, 2.0, 3.0, 3.0]);
        assert_eq!(of(&block, Channel::CaseC), [41.0; 4]);
        assert_eq!((block.t0_s, block.lost), (0.0, 0));
        assert!((block.duration_s - 0.04).abs() < 1e-12 && holds.end_s() == block.end_s());
    }

    #[test]
    fn frames_of_the_other_kind_of_identifier_and_short_ones_are_no_values() {
        let mut holds = holds(100.0);
        holds.take(FrameId::Standard(0x124), &word(1), 0.0);
        holds.take(CURRENT, &[1], 0.0);
        assert!(holds.turns().all(|turn| turn.seen == 0));
        holds.take(HEAT, &word(1), 0.0);
        assert_eq!(
            holds.turns().map(|turn| (turn.channel, turn.seen)).collect::<Vec<_>>(),
            [(Channel::SupplyA, 0), (Channel::CaseC, 1)]
        );
    }

    #[test]
    fn a_value_that_is_too_old_ends_the_block_and_what_follows_is_lost() {
        let mut holds = holds(100.0);
        holds.take(HEAT, &word(20), 0.0);
        holds.take(CURRENT, &word(100), 0.0);
        // Good for the middles up to 45 ms; the one at 55 ms is 5 ms too late.
        let block = holds.block(0.1).unwrap();
        assert_eq!(of(&block, Channel::SupplyA), [1.0; 5]);
        assert!((block.end_s() - 0.05).abs() < 1e-12 && block.lost == 0);
        assert_eq!(holds.block(0.1), None, "nothing is made up");
        let (what, age_s) = holds.oldest(0.1).unwrap();
        assert!(what.contains("supply_a") && what.contains("0.10 s ago") && age_s == 0.05, "{what}");
        // It comes back: the five samples between are lost and told.
        holds.take(CURRENT, &word(300), 0.1);
        let block = holds.block(0.12).unwrap();
        assert_eq!((of(&block, Channel::SupplyA), block.lost), ([3.0; 2].as_slice(), 5));
        assert!((block.t0_s - 0.1).abs() < 1e-9 && (block.duration_s - 0.02).abs() < 1e-9);
        let notes = holds.notes();
        assert!(
            notes[0].contains("supply_a") && notes[0].contains("50 ms") && notes[0].contains("5 samples"),
            "{notes:?}"
        );
    }

    #[test]
    fn a_slow_channel_that_ages_loses_the_samples_of_all() {
        let mut holds = holds(10.0);
        holds.take(HEAT, &word(20), 0.0);
        for i in 0..200 {
            holds.take(CURRENT, &word(i), f64::from(i) * 0.01);
        }
        let block = holds.block(2.0).unwrap();
        assert_eq!(of(&block, Channel::CaseC).len(), 10);
        assert_eq!(of(&block, Channel::SupplyA).len(), 10);
        assert!(holds.oldest(2.0).unwrap().0.contains("case_c"));
    }

    #[test]
    fn blocks_lie_end_to_end_and_every_sample_is_the_newest_of_its_time() {
        let mut holds = holds(250.0);
        holds.take(HEAT, &word(20), 0.0);
        holds.take(CURRENT, &word(0), 0.0);
        let (mut end_s, mut next) = (0.0, 1);
        for block in 1..=100_u32 {
            let now_s = f64::from(block) * 0.0137;
            holds.take(HEAT, &word(20), now_s - 0.0137);
            while f64::from(next) * 0.004 <= now_s {
                holds.take(CURRENT, &word(next), f64::from(next) * 0.004);
                next += 1;
            }
            let block = holds.block(now_s).unwrap();
            assert_eq!(block.t0_s, end_s);
            end_s = block.end_s();
            let samples = of(&block, Channel::SupplyA);
            for (i, value) in samples.iter().enumerate() {
                let t_s = block.t0_s + (i as f64 + 0.5) * block.duration_s / samples.len() as f64;
                assert!((f64::from(*value) - 0.01 * (t_s / 0.004).floor()).abs() < 0.011, "{value} at {t_s}");
            }
        }
        assert!((holds.turns().next().unwrap().turn_s - 0.004).abs() < 1e-9);
    }

    #[test]
    fn a_supply_current_that_has_not_come_is_waited_for_as_long_as_it_can_be_held() {
        let mut holds = holds(10.0);
        assert!(!holds.current_due(0.02), "what never came is not waited for");
        holds.take(CURRENT, &word(1), 0.0);
        assert!(holds.current_due(0.02) && !holds.current_due(0.06));
        holds.take(CURRENT, &word(2), 0.03);
        assert!(!holds.current_due(0.04));
    }
}
