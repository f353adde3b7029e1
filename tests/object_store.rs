//! Records in an object store, against a server of the S3 protocol that we did not write (`tests/all` installs it): nothing lost
//! or doubled when it is killed, nothing used that was altered there, and over TLS with a shop's own authority.
#![cfg(feature = "s3")]
#![allow(clippy::unwrap_used, reason = "a test stops at what it does not expect")]

mod foreign;
mod sealed;
mod shelf;

use std::net::{TcpListener, TcpStream};
use std::os::unix::fs::PermissionsExt as _;
use std::path::{Path, PathBuf};
use std::process::{Child, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::{Duration, Instant};

use galebench::store::Store;
use sealed::{alter, lose, same, sealed_in, settle, take};

const KEY: &str = "bench";
const SECRET: &str = "not-for-anybody";

/// A server with the bucket `shop`; killed when dropped.
struct Server {
    folder: tempfile::TempDir,
    port: u16,
    tls: Option<[PathBuf; 2]>,
    running: Option<Child>,
}

impl Server {
    fn start(tls: Option<[PathBuf; 2]>) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::create_dir(folder.path().join("shop")).unwrap();
        let port = TcpListener::bind("127.0.0.1:0").and_then(|free| free.local_addr()).unwrap().port();
        let mut server = Self { folder, port, tls, running: None };
        server.begin();
        server
    }

    fn begin(&mut self) {
        let mut command = Command::new(foreign::program("rclone"));
        command.args(["serve", "s3", "--addr", &format!("127.0.0.1:{}", self.port)]);
        command.args(["--auth-key", &format!("{KEY},{SECRET}"), "--config", "/dev/null"]);
        if let Some([certificate, key]) = &self.tls {
            command.arg("--cert").arg(certificate).arg("--key").arg(key);
        }
        command.arg(self.folder.path()).stdout(Stdio::null()).stderr(Stdio::null());
        let mut running = command.spawn().unwrap();
        while TcpStream::connect(("127.0.0.1", self.port)).is_err() {
            assert!(running.try_wait().unwrap().is_none(), "the server ended by itself");
            std::thread::sleep(Duration::from_millis(20));
        }
        self.running = Some(running);
    }

    fn kill(&mut self) {
        if let Some(mut running) = self.running.take() {
            running.kill().unwrap();
            running.wait().unwrap();
        }
    }

    fn url(&self) -> String {
        let scheme = if self.tls.is_some() { "https" } else { "http" };
        format!("{scheme}://127.0.0.1:{}/shop/van-works", self.port)
    }

    /// Lets the folder of a bench know of it.
    fn serve(&self, root: &Path) {
        std::fs::write(root.join("store.toml"), format!("records = '{}'\n", self.url())).unwrap();
        let path = root.join("store-key.toml");
        std::fs::write(&path, format!("key_id = '{KEY}'\nsecret = '{SECRET}'\n")).unwrap();
        std::fs::set_permissions(&path, std::fs::Permissions::from_mode(0o600)).unwrap();
    }

    fn there(&self, root: &Path, dir: &Path) -> PathBuf {
        self.folder.path().join("shop/van-works/virtual").join(dir.strip_prefix(root).unwrap())
    }
}

impl Drop for Server {
    fn drop(&mut self) {
        self.kill();
    }
}

#[test]
fn killed_amid_four_writers_the_store_has_each_record_once_and_whole() {
    const EACH: usize = 20;
    /// Longer than a place that did not answer is left alone.
    const LEFT_ALONE: Duration = Duration::from_secs(12);
    let mut server = Server::start(None);
    // Two benches, two writers on each.
    let benches = [tempfile::tempdir().unwrap(), tempfile::tempdir().unwrap()];
    benches.iter().for_each(|bench| server.serve(bench.path()));
    let stored = AtomicUsize::new(0);
    let killed = AtomicBool::new(false);
    let wait_for = |count| {
        while stored.load(Ordering::SeqCst) < count {
            std::thread::sleep(Duration::from_millis(1));
        }
    };
    let shelf = server.folder.path().to_owned();
    let (mut arrived, mut more) = (0, 0);
    std::thread::scope(|scope| {
        for writer in 0..4 {
            let (stored, killed, root) = (&stored, &killed, benches[writer % 2].path());
            scope.spawn(move || {
                for i in 0..EACH {
                    // The kill falls among the writers, however slow the machine is.
                    while i >= EACH / 2 && !killed.load(Ordering::SeqCst) {
                        std::thread::sleep(Duration::from_millis(1));
                    }
                    take(root, &format!("TQ-{writer}{i:03}"), &format!("run-{writer}-{i:03}"));
                    stored.fetch_add(1, Ordering::SeqCst);
                }
            });
        }
        let mut asked = Instant::now();
        while arrived < 5 {
            arrived = sealed_in(&shelf).len();
            std::thread::sleep(Duration::from_millis(1));
            // A server that was slow once is left alone for a while, and asked again with the next record.
            if asked.elapsed() > LEFT_ALONE {
                take(benches[0].path(), &format!("TQ-9{more:03}"), &format!("run-9-{more:03}"));
                (more, asked) = (more + 1, Instant::now());
            }
        }
        server.kill();
        killed.store(true, Ordering::SeqCst);
        arrived = sealed_in(&shelf).len();
        wait_for(3 * EACH);
        server.begin();
    });
    assert!(arrived < 4 * EACH, "the kill must fall among the writers: {arrived} records had arrived");
    settle();
    for bench in &benches {
        let store = Store::open(bench.path(), true).unwrap();
        store.send().unwrap();
        assert_eq!(store.waiting().unwrap(), 0);
        // Sent twice, nothing is doubled.
        store.rebuild(bench.path()).unwrap();
        store.send().unwrap();
        assert_eq!(store.waiting().unwrap(), 0);
    }
    assert_eq!(sealed_in(&shelf).len(), 4 * EACH + more);
    for writer in 0..4 {
        let root = benches[writer % 2].path();
        for i in 0..EACH {
            let dir = root.join(format!("may-shelf-3/TQ-{writer}{i:03}/run-{writer}-{i:03}"));
            assert!(same(&dir, &server.there(root, &dir)), "{}", dir.display());
        }
    }
}

#[test]
fn a_record_comes_back_for_the_analysis_and_an_altered_one_is_refused() {
    let server = Server::start(None);
    let bench = tempfile::tempdir().unwrap();
    server.serve(bench.path());
    let dirs = ["run-1", "run-2"].map(|run| take(bench.path(), "TQ-0001", run));
    settle();
    // A server that was slow once is left alone for a while: what still waits for it is sent now.
    let store = Store::open(bench.path(), true).unwrap();
    store.send().unwrap();
    assert_eq!(store.waiting().unwrap(), 0);
    dirs.iter().for_each(|dir| lose(dir));
    alter(&server.there(bench.path(), &dirs[1]).join("events.jsonl"));
    let done = shelf::galebench(bench.path(), &["reanalyse", "--virtual"]).output().unwrap();
    let said = shelf::said(&done);
    assert_eq!(done.status.code(), Some(4), "{said}");
    assert!(said.contains("1 runs reanalysed") && said.contains("events.jsonl is not as it was sealed"), "{said}");
    assert!(!said.contains(SECRET));
}

#[test]
fn wrong_keys_and_a_missing_bucket_are_told_and_nothing_is_lost() {
    let server = Server::start(None);
    let bench = tempfile::tempdir().unwrap();
    server.serve(bench.path());
    let sync = |url: &str, secret: &str| {
        std::fs::write(bench.path().join("store.toml"), format!("records = '{url}'\n")).unwrap();
        let mut command = shelf::galebench(bench.path(), &["store", "sync"]);
        let output = command.env("AWS_ACCESS_KEY_ID", KEY).env("AWS_SECRET_ACCESS_KEY", secret).output().unwrap();
        (output.status.code(), shelf::said(&output))
    };
    std::fs::write(bench.path().join("store.toml"), "records = 'http://127.0.0.1:1/shop'\n").unwrap();
    take(bench.path(), "TQ-0001", "run-1");
    settle();
    let (status, said) = sync(&server.url(), "wrong-secret");
    assert!(status == Some(4) && said.contains("403") && said.contains("keys"), "{said}");
    assert!(!said.contains("wrong-secret"));
    let (status, said) = sync(&server.url().replace("/shop/", "/shelf/"), SECRET);
    assert!(status == Some(4) && said.contains("bucket"), "{said}");
    let (status, said) = sync(&server.url(), SECRET);
    assert!(status == Some(0) && said.contains("1 sent, 0 waiting"), "{said}");
}

#[test]
fn over_tls_a_shop_s_own_certificate_is_trusted_where_the_machine_trusts_it() {
    let folder = tempfile::tempdir().unwrap();
    let [certificate, key] = ["cert.pem", "key.pem"].map(|name| folder.path().join(name));
    let mut openssl = Command::new("openssl");
    openssl.args(["req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes", "-days", "2"]);
    openssl.args(["-subj", "/CN=127.0.0.1", "-addext", "subjectAltName=IP:127.0.0.1"]);
    openssl.args(["-addext", "basicConstraints=critical,CA:FALSE"]);
    let made = openssl.arg("-out").arg(&certificate).arg("-keyout").arg(&key).output().unwrap();
    assert!(made.status.success(), "{}", shelf::said(&made));
    let server = Server::start(Some([certificate.clone(), key]));
    let bench = tempfile::tempdir().unwrap();
    let dir = take(bench.path(), "TQ-0001", "run-1");
    server.serve(bench.path());
    shelf::run(bench.path(), &["reindex"]);
    let stranger = shelf::galebench(bench.path(), &["store", "sync"]).output().unwrap();
    assert_eq!(stranger.status.code(), Some(4), "an unknown certificate must be refused");
    let known = shelf::galebench(bench.path(), &["store", "sync"]).env("SSL_CERT_FILE", &certificate).output().unwrap();
    assert!(shelf::said(&known).contains("1 sent, 0 waiting"), "{}", shelf::said(&known));
    assert!(same(&dir, &server.there(bench.path(), &dir)));
}
