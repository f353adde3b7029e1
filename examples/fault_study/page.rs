//! The page that the study writes.

use std::collections::BTreeMap;
use std::fmt::Write as _;

use galebench::results::Grade;
use galebench::verdict::STRONG;

use super::count::{Bin, Share, Unit, bins, brier, by_fault, claims, sign_of};
use super::draw::{Origin, Trouble, drawn};

/// The whole page.
pub(crate) fn write(played: Vec<Unit>, first_seed: u64) -> String {
    let mut text = String::from(INTRODUCTION);
    let (last, all) = (first_seed + (played.len() as u64).saturating_sub(1), played.len());
    let added = played.iter().filter(|unit| unit.added).count();
    let (refused, units): (Vec<Unit>, Vec<Unit>) = played.into_iter().partition(|unit| unit.refused);
    let units = &units[..];
    let faulty = units.iter().filter(|unit| unit.fault.is_some()).count();
    let per_fault = faulty / drawn().len();
    let _ = writeln!(
        text,
        "This page: {all} units (seeds {first_seed} to {last}). {} benches were refused before power for noise that is not as stated;",
        refused.len()
    );
    let _ = writeln!(
        text,
        "nobody saw the units on them, and they are in no table. Of the other {}, {faulty} have one fault, {per_fault} or so of each.\n",
        units.len()
    );
    if added > 0 {
        let _ = writeln!(
            text,
            "The last {added} are added to the mix, with one fault each, so that every fault is there often enough: they count where faults are caught and named, and not where strengths are compared with how often a fault was there.\n"
        );
    }
    reached(&mut text, units);
    caught(&mut text, units);
    let_through(&mut text, units);
    named(&mut text, units);
    on_a_bus(&mut text, units);
    benches(&mut text, units);
    strengths(&mut text, units);
    missed(&mut text, units);
    text
}

/// What is asked of the program, and what this study says of it.
fn reached(text: &mut String, units: &[Unit]) {
    let bad = || units.iter().filter(|unit| unit.is_bad());
    let good = || units.iter().filter(|unit| unit.is_good());
    let missed = Share::of(bad(), |unit| unit.is_graded(Grade::Fit));
    let _ = writeln!(text, "| asked for | reached |\n|---|---|");
    let _ = writeln!(
        text,
        "| of bad units, 99 % not passed as `fit` | {:.2} % not passed: {} passed; of such units at most {:.2} % are, one-sided 95 % |",
        100.0 * (1.0 - missed.hits as f64 / missed.n.max(1) as f64),
        missed.short(),
        100.0 * missed.at_most()
    );
    let scrap = Share::of(good(), |unit| unit.is_graded(Grade::Scrap));
    let _ = writeln!(text, "| of good units, under 1 % called bad | {} |", scrap.cell());
    let undecided = Share::of(good(), |unit| unit.is_graded(Grade::Undecided));
    let _ = writeln!(text, "| of good units, at most 5 % `undecided` | {} |", undecided.cell());
    let faulty = units.iter().filter(|unit| unit.fault.is_some() && unit.is_bad() && unit.is_judged());
    let named = Share::of(faulty, |unit| unit.named() == unit.fault_name());
    let _ = writeln!(
        text,
        "| of units with a fault that are bad, 95 % with the right fault named first | {} |\n",
        named.cell()
    );
}

fn caught(text: &mut String, units: &[Unit]) {
    let bad = || units.iter().filter(|unit| unit.is_bad());
    let not_fit = |unit: &Unit| !unit.is_graded(Grade::Fit);
    let _ = writeln!(text, "## Are bad units caught?\n");
    let _ =
        writeln!(text, "Truly beyond a limit by U and not passed as `fit`: {}.\n", Share::of(bad(), not_fit).cell());
    let _ = writeln!(text, "| of these | not passed as `fit` |\n|---|---|");
    for origin in Origin::OF_PULSES {
        let cell = Share::of(bad().filter(|unit| unit.origin == origin), not_fit).cell();
        let _ = writeln!(text, "| {} | {cell} |", origin.words());
    }
    for trouble in Trouble::ALL {
        let cell = Share::of(bad().filter(|unit| unit.trouble == trouble), not_fit).cell();
        let _ = writeln!(text, "| bench: {} | {cell} |", trouble.words());
    }
    let _ = writeln!(
        text,
        "\n| fault put in | units | beyond a limit | of these not `fit` | not `fit` at severity under 1/3 | to 2/3 | above |\n|---|---|---|---|---|---|---|"
    );
    for fault in drawn() {
        let all = || units.iter().filter(move |unit| unit.fault.is_some_and(|(put, _)| put == fault));
        let third = |which: f64| {
            let within = move |unit: &&Unit| unit.fault.is_some_and(|(_, s)| ((3.0 * s) as u32).min(2) == which as u32);
            Share::of(all().filter(within), not_fit).short()
        };
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {} | {} |",
            sign_of(fault),
            all().count(),
            all().filter(|unit| unit.is_bad()).count(),
            Share::of(all().filter(|unit| unit.is_bad()), not_fit).short(),
            third(0.0),
            third(1.0),
            third(2.0)
        );
    }
    text.push('\n');
}

fn let_through(text: &mut String, units: &[Unit]) {
    let good = || units.iter().filter(|unit| unit.is_good());
    let _ = writeln!(text, "## Are good units let through?\n");
    let _ = writeln!(
        text,
        "Units without a fault and with no true value beyond a limit. `scrap` is calling a good unit bad; no verdict means that the bench, not the unit, ended the run.\n"
    );
    let _ = writeln!(
        text,
        "| good units | `fit` | `restricted` | `undecided` | `scrap` | no verdict |\n|---|---|---|---|---|---|"
    );
    let mut row = |words: &str, wanted: &dyn Fn(&Unit) -> bool| {
        let share = |grade: Option<Grade>| Share::of(good().filter(|unit| wanted(unit)), |unit| unit.grade == grade);
        let _ = writeln!(
            text,
            "| {words} | {} | {} | {} | {} | {} |",
            share(Some(Grade::Fit)).short(),
            share(Some(Grade::Restricted)).short(),
            share(Some(Grade::Undecided)).cell(),
            share(Some(Grade::Scrap)).cell(),
            share(None).short()
        );
    };
    row("all", &|_| true);
    for origin in Origin::OF_PULSES {
        row(origin.words(), &|unit| unit.origin == origin);
    }
    for trouble in Trouble::ALL {
        row(&format!("bench: {}", trouble.words()), &|unit| unit.trouble == trouble);
    }
    text.push('\n');
}

fn named(text: &mut String, units: &[Unit]) {
    let faulty = || units.iter().filter(|unit| unit.fault.is_some() && unit.is_judged());
    let right = |unit: &Unit| unit.named() == unit.fault_name();
    let _ = writeln!(text, "## Is the right fault named first?\n");
    let unjudged = units.iter().filter(|unit| unit.fault.is_some() && !unit.is_judged()).count();
    let _ = writeln!(text, "Left out here: {unjudged} units whose run the bench ended (a supply that broke down).\n");
    let _ = writeln!(text, "| units with a fault | right fault named first |\n|---|---|");
    let _ = writeln!(text, "| and beyond a limit | {} |", Share::of(faulty().filter(|u| u.is_bad()), right).cell());
    for origin in Origin::OF_PULSES {
        let these = faulty().filter(|unit| unit.is_bad() && unit.origin == origin);
        let _ = writeln!(text, "| of these {} | {} |", origin.words(), Share::of(these, right).cell());
    }
    for trouble in Trouble::ALL {
        let these = faulty().filter(|unit| unit.is_bad() && unit.trouble == trouble);
        let _ = writeln!(text, "| of these on a bench: {} | {} |", trouble.words(), Share::of(these, right).cell());
    }
    let _ = writeln!(text, "| all, the barely visible ones too | {} |\n", Share::of(faulty(), right).cell());
    let _ = writeln!(text, "Fault put in (rows, all severities), and what was named first:\n");
    let mut table: BTreeMap<&str, BTreeMap<String, u64>> = BTreeMap::new();
    for unit in units.iter().filter(|unit| unit.is_judged()) {
        let row = table.entry(unit.fault_name().unwrap_or("none")).or_default();
        *row.entry(unit.named().unwrap_or("nothing").to_owned()).or_default() += 1;
    }
    let _ = writeln!(text, "| fault | right | other | nothing |\n|---|---|---|---|");
    for (fault, row) in &table {
        let right = row.get(*fault).copied().unwrap_or_default();
        let nothing = row.get("nothing").copied().unwrap_or_default();
        let mut others: Vec<(&String, &u64)> =
            row.iter().filter(|(name, _)| name.as_str() != *fault && name.as_str() != "nothing").collect();
        others.sort_by(|a, b| b.1.cmp(a.1).then_with(|| a.0.cmp(b.0)));
        let others: Vec<String> = others.iter().map(|(name, n)| format!("{name} {n}")).collect();
        let _ = writeln!(text, "| {fault} | {right} | {} | {nothing} |", others.join(", "));
    }
    text.push('\n');
}

/// Modules that are none of the plan's business, and silent.
fn on_a_bus(text: &mut String, units: &[Unit]) {
    let all = || units.iter().filter(|unit| unit.origin == Origin::Bus);
    let graded = |grade: Grade| Share::of(all(), |unit| unit.is_graded(grade)).short();
    let _ = writeln!(text, "## Are modules of another kind of command left alone?\n");
    let _ = writeln!(
        text,
        "One unit in fifty is sound, takes its command from a bus (half of them LIN, half CAN) and answers no pulses. Nobody can say more of it on this bench than that it is silent:"
    );
    let _ = writeln!(
        text,
        "`undecided` {}, `scrap` {}, `fit` or `restricted` {}. They count neither as good nor as bad; by fault put in they are among `none`.\n",
        graded(Grade::Undecided),
        graded(Grade::Scrap),
        Share::of(all(), |unit| unit.is_graded(Grade::Fit) || unit.is_graded(Grade::Restricted)).short()
    );
}

/// Signs of the bench from this strength on count as given.
const GIVEN: f64 = 0.5;

fn benches(text: &mut String, units: &[Unit]) {
    let _ = writeln!(text, "## Are the bench's own troubles told apart from the unit's?\n");
    let _ = writeln!(text, "Signs of the bench of strength {GIVEN} and more, by what is wrong on it:\n");
    let _ = writeln!(
        text,
        "| bench | units | load fan worn | supply weak or a bad contact | supply in its current limit | none |\n|---|---|---|---|---|---|"
    );
    for trouble in Trouble::ALL {
        let all: Vec<&Unit> = units.iter().filter(|unit| unit.trouble == trouble).collect();
        let with = |words: &str| {
            let given = |unit: &&&Unit| unit.bench_signs.iter().any(|(name, s)| *s >= GIVEN && name.starts_with(words));
            all.iter().filter(given).count()
        };
        let none = all.iter().filter(|unit| unit.bench_signs.iter().all(|(_, s)| *s < GIVEN)).count();
        let _ = writeln!(
            text,
            "| {} | {} | {} | {} | {} | {none} |",
            trouble.words(),
            all.len(),
            with("load fan"),
            with("supply weak"),
            with("supply in its"),
        );
    }
    let _ = writeln!(
        text,
        "\nWear is drawn evenly from none at all; a supply limit above what the fan draws cannot show.\n"
    );
}

fn strengths(text: &mut String, units: &[Unit]) {
    let claims = claims(units);
    let (ours, blind) = brier(units);
    let _ = writeln!(text, "## Do strengths mean what they say?\n");
    let _ = writeln!(
        text,
        "Brier score over every unit and fault: {ours:.5}; always saying the share of each fault would score {blind:.5}.\n"
    );
    let _ = writeln!(text, "![Share of signs whose fault was there, by strength](fault-study.svg)\n");
    let _ = writeln!(text, "| mean strength | fault was there |\n|---|---|");
    for bin in bins(&claims) {
        let _ = writeln!(text, "| {:.2} | {} |", bin.strength, bin.share.cell());
    }
    let _ = writeln!(text, "\nBy fault, signs under {STRONG} and from there on:\n");
    let _ = writeln!(
        text,
        "| sign | mean strength under {STRONG} | fault was there | mean strength above | fault was there |\n|---|---|---|---|---|"
    );
    let cells =
        |bin: Option<Bin>| bin.map_or("- | -".to_owned(), |bin| format!("{:.2} | {}", bin.strength, bin.share.cell()));
    let (weak, strong) = (by_fault(units, (0.0, STRONG)), by_fault(units, (STRONG, f64::INFINITY)));
    for ((fault, weak), (_, strong)) in weak.into_iter().zip(strong) {
        let _ = writeln!(text, "| {fault} | {} | {} |", cells(weak), cells(strong));
    }
    text.push('\n');
}

/// How many of the units that slipped through are listed.
const LISTED: usize = 20;

fn missed(text: &mut String, units: &[Unit]) {
    let slipped: Vec<&Unit> = units.iter().filter(|unit| unit.is_bad() && unit.is_graded(Grade::Fit)).collect();
    let scrapped: Vec<&Unit> = units.iter().filter(|unit| unit.is_good() && unit.is_graded(Grade::Scrap)).collect();
    let _ = writeln!(text, "## What went wrong\n");
    let about = |unit: &Unit| {
        let fault = unit.fault.map_or("no fault".to_owned(), |(f, s)| format!("{} {:.0} %", sign_of(f), 100.0 * s));
        let of = match unit.origin {
            Origin::Known => unit.kind.clone(),
            Origin::Mixed => format!("{}, mixed", unit.kind),
            Origin::Second => "second plant".to_owned(),
            Origin::Bus => format!("{}, on a bus", unit.kind),
        };
        format!("seed {} ({of}; {fault}; bench {})", unit.seed, unit.trouble.words())
    };
    let _ = writeln!(text, "Bad units passed as `fit`: {}; the first of them:\n", slipped.len());
    for unit in slipped.iter().take(LISTED) {
        let _ = writeln!(text, "- {}: {}", about(unit), unit.beyond.join(", "));
    }
    let _ = writeln!(text, "\nGood units called `scrap`: {}; the first of them:\n", scrapped.len());
    for unit in scrapped.iter().take(LISTED) {
        let _ = writeln!(text, "- {}: {}", about(unit), unit.reasons.first().map_or("", String::as_str));
    }
}

const INTRODUCTION: &str = "# Fault study on the virtual bench

Written by `cargo run --release --example fault_study`; do not edit.

Each unit runs `test-plans/full.toml` on `rigs/virtual.toml`, and is judged by what was measured alone.
Three of ten units have one fault, the faults in turn, of a severity drawn evenly from barely visible to gross.
Each seed draws another unit of one of the healthy kinds; a fifth of the units are of no known kind, put together from the parts of five.
Three of twenty are of a second plant (`tests/second/`), written apart from the first: it switches at some hundred hertz instead of averaging,
its knees are rounded, its case warms with two time constants, its command passes a filter and a comparator, and its fan is held by a friction that differs around its turn.
Every one of these is another make.
Where the kind or make is known, the plan also limits where the frequency band may begin.
Four of ten benches are not as their rig file says: a worn load fan, a sagging or current-limited supply, noisy or miscalibrated channels.
Of the units without a fault, three in a hundred take their command from a bus and answer no pulses: a silent unit need not be a bad one.
Rules, thresholds and strengths were made with seeds below 40000, which are not used here.

A unit is *bad* when its true value of a limited result is beyond the limit by more than the expanded uncertainty (k = 2) with which it was measured,
or when it does not do at all what a limit speaks of: it runs uncommanded, answers nothing, never sleeps, has a joint that opens, or a limit of its own that takes a fiftieth
or more of its current flat out, or of its output within the two time constants of a soak.
The truth comes from the plant, after the judgement: of a rounded knee, where the rise drawn on meets full output; of a warming with two time constants, where it ends. Intervals are exact binomial ones of 95 %.

";
