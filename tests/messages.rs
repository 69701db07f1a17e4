//! Messages for mistakes that people make while they type or write a file.
#![allow(clippy::unwrap_used)]

use std::path::Path;

use assert_cmd::Command;
use hingewise::model_file::{MatchMotion, ModelFile, Side, StationSource};
use predicates::prelude::*;
use predicates::str::contains;

fn hingewise(folder: &Path, arguments: &[&str]) -> assert_cmd::assert::Assert {
    Command::new(env!("CARGO_BIN_EXE_hingewise"))
        .current_dir(folder)
        .env("HINGEWISE_CACHE_DIR", folder.join("kept"))
        .args(arguments)
        .assert()
}

#[test]
fn a_file_name_with_spaces_needs_quotes() {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join("my jet.toml"), "").unwrap();
    let calls: [&[&str]; 3] = [
        &[
            "measure", "clip.mp4", "--model", "my", "jet.toml", "--out", "o",
        ],
        // Here the rest of the name is taken for the clip.
        &[
            "measure", "--model", "my", "jet.toml", "clip.mp4", "--out", "o",
        ],
        &[
            "print", "kit", "--model", "my", "jet.toml", "--out", "kit.pdf",
        ],
    ];
    for call in calls {
        hingewise(folder.path(), call)
            .code(2)
            .stderr(contains("in quotes").and(contains("\"my jet.toml\"")));
    }
}

#[test]
fn quotes_are_proposed_for_a_file_that_is_not_there() {
    let folder = tempfile::tempdir().unwrap();
    hingewise(
        folder.path(),
        &["measure", "clip.mp4", "--model", "my", "jet.toml"],
    )
    .code(2)
    .stderr(contains("in quotes").and(contains("\"my jet.toml\"")));
    // An unknown option is another matter.
    hingewise(
        folder.path(),
        &["measure", "clip.mp4", "--modle", "my.toml"],
    )
    .code(2)
    .stderr(contains("in quotes").not());
}

#[test]
fn surfaces_named_without_quotes_are_recognised() {
    let folder = tempfile::tempdir().unwrap();
    let call = ["new", "jet.toml", "left", "aileron", "right", "aileron"];
    hingewise(folder.path(), &call)
        .code(2)
        .stderr(contains("listed twice").and(contains("in quotes")));
    hingewise(folder.path(), &["new", "my", "jet.toml", "left aileron"])
        .code(2)
        .stderr(contains("jet.toml").and(contains("in quotes")));
    assert!(!folder.path().join("my").exists());
}

fn new_model(surfaces: &[&str]) -> (ModelFile, String, String) {
    let folder = tempfile::tempdir().unwrap();
    let call = [&["new", "heron.toml"][..], surfaces].concat();
    let said = hingewise(folder.path(), &call).success();
    let said = String::from_utf8(said.get_output().stdout.clone()).unwrap();
    let path = folder.path().join("heron.toml");
    let text = std::fs::read_to_string(&path).unwrap();
    (ModelFile::read(&path).unwrap(), text, said)
}

#[test]
fn sides_are_recognised_in_other_languages() {
    let pairs = [
        ["Querruder links", "Querruder rechts"],
        ["linke Klappe", "rechte Klappe"],
        ["aileron gauche", "aileron droit"],
        ["alerón izquierdo", "alerón derecho"],
        ["alettone sinistro", "alettone destro"],
        ["rolroer links", "rolroer rechts"],
        ["lewa lotka", "prawa lotka"],
        ["vänster skevroder", "höger skevroder"],
        ["elevator L", "elevator R"],
    ];
    for [left, right] in pairs {
        let (model, _, said) = new_model(&[left, right]);
        let sides: Vec<Side> = model.surfaces.iter().map(|surface| surface.side).collect();
        assert_eq!(sides, [Side::Left, Side::Right], "{left}");
        assert_eq!(model.matches.len(), 1, "{left}");
        assert!(!said.contains("centre"), "{said}");
    }
    let (model, ..) = new_model(&["Querruder links", "Querruder rechts", "Seitenruder"]);
    assert_eq!(model.matches[0].motion, MatchMotion::Opposite);
    assert!(model.surfaces[2].upright);
}

#[test]
fn a_side_that_no_name_says_is_asked_for() {
    let (model, text, said) = new_model(&["bal kormány", "jobb kormány"]);
    assert!(
        model
            .surfaces
            .iter()
            .all(|surface| surface.side == Side::Centre)
    );
    for part in [
        "\"bal kormány\"",
        "\"jobb kormány\"",
        "centre",
        "side",
        "[[match]]",
    ] {
        assert!(said.contains(part), "{part} is not in: {said}");
    }
    assert!(text.contains("# left | right | centre"), "{text}");
    assert!(text.contains("# reference = \"bal kormány\""), "{text}");
}

#[test]
fn a_new_file_proposes_holds_in_an_order_and_cards_as_the_other_way() {
    let (model, text, _) = new_model(&["left flap", "right flap"]);
    let StationSource::Order(order_pct) = model.stations.source else {
        panic!("{text}");
    };
    assert_eq!(order_pct.first(), Some(&0.0));
    assert_eq!(order_pct.last(), Some(&0.0));
    assert!(order_pct.contains(&100.0) && order_pct.contains(&-100.0));
    assert!(text.contains("# from = \"cards\""), "{text}");
}
