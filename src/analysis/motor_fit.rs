//! The load fan as a brushed motor, fitted to one start, and the peak that a hard start of it would have drawn.
//!
//! In terms of back-EMF e, with the torque constant inside: i = (v - e) / r, m de/dt = i - a - b e² while it turns.
//! Only electrical quantities enter, so no speed is needed. The supply is its open voltage behind a resistance.

use crate::bench::Channel;
use crate::record::recording::Recording;

use super::signal::{chop, fit, stats};
use super::zero;

/// Step of the simulation and of the data, seconds; where a slow chopper has to be averaged out they are further apart.
const STEP_S: f64 = 4e-3;
/// Cells in which a chopper is looked for.
const CHOP_CELL_S: f64 = 1e-3;
/// Output ratio below which a slow chopper's current goes to nothing in each period: the supply's is no share of it then.
const CONTINUOUS: f64 = 0.4;
/// What means over a slow chopper's periods leave out of the resistance, as a share of it: the current's ripple, and with it
/// what the supply gives way by while the switch is on.
const CHOPPED_SHARE: f64 = 0.06;
/// Inductance of such fans: 80 to 400 uH; what it takes from a 5 ms mean is in the uncertainty.
const INDUCTANCE_H: f64 = 2e-4;
/// What the model leaves out (brush drop, drag of the bearings) shifts the predicted peak by about this share.
const MODEL_SHARE: f64 = 0.004;
/// What it leaves out of the resistance, as a share of it: the copper warms by a kelvin or two while the fan runs up.
const RESISTANCE_SHARE: f64 = 0.005;

/// A fitted fan on its supply.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct MotorFit {
    /// Resistance of the motor, ohms.
    pub(crate) resistance_ohm: f64,
    /// Its standard uncertainty.
    pub(crate) resistance_u: f64,
    /// Inertia, ampere seconds per volt.
    pub(crate) inertia: f64,
    /// Friction current, amperes.
    friction_a: f64,
    /// Load, amperes per volt squared.
    pub(crate) load: f64,
    /// Relative standard uncertainties of inertia and load.
    pub(crate) inertia_share_u: f64,
    pub(crate) load_share_u: f64,
    /// Back-EMF at the end of the start, volts.
    pub(crate) end_v: f64,
    /// Fan current there, amperes.
    pub(crate) end_a: f64,
    /// Open voltage of the supply and its current over the last [`END_S`], as fitted; `None` where that was not looked at.
    end_supply: Option<(f64, f64)>,
    /// Heat in copper, module and supply until the back-EMF had 95 % of that, joules.
    pub(crate) heat_j: f64,
    /// Supply: open voltage and resistance.
    open_v: f64,
    pub(crate) source_ohm: f64,
    source_u: f64,
    /// Resistance of the module flat out; 0 where it never got there.
    pub(crate) on_ohm: f64,
    /// Drop of the freewheel path over the supply voltage, and its standard uncertainty; 0 for a synchronous one, and for a
    /// slow chopper, whose output it hides nowhere: its current stops in each period while the output is low.
    pub(crate) wheel: (f64, f64),
    /// What a chopper takes for its own switching, as a share of the fan's current.
    switching: f64,
    path: Path,
}

/// What carries the fan's current while the switch is off.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Path {
    /// A diode: its drop hardly depends on the current.
    Diode,
    /// A second switch, which loses as much per ampere as the first.
    Synchronous,
}

impl Path {
    /// Share of the time in which the switch is on at this output ratio: output = d (supply - on i) - (1 - d) path, all over
    /// the supply. `lost` is on i, `wheel` the drop of a diode.
    fn share(self, ratio: f64, lost: f64, wheel: f64) -> f64 {
        match self {
            Self::Diode => (ratio + wheel) / (1.0 + wheel - lost),
            Self::Synchronous => ratio + lost,
        }
    }

    /// What drives the fan while the switch is on for this share of the time, behind these resistances of supply and switch.
    fn cell(self, share: f64, open_v: f64, supply_v: f64, wheel: f64, (source_ohm, on_ohm): (f64, f64)) -> Cell {
        let (drop_v, carries) = match self {
            Self::Diode => (wheel * supply_v, share),
            Self::Synchronous => (0.0, 1.0),
        };
        let volts = share * open_v - (1.0 - share) * drop_v;
        Cell { share, volts, ohm: share * share * source_ohm + carries * on_ohm }
    }
}

/// What a standard uncertainty is made of.
pub(crate) type By = Vec<(&'static str, f64)>;

/// A predicted hard start.
#[derive(Clone, Debug, PartialEq)]
pub(crate) struct HardStart {
    /// Highest 5 ms mean of the supply current.
    pub(crate) peak_a: f64,
    /// What its standard uncertainty is made of, amperes.
    pub(crate) by: By,
    /// Heat in copper, module and supply until the fan has 95 % of the speed that the fitted start ended with.
    pub(crate) heat_j: f64,
}

/// A start is fitted up to here, seconds.
const LONGEST_S: f64 = 15.0;
/// Stretch at the end of a start over which its current is looked at, seconds.
pub(crate) const END_S: f64 = 1.0;

/// From so many of its standard uncertainties on the drop of a freewheel path is seen.
const SEEN: f64 = 3.5;
/// Ratio of likelihoods that tells the path by itself.
const BY_FAR: f64 = 1e4;
/// The scatter is ripple and model error, correlated over so many cells, which count as one: over fewer in the resistance, which
/// the whole start tells, over more in what the run-up alone tells.
const ALIKE: f64 = 5.0;
const ALIKE_IN_RESISTANCE: f64 = 3.0;
const ALIKE_IN_RUN_UP: f64 = 10.0;

/// Output ratio under which what the switch loses is taken from the supply current as at this one.
const LEAST_CARRIED: f64 = 0.05;

/// Share of its last speed at which a fan counts as run up.
const RUN_UP: f64 = 0.95;

/// Weight of the guesses, amperes per unit of a logarithm: far under the scatter of a thousand cells.
const PRIOR_A: f64 = 0.1;
/// Weight of the stated zero, amperes per standard uncertainty of it: the scatter of the cells, of which a tenth count.
const PRIOR_ZERO_A: f64 = 0.4;
/// Index of the zero among the parameters; the others are logarithms.
const ZERO: usize = 5;
/// Index of what a chopper takes for its own switching, as a share of the fan's current.
const SWITCHING: usize = 6;
/// Guess of that: some tenths of a microsecond at some ten kilohertz.
const SWITCHING_SHARE: f64 = 3e-3;
/// Weight of that guess, amperes per unit of its logarithm: as that of the stated zero, since the guess is good to a factor of
/// three, and a freewheel drop and the end of a ramp tell little beside it.
const PRIOR_SWITCHING_A: f64 = 0.4;
/// The same where it stays as guessed.
const HELD_A: f64 = 100.0;
/// Share of the time from which on a switch is closed for good.
const CLOSED: f64 = 0.995;

/// A start as it was driven. The supply counts as what stands behind its resistance: its terminals give way to the current,
/// and a fan that draws more because the air holds it would look like one that draws more of less voltage.
struct Drive {
    step_s: f64,
    /// Output ratio from which the supply current tells the fan's.
    least_ratio: f64,
    supply_v: Vec<f64>,
    output_v: Vec<f64>,
    /// Of the supply, before its resistance.
    open_v: Vec<f64>,
    source_ohm: f64,
    ratio: Vec<f64>,
    /// What the switch loses, over the supply voltage.
    lost: Vec<f64>,
    /// Whether the switch is closed for good, and no longer chops: told by the readings alone, since a step that moved with what
    /// is fitted would pass for the steepest of slopes.
    closed: Vec<bool>,
    on_ohm: f64,
    /// Uncertainty of the zero of the range that carries the start, and the current from which that range reads.
    zero_u: f64,
    above_a: f64,
    supply_a: Vec<f64>,
    fan_a: Option<Vec<f64>>,
}

/// Fits the fan to the start in `from_s..to_s`; `None` when channels lack, the current is too small or no fit is found.
///
/// `on_ohm` is what the module loses per ampere flat out, where that was measured by itself: the end of a ramp that creeps up
/// looks like more.
pub(crate) fn fit_start(rec: &Recording, from_s: f64, to_s: f64, on_ohm: Option<f64>) -> Option<MotorFit> {
    let looked_at = to_s <= from_s + LONGEST_S;
    let to_s = to_s.min(from_s + LONGEST_S);
    let fine = |channel| zero::cells(rec, channel, from_s, to_s, CHOP_CELL_S);
    let output_noise = rec.header.bench.channels.get(&Channel::OutputV).map_or(0.0, |facts| facts.noise);
    // Ratios of single periods mean nothing, those of means over several do.
    let chops = chop::shows(&fine(Channel::OutputV), chop::OUTPUT_FALL, output_noise);
    let column = |channel| {
        let cells = match chops {
            true => chop::averaged(&fine(channel)),
            false => zero::cells(rec, channel, from_s, to_s, STEP_S),
        };
        let zero = zero::offset(rec, channel, from_s).map_or(0.0, |(zero, _)| zero);
        cells.into_iter().map(|(_, v)| v - zero).collect::<Vec<f64>>()
    };
    let (supply_v, supply_a) = (column(Channel::SupplyV), column(Channel::SupplyA));
    let output_v = column(Channel::OutputV);
    let fan_a = Some(column(Channel::FanA)).filter(|v| !v.is_empty());
    let n = output_v.len();
    let complete = supply_v.len() == n && supply_a.len() == n && fan_a.as_ref().is_none_or(|v| v.len() == n);
    if n < 60 || !complete {
        return None;
    }
    let step_s = (to_s - from_s) / n as f64;
    let source = Source::of(&supply_a, &supply_v, step_s)?;
    let ratio: Vec<f64> = output_v.iter().zip(&supply_v).map(|(o, s)| (o / s.max(1.0)).clamp(0.0, 1.0)).collect();
    let on_ohm = flat_out_ohm(&supply_v, &output_v, &supply_a, n).map_or(0.0, |ohm| on_ohm.unwrap_or(ohm));
    let source_ohm = source.ohm;
    let open_v = supply_v.iter().zip(&supply_a).map(|(v, a)| v + source_ohm * a).collect();
    let lost = (0..n).map(|i| on_ohm * (supply_a[i] / ratio[i].max(LEAST_CARRIED)).max(0.0) / supply_v[i].max(1.0));
    let lost: Vec<f64> = lost.collect();
    let closed = ratio.iter().zip(&lost).map(|(ratio, lost)| ratio + lost >= CLOSED).collect();
    let (zero_u, above_a) = zero_of_start(rec, from_s);
    let least_ratio = if chops { CONTINUOUS } else { 0.0 };
    let drive = Drive {
        step_s,
        least_ratio,
        supply_v,
        output_v,
        open_v,
        source_ohm,
        ratio,
        lost,
        closed,
        on_ohm,
        zero_u,
        above_a,
        supply_a,
        fan_a,
    };
    let peak = drive.supply_a.iter().copied().fold(0.0, f64::max);
    if peak < 1.0 {
        return None;
    }
    let mut guesses: Vec<(f64, Vec<f64>)> = starts(&drive, peak)
        .into_iter()
        .map(|start| {
            let mut trial = vec![0.0; n];
            residuals(&drive, Path::Diode, &start, &mut trial);
            (trial.iter().map(|r| r * r).sum(), start)
        })
        .collect();
    guesses.sort_by(|a, b| a.0.total_cmp(&b.0));
    let fitted = |path: Path, switching_a: f64, from: &[f64], guess: &[f64]| {
        fit::fit(from, n + guess.len(), |p, r| {
            let (data, priors) = r.split_at_mut(n);
            residuals(&drive, path, p, data);
            // What the start does not show (friction, freewheel drop) stays near its guess.
            for ((prior, p), s) in priors.iter_mut().zip(p).zip(guess) {
                *prior = PRIOR_A * (p - s);
            }
            priors[ZERO] = PRIOR_ZERO_A * p[ZERO];
            priors[SWITCHING] = switching_a * (p[SWITCHING] - guess[SWITCHING]);
        })
    };
    let (by_diode, guess) = guesses
        .into_iter()
        .take(2)
        .filter_map(|(_, start)| Some((fitted(Path::Diode, HELD_A, &start, &start)?, start)))
        .min_by(|(a, _), (b, _)| a.rss.total_cmp(&b.rss))?;
    // A second switch fits better without a drop, and by far, or the drop that a diode would have is nothing clearly seen. A
    // drop and what is taken for switching look alike: one of them has to stay for the other to be seen or not.
    let (drop, drop_u) = wheel_found(&by_diode);
    let odds = |found: &fit::Fit| 0.5 * (n as f64 / ALIKE) * (by_diode.rss / found.rss).ln();
    let is_better = |found: &fit::Fit| odds(found) > if drop > SEEN * drop_u { BY_FAR.ln() } else { 0.0 };
    let by_switch = fitted(Path::Synchronous, HELD_A, &by_diode.params, &guess).filter(is_better);
    let (path, found) = by_switch.map_or((Path::Diode, by_diode), |found| (Path::Synchronous, found));
    let found = fitted(path, PRIOR_SWITCHING_A, &found.params, &guess).unwrap_or(found);
    let [r, m, a, b] = physical(&found.params);
    let u_log = (found.u(0) * ALIKE_IN_RESISTANCE.sqrt()).hypot(RESISTANCE_SHARE);
    let run = run_up(&drive, path, &found.params);
    (r.is_finite() && u_log < 0.3).then_some(MotorFit {
        resistance_ohm: r,
        resistance_u: r * if chops { u_log.hypot(CHOPPED_SHARE) } else { u_log },
        inertia: m,
        friction_a: a,
        load: b,
        inertia_share_u: found.u(1) * ALIKE_IN_RUN_UP.sqrt(),
        load_share_u: found.u(3) * ALIKE_IN_RUN_UP.sqrt(),
        end_v: run.end_v,
        end_a: run.end_a,
        end_supply: looked_at.then_some(run.end_supply),
        heat_j: run.heat_j,
        open_v: source.open_v,
        source_ohm,
        source_u: source.ohm_u * ALIKE_IN_RUN_UP.sqrt(),
        on_ohm: drive.on_ohm,
        wheel: if chops || path == Path::Synchronous { (0.0, 0.0) } else { wheel_found(&found) },
        switching: switching_share(&found.params),
        path,
    })
}

/// Freewheel drop of a fit, with its standard uncertainty: what tells it lies at the begin of a ramp, where ripple is small and
/// its periods few.
fn wheel_found(found: &fit::Fit) -> (f64, f64) {
    let wheel = found.params[4].exp();
    (wheel, wheel * (found.u(4) * ALIKE.sqrt()).min(1.0))
}

/// Uncertainty of the zero that counts during a start, and from which current on it does: a low range that the zero
/// readings were taken on says nothing of the high one.
fn zero_of_start(rec: &Recording, from_s: f64) -> (f64, f64) {
    let stated = rec.header.bench.channels.get(&Channel::SupplyA).copied().unwrap_or_default();
    match stated.low {
        Some(low) => (stated.offset_u, 0.9 * low.range),
        None => (zero::offset(rec, Channel::SupplyA, from_s).map_or(stated.offset_u, |(_, u)| u), 0.0),
    }
}

/// The supply as a start loads it.
struct Source {
    /// Voltage without current at the begin of the start.
    open_v: f64,
    ohm: f64,
    ohm_u: f64,
}

impl Source {
    /// From a start's cells of `step_s` each; `None` where the voltage does not give way to the current.
    ///
    /// A battery gives way a second time, over seconds, by the charge drawn from it. Taken for resistance, that would pull it
    /// down in the milliseconds of a hard start, too: what the charge explains is taken out of both before a line is drawn.
    fn of(supply_a: &[f64], supply_v: &[f64], step_s: f64) -> Option<Self> {
        let charge: Vec<f64> = supply_a
            .iter()
            .scan(0.0, |drawn, amps| {
                *drawn += step_s * amps;
                Some(*drawn)
            })
            .collect();
        let beside = |values: &[f64]| -> Option<Vec<f64>> {
            let by_charge = stats::line(&charge, values)?;
            Some(values.iter().zip(&charge).map(|(value, drawn)| value - by_charge.at(*drawn)).collect())
        };
        let line = stats::line(&beside(supply_a)?, &beside(supply_v)?).filter(|line| line.slope < 0.0)?;
        let unloaded: Vec<f64> = supply_v.iter().zip(supply_a).map(|(volts, amps)| volts - line.slope * amps).collect();
        Some(Self { open_v: stats::line(&charge, &unloaded)?.at(0.0), ohm: -line.slope, ohm_u: line.slope_u })
    }
}

/// What the module loses per ampere at the end of the start, if it is flat out there.
fn flat_out_ohm(supply_v: &[f64], output_v: &[f64], supply_a: &[f64], n: usize) -> Option<f64> {
    let tail = n - n / 20 - 1;
    let mean = |values: &[f64]| stats::mean(&values[tail..]).unwrap_or(0.0);
    let (supply, output, amps) = (mean(supply_v), mean(output_v), mean(supply_a));
    (amps > 0.5 && output > FLAT_SHARE * supply).then(|| ((supply - output) / amps).max(0.0))
}

/// From this share of the supply on an output is flat out.
const FLAT_SHARE: f64 = 0.95;

/// Starting points (logarithms, and no zero): resistance from a tenth to half of what would draw the peak, inertia over a decade.
fn starts(drive: &Drive, peak_a: f64) -> Vec<Vec<f64>> {
    let volts = drive.output_v.iter().copied().fold(0.0, f64::max).max(1.0);
    let settled_a = drive.supply_a[drive.supply_a.len() - 1].max(0.1);
    let mut starts = Vec::new();
    for part in [0.1, 0.3] {
        let r = part * volts / peak_a.max(settled_a);
        let e = volts - r * settled_a;
        for tau_s in [0.15, 0.8] {
            let mut start = [r, tau_s / r, 0.1 * settled_a, 0.9 * settled_a / (e * e), 0.02].map(f64::ln).to_vec();
            start.extend([0.0, SWITCHING_SHARE.ln()]);
            starts.push(start);
        }
    }
    starts
}

/// Parameters from their logarithms: resistance, inertia, friction, load.
fn physical(logs: &[f64]) -> [f64; 4] {
    [0, 1, 2, 3].map(|i| logs[i].clamp(-30.0, 30.0).exp())
}

/// Drop of the freewheel path over the supply voltage, from its logarithm.
fn wheel_share(logs: &[f64]) -> f64 {
    logs[4].exp().min(0.2)
}

/// What a chopper takes for its own switching, as a share of the fan's current, from its logarithm.
fn switching_share(logs: &[f64]) -> f64 {
    logs[SWITCHING].exp().min(0.05)
}

/// Share of the fan's current that the supply gives while the switch is on for `share` of the time.
fn supplied(share: f64, closed: bool, switching: f64) -> f64 {
    if closed { share } else { share + switching }
}

/// Measured less simulated current. The fifth parameter is the drop of the freewheel path over the supply voltage, which
/// makes the switched-on share larger than the voltage ratio; the last is the zero of the supply current.
fn residuals(drive: &Drive, path: Path, logs: &[f64], out: &mut [f64]) {
    let (wheel, switching) = (wheel_share(logs), switching_share(logs));
    let mut motion = Motion::of(physical(logs), drive.step_s);
    for (i, out) in out.iter_mut().enumerate() {
        let cell = drive.cell(i, path, wheel);
        let amps = motion.advance(&cell);
        *out = match &drive.fan_a {
            Some(fan_a) => fan_a[i] - amps,
            None => {
                let zero = if drive.supply_a[i] > drive.above_a { logs[ZERO] * drive.zero_u } else { 0.0 };
                let seen = if drive.ratio[i] < drive.least_ratio { 0.0 } else { 1.0 };
                seen * (drive.supply_a[i] - zero - supplied(cell.share, drive.closed[i], switching) * amps)
            }
        };
    }
}

/// What drives the fan in one cell.
struct Cell {
    /// Share of the time in which the switch is on.
    share: f64,
    /// Voltage behind everything that gives way to the current, and the resistance of that.
    volts: f64,
    ohm: f64,
}

impl Drive {
    /// Cell `i`; `wheel` is [`wheel_share`].
    fn cell(&self, i: usize, path: Path, wheel: f64) -> Cell {
        if self.ratio[i] <= 0.005 {
            return Cell { share: 0.0, volts: self.output_v[i], ohm: 0.0 };
        }
        let share = path.share(self.ratio[i], self.lost[i], wheel);
        path.cell(share, self.open_v[i], self.supply_v[i], wheel, (self.source_ohm, self.on_ohm))
    }
}

/// How the fitted fan ran up.
struct RunUp {
    end_v: f64,
    end_a: f64,
    /// Open voltage and current of the supply over the last [`END_S`].
    end_supply: (f64, f64),
    heat_j: f64,
}

/// Plays the fitted fan through its start.
fn run_up(drive: &Drive, path: Path, logs: &[f64]) -> RunUp {
    let physical = physical(logs);
    let (wheel, switching) = (wheel_share(logs), switching_share(logs));
    let mut end_a = 0.0;
    let mut motion = Motion::of(physical, drive.step_s);
    // Back-EMF and heat after each cell.
    let mut track = Vec::with_capacity(drive.output_v.len());
    let mut heat_j = 0.0;
    let mut supply_a = Vec::with_capacity(drive.output_v.len());
    for i in 0..drive.output_v.len() {
        let cell = drive.cell(i, path, wheel);
        let amps = motion.advance(&cell);
        let share = cell.share;
        supply_a.push(supplied(share, drive.closed[i], switching) * amps);
        heat_j += drive.step_s * amps * amps * (physical[0] + share * drive.on_ohm + share * share * drive.source_ohm);
        end_a = amps;
        track.push((motion.back_v, heat_j));
    }
    let end_v = motion.back_v;
    let heat_j = track.iter().find(|(then_v, _)| *then_v >= RUN_UP * end_v).map_or(heat_j, |(_, heat_j)| *heat_j);
    let last = ((END_S / drive.step_s) as usize).clamp(1, supply_a.len());
    let end = |values: &[f64]| stats::mean(&values[values.len() - last..]).unwrap_or(0.0);
    RunUp { end_v, end_a, end_supply: (end(&drive.open_v), end(&supply_a)), heat_j }
}

/// A fan in motion.
struct Motion {
    ohm: f64,
    per_inertia: f64,
    friction_a: f64,
    load: f64,
    step_s: f64,
    /// What the inductance leaves of a change of the current at the end of a cell, and in its mean.
    left: (f64, f64),
    turning: bool,
    back_v: f64,
    amps: f64,
}

impl Motion {
    fn of([r, m, a, b]: [f64; 4], step_s: f64) -> Self {
        let cells = step_s * r / INDUCTANCE_H;
        let left = ((-cells).exp(), -(-cells).exp_m1() / cells);
        let (turning, back_v, amps) = (false, 0.0, 0.0);
        Self { ohm: r, per_inertia: 1.0 / m, friction_a: a, load: b, step_s, left, turning, back_v, amps }
    }

    /// Mean current of the next cell, and the back-EMF after it, implicit in the current so that a light rotor stays stable.
    fn advance(&mut self, cell: &Cell) -> f64 {
        let per_ohm = 1.0 / (self.ohm + cell.ohm);
        let toward = ((cell.volts - self.back_v) * per_ohm).max(0.0);
        let gap = self.amps - toward;
        self.amps = toward + gap * self.left.0;
        let amps = toward + gap * self.left.1;
        self.turning |= amps > self.friction_a;
        if self.turning {
            let rate = (amps - self.friction_a - self.load * self.back_v * self.back_v) * self.per_inertia;
            let stiffness = 1.0 + self.step_s * (per_ohm + 2.0 * self.load * self.back_v) * self.per_inertia;
            self.back_v = (self.back_v + self.step_s * rate / stiffness).max(0.0);
        }
        amps
    }
}

/// What is still to come of a current is believed up to this share of it.
pub(crate) const LEFT_MOST: f64 = 0.03;
/// How well its model knows it.
pub(crate) const LEFT_SHARE: f64 = 0.1;

impl HardStart {
    /// Standard uncertainty of the peak, amperes.
    pub(crate) fn u(&self) -> f64 {
        self.by.iter().map(|(_, u)| u * u).sum::<f64>().sqrt()
    }
}

impl MotorFit {
    /// Whether the module loses by the fan's current only while its switch is on: a diode carries it the rest of the time.
    pub(crate) fn loses_switched(&self) -> bool {
        self.path == Path::Diode
    }

    /// Share of the fan's current that the supply gives while the switch is on for `share` of the time.
    fn supplied(&self, share: f64) -> f64 {
        supplied(share, share >= CLOSED, self.switching)
    }

    /// Supply current still to come or to go at the end of the start, when the output has come to `ratio` of the supply and the
    /// fan to the speed of that, amperes; `None` where the end of the start was not looked at.
    pub(crate) fn left_a(&self, ratio: f64) -> Option<f64> {
        let (open_v, end_a) = self.end_supply?;
        let (mut share, mut amps) = (ratio, end_a);
        for _ in 0..4 {
            let supply_v = open_v - self.source_ohm * share * amps;
            share = self.switched_on(ratio, amps, supply_v);
            let cell = self.path.cell(share, open_v, supply_v, self.wheel.0, (self.source_ohm, self.on_ohm));
            // a + b e² = (v - e) / r: all current is load.
            let per_ohm = 1.0 / (self.resistance_ohm + cell.ohm);
            let free_a = (cell.volts * per_ohm - self.friction_a).max(0.0);
            let back_v = 2.0 * free_a / (per_ohm + (per_ohm * per_ohm + 4.0 * self.load * free_a).sqrt());
            amps = ((cell.volts - back_v) * per_ohm).max(0.0);
        }
        Some(self.supplied(share) * amps - end_a)
    }

    /// The same as a share of the supply current at the end of the start.
    pub(crate) fn left_share(&self, ratio: f64) -> Option<f64> {
        let (_, end_a) = self.end_supply?;
        self.left_a(ratio).filter(|_| end_a > 0.0).map(|left_a| left_a / end_a)
    }

    /// Share of the time in which the switch is on when the fan draws these amperes: what of them the supply gives.
    pub(crate) fn switched_on(&self, ratio: f64, amps: f64, supply_v: f64) -> f64 {
        self.path.share(ratio, self.on_ohm * amps / supply_v.max(1.0), self.wheel.0)
    }

    /// Peak of a start with the output at `ratio` of the supply at once (flat out where the fitted start got there).
    pub(crate) fn hard_start(&self, ratio: f64) -> HardStart {
        let at = |r: f64, source: f64, inductance: f64| self.run_hard(ratio, r, source, inductance).0;
        let (peak_a, heat_j) = self.run_hard(ratio, self.resistance_ohm, self.source_ohm, INDUCTANCE_H);
        let by_r = at(self.resistance_ohm + self.resistance_u, self.source_ohm, INDUCTANCE_H) - peak_a;
        let by_source = at(self.resistance_ohm, self.source_ohm + self.source_u, INDUCTANCE_H) - peak_a;
        // 80 to 400 uH, even.
        let by_l = (at(self.resistance_ohm, self.source_ohm, 8e-5) - at(self.resistance_ohm, self.source_ohm, 4e-4))
            / 12.0_f64.sqrt();
        let by = vec![
            ("resistance of the fan", by_r.abs()),
            ("resistance of the supply", by_source.abs()),
            ("inductance of the fan", by_l.abs()),
            ("model of the fan", MODEL_SHARE * peak_a),
        ];
        HardStart { peak_a, by, heat_j }
    }

    /// Highest 5 ms mean of the supply current in a simulated hard start, and the heat until the fan has run up.
    fn run_hard(&self, ratio: f64, r: f64, source: f64, inductance_h: f64) -> (f64, f64) {
        const DT_S: f64 = 1e-4;
        const PEAK_STEPS: usize = 3_000;
        const MOST_STEPS: usize = 200_000;
        let mut heat_j = 0.0;
        // Flat out the output is short of the supply by what the module loses, which grows with the current.
        let share = if self.on_ohm > 0.0 { 1.0 } else { ratio };
        let (mut e, mut amps, mut window, mut highest) = (0.0_f64, 0.0_f64, [0.0; 50], 0.0_f64);
        for step in 0..MOST_STEPS {
            if step >= PEAK_STEPS && e >= RUN_UP * self.end_v {
                break;
            }
            let volts = share * (self.open_v - source * share * amps) - self.on_ohm * amps;
            amps +=
                DT_S / inductance_h * (volts - e - r * amps) / (1.0 + DT_S * (r + source + self.on_ohm) / inductance_h);
            e += DT_S * ((amps - self.friction_a - self.load * e * e) / self.inertia).max(-e / DT_S);
            e = e.max(0.0);
            if e < RUN_UP * self.end_v {
                heat_j += DT_S * amps * amps * (r + self.on_ohm + share * share * source);
            }
            if step < PEAK_STEPS {
                window[step % 50] = self.supplied(share) * amps;
                if step >= 49 {
                    highest = highest.max(window.iter().sum::<f64>() / 50.0);
                }
            }
        }
        (highest, heat_j)
    }
}

#[cfg(test)]
pub(crate) mod tests {
    use super::super::signal::stats::tests::noise;
    use super::*;

    /// A fan with R 0.15 Ohm, Ke 0.035, J 0.008, 16 A at 13 V, behind 20 mOhm, through a linear ramp.
    fn start(ramp_s: f64, seed: u64) -> Recording {
        start_along(&|t| (t / ramp_s).min(1.0), seed)
    }

    /// The same along any ramp.
    pub(crate) fn start_along(ratio: &dyn Fn(f64) -> f64, seed: u64) -> Recording {
        start_behind(ratio, &|_, _| 0.0, seed)
    }

    /// The same behind a module that loses volts by the share that its switch is on and the fan's current.
    fn start_behind(ratio: &dyn Fn(f64) -> f64, lost_v: &dyn Fn(f64, f64) -> f64, seed: u64) -> Recording {
        start_with(ratio, lost_v, 0.0, seed)
    }

    /// The same behind one that takes this share of the fan's current for its own switching.
    fn start_with(
        ratio: &dyn Fn(f64) -> f64,
        lost_v: &dyn Fn(f64, f64) -> f64,
        switching: f64,
        seed: u64,
    ) -> Recording {
        let (r, ke, j) = (0.15, 0.035, 0.008);
        let (mut w, mut i_fan): (f64, f64) = (0.0, 0.0);
        let load = ke * 15.0 / (300.0 * 300.0);
        let dt = 1e-4;
        let (mut sv, mut sa, mut ov) = (Vec::new(), Vec::new(), Vec::new());
        let e = noise(seed, 200_000, 0.05);
        for step in 0..60_000 {
            let d = ratio(step as f64 * dt);
            let supply = 13.0 - 0.02 * d * i_fan;
            let out = d * supply - if i_fan > 0.01 { lost_v(d, i_fan) } else { 0.0 };
            i_fan = (i_fan + dt / 2e-4 * (out - ke * w - r * i_fan) / (1.0 + dt * r / 2e-4)).max(0.0);
            w = (w + dt / j * (ke * i_fan - 0.03 - load * w * w)).max(0.0);
            if step % 5 == 0 {
                sv.push((supply + 0.2 * e[step]) as f32);
                let own_a = if d < 1.0 { switching * i_fan } else { 0.0 };
                sa.push((d * i_fan + own_a + e[step + 60_000]) as f32);
                ov.push((out + 0.2 * e[step + 120_000]) as f32);
            }
        }
        let mut rec = Recording::default();
        for (channel, values) in [(Channel::SupplyV, sv), (Channel::SupplyA, sa), (Channel::OutputV, ov)] {
            rec.channels.entry(channel).or_default().push(2.5e-4, 5e-4, &values);
        }
        rec
    }

    /// The highest 5 ms mean of that fan switched on hard.
    fn hard() -> f64 {
        highest(&start(1e-6, 1))
    }

    fn highest(rec: &Recording) -> f64 {
        let cells = zero::cells(rec, Channel::SupplyA, 0.0, 1.0, 5e-3);
        cells.iter().map(|(_, v)| *v).fold(0.0, f64::max)
    }

    #[test]
    fn the_fitted_fan_predicts_the_hard_start_of_the_true_one() {
        for (ramp_s, seed) in [(1.0, 2), (3.0, 3)] {
            let fit = fit_start(&start(ramp_s, seed), 0.0, 6.0, None).expect("a fit");
            assert!((fit.resistance_ohm - 0.15).abs() < 0.01, "{ramp_s}: {fit:?}");
            assert!((fit.source_ohm - 0.02).abs() < 0.001, "{ramp_s}: {fit:?}");
            let predicted = fit.hard_start(1.0);
            let truth = hard();
            assert!((predicted.peak_a / truth - 1.0).abs() < 0.05, "{ramp_s}: {predicted:?} against {truth}");
            assert!((predicted.peak_a - truth).abs() < 3.0 * predicted.u(), "{ramp_s}: {predicted:?} against {truth}");
        }
    }

    #[test]
    fn what_a_battery_gives_way_by_the_charge_is_not_taken_for_its_resistance() {
        let (ohm, per_charge, step_s) = (0.012, 3e-4, 4e-3);
        let [noise_a, noise_v] = [1, 2].map(|seed| noise(seed, 1000, 0.05));
        // Up to 24 A in two seconds, then down to 18.
        let drawn = |t: f64| if t < 2.0 { 12.0 * t } else { 18.0 + 6.0 * (-(t - 2.0) / 0.5).exp() };
        let mut charge = 0.0;
        let (mut amps, mut volts) = (Vec::new(), Vec::new());
        for i in 0..1000 {
            let now_a = drawn(step_s * i as f64);
            charge += step_s * now_a;
            amps.push(now_a + noise_a[i]);
            volts.push(13.0 - ohm * now_a - per_charge * charge + 0.1 * noise_v[i]);
        }
        let source = Source::of(&amps, &volts, step_s).expect("it gives way");
        assert!((source.ohm / ohm - 1.0).abs() < 0.01, "{}", source.ohm);
        assert!((source.open_v - 13.0).abs() < 2e-3, "{}", source.open_v);
        let both = -stats::line(&amps, &volts).expect("a line").slope;
        assert!(both / ohm - 1.0 > 0.03, "the charge counts: {both}");
    }

    #[test]
    fn the_end_of_a_ramp_that_creeps_up_is_not_taken_for_loss_where_that_is_known() {
        let lost = |d: f64, amps: f64| 5e-3 * d * amps;
        let truth = highest(&start_behind(&|_| 1.0, &lost, 1));
        let creeping = start_behind(&|t: f64| 1.0 - (-t / 1.1).exp(), &lost, 2);
        let off = |on_ohm: Option<f64>| {
            let fit = fit_start(&creeping, 0.0, 6.0, on_ohm).expect("a fit");
            fit.hard_start(1.0).peak_a / truth - 1.0
        };
        let (alone, known) = (off(None), off(Some(5e-3)));
        assert!(known.abs() < 0.01 && known - alone > 0.01, "{alone} {known}");
    }

    #[test]
    fn a_second_switch_is_told_from_a_diode_and_neither_makes_the_fan_look_worn() {
        let ramp = |t: f64| (t / 1.5).min(1.0);
        for seed in [7, 8, 9] {
            let synchronous = start_behind(&ramp, &|_, amps| 0.015 * amps, seed);
            let fit = fit_start(&synchronous, 0.0, 6.0, None).expect("a fit");
            assert_eq!((fit.path, fit.wheel), (Path::Synchronous, (0.0, 0.0)), "{fit:?}");
            assert!((fit.resistance_ohm / 0.15 - 1.0).abs() < 0.015, "{fit:?}");
            let diode = start_behind(&ramp, &|d, amps| 0.015 * d * amps + (1.0 - d) * 0.6, seed);
            let fit = fit_start(&diode, 0.0, 6.0, None).expect("a fit");
            assert_eq!(fit.path, Path::Diode, "{fit:?}");
            assert!((fit.wheel.0 - 0.6 / 13.0).abs() < 3.0 * fit.wheel.1, "{fit:?}");
            assert!((fit.resistance_ohm / 0.15 - 1.0).abs() < 0.02, "{fit:?}");
        }
    }

    #[test]
    fn what_a_chopper_takes_for_its_switching_does_not_make_the_fan_look_better() {
        let s = |t: f64| {
            let x = (t / 2.5).min(1.0);
            x * x * (3.0 - 2.0 * x)
        };
        let lost = |d: f64, amps: f64| 0.007 * d * amps + (1.0 - d) * 0.55;
        let off: Vec<f64> = [7, 8, 9]
            .iter()
            .map(|seed| {
                fit_start(&start_with(&s, &lost, 6e-3, *seed), 0.0, 6.0, None).expect("a fit").resistance_ohm / 0.15
                    - 1.0
            })
            .collect();
        assert!(stats::mean(&off).is_some_and(|off| off.abs() < 0.01), "{off:?}");
    }

    #[test]
    fn what_is_fitted_moves_no_cell_from_chopping_to_closed() {
        let n = 1_000_usize;
        let ratio: Vec<f64> = (0..n).map(|i| 0.97 + 0.03 * i as f64 / n as f64).collect();
        let drive = Drive {
            step_s: STEP_S,
            least_ratio: 0.0,
            supply_v: vec![13.0; n],
            output_v: ratio.iter().map(|ratio| 13.0 * ratio).collect(),
            open_v: vec![13.3; n],
            source_ohm: 0.02,
            closed: ratio.iter().map(|ratio| *ratio >= CLOSED).collect(),
            ratio,
            lost: vec![0.0; n],
            on_ohm: 0.0,
            zero_u: 0.0,
            above_a: 0.0,
            supply_a: vec![0.0; n],
            fan_a: None,
        };
        let at = |wheel: f64| {
            let mut logs = [0.15, 6.5, 0.9, 0.14, wheel, 1.0, 6e-3].map(f64::ln);
            logs[ZERO] = 0.0;
            let mut out = vec![0.0; n];
            residuals(&drive, Path::Diode, &logs, &mut out);
            out
        };
        for step in 0..100 {
            let wheel = 0.04 + 2e-4 * f64::from(step);
            let moved = at(wheel).iter().zip(at(wheel + 2e-4)).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
            // Switching takes 0.1 A of it.
            assert!(moved < 0.01, "{moved} A at {wheel}");
        }
    }

    #[test]
    fn what_a_fan_still_loses_of_its_current_at_the_end_of_a_start_is_known() {
        let mean = |rec: &Recording| {
            let cells = zero::cells(rec, Channel::SupplyA, 5.0, 6.0, 0.05);
            stats::mean(&cells.iter().map(|(_, amps)| *amps).collect::<Vec<_>>()).expect("cells")
        };
        let settled = mean(&start(0.5, 3));
        for (tau_s, seed) in [(0.9, 5), (1.2, 6)] {
            // The ramp still creeps up and the fan after it: the current is high, and hardly changes any more.
            let rec = start_along(&|t| 1.0 - (-t / tau_s).exp(), seed);
            let left_a = fit_start(&rec, 0.0, 6.0, None).expect("a fit").left_a(1.0).expect("to the end");
            let off_a = settled - mean(&rec);
            assert!(off_a.abs() > 0.02 && (left_a - off_a).abs() < 0.5 * off_a.abs(), "{tau_s}: {left_a} for {off_a}");
        }
        let long = fit_start(&start(3.0, 4), 0.0, 16.0, None).expect("a fit");
        assert_eq!(long.left_a(1.0), None, "not fitted to the end");
    }

    /// The same fan behind a switch that chops at `hz` with a diode, as currents and voltages really go.
    fn chopped_start(hz: f64, seed: u64) -> Recording {
        let (r, ke, j, ramp_s, diode_v) = (0.15, 0.035, 0.008, 3.0, 0.7);
        let load = ke * 15.0 / (300.0 * 300.0);
        let (mut w, mut i_fan): (f64, f64) = (0.0, 0.0);
        let dt = 2e-5;
        let (mut means, mut columns) = ([0.0; 3], [Vec::new(), Vec::new(), Vec::new()]);
        let e = noise(seed, 60_000, 0.01);
        for step in 0..300_000 {
            let t = step as f64 * dt;
            let on = (t * hz).fract() < (t / ramp_s).min(1.0);
            let supply_a = if on { i_fan } else { 0.0 };
            let supply = 13.0 - 0.02 * supply_a;
            let back = ke * w;
            let out = if on {
                supply
            } else if i_fan > 0.0 {
                -diode_v
            } else {
                back
            };
            i_fan = (i_fan + dt / 2e-4 * (out - back - r * i_fan)).max(0.0);
            w = (w + dt / j * (ke * i_fan - 0.03 - load * w * w)).max(0.0);
            for (mean, now) in means.iter_mut().zip([supply, supply_a, out]) {
                *mean += now / 25.0;
            }
            if step % 25 == 24 {
                for (column, mean) in columns.iter_mut().zip(&mut means) {
                    column.push((*mean + e[step / 25]) as f32);
                    *mean = 0.0;
                }
            }
        }
        let mut rec = Recording::default();
        for (channel, values) in [Channel::SupplyV, Channel::SupplyA, Channel::OutputV].into_iter().zip(&columns) {
            rec.channels.entry(channel).or_default().push(2.5e-4, 5e-4, values);
        }
        rec
    }

    #[test]
    fn a_slow_chopper_does_not_make_the_fan_look_worn() {
        let truth = hard();
        for (hz, seed) in [(230.0, 4), (870.0, 6)] {
            let fit = fit_start(&chopped_start(hz, seed), 0.0, 6.0, None).expect("a fit");
            let off = fit.resistance_ohm - 0.15;
            assert!(off.abs() < 0.02 && off.abs() < 2.0 * fit.resistance_u, "{hz} Hz: {fit:?}");
            let predicted = fit.hard_start(1.0);
            assert!((predicted.peak_a - truth).abs() < 3.0 * predicted.u(), "{hz} Hz: {predicted:?} against {truth}");
        }
    }

    #[test]
    fn without_current_there_is_no_fit() {
        assert_eq!(fit_start(&Recording::default(), 0.0, 5.0, None), None);
    }
}
