//! Recordings made up for tests: a fan on a module with thresholds known beforehand, as a logger or bench would see it.

use rand::{RngExt, SeedableRng};
use rand_xoshiro::Xoshiro256PlusPlus;

use crate::bench::{ActiveLevel, Block, Channel, Line, Setting, Supply};
use crate::record::event::SpanKind;
use crate::record::recording::{Recording, Span};
use crate::units::{Duty, Hertz};

/// A setting with the supply on and the line driven at 140 Hz, active low.
pub(crate) fn at(duty_pct: f64) -> Setting {
    Setting {
        supply: Supply::On,
        duty: Duty::from_percent(duty_pct).unwrap(),
        active: ActiveLevel::Low,
        frequency: Hertz(140.0),
        line: Line::Pwm,
        supply_v: None,
    }
}

/// A channel, its value over time since the call, and its noise.
pub(crate) type Made<'a> = (Channel, &'a dyn Fn(f64) -> f64, f64);

/// Time from a step of the command to the first motion.
pub(crate) const RESPONSE_S: f64 = 0.03;

/// Grows a recording level by level.
pub(crate) struct Bench {
    pub(crate) rec: Recording,
    pub(crate) t_s: f64,
    rng: Xoshiro256PlusPlus,
    edge_phase: f64,
}

impl Bench {
    pub(crate) fn new(seed: u64) -> Self {
        let mut rec = Recording::default();
        rec.line_told = true;
        Self { rec, t_s: 0.0, rng: Xoshiro256PlusPlus::seed_from_u64(seed), edge_phase: 0.0 }
    }

    /// Uniform noise of that standard deviation.
    pub(crate) fn noise(&mut self, sigma: f64) -> f64 {
        (self.rng.random::<f64>() - 0.5) * sigma * 12.0_f64.sqrt()
    }

    /// Commands from now on.
    pub(crate) fn set(&mut self, setting: Setting) {
        self.rec.settings.push((self.t_s, setting));
    }

    /// Samples `seconds` at 200 S/s from functions of the time since the call.
    pub(crate) fn run(&mut self, seconds: f64, channels: &[Made<'_>]) {
        self.run_at(200.0, seconds, channels);
    }

    /// The same at so many samples a second.
    pub(crate) fn run_at(&mut self, per_s: f64, seconds: f64, channels: &[Made<'_>]) {
        let n = (seconds * per_s).round() as usize;
        let mut block = Block { t0_s: self.t_s, duration_s: seconds, ..Block::default() };
        for (channel, f, sigma) in channels {
            let values = (0..n).map(|i| (f((i as f64 + 0.5) / per_s) + self.noise(*sigma)) as f32).collect();
            block.channels.push((*channel, values));
        }
        self.rec.push_block(&block);
        self.t_s += seconds;
    }

    /// Tach edges over the last `seconds`, two per revolution, at a speed given as a function of the time since.
    pub(crate) fn tach(&mut self, seconds: f64, rpm: &dyn Fn(f64) -> f64) {
        let edges = self.rec.tach_s.get_or_insert_default();
        self.rec.header.bench.pulses_per_rev = Some(2.0);
        let from = self.t_s - seconds;
        let dt = 1e-4;
        for i in 0..(seconds / dt) as usize {
            let t = i as f64 * dt;
            self.edge_phase += rpm(t) / 60.0 * 2.0 * dt;
            if self.edge_phase >= 1.0 {
                self.edge_phase -= 1.0;
                edges.push(from + t);
            }
        }
    }

    /// Closes a span from `t0_s` to now.
    pub(crate) fn span(&mut self, kind: SpanKind, t0_s: f64) {
        let (t1_s, stage) = (self.t_s, String::new());
        self.rec.spans.push(Span { kind, stage, t0_s, t1_s, complete: Ok(()) });
    }
}

/// A rising staircase from rest with a speed column; the fan starts above `start_pct`.
pub(crate) fn ascend(bench: &mut Bench, from_pct: f64, step_pct: f64, start_pct: f64, to_pct: f64) {
    let t0_s = bench.t_s;
    bench.set(at(0.0));
    bench.run(0.5, &[(Channel::SpeedRpm, &|_| 0.0, 0.2)]);
    let mut duty = from_pct;
    while duty <= to_pct + 1e-9 {
        bench.set(at(duty));
        let speed = if duty > start_pct { 25.0 * duty } else { 0.0 };
        bench.run(1.5, &[(Channel::SpeedRpm, &|t| if t > RESPONSE_S { speed } else { 0.0 }, 0.2)]);
        if speed > 0.0 {
            break;
        }
        duty += step_pct;
    }
    bench.span(SpanKind::Ascend, t0_s);
}

/// A falling staircase with a speed column; the fan stops under `stop_pct`.
pub(crate) fn descend(bench: &mut Bench, from_pct: f64, step_pct: f64, stop_pct: f64, to_pct: f64) {
    let t0_s = bench.t_s;
    let mut duty = from_pct;
    while duty >= to_pct - 1e-9 {
        bench.set(at(duty));
        let speed = if duty >= stop_pct { 25.0 * duty } else { 0.0 };
        bench.run(1.5, &[(Channel::SpeedRpm, &|_| speed, 0.2)]);
        if speed == 0.0 {
            break;
        }
        duty -= step_pct;
    }
    bench.span(SpanKind::Descend, t0_s);
}
