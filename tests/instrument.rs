//! The `scpi` driver against an instrument simulator of others (`tests/foreign/supply.py` says which commands it knows):
//! set up off, switched, read, its errors told with the command that caused them, left off; over a socket and over a
//! serial port that the simulator plays by a pseudo-terminal.

mod foreign;

use std::io::{BufRead as _, BufReader, Write as _};
use std::net::{TcpListener, TcpStream};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::time::{Duration, Instant};

use galebench::bench::{Channel, Pace, Setting, Supply};
use galebench::config::{self, rig::Rig};
use galebench::driver;

/// The simulator at work, one supply with two ways to it; it ends with the test.
struct Simulator {
    child: Child,
    port: u16,
    folder: tempfile::TempDir,
}

impl Simulator {
    fn start() -> Self {
        let port = TcpListener::bind("127.0.0.1:0").expect("a free port").local_addr().expect("bound").port();
        let folder = tempfile::tempdir().expect("a folder");
        let config = folder.path().join("supply.json");
        let serial = folder.path().join("by-id/usb-psu-if00");
        let text = format!(
            r#"{{"devices":[{{"class":"Supply","package":"supply","name":"psu","transports":[
                {{"type":"serial","url":"{}","baudrate":19200}},{{"type":"tcp","url":"127.0.0.1:{port}"}}]}}]}}"#,
            serial.display()
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
        let simulator = Self { child, port, folder };
        let deadline = Instant::now() + Duration::from_secs(60);
        while TcpStream::connect(("127.0.0.1", port)).is_err() || !serial.exists() {
            assert!(Instant::now() < deadline, "the simulator does not listen");
            std::thread::sleep(Duration::from_millis(50));
        }
        simulator
    }

    /// The ways to it, as a rig file names them.
    fn ways(&self) -> [String; 2] {
        let serial = self.folder.path().join("by-id/usb-psu-if00");
        [format!("tcp:127.0.0.1:{}", self.port), format!("serial:{}:19200", serial.display())]
    }

    /// Tells it something past the driver.
    fn tell(&self, command: &str) {
        let mut stream = TcpStream::connect(("127.0.0.1", self.port)).expect("it listens");
        writeln!(stream, "{command}").expect("it takes a line");
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
fn rig(connect: &str, current: &str) -> Rig {
    let text = rig_text(connect, current);
    config::parse_rig(Path::new("rigs/one-supply.toml"), &text).unwrap_or_else(|problems| panic!("{problems}"))
}

fn rig_text(connect: &str, current: &str) -> String {
    let text = std::fs::read_to_string("rigs/external.toml").expect("the rig file is there");
    let (from, to) = (text.find("[bench]").expect("a bench"), text.find("[command]").expect("a command"));
    let instead = format!(
        r#"[bench]
driver = "scpi"

[[instrument]]
name = "psu"
kind = "supply"
connect = "{connect}"
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
    format!("{}{instead}{}", &text[..from], &text[to..])
}

fn with(supply: Supply) -> Setting {
    Setting { supply, ..Setting::SAFE }
}

#[test]
fn a_foreign_supply_is_switched_and_read_and_its_errors_are_told() {
    let simulator = Simulator::start();
    for way in simulator.ways() {
        switched_and_read(&simulator, &way);
    }
}

fn switched_and_read(simulator: &Simulator, way: &str) {
    simulator.tell("OUTP ON");
    assert_eq!(simulator.ask("OUTP?"), "1", "on, as its last user left it");
    let mut bench = driver::open(&rig(way, "2 A"), None).expect("it opens");
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

    let error = driver::open(&rig(way, "99 A"), None).expect_err("beyond the supply").to_string();
    assert!(error.contains("`CURR 99` to instrument `psu`: it reports -222,\"Data out of range\""), "{error}");
    assert_eq!(simulator.ask("SYST:ERR?"), "0,\"No error\"", "the queue was read until empty");
    assert_eq!(simulator.ask("OUTP?"), "0");
}

/// The cable of the supply is pulled while its output is on: the run ends, and says that nothing confirms off.
#[test]
fn a_port_that_is_unplugged_ends_the_run_with_off_not_confirmed() {
    let simulator = Simulator::start();
    let folder = tempfile::tempdir().expect("a folder");
    let file = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).expect("a file");
        path
    };
    let rig = file("rig.toml", &rig_text(&simulator.ways()[1], "2 A"));
    let stages = "[[stage]]\nfirst_power = {}\n\n[[stage]]\nsupply_open = { watch = \"60 s\" }\n";
    let plan = file("plan.toml", &format!("name = \"quiet\"\ntime_limit = \"10 min\"\n\n{stages}"));
    let mut run = Command::new(env!("CARGO_BIN_EXE_galebench"));
    run.args(["run", "--unit", "TQ-0001", "--quiet", "--rig"]).arg(rig).arg("--plan").arg(plan);
    let run = run.arg("--out").arg(folder.path().join("reports"));
    let run = run.stdout(Stdio::piped()).stderr(Stdio::piped()).spawn().expect("it starts");
    let deadline = Instant::now() + Duration::from_secs(60);
    while simulator.ask("OUTP?") != "1" || simulator.ask("CURR?") != "2.0" {
        assert!(Instant::now() < deadline, "the output never came on at the rig's limit");
        std::thread::sleep(Duration::from_millis(50));
    }
    drop(simulator);
    let ended = run.wait_with_output().expect("it ends");
    let said = String::from_utf8_lossy(&ended.stderr);
    assert_eq!(ended.status.code(), Some(4), "{said}");
    for due in ["instrument `psu`", "NOT confirmed"] {
        assert!(said.contains(due), "{due}: {said}");
    }
}
