//! A PostgreSQL server of a test's own, in a temporary folder.

#![allow(dead_code, reason = "each user of this file needs a part of it")]

use std::net::TcpListener;
use std::os::unix::fs::{MetadataExt as _, chown};
use std::path::{Path, PathBuf};
use std::process::{Command, Stdio};

/// A running server; stopped when dropped.
pub(crate) struct Server {
    folder: tempfile::TempDir,
    port: u16,
}

/// The server's user, which may not be root.
const USER: &str = "postgres";

/// Where Debian keeps the server's programs, the newest version.
fn program(name: &str) -> PathBuf {
    let versions = std::fs::read_dir("/usr/lib/postgresql").into_iter().flatten().flatten();
    let found = versions.map(|version| version.path().join("bin").join(name)).filter(|path| path.exists()).max();
    found.unwrap_or_else(|| PathBuf::from(name))
}

/// A command of the server, run by a user who may.
fn command(name: &str, folder: &Path) -> Command {
    let is_root = folder.metadata().is_ok_and(|_| std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0));
    let mut command = if is_root {
        let mut command = Command::new("setpriv");
        command.args(["--reuid", USER, "--regid", USER, "--clear-groups", "--reset-env"]).arg(program(name));
        command
    } else {
        Command::new(program(name))
    };
    command.current_dir(folder).stdin(Stdio::null());
    command
}

fn run(mut command: Command) {
    let done = command
        .output()
        .unwrap_or_else(|e| panic!("{command:?}: {e} (Debian package `postgresql`; ./tests/all installs it)"));
    assert!(done.status.success(), "{command:?}: {}", String::from_utf8_lossy(&done.stderr));
}

impl Server {
    /// Makes and starts one.
    pub(crate) fn start() -> Self {
        let folder = tempfile::tempdir().expect("a temporary folder");
        if std::fs::metadata("/proc/self").is_ok_and(|own| own.uid() == 0) {
            let number = |flag| {
                let id = Command::new("id").args([flag, USER]).output().expect("id runs");
                String::from_utf8_lossy(&id.stdout)
                    .trim()
                    .parse::<u32>()
                    .expect("a user `postgres`; ./tests/all makes it")
            };
            chown(folder.path(), Some(number("-u")), Some(number("-g"))).expect("the folder is ours");
        }
        let port = TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).expect("a free port").port();
        let mut init = command("initdb", folder.path());
        init.args(["-A", "trust", "-U", "shop", "-E", "UTF8", "--no-sync", "-D"]).arg(folder.path().join("data"));
        run(init);
        let server = Self { folder, port };
        server.begin();
        server
    }

    fn control(&self, arguments: &[&str]) {
        let mut control = command("pg_ctl", self.folder.path());
        control.arg("-D").arg(self.folder.path().join("data")).args(["-w", "-l"]).arg(self.folder.path().join("log"));
        // Nothing may be inherited by the server, or waiting for the output would never end.
        control.args(arguments).stdout(Stdio::null()).stderr(Stdio::null());
        let status = control.status().expect("pg_ctl runs (Debian package `postgresql`; ./tests/all installs it)");
        let log = || std::fs::read_to_string(self.folder.path().join("log")).unwrap_or_default();
        assert!(status.success(), "{control:?}: {}", log());
    }

    /// Starts it, anew after a stop.
    pub(crate) fn begin(&self) {
        let options = format!("-p {} -c listen_addresses=127.0.0.1 -c unix_socket_directories=", self.port);
        self.control(&["-o", &options, "start"]);
    }

    /// Stops it as a power cut would.
    pub(crate) fn kill(&self) {
        self.control(&["-m", "immediate", "stop"]);
    }

    /// Its address.
    pub(crate) fn url(&self) -> String {
        format!("postgres://shop@127.0.0.1:{}/postgres", self.port)
    }

    /// Lets the folder of a bench know of it.
    pub(crate) fn serve(&self, root: &Path, bench: &str) {
        let text = format!("bench = '{bench}'\nindex = '{}'\n", self.url());
        std::fs::write(root.join("store.toml"), text).expect("the bench's folder can be written");
    }

    /// A connection past the program.
    #[cfg(feature = "postgres")]
    pub(crate) fn client(&self) -> postgres::Client {
        postgres::Client::connect(&self.url(), postgres::NoTls).expect("the server answers")
    }

    /// The number that a query gives.
    #[cfg(feature = "postgres")]
    pub(crate) fn count(&self, query: &str) -> i64 {
        self.client().query_one(query, &[]).expect("a number").get(0)
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        let mut stop = command("pg_ctl", self.folder.path());
        stop.arg("-D").arg(self.folder.path().join("data")).args(["-m", "immediate", "-w", "stop"]);
        // Already stopped in some tests.
        let _ = stop.stdout(Stdio::null()).stderr(Stdio::null()).status();
    }
}
