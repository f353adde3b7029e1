//! The electrical side over a short step: input capacitor with its series resistance, one switch, the fan's winding.
//!
//! With the switch closed two states are coupled, the capacitor's voltage and the winding's current, and one is a
//! thousand times faster than the other. They are stepped by a two-stage diagonally implicit Runge-Kutta method that is
//! stiffly accurate and L-stable (Alexander, SIAM J. Numer. Anal. 14, 1977); means are taken with the same weights as the
//! step, so no charge is lost. With the switch open the winding runs down on its own and is solved exactly.

/// What feeds the capacitor: a voltage behind a conductance, or a current.
#[derive(Clone, Copy, Debug)]
pub(super) struct Feed {
    pub(super) volts: f64,
    /// Conductance; 0 when nothing or a current feeds.
    pub(super) siemens: f64,
    pub(super) amps: f64,
}

impl Feed {
    pub(super) const NONE: Self = Self { volts: 0.0, siemens: 0.0, amps: 0.0 };
}

/// The rest of the circuit during one step.
#[derive(Clone, Copy, Debug)]
pub(super) struct Circuit {
    pub(super) farads: f64,
    pub(super) esr_ohm: f64,
    /// Drawn from the pins by everything but the fan.
    pub(super) own_a: f64,
    pub(super) henry: f64,
    pub(super) winding_ohm: f64,
    pub(super) back_v: f64,
    pub(super) gate: Gate,
}

/// Output stage.
#[derive(Clone, Copy, Debug)]
pub(super) enum Gate {
    /// Switch closed, with this resistance.
    Closed(f64),
    /// Open; the current runs on through a drop and a resistance until it is gone.
    Open { drop_v: f64, ohm: f64 },
}

/// State between steps.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct State {
    /// Voltage of the capacitance itself.
    pub(super) volts: f64,
    /// Current of the winding.
    pub(super) amps: f64,
}

/// Means over the step.
#[derive(Clone, Copy, Debug, Default)]
pub(super) struct Means {
    pub(super) pins_v: f64,
    pub(super) supply_a: f64,
    pub(super) fan_a: f64,
    pub(super) fan_v: f64,
    /// Heat in the output stage.
    pub(super) stage_w: f64,
    /// Lowest voltage at the pins.
    pub(super) lowest_v: f64,
}

const GAMMA: f64 = 1.0 - std::f64::consts::FRAC_1_SQRT_2;

impl Circuit {
    /// Lets `h` seconds pass.
    pub(super) fn step(&self, h: f64, state: &mut State, feed: Feed) -> Means {
        match self.gate {
            Gate::Closed(ohm) => self.closed(h, state, feed, ohm),
            Gate::Open { drop_v, ohm } => self.open(h, state, feed, (drop_v, ohm)),
        }
    }

    /// Share of a current step that the capacitor takes at once: the rest comes through the feed.
    fn share(&self, feed: Feed) -> f64 {
        1.0 / (1.0 + self.esr_ohm * feed.siemens)
    }

    fn pins_v(&self, feed: Feed, volts: f64, load_a: f64) -> f64 {
        let into = self.share(feed) * (feed.siemens * (feed.volts - volts) + feed.amps - load_a);
        volts + self.esr_ohm * into
    }

    fn closed(&self, h: f64, state: &mut State, feed: Feed, on_ohm: f64) -> Means {
        let share = self.share(feed);
        let source_a = feed.siemens * feed.volts + feed.amps - self.own_a;
        let ohm = self.winding_ohm + on_ohm + self.esr_ohm * share;
        // x' = A x + b with x = (capacitor, winding).
        let a = [[-share * feed.siemens / self.farads, -share / self.farads], [share / self.henry, -ohm / self.henry]];
        let b = [share * source_a / self.farads, (self.esr_ohm * share * source_a - self.back_v) / self.henry];
        let x0 = [state.volts, state.amps];
        let rate = |x: [f64; 2]| [a[0][0] * x[0] + a[0][1] * x[1] + b[0], a[1][0] * x[0] + a[1][1] * x[1] + b[1]];
        let g = h * GAMMA;
        let m = [[1.0 - g * a[0][0], -g * a[0][1]], [-g * a[1][0], 1.0 - g * a[1][1]]];
        let det = m[0][0] * m[1][1] - m[0][1] * m[1][0];
        let solve = |r: [f64; 2]| [(m[1][1] * r[0] - m[0][1] * r[1]) / det, (m[0][0] * r[1] - m[1][0] * r[0]) / det];
        let first = solve(rate(x0));
        let far = h * (1.0 - GAMMA);
        let second = solve(rate([x0[0] + far * first[0], x0[1] + far * first[1]]));
        let middle = [x0[0] + g * first[0], x0[1] + g * first[1]];
        let end = [x0[0] + far * first[0] + g * second[0], x0[1] + far * first[1] + g * second[1]];
        let mean = |at: usize| (1.0 - GAMMA) * middle[at] + GAMMA * end[at];
        let (volts, amps) = (mean(0), mean(1));
        (state.volts, state.amps) = (end[0], end[1]);
        let pins_v = self.pins_v(feed, volts, self.own_a + amps);
        Means {
            pins_v,
            supply_a: feed.siemens * (feed.volts - pins_v) + feed.amps,
            fan_a: amps,
            fan_v: pins_v - on_ohm * amps,
            stage_w: on_ohm * ((1.0 - GAMMA) * middle[1] * middle[1] + GAMMA * end[1] * end[1]),
            lowest_v: pins_v.min(self.pins_v(feed, end[0], self.own_a + end[1])),
        }
    }

    fn open(&self, h: f64, state: &mut State, feed: Feed, (drop_v, on_ohm): (f64, f64)) -> Means {
        let ohm = self.winding_ohm + on_ohm;
        let from_a = state.amps.max(0.0);
        let (mut mean_a, mut square, mut flows_s) = (0.0, 0.0, 0.0);
        state.amps = 0.0;
        if from_a > 0.0 {
            let tau = self.henry / ohm;
            let toward = -(drop_v + self.back_v) / ohm;
            let gone_s = if toward < 0.0 { tau * (1.0 - from_a / toward).ln() } else { f64::INFINITY };
            flows_s = h.min(gone_s);
            let left = (-flows_s / tau).exp();
            let swing = from_a - toward;
            mean_a = (toward * flows_s + swing * tau * (1.0 - left)) / h;
            square = (toward * toward * flows_s
                + 2.0 * toward * swing * tau * (1.0 - left)
                + 0.5 * swing * swing * tau * (1.0 - left * left))
                / h;
            state.amps = if flows_s < h { 0.0 } else { (toward + swing * left).max(0.0) };
        }
        // The capacitor alone, by the same two stages.
        let share = self.share(feed);
        let rate = -share * feed.siemens / self.farads;
        let push = share * (feed.siemens * feed.volts + feed.amps - self.own_a) / self.farads;
        let (g, far) = (h * GAMMA, h * (1.0 - GAMMA));
        let v0 = state.volts;
        let first = (rate * v0 + push) / (1.0 - g * rate);
        let second = (rate * (v0 + far * first) + push) / (1.0 - g * rate);
        state.volts = (v0 + far * first + g * second).max(0.0);
        let volts = (1.0 - GAMMA) * (v0 + g * first) + GAMMA * state.volts;
        let pins_v = self.pins_v(feed, volts, self.own_a).max(0.0);
        let fan_v = -drop_v * flows_s / h - on_ohm * mean_a + self.back_v * (1.0 - flows_s / h);
        Means {
            pins_v,
            supply_a: feed.siemens * (feed.volts - pins_v) + feed.amps,
            fan_a: mean_a,
            fan_v,
            stage_w: drop_v * mean_a + on_ohm * square,
            lowest_v: pins_v,
        }
    }
}
