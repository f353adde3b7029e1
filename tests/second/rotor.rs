//! The fan's rotor: torque that ripples with the commutator, cogging, friction that falls as it begins to turn (Stribeck)
//! and differs from place to place around the turn, air load.
//!
//! Nothing is caught or freed by rule: the rotor stops where friction at its place holds it, and starts when the torque
//! there is enough.

/// Numbers of a fan.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(crate) struct Fan {
    pub(crate) ohm_20: f64,
    pub(crate) henry: f64,
    /// V.s/rad, N.m/A.
    pub(crate) ke: f64,
    pub(crate) inertia_kg_m2: f64,
    /// Friction once it slides, and mean friction of standing still.
    pub(crate) sliding_nm: f64,
    pub(crate) standing_nm: f64,
    /// How far standing friction differs around the turn, as a share: with each bar, and once per turn.
    pub(crate) by_bar: f64,
    pub(crate) by_turn: f64,
    /// Speed over which friction falls from standing to sliding, rad/s.
    pub(crate) stribeck_rad_s: f64,
    pub(crate) viscous_nm_s: f64,
    pub(crate) air_nm_s2: f64,
    pub(crate) cogging_nm: f64,
    /// Ripple of the torque constant, and of the air load once per turn.
    pub(crate) ripple: f64,
    pub(crate) unbalance: f64,
    pub(crate) bars: f64,
    /// Gusts of the air load, relative.
    pub(crate) gusts: f64,
    /// Copper over ambient per watt in it, and its time constant.
    pub(crate) copper_k_per_w: f64,
    pub(crate) copper_tau_s: f64,
}

impl Fan {
    /// Winding and brushes at a copper temperature.
    pub(crate) fn ohm(&self, copper_c: f64) -> f64 {
        self.ohm_20 * (234.5 + copper_c) / 254.5
    }
}

/// Where it is and how fast.
#[derive(Clone, Copy, Debug)]
pub(super) struct Rotor {
    /// Angle in radians, never wound back.
    pub(super) angle: f64,
    pub(super) rad_s: f64,
    pub(super) rests: bool,
    pub(super) gust: f64,
    bar: (f64, f64),
    turn: f64,
}

/// Whether this current moves a rotor that rests at this angle.
pub(crate) fn moves(fan: &Fan, angle: f64, amps: f64) -> bool {
    let mut rotor = Rotor::at(angle, fan);
    rotor.step(1e-6, fan, amps);
    !rotor.rests
}

/// Phase of the cogging against the commutator.
const COG_PHASE: f64 = 0.9;

impl Rotor {
    pub(super) fn at(angle: f64, fan: &Fan) -> Self {
        let mut rotor = Self { angle, rad_s: 0.0, rests: true, gust: 0.0, bar: (0.0, 1.0), turn: 1.0 };
        rotor.look(fan);
        rotor
    }

    fn look(&mut self, fan: &Fan) {
        self.bar = (fan.bars * self.angle).sin_cos();
        self.turn = self.angle.cos();
    }

    /// Torque constant here, which is also that of the back-EMF.
    pub(super) fn ke(&self, fan: &Fan) -> f64 {
        fan.ke * (1.0 + fan.ripple * self.bar.1)
    }

    pub(super) fn back_v(&self, fan: &Fan) -> f64 {
        self.ke(fan) * self.rad_s
    }

    /// Friction that holds it here.
    fn holds_nm(&self, fan: &Fan) -> f64 {
        fan.standing_nm * (1.0 + fan.by_bar * self.bar.0 + fan.by_turn * self.turn)
    }

    /// Lets `h` seconds pass with this mean current.
    pub(super) fn step(&mut self, h: f64, fan: &Fan, amps: f64) {
        let (sin, cos) = COG_PHASE.sin_cos();
        let push = self.ke(fan) * amps + fan.cogging_nm * (self.bar.0 * cos + self.bar.1 * sin);
        if self.rests {
            if push <= self.holds_nm(fan) {
                return;
            }
            self.rests = false;
        }
        let relative = self.rad_s / fan.stribeck_rad_s;
        let standing =
            if relative < 5.0 { (self.holds_nm(fan) - fan.sliding_nm) * (-relative * relative).exp() } else { 0.0 };
        let air = fan.air_nm_s2 * (1.0 + self.gust) * (1.0 + fan.unbalance * self.turn) * self.rad_s * self.rad_s;
        let drag = fan.sliding_nm + standing + fan.viscous_nm_s * self.rad_s + air;
        let after = self.rad_s + h * (push - drag) / fan.inertia_kg_m2;
        if after <= 0.0 {
            self.angle += 0.5 * self.rad_s * h;
            (self.rad_s, self.rests) = (0.0, true);
        } else {
            self.angle += 0.5 * (self.rad_s + after) * h;
            self.rad_s = after;
        }
        self.look(fan);
    }
}
