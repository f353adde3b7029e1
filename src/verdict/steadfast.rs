//! Stretches of a recording during which nothing was changed, and levels in them.

use crate::bench::{Channel, Line, Setting, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::Recording;

/// A stretch with one setting.
#[derive(Clone, Copy, Debug)]
pub(super) struct Stretch {
    pub(super) from_s: f64,
    pub(super) to_s: f64,
    pub(super) setting: Setting,
}

impl Stretch {
    pub(super) fn seconds(&self) -> f64 {
        self.to_s - self.from_s
    }

    /// The part in which a start-up is over: without its first 30 %, at most 5 s.
    pub(super) fn settled_from_s(&self) -> f64 {
        self.from_s + (0.3 * self.seconds()).min(5.0)
    }
}

/// All stretches in order; a setting repeated unchanged does not end one.
pub(super) fn stretches(rec: &Recording) -> Vec<Stretch> {
    let mut all: Vec<Stretch> = Vec::new();
    for (i, &(from_s, setting)) in rec.settings.iter().enumerate() {
        let to_s = rec.settings.get(i + 1).map_or(rec.end_s, |next| next.0);
        match all.last_mut() {
            Some(last) if last.setting == setting => last.to_s = to_s,
            _ => all.push(Stretch { from_s, to_s, setting }),
        }
    }
    all
}

/// Stretches with the full supply on and pulses on the line.
pub(super) fn commanded(rec: &Recording) -> impl Iterator<Item = Stretch> {
    stretches(rec).into_iter().filter(|s| s.setting.supply == Supply::On && s.setting.line == Line::Pwm)
}

/// Mean of a channel less its zero, taken as the mean over all zero spans (a judgement of amperes needs no better).
pub(super) fn level(rec: &Recording, channel: Channel, from_s: f64, to_s: f64) -> Option<f64> {
    Some(rec.mean(channel, from_s, to_s)? - zero(rec, channel))
}

/// Mean of a channel over all zero spans; 0 without any.
pub(super) fn zero(rec: &Recording, channel: Channel) -> f64 {
    let means: Vec<f64> = rec
        .spans_where(|kind| matches!(kind, SpanKind::Zero))
        .filter_map(|span| rec.mean(channel, span.t0_s, span.t1_s))
        .collect();
    #[expect(clippy::cast_precision_loss, reason = "a run has a handful of zero spans")]
    let n = means.len() as f64;
    if means.is_empty() { 0.0 } else { means.iter().sum::<f64>() / n }
}

/// Supply current above which something turns or is stalled, not merely awake: modules draw some 10 to 100 mA awake, the smallest
/// fan at its lowest speed about 1 A; half of that.
pub(super) const RUNNING_A: f64 = 0.5;
