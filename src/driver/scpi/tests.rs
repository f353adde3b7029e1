//! Against a peer of our own that misbehaves in the ways that instruments do.

use std::fs::File;
use std::io::{BufRead as _, BufReader, Read, Write};
use std::net::TcpListener;
use std::path::{Path, PathBuf};
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, Mutex};

use super::*;
use crate::config::parse_rig;
use crate::config::rig::DriverSpec;
use crate::units::Volts;

/// What goes wrong, once the bench was opened and its supply is on.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Fault {
    None,
    /// Answers nothing any more.
    Silent,
    /// Answers measurements late, but well.
    Slow,
    /// Answers measurements with what is no number.
    Garbage,
    /// Says overload.
    Overload,
    /// Takes neither current limit nor voltage.
    Refuses,
    /// Closes the connection; takes a new one where that is a socket. A port is gone for good.
    Disconnects,
    /// Says that its output is on whatever it is told.
    Sticks,
}

#[derive(Debug, Default)]
struct State {
    on: bool,
    said: Vec<String>,
    errors: Vec<&'static str>,
}

/// How the supply is reached.
#[derive(Clone, Copy, Debug, PartialEq)]
enum Way {
    Socket,
    Port,
}

/// A supply on a socket or a serial port of its own.
struct Peer {
    connect: String,
    state: Arc<Mutex<State>>,
    broken: Arc<AtomicBool>,
}

impl Peer {
    fn start(fault: Fault, way: Way) -> Self {
        let (state, broken) = (Arc::new(Mutex::new(State::default())), Arc::new(AtomicBool::new(false)));
        let shared = (Arc::clone(&state), Arc::clone(&broken));
        let connect = match way {
            Way::Socket => {
                let listener = TcpListener::bind("127.0.0.1:0").unwrap();
                let connect = format!("connect = \"tcp:{}\"", listener.local_addr().unwrap());
                std::thread::spawn(move || {
                    for stream in listener.incoming() {
                        let (state, broken) = (Arc::clone(&shared.0), Arc::clone(&shared.1));
                        std::thread::spawn(move || {
                            let stream = stream.unwrap();
                            talk(stream.try_clone().unwrap(), stream, b'\n', fault, &state, &broken);
                        });
                    }
                });
                connect
            }
            // Lines end otherwise here, as instruments on serial ports like it.
            Way::Port => {
                let (far, path) = pseudo_terminal();
                let near = File::options().read(true).write(true).open(&path).unwrap();
                std::thread::spawn(move || {
                    // While somebody holds the near end the far one does not hang up when the driver lets go.
                    let _near = near;
                    talk(far.try_clone().unwrap(), far, b'\r', fault, &shared.0, &shared.1);
                });
                format!("connect = \"serial:{}:19200\"\nframe = \"8E1\"\nline_end = \"CR\"", path.display())
            }
        };
        Self { connect, state, broken }
    }

    fn open(&self) -> Result<ScpiBench, DriverError> {
        let (rig, spec) = self.rig();
        ScpiBench::open(&rig, &spec)
    }

    fn rig(&self) -> (Rig, ScpiSpec) {
        let rig = rig(&self.connect);
        let DriverSpec::Joined(shares) = &rig.driver else { panic!("several drivers") };
        let share = shares.iter().find(|share| share.driver.name() == "scpi").unwrap();
        let DriverSpec::Scpi(spec) = &share.driver else { panic!("no instruments") };
        (rig.of_share(share), (**spec).clone())
    }

    /// From now on the fault is there.
    fn break_down(&self) {
        self.broken.store(true, Ordering::Release);
    }

    fn on(&self) -> bool {
        self.state.lock().unwrap().on
    }

    fn said(&self) -> Vec<String> {
        self.state.lock().unwrap().said.clone()
    }
}

/// The far end of a new one, and the path of its near end.
fn pseudo_terminal() -> (File, PathBuf) {
    use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
    let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&far).unwrap();
    unlockpt(&far).unwrap();
    let path = ptsname(&far, Vec::new()).unwrap().into_string().unwrap();
    (File::from(far), PathBuf::from(path))
}

fn talk(asked: impl Read, mut said: impl Write, end: u8, fault: Fault, state: &Mutex<State>, broken: &AtomicBool) {
    for line in BufReader::new(asked).split(end) {
        let Ok(line) = line.map(|line| String::from_utf8(line).unwrap()) else { return };
        let broken = broken.load(Ordering::Acquire);
        if broken && fault == Fault::Silent {
            continue;
        }
        // The way back is a fresh connection.
        if broken && fault == Fault::Disconnects && line.starts_with("MEAS") {
            return;
        }
        if broken && fault == Fault::Slow && line.starts_with("MEAS") {
            std::thread::sleep(Duration::from_millis(700));
        }
        let mut state = state.lock().unwrap();
        state.said.push(line.clone());
        let answer = match line.as_str() {
            "*IDN?" => "TERN QUAY,SUPPLY 3,0,1.0".to_owned(),
            "OUTP ON" => {
                state.on = true;
                continue;
            }
            "OUTP OFF" => {
                state.on = broken && fault == Fault::Sticks;
                continue;
            }
            "OUTP?" => u8::from(state.on).to_string(),
            "SYST:ERR?" => state.errors.pop().unwrap_or("+0,\"No error\"").to_owned(),
            "MEAS:CURR?" if broken && fault == Fault::Garbage => "<html>404</html>".to_owned(),
            "MEAS:CURR?" if broken && fault == Fault::Overload => "9.9E37".to_owned(),
            "MEAS:CURR?" => if state.on { "+2.50000E+00" } else { "0.0001" }.to_owned(),
            // Some end their lines with both.
            "MEAS:VOLT?" => {
                format!("{}{}", if state.on { "12.98" } else { "0.01" }, if end == b'\n' { "\r" } else { "" })
            }
            text if (text.starts_with("CURR") || text.starts_with("VOLT")) && broken && fault == Fault::Refuses => {
                state.errors.extend(["-310,\"System error\"", "-222,\"Data out of range\""]);
                continue;
            }
            text if text.ends_with('?') => {
                state.errors.push("-113,\"Undefined header\"");
                continue;
            }
            _ => continue,
        };
        drop(state);
        let answer = [answer.as_bytes(), &[end]].concat();
        if said.write_all(&answer).is_err() {
            return;
        }
    }
}

/// The shipped board with a supply reached by `connect`, and its channels from the supply.
fn rig(connect: &str) -> Rig {
    let text = std::fs::read_to_string("rigs/linux-board.toml").unwrap();
    let instrument = format!(
        "[[instrument]]\nname = \"psu\"\nkind = \"supply\"\n{connect}\nidentity = \"SUPPLY 3\"\n\
         voltage = \"13 V\"\ncurrent = \"30 A\"\ntimeout = \"0.5 s\"\n\n# What can be commanded."
    );
    let text = text.replacen("# What can be commanded.", &instrument, 1);
    let text = text.replacen(
        "address = \"gpio:supply-relay\"\nfeedback = \"gpio:relay-feedback\"",
        "driver = \"scpi\"\naddress = \"psu\"",
        1,
    );
    let text = text.replacen(
        "address = \"gpio:pre-charge\"",
        "driver = \"scpi\"\naddress = \"psu\"\n\n[control.supply_v]\ndriver = \"scpi\"",
        1,
    );
    let range = "[supply]\nrange = { lowest = \"3 V\", highest = \"15 V\", slew = \"100 V/s\" }";
    let text = text.replacen("[supply]", range, 1);
    let text = text.replacen(
        "means = \"pre-charge\"        # or \"limited supply\" with `limit`, \"lamp\", \"none\"\nresistance = \"22 Ohm\"\nresistance_u = \"1 %\"",
        "means = \"limited supply\"\nlimit = \"2 A\"",
        1,
    );
    let (from, to) = (text.find("[channel.supply_v]").unwrap(), text.find("[channel.output_v]").unwrap());
    let channels = "[channel.supply_v]\ndriver = \"scpi\"\naddress = \"psu/voltage\"\nrange = \"24 V\"\noffset_u = \"10 mV\"\n\
        gain_u = \"0.1 %\"\n\n[channel.supply_a]\ndriver = \"scpi\"\naddress = \"psu/current\"\nrange = \"120 A\"\n\
        offset_u = \"10 mA\"\ngain_u = \"0.1 %\"\n\n";
    let text = format!("{}{channels}{}", &text[..from], &text[to..]);
    parse_rig(Path::new("rigs/bench.toml"), &text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn supply(supply: Supply) -> Setting {
    Setting { supply, ..Setting::SAFE }
}

/// Switches on, lets the fault come, and reads or sets until it shows.
fn until_it_shows(peer: &Peer, bench: &mut ScpiBench) -> String {
    bench.set(&supply(Supply::On)).unwrap();
    peer.break_down();
    let begin = Instant::now();
    loop {
        let outcome = bench.read(0.02, Pace::Normal).and_then(|_| bench.set(&supply(Supply::Gentle)));
        match outcome {
            Err(error) => return error.to_string(),
            Ok(_) => assert!(begin.elapsed() < Duration::from_secs(10), "nothing shows"),
        }
    }
}

#[test]
fn a_supply_is_set_up_off_switched_read_and_left_off() {
    for way in [Way::Socket, Way::Port] {
        set_up_off_switched_read_and_left_off(&Peer::start(Fault::None, way));
    }
}

fn set_up_off_switched_read_and_left_off(peer: &Peer) {
    let mut bench = peer.open().unwrap();
    let begun = peer.said();
    assert_eq!(begun[..2], ["OUTP OFF", "OUTP?"], "off before anything else");
    assert!(!begun.iter().any(|line| line.starts_with("*RST")), "{begun:?}");
    assert!(begun.contains(&"VOLT 13".to_owned()) && begun.contains(&"CURR 30".to_owned()), "{begun:?}");
    let rest = bench.read(0.02, Pace::Normal).unwrap();
    assert!(rest.mean(Channel::SupplyA).unwrap() < 0.01);
    bench.set(&supply(Supply::Gentle)).unwrap();
    assert!(peer.on() && peer.said().contains(&"CURR 2".to_owned()), "first power at its limit");
    bench.set(&supply(Supply::On)).unwrap();
    // A reading that was under way when the output came on belongs to before.
    bench.read(0.05, Pace::Normal).unwrap();
    let block = bench.read(0.05, Pace::Normal).unwrap();
    assert!((block.mean(Channel::SupplyA).unwrap() - 2.5).abs() < 1e-6 && block.duration_s >= 0.049, "{block:?}");
    assert!((block.mean(Channel::SupplyV).unwrap() - 12.98).abs() < 1e-4);
    let offers = bench.offers();
    assert!(offers.rate_hz > 1.0 && offers.alignment.channels[&Channel::SupplyV] > 0.0, "{offers:?}");
    assert!(bench.notes().iter().any(|note| note.contains("TERN QUAY,SUPPLY 3")));
    bench.make_safe().unwrap();
    assert!(!peer.on());
    bench.set(&supply(Supply::On)).unwrap();
    drop(bench);
    assert!(!peer.on(), "dropping switches off");
}

#[test]
fn a_voltage_is_set_while_it_is_on_and_every_end_goes_back_to_that_of_the_rig() {
    let peer = Peer::start(Fault::None, Way::Socket);
    let mut bench = peer.open().unwrap();
    let level = |volts: f64| Setting { supply_v: Some(Volts(volts)), ..supply(Supply::On) };
    let last = || peer.said().into_iter().rfind(|line| line.starts_with("VOLT")).unwrap();
    let sent = || peer.said().iter().filter(|line| line.starts_with("VOLT")).count();
    bench.set(&supply(Supply::On)).unwrap();
    assert_eq!((last().as_str(), sent()), ("VOLT 13", 1));
    bench.set(&level(4.5)).unwrap();
    bench.set(&level(4.5)).unwrap();
    assert_eq!((last().as_str(), sent()), ("VOLT 4.5", 2), "what does not change is not sent");
    bench.set(&supply(Supply::On)).unwrap();
    assert_eq!((last().as_str(), sent()), ("VOLT 13", 3), "without a level that of the rig");
    bench.set(&level(6.0)).unwrap();
    bench.make_safe().unwrap();
    let said = peer.said();
    let (off, back) =
        (said.iter().rposition(|line| line == "OUTP OFF"), said.iter().rposition(|line| line == "VOLT 13"));
    assert!(!peer.on() && off < back, "off before it moves: {said:?}");
    // On again at another level: set before the output goes on.
    bench.set(&level(8.0)).unwrap();
    let said = peer.said();
    assert!(
        said.iter().rposition(|line| line == "VOLT 8") < said.iter().rposition(|line| line == "OUTP ON"),
        "{said:?}"
    );
    drop(bench);
    assert_eq!((peer.on(), last().as_str()), (false, "VOLT 13"));
}

#[test]
fn a_voltage_that_is_not_taken_is_told_and_never_taken_for_that_of_the_rig() {
    let peer = Peer::start(Fault::Refuses, Way::Socket);
    let mut bench = peer.open().unwrap();
    bench.set(&supply(Supply::On)).unwrap();
    peer.break_down();
    let error = bench.set(&Setting { supply_v: Some(Volts(5.0)), ..supply(Supply::On) }).unwrap_err().to_string();
    assert!(error.contains("`VOLT 5` to instrument `psu`: it reports -222"), "{error}");
    bench.make_safe().unwrap();
    assert!(!peer.on());
    let error = bench.set(&supply(Supply::On)).unwrap_err().to_string();
    assert!(error.contains("`VOLT 13`") && !peer.on(), "its voltage is not known: {error}");
}

#[test]
fn each_fault_is_told_in_words_and_the_output_goes_off_where_it_can() {
    for way in [Way::Socket, Way::Port] {
        let closed = match way {
            Way::Socket => ("is gone: it closed the connection", Ok(())),
            Way::Port => ("is gone: ", Err("could not be reached anew to switch it off: there is no such port")),
        };
        for (fault, says, safe) in [
            (Fault::Silent, "did not answer within 0.5 s", Err("did not answer")),
            (Fault::Slow, "did not answer within 0.5 s", Ok(())),
            (
                Fault::Garbage,
                "`MEAS:CURR?` to instrument `psu`: it answered `<html>404</html>`, which is no number",
                Ok(()),
            ),
            (Fault::Overload, "overload", Ok(())),
            (
                Fault::Refuses,
                "`CURR 2` to instrument `psu`: it reports -222,\"Data out of range\"; -310,\"System error\"",
                Ok(()),
            ),
            (Fault::Disconnects, closed.0, closed.1),
        ] {
            let peer = Peer::start(fault, way);
            let mut bench = peer.open().unwrap();
            let error = until_it_shows(&peer, &mut bench);
            assert!(error.contains(says), "{fault:?} by {way:?}: {error}");
            let begin = Instant::now();
            match (bench.make_safe(), safe) {
                (Ok(_), Ok(())) => assert!(!peer.on(), "{fault:?} by {way:?}"),
                (Err(error), Err(says)) => {
                    assert!(error.to_string().contains(says), "{fault:?} by {way:?}: {error}");
                }
                (outcome, _) => panic!("{fault:?} by {way:?}: safe ended as {outcome:?}"),
            }
            assert!(begin.elapsed() < Duration::from_secs(7), "{fault:?} by {way:?}");
        }
    }
}

#[test]
fn an_output_that_stays_on_is_never_called_off() {
    let peer = Peer::start(Fault::Sticks, Way::Socket);
    let mut bench = peer.open().unwrap();
    bench.set(&supply(Supply::On)).unwrap();
    peer.break_down();
    let error = bench.make_safe().unwrap_err().to_string();
    assert!(error.contains("off is NOT confirmed"), "{error}");
}

#[test]
fn a_wrong_instrument_or_none_is_refused_when_opening() {
    let peer = Peer::start(Fault::None, Way::Socket);
    let (rig, mut spec) = peer.rig();
    spec.instruments[0].identity = Some("LOAD".to_owned());
    let error = ScpiBench::open(&rig, &spec).unwrap_err().to_string();
    assert!(error.contains("it says it is \"TERN QUAY,SUPPLY 3,0,1.0\""), "{error}");
    let nobody = TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap();
    let connect = format!("connect = \"tcp:{nobody}\"");
    let error = Peer { connect, ..peer }.open().unwrap_err().to_string();
    assert!(error.contains("is it on"), "{error}");
}

#[test]
fn a_port_that_is_held_missing_none_or_set_otherwise_is_told_and_given_back() {
    let peer = Peer::start(Fault::None, Way::Port);
    let held = peer.open().unwrap();
    let error = peer.open().unwrap_err().to_string();
    assert!(error.contains("another program holds the port"), "{error}");
    assert_eq!(peer.said().iter().filter(|line| *line == "*IDN?").count(), 1, "asked past the holder");
    drop(held);
    drop(peer.open().unwrap());

    let (_, path) = pseudo_terminal();
    let file = tempfile::NamedTempFile::new().unwrap();
    for (path, says) in [(path.as_path(), "there is no such port"), (file.path(), "it is no serial port")] {
        let connect = format!("connect = \"serial:{}:9600\"", path.display());
        let error = Peer { connect, ..Peer::start(Fault::None, Way::Socket) }.open().unwrap_err().to_string();
        assert!(error.contains(says), "{error}");
    }

    let connect = peer.connect.replace("\"CR\"", "\"LF\"");
    let error = Peer { connect, ..peer }.open().unwrap_err().to_string();
    assert!(error.contains("no fitting answer came at 19200 baud, 8E1, lines that end in LF"), "{error}");
}
