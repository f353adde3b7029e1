//! Whole runs through the driver of a Raspberry Pi in the guest kernel of `tests/kernel-box`: its library maps registers,
//! holds lines and talks to buses as on its board, and the unit is played on the other side of them.
//!
//! Where the guest kernel can't be had or doesn't boot, every test here says NOT RUN and why.
#![cfg(all(target_os = "linux", feature = "raspberry"))]

mod guest;
mod support;

use galebench::bench::Channel;
use galebench::config;
use guest::{HOLDS_NS, LATE_NS, Session, usable};

/// A run on raspberry.toml, and beside it the shell command `meanwhile`.
fn on_header(meanwhile: &str) -> Session {
    Session::run("raspberry-session", meanwhile, |_| Vec::new())
}

/// The same on a newer board, whose pins hang on an I/O controller of their own with other registers.
fn on_newer_header(meanwhile: &str) -> Session {
    Session::run_with(&[("BOX_BOARD", "5")], "raspberry-session", meanwhile, |_| Vec::new())
}

#[test]
fn a_triage_through_registers_and_buses_agrees_with_the_plant() {
    if !usable() {
        return;
    }
    agrees(&on_header(""));
}

#[test]
fn a_triage_through_the_registers_of_a_newer_board_agrees_with_the_plant() {
    if !usable() {
        return;
    }
    agrees(&on_newer_header(""));
}

#[test]
fn the_emergency_stop_opens_the_relay_of_a_newer_board_at_once() {
    if !usable() {
        return;
    }
    let session = on_newer_header("sleep 12; touch press");
    session.stopped(3, "mergency");
    session.opened_at_once("stop");
}

fn agrees(session: &Session) {
    let evaluated = session.agrees();
    // A slow part on I2C and a coarse converter tell the same air as the plant had it.
    let mut rig = config::load_rig(&support::shipped("tests/kernel-box/plant.toml")).expect("a rig");
    let ambient_c = support::virtual_spec(&mut rig).ambient.get();
    for channel in [Channel::CaseC, Channel::AmbientC] {
        let first = evaluated.recording.channels[&channel].samples(0.0, 1.0).next().expect("a reading").1;
        assert!((first - ambient_c).abs() < 1.5, "{channel}: {first} where the air has {ambient_c}");
    }
}

#[test]
fn the_emergency_stop_opens_the_relay_at_once() {
    if !usable() {
        return;
    }
    let session = on_header("sleep 12; touch press");
    session.stopped(3, "mergency");
    session.opened_at_once("stop");
}

#[test]
fn a_converter_unplugged_in_the_run_ends_it_with_the_supply_off() {
    if !usable() {
        return;
    }
    let session = on_header("sleep 12; echo spi0.0 > /sys/bus/spi/drivers/spidev/unbind");
    assert_eq!(session.file("meanwhile"), "", "the converter stayed");
    session.stopped(4, "mcp3208");
}

#[test]
fn a_part_on_i2c_that_acknowledges_no_more_ends_the_run_with_the_supply_off() {
    if !usable() {
        return;
    }
    let session = on_header("sleep 12; echo 0x48 > /sys/module/i2c_bench/parameters/silent");
    assert_eq!(session.file("meanwhile"), "", "the part answers still");
    session.stopped(4, "ads1115");
}

#[test]
fn pins_in_use_are_refused_and_the_run_that_has_them_goes_on() {
    if !usable() {
        return;
    }
    let second = "sleep 12; \"$bin/galebench\" preflight --rig \"$here/raspberry.toml\" --out \"$folder/second\"; \
                  echo \"status $?\"";
    let session = on_header(second);
    assert_eq!(session.status, Some(0), "{}", session.said);
    let second = session.file("meanwhile");
    assert!(
        second.contains("status 4") && second.contains("gpio:GPIO17: the line is in use by `galebench`"),
        "{second}"
    );
    assert!(session.evaluated().document.stopped.is_none());
}

/// Killed outright the program can do nothing: the monostable on its heartbeat opens the relay. The kernel has its lines
/// back, and the next start takes them, and the pulse output that went on.
#[test]
fn a_killed_program_loses_the_relay_and_leaves_nothing_that_the_next_start_trips_over() {
    if !usable() {
        return;
    }
    let kill = "sleep 12; cut -d' ' -f1 /proc/uptime; kill -9 $(cat running); sleep 1; cat /sys/class/pwm/pwmchip0/pwm0/enable; \
                \"$bin/galebench\" preflight --rig \"$here/raspberry.toml\" --out \"$folder/second\"; echo \"status $?\"; \
                ls /sys/class/pwm/pwmchip0";
    let session = on_header(kill);
    assert_eq!(session.status, Some(137), "{}", session.said);
    let meanwhile = session.file("meanwhile");
    let (killed_s, after) = meanwhile.split_once('\n').expect("the time, and what came after it");
    assert!(after.starts_with("1\n"), "the pulses went on: {after}");
    assert!(after.contains("status 0"), "{after}");
    assert!(!after.contains("pwm0"), "given back: {after}");
    let took_ns = session.last("relay", false) - (killed_s.parse::<f64>().expect("seconds") * 1e9) as i128;
    println!("killed to relay open: {:.0} ms of guest time", took_ns as f64 / 1e6);
    // Held for 100 ms after the last beat, which lies up to 15 ms before; /proc/uptime has hundredths of a second.
    assert!((HOLDS_NS - LATE_NS..HOLDS_NS + LATE_NS).contains(&took_ns), "{took_ns} ns");
}
