//! What is kept of each unit, and the arithmetic of shares and bounds.

use galebench::config::rig::FaultKind;
use galebench::results::{Document, Grade, StoppedBy};
use serde::{Deserialize, Serialize};
use statrs::distribution::{Beta, ContinuousCDF};

use super::draw::{Drawn, Origin, Trouble, drawn};
use super::play::Played;

/// One unit as the study counts it.
#[derive(Serialize, Deserialize)]
pub(crate) struct Unit {
    pub(crate) seed: u64,
    /// Drawn with a fault, apart from the mix.
    pub(crate) added: bool,
    pub(crate) kind: String,
    pub(crate) origin: Origin,
    pub(crate) trouble: Trouble,
    #[serde(with = "fault_by_name")]
    pub(crate) fault: Option<(FaultKind, f64)>,
    /// `None` when the run gave no verdict.
    pub(crate) grade: Option<Grade>,
    /// Signs of the unit, strongest first, and of the bench.
    pub(crate) signs: Vec<(String, f64)>,
    pub(crate) bench_signs: Vec<(String, f64)>,
    /// What is truly beyond the plan's limits.
    pub(crate) beyond: Vec<String>,
    pub(crate) reasons: Vec<String>,
    /// Whether the bench was refused before power came: nobody saw the unit.
    pub(crate) refused: bool,
}

impl Unit {
    pub(crate) fn of(drawn: &Drawn, played: &Played) -> Self {
        let document = &played.document;
        let stopped = document.stopped.as_ref().map(|stopped| stopped.cause.clone());
        let given = |of_bench: bool| {
            let signs = document.signs.iter().filter(|sign| sign.of_bench == of_bench);
            signs.map(|sign| (sign.fault.clone(), sign.strength)).collect()
        };
        let by_bench = document.stopped.as_ref().is_some_and(|stopped| stopped.by == StoppedBy::Rig);
        let reasons = document.verdict.as_ref().map(|verdict| verdict.reasons.clone());
        Self {
            seed: drawn.seed,
            added: drawn.added,
            kind: drawn.kind.name().to_owned(),
            origin: drawn.origin,
            trouble: drawn.trouble,
            fault: drawn.fault,
            grade: document.verdict.as_ref().map(|verdict| verdict.grade),
            signs: given(false),
            bench_signs: given(true),
            beyond: played.beyond.clone(),
            refused: by_bench && stopped.as_deref().is_some_and(|cause| cause.starts_with("preflight")),
            reasons: reasons.unwrap_or_else(|| stopped.into_iter().collect()),
        }
    }

    /// Everything about it as one line of JSON, for work on the rules.
    pub(crate) fn line(&self, document: &Document) -> String {
        let fault = self.fault.map(|(fault, severity)| (sign_of(fault), severity));
        serde_json::json!({
            "seed": self.seed, "kind": self.kind, "origin": self.origin.words(), "trouble": self.trouble.words(),
            "fault": fault, "beyond": self.beyond, "document": document,
        })
        .to_string()
    }

    /// Truly beyond a limit. The limits of the plan speak of modules that answer pulses.
    pub(crate) fn is_bad(&self) -> bool {
        self.origin != Origin::Bus && !self.beyond.is_empty()
    }

    /// No fault, nothing beyond a limit, and of the kind that the plan is for.
    pub(crate) fn is_good(&self) -> bool {
        self.origin != Origin::Bus && self.fault.is_none() && self.beyond.is_empty()
    }

    /// Whether the run went on until the unit was judged.
    pub(crate) fn is_judged(&self) -> bool {
        self.grade.is_some()
    }

    /// Name of the fault put in.
    pub(crate) fn fault_name(&self) -> Option<&'static str> {
        self.fault.map(|(fault, _)| sign_of(fault))
    }

    /// Fault named first, if any sign was given.
    pub(crate) fn named(&self) -> Option<&str> {
        self.signs.first().map(|(fault, _)| fault.as_str())
    }

    pub(crate) fn is_graded(&self, grade: Grade) -> bool {
        self.grade == Some(grade)
    }
}

/// A fault with its severity, kept by its name.
mod fault_by_name {
    use galebench::config::rig::FaultKind;
    use serde::de::Error;
    use serde::{Deserialize, Deserializer, Serialize, Serializer};

    pub(super) fn serialize<S: Serializer>(fault: &Option<(FaultKind, f64)>, to: S) -> Result<S::Ok, S::Error> {
        fault.map(|(kind, severity)| (kind.name(), severity)).serialize(to)
    }

    pub(super) fn deserialize<'a, D: Deserializer<'a>>(from: D) -> Result<Option<(FaultKind, f64)>, D::Error> {
        let kept: Option<(String, f64)> = Deserialize::deserialize(from)?;
        let known = |(name, severity): (String, f64)| {
            let kind = FaultKind::from_name(&name).ok_or_else(|| D::Error::custom(format!("no fault `{name}`")))?;
            Ok((kind, severity))
        };
        kept.map(known).transpose()
    }
}

/// The sign that speaks of a fault.
pub(crate) const fn sign_of(fault: FaultKind) -> &'static str {
    match fault {
        FaultKind::SwitchShorted => "switch shorted",
        FaultKind::SwitchOpen => "switch open",
        FaultKind::ParallelSwitchOpen => "one of two parallel switches open",
        FaultKind::CrackedJoint => "cracked joint",
        FaultKind::DriedCapacitor => "dried capacitor",
        FaultKind::SoftStartLost => "soft start lost",
        FaultKind::InputDead => "input dead",
        FaultKind::InputLeaky => "input leaky",
        FaultKind::BandShifted => "band shifted",
        FaultKind::CurrentLimitEarly => "current limit early",
        FaultKind::ThermalLimitEarly => "thermal limit early",
        FaultKind::SleepLost => "sleep lost",
        FaultKind::WaterInConnector => "water in connector",
        FaultKind::LockOutLatches => "lock-out latches",
    }
}

/// `hits` of `n`, with the bounds between which the true share lies with 95 % (Clopper and Pearson, 1934).
#[derive(Clone, Copy, Debug)]
pub(crate) struct Share {
    pub(crate) hits: u64,
    pub(crate) n: u64,
}

impl Share {
    pub(crate) fn of<'a>(units: impl Iterator<Item = &'a Unit>, hit: impl Fn(&Unit) -> bool) -> Self {
        units.fold(Self { hits: 0, n: 0 }, |share, unit| Self {
            hits: share.hits + u64::from(hit(unit)),
            n: share.n + 1,
        })
    }

    fn bound(self, at: f64, more: u64) -> Option<f64> {
        let (a, b) = ((self.hits + more) as f64, (self.n - self.hits + 1 - more) as f64);
        (a > 0.0 && b > 0.0).then(|| Beta::new(a, b).ok().map(|beta| beta.inverse_cdf(at))).flatten()
    }

    /// Lower and upper end of the two-sided 95 % interval.
    pub(crate) fn interval(self) -> (f64, f64) {
        (self.bound(0.025, 0).unwrap_or(0.0), self.bound(0.975, 1).unwrap_or(1.0))
    }

    /// Bound below which the true share lies with 95 %, one-sided.
    pub(crate) fn at_most(self) -> f64 {
        self.bound(0.95, 1).unwrap_or(1.0)
    }

    /// As a cell of a table: share, count, interval.
    pub(crate) fn cell(self) -> String {
        if self.n == 0 {
            return "-".to_owned();
        }
        let (low, high) = self.interval();
        let percent = 100.0 * self.hits as f64 / self.n as f64;
        format!("{percent:.1} % ({} of {}; {:.1} to {:.1} %)", self.hits, self.n, 100.0 * low, 100.0 * high)
    }

    /// The same without the interval.
    pub(crate) fn short(self) -> String {
        if self.n == 0 { "-".to_owned() } else { format!("{} of {}", self.hits, self.n) }
    }
}

/// The units of the mix, in which faults are as frequent as the plan says.
fn of_mix(units: &[Unit]) -> impl Iterator<Item = &Unit> {
    units.iter().filter(|unit| !unit.added)
}

/// Every sign given in the mix: its fault, its strength, whether the fault was there.
fn given(units: &[Unit]) -> impl Iterator<Item = (&str, f64, bool)> {
    of_mix(units).flat_map(|unit| {
        unit.signs
            .iter()
            .map(|(fault, strength)| (fault.as_str(), *strength, unit.fault_name() == Some(fault.as_str())))
    })
}

/// Strengths against what was there: one pair per sign given in the mix.
pub(crate) fn claims(units: &[Unit]) -> Vec<(f64, bool)> {
    given(units).map(|(_, strength, there)| (strength, there)).collect()
}

/// Mean squared difference between strength and what was there, over every unit of the mix and every fault; a sign that was not
/// given counts as strength 0 (Brier, 1950). With it, that of always saying the share of the fault among all units.
pub(crate) fn brier(units: &[Unit]) -> (f64, f64) {
    let (mut sum, mut blind, mut n) = (0.0, 0.0, 0.0);
    for fault in drawn() {
        let name = sign_of(fault);
        let there = |unit: &Unit| f64::from(u8::from(unit.fault_name() == Some(name)));
        let share = of_mix(units).map(there).sum::<f64>() / of_mix(units).count().max(1) as f64;
        for unit in of_mix(units) {
            let strength = unit.signs.iter().find(|(given, _)| given == name).map_or(0.0, |(_, s)| *s);
            sum += (strength - there(unit)).powi(2);
            blind += (share - there(unit)).powi(2);
            n += 1.0;
        }
    }
    (sum / f64::max(n, 1.0), blind / f64::max(n, 1.0))
}

/// Each fault with the signs of it that were given in the mix at strengths of `from` to `to`: their mean strength, and the
/// share of them in which it was there.
pub(crate) fn by_fault(units: &[Unit], (from, to): (f64, f64)) -> Vec<(&'static str, Option<Bin>)> {
    let of_fault = |name: &'static str| {
        let these = given(units).filter(|(fault, strength, _)| *fault == name && (from..to).contains(strength));
        let claims: Vec<(f64, bool)> = these.map(|(_, strength, there)| (strength, there)).collect();
        (name, Bin::of(&claims))
    };
    drawn().into_iter().map(sign_of).map(of_fault).collect()
}

/// A bin of the reliability plot: mean strength, share that was there, how many.
pub(crate) struct Bin {
    pub(crate) strength: f64,
    pub(crate) share: Share,
}

impl Bin {
    /// `None` of no claims at all.
    fn of(claims: &[(f64, bool)]) -> Option<Self> {
        let n = claims.len() as u64;
        (n > 0).then(|| Self {
            strength: claims.iter().map(|(s, _)| s).sum::<f64>() / n as f64,
            share: Share { hits: claims.iter().filter(|(_, there)| *there).count() as u64, n },
        })
    }
}

/// Claims by strength, in tenths; empty bins are left out.
pub(crate) fn bins(claims: &[(f64, bool)]) -> Vec<Bin> {
    (0..10)
        .filter_map(|tenth| {
            let inside = |s: f64| s >= f64::from(tenth) / 10.0 && (s < f64::from(tenth + 1) / 10.0 || tenth == 9);
            let part: Vec<(f64, bool)> = claims.iter().copied().filter(|(s, _)| inside(*s)).collect();
            Bin::of(&part)
        })
        .collect()
}
