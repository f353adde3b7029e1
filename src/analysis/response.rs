//! What the unit does in answer to a command, on one scale from nothing to full: output over supply, else speed, else
//! supply current.

use crate::analysis::level::{self, Reading, Witness};
use crate::analysis::speed::{self, Motion};
use crate::analysis::zero;
use crate::bench::Channel;
use crate::record::event::SpanKind;
use crate::record::recording::Recording;

/// Widest spacing of a response track, seconds.
const BIN_S: f64 = 0.02;

/// Which quantity answers.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) enum Kind {
    /// Mean output over supply.
    Output,
    /// Speed.
    Speed(Witness),
    /// Supply current.
    Current,
}

/// The answering quantity and its level flat out.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Response {
    /// Which quantity.
    pub(crate) kind: Kind,
    /// Highest settled level of the whole recording, in the quantity's unit.
    pub(crate) full: f64,
}

impl Response {
    /// The best quantity recorded; `None` without any, or when it never left zero.
    pub(crate) fn of(rec: &Recording) -> Option<Self> {
        let kind = if rec.channels.contains_key(&Channel::OutputV) {
            Kind::Output
        } else if let Some(witness @ (Witness::Tach | Witness::Column { .. })) = Witness::of(rec) {
            Kind::Speed(witness)
        } else if rec.channels.contains_key(&Channel::SupplyA) {
            Kind::Current
        } else {
            return None;
        };
        let probe = Self { kind, full: 1.0 };
        let held = |k: &SpanKind| {
            !matches!(k, SpanKind::Zero | SpanKind::PreCharge | SpanKind::LineRead { .. } | SpanKind::Tie)
        };
        let tails = rec.spans_where(held).filter_map(|span| probe.share(rec, span.t0_s, span.t1_s));
        let full = tails.map(|tail| tail.value).fold(0.0, f64::max);
        (full > 0.0).then_some(Self { kind, full })
    }

    /// Settled level at the end of `from_s..to_s` as a share of full.
    pub(crate) fn share(&self, rec: &Recording, from_s: f64, to_s: f64) -> Option<Reading> {
        let reading = match self.kind {
            Kind::Output => {
                let supply = level::supply_v(rec, from_s, to_s)?;
                level::settled(rec, Channel::OutputV, from_s, to_s).map(|r| scaled(r, supply))
            }
            Kind::Speed(witness) => level::settled_speed(rec, witness, from_s, to_s),
            Kind::Current => level::settled(rec, Channel::SupplyA, from_s, to_s),
        };
        reading.map(|r| scaled(r, self.full))
    }

    /// Level over time as (middle of the bin, share of full), oldest first.
    pub(crate) fn track(&self, rec: &Recording, from_s: f64, to_s: f64) -> Vec<(f64, f64)> {
        match self.kind {
            Kind::Output => {
                let supply = level::supply_v(rec, from_s, to_s).unwrap_or(1.0);
                bins(rec, Channel::OutputV, from_s, to_s, supply * self.full)
            }
            Kind::Current => bins(rec, Channel::SupplyA, from_s, to_s, self.full),
            Kind::Speed(_) => {
                let track = speed::speed_track(rec, from_s, to_s, BIN_S);
                track.into_iter().map(|(t_s, rpm)| (t_s, rpm.abs() / self.full)).collect()
            }
        }
    }

    /// Level over time in cells of `width_s`, as [`track`](Self::track); `None` of a speed, which is not sampled so finely.
    /// An output is over the supply of its own cell, so that a sag is no change of it.
    pub(crate) fn cells(&self, rec: &Recording, from_s: f64, to_s: f64, width_s: f64) -> Option<Vec<(f64, f64)>> {
        let column = |channel| {
            let (offset, _) = zero::offset(rec, channel, from_s).unwrap_or((0.0, 0.0));
            zero::cells(rec, channel, from_s, to_s, width_s).into_iter().map(move |(t_s, v)| (t_s, v - offset))
        };
        match self.kind {
            Kind::Speed(_) => None,
            Kind::Current => Some(column(Channel::SupplyA).map(|(t_s, amps)| (t_s, amps / self.full)).collect()),
            Kind::Output => {
                let supply: Vec<(f64, f64)> = column(Channel::SupplyV).collect();
                let output: Vec<(f64, f64)> = column(Channel::OutputV).collect();
                let over = |i: usize| supply.get(i).map_or(1.0, |(_, v)| v.max(1.0)) * self.full;
                let level = |(i, (t_s, v)): (usize, &(f64, f64))| (*t_s, v / over(i));
                (supply.is_empty() || supply.len() == output.len())
                    .then(|| output.iter().enumerate().map(level).collect())
            }
        }
    }

    /// Whether the unit is off at the end of `from_s..to_s`: no output (a coasting fan's own voltage is none), else
    /// the fan at rest, else next to no current.
    pub(crate) fn is_off(&self, rec: &Recording, from_s: f64, to_s: f64) -> bool {
        match self.kind {
            Kind::Output => level::output_on(rec, from_s, to_s) == Some(false),
            Kind::Speed(witness) => witness.motion(rec, from_s, to_s) == Motion::Rest,
            Kind::Current => self.share(rec, from_s, to_s).is_some_and(|r| r.value < 0.02),
        }
    }

    /// Words for notes when it is not the module's own output.
    pub(crate) const fn remark(&self) -> Option<&'static str> {
        match self.kind {
            Kind::Output => None,
            Kind::Speed(_) => Some("seen in the speed, which lags the output"),
            Kind::Current => Some("seen in the supply current"),
        }
    }
}

fn scaled(reading: Reading, by: f64) -> Reading {
    Reading { value: reading.value / by, u: reading.u / by }
}

fn bins(rec: &Recording, channel: Channel, from_s: f64, to_s: f64, full: f64) -> Vec<(f64, f64)> {
    let Some(series) = rec.channels.get(&channel) else { return Vec::new() };
    let (offset, _) = zero::offset(rec, channel, from_s).unwrap_or((0.0, 0.0));
    let mut track = Vec::new();
    let (mut end_s, mut sum, mut count) = (from_s + BIN_S, 0.0, 0_u32);
    for (t_s, value) in series.samples(from_s, to_s).filter(|(_, v)| v.is_finite()) {
        if t_s >= end_s {
            if count > 0 {
                track.push((end_s - 0.5 * BIN_S, (sum / f64::from(count) - offset) / full));
            }
            end_s += BIN_S * ((t_s - end_s) / BIN_S + 1.0).floor();
            (sum, count) = (0.0, 0);
        }
        sum += value;
        count += 1;
    }
    if count > 0 {
        track.push((end_s - 0.5 * BIN_S, (sum / f64::from(count) - offset) / full));
    }
    track
}
