//! What others read: terminals, pages and tables show names as what they are, and run nothing.

use std::path::Path;

use super::{hingewise, project};

/// A name that colours a terminal, turns the direction of writing, and is a formula and a tag of HTML.
const NAME: &str = "=left\u{1b}[31m\u{202e}<script>";

/// A kept measurement in which the left surface has that name.
fn measurement(folder: &Path) {
    let kept = std::fs::read_to_string(project("tests/data/measurement/before.json")).unwrap();
    let mut kept: serde_json::Value = serde_json::from_str(&kept).unwrap();
    let name = kept["surfaces"][0]["name"].as_str().unwrap().to_owned();
    let text = serde_json::to_string(&kept["surfaces"]).unwrap();
    assert!(text.contains(&name));
    rename(&mut kept, &name);
    std::fs::write(folder.join("measurement.json"), kept.to_string()).unwrap();
}

fn rename(value: &mut serde_json::Value, name: &str) {
    match value {
        serde_json::Value::String(text) if text == name => *text = NAME.into(),
        serde_json::Value::Array(entries) => {
            entries.iter_mut().for_each(|entry| rename(entry, name))
        }
        serde_json::Value::Object(entries) => {
            let fields = std::mem::take(entries);
            for (key, mut entry) in fields {
                rename(&mut entry, name);
                let key = if key == name { NAME.into() } else { key };
                entries.insert(key, entry);
            }
        }
        _ => {}
    }
}

#[test]
fn names_are_harmless_in_terminals_pages_and_tables() {
    let folder = tempfile::tempdir().unwrap();
    measurement(folder.path());
    let output = hingewise(folder.path())
        .args(["match", "measurement.json", "--out", "out"])
        .output()
        .unwrap();
    let shown = String::from_utf8(output.stdout).unwrap();
    assert!(
        output.status.success(),
        "{}",
        super::said(
            &hingewise(folder.path())
                .args(["match", "measurement.json"])
                .output()
                .unwrap()
        )
    );
    assert!(!shown.contains(['\u{1b}', '\u{202e}']), "{shown:?}");
    assert!(shown.contains("\\u{1b}[31m\\u{202e}"), "{shown}");
    let read = |name: &str| std::fs::read_to_string(folder.path().join("out").join(name)).unwrap();
    let page = read("report.html");
    assert!(!page.contains(['\u{1b}', '\u{202e}']) && !page.contains("<script"));
    let table = read("stations.csv");
    assert!(table.contains("'=left[31m<script>"), "{table}");
    assert!(!table.lines().any(|line| line.starts_with('=')), "{table}");
}

#[test]
fn json_on_standard_output_stays_json() {
    let folder = tempfile::tempdir().unwrap();
    measurement(folder.path());
    let output = hingewise(folder.path())
        .args(["match", "measurement.json", "--json"])
        .output()
        .unwrap();
    let shown = String::from_utf8(output.stdout).unwrap();
    assert!(!shown.contains(['\u{1b}', '\u{202e}']), "{shown:?}");
    let read: serde_json::Value = serde_json::from_str(&shown).unwrap();
    assert_eq!(read["surfaces"][0]["name"], NAME);
}

#[test]
fn errors_show_names_and_lines_escaped() {
    let folder = tempfile::tempdir().unwrap();
    let model = "format = 1\nname\u{1b}[31m = \"a\u{202e}b\"\n";
    std::fs::write(folder.path().join("mo\u{1b}[2Jdel.toml"), model).unwrap();
    let output = hingewise(folder.path())
        .args([
            "print",
            "kit",
            "--model",
            "mo\u{1b}[2Jdel.toml",
            "--out",
            "kit.pdf",
        ])
        .output()
        .unwrap();
    let said = String::from_utf8(output.stderr).unwrap();
    assert_eq!(output.status.code(), Some(2));
    assert!(!said.contains(['\u{1b}', '\u{202e}']), "{said:?}");
    assert!(said.contains("mo\\u{1b}[2Jdel.toml"), "{said}");
}

#[test]
fn every_page_carries_a_policy_that_lets_nothing_run() {
    // W3C, Content Security Policy Level 3: `default-src 'none'` forbids scripts, frames and requests.
    const POLICY: &str = "http-equiv=\"Content-Security-Policy\" content=\"default-src 'none'";
    let folder = tempfile::tempdir().unwrap();
    for name in ["before", "after"] {
        let kept = project(&format!("tests/data/measurement/{name}.json"));
        std::fs::create_dir(folder.path().join(name)).unwrap();
        std::fs::copy(kept, folder.path().join(name).join("measurement.json")).unwrap();
    }
    let mut pages = 0;
    for arguments in [
        vec!["match", "before/measurement.json", "--out", "again"],
        vec![
            "compare",
            "before/measurement.json",
            "after/measurement.json",
            "--out",
            "compared",
        ],
    ] {
        let output = hingewise(folder.path()).args(arguments).output().unwrap();
        assert!(output.status.code() < Some(2), "{}", super::said(&output));
    }
    for page in ["again/report.html", "compared/comparison.html"] {
        let text = std::fs::read_to_string(folder.path().join(page)).unwrap();
        let head = text.split("</head>").next().unwrap();
        assert!(head.contains(POLICY), "{page}");
        // Before anything that it is to hold for.
        assert!(head.find(POLICY) < head.find("<style"), "{page}");
        pages += 1;
    }
    assert_eq!(pages, 2);
    for template in std::fs::read_dir(project("src/report/templates")).unwrap() {
        let path = template.unwrap().path();
        let text = std::fs::read_to_string(&path).unwrap();
        // The shared head is the only one, so a page that carries another head would be without the policy.
        let whole_page = text.contains("<title>");
        let shared_head = path.ends_with("head.html");
        assert!(
            text.contains("<head>") == shared_head
                && text.contains(POLICY) == shared_head
                && text.contains("{% include \"head.html\" %}") == whole_page,
            "{}",
            path.display()
        );
    }
}
