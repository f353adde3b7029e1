//! The page that the study writes.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use galebench::config::rig::ModuleKind;
use galebench::results::ResultName;
use galebench::units::significant;

use super::Options;
use super::tally::{Errors, Number, Unit, region};

/// Speed flat out of the load fan of `rigs/virtual.toml`, against which errors of speed are stated.
const FULL_RPM: f64 = 2600.0;
/// Thresholds of fans that scatter more than this are held against their own u.
const LITTLE_SPREAD_PCT: f64 = 0.3;

pub(crate) fn write(units: &[Unit], options: &Options) -> String {
    let own: Vec<&Unit> = units.iter().filter(|unit| unit.rig.is_none() && !unit.is_close).collect();
    let close: Vec<&Unit> = units.iter().filter(|unit| unit.is_close).collect();
    let shared: Vec<&Unit> = units.iter().filter(|unit| unit.rig.is_some()).collect();
    let mut text = String::from(INTRODUCTION);
    let _ = writeln!(
        text,
        "{} units with a bench each, {} on {} shared benches and {} against limits close to their truth; seeds from {} on. \
         Stopped early: {}.\n",
        own.len(),
        shared.len(),
        options.rigs,
        close.len(),
        options.first_seed,
        units.iter().filter(|unit| unit.stopped.is_some()).count()
    );
    targets(&mut text, &own);
    results(&mut text, &own);
    words(&mut text, &own);
    kinds(&mut text, &own);
    limits(&mut text, &close);
    benches(&mut text, &shared, options.rigs);
    absences(&mut text, &own);
    text
}

fn numbers<'a>(units: &'a [&'a Unit], name: ResultName) -> impl Iterator<Item = &'a Number> {
    units.iter().flat_map(|unit| &unit.numbers).filter(move |number| number.name == name)
}

fn verdict(holds: bool) -> &'static str {
    if holds { "yes" } else { "**no**" }
}

fn targets(text: &mut String, units: &[&Unit]) {
    text.push_str("## Accuracy asked for\n\n| what | units | RMS error | at most | holds |\n|---|---|---|---|---|\n");
    let of = |name: ResultName, which: &dyn Fn(&Unit) -> bool| {
        let chosen = units.iter().filter(|unit| which(unit)).flat_map(|unit| &unit.numbers);
        Errors::of(chosen.filter(|number| number.name == name))
    };
    let mut row = |what: &str, errors: Errors, found: f64, most: f64, unit: &str| {
        if errors.n > 0 {
            let shown = significant(found, 3);
            let _ = writeln!(
                text,
                "| {what} | {} | {shown} {unit} | {most} {unit} | {} |",
                errors.n,
                verdict(found <= most)
            );
        }
    };
    for name in [ResultName::StartDutyPct, ResultName::StopDutyPct] {
        let steady = of(name, &|unit| unit.start_spread_pct < LITTLE_SPREAD_PCT);
        row(
            &format!("`{name}`, fan scatters less than {LITTLE_SPREAD_PCT} point"),
            steady,
            steady.rms(),
            0.25,
            "point",
        );
        let loose = of(name, &|unit| unit.start_spread_pct >= LITTLE_SPREAD_PCT);
        row(&format!("`{name}`, fan scatters more"), loose, loose.z(), 1.1, "u");
    }
    let all = |_: &Unit| true;
    let saturation = of(ResultName::SaturationDutyPct, &all);
    row("`saturation_duty_pct`", saturation, saturation.rms(), 0.5, "point");
    let ramp = of(ResultName::Ramp1090S, &|unit| unit.is_smooth);
    row("`ramp_10_90_s`, smooth shapes", ramp, 100.0 * ramp.relative(), 1.5, "%");
    let speed = of(ResultName::SpeedRpm, &all);
    row("`speed_rpm`, of full speed", speed, 100.0 * speed.rms() / FULL_RPM, 0.1, "%");
    let tied = |number: &&Number| !number.is_untied;
    let ohm = Errors::of(numbers(units, ResultName::OnResistanceOhm).filter(tied));
    row("`on_resistance_ohm`, voltages tied or differential", ohm, 100.0 * ohm.relative(), 3.0, "%");
    let farad = of(ResultName::CapacitanceF, &all);
    row("`capacitance_f`", farad, 100.0 * farad.relative(), 5.0, "%");
}

/// Results of which any unit gave a number.
fn given(units: &[&Unit]) -> Vec<ResultName> {
    ResultName::ALL.iter().copied().filter(|name| numbers(units, *name).next().is_some()).collect()
}

/// Whether a count of covered intervals is one that 95 % would give; brackets may hold the truth more often.
fn is_right(covered: u64, n: u64, tests: usize, is_bracket: bool) -> bool {
    let (low, high) = region(n, tests);
    covered >= low && (is_bracket || covered <= high)
}

fn results(text: &mut String, units: &[&Unit]) {
    text.push_str(
        "\n## Every result\n\n| result | unit | given | missing | RMS error | mean error | largest | interval holds truth | should hold | right | mean u / RMS error | RMS u / RMS error | RMS of error / u |\n\
         |---|---|---|---|---|---|---|---|---|---|---|---|---|\n",
    );
    let names = given(units);
    for &name in &names {
        let errors = Errors::of(numbers(units, name));
        let is_bracket = numbers(units, name).all(|number| number.is_bracket);
        let (low, high) = region(errors.n, names.len());
        let should = if is_bracket { format!("{low} or more") } else { format!("{low} to {high}") };
        let missing = units.iter().filter(|unit| unit.absent.iter().any(|(absent, _)| *absent == name)).count() as u64;
        let share = 100.0 * missing as f64 / (missing + errors.n) as f64;
        let mark = if share > 2.0 { "**" } else { "" };
        let ratio = errors.u_over_rms();
        let odd = if is_bracket || (0.9..=1.15).contains(&ratio) { "" } else { "**" };
        let _ = writeln!(
            text,
            "| `{name}` | {} | {} | {mark}{missing}{mark} | {} | {} | {} | {} ({:.1} %) | {should} | {} | {odd}{ratio:.2}{odd} | {:.2} | {:.2} |",
            name.unit(),
            errors.n,
            significant(errors.rms(), 3),
            significant(errors.bias(), 2),
            significant(errors.worst, 3),
            errors.covered,
            100.0 * errors.covered as f64 / errors.n as f64,
            verdict(is_right(errors.covered, errors.n, names.len(), is_bracket)),
            errors.rms_u_over_rms(),
            errors.z(),
        );
    }
    text.push_str("\nBrackets (the truth lies between two duties or frequencies that were tried):\n\n");
    text.push_str("| result | mean width of the interval | widest |\n|---|---|---|\n");
    for name in names {
        let widths: Vec<f64> = numbers(units, name)
            .filter(|number| number.is_bracket)
            .map(|number| number.width.unwrap_or(f64::INFINITY))
            .collect();
        if widths.is_empty() {
            continue;
        }
        let mean = widths.iter().sum::<f64>() / widths.len() as f64;
        let widest = widths.iter().copied().fold(0.0, f64::max);
        let _ = writeln!(text, "| `{name}` | {} | {} |", significant(mean, 3), significant(widest, 3));
    }
}

fn words(text: &mut String, units: &[&Unit]) {
    text.push_str("\n## Categories\n\n| result | right | given | missing |\n|---|---|---|---|\n");
    for &name in ResultName::ALL {
        let found: Vec<bool> = units
            .iter()
            .flat_map(|unit| &unit.words)
            .filter(|(word, _)| *word == name)
            .map(|(_, right)| *right)
            .collect();
        if !found.is_empty() {
            let missing = units.iter().filter(|unit| unit.absent.iter().any(|(absent, _)| *absent == name)).count();
            let right = found.iter().filter(|right| **right).count();
            let _ = writeln!(text, "| `{name}` | {right} | {} | {missing} |", found.len());
        }
    }
}

fn kinds(text: &mut String, units: &[&Unit]) {
    let names = given(units);
    let tests = names.len() * ModuleKind::ALL.len();
    text.push_str(
        "\n## By kind\n\nIntervals that hold the truth of those given; bold where 95 % would not give such a count.\n",
    );
    by_kind(text, units, &|errors, is_bracket| {
        let mark = if is_right(errors.covered, errors.n, tests, is_bracket) { "" } else { "**" };
        format!("{mark}{}/{}{mark}", errors.covered, errors.n)
    });
    text.push_str("\nMean u over RMS error; bold outside 0.9 to 1.15.\n");
    by_kind(text, units, &|errors, is_bracket| {
        let ratio = errors.u_over_rms();
        let mark = if errors.n == 0 || is_bracket || (0.9..=1.15).contains(&ratio) { "" } else { "**" };
        if errors.n == 0 { String::new() } else { format!("{mark}{ratio:.2}{mark}") }
    });
}

/// A table with a row for each result and a column for each kind.
fn by_kind(text: &mut String, units: &[&Unit], cell: &dyn Fn(&Errors, bool) -> String) {
    text.push_str("\n| result |");
    for kind in ModuleKind::ALL {
        let _ = write!(text, " {} |", kind.name());
    }
    let _ = writeln!(text, "\n|---|{}", "---|".repeat(ModuleKind::ALL.len()));
    for name in given(units) {
        let _ = write!(text, "| `{name}` |");
        for &kind in ModuleKind::ALL {
            let of_kind: Vec<&Unit> = units.iter().copied().filter(|unit| unit.kind == kind.name()).collect();
            let is_bracket = numbers(&of_kind, name).all(|number| number.is_bracket);
            let _ = write!(text, " {} |", cell(&Errors::of(numbers(&of_kind, name)), is_bracket));
        }
        text.push('\n');
    }
}

fn limits(text: &mut String, units: &[&Unit]) {
    if units.is_empty() {
        return;
    }
    text.push_str(
        "\n## Near limits\n\nUnits with limits drawn within 2.5 u of their truth, so that limits stay open, are looked at again and all \
         data pooled: counted is what then lies within three u of its limit.\n\n\
         | result | units | interval holds truth | should hold | right |\n|---|---|---|---|---|\n",
    );
    let names: Vec<ResultName> =
        given(units).into_iter().filter(|name| numbers(units, *name).any(|number| number.is_near_limit)).collect();
    for &name in &names {
        let errors = Errors::of(numbers(units, name).filter(|number| number.is_near_limit));
        let is_bracket = numbers(units, name).all(|number| number.is_bracket);
        let (low, high) = region(errors.n, names.len());
        let right = verdict(is_right(errors.covered, errors.n, names.len(), is_bracket));
        let _ = writeln!(text, "| `{name}` | {} | {} | {low} to {high} | {right} |", errors.n, errors.covered);
    }
}

fn benches(text: &mut String, units: &[&Unit], rigs: u64) {
    if units.is_empty() {
        return;
    }
    text.push_str("\n## Many units on one bench\n\nWhat the bench gets wrong, it gets wrong on every unit: mean error over mean u on each bench, and intervals that hold the truth.\n\n| result |");
    for rig in 1..=rigs {
        let _ = write!(text, " bench {rig} |");
    }
    let _ = writeln!(text, " all |\n|---|{}---|", "---|".repeat(rigs as usize));
    for name in given(units) {
        let _ = write!(text, "| `{name}` |");
        for rig in 0..rigs {
            let on_it: Vec<&Unit> = units.iter().copied().filter(|unit| unit.rig == Some(rig)).collect();
            let errors = Errors::of(numbers(&on_it, name));
            let shift = errors.bias() / (errors.u_over_rms() * errors.rms());
            let _ = write!(text, " {shift:+.2} ({}/{}) |", errors.covered, errors.n);
        }
        let all = Errors::of(numbers(units, name));
        let _ = writeln!(text, " {}/{} |", all.covered, all.n);
    }
}

fn absences(text: &mut String, units: &[&Unit]) {
    let mut reasons: Vec<(ResultName, &str, u64)> = Vec::new();
    for (name, why) in units.iter().flat_map(|unit| &unit.absent) {
        match reasons.iter_mut().find(|(known, reason, _)| known == name && reason == why) {
            Some(entry) => entry.2 += 1,
            None => reasons.push((*name, why, 1)),
        }
    }
    reasons.sort_by(|a, b| (b.2, a.0, a.1).cmp(&(a.2, b.0, b.1)));
    let mut beyond: BTreeMap<ResultName, u64> = BTreeMap::new();
    for name in units.iter().flat_map(|unit| &unit.beyond) {
        *beyond.entry(*name).or_default() += 1;
    }
    if !beyond.is_empty() {
        text.push_str("\n## Beyond what is tried\n\nUnits whose true value the plan does not reach; they say so and are not missing.\n\n");
        for (name, count) in beyond {
            let _ = writeln!(text, "- `{name}`, {count}");
        }
    }
    if reasons.is_empty() {
        return;
    }
    text.push_str("\n## Missing\n\nThe thirty most frequent reasons of units that can give the result.\n\n");
    for (name, why, count) in reasons.iter().take(30) {
        let _ = writeln!(text, "- `{name}`, {count}: {why}");
    }
}

const INTRODUCTION: &str = "# Coverage on the virtual bench

Written by `cargo run --release --example coverage`; do not edit.

Healthy units of all kinds, each drawn within its kind, run the full plan (`test-plans/full.toml`) on `rigs/virtual.toml`.
Every unit of the first group has a bench of its own, whose errors are drawn from the uncertainties that the rig file states.
The analysis never sees the truth; it is worked out from the plant afterwards, at the duty, frequency and temperatures of the measurement.
`should hold`: counts that are compatible with 95 %, exact binomial, 99 % over all results together (Bonferroni). A bracket may hold the truth more often.
`mean u / RMS error` is under 1 where kinds of units have a u of different size, however right each is; `RMS u / RMS error` is not.
Bold: outside what is asked for.

";
