//! The trace of a clip that could not be measured: the files of every stage before the one that failed.

use std::collections::BTreeSet;

use super::film::{self, Film, LEFT, RIGHT};
use super::{Workplace, on_one_line};

/// Names of the files of the trace that a refused clip leaves.
fn traced(workplace: &Workplace) -> Vec<String> {
    let output = workplace.measure("film", &["--trace", "trace"]);
    let told = on_one_line(&output.stderr);
    assert_eq!(output.status.code(), Some(2), "{told}");
    assert!(!told.contains("trace was not written"), "{told}");
    let entries = std::fs::read_dir(workplace.path("trace")).unwrap();
    let names = entries.map(|entry| entry.unwrap().file_name().into_string().unwrap());
    let mut names: Vec<String> = names.collect();
    names.sort();
    names
}

/// The rows of a table of the trace, without its head.
fn rows(workplace: &Workplace, name: &str) -> Vec<Vec<String>> {
    let table = std::fs::read_to_string(workplace.path("trace").join(name)).unwrap();
    let rows = table.lines().skip(1);
    rows.map(|row| row.split(',').map(str::to_owned).collect())
        .collect()
}

#[test]
fn stations_that_do_not_fit_leave_the_sightings_the_fit_and_the_rests() {
    let workplace = Workplace::with(&film::good());
    let stations = "from = \"order\"\norder = [0, 100, 0, -100, 0, 100, 0]";
    workplace.write("model.toml", film::model(stations));
    let expected = [
        "1-clip.svg",
        "2-tags.csv",
        "2-tags.svg",
        "3-fit.csv",
        "4-rests.csv",
        "times.csv",
    ];
    assert_eq!(traced(&workplace), expected);

    let stages = rows(&workplace, "times.csv");
    let stages: Vec<&str> = stages.iter().map(|row| row[0].as_str()).collect();
    assert_eq!(stages, ["clip and tags", "motion"]);
    // The film has 67 frames with both surfaces and the airframe tag, and five holds.
    let tags = rows(&workplace, "2-tags.csv");
    let left = tags.iter().find(|row| row[0] == LEFT.to_string()).unwrap();
    assert_eq!(left[1], "67");
    let rests = rows(&workplace, "4-rests.csv");
    let numbers: BTreeSet<&str> = rests.iter().map(|row| row[0].as_str()).collect();
    assert_eq!(numbers.len(), 5);
    // No step of a search raises its cost, and the last search converged.
    let steps = rows(&workplace, "3-fit.csv");
    for pair in steps.windows(2).filter(|pair| pair[0][0] == pair[1][0]) {
        let [before, after] = [&pair[0], &pair[1]].map(|row| row[3].parse::<f64>().unwrap());
        assert!(after <= before, "{pair:?}");
    }
    let last = steps.last().unwrap();
    assert_eq!(
        [&last[1], &last[7]],
        ["with final weights", "converged"],
        "{last:?}"
    );
}

#[test]
fn a_fit_that_fails_leaves_the_sightings() {
    let film = Film {
        missing: vec![LEFT, RIGHT],
        ..film::good()
    };
    let workplace = Workplace::with(&film);
    let expected = ["1-clip.svg", "2-tags.csv", "2-tags.svg", "times.csv"];
    assert_eq!(traced(&workplace), expected);
}
