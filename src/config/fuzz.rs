//! Hostile input: whatever the bytes, reading returns, tells places inside the text, and can be shown.

use std::path::Path;

use proptest::prelude::*;

use super::{Problems, check_together, load_plan, load_rig, plan_from_bytes, rig_from_bytes};

const SHIPPED: [&str; 14] = [
    "rigs/virtual.toml",
    "rigs/virtual-two-wire.toml",
    "rigs/virtual-supply.toml",
    "rigs/virtual-dummy-load.toml",
    "rigs/external.toml",
    "rigs/lab-bench.toml",
    "rigs/low-cost-bench.toml",
    "rigs/can-bench.toml",
    "rigs/two-wire-bench.toml",
    "rigs/faults/switch-shorted.toml",
    "rigs/faults/soft-start-lost.toml",
    "test-plans/full.toml",
    "test-plans/quick.toml",
    "test-plans/stall.toml",
];

/// Reads `bytes` as both kinds of file and shows what is wrong with them.
fn read_both(bytes: &[u8]) {
    let name = Path::new("bench.toml");
    let rig = rig_from_bytes(name, bytes);
    let plan = plan_from_bytes(name, bytes);
    if let Ok(rig) = &rig {
        let full = load_plan(Path::new("test-plans/full.toml")).unwrap();
        let _ = check_together(rig, &full).map_err(|problems| problems.to_string());
    }
    if let Ok(plan) = &plan {
        let bench = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let _ = check_together(&bench, plan).map_err(|problems| problems.to_string());
    }
    for problems in [rig.err(), plan.err()].into_iter().flatten() {
        shown(bytes, &problems);
    }
}

/// An error names at least one problem, each on a line that the file has, and shows no control characters.
fn shown(bytes: &[u8], problems: &Problems) {
    assert!(!problems.0.is_empty());
    let lines = bytes.iter().filter(|&&b| b == b'\n').count() + 1;
    for problem in &problems.0 {
        if let Some(place) = &problem.place {
            assert!(place.line >= 1 && place.line <= lines, "{place:?}");
            assert!(place.text.get(place.span.clone()).is_some(), "{place:?}");
        }
    }
    let text = problems.to_string();
    assert!(text.starts_with("error: "), "{text}");
    assert!(!text.contains(['\u{1b}', '\u{7}', '\u{8}']), "{text:?}");
}

/// One change to a text.
#[derive(Clone, Debug)]
enum Change {
    Cut(usize),
    Delete(usize, usize),
    Insert(usize, String),
    SwapLines(usize, usize),
}

fn change() -> impl Strategy<Value = Change> {
    let piece = prop_oneof![
        "[\\PC]{1,4}",
        Just("\"".to_owned()),
        Just("'''".to_owned()),
        Just("[[".to_owned()),
        Just("]".to_owned()),
        Just("{ x = ".to_owned()),
        Just("\n[limits]\n".to_owned()),
        Just("1e999".to_owned()),
        Just("nan".to_owned()),
        Just("-".to_owned()),
        Just("99999999999999999999".to_owned()),
        Just("\r\n".to_owned()),
        Just("\u{0}".to_owned()),
        Just("\u{1b}[31m".to_owned()),
    ];
    prop_oneof![
        any::<usize>().prop_map(Change::Cut),
        (any::<usize>(), 1..30usize).prop_map(|(at, n)| Change::Delete(at, n)),
        (any::<usize>(), piece).prop_map(|(at, text)| Change::Insert(at, text)),
        (any::<usize>(), any::<usize>()).prop_map(|(a, b)| Change::SwapLines(a, b)),
    ]
}

fn apply(text: String, change: &Change) -> String {
    let chars: Vec<char> = text.chars().collect();
    let at = |position: &usize| position % (chars.len() + 1);
    match change {
        Change::Cut(position) => chars[..at(position)].iter().collect(),
        Change::Delete(position, n) => {
            let from = at(position);
            let to = (from + n).min(chars.len());
            chars[..from].iter().chain(&chars[to..]).collect()
        }
        Change::Insert(position, piece) => {
            let from = at(position);
            chars[..from].iter().copied().chain(piece.chars()).chain(chars[from..].iter().copied()).collect()
        }
        Change::SwapLines(a, b) => {
            let mut lines: Vec<&str> = text.lines().collect();
            if !lines.is_empty() {
                let n = lines.len();
                lines.swap(a % n, b % n);
            }
            lines.join("\n")
        }
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 300, failure_persistence: None, ..ProptestConfig::default() })]

    #[test]
    fn any_bytes_are_read_to_an_end(bytes in proptest::collection::vec(any::<u8>(), 0..400)) {
        read_both(&bytes);
    }

    #[test]
    fn any_text_is_read_to_an_end(text in "(\\[\\[?[a-z_.]{1,12}\\]?\\]|[a-z_]{1,9} ?= ?[\\PC]{0,12}|[\\PC]{0,20}|\n){0,12}") {
        read_both(text.as_bytes());
    }

    #[test]
    fn any_change_of_a_shipped_file_is_read_to_an_end(
        file in 0..SHIPPED.len(),
        changes in proptest::collection::vec(change(), 1..4),
    ) {
        let text = std::fs::read_to_string(SHIPPED[file]).unwrap();
        read_both(changes.iter().fold(text, apply).as_bytes());
    }

    #[test]
    fn a_number_keeps_its_value_whatever_the_prefix(tenths in 800u32..1090) {
        let amps = f64::from(tenths) / 10.0;
        let text = std::fs::read_to_string("rigs/virtual.toml").unwrap();
        let written = text.replace("locked_rotor = \"90 A\"", "locked_rotor = \"70 A\"");
        let written = written.replace("\"110 A\"", &format!("\"{} mA\"", amps * 1000.0));
        let rig = rig_from_bytes(Path::new("b.toml"), written.as_bytes()).unwrap();
        prop_assert!((rig.limits.instant_current.get() - amps).abs() < 1e-9 * amps);
    }
}

#[test]
fn deep_nesting_and_crowds_of_problems_end_soon() {
    for piece in ["[", "{a=", "a.", "[[a]]\n", "a = 1\n", "x", "\"", "[a]\n", "'''"] {
        read_both(piece.repeat(100_000).as_bytes());
    }
    let keys: String = (0..60_000).map(|i| format!("k{i} = 1\n")).collect();
    read_both(keys.as_bytes());
    let array = format!("stage = [{}]", "1,".repeat(200_000));
    read_both(array.as_bytes());
    let deep = format!("name = {}{}", "[".repeat(50_000), "]".repeat(50_000));
    read_both(deep.as_bytes());
}

#[test]
fn every_cut_of_a_shipped_file_is_refused_or_whole() {
    for path in ["rigs/virtual.toml", "test-plans/full.toml"] {
        let text = std::fs::read_to_string(path).unwrap();
        for end in (0..text.len()).step_by(37) {
            read_both(&text.as_bytes()[..end]);
        }
    }
}
