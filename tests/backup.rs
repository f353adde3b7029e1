//! A backup and its restore: everything comes back as it was, nothing is overwritten, half an archive is refused.

use std::collections::BTreeMap;
use std::fs;
use std::path::{Path, PathBuf};
use std::process::{Command, Output};

fn galebench(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments).output().expect("the binary starts")
}

fn done(arguments: &[&str]) -> String {
    let output = galebench(arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", String::from_utf8_lossy(&output.stderr));
    String::from_utf8(output.stdout).expect("output is UTF-8")
}

/// That it ends with 2 and these words.
fn refused(arguments: &[&str], words: &str) {
    let output = galebench(arguments);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {said}");
    assert!(said.contains(words), "{arguments:?}: {said}");
}

fn text(path: &Path) -> &str {
    path.to_str().expect("the path is UTF-8")
}

/// All files below `dir` but the stores, by path.
fn files(dir: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    let mut found = BTreeMap::new();
    let mut left = vec![dir.to_owned()];
    while let Some(folder) = left.pop() {
        for entry in fs::read_dir(&folder).expect("a folder").map(|entry| entry.expect("an entry")) {
            let path = entry.path();
            if path.is_dir() {
                left.push(path);
            } else if !entry.file_name().to_string_lossy().contains(".db") {
                let name = path.strip_prefix(dir).expect("below").to_owned();
                found.insert(name, fs::read(&path).expect("a file"));
            }
        }
    }
    found
}

/// A shop with a registered unit, a picture and a virtual run.
fn shop(folder: &Path) -> PathBuf {
    let out = folder.join("reports");
    let picture = folder.join("case.jpg");
    fs::write(&picture, [7; 3000]).expect("the folder can be written");
    let to = ["--batch", "may-shelf-3", "--out", text(&out)];
    done(&[&["intake", "add", "TQ-0001", "--donor", "van, side door", "--photo", text(&picture)][..], &to].concat());
    let spin = ["spin", "--rig", "rigs/virtual.toml", "--duty", "30 %", "--for", "2 s", "--frequency", "100 Hz"];
    done(&[&spin[..], &["--unit", "TQ-0001", "--quiet"], &to].concat());
    out
}

#[test]
fn everything_comes_back_and_nothing_is_overwritten() {
    let folder = tempfile::tempdir().unwrap();
    let out = shop(folder.path());
    let archive = folder.path().join("shop.tar.lz4");
    let said = done(&["backup", text(&archive), "--out", text(&out)]);
    assert!(said.contains(" files, "), "{said}");
    let back = folder.path().join("back");
    done(&["restore", text(&archive), "--out", text(&back)]);
    assert_eq!(files(&out), files(&back));
    assert!(files(&back).len() > 7, "record, seal, documents, journal and picture: {:?}", files(&back).keys());

    let list = |out: &Path| done(&["list", "--csv", "--out", text(out)]).replace(text(out), "");
    assert!(list(&back).contains("TQ-0001"));
    assert_eq!(list(&out), list(&back), "the stores hold the same");
    let donors = ["list", "--donor", "side door", "--csv", "--out", text(&back)];
    assert!(done(&donors).contains("TQ-0001"), "what was noted at intake too");
    done(&["verify", text(&back)]);

    refused(&["backup", text(&archive), "--out", text(&out)], "is there already");
    refused(&["restore", text(&archive), "--out", text(&out)], "is not empty");
    refused(&["backup", text(&folder.path().join("x")), "--out", text(&folder.path().join("nowhere"))], "is no folder");
    // Into the folder that is packed: the archive does not take itself in.
    let inside = out.join("inside.tar.lz4");
    done(&["backup", text(&inside), "--out", text(&out)]);
    let again = folder.path().join("again");
    done(&["restore", text(&inside), "--out", text(&again)]);
    assert_eq!(files(&back), files(&again));
}

#[test]
fn half_an_archive_a_damaged_one_and_something_else_are_refused_and_leave_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let out = shop(folder.path());
    let archive = folder.path().join("shop.tar.lz4");
    done(&["backup", text(&archive), "--out", text(&out)]);
    let whole = fs::read(&archive).unwrap();
    let back = folder.path().join("back");
    let bad = folder.path().join("bad.tar.lz4");
    let try_with = |bytes: &[u8], words: &str| {
        fs::write(&bad, bytes).unwrap();
        refused(&["restore", text(&bad), "--out", text(&back)], words);
        assert!(!back.exists() && !folder.path().join("back.restoring").exists(), "nothing is left");
    };
    for share in [0.3, 0.6, 0.9, 0.99] {
        try_with(&whole[..(whole.len() as f64 * share) as usize], "is cut off or damaged");
    }
    // The very end: the frame's end mark and check sum.
    try_with(&whole[..whole.len() - 4], "is cut off or damaged");
    for place in [whole.len() / 3, whole.len() / 2, whole.len() - 2] {
        let mut damaged = whole.clone();
        damaged[place] ^= 0x40;
        try_with(&damaged, "is cut off or damaged");
    }
    try_with(b"PK\x03\x04 something else altogether", "is no backup of galebench");
    try_with(b"", "is no backup of galebench");
    refused(&["restore", text(&folder.path().join("none")), "--out", text(&back)], "cannot read");
}
