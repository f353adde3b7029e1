//! What the package brings is there, and says what the pages say. Units and rules are looked at by systemd's own tools
//! where they are installed; elsewhere the tests say NOT RUN.

use std::path::Path;
use std::process::Command;

fn read(path: &str) -> String {
    std::fs::read_to_string(path).unwrap_or_else(|error| panic!("{path}: {error}"))
}

/// Sources and targets of the package's files.
fn assets() -> Vec<(String, String)> {
    let manifest: toml::Table = read("Cargo.toml").parse().expect("a manifest");
    let deb = &manifest["package"]["metadata"]["deb"];
    let text = |value: &toml::Value| value.as_str().expect("text").to_owned();
    let assets = deb["assets"].as_array().expect("assets").iter();
    assets.map(|asset| (text(&asset[0]), text(&asset[1]))).collect()
}

/// Files that a pattern with at most one `*` in its last part names.
fn named(pattern: &str) -> usize {
    let (folder, name) = pattern.rsplit_once('/').unwrap_or((".", pattern));
    let (before, after) = name.split_once('*').unwrap_or((name, ""));
    let entries = std::fs::read_dir(folder).unwrap_or_else(|error| panic!("{folder}: {error}"));
    let names = entries.map(|entry| entry.expect("an entry").file_name().to_string_lossy().into_owned());
    names
        .filter(|file| match name.contains('*') {
            true => file.len() >= before.len() + after.len() && file.starts_with(before) && file.ends_with(after),
            false => file == name,
        })
        .count()
}

#[test]
fn every_file_of_the_package_is_there_and_on_the_page() {
    let page = read("docs/install.md");
    for (source, target) in assets() {
        if !source.starts_with("target/") {
            assert!(named(&source) > 0, "`{source}` names no file");
        }
        if source.starts_with("docs/board/") {
            let name = if target.ends_with('/') { source.rsplit('/').next().unwrap() } else { "" };
            assert!(page.contains(&format!("`/{target}{name}`")), "docs/install.md lacks /{target}{name}");
        }
    }
    // What is on the page as belonging to the package is packed.
    for line in page.lines().filter(|line| line.starts_with("| `/")) {
        let path = line.split('`').nth(1).unwrap().trim_start_matches('/');
        assert!(
            assets().iter().any(|(source, target)| {
                let name = source.rsplit('/').next().unwrap();
                target == path || format!("{target}{name}") == path || target.starts_with(path)
            }),
            "nothing is packed as /{path}"
        );
    }
}

#[test]
fn rules_and_limits_name_the_group_that_the_package_makes() {
    let made = read("docs/board/debian/postinst");
    assert!(made.contains("groupadd --system galebench"));
    let rules = read("docs/board/50-galebench.rules");
    for line in rules.lines().filter(|line| !line.is_empty() && !line.starts_with('#')) {
        assert!(line.contains("GROUP=\"galebench\"") || line.contains("chgrp galebench"), "{line}");
    }
    assert!(read("docs/board/limits.conf").contains("\n@galebench "));
}

/// Whether the tool is there; says so where it is not.
fn there(tool: &str) -> bool {
    let there = Command::new(tool).arg("--version").output().is_ok_and(|output| output.status.success());
    if !there {
        println!("NOT RUN: there is no {tool} here");
    }
    there
}

#[test]
fn units_are_units() {
    if !there("systemd-analyze") {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (name, instance) in [("galebench-can@", "can0"), ("galebench-trigger@", "bench")] {
        let unit = folder.path().join(format!("{name}{instance}.service"));
        std::fs::copy(format!("docs/board/{name}.service"), &unit).unwrap();
        let output = Command::new("systemd-analyze").arg("verify").arg(&unit).output().unwrap();
        let told = String::from_utf8_lossy(&output.stderr);
        // What other units of this machine are told of is not ours; nor is a program that is not installed here.
        let ours = told.lines().filter(|line| line.contains("galebench-") && !line.contains("is not executable"));
        assert_eq!(ours.collect::<Vec<_>>(), Vec::<&str>::new());
    }
}

#[test]
fn rules_are_rules() {
    let verify = Command::new("udevadm").args(["verify", "--help"]).output();
    if !verify.is_ok_and(|output| output.status.success()) {
        println!("NOT RUN: there is no `udevadm verify` here (systemd 254 and newer)");
        return;
    }
    let output = Command::new("udevadm")
        .args(["verify", "--resolve-names=never"])
        .arg(Path::new("docs/board/50-galebench.rules"))
        .output()
        .unwrap();
    assert!(
        output.status.success(),
        "{}{}",
        String::from_utf8_lossy(&output.stdout),
        String::from_utf8_lossy(&output.stderr)
    );
}
