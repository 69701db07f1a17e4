//! `hingewise print` as a person calls it.

use std::path::Path;

use assert_cmd::Command;
use predicates::prelude::*;
use predicates::str::contains;

fn print(folder: &Path, arguments: &[&str]) -> assert_cmd::assert::Assert {
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder)
        .arg("print")
        .args(arguments)
        .assert()
}

fn good_model() -> String {
    let folder = env!("CARGO_MANIFEST_DIR");
    format!("{folder}/tests/data/model_file/good.toml")
}

#[test]
fn every_kind_of_print_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let model = good_model();
    let orders: [&[&str]; 5] = [
        &["tags", "10", "11:8", "0-3:30"],
        &["tags", "10", "--bracket", "--lean-deg", "40"],
        &["board", "--chessboard", "9x6", "--square-mm", "20"],
        &[
            "board",
            "--charuco",
            "9x6",
            "--square-mm",
            "24",
            "--marker-mm",
            "18",
            "--dictionary",
            "dict_5x5_100",
        ],
        &["kit", "--model", &model, "--paper", "letter"],
    ];
    for (index, order) in orders.into_iter().enumerate() {
        let out = format!("{index}.pdf");
        print(folder.path(), &[order, &["--out", &out]].concat())
            .success()
            .stdout(contains(&out).and(contains("100.0 mm")));
        let file = std::fs::read(folder.path().join(&out)).unwrap();
        assert!(file.starts_with(b"%PDF-") && file.ends_with(b"%%EOF"));
    }
}

#[test]
fn an_existing_file_stays_as_it_is_unless_forced() {
    let folder = tempfile::tempdir().unwrap();
    let out = folder.path().join("tags.pdf");
    std::fs::write(&out, "mine").unwrap();
    let order = ["tags", "10", "--out", "tags.pdf"];
    print(folder.path(), &order)
        .code(2)
        .stderr(contains("--force"));
    // What cannot be printed leaves it alone even with --force.
    print(
        folder.path(),
        &["tags", "999", "--out", "tags.pdf", "--force"],
    )
    .code(2)
    .stderr(contains("tag 999").and(contains("0 to 586")));
    assert_eq!(std::fs::read(&out).unwrap(), b"mine");
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 1);
    print(folder.path(), &[&order[..], &["--force"]].concat()).success();
    assert_ne!(std::fs::read(&out).unwrap(), b"mine");
}

#[test]
fn what_cannot_be_printed_is_told_with_the_mend() {
    let folder = tempfile::tempdir().unwrap();
    let cases: [(&[&str], &str, &str); 6] = [
        (&["tags", "10:4"], "smallest is 6 mm", "overhang"),
        (&["tags", "x"], "is not a tag", "10, 0:30"),
        (
            &["board", "--chessboard", "9x6", "--square-mm", "40"],
            "does not fit on A4",
            "--square-mm",
        ),
        (
            &[
                "board",
                "--charuco",
                "9x6",
                "--square-mm",
                "24",
                "--marker-mm",
                "18",
                "--dictionary",
                "DICT_9X9",
            ],
            "no set of markers called DICT_9X9",
            "DICT_5X5_100",
        ),
        (
            &["tags", "10", "--measured-bar-mm", "9.87"],
            "cannot measure 9.87 mm",
            "end to end",
        ),
        (&["kit", "--model", "none.toml"], "none.toml", "help"),
    ];
    for (order, what, mend) in cases {
        print(folder.path(), &[order, &["--out", "out.pdf"]].concat())
            .code(2)
            .stdout("")
            .stderr(contains(what).and(contains(mend)));
    }
    assert_eq!(std::fs::read_dir(folder.path()).unwrap().count(), 0);
}

#[test]
fn a_corrected_print_says_what_becomes_of_the_model_file() {
    let folder = tempfile::tempdir().unwrap();
    let order = [
        "tags",
        "10",
        "--measured-bar-mm",
        "98,99",
        "--out",
        "tags.pdf",
    ];
    // 20 mm on a printer that makes 98 mm and 99 mm of 100 mm.
    print(folder.path(), &order)
        .success()
        .stdout(contains("corrected").and(contains("19.70")));
}

#[test]
fn json_is_all_that_stands_on_standard_output() {
    let folder = tempfile::tempdir().unwrap();
    let order = ["tags", "0-99:20", "--json", "--out", "tags.pdf"];
    let output = print(folder.path(), &order).success().get_output().clone();
    let result: serde_json::Value = serde_json::from_slice(&output.stdout).unwrap();
    assert_eq!(result["pdf"], "tags.pdf");
    assert!(result["sheets"].as_u64().unwrap() > 1);
}
