//! `[[function]]` of the model file: what it means, its faults, and what `new` writes.

use std::path::Path;

use hingewise::model_file::{MatchMotion, ModelFile, NewModel, StationSource, default_cards};

/// A jet whose flaps are told by an order of their own.
const JET: &str = r#"format = 1
[model]
name = "Swift"
[tags]
edge_mm = 20.0
[[surface]]
name = "left aileron"
side = "left"
tag = 10
[[surface]]
name = "right aileron"
side = "right"
tag = 11
[[surface]]
name = "left flap"
side = "left"
tag = 12
[[surface]]
name = "right flap"
side = "right"
tag = 13
[[function]]
name = "ailerons"
surfaces = ["left aileron", "right aileron"]
[[function.match]]
reference = "left aileron"
followers = ["right aileron"]
motion = "opposite"
[[function]]
name = "flaps"
surfaces = ["left flap", "right flap"]
[[function.match]]
reference = "left flap"
followers = ["right flap"]
motion = "same"
[function.stations]
from = "order"
order = [0, 50, 100]
[stations]
from = "cards"
"#;

fn parsed(text: &str) -> ModelFile {
    ModelFile::parse(Path::new("model.toml"), text.into()).unwrap_or_else(|error| {
        let faults: Vec<String> = error.faults().iter().map(ToString::to_string).collect();
        panic!("{faults:#?}")
    })
}

#[test]
fn functions_have_match_groups_and_stations_of_their_own() {
    let model = parsed(JET);
    let [ailerons, flaps] = &model.functions[..] else {
        panic!("two functions")
    };
    assert_eq!(ailerons.name, "ailerons");
    assert_eq!(ailerons.surfaces, ["left aileron", "right aileron"]);
    assert_eq!(ailerons.matches[0].motion, MatchMotion::Opposite);
    assert_eq!(
        ailerons.stations.source,
        StationSource::Cards(default_cards())
    );
    assert_eq!(flaps.matches[0].reference, "left flap");
    let order = StationSource::Order(vec![0.0, 50.0, 100.0]);
    assert_eq!(flaps.stations.source, order);
    assert_eq!(model.cards(), default_cards());
}

#[test]
fn a_file_without_functions_keeps_its_meaning() {
    let text = std::fs::read_to_string("tests/data/model_file/good.toml").unwrap();
    let model = parsed(&text);
    assert!(model.functions.is_empty());
    assert_eq!(model.matches.len(), 1);
}

#[test]
fn two_functions_may_move_one_pair_and_share_cards() {
    let cards =
        "[function.stations]\nfrom = \"cards\"\ncards = { 201 = -100, 202 = 0, 203 = 100 }\n";
    let second = "[[function]]\nname = \"brakes\"\nsurfaces = [\"left aileron\", \"right aileron\"]\n\
                  [[function.match]]\nreference = \"right aileron\"\nfollowers = [\"left aileron\"]\n\
                  motion = \"same\"\n";
    let text = JET.replace(
        "[[function]]\nname = \"flaps\"",
        &format!("{cards}{second}{cards}[[function]]\nname = \"flaps\""),
    );
    let model = parsed(&text);
    assert_eq!(model.functions[0].stations, model.functions[1].stations);
    assert_eq!(model.cards().len(), default_cards().len() + 3);
}

/// Faults with the line that each is at.
fn faults_of(text: &str) -> Vec<(usize, String)> {
    match ModelFile::parse(Path::new("model.toml"), text.into()) {
        Ok(_) => vec![],
        Err(file) => file
            .faults()
            .iter()
            .map(|fault| {
                (
                    text[..fault.span.start].lines().count().max(1),
                    fault.to_string(),
                )
            })
            .collect(),
    }
}

#[test]
fn each_single_fault_of_a_function_raises_one_message_and_no_other() {
    let long_name = format!("name = \"{}\"", "o".repeat(101));
    let of_flaps = "surfaces = [\"left flap\", \"right flap\"]";
    let cases = [
        (
            "name = \"flaps\"\n",
            "",
            "`name` is missing in [[function]]",
        ),
        ("name = \"flaps\"", "name = \" \"", "`name` is empty"),
        ("name = \"flaps\"", &long_name, "`name` has 101 letters"),
        (
            "name = \"flaps\"",
            "name = \"ailerons\"",
            "two functions have the name \"ailerons\"",
        ),
        (of_flaps, "", "`surfaces` is missing in [[function]]"),
        (
            of_flaps,
            "surfaces = [\"left flap\", \"right flap\", \"left flap\"]",
            "the function lists \"left flap\" twice",
        ),
        (
            of_flaps,
            "surfaces = [\"left flap\", \"right flap\", \"rihgt flap\"]",
            "the function's surface \"rihgt flap\" is not a surface of this file",
        ),
        (
            "followers = [\"right flap\"]",
            "followers = [\"right flap\", \"left aileron\"]",
            "the follower \"left aileron\" is not a surface of the function \"flaps\"",
        ),
        (
            "reference = \"left flap\"",
            "reference = \"left aileron\"",
            "the reference \"left aileron\" is not a surface of the function \"flaps\"",
        ),
        (
            "motion = \"same\"\n",
            "",
            "`motion` is missing in [[function.match]]",
        ),
        (
            "order = [0, 50, 100]",
            "",
            "`order` is missing in `stations` of [[function]]",
        ),
        (
            "order = [0, 50, 100]",
            "order = [50, 100]",
            "`order` has no 0, so neutral is unknown",
        ),
        (
            "[stations]\nfrom = \"cards\"\n",
            "",
            "`stations` is missing in [[function]]",
        ),
        (
            "[stations]\n",
            "[[match]]\nreference = \"left flap\"\nfollowers = [\"right flap\"]\nmotion = \"same\"\n\
             [stations]\n",
            "this match group belongs to no function",
        ),
        (
            "[stations]\n",
            "[[surface]]\nname = \"rudder\"\nside = \"centre\"\ntag = 14\n[stations]\n",
            "no function moves the surface \"rudder\"",
        ),
        (
            "tag = 13",
            "tag = 130",
            "id 130 is the default card for 50 %",
        ),
        (
            "name = \"flaps\"",
            "name = \"flaps\"\ncolour = 1",
            "unknown key `colour` in [[function]]",
        ),
    ];
    for (good, bad, message) in cases {
        assert_eq!(JET.matches(good).count(), 1, "{good:?} names one place");
        let faults = faults_of(&JET.replacen(good, bad, 1));
        assert_eq!(faults.len(), 1, "{bad:?} gives {faults:#?}");
        assert!(faults[0].1.contains(message), "{bad:?} gives {faults:#?}");
    }
    let empty = JET.replacen(of_flaps, "surfaces = []", 1);
    let messages: Vec<String> = faults_of(&empty)
        .into_iter()
        .map(|(_, text)| text)
        .collect();
    assert_eq!(messages, ["`surfaces` is empty"]);
}

#[test]
fn all_faults_of_functions_are_reported_at_once_with_their_lines() {
    let text = JET
        .replace("name = \"flaps\"", "name = \"ailerons\"")
        .replace("motion = \"opposite\"", "motion = \"mirrored\"")
        .replace("order = [0, 50, 100]", "order = [0, 500]");
    let line_of = |words: &str| text[..text.find(words).unwrap()].lines().count() + 1;
    let second = text.rfind("name = \"ailerons\"").unwrap();
    let lines: Vec<usize> = faults_of(&text).into_iter().map(|(line, _)| line).collect();
    let expected = [
        line_of("motion = \"mirrored\""),
        text[..second].lines().count() + 1,
        line_of("order = [0, 500]"),
    ];
    assert_eq!(lines, expected, "{:#?}", faults_of(&text));
}

fn new_file(names: &[&str]) -> String {
    let names: Vec<String> = names.iter().map(|name| (*name).to_owned()).collect();
    NewModel::from_names("Swift", &names, 20.0)
        .unwrap()
        .to_toml()
}

/// Name, surfaces, and motion of the first match group of each function.
fn functions(model: &ModelFile) -> Vec<(&str, Vec<&str>, Option<MatchMotion>)> {
    let functions = model.functions.iter();
    functions
        .map(|function| {
            let surfaces = function.surfaces.iter().map(String::as_str).collect();
            let motion = function.matches.first().map(|group| group.motion);
            (function.name.as_str(), surfaces, motion)
        })
        .collect()
}

#[test]
fn new_groups_the_surfaces_of_a_jet_by_their_usual_names() {
    let text = new_file(&[
        "left aileron",
        "right aileron",
        "left elevator",
        "right elevator",
        "left flap",
        "right flap",
        "rudder",
    ]);
    insta::assert_snapshot!(text);
    let model = parsed(&text);
    let expected = [
        (
            "ailerons",
            vec!["left aileron", "right aileron"],
            Some(MatchMotion::Opposite),
        ),
        (
            "elevator",
            vec!["left elevator", "right elevator"],
            Some(MatchMotion::Same),
        ),
        (
            "flaps",
            vec!["left flap", "right flap"],
            Some(MatchMotion::Same),
        ),
        ("rudder", vec!["rudder"], None),
    ];
    assert_eq!(functions(&model), expected);
    for function in &model.functions {
        assert!(matches!(function.stations.source, StationSource::Order(_)));
    }
}

#[test]
fn new_gives_a_v_tail_two_functions_of_one_pair() {
    for name in ["ruddervator", "V-tail", "v tail", "vtail"] {
        let sides = ["left", "right"].map(|side| format!("{side} {name}"));
        let pair: Vec<&str> = sides.iter().map(String::as_str).collect();
        let expected = [
            ("elevator", pair.clone(), Some(MatchMotion::Same)),
            ("rudder", pair.clone(), Some(MatchMotion::Opposite)),
        ];
        assert_eq!(functions(&parsed(&new_file(&pair))), expected, "{name}");
    }
}

#[test]
fn new_writes_a_plain_file_where_all_surfaces_are_of_one_function() {
    let text = new_file(&["left aileron", "right aileron"]);
    assert!(!text.contains("[[function]]"));
    let model = parsed(&text);
    assert_eq!(model.matches[0].motion, MatchMotion::Opposite);
    assert!(matches!(model.stations.source, StationSource::Order(_)));
}

#[test]
fn names_that_are_not_usual_make_functions_of_their_own() {
    let model = parsed(&new_file(&[
        "left nose door",
        "right nose door",
        "Nasenhaken",
    ]));
    let expected = [
        (
            "nose door",
            vec!["left nose door", "right nose door"],
            Some(MatchMotion::Same),
        ),
        ("nasenhaken", vec!["Nasenhaken"], None),
    ];
    assert_eq!(functions(&model), expected);
}

#[test]
fn the_commented_lines_of_a_new_file_can_be_used() {
    let text = new_file(&[
        "left ruddervator",
        "right ruddervator",
        "left flap",
        "right flap",
    ]);
    let used = text
        .replace("from = \"order\"", "from = \"cards\"")
        .replace("# [radio]", "[radio]")
        .replace("# step_pct", "step_pct")
        .replace("# [radio.active", "[radio.active");
    let model = parsed(&used);
    assert_eq!(model.functions.len(), 3);
    assert_eq!(model.cards(), default_cards());
    assert!(model.radio.is_some());
}
