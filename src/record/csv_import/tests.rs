use proptest::prelude::*;

use super::*;
use crate::bench::{Line as CommandLine, Setting, Supply};

fn trace(text: &str) -> ImportedTrace {
    import(text.as_bytes(), &TraceOptions::default()).unwrap()
}

fn refused(text: &str) -> String {
    import(text.as_bytes(), &TraceOptions::default()).unwrap_err().to_string()
}

fn samples(trace: &ImportedTrace, channel: Channel) -> Vec<(f64, f64)> {
    let series = trace.recording.channels.get(&channel);
    let rounded = |(t, v): (f64, f64)| ((t * 1e6).round() / 1e6, (v * 1e5).round() / 1e5);
    series.map(|series| series.samples(-1.0, 1e9).map(rounded).collect()).unwrap_or_default()
}

#[test]
fn columns_in_any_order_become_channels_and_the_first_row_is_time_zero() {
    let trace = trace("supply_a,time_s,case_c\n1.5,10.0,\n1.25,10.1,21.5\n1.0,10.2,\n");
    assert_eq!(samples(&trace, Channel::SupplyA), [(0.0, 1.5), (0.1, 1.25), (0.2, 1.0)]);
    assert_eq!(samples(&trace, Channel::CaseC), [(0.1, 21.5)]);
    assert!((trace.recording.end_s - 0.3).abs() < 1e-9);
    assert_eq!((trace.warnings.len(), trace.recording.settings.len(), trace.recording.tach_s), (0, 0, None));
}

#[test]
fn every_separator_line_end_mark_and_quotation_reads_the_same() {
    let plain = trace("time_s,supply_v,supply_a\n0,13.5,1.5\n1,13.25,-0.5\n2,13,0\n");
    for same in [
        "time_s;supply_v;supply_a\n0;13.5;1.5\n1;13.25;-0.5\n2;13;0\n",
        "time_s;supply_v;supply_a\n0;13,5;1,5\n1;13,25;-0,5\n2;13;0\n",
        "time_s\tsupply_v\tsupply_a\r\n0\t13,5\t1,5\r\n1\t13,25\t-0,5\r\n2\t13\t0\r\n",
        "\u{feff}# a logger\n\n  # its setting\ntime_s , supply_v,supply_a\n# mid\n0,13.5,1.5\n1,13.25,-.5\n2,13.,0e0",
        "\"time_s\",\"supply_v\",\"supply_a\"\r0,\"13.5\",1.5\r1,13.25,-0.5\r2,13,0\r",
        "time_s,supply_v,supply_a,\n0,13.5,1.5,\n1,13.25,-0.5,\n2,13,0,\n",
        "supply_a,supply_v,time_s\n1.5,13.5,0\n-0.5,13.25,1\n0,13,2\n",
    ] {
        assert_eq!(trace(same), plain, "{same}");
    }
}

#[test]
fn comments_need_not_be_utf_8() {
    let text = b"# motor at 25 \xb0C\ntime_s,supply_v\n0,1\n1,2\n";
    assert!(import(text, &TraceOptions::default()).is_ok());
}

#[test]
fn a_change_of_the_command_is_a_setting_from_its_row_on() {
    let trace = trace(
        "time_s,command_pct,command_hz,line,supply_on\n\
         0,,,,0\n1,0,100,pwm,0\n2,0,100,pwm,1\n3,,,,\n4,35.5,100,pwm,1\n5,35.5,100,open,1\n6,35.5,140,open,1\n",
    );
    let on = Setting { supply: Supply::On, line: CommandLine::Pwm, ..Setting::SAFE };
    let at = |percent, hertz| Setting {
        duty: crate::units::Duty::from_percent(percent).unwrap(),
        frequency: crate::units::Hertz(hertz),
        ..on
    };
    let due = [
        (1.0, Setting { supply: Supply::Off, ..at(0.0, 100.0) }),
        (2.0, at(0.0, 100.0)),
        (4.0, at(35.5, 100.0)),
        (5.0, Setting { line: CommandLine::Open, ..at(35.5, 100.0) }),
        (6.0, Setting { line: CommandLine::Open, ..at(35.5, 140.0) }),
    ];
    assert_eq!(trace.recording.settings, due);
}

#[test]
fn without_supply_and_line_the_supply_is_on_and_the_line_driven() {
    let trace = trace("time_s,command_pct\n0,20\n1,30\n");
    let settings: Vec<_> =
        trace.recording.settings.iter().map(|(_, s)| (s.supply, s.line, s.frequency.get())).collect();
    assert_eq!(settings, [(Supply::On, CommandLine::Pwm, 0.0); 2]);
}

#[test]
fn commands_without_a_duty_make_no_settings_and_are_named() {
    let trace = trace("time_s,command_hz,supply_v\n0,100,13\n1,140,13\n");
    assert!(trace.recording.settings.is_empty());
    assert_eq!(trace.warnings.len(), 1);
    assert!(trace.warnings[0].contains("without `command_pct`"), "{:?}", trace.warnings);
}

#[test]
fn a_rising_tach_lies_between_the_rows_that_show_it() {
    let trace = trace("time_s,tach\n0,1\n1,0\n2,1\n3,1\n4,\n5,0\n6,\n7,1\n");
    assert_eq!(trace.recording.tach_s, Some(vec![1.5, 6.0]));
}

#[test]
fn an_unknown_column_is_named_with_what_may_have_been_meant() {
    let trace = trace("time_s,suply_a,remark,supply_v\n0,1,\"a, \"\"b\"\"\",13\n1,x,,13\n");
    assert_eq!(
        trace.warnings,
        [
            "column 2 `suply_a` is not known and was ignored; did you mean `supply_a`?",
            "column 3 `remark` is not known and was ignored",
        ]
    );
}

#[test]
fn a_column_that_was_never_sampled_is_named_and_left_out() {
    let trace = trace("time_s,supply_a,tach,fan_a\n0,1,,\n1,2,,\n");
    assert!(!trace.recording.channels.contains_key(&Channel::FanA));
    assert_eq!(trace.recording.tach_s, None);
    assert_eq!(trace.warnings, ["column `fan_a` holds no sample", "column `tach` holds no sample"]);
}

#[test]
fn two_columns_without_time_are_settled_points_in_the_order_taken() {
    let trace = trace("# up, then down\nspeed_rpm;command_pct\n0;10\n812,5;20\n790;15\n");
    let point = |duty_pct, speed_rpm| SettledPoint { duty_pct, speed_rpm };
    assert_eq!(trace.settled, Some(vec![point(10.0, 0.0), point(20.0, 812.5), point(15.0, 790.0)]));
    assert!(trace.recording.channels.is_empty());
    let blank = refused("command_pct,speed_rpm\n10,100\n20,\n");
    assert_eq!(blank, "line 3, column `speed_rpm`: `` is blank; a settled point needs duty and speed");
    assert_eq!(
        refused("command_pct,speed_rpm\n120,100\n"),
        "line 2, column `command_pct`: `120` is not within 0 to 100 percent"
    );
    assert_eq!(refused("command_pct,speed_rpm\n20,100\n"), "there are 1 rows below the header; two or more are due");
}

#[test]
fn what_is_known_of_the_fan_goes_into_the_header() {
    let import = |options: TraceOptions| import(b"time_s,supply_a,tach\n0,1,0\n1,2,1\n", &options);
    let ripple = |bars, brushes| {
        let options = TraceOptions { commutator_bars: bars, brushes, ..TraceOptions::default() };
        import(options).unwrap().recording.header.bench.ripple_per_rev
    };
    assert_eq!(ripple(Some(12), Some(2)), Some(12.0));
    assert_eq!(ripple(Some(11), Some(2)), Some(22.0));
    assert_eq!(ripple(Some(20), Some(4)), Some(20.0));
    assert_eq!(ripple(Some(11), None), Some(22.0));
    assert_eq!(ripple(None, None), None);
    let said = TraceOptions {
        ripple_per_rev: Some(10.0),
        commutator_bars: Some(12),
        pulses_per_rev: Some(2.0),
        ..TraceOptions::default()
    };
    let trace = import(said).unwrap();
    let bench = &trace.recording.header.bench;
    assert_eq!((bench.ripple_per_rev, bench.pulses_per_rev), (Some(10.0), Some(2.0)));
    assert_eq!(trace.warnings, ["10 ripples per revolution are used, though bars and brushes make 12"]);
    let negative = TraceOptions { pulses_per_rev: Some(-2.0), ..TraceOptions::default() };
    assert_eq!(import(negative).unwrap_err().to_string(), "pulses per revolution = -2: a number above 0 is due");
    let none = TraceOptions { brushes: Some(0), ..TraceOptions::default() };
    assert_eq!(import(none).unwrap_err().to_string(), "brushes = 0: a number above 0 is due");
}

#[test]
fn what_is_wrong_is_said_with_line_column_and_text() {
    let cases = [
        ("", "the file is empty; a header line and rows are due"),
        ("# only a comment\n\n", "the file is empty; a header line and rows are due"),
        ("time_s,supply_v\n", "there are 0 rows below the header; two or more are due"),
        ("time_s,supply_v\n0,1\n", "there are 1 rows below the header; two or more are due"),
        (
            "# time_s,supply_v\n0,1\n1,2\n",
            "line 2: `0,1` is no header line: it holds numbers; if the names are in a line with `#`, take the `#` away",
        ),
        ("t,u\n0,1\n", "line 1: `t,u` is no header line: it names no known column"),
        ("t,supply_v\n0,1\n", "line 1: there is no column `time_s`; found `t`, `supply_v`"),
        ("\n\ntime_s,supply_v,supply_v\n", "line 3: column `supply_v` comes twice"),
        ("time_s,supply_v\n0,1\n1,x1\n", "line 3, column `supply_v`: `x1` is not a number"),
        (
            "time_s,supply_v\n#\n\n0,NaN\n",
            "line 4, column `supply_v`: `NaN` is not a finite number; leave a field blank where nothing was sampled",
        ),
        ("time_s,supply_v\n0,1e300\n", "line 2, column `supply_v`: `1e300` is too large"),
        ("time_s,supply_v\n,1\n", "line 2, column `time_s`: `` is blank; every row needs its time"),
        (
            "time_s,supply_v\n0,1\n2,1\n1.5,1\n",
            "line 4, column `time_s`: `1.5` goes back behind the 2 of the row before",
        ),
        (
            "time_s,supply_v\n0.1,1\n0.10,1\n",
            "line 3, column `time_s`: `0.10` is the time of the row before; if it was rounded, write more decimals",
        ),
        ("time_s,supply_v,supply_a\n0,1,2\n1,1", "line 3 has 2 of 3 columns; the file breaks off in it"),
        ("time_s,supply_v,supply_a\n0,1\n1,1,2\n", "line 2 has 2 of 3 columns"),
        ("time_s,supply_v\n0,1,2\n", "line 2 has 3 of 2 columns"),
        ("time_s,supply_v\n0,\"1\n", "line 2, column `supply_v`: `0,\\\"1` has a quotation mark out of place"),
        ("time_s,command_pct\n0,100.5\n", "line 2, column `command_pct`: `100.5` is not within 0 to 100 percent"),
        (
            "time_s,command_pct,command_hz\n0,1,-5\n",
            "line 2, column `command_hz`: `-5` is no frequency; 0 or more is due",
        ),
        ("time_s,line\n0,PWM\n", "line 2, column `line`: `PWM` is none of `pwm`, `open`, `low`, `high`"),
        ("time_s,tach\n0,4.9\n", "line 2, column `tach`: `4.9` is no logic level; 0 or 1 is due"),
        ("time_s,supply_on\n0,2\n", "line 2, column `supply_on`: `2` is no logic level; 0 or 1 is due"),
        (
            "time_s;supply_v\n0;1,5\n1;1.5\n",
            "line 3, column `supply_v`: `1.5` has a decimal point, though earlier numbers have a comma",
        ),
        ("time_s,supply_v\n0,12,5\n", "line 2 has 3 of 2 columns"),
    ];
    for (text, due) in cases {
        assert_eq!(refused(text), due, "{text}");
    }
    assert!(
        refused("time_s,remark\n0,1\n")
            .starts_with("line 1: no column beside `time_s` is known; known are command_pct")
    );
}

#[test]
fn what_is_no_utf_8_text_is_refused_where_it_matters() {
    let refused = |text: &[u8]| import(text, &TraceOptions::default()).unwrap_err().to_string();
    assert!(refused(b"\xff\xfet\0i\0m\0e\0").contains("it is UTF-16; save it as UTF-8"));
    assert!(refused(b"PK\x03\x04\0\0\0").contains("zero bytes"));
    assert_eq!(refused(b"time_s,supply_v\n0,\xb01\n"), "line 2, column `supply_v`: `\u{fffd}1` is not UTF-8 text");
}

#[test]
fn messages_stay_short_and_free_of_control_characters() {
    let long = refused(&format!("time_s,supply_v\n0,{}\n", "x".repeat(500)));
    assert!(long.len() < 200, "{long}");
    assert!(!refused("time_s,supply_v\n0,\u{1b}[31m\n").contains('\u{1b}'));
}

#[derive(Clone, Debug)]
struct Made {
    dt: f64,
    jitter: Vec<f64>,
    supply_a: Vec<Option<f32>>,
    duty: Vec<Option<u32>>,
    separator: char,
    comma: bool,
    line_end: &'static str,
}

impl Made {
    fn times(&self) -> Vec<f64> {
        // Written with nine decimals, so that is what is read back.
        let written = |t: f64| (t * 1e9).round() / 1e9;
        self.jitter.iter().enumerate().map(|(i, j)| written((i as f64 + j) * self.dt)).collect()
    }

    fn text(&self) -> String {
        let mut rows = vec![["command_pct".to_owned(), "time_s".to_owned(), "supply_a".to_owned()]];
        for (i, t) in self.times().iter().enumerate() {
            let number = |v: String| if self.comma { v.replace('.', ",") } else { v };
            rows.push([
                self.duty[i].map_or(String::new(), |duty| number(format!("{duty}"))),
                number(format!("{t:.9}")),
                self.supply_a[i].map_or(String::new(), |v| number(v.to_string())),
            ]);
        }
        rows.iter().map(|row| row.join(&self.separator.to_string()) + self.line_end).collect()
    }
}

fn made() -> impl Strategy<Value = Made> {
    let separator = prop_oneof![Just((',', false)), Just((';', false)), Just((';', true)), Just(('\t', true))];
    let row = (-0.2..0.2_f64, prop::option::weighted(0.9, -1e4..1e4_f32), prop::option::weighted(0.5, 0..=100_u32));
    (1e-4..2.0_f64, prop::collection::vec(row, 2..200), separator, prop_oneof![Just("\n"), Just("\r\n")]).prop_map(
        |(dt, rows, (separator, comma), line_end)| {
            let (jitter, rest): (Vec<_>, Vec<_>) = rows.into_iter().map(|(j, a, d)| (j, (a, d))).unzip();
            let (supply_a, duty) = rest.into_iter().unzip();
            Made { dt, jitter, supply_a, duty, separator, comma, line_end }
        },
    )
}

proptest! {
    #[test]
    fn a_trace_that_was_written_reads_back(made in made()) {
        let trace = import(made.text().as_bytes(), &TraceOptions::default()).unwrap();
        let times = made.times();
        let due: Vec<(f64, f32)> =
            times.iter().zip(&made.supply_a).filter_map(|(t, v)| Some((t - times[0], (*v)?))).collect();
        let found: Vec<(f64, f64)> = trace
            .recording
            .channels
            .get(&Channel::SupplyA)
            .map(|series| series.chunks().iter().flat_map(|c| (0..c.values.len()).map(|i| (c.time(i), f64::from(c.values[i])))).collect())
            .unwrap_or_default();
        prop_assert_eq!(found.len(), due.len());
        for ((t, v), (due_t, due_v)) in found.iter().zip(&due) {
            prop_assert_eq!(*v, f64::from(*due_v));
            // Blanks lengthen the spacing on which a time is placed.
            prop_assert!((t - due_t).abs() <= 3.0 * made.dt, "{t} for {due_t} at {}", made.dt);
        }
        let mut last = None;
        let mut changes = Vec::new();
        for (t, duty) in times.iter().zip(&made.duty).filter_map(|(t, d)| Some((t, (*d)?))) {
            if last != Some(duty) {
                changes.push((t - times[0], f64::from(duty)));
            }
            last = Some(duty);
        }
        let settings: Vec<_> = trace.recording.settings.iter().map(|(t, s)| (*t, (s.duty.percent() * 1e9).round() / 1e9)).collect();
        prop_assert_eq!(settings, changes);
    }

    #[test]
    fn any_bytes_end_in_a_trace_or_an_error(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let _ = import(&bytes, &TraceOptions::default());
    }

    #[test]
    fn bytes_that_look_like_a_trace_end_in_one_or_an_error(
        body in "(time_s|supply_a|command_pct|line|tach|speed_rpm|[-0-9.,;\t\"#\r\n eE+]|pwm|nan|x){0,120}",
        head in prop_oneof![Just("time_s,supply_a\n"), Just("command_pct;speed_rpm\r\n"), Just("time_s\ttach\tcommand_pct\n"), Just("")],
    ) {
        let _ = import(format!("{head}{body}").as_bytes(), &TraceOptions::default());
    }

    /// Whatever is changed in a valid trace, nothing that is not a finite number gets into the recording.
    #[test]
    fn damage_never_brings_in_what_is_no_number(made in made(), place in any::<prop::sample::Index>(), value in any::<u8>()) {
        let mut bytes = made.text().into_bytes();
        let place = place.index(bytes.len());
        bytes[place] = value;
        if let Ok(trace) = import(&bytes, &TraceOptions::default()) {
            prop_assert!(trace.recording.end_s.is_finite());
            for series in trace.recording.channels.values() {
                for chunk in series.chunks() {
                    prop_assert!(chunk.t0_s.is_finite() && chunk.dt_s > 0.0 && chunk.values.iter().all(|v| v.is_finite()));
                }
            }
        }
    }
}
