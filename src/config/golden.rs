//! Every class of diagnostic as a person sees it. The snapshots were read one by one.

use std::path::Path;

use super::{check_together, load_rig, parse_plan, parse_rig, plan_from_bytes, rig_from_bytes};

/// The shipped rig with one stretch of text replaced.
fn rig_with(good: &str, bad: &str) -> String {
    let text = std::fs::read_to_string("rigs/virtual.toml").unwrap();
    assert!(text.contains(good), "`{good}` is no longer in the shipped rig");
    text.replacen(good, bad, 1)
}

fn rig_problems(good: &str, bad: &str) -> String {
    parse_rig(Path::new("rigs/bench.toml"), &rig_with(good, bad)).unwrap_err().to_string()
}

/// The shipped board rig with stretches of text replaced.
fn board_problems(changes: &[(&str, &str)]) -> String {
    let mut text = std::fs::read_to_string("rigs/linux-board.toml").unwrap();
    for (good, bad) in changes {
        assert!(text.contains(good), "`{good}` is no longer in the shipped rig");
        text = text.replacen(good, bad, 1);
    }
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err().to_string()
}

/// The shipped rig of a Raspberry Pi with stretches of text replaced.
fn raspberry_problems(changes: &[(&str, &str)]) -> String {
    let mut text = std::fs::read_to_string("rigs/low-cost-bench.toml").unwrap();
    for (good, bad) in changes {
        assert!(text.contains(good), "`{good}` is no longer in the shipped rig");
        text = text.replacen(good, bad, 1);
    }
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err().to_string()
}

/// The shipped rig with sensors on a bus, with stretches of text replaced.
fn can_problems(changes: &[(&str, &str)]) -> String {
    let mut text = std::fs::read_to_string("rigs/can-bench.toml").unwrap();
    for (good, bad) in changes {
        assert!(text.contains(good), "`{good}` is no longer in the shipped rig");
        text = text.replacen(good, bad, 1);
    }
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err().to_string()
}

/// The same with its controls on the bus, as `docs/can.md` has them.
fn can_control_problems(changes: &[(&str, &str)]) -> String {
    let text = std::fs::read_to_string("rigs/can-bench.toml").unwrap();
    let page = std::fs::read_to_string("docs/can.md").unwrap();
    let controls = page.split("```toml\n").nth(1).and_then(|rest| rest.split("```").next()).unwrap();
    let (from, to) = (text.find("[control.supply_on]").unwrap(), text.find("# What is sampled.").unwrap());
    let mut text = format!("{}{controls}\n{}", &text[..from], &text[to..]);
    assert!(parse_rig(Path::new("rigs/bench.toml"), &text).is_ok());
    for (good, bad) in changes {
        assert!(text.contains(good), "`{good}` is no longer on the page");
        text = text.replacen(good, bad, 1);
    }
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err().to_string()
}

/// The board rig with every function naming its driver, and another one for the bench.
fn driver_for_nothing() -> String {
    let text = std::fs::read_to_string("rigs/linux-board.toml").unwrap();
    let names = |line: &str| {
        let function =
            ["[control.", "[channel.", "[tach]", "[emergency_stop]"].iter().any(|head| line.starts_with(head));
        if function && !line.contains(".low]") { format!("{line}\ndriver = \"linux\"") } else { line.to_owned() }
    };
    let text = text.lines().map(names).collect::<Vec<_>>().join("\n");
    let text = text.replacen("[bench]\ndriver = \"linux\"", "[bench]\ndriver = \"external\"\ncommand = [\"x\"]", 1);
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err().to_string()
}

fn plan_problems(text: &str) -> String {
    parse_plan(Path::new("test-plans/plan.toml"), text).unwrap_err().to_string()
}

/// A plan with these lines after its name.
fn plan(lines: &str) -> String {
    format!("name = \"x\"\n{lines}\n[[stage]]\nfirst_power = {{}}\n")
}

/// A plan with this one stage.
fn stage(stage: &str) -> String {
    format!("name = \"x\"\n[[stage]]\n{stage}\n")
}

/// Levels that the rig with the programmable supply does not allow.
fn beyond_the_supply() -> String {
    let text = "name = \"x\"\n[[stage]]\nsupply_dip = { levels = [\"9 V\", \"2 V\"] }\n[[stage]]\ncrank = { levels = [\"19 V\"], times = [\"1 s\"] }\n\
        [[stage]]\nsupply_sweep = { down_to = \"14 V\", up_to = \"25 V\" }\n";
    let plan = parse_plan(Path::new("test-plans/plan.toml"), text).unwrap_or_else(|problems| panic!("{problems}"));
    check_together(&load_rig(Path::new("rigs/virtual-supply.toml")).unwrap(), &plan).unwrap_err().to_string()
}

/// A plan of these lines on a shipped rig that does not allow it.
fn on_rig(rig: &str, lines: &str) -> String {
    let plan = parse_plan(Path::new("test-plans/plan.toml"), &format!("name = \"x\"\n{lines}"));
    let plan = plan.unwrap_or_else(|problems| panic!("{problems}"));
    check_together(&load_rig(Path::new(rig)).unwrap(), &plan).unwrap_err().to_string()
}

/// The rig with the dummy load and a fan besides, a tach, and a load of too little resistance.
fn rig_problems_of_loads() -> String {
    let text = std::fs::read_to_string("rigs/virtual-dummy-load.toml").unwrap();
    let fan = "[tach]\n\n[load_fan]\nname = \"bench fan 2\"\nlocked_rotor = \"90 A\"\nrunning = \"22 A\"\nspeed = \"2600 rpm\"\n\n[wiring]";
    let text = text.replace("[wiring]", fan).replace("resistance = \"0.1 Ohm\"", "resistance = \"80 mOhm\"");
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err().to_string()
}

macro_rules! golden {
    ($($name:ident: $problems:expr;)+) => {
        $(
            #[test]
            fn $name() {
                insta::assert_snapshot!($problems);
            }
        )+
    };
}

const INSTANT: &str = "instant_current = \"110 A\"";

golden! {
    unknown_key_with_a_near_one: rig_problems(INSTANT, "instant_curent = \"110 A\"");
    unknown_key_without_a_near_one: rig_problems("sinks = true", "sinks = true\ncolour = \"red\"");
    supply_voltage_without_its_range: rig_problems("[control.line]", "[control.supply_v]\n[control.line]");
    supply_range_that_is_wrong: rig_problems(
        "sinks = true",
        "range = { lowest = \"14 V\", highest = \"17 V\", slew = \"0 V/s\" }\nsinks = true"
    );
    supply_voltage_of_a_board: board_problems(&[
        ("[control.line]", "[control.supply_v]\n[control.line]"),
        ("[supply]", "[supply]\nrange = { lowest = \"3 V\", highest = \"15 V\", slew = \"50 V/s\" }")
    ]);
    plan_crank_without_a_time: plan_problems(&stage("crank = { levels = [\"5 V\", \"6 V\"], times = [\"20 ms\"] }"));
    plan_levels_beyond_the_supply: beyond_the_supply();
    plan_stall_on_a_fan: on_rig("rigs/virtual.toml", "[[stage]]\nstall = { hold = \"2 s\" }\n");
    plan_beyond_the_dummy_load: on_rig(
        "rigs/virtual-dummy-load.toml",
        "current_limit = \"120 A\"\n[[stage]]\nsupply_open = {}\n[[stage]]\nstall = { duty = \"100 %\", hold = \"7 s\" }\n"
    );
    rig_of_two_loads: rig_problems_of_loads();
    unknown_table: rig_problems("[wiring]", "[wirings]");
    bare_number: rig_problems(INSTANT, "instant_current = 110");
    bare_number_in_quotes: rig_problems(INSTANT, "instant_current = \"110\"");
    wrong_dimension: rig_problems(INSTANT, "instant_current = \"110 V\"");
    wrong_case_of_unit: rig_problems("off_current = \"0.5 A\"", "off_current = \"500 ma\"");
    unknown_unit: rig_problems(INSTANT, "instant_current = \"110 parsec\"");
    decimal_comma: rig_problems("off_current = \"0.5 A\"", "off_current = \"0,5 A\"");
    no_number: rig_problems(INSTANT, "instant_current = \"a lot\"");
    too_large_a_number: rig_problems(INSTANT, "instant_current = \"1e308 kA\"");
    not_positive: rig_problems(INSTANT, "instant_current = \"-1 A\"");
    out_of_bounds: rig_problems("stall_time = \"3 s\"", "stall_time = \"1 min\"");
    duty_out_of_range: rig_problems("most_duty = \"99 %\"", "most_duty = \"120 %\"");
    infinite_number: rig_problems("scale = 1 ", "scale = inf ");
    fractional_count: rig_problems("bars = 12", "bars = 12.5");
    count_out_of_range: rig_problems("bars = 12", "bars = 1");
    text_where_a_number_is_due: rig_problems("pulses_per_rev = 2", "pulses_per_rev = \"2\"");
    text_where_a_flag_is_due: rig_problems("sinks = true", "sinks = \"yes\"");
    value_where_a_table_is_due: rig_problems("[tach]\npulses_per_rev = 2", "[tach.pulses_per_rev]\n");
    unknown_word: rig_problems("kind = \"linear-low\"", "kind = \"linear-lo\"");
    empty_text: rig_problems("name = \"bench fan 2\"", "name = \"\"");
    missing_key: rig_problems("locked_rotor = \"90 A\"\n", "");
    missing_supply_switch: rig_problems("[control.supply_on]\naddress = \"supply_on\"", "");
    missing_supply_current: {
        let text = std::fs::read_to_string("rigs/virtual.toml").unwrap();
        let (from, to) = (text.find("[channel.supply_a]").unwrap(), text.find("[channel.output_v]").unwrap());
        let without = format!("{}{}", &text[..from], &text[to..]);
        parse_rig(Path::new("rigs/bench.toml"), &without).unwrap_err()
    };
    no_quotes: rig_problems(INSTANT, "instant_current = 110 A");
    text_never_closed: rig_problems(INSTANT, "instant_current = \"110 A");
    key_twice: rig_problems(INSTANT, "instant_current = \"110 A\"\ninstant_current = \"111 A\"");
    truncated_file: {
        let text = std::fs::read_to_string("rigs/virtual.toml").unwrap();
        parse_rig(Path::new("rigs/bench.toml"), &text[..text.len() / 2]).unwrap_err()
    };
    all_problems_at_once: {
        let text = rig_with(INSTANT, "instant_curent = \"110 A\"");
        let text = text.replacen("sinks = true", "sinks = 1", 1).replacen("\"13 V\"", "13", 1);
        let text = text.replacen("fuse = \"50 A\"", "fuse = \"20 A\"", 1).replacen("\"22 Ohm\"", "\"22 Volt\"", 1);
        parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_err()
    };
    syntax_and_other_problems_together: {
        let text = rig_with(INSTANT, "instant_current = 110 A");
        parse_rig(Path::new("rigs/bench.toml"), &text.replacen("sinks = true", "sinks = 1", 1)).unwrap_err()
    };

    empty_file: parse_rig(Path::new("rigs/bench.toml"), " \n").unwrap_err();
    file_that_is_not_there: load_rig(Path::new("rigs/no-such.toml")).unwrap_err();
    file_that_is_not_utf8: rig_from_bytes(Path::new("rigs/bench.toml"), b"name = \"b\"\n# \xff\n").unwrap_err();
    file_that_is_too_long: plan_from_bytes(Path::new("plan.toml"), &vec![b'#'; 2_000_000]).unwrap_err();

    driver_unknown: rig_problems("driver = \"virtual\"", "driver = \"printer-port\"");
    external_without_command: rig_problems("driver = \"virtual\"", "driver = \"external\"");
    command_of_a_virtual_bench: rig_problems("driver = \"virtual\"", "command = [\"x\"]\ndriver = \"virtual\"");
    second_driver: rig_problems("[tach]", "[tach]\ndriver = \"external\"");
    second_driver_without_its_command: board_problems(&[("[channel.case_c]\n", "[channel.case_c]\ndriver = \"external\"\n")]);
    command_line_of_two_drivers: board_problems(&[
        ("[control.frequency_hz]\n", "[control.frequency_hz]\ndriver = \"external\"\n"),
        ("rate = \"2 kHz\"", "rate = \"2 kHz\"\ncommand = [\"x\"]"),
    ]);
    driver_that_serves_nothing: driver_for_nothing();
    device_of_another_driver: board_problems(&[
        ("[control.supply_gentle]", "[control.supply_gentle]\ndriver = \"external\""),
        ("feedback = \"gpio:relay-feedback\"", "feedback = \"gpio:relay-feedback\"\ndriver = \"external\""),
        ("rate = \"2 kHz\"", "rate = \"2 kHz\"\ncommand = [\"x\"]"),
    ]);
    raspberry_devices_that_are_wrong: raspberry_problems(&[
        ("address = \"gpio:GPIO17\"", "address = \"gpio:supply-relay\""),
        ("address = \"gpio:GPIO22\"", "address = \"gpio:GPIO9\""),
        ("low = \"gpio:GPIO24\"", "low = \"gpio:GPIO25\""),
        ("address = \"spi:0.0/mcp3208/0\"", "address = \"iio:mcp3208/voltage0\""),
        ("address = \"spi:0.0/mcp3208/3\"", "address = \"spi:0.0/mcp3008/3\""),
        ("address = \"spi:0.0/mcp3208/4\"", "address = \"i2c:1/0x50/ads1115/0\""),
        ("reference = \"3.3 V\"", "trigger = \"bench\""),
    ]);
    raspberry_pulses_of_a_program: raspberry_problems(&[("\"pwm:1f00098000.pwm/2\"", "\"gpio:GPIO18\"")]);
    raspberry_cooling_fan: raspberry_problems(&[("\"pwm:1f00098000.pwm/2\"", "\"pwm:1f0009c000.pwm/3\"")]);
    can_signals_that_are_wrong: can_problems(&[
        ("address = \"SupplySense.SupplyVoltage\"", "address = \"SupplySense.SuplyVoltage\""),
        ("address = \"SupplySense.OutputVoltage\"", "address = \"SupplySense.SupplyCurrent\""),
        ("start = 23", "start = 60"),
    ]);
    can_keys_of_another_driver: can_problems(&[
        ("[channel.ambient_c]", "[channel.ambient_c]\nmax_age = \"1 s\""),
        ("[emergency_stop]", "[emergency_stop]\ndriver = \"can\""),
        ("interface = \"can0\"", "interface = \"can/0\""),
    ]);
    can_without_its_table: can_problems(&[
        ("[can]\n", ""),
        ("interface = \"can0\"\n", ""),
        ("dbc = \"can-bench.dbc\" ", "#"),
        ("listen_only = false ", "#"),
    ]);
    can_controls_that_are_wrong: can_control_problems(&[
        ("address = \"BenchSwitch.Supply\"", "address = \"FanSense.FanSpeed\""),
        ("address = \"BenchCommand.ActiveLevel\"", "address = \"BenchCommand.Line\""),
        ("address = \"BenchCommand.Frequency\"", "address = \"BenchSwitch.FirstPower\""),
    ]);
    can_controls_in_bits_that_do_not_fit: can_control_problems(&[
        ("address = \"BenchSwitch.Supply\"", "frame = { id = 0x210, start = 0, length = 1, bytes = 1 }"),
        ("address = \"BenchSwitch.FirstPower\"", "frame = { id = 0x210, start = 1, length = 1, bytes = 2 }"),
        ("address = \"BenchCommand.Duty\"", "frame = { id = 0x300, start = 0, length = 7 }"),
        ("listen_only = false", "listen_only = true "),
    ]);
    can_period_of_no_control: can_problems(&[("listen_only = false", "period = \"20 ms\"")]);
    can_database_that_is_not_there: can_problems(&[("can-bench.dbc", "no-such.dbc")]);
    pre_charge_without_resistance: rig_problems("resistance = \"22 Ohm\"\nresistance_u = \"1 %\"", "");
    resistance_of_a_lamp: rig_problems("means = \"pre-charge\"", "means = \"lamp\"");
    gentle_means_without_the_control: rig_problems("[control.supply_gentle]", "");
    instant_limit_below_locked_rotor: rig_problems(INSTANT, "instant_current = \"85 A\"");
    i2t_above_the_fuse: rig_problems("i2t = \"8000 A2s\"", "i2t = \"20000 A2s\"");
    continuous_above_fuse_and_wire: rig_problems("continuous_current = \"35 A\"", "continuous_current = \"70 A\"");
    range_below_the_limit: rig_problems("range = \"125 A\"", "range = \"100 A\"");
    frequencies_reversed: rig_problems("highest = \"25 kHz\"", "highest = \"1 Hz\"");
    supply_above_its_limit: rig_problems("highest_voltage = \"16 V\"", "highest_voltage = \"12 V\"");

    plan_without_stages: plan_problems("name = \"x\"\nstage = []\n");
    plan_stage_unknown: plan_problems(&stage("swep = {}"));
    plan_stage_empty: plan_problems(&stage(""));
    plan_stages_in_one: plan_problems(&stage("first_power = {}\nsleep = {}"));
    plan_stages_not_a_list: plan_problems("name = \"x\"\n[stage.first_power]\n");
    plan_setting_unknown: plan_problems(&stage("sweep = { stp = \"5 %\" }"));
    plan_duty_bare: plan_problems(&stage("sweep = { to = 85 }"));
    plan_duty_in_words: plan_problems(&stage("sweep = { to = \"to the limit\" }"));
    plan_fine_above_step: plan_problems(&stage("sweep = { step = \"1 %\", fine = \"2 %\" }"));
    plan_list_item_wrong: plan_problems(&stage("soak = { duties = [\"50 %\", 85] }"));
    plan_limit_unknown_result: plan_problems(&plan("[limits]\nramp_10_90 = { min = \"1 s\" }"));
    plan_limit_wrong_unit: plan_problems(&plan("[limits]\nsleep_a = { max = \"2 mV\" }"));
    plan_limit_ratio_with_unit: plan_problems(&plan("[limits]\ninrush_ratio = { max = \"3 A\" }"));
    plan_limit_unknown_word: plan_problems(&plan("[limits]\nloss_open = { one_of = [\"stop\"] }"));
    plan_limit_without_bound: plan_problems(&plan("[limits]\nsleep_a = {}"));
    plan_limit_reversed: plan_problems(&plan("[limits]\ndrop_v = { min = \"1 V\", max = \"0.5 V\" }"));

    plan_risk_kind_unknown: plan_problems(&plan("risk = { kind = \"consumer\" }"));
    plan_risk_too_large: plan_problems(&plan("risk = { accepted = \"30 %\" }"));
    plan_risk_global_beside_the_prior: plan_problems(&plan("prior_bad = \"10 %\"\nrisk = { kind = \"global\", accepted = \"3 %\" }"));
    plan_under_bonnet_reversed: plan_problems(&plan("under_bonnet = { ambient = \"90 °C\", highest_case = \"80 °C\" }"));
    plan_looks_none: plan_problems(&plan("risk = { looks = 0 }"));

    plan_beyond_the_rig: {
        let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let text = "name = \"x\"\ncurrent_limit = \"400 A\"\n\
            [[stage]]\ndiscover = { frequencies = [\"100 Hz\", \"1 Hz\"] }\n\
            [[stage]]\nsoft_start = { to = \"100 %\" }\n\
            [[stage]]\nfrequency_edges = { from = \"1 Hz\", to = \"50 kHz\" }\n\
            [[stage]]\nsoak = { duties = [\"50 %\", \"0.5 %\"] }\n";
        check_together(&rig, &parse_plan(Path::new("test-plans/plan.toml"), text).unwrap()).unwrap_err()
    };
    plan_limit_below_locked_rotor: {
        let rig = load_rig(Path::new("rigs/virtual.toml")).unwrap();
        let text = plan("current_limit = \"80 A\"");
        check_together(&rig, &parse_plan(Path::new("test-plans/plan.toml"), &text).unwrap()).unwrap_err()
    };
}
