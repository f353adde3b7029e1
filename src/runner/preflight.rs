//! The preflight on the bench itself: with nothing energised and no permission to energise given yet, what the open
//! bench shows of its zeros, its noise, its relay, its emergency stop, its speed sensor.
//!
//! Reads only. What the supervisor's interlock finds meanwhile stops the run by itself; the line then says so.

use crate::analysis::zero;
use crate::bench::{Channel, Pace};
use crate::config::rig::{ChannelSpec, DummyLoad, Rig};
use crate::record::event::SpanKind;
use crate::record::preflight::{Check, Finding};
use crate::record::recording::Recording;
use crate::results::StoppedBy;
use crate::runner::session::ZERO_S;
use crate::safety::{Rule, Supervisor, Trip};
use crate::units::significant;

/// Voltage that is left at a module whose supply is off, and the share by which a charged capacitor falls meanwhile.
const GONE_V: f64 = 2.0;
const FALLS_SHARE: f64 = 0.003;
/// How long a fan that still turns is waited for.
const QUIET_WITHIN_S: f64 = 60.0;
/// What to do about a supply that is not off.
const WELDED: &str = "pull the fuse, then look for a welded contact; charged capacitors need a minute";
const TURNED: &str = "the tach was not quiet";
/// A range may scatter this much more than stated: noise is stated from a few readings.
const NOISE_FACTOR: f64 = 3.0;
/// Share of the samples that may be missing.
const LOST_SHARE: f64 = 0.01;
/// Ambient temperatures of a place in which people work.
const AMBIENT_C: (f64, f64) = (-15.0, 50.0);

/// Zeros found, for watching currents in the run: supply current and output voltage.
#[derive(Clone, Copy, Debug, Default)]
pub(crate) struct Zeros {
    pub(crate) supply_a: f64,
    pub(crate) output_v: f64,
}

/// Looks, records the lines after `known` (those of host and papers), and stops the run when one fails. The lines and
/// the zeros come back either way; `Err` in place of the zeros when the run was stopped.
pub(crate) fn run(sup: &mut Supervisor, rig: &Rig, known: &[Check]) -> (Vec<Check>, Option<Zeros>) {
    let mut checks = known.to_vec();
    checks.push(opened(sup, rig));
    checks.extend(rig.dummy().map(stands));
    let looked = look(sup, rig, &mut checks);
    if !looked {
        checks.push(cut_short(sup));
    }
    sup.preflight(checks.clone());
    if let Some(first) = checks.iter().find(|check| check.failed()) {
        // A form that tells of a short is of the unit itself, and keeps a rule of its own.
        let rule = if first.by == StoppedBy::Unit { Rule::ReadingsBeforePower } else { Rule::Preflight };
        let saw = format!("{}: {}; {}", first.what, first.saw, first.to_do);
        let _halted = sup.trip(&Trip::new(rule, first.by, saw));
        return (checks, None);
    }
    let now_s = sup.now_s();
    let mean = |channel| sup.recording().mean(channel, now_s - ZERO_S, now_s).unwrap_or(0.0);
    let zeros = Zeros { supply_a: mean(Channel::SupplyA), output_v: mean(Channel::OutputV) };
    (checks, Some(zeros))
}

fn opened(sup: &Supervisor, rig: &Rig) -> Check {
    let offers = sup.offers();
    let lacks: Vec<&str> = rig
        .channels
        .keys()
        .filter(|channel| !offers.channels.contains(channel))
        .map(|channel| channel.name())
        .collect();
    let name = &offers.name;
    let held =
        format!("`{name}` is open and held: {} channels, {} controls", offers.channels.len(), offers.controls.len());
    if lacks.is_empty() {
        return Check::pass("devices", held);
    }
    Check::note(
        "devices",
        format!("{held}; it does not offer {}", lacks.join(", ")),
        "stages that need them are skipped",
    )
}

/// What only a person can see of a load that stands in for the fan.
fn stands(dummy: &DummyLoad) -> Check {
    let saw = format!(
        "the rig has \"{}\" of {} and {} in place of a fan; this program cannot see what is connected",
        dummy.name,
        dummy.resistance,
        dummy.choke()
    );
    Check::note("load", saw, "see that it is on the module, covered and cold, and that the fan is off the module")
}

/// Reads with the relay open; whether the run goes on.
fn look(sup: &mut Supervisor, rig: &Rig, checks: &mut Vec<Check>) -> bool {
    let lost_before = sup.recording().lost;
    let Some(begin_s) = zero(sup) else { return false };
    let (rec, to_s) = (sup.recording(), sup.now_s());
    let window = Window { rec, from_s: begin_s, to_s };
    checks.push(stop_input(sup, &window));
    checks.push(supply_off(rig, &window));
    checks.push(tach_quiet(sup, &window));
    checks.push(samples(&window, rec.lost - lost_before, sup.offers().rate_hz));
    for (channel, spec) in &rig.channels {
        checks.extend(channel_lines(*channel, spec, &window));
    }
    match sup.feedback() {
        Ok(feedback) => checks.push(relay_feedback(feedback)),
        Err(_) => return false,
    }
    true
}

/// A zero of the channels, and when it began; a fan that coasts from the run before is waited for. `None` when the run
/// was stopped.
fn zero(sup: &mut Supervisor) -> Option<f64> {
    let first_s = sup.now_s();
    loop {
        let begin_s = sup.now_s();
        let span = sup.begin_span(SpanKind::Zero);
        sup.read(ZERO_S, Pace::Normal).ok()?;
        let quiet = sup.recording().tach_in(begin_s, sup.now_s()).is_none_or(<[f64]>::is_empty);
        if quiet || sup.now_s() > first_s + QUIET_WITHIN_S {
            sup.end_span(span, if quiet { Ok(()) } else { Err(TURNED.to_owned()) });
            return Some(begin_s);
        }
        sup.end_span(span, Err(TURNED.to_owned()));
        sup.read(2.0, Pace::Slow).ok()?;
    }
}

/// The stretch looked at.
struct Window<'a> {
    rec: &'a Recording,
    from_s: f64,
    to_s: f64,
}

impl Window<'_> {
    fn mean(&self, channel: Channel) -> Option<f64> {
        self.rec.mean(channel, self.from_s, self.to_s)
    }

    fn values(&self, channel: Channel) -> Vec<f64> {
        let series = self.rec.channels.get(&channel);
        series.map(|series| series.samples(self.from_s, self.to_s).map(|(_, v)| v).collect()).unwrap_or_default()
    }
}

fn stop_input(sup: &Supervisor, window: &Window<'_>) -> Check {
    let what = "emergency stop";
    if !sup.offers().emergency_stop {
        let caution = "this rig does not tell the program of its emergency stop";
        return Check::note(what, caution, "see to it that the stop cuts the supply by itself");
    }
    // The interlock judged every block of the stretch; a stop that is pressed does not come this far.
    Check::pass(what, format!("seen for {:.1} s, not pressed", window.to_s - window.from_s))
}

fn supply_off(rig: &Rig, window: &Window<'_>) -> Check {
    let what = "supply off";
    let amps = window.mean(Channel::SupplyA);
    let flowing = amps.filter(|amps| amps.abs() > rig.limits.off_current.get());
    if let Some(amps) = flowing {
        let saw = format!("{amps:.2} A flow though the supply relay is open");
        return Check::fail(what, StoppedBy::Rig, saw, WELDED);
    }
    let Some(volts) = window.mean(Channel::SupplyV) else {
        return Check::note(what, "no current flows; this rig does not see the voltage", "");
    };
    let third_s = (window.to_s - window.from_s) / 3.0;
    let part = |from_s, to_s| window.rec.mean(Channel::SupplyV, from_s, to_s).unwrap_or(volts);
    let (first, last) = (part(window.from_s, window.from_s + third_s), part(window.to_s - third_s, window.to_s));
    if volts.abs() < GONE_V {
        return Check::pass(what, format!("{volts:.2} V at the module, no current"));
    }
    if last < first * (1.0 - FALLS_SHARE) {
        return Check::pass(what, format!("{last:.2} V at the module and falling: charged capacitors"));
    }
    let saw = format!("{volts:.2} V stand at the module though the supply relay is open");
    Check::fail(what, StoppedBy::Rig, saw, WELDED)
}

fn relay_feedback(feedback: Option<bool>) -> Check {
    let what = "relay feedback";
    match feedback {
        Some(false) => Check::pass(what, "the contact is open, as commanded"),
        Some(true) => {
            let to_do = "pull the fuse, then look for a welded contact or a broken feedback wire";
            Check::fail(what, StoppedBy::Rig, "the contact is closed though it was commanded open", to_do)
        }
        None => Check::absent(what, "this rig has none: only voltage and current tell"),
    }
}

fn tach_quiet(sup: &Supervisor, window: &Window<'_>) -> Check {
    let what = "tach";
    if !sup.offers().tach {
        return Check::absent(what, "this rig has none");
    }
    match window.rec.tach_in(window.from_s, window.to_s).map_or(0, <[f64]>::len) {
        0 => Check::pass(what, format!("quiet for {:.1} s", window.to_s - window.from_s)),
        edges => {
            let saw = format!("{edges} edges in {:.1} s with the supply off", window.to_s - window.from_s);
            let to_do =
                "hold off until the fan rests; if it does, the line picks up noise: shield it, check its pull-up";
            Check::fail(what, StoppedBy::Rig, saw, to_do)
        }
    }
}

fn samples(window: &Window<'_>, lost: u64, rate_hz: f64) -> Check {
    let seconds = window.to_s - window.from_s;
    let count = window.values(Channel::SupplyA).len();
    #[expect(clippy::cast_precision_loss, reason = "counts of a second")]
    let (count, lost) = (count as f64, lost as f64);
    let saw =
        format!("{:.0} readings of supply current per second of {rate_hz:.0} offered, {lost:.0} lost", count / seconds);
    if lost > LOST_SHARE * (count + lost) {
        return Check::note("samples", saw, "lower the rate, or see what else loads this computer");
    }
    Check::pass("samples", saw)
}

/// Range in use at rest: its name, full scale, offset, noise and step.
fn range_at_rest(spec: &ChannelSpec) -> (&'static str, f64, f64, f64) {
    match spec.low {
        Some(low) => {
            let step = (spec.resolution * low.range.get() / spec.range).min(low.noise.get());
            (" low range", low.offset_u.get(), low.noise.get(), step)
        }
        None => ("", spec.offset_u, spec.noise, spec.resolution),
    }
}

fn channel_lines(channel: Channel, spec: &ChannelSpec, window: &Window<'_>) -> Vec<Check> {
    let Some(mean) = zero::mean_of(window.rec, channel, window.from_s, window.to_s) else {
        let to_do = "look at its wiring and address";
        return vec![Check::fail(channel.name(), StoppedBy::Rig, "no samples came", to_do)];
    };
    let unit = channel.unit();
    let (range, offset_u, noise, step) = range_at_rest(spec);
    let shown = |value: f64| format!("{} {unit}", significant(value, 3));
    let what = format!("{channel}{range}");
    let mut lines = Vec::new();
    match channel {
        Channel::SupplyA | Channel::OutputV | Channel::FanA => {
            let doubt = if mean.u.is_finite() { 3.0 * mean.u } else { 0.0 };
            let allowed = 3.0 * offset_u + step + doubt;
            let saw = format!("zero {}, at most {} is stated", shown(mean.mean), shown(allowed));
            let bad = offset_u > 0.0 && mean.mean.abs() > allowed;
            let to_do = "calibrate the channel, or let the sensor's remanence go; a zero like this is never subtracted";
            lines.push(if bad {
                Check::fail(format!("{what} zero"), StoppedBy::Rig, saw, to_do)
            } else {
                Check::pass(format!("{what} zero"), saw)
            });
        }
        Channel::AmbientC => {
            let plausible = (AMBIENT_C.0..=AMBIENT_C.1).contains(&mean.mean);
            let finding = if plausible { Finding::Pass } else { Finding::Note };
            lines.push(Check::new(what.clone(), finding, format!("reads {}", shown(mean.mean))));
        }
        Channel::SupplyV | Channel::SpeedRpm | Channel::CaseC | Channel::LineV => {
            lines.push(Check::pass(what.clone(), format!("reads {}", shown(mean.mean))));
        }
    }
    lines.extend(noise_line(&what, &window.values(channel), noise, step, &shown));
    lines
}

/// Scatter from sample to sample, so that a slow fall does not count. `None` where no noise is stated or to be seen.
fn noise_line(what: &str, values: &[f64], stated: f64, step: f64, shown: &dyn Fn(f64) -> String) -> Option<Check> {
    if stated <= 0.0 || values.len() < 10 {
        return None;
    }
    let squares: f64 = values.windows(2).map(|pair| (pair[1] - pair[0]).powi(2)).sum();
    #[expect(clippy::cast_precision_loss, reason = "counts of a second")]
    let seen = (squares / (2.0 * (values.len() - 1) as f64)).sqrt();
    let allowed = NOISE_FACTOR * stated.hypot(step / 12.0_f64.sqrt());
    let saw = format!("scatter {}, {} is stated", shown(seen), shown(stated)).replace("°C", "K");
    let what = format!("{what} noise");
    Some(if seen > allowed {
        let to_do = "look for a loose shield, a charger or a drive close by; or state the noise that it has";
        Check::fail(what, StoppedBy::Rig, saw, to_do)
    } else {
        Check::pass(what, saw)
    })
}

/// The interlock stopped the run while it was looked at: which line that is.
fn cut_short(sup: &Supervisor) -> Check {
    let Some(stopped) = sup.stopped() else {
        return Check::fail("bench", StoppedBy::Host, "stopped", "begin again");
    };
    let rule = stopped.cause.split(':').next().unwrap_or_default();
    let (what, to_do) = match rule {
        "emergency_stop" => ("emergency stop", "release it when it is clear why it was pressed"),
        "welded_contact" => ("supply off", WELDED),
        "sensor_range" => ("sensors", "look at the wiring of the channel that is named"),
        "samples" | "driver" => ("samples", "look at the device that is named, and at what else loads this computer"),
        _ => ("bench", "put it right and begin again"),
    };
    Check::fail(what, stopped.by, stopped.cause.clone(), to_do)
}
