//! A run that asks for a hand, by the program itself on a terminal: the question, Enter, the count meanwhile, and what
//! comes of it where nobody is there or Ctrl-C is pressed.
#![cfg(target_os = "linux")]

mod support;

use std::fs::File;
use std::io::{Read as _, Write as _};
use std::path::Path;
use std::process::{Child, Command, Stdio};
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

use rustix::process::{Pid, Signal, kill_process};
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};

/// A terminal with the program on it.
struct Terminal {
    far: File,
    shown: Arc<Mutex<String>>,
    child: Child,
    folder: tempfile::TempDir,
}

impl Terminal {
    /// The watch on a bench that plays no hands: the example of an external program.
    fn run(more: &[&str]) -> Self {
        let folder = tempfile::tempdir().expect("a folder");
        let plan = folder.path().join("plan.toml");
        let stages =
            "[[stage]]\nfirst_power = {}\n[[stage]]\ndiscover = {}\n[[stage]]\nflex_watch = { watch = \"60 s\" }\n";
        std::fs::write(&plan, format!("name = \"flexed\"\ntime_limit = \"30 min\"\n{stages}")).expect("a plan");
        let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).expect("a terminal");
        grantpt(&far).expect("granted");
        unlockpt(&far).expect("unlocked");
        let path = ptsname(&far, Vec::new()).expect("a name").into_string().expect("a path of letters");
        let size = Winsize { ws_row: 24, ws_col: 200, ws_xpixel: 0, ws_ypixel: 0 };
        let near = || File::options().read(true).write(true).open(Path::new(&path)).expect("its near end");
        tcsetwinsize(near(), size).expect("a size");
        let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
        command.args(["run", "--unit", "TQ-0001", "--rig"]).arg(support::shipped("rigs/external.toml"));
        command.arg("--plan").arg(plan).arg("--out").arg(folder.path().join("reports"));
        command.arg("--json").arg(folder.path().join("results.json")).args(more);
        command.current_dir(support::shipped(".")).stdin(near()).stdout(Stdio::null()).stderr(near());
        let child = command.spawn().expect("it starts");
        // The command holds near ends of its own.
        drop(command);
        let far = File::from(far);
        let shown = Arc::new(Mutex::new(String::new()));
        let (mut screen, heard) = (far.try_clone().expect("a handle"), Arc::clone(&shown));
        std::thread::spawn(move || {
            let mut bytes = [0; 4096];
            while let Ok(count @ 1..) = screen.read(&mut bytes) {
                heard.lock().expect("nobody panicked").push_str(&String::from_utf8_lossy(&bytes[..count]));
            }
        });
        Self { far, shown, child, folder }
    }

    fn shown(&self) -> String {
        self.shown.lock().expect("nobody panicked").clone()
    }

    fn wait_for(&self, text: &str) {
        let deadline = Instant::now() + Duration::from_secs(120);
        while !self.shown().contains(text) {
            assert!(Instant::now() < deadline, "`{text}` is never shown: {}", self.shown());
            std::thread::sleep(Duration::from_millis(20));
        }
    }

    /// Enter, as soon as nobody can take it for one typed ahead.
    fn enter(&mut self) {
        std::thread::sleep(Duration::from_millis(500));
        self.far.write_all(b"\n").expect("typed");
    }

    /// Exit status and results.
    fn end(mut self) -> (Option<i32>, serde_json::Value) {
        let status = self.child.wait().expect("it ends").code();
        let text = std::fs::read_to_string(self.folder.path().join("results.json"));
        let text = text.unwrap_or_else(|error| panic!("{error}: {}", self.shown()));
        (status, serde_json::from_str(&text).expect("results"))
    }
}

#[test]
fn a_person_is_asked_watches_the_count_and_ends_it() {
    let mut terminal = Terminal::run(&[]);
    terminal.wait_for("Guard shut");
    terminal.enter();
    terminal.wait_for("0 drop-outs so far");
    terminal.enter();
    let (status, results) = terminal.end();
    assert_eq!(status, Some(0));
    let note = results["results"]["flex_dropouts"]["note"].as_str().expect("a note").to_owned();
    assert!(note.starts_with("0 in ") && !note.starts_with("0 in 60 s"), "ended by hand: {note}");
}

#[test]
fn unattended_the_watch_is_skipped_and_says_why() {
    let (status, results) = Terminal::run(&["--unattended"]).end();
    assert_eq!(status, Some(0));
    let why = results["absent"]["flex_dropouts"].as_str().expect("a reason");
    assert!(why.contains("skipped: nobody is at the bench"), "{why}");
}

#[test]
fn ctrl_c_at_the_question_stops_the_run_in_the_safe_state() {
    let terminal = Terminal::run(&[]);
    terminal.wait_for("Guard shut");
    let program = Pid::from_raw(i32::try_from(terminal.child.id()).expect("a number")).expect("a process");
    kill_process(program, Signal::INT).expect("sent");
    let (status, results) = terminal.end();
    assert_eq!(status, Some(3));
    assert_eq!(results["stopped"]["by"], "operator");
}
