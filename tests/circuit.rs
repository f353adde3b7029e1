//! Waveforms that an independent circuit simulator makes of the netlists in `tests/circuit/`, analysed as recorded traces
//! and compared with what the netlists say (`tests/circuit/README.md`).

use std::fmt::Write as _;
use std::path::Path;
use std::process::Command;

use galebench::analysis::{analyse, recognise};
use galebench::record::csv_import::{TraceOptions, import};
use galebench::results::{Findings, ResultName};

/// Time of the command and its duty, which the netlists do not know: their ramp begins 0.15 s later.
const COMMAND_S: f64 = 0.5;
/// Ripples of the current per revolution.
const RIPPLES: f64 = 24.0;
/// First output.
const ONSET_S: f64 = 0.65;
/// Share of its end from which the output counts as seen.
const FIRST: f64 = 0.002;

/// What the simulator says of one instant.
struct Row {
    t_s: f64,
    supply_v: f64,
    supply_a: f64,
    output_v: f64,
    rad_s: f64,
}

/// Runs a netlist.
///
/// # Panics
/// Without ngspice: `tests/all` installs it.
fn simulate(netlist: &str) -> Vec<Row> {
    let dir = tempfile::tempdir().expect("a temporary folder");
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/circuit").join(netlist);
    let done = Command::new("ngspice").arg("-b").arg(&path).current_dir(dir.path()).output();
    let done = done.expect("ngspice runs (Debian package `ngspice`; ./tests/all installs it)");
    let text = std::fs::read_to_string(dir.path().join("trace.txt"))
        .unwrap_or_else(|e| panic!("{netlist}: {e}\n{}", String::from_utf8_lossy(&done.stderr)));
    let rows: Vec<Row> = text
        .lines()
        .skip(1)
        .map(|line| {
            let values: Vec<f64> = line.split_whitespace().map(|v| v.parse().expect("a number")).collect();
            let [t_s, supply_v, battery_a, output_v, rad_s] = values[..] else { panic!("{netlist}: {line}") };
            // The simulator counts a current into the battery's plus.
            Row { t_s, supply_v, supply_a: -battery_a, output_v, rad_s }
        })
        .collect();
    assert!(rows.last().is_some_and(|row| row.t_s > 8.9), "{netlist} ends early");
    rows
}

/// The trace as a logger would write it: no word of the speed.
fn csv(rows: &[Row], with_command: bool) -> String {
    let mut text = String::from(if with_command {
        "time_s,command_pct,command_hz,supply_v,supply_a,output_v\n"
    } else {
        "time_s,supply_a\n"
    });
    for row in rows {
        let _ = if with_command {
            let duty = if row.t_s < COMMAND_S { 0.0 } else { 95.0 };
            writeln!(text, "{:.6},{duty},140,{:.5},{:.5},{:.5}", row.t_s, row.supply_v, row.supply_a, row.output_v)
        } else {
            writeln!(text, "{:.6},{:.5}", row.t_s, row.supply_a)
        };
    }
    text
}

fn analysed(csv: &str, ripple_per_rev: Option<f64>) -> Findings {
    let options = TraceOptions { ripple_per_rev, ..TraceOptions::default() };
    let mut trace = import(csv.as_bytes(), &options).expect("a legal trace");
    recognise::add_spans(&mut trace.recording);
    analyse(&trace.recording)
}

fn number(found: &Findings, name: ResultName) -> f64 {
    found.number(name).unwrap_or_else(|| panic!("{name} absent: {:?}", found.absent.get(&name)))
}

/// Highest mean over 5 ms.
fn peak_a(rows: &[Row]) -> f64 {
    let width = (5e-3 / (rows[1].t_s - rows[0].t_s)).round() as usize;
    let mean = |part: &[Row]| part.iter().map(|row| row.supply_a).sum::<f64>() / part.len() as f64;
    rows.windows(width).step_by(width / 10).map(mean).fold(0.0, f64::max)
}

/// Time at which the output ratio, averaged over 2 ms, first passes this share of its end: what the output really does,
/// the drop of a freewheel diode at low ratios included.
fn crossing_s(rows: &[Row], share: f64) -> f64 {
    let width = (2e-3 / (rows[1].t_s - rows[0].t_s)).round() as usize;
    let ratio = |part: &[Row]| {
        part.iter().map(|row| row.output_v).sum::<f64>() / part.iter().map(|row| row.supply_v).sum::<f64>()
    };
    let level = share * ratio(&rows[rows.len() - width..]);
    let after = rows.partition_point(|row| row.t_s < COMMAND_S);
    let at = rows[after..].chunks_exact(width).position(|part| ratio(part) >= level).expect("the output comes on");
    rows[after + at * width + width / 2].t_s
}

fn settled_rpm(rows: &[Row]) -> f64 {
    let tail = &rows[rows.len() * 4 / 5..];
    tail.iter().map(|row| row.rad_s).sum::<f64>() / tail.len() as f64 * 30.0 / std::f64::consts::PI
}

fn compare(netlist: &str, supply_a_share: f64, ramp_s_within: f64, counts_ripples: bool) {
    let rows = simulate(netlist);
    let (true_rpm, true_peak_a) = (settled_rpm(&rows), peak_a(&rows));
    let found = analysed(&csv(&rows, true), Some(RIPPLES));
    let near = |name, due: f64, within: f64| {
        let value = number(&found, name);
        println!("{netlist} {name}: {value} (netlist {due})");
        assert!((value - due).abs() < within, "{netlist} {name}: {value}, netlist {due}");
    };
    near(ResultName::SpeedRpm, true_rpm, 1e-3 * true_rpm);
    near(ResultName::CommandDelayS, ONSET_S - COMMAND_S, ramp_s_within);
    near(ResultName::Ramp1090S, crossing_s(&rows, 0.9) - crossing_s(&rows, 0.1), ramp_s_within);
    near(ResultName::RampFullS, crossing_s(&rows, 0.95) - crossing_s(&rows, FIRST), ramp_s_within);
    near(ResultName::PeakSupplyA, true_peak_a, supply_a_share * true_peak_a);
    assert_eq!(found.results[&ResultName::RampShape].as_word(), Some("linear"), "{netlist}");

    // The bare current alone, its settled part: the ripples per revolution are given, found, or the ripple stated in Hz.
    let bare: Vec<Row> = rows.into_iter().filter(|row| row.t_s > 5.0).collect();
    for ripple_per_rev in [Some(RIPPLES), None] {
        let found = analysed(&csv(&bare, false), ripple_per_rev);
        if ripple_per_rev.is_none() && !counts_ripples {
            let reason = &found.absent[&ResultName::SpeedRpm];
            let hz =
                reason.split("the ripple is at ").nth(1).and_then(|rest| rest.split(' ').next()?.parse::<f64>().ok());
            let rpm = 60.0 * hz.unwrap_or_else(|| panic!("{reason}")) / RIPPLES;
            assert!((rpm / true_rpm - 1.0).abs() < 1e-3, "{netlist}: {reason}");
            continue;
        }
        let rpm = number(&found, ResultName::SpeedRpm);
        println!("{netlist} bare current, ripples {ripple_per_rev:?}: {rpm} rpm (netlist {true_rpm})");
        assert!((rpm / true_rpm - 1.0).abs() < 1e-3, "{netlist} {ripple_per_rev:?}: {rpm}, netlist {true_rpm}");
    }
}

#[test]
fn an_averaged_soft_start_reads_as_its_netlist_says() {
    compare("averaged.cir", 0.01, 0.008, true);
}

#[test]
fn a_really_chopped_soft_start_reads_as_its_netlist_says() {
    compare("chopped.cir", 0.02, 0.03, false);
}
