//! What a report shows, with wording and rounding already chosen: shared by the HTML and the text renderer.

use crate::results::{
    Carried, Document, Evidence, Fitted, Grade, HotDay, LoadFan, Measured, Nature, Outcome, ResultName, RiskKind,
    RiskRule, StartsCompared, Stopped, StoppedBy,
};
use crate::units::{for_people, rounded_together, significant};

/// The grade as shown: never by colour alone.
pub(super) struct GradeView {
    /// The word, or what stands in its place.
    pub(super) word: &'static str,
    /// A symbol of its own per grade.
    pub(super) symbol: &'static str,
    /// What to do, in one sentence.
    pub(super) advice: &'static str,
}

/// Grade of a document.
pub(super) fn grade(document: &Document) -> GradeView {
    match document.verdict.as_ref().map(|verdict| verdict.grade) {
        Some(Grade::Fit) => GradeView { word: "fit", symbol: "✔", advice: "Fit it, within the load stated." },
        Some(Grade::Restricted) => {
            GradeView { word: "restricted", symbol: "▲", advice: "Fit it only within every bound stated." }
        }
        Some(Grade::Undecided) => {
            GradeView { word: "undecided", symbol: "?", advice: "Do not fit it yet: not enough is known." }
        }
        Some(Grade::Scrap) => GradeView { word: "scrap", symbol: "✖", advice: "Do not fit it." },
        None => GradeView { word: "no verdict", symbol: "–", advice: "This run grades nothing." },
    }
}

/// Why the grade is what it is; for no verdict, why there is none.
pub(super) fn reasons(document: &Document) -> Vec<String> {
    match (&document.verdict, &document.stopped) {
        (Some(verdict), _) => verdict.reasons.clone(),
        (None, Some(stopped)) => vec![stopped_words(stopped)],
        (None, None) => vec!["no plan and rig with it, so nothing was asked of the unit".to_owned()],
    }
}

/// Who stopped the run, when and why.
pub(super) fn stopped_words(stopped: &Stopped) -> String {
    let by = match stopped.by {
        StoppedBy::Unit => "the unit",
        StoppedBy::Rig => "the rig",
        StoppedBy::Record => "the record, which could not be kept",
        StoppedBy::Host => "the computer or this program",
        StoppedBy::Operator => "the operator",
    };
    format!("stopped at {:.1} s by {by}: {}", stopped.t_s, stopped.cause)
}

/// How often the unit was run before: nobody retests until a unit passes without it being seen.
pub(super) fn earlier_words(document: &Document) -> Option<String> {
    Some(match document.earlier_runs? {
        0 => "first run of this unit".to_owned(),
        1 => "1 earlier run of this unit".to_owned(),
        n => format!("{n} earlier runs of this unit"),
    })
}

/// The risk as a phrase.
pub(super) fn risk_words(document: &Document) -> Option<String> {
    let risk = document.verdict.as_ref()?.risk?;
    let shown = if risk < 0.001 {
        "under 0.1 %".to_owned()
    } else if risk > 0.999 {
        "over 99.9 %".to_owned()
    } else {
        format!("{} %", significant(100.0 * risk, 2))
    };
    Some(format!("probability that it breaks a limit of the plan: {shown}"))
}

/// The decision rule in one sentence.
pub(super) fn rule_words(rule: &RiskRule) -> String {
    let share = format!("{} %", significant(100.0 * rule.accepted, 3));
    let of = match rule.kind {
        RiskKind::Specific => format!("of units that break a limit at most {share} may be passed"),
        RiskKind::Global => format!("at most {share} of all units may break a limit and be passed"),
    };
    let looks = match rule.looks {
        0 | 1 => "one look".to_owned(),
        n => format!("spent over up to {n} looks"),
    };
    format!("Risk accepted by the plan ({}): {of}; {looks}.", rule.kind.word())
}

/// One line of the table that tells how a limit was judged.
pub(super) struct DecisionRow {
    pub(super) name: ResultName,
    pub(super) look: u32,
    pub(super) risk: String,
    /// The limit, with which end it is.
    pub(super) limit: String,
    pub(super) expanded_u: String,
    pub(super) r: String,
    pub(super) guard_band: String,
    pub(super) accepted: String,
    pub(super) value: String,
    pub(super) outcome: Option<Outcome>,
}

/// How each limit on a number was judged, one line per end of its range, in the order in which people read results.
pub(super) fn decision_rows(document: &Document) -> Vec<DecisionRow> {
    let Some(verdict) = &document.verdict else { return Vec::new() };
    let rows = ResultName::ALL.iter().filter_map(|name| Some((*name, verdict.decisions.get(name)?)));
    rows.flat_map(|(name, decision)| {
        let ends = [("at least", decision.min), ("at most", decision.max)];
        ends.into_iter().filter_map(move |(what, guard)| {
            let guard = guard?;
            let (factor, unit) = for_people(name.unit(), guard.limit);
            let shown =
                |value: f64, digits| format!("{} {unit}", significant(value * factor, digits)).trim_end().to_owned();
            Some(DecisionRow {
                name,
                look: decision.look,
                risk: format!("{} %", significant(100.0 * decision.risk, 3)),
                limit: format!("{what} {}", shown(guard.limit, 6)),
                expanded_u: shown(guard.expanded_u, 2),
                r: format!("{:.2}", guard.r),
                guard_band: shown(guard.guard_band, 2),
                accepted: shown(guard.accepted, 4),
                value: document.results.get(&name).map(Measured::shown).unwrap_or_default(),
                outcome: verdict.limits.get(&name).copied(),
            })
        })
    })
    .collect()
}

/// What a hot day does, in one line per soaked duty.
pub(super) fn hot_days(document: &Document) -> Vec<String> {
    let day = |day: &HotDay| {
        let end = |end: Option<f64>| end.map_or("open".to_owned(), |c| format!("{c:.0}"));
        let amps = day.supply_a.map_or(String::new(), |amps| format!(" ({amps:.1} A)"));
        let most = day.most_ambient_c.map_or("the soak was too short to say up to which".to_owned(), |most| {
            format!("below {:.0} °C up to {:.0} °C", day.highest_case_c, most.floor())
        });
        format!(
            "at {:.0} % duty{amps}: case {:.0} °C in air of {:.0} °C (95 %: {} to {}); {most}",
            day.duty_pct,
            day.case_c,
            day.ambient_c,
            end(day.interval[0]),
            end(day.interval[1]),
        )
    };
    document.hot_day.iter().map(day).collect()
}

/// What the unit did under stress, in one line per stage that was run.
pub(super) fn under_stress(document: &Document) -> Vec<String> {
    let found = |name: ResultName| document.results.get(&name);
    let note = |measured: &Measured| measured.note.clone().unwrap_or_default();
    let also = |name: ResultName, words: &str| {
        found(name).map_or(String::new(), |measured| format!("; {words} {}", measured.shown()))
    };
    let warm = found(ResultName::HotRestart).map(|word| {
        let delay = also(ResultName::HotDelayS, "delay");
        let peak = also(ResultName::HotInrushRatio, "peak over that of the cold start");
        format!("Started again while warm: {}. {}{delay}{peak}.", word.shown(), capitalised(&note(word)))
    });
    let again = found(ResultName::StartFailurePct).map(|share| {
        let scatter = also(ResultName::StartDelaySdS, "the delay scatters by");
        format!("Starts in a row, failed: {}{scatter}.", note(share))
    });
    let input = found(ResultName::CapacitanceChangePct).map(|change| {
        format!("Input capacitance while warm: {} against the cold one; {}.", change.shown(), note(change))
    });
    let dips = found(ResultName::SupplyDip).map(|word| {
        let ridden = also(ResultName::DipRiddenV, "ridden through down to");
        format!("Dips of the supply: {}. {}{ridden}.", word.shown(), capitalised(&note(word)))
    });
    let cranked =
        found(ResultName::Crank).map(|word| format!("Cranking: {}. {}.", word.shown(), capitalised(&note(word))));
    let end = |out: ResultName, back: ResultName, words: &str| {
        let returns = also(back, "back at");
        found(out).map(|out| format!("At a {words} supply voltage: off at {}{returns}.", out.shown()))
    };
    let low = end(ResultName::CutOutLowV, ResultName::CutInLowV, "low");
    let high = end(ResultName::CutOutHighV, ResultName::CutInHighV, "high");
    let stall = found(ResultName::Stall).map(|word| {
        let limit = also(ResultName::StallLimitA, "current");
        let cut = also(ResultName::StallCutOffS, "cut off after");
        let retry = also(ResultName::StallRetryS, "tries again after");
        format!("On a load that stands: {}. {}{limit}{cut}{retry}.", word.shown(), capitalised(&note(word)))
    });
    [warm, again, input, dips, cranked, low, high, stall].into_iter().flatten().collect()
}

/// What the prediction leaves out.
pub(super) const BENCH_AIR: &str = "The airflow of the bench is not that behind a radiator: a sheltered place is hotter, a blown one cooler than this says.";

/// One of the numbers on the label.
pub(super) struct LabelNumber {
    /// What it is.
    pub(super) what: &'static str,
    /// Value with unit, or a dash.
    pub(super) value: String,
    /// Conditions, or why it is missing.
    pub(super) note: String,
}

/// The six numbers of the label, in their order.
pub(super) fn label_numbers(document: &Document) -> Vec<LabelNumber> {
    vec![
        measured_number(document, "starts from (95 of 100 tries)", ResultName::StartDuty95Pct, ""),
        measured_number(document, "flat out from", ResultName::SaturationDutyPct, ""),
        measured_number(document, "soft start, 10 to 90 %", ResultName::Ramp1090S, ""),
        carried_number(document.carried.as_ref()),
        measured_number(document, "lost in the module flat out", ResultName::DropV, &drop_current(document)),
        measured_number(document, "asleep it draws", ResultName::SleepA, ""),
    ]
}

fn measured_number(document: &Document, what: &'static str, name: ResultName, at: &str) -> LabelNumber {
    match document.results.get(&name) {
        Some(measured) if measured.is_bound() => {
            LabelNumber { what, value: bound_words(measured), note: "a bound only".to_owned() }
        }
        Some(measured) => {
            let note = if measured.is_proxy() { "by a stand-in" } else { at };
            LabelNumber { what, value: brief(measured), note: note.to_owned() }
        }
        None => {
            let why = document.absent.get(&name).map_or("not measured", String::as_str);
            LabelNumber { what, value: "—".to_owned(), note: why.to_owned() }
        }
    }
}

/// A value for the label: three digits are all that a fitter uses.
fn brief(measured: &Measured) -> String {
    let Some(value) = measured.as_number() else { return measured.shown() };
    let (factor, unit) = for_people(&measured.unit, value);
    format!("{} {unit}", significant(value * factor, 3)).trim_end().to_owned()
}

fn carried_number(carried: Option<&Carried>) -> LabelNumber {
    let what = "carried without a break";
    let Some(load) = carried else {
        return LabelNumber { what, value: "—".to_owned(), note: "never seen under load".to_owned() };
    };
    let volts = load.supply_v.map_or(String::new(), |v| format!(" and {v:.1} V"));
    LabelNumber {
        what,
        value: format!("{:.1} A for {}", load.supply_a, minutes(load.seconds)),
        note: format!("at {:.0} % duty{volts}", load.duty_pct),
    }
}

/// The current at which the drop was taken, from drop and resistance.
fn drop_current(document: &Document) -> String {
    let number = |name| document.results.get(&name).and_then(Measured::as_number);
    match (number(ResultName::DropV), number(ResultName::OnResistanceOhm)) {
        (Some(drop_v), Some(ohm)) if ohm > 0.0 => format!("at {:.1} A", drop_v / ohm),
        _ => String::new(),
    }
}

/// What the soft start saves against a hard start of the same fan, in amperes, sag and heat.
pub(super) fn start_words(starts: &StartsCompared) -> String {
    let hard = starts.hard_peak_a;
    format!(
        "The soft start peaks at {:.0} A where a hard start of this fan would draw {:.0} A (u {:.1} A): it saves {:.0} A \
         and {:.2} V of sag ({:.2} V for {:.2} V). Heat in copper, module and supply until 95 % of the speed: {:.0} J for \
         {:.0} J.",
        starts.soft_peak_a,
        hard.value,
        hard.u,
        hard.value - starts.soft_peak_a,
        starts.hard_sag_v - starts.soft_sag_v,
        starts.soft_sag_v,
        starts.hard_sag_v,
        starts.soft_heat_j,
        starts.hard_heat_j,
    )
}

/// Value and standard uncertainty rounded together; empty where there is none.
pub(super) fn with_u(found: Option<Fitted>) -> String {
    found.map_or_else(String::new, |found| {
        let (value, u) = rounded_together(found.value, found.u);
        format!("{value} ± {u}")
    })
}

/// Lines of the table of the load fan: what, value and u with unit.
pub(super) fn fan_rows(fan: &LoadFan) -> Vec<(&'static str, String, String)> {
    let row = |what, fitted: Option<Fitted>, factor: f64, unit: &str| {
        let fitted = fitted?;
        let (value, u) = rounded_together(fitted.value * factor, fitted.u * factor);
        Some((what, format!("{value} {unit}"), format!("{u} {unit}")))
    };
    [
        row("resistance of armature and brushes", Some(fan.resistance_ohm), 1e3, "mOhm"),
        row("back-EMF constant", fan.ke_v_s, 1e3, "mV.s/rad"),
        row("moment of inertia", fan.inertia_kg_m2, 1e3, "g.m²"),
        row("air torque over speed squared", fan.air_nm_s2, 1e6, "µN.m.s²"),
        row("copper at the end of the soak", fan.copper_c, 1.0, "°C"),
    ]
    .into_iter()
    .flatten()
    .collect()
}

/// A phrase as a sentence.
pub(super) fn sentence(words: &str) -> String {
    format!("{}.", capitalised(words))
}

fn capitalised(words: &str) -> String {
    let mut chars = words.chars();
    let first = chars.next().map(|c| c.to_uppercase().collect::<String>()).unwrap_or_default();
    format!("{first}{}", chars.as_str())
}

/// A time as minutes from one minute on, else as seconds.
pub(super) fn minutes(seconds: f64) -> String {
    if seconds >= 60.0 { format!("{:.1} min", seconds / 60.0) } else { format!("{seconds:.0} s") }
}

/// The facts of the label beside the six numbers.
pub(super) fn label_facts(document: &Document) -> Vec<(&'static str, String)> {
    let shown = |name: ResultName| match document.results.get(&name) {
        Some(measured) => brief(measured),
        None => "not known".to_owned(),
    };
    vec![
        ("active level", shown(ResultName::ActiveLevel)),
        ("frequency tested", shown(ResultName::CommandHz)),
        ("an open line", open_line(document)),
    ]
}

/// What an open line does, as a sentence part.
fn open_line(document: &Document) -> String {
    match document.results.get(&ResultName::LossOpen).and_then(Measured::as_word) {
        Some("stops") => "stops the fan".to_owned(),
        Some("full") => "runs the fan flat out".to_owned(),
        Some("holds") => "leaves the fan at its speed".to_owned(),
        Some(_) => "does something else, see the results".to_owned(),
        None => "not known".to_owned(),
    }
}

/// One line of the table of results.
pub(super) struct Row {
    pub(super) name: ResultName,
    /// Value with unit.
    pub(super) value: String,
    /// Standard uncertainty with unit; empty for words.
    pub(super) u: String,
    /// 95 % interval with unit; empty for words.
    pub(super) interval: String,
    /// Outcome of its limit; `None` without a limit.
    pub(super) outcome: Option<Outcome>,
    pub(super) method: String,
    pub(super) n: u64,
    pub(super) note: String,
}

/// Lines for all measured results, in the order in which people read them.
pub(super) fn rows(document: &Document) -> Vec<Row> {
    let limits = document.verdict.as_ref().map(|verdict| &verdict.limits);
    let row = |name: &ResultName| {
        let measured = document.results.get(name)?;
        let (u, interval) = spread(measured);
        Some(Row {
            name: *name,
            value: measured.shown(),
            u,
            interval,
            outcome: limits.and_then(|limits| limits.get(name).copied()),
            method: measured.method.replace('_', " "),
            n: measured.n,
            note: measured.note.clone().unwrap_or_default(),
        })
    };
    ResultName::ALL.iter().filter_map(row).collect()
}

/// Standard uncertainty and interval in the same unit and with as many decimals as the value.
fn spread(measured: &Measured) -> (String, String) {
    let Some(value) = measured.as_number() else { return (String::new(), String::new()) };
    let (factor, unit) = for_people(&measured.unit, value);
    let (text, u_text) = rounded_together(value * factor, measured.u.unwrap_or(0.0) * factor);
    let decimals = text.split_once('.').map_or(0, |(_, digits)| digits.len());
    let end = |x: Option<f64>| x.map_or("open".to_owned(), |x| format!("{:.decimals$}", x * factor));
    let with_unit = |text: String| format!("{text} {unit}").trim_end().to_owned();
    let u = measured.u.map_or(String::new(), |_| with_unit(u_text));
    let interval =
        measured.interval.map_or(String::new(), |[low, high]| with_unit(format!("{} to {}", end(low), end(high))));
    (u, interval)
}

/// A bound as a phrase: `below 50 mA`.
fn bound_words(measured: &Measured) -> String {
    let shown = |x: f64| {
        let (factor, unit) = for_people(&measured.unit, x);
        format!("{} {unit}", significant(x * factor, 3)).trim_end().to_owned()
    };
    match measured.interval {
        Some([None, Some(high)]) => format!("below {}", shown(high)),
        Some([Some(low), None]) => format!("above {}", shown(low)),
        _ => measured.shown(),
    }
}

/// Outcome as a word with a symbol of its own.
pub(super) fn outcome_words(outcome: Outcome) -> &'static str {
    match outcome {
        Outcome::Meets => "✔ meets",
        Outcome::Fails => "✖ fails",
        Outcome::Open => "? open",
    }
}

/// Nature of a contribution to a budget, in words.
pub(super) fn nature(nature: Nature) -> &'static str {
    match nature {
        Nature::Random => "random",
        Nature::Lasting => "shared by this run",
        Nature::Common => "common to the rig",
    }
}

/// A reading that speaks for a sign, beside what sound ones show.
pub(super) fn evidence(reading: &Evidence) -> String {
    let typical = reading.sound.iter().flatten().copied().fold(reading.value, f64::max);
    let (factor, unit) = for_people(&reading.unit, typical);
    let shown = |v: f64| format!("{} {unit}", significant(v * factor, 3)).trim_end().to_owned();
    let what = ResultName::from_name(&reading.what).map_or(reading.what.as_str(), |name| name.words());
    let sound = match reading.sound {
        [Some(low), Some(high)] => format!("; sound ones {} to {}", shown(low), shown(high)),
        [Some(low), None] => format!("; sound ones at least {}", shown(low)),
        [None, Some(high)] => format!("; sound ones at most {}", shown(high)),
        [None, None] => String::new(),
    };
    format!("{what}: {}{sound}", shown(reading.value))
}

/// Results of the contract that are absent, with the reason.
pub(super) fn absent(document: &Document) -> Vec<(ResultName, String)> {
    ResultName::ALL.iter().filter_map(|name| document.absent.get(name).map(|why| (*name, why.clone()))).collect()
}
