//! Made-up recordings for the tests of judgement and report: constant levels, one stretch after the other.

use crate::bench::{ActiveLevel, Block, Channel, Line, Setting, Supply};
use crate::record::event::{Event, Numbered, SpanKind};
use crate::record::recording::Recording;
use crate::results::StoppedBy;
use crate::units::{Duty, Hertz};

/// Spacing of made-up samples, seconds.
const DT_S: f64 = 0.01;

/// A recording being made up.
pub(crate) struct Made {
    rec: Recording,
    seq: u64,
    span: u64,
    now_s: f64,
    offset_a: f64,
}

/// A soak of 40 s at 60 %, current and output so many times what they are at first.
pub(crate) fn soaked(value: impl Fn(f64) -> f64) -> Recording {
    Made::new()
        .held(SpanKind::Soak, pulses(60.0), 40.0, |channel, t| match channel {
            Channel::SupplyV => Some(13.0),
            Channel::SupplyA => Some(8.0 * value(t)),
            Channel::OutputV => Some(7.5 * value(t)),
            Channel::CaseC => Some(45.0),
            _ => None,
        })
        .done()
}

impl Made {
    /// Empty, with plan and rig named.
    pub(crate) fn new() -> Self {
        let mut rec = Recording::default();
        rec.header.plan = Some("full".to_owned());
        rec.header.rig = Some("made up".to_owned());
        rec.header.bench.supply_v = Some(13.0);
        rec.header.plan_facts.prior_bad = 0.2;
        Self { rec, seq: 0, span: 0, now_s: 0.0, offset_a: 0.0 }
    }

    /// Current channel reads this much at zero.
    pub(crate) fn offset(mut self, offset_a: f64) -> Self {
        self.offset_a = offset_a;
        self
    }

    /// Lets the closure change the recording.
    pub(crate) fn with(mut self, change: impl FnOnce(&mut Recording)) -> Self {
        change(&mut self.rec);
        self
    }

    /// An event now.
    pub(crate) fn event(mut self, event: Event) -> Self {
        self.put(event);
        self
    }

    fn put(&mut self, event: Event) {
        self.rec.push_event(Numbered { seq: self.seq, t_s: self.now_s, event });
        self.seq += 1;
    }

    /// A trip now.
    pub(crate) fn trip(self, rule: &str, saw: &str, by: StoppedBy) -> Self {
        self.event(Event::Trip { rule: rule.to_owned(), saw: saw.to_owned(), by })
    }

    /// Samples of `seconds`, values by the time within.
    pub(crate) fn samples(mut self, seconds: f64, value: impl Fn(Channel, f64) -> Option<f64>) -> Self {
        #[expect(clippy::cast_possible_truncation, clippy::cast_sign_loss, reason = "small positive counts")]
        let n = (seconds / DT_S).round() as usize;
        let mut channels = Vec::new();
        for channel in Channel::ALL {
            #[expect(
                clippy::cast_precision_loss,
                clippy::cast_possible_truncation,
                reason = "small counts; samples are f32"
            )]
            let samples: Option<Vec<f32>> =
                (0..n).map(|i| value(channel, (i as f64 + 0.5) * DT_S).map(|v| v as f32)).collect();
            if let Some(samples) = samples {
                channels.push((channel, samples));
            }
        }
        self.rec.push_block(&Block { t0_s: self.now_s, duration_s: seconds, channels, ..Block::default() });
        self.now_s += seconds;
        self
    }

    /// One setting held for `seconds` inside a span of `kind`, values by the time within.
    pub(crate) fn held(
        mut self,
        kind: SpanKind,
        setting: Setting,
        seconds: f64,
        value: impl Fn(Channel, f64) -> Option<f64>,
    ) -> Self {
        let id = self.span;
        self.span += 1;
        self.put(Event::SpanBegin { id, kind });
        self.put(Event::Set { setting });
        let mut made = self.samples(seconds, value);
        made.put(Event::SpanEnd { id, complete: Ok(()) });
        made
    }

    /// Constant levels of a healthy chopper: supply 13 V, this current, output in proportion to duty when it runs.
    fn levels(&self, setting: Setting, supply_a: f64) -> impl Fn(Channel, f64) -> Option<f64> + use<> {
        let offset_a = self.offset_a;
        let on = setting.supply != Supply::Off;
        move |channel, _| match channel {
            Channel::SupplyV => Some(if on { 13.0 } else { 0.0 }),
            Channel::SupplyA => Some(offset_a + supply_a),
            Channel::OutputV => Some(if supply_a > 0.5 { 12.8 * setting.duty.fraction() } else { 0.0 }),
            _ => None,
        }
    }

    /// A zero span.
    pub(crate) fn zero(self, seconds: f64) -> Self {
        let value = self.levels(Setting::SAFE, 0.0);
        self.held(SpanKind::Zero, Setting::SAFE, seconds, value)
    }

    /// Pulses at this duty and supply current, as a hold.
    pub(crate) fn pulses(self, duty_pct: f64, seconds: f64, supply_a: f64) -> Self {
        self.spanned(SpanKind::Hold, duty_pct, seconds, supply_a)
    }

    /// Pulses at this duty and supply current, as a span of `kind`.
    pub(crate) fn spanned(self, kind: SpanKind, duty_pct: f64, seconds: f64, supply_a: f64) -> Self {
        let setting = pulses(duty_pct);
        let value = self.levels(setting, supply_a);
        self.held(kind, setting, seconds, value)
    }

    /// The line in another state with this supply current, as a line reading of `line_v`.
    pub(crate) fn line(self, line: Line, seconds: f64, supply_a: f64, line_v: f64) -> Self {
        let setting = Setting { line, ..pulses(0.0) };
        let value = self.levels(setting, supply_a);
        let with_line = move |c, t| if c == Channel::LineV { Some(line_v) } else { value(c, t) };
        self.held(SpanKind::LineRead { line }, setting, seconds, with_line)
    }

    /// The recording.
    pub(crate) fn done(self) -> Recording {
        self.rec
    }
}

/// Supply on, pulses at this duty, active low, 140 Hz.
pub(crate) fn pulses(duty_pct: f64) -> Setting {
    Setting {
        supply: Supply::On,
        duty: Duty::clamped(duty_pct / 100.0),
        active: ActiveLevel::Low,
        frequency: Hertz(140.0),
        line: Line::Pwm,
        supply_v: None,
    }
}
