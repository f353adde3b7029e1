//! A record in memory: channels as time series, the command over time, spans and stages.
//!
//! The runner fills one as it goes, the reader fills one from a record folder, the CSV import fills one from a
//! trace; the analysis sees no difference. Samples and events only, no interpretation.

use std::collections::{BTreeMap, HashMap};
use std::sync::{Mutex, PoisonError};

use crate::bench::{Block, Channel, Setting};
use crate::record::event::{Event, Header, Numbered, SpanKind, StageEnd};

/// A run of evenly spaced samples.
#[derive(Clone, Debug, PartialEq)]
pub struct Chunk {
    /// Time of the first sample, seconds.
    pub t0_s: f64,
    /// Spacing, seconds.
    pub dt_s: f64,
    /// Samples, oldest first.
    pub values: Vec<f32>,
}

impl Chunk {
    /// Time of sample `index`.
    #[must_use]
    #[expect(clippy::cast_precision_loss, reason = "sample counts are far below 2^52")]
    pub fn time(&self, index: usize) -> f64 {
        self.t0_s + self.dt_s * index as f64
    }

    /// Time just after the last sample's interval.
    #[must_use]
    pub fn end_s(&self) -> f64 {
        self.time(self.values.len())
    }

    /// First index at or after `t_s`, at most the length.
    #[must_use]
    #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "clamped to the length")]
    fn index_at(&self, t_s: f64) -> usize {
        let position = ((t_s - self.t0_s) / self.dt_s - 1e-6).ceil();
        if position <= 0.0 { 0 } else { (position as usize).min(self.values.len()) }
    }
}

/// A channel over time: chunks in order, merged while spacing and time go on.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Series {
    chunks: Vec<Chunk>,
}

impl Series {
    /// Adds samples that follow what is there; a new chunk starts where time or spacing breaks.
    pub fn push(&mut self, t0_s: f64, dt_s: f64, values: &[f32]) {
        if values.is_empty() {
            return;
        }
        if let Some(last) = self.chunks.last_mut() {
            let same_pace = (last.dt_s - dt_s).abs() < 1e-6 * dt_s;
            let goes_on = (last.end_s() - t0_s).abs() < 0.25 * dt_s;
            if same_pace && goes_on {
                last.values.extend_from_slice(values);
                return;
            }
        }
        self.chunks.push(Chunk { t0_s, dt_s, values: values.to_vec() });
    }

    /// All chunks in time order.
    #[must_use]
    pub fn chunks(&self) -> &[Chunk] {
        &self.chunks
    }

    /// Parts of chunks with samples in `from_s..to_s`, in time order.
    pub fn slices(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = Slice<'_>> {
        let first = self.chunks.partition_point(|chunk| chunk.end_s() <= from_s);
        self.chunks[first..].iter().take_while(move |chunk| chunk.t0_s < to_s).filter_map(move |chunk| {
            let (a, b) = (chunk.index_at(from_s), chunk.index_at(to_s));
            (a < b).then(|| Slice { t0_s: chunk.time(a), dt_s: chunk.dt_s, values: &chunk.values[a..b] })
        })
    }

    /// Samples in `from_s..to_s` as (time, value), oldest first.
    pub fn samples(&self, from_s: f64, to_s: f64) -> impl Iterator<Item = (f64, f64)> {
        self.slices(from_s, to_s).flat_map(|slice| {
            #[expect(clippy::cast_precision_loss, reason = "sample counts are far below 2^52")]
            slice.values.iter().enumerate().map(move |(i, &v)| (slice.t0_s + slice.dt_s * i as f64, f64::from(v)))
        })
    }

    /// Time-weighted mean over `from_s..to_s`; `None` without samples. Finite samples only.
    #[must_use]
    pub fn mean(&self, from_s: f64, to_s: f64) -> Option<f64> {
        let (mut sum, mut weight) = (0.0, 0.0);
        for slice in self.slices(from_s, to_s) {
            let (mut here, mut finite) = (0.0, 0_u32);
            for &value in slice.values {
                if value.is_finite() {
                    here += f64::from(value);
                    finite += 1;
                }
            }
            sum += here * slice.dt_s;
            weight += f64::from(finite) * slice.dt_s;
        }
        (weight > 0.0).then(|| sum / weight)
    }

    /// Time just after the last sample; `None` when empty.
    #[must_use]
    pub fn end_s(&self) -> Option<f64> {
        self.chunks.last().map(Chunk::end_s)
    }
}

/// A borrowed part of a chunk.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct Slice<'a> {
    /// Time of the first sample, seconds.
    pub t0_s: f64,
    /// Spacing, seconds.
    pub dt_s: f64,
    /// Samples, oldest first.
    pub values: &'a [f32],
}

/// A span with its times.
#[derive(Clone, Debug, PartialEq)]
pub struct Span {
    /// What it is.
    pub kind: SpanKind,
    /// Name of the stage it lies in; empty for traces.
    pub stage: String,
    /// Begin, seconds.
    pub t0_s: f64,
    /// End, seconds.
    pub t1_s: f64,
    /// Whether the runner got what the kind promises; else why not.
    pub complete: Result<(), String>,
}

/// A stage as it went.
#[derive(Clone, Debug, PartialEq)]
pub struct StageRun {
    /// Name as in plan files.
    pub stage: String,
    /// Begin, seconds.
    pub t0_s: f64,
    /// End, seconds.
    pub t1_s: f64,
    /// How it ended; `None` while it runs or when the record breaks off in it.
    pub end: Option<StageEnd>,
}

/// A run or trace in memory.
#[derive(Clone, Debug, Default, PartialEq)]
pub struct Recording {
    /// The header; default for a bare trace.
    pub header: Header,
    /// Samples by channel.
    pub channels: BTreeMap<Channel, Series>,
    /// Rising tach edges, seconds; `None` when there is no tach.
    pub tach_s: Option<Vec<f64>>,
    /// Settings with the time from which each holds, in order.
    pub settings: Vec<(f64, Setting)>,
    /// Whether a trace tells the state of its line; of a run the settings always do.
    pub line_told: bool,
    /// Closed spans in order of their begin.
    pub spans: Vec<Span>,
    /// Stages in order.
    pub stages: Vec<StageRun>,
    /// All events but `Header`, as they came.
    pub events: Vec<Numbered>,
    /// Samples known to be missing.
    pub lost: u64,
    /// End of the last block, seconds.
    pub end_s: f64,
    open: BTreeMap<u64, (SpanKind, f64)>,
    kept: Kept,
}

/// Numbers worked out of the samples before, kept because they are asked for thousands of times. No part of the recording:
/// a copy begins without them, and two recordings are equal whatever is kept.
#[derive(Debug, Default)]
struct Kept(Mutex<HashMap<KeptOf, Option<[f64; 3]>>>);

/// Channel, bits of begin and end in seconds.
type KeptOf = (Channel, u64, u64);

impl Clone for Kept {
    fn clone(&self) -> Self {
        Self::default()
    }
}

impl PartialEq for Kept {
    fn eq(&self, _: &Self) -> bool {
        true
    }
}

impl Recording {
    /// Adds a block of samples.
    pub fn push_block(&mut self, block: &Block) {
        for (channel, samples) in &block.channels {
            if samples.is_empty() {
                continue;
            }
            #[expect(clippy::cast_precision_loss, reason = "block lengths are far below 2^52")]
            let dt_s = block.duration_s / samples.len() as f64;
            self.channels.entry(*channel).or_default().push(block.t0_s + 0.5 * dt_s, dt_s, samples);
        }
        if let Some(edges) = &block.tach_s {
            self.tach_s.get_or_insert_default().extend_from_slice(edges);
        }
        self.lost += block.lost;
        self.end_s = block.end_s();
    }

    /// Adds an event in its order.
    pub fn push_event(&mut self, numbered: Numbered) {
        let t_s = numbered.t_s;
        match &numbered.event {
            Event::Header(header) => {
                self.header = (**header).clone();
                return;
            }
            Event::StageBegin { stage, .. } => {
                self.stages.push(StageRun { stage: stage.clone(), t0_s: t_s, t1_s: t_s, end: None });
            }
            Event::StageEnd { end, stage, .. } => match self.stages.last_mut().filter(|run| run.end.is_none()) {
                Some(run) => {
                    run.t1_s = t_s;
                    run.end = Some(end.clone());
                }
                None => {
                    self.stages.push(StageRun { stage: stage.clone(), t0_s: t_s, t1_s: t_s, end: Some(end.clone()) })
                }
            },
            Event::Set { setting } => self.settings.push((t_s, *setting)),
            Event::SpanBegin { id, kind } => {
                self.open.insert(*id, (kind.clone(), t_s));
            }
            Event::SpanEnd { id, complete } => {
                if let Some((kind, t0_s)) = self.open.remove(id) {
                    let stage = self.stages.last().map(|run| run.stage.clone()).unwrap_or_default();
                    self.spans.push(Span { kind, stage, t0_s, t1_s: t_s, complete: complete.clone() });
                }
            }
            Event::Note { .. }
            | Event::Learned { .. }
            | Event::Look { .. }
            | Event::Preflight { .. }
            | Event::Lost { .. }
            | Event::Trip { .. }
            | Event::Safe { .. }
            | Event::End { .. } => {}
        }
        self.events.push(numbered);
    }

    /// The setting in force at `t_s`; `None` before the first.
    #[must_use]
    pub fn setting_at(&self, t_s: f64) -> Option<Setting> {
        let next = self.settings.partition_point(|(t, _)| *t <= t_s);
        next.checked_sub(1).map(|last| self.settings[last].1)
    }

    /// Settings that took effect in `from_s..=to_s`.
    #[must_use]
    pub fn settings_in(&self, from_s: f64, to_s: f64) -> &[(f64, Setting)] {
        let first = self.settings.partition_point(|(t, _)| *t < from_s);
        let last = self.settings.partition_point(|(t, _)| *t <= to_s);
        &self.settings[first..last.max(first)]
    }

    /// Tach edges in `from_s..to_s`; `None` when there is no tach.
    #[must_use]
    pub fn tach_in(&self, from_s: f64, to_s: f64) -> Option<&[f64]> {
        let edges = self.tach_s.as_deref()?;
        let first = edges.partition_point(|t| *t < from_s);
        let last = edges.partition_point(|t| *t < to_s);
        Some(&edges[first..last.max(first)])
    }

    /// Mean of `channel` over `from_s..to_s`.
    #[must_use]
    pub fn mean(&self, channel: Channel, from_s: f64, to_s: f64) -> Option<f64> {
        self.channels.get(&channel)?.mean(from_s, to_s)
    }

    /// What `work` makes of the samples of `channel` in `from_s..to_s`, worked out once when that stretch is over: time only
    /// advances, so what lies behind stays as it is. `work` must look at nothing else and be the same for every call.
    pub(crate) fn kept(
        &self,
        channel: Channel,
        (from_s, to_s): (f64, f64),
        work: impl FnOnce() -> Option<[f64; 3]>,
    ) -> Option<[f64; 3]> {
        if self.channels.get(&channel)?.end_s().is_none_or(|end_s| end_s < to_s) {
            return work();
        }
        let mut kept = self.kept.0.lock().unwrap_or_else(PoisonError::into_inner);
        *kept.entry((channel, from_s.to_bits(), to_s.to_bits())).or_insert_with(work)
    }

    /// Spans of the kinds that `wanted` accepts, in order.
    pub fn spans_where<'a>(&'a self, wanted: impl Fn(&SpanKind) -> bool + 'a) -> impl Iterator<Item = &'a Span> {
        self.spans.iter().filter(move |span| wanted(&span.kind))
    }
}
