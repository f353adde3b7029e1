//! A crate at intake, through the real binary: units registered, tags printed, tags and grades put right afterwards.

use std::path::Path;
use std::process::{Command, Output};

use serde_json::Value;

fn run(arguments: &[&str]) -> Output {
    let mut command = Command::new(env!("CARGO_BIN_EXE_galebench"));
    command.current_dir(env!("CARGO_MANIFEST_DIR")).args(arguments).output().expect("the binary starts")
}

fn text(bytes: &[u8]) -> String {
    String::from_utf8(bytes.to_vec()).expect("output is UTF-8")
}

fn done(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert_eq!(output.status.code(), Some(0), "{arguments:?}: {}", text(&output.stderr));
    text(&output.stdout)
}

fn refused(arguments: &[&str]) -> String {
    let output = run(arguments);
    assert_eq!(output.status.code(), Some(2), "{arguments:?}: {}", text(&output.stderr));
    assert!(output.stdout.is_empty());
    text(&output.stderr)
}

fn spin(out: &str, unit: &str) {
    let rig = ["spin", "--rig", "rigs/virtual.toml", "--duty", "30 %", "--for", "1 s", "--frequency", "100 Hz"];
    done(&[&rig[..], &["--unit", unit, "--batch", "may-shelf-3", "--out", out, "--quiet"]].concat());
}

fn units(out: &str) -> Value {
    let shown = done(&["intake", "show", "--batch", "may-shelf-3", "--out", out, "--json"]);
    serde_json::from_str(&shown).expect("JSON")
}

#[test]
fn a_list_is_taken_in_whole_or_not_at_all_with_its_pictures() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("reports");
    let out = out.to_str().expect("UTF-8");
    let list = folder.path().join("crate.csv");
    std::fs::write(folder.path().join("plug.JPG"), b"a picture").expect("it can be written");
    let rows = "tag;donor;shelf;price;findings;photos\n\
                TQ-0001;grey van, 2009;3b;8.50 EUR;corroded+wet;plug.JPG\n\
                TQ-0002;white bus;3b;;none;\n";
    std::fs::write(&list, format!("{rows}bad tag;;;;;gone.jpg\n")).expect("it can be written");
    let list_path = list.to_str().expect("UTF-8");
    let import = ["intake", "import", list_path, "--batch", "may-shelf-3", "--out", out];
    let why = refused(&import);
    assert!(why.contains("line 4: unit `bad tag`") && why.contains("gone.jpg cannot be read"), "{why}");
    assert!(!Path::new(out).join("may-shelf-3").exists());

    std::fs::write(&list, rows).expect("it can be written");
    assert_eq!(done(&import), "2 units registered, more was noted of 0\n");
    assert_eq!(done(&import), "0 units registered, more was noted of 2\n");
    done(&["intake", "add", "TQ-0002", "--batch", "may-shelf-3", "--shelf", "4a", "--out", out]);
    let all = units(out);
    assert_eq!(all.as_array().map(Vec::len), Some(2));
    assert_eq!(all[0]["findings"], "corroded, wet");
    assert_eq!(all[0]["photos"], 1);
    assert_eq!((&all[1]["shelf"], &all[1]["donor"]), (&"4a".into(), &"white bus".into()));
    let photos = Path::new(out).join("may-shelf-3/TQ-0001/photos");
    assert_eq!(std::fs::read_dir(photos).expect("the folder is there").count(), 1);

    // The index can be lost: everything is in the journal.
    std::fs::remove_file(Path::new(out).join("galebench.db")).expect("it is there");
    done(&["reindex", "--out", out]);
    assert_eq!(units(out), all);
}

#[test]
fn tag_labels_of_a_batch_and_of_coming_units_become_files() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().join("reports");
    let out = out.to_str().expect("UTF-8");
    let to = |name: &str| folder.path().join(name).to_str().expect("UTF-8").to_owned();
    let pdf = to("tags.pdf");
    done(&["labels", "TQ-0001..TQ-0030", "--to", &pdf, "--out", out]);
    assert!(std::fs::read(&pdf).expect("it is there").starts_with(b"%PDF-"));
    let svg = to("tags.svg");
    let written = done(&["labels", "TQ-0001..TQ-0030", "--to", &svg, "--out", out]);
    assert_eq!(written.lines().count(), 2);
    assert!(std::fs::read_to_string(to("tags-2.svg")).expect("it is there").contains(">TQ-0030</text>"));
    assert!(refused(&["labels", "--to", &pdf, "--out", out]).contains("no tags are given"));
    assert!(refused(&["labels", "TQ-0001", "--to", &to("tags.png"), "--out", out]).contains(".pdf or .svg"));
}

#[test]
fn virtual_runs_print_no_result_label() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    spin(out, "TQ-0001");
    let to = folder.path().join("results.pdf");
    let why = refused(&["labels", "TQ-0001", "--results", "--out", out, "--to", to.to_str().expect("UTF-8")]);
    assert!(why.contains("virtual runs only"), "{why}");
    assert!(!to.exists());
}

#[test]
fn a_wrong_tag_and_a_persons_grade_are_shown_beside_what_was_recorded_even_after_a_rebuild() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    spin(out, "TQ-0002");
    let first = done(&["list", "--out", out, "--json"]);
    let first: Value = serde_json::from_str(&first).expect("JSON");
    let run_name = first[0]["run"].as_str().expect("a name").to_owned();
    done(&["retag", &run_name, "TQ-0003", "--by", "the foreman", "--out", out]);
    assert!(refused(&["grade", "TQ-0003", "fit", "--by", "", "--why", "x", "--out", out]).contains("the name"));
    assert!(refused(&["grade", "TQ-0003", "fit", "--by", "the foreman", "--out", out]).contains("--why"));
    let grade =
        ["grade", "TQ-0003", "restricted", "--by", "the foreman", "--why", "bench clip was loose", "--out", out];
    done(&grade);
    for rebuilt in [false, true] {
        if rebuilt {
            done(&["reindex", "--out", out]);
        }
        let list: Value = serde_json::from_str(&done(&["list", "--out", out, "--json"])).expect("JSON");
        assert_eq!((&list[0]["unit"], &list[0]["recorded_unit"]), (&"TQ-0003".into(), &"TQ-0002".into()));
        assert_eq!(list[0]["given"]["grade"], "restricted");
        assert_eq!(list[0]["given"]["by"], "the foreman");
        assert_eq!(list[0]["grade"], first[0]["grade"], "the measured grade stays");
        assert!(done(&["list", "--out", out]).contains("TQ-0003 (recorded TQ-0002)"));
    }
    done(&["grade", "TQ-0003", "--withdraw", "--by", "the foreman", "--out", out]);
    let list: Value = serde_json::from_str(&done(&["list", "--out", out, "--json"])).expect("JSON");
    assert_eq!(list[0]["given"], Value::Null);
}

#[test]
fn a_tag_that_two_batches_have_is_warned_of() {
    let folder = tempfile::tempdir().expect("a folder");
    let out = folder.path().to_str().expect("UTF-8");
    done(&["intake", "add", "TQ-0001", "--batch", "may-shelf-3", "--out", out]);
    let again = run(&["intake", "add", "TQ-0001", "--batch", "june-shelf-1", "--out", out]);
    assert_eq!(again.status.code(), Some(0), "it is a warning");
    assert!(text(&again.stderr).contains("TQ-0001 is registered in may-shelf-3 as well"), "{}", text(&again.stderr));
    let list = folder.path().join("crate.csv");
    std::fs::write(&list, "tag\nTQ-0001\nTQ-0002\n").expect("it can be written");
    let import = run(&["intake", "import", list.to_str().expect("UTF-8"), "--batch", "july-shelf-2", "--out", out]);
    let said = text(&import.stderr);
    assert!(said.contains("TQ-0001 is registered in june-shelf-1, may-shelf-3") && !said.contains("TQ-0002"), "{said}");
}
