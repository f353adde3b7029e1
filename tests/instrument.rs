//! The `scpi` driver against an instrument simulator of others (`tests/foreign/supply.py` says which commands it knows):
//! set up off, switched, read, its errors told with the command that caused them, left off.

mod foreign;

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use galebench::bench::{Channel, Pace, Setting, Supply};
use galebench::config::{self, rig::Rig};
use galebench::driver;

/// The simulator at work; it ends with the test.
struct Simulator {
    child: Child,
    port: u16,
    _config: tempfile::TempDir,
}

impl Simulator {
    fn start() -> Self {
        let port = TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("bound").port();
        let folder = tempfile::tempdir().expect("a folder");
        let config = folder.path().join("supply.json");
        let text = format!(
            r#"{{"devices":[{{"class":"Supply","package":"supply","name":"psu","transports":[{{"type":"tcp","url":"127.0.0.1:{port}"}}]}}]}}"#
        );
        std::fs::write(&config, text).expect("the configuration is written");
        let child = Command::new(foreign::program("sinstruments-server"))
            .arg("-c")
            .arg(&config)
            .env("PYTHONPATH", Path::new(env!("CARGO_MANIFEST_DIR")).join("tests/foreign"))
            .stdout(Stdio::null())
            .stderr(Stdio::inherit())
            .spawn()
            .expect("the simulator starts");
        let simulator = Self { child, port, _config: folder };
        let deadline = Instant::now() + Duration::from_secs(60);
        while TcpStream::connect(("127.0.0.1", port)).is_err() {
            assert!(Instant::now() < deadline, "the simulator does not listen");
            std::thread::sleep(Duration::from_millis(50));
        }
        simulator
    }

    /// Asks it past the driver.
    fn ask(&self, query: &str) -> String {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("it listens");
        writeln!(stream, "{query}").expect("it takes a line");
        let mut answer = String::new();
        BufReader::new(stream).read_line(&mut answer).expect("it answers");
        answer.trim().to_owned()
    }
}

impl Drop for Simulator {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

/// A rig of this one supply: what it cannot do is left out.
fn rig(port: u16, current: &str) -> Rig {
    let text = std::fs::read_to_string("rigs/external.toml").expect("the rig file is there");
    let (from, to) = (text.find("[bench]").expect("a bench"), text.find("[command]").expect("a command"));
    let instead = format!(
        r#"[bench]
driver = "scpi"

[[instrument]]
name = "psu"
kind = "supply"
connect = "tcp:127.0.0.1:{port}"
voltage = "13 V"
current = "{current}"

[control.supply_on]
address = "psu"

[control.supply_gentle]
address = "psu"

[channel.supply_v]
address = "psu/voltage"
range = "20 V"
offset_u = "10 mV"
gain_u = "0.2 %"

[channel.supply_a]
address = "psu/current"
range = "125 A"
offset_u = "100 mA"
gain_u = "0.5 %"

[first_power]
means = "limited supply"
limit = "0.5 A"

"#
    );
    let text = format!("{}{instead}{}", &text[..from], &text[to..]);
    config::parse_rig(Path::new("rigs/one-supply.toml"), &text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn with(supply: Supply) -> Setting {
    Setting { supply, ..Setting::SAFE }
}

#[test]
fn a_foreign_supply_is_switched_and_read_and_its_errors_are_told() {
    let simulator = Simulator::start();
    assert_eq!(simulator.ask("OUTP?"), "1", "it comes up on, as its last user left it");
    let mut bench = driver::open(&rig(simulator.port, "2 A"), None).expect("it opens");
    assert_eq!((simulator.ask("OUTP?").as_str(), simulator.ask("VOLT?").as_str()), ("0", "13.0"));

    // 4 ohms at 13 V would draw 3.25 A: the limits hold, first power's and then the rig's.
    for (supply, amps) in [(Supply::Gentle, 0.5), (Supply::On, 2.0), (Supply::Off, 0.0)] {
        bench.set(&with(supply)).expect("it is set");
        // The reading under way belongs to before.
        bench.read(0.2, Pace::Normal).expect("it is read");
        let block = bench.read(0.2, Pace::Normal).expect("it is read");
        let (a, v) = (block.mean(Channel::SupplyA).expect("amps"), block.mean(Channel::SupplyV).expect("volts"));
        assert!((a - amps).abs() < 1e-4 && (v - 4.0 * amps).abs() < 1e-3, "{supply:?}: {a} A, {v} V");
    }
    bench.set(&with(Supply::On)).expect("it is set");
    bench.make_safe().expect("it is off");
    assert_eq!(simulator.ask("OUTP?"), "0");
    bench.set(&with(Supply::On)).expect("it is set");
    drop(bench);
    assert_eq!(simulator.ask("OUTP?"), "0", "dropping switches off");

    let error = driver::open(&rig(simulator.port, "99 A"), None).expect_err("beyond the supply").to_string();
    assert!(error.contains("`CURR 99` to instrument `psu`: it reports -222,\"Data out of range\""), "{error}");
    assert_eq!(simulator.ask("SYST:ERR?"), "0,\"No error\"", "the queue was read until empty");
    assert_eq!(simulator.ask("OUTP?"), "0");
}
