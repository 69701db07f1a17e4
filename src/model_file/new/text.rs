//! The text of a new model file, with its comments.

use super::functions::{NewFunction, functions_of};
use super::sides::CENTRE;
use super::{AIRFRAME_TAG_ID, NewModel, NewSurface};

impl NewModel {
    /// The text of the file. Surfaces of one function get a file without functions.
    pub fn to_toml(&self) -> String {
        let mut text = head(&quoted(&self.name), self.edge_mm);
        for surface in &self.surfaces {
            text += &surface_text(surface);
        }
        let functions = functions_of(&self.surfaces);
        if self.has_functions() {
            let functions = functions.iter().map(function_text);
            return text + FUNCTIONS + &functions.collect::<String>() + &self.radio_text();
        }
        for pair in functions.iter().flat_map(|function| &function.pairs) {
            text += &match_text(pair.left, pair.right, pair.motion);
        }
        if let [first, second, ..] = self.surfaces.as_slice()
            && self.lacks_pairs()
        {
            text += &commented_match(first, second);
        }
        text + STATIONS + &self.radio_text()
    }

    fn radio_text(&self) -> String {
        let example = self
            .pairs()
            .next()
            .map_or("right aileron", |(_, right)| &right.name);
        RADIO.replace("FOLLOWER", &quoted(example))
    }
}

fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// A line with its comment, in the column of all comments.
fn line(setting: &str, comment: &str) -> String {
    format!("{setting:<31} # {comment}\n")
}

fn head(name: &str, edge_mm: f64) -> String {
    let mut text = format!(
        "# Model file of hingewise. Lines that start with # are ignored; remove the # to use them.\n\
         format = 1\n\n[model]\nname = {name}\n\n[tags]\nfamily = \"36h11\"\n"
    );
    text += &line(
        &format!("edge_mm = {edge_mm:?}"),
        "black square's outer edge as printed: measure it",
    );
    text += "\n";
    text += &line(
        "[[airframe_tag]]",
        "on a part that does not move, in sight of the camera",
    );
    text += &format!("id = {AIRFRAME_TAG_ID}\n");
    text + &line("# edge_mm = 30.0", "where it differs from [tags]")
}

fn surface_text(surface: &NewSurface) -> String {
    let NewSurface {
        name,
        side,
        tag_id,
        upright,
    } = surface;
    let name = quoted(name);
    let mut text = format!("\n[[surface]]\nname = {name}\n");
    text += &match *side {
        CENTRE => line(
            "side = \"centre\"",
            "left | right | centre, seen from behind",
        ),
        side => format!("side = \"{side}\"\n"),
    };
    text += &format!("tag = {tag_id}\n");
    if *upright {
        text += &line("upright = true", "positive is trailing edge left");
    }
    text += &line("# edge_mm = 8.0", "where it differs from [tags]");
    text += &line(
        "# chord_mm = 92.0",
        "hinge line to trailing edge: gives throws in mm",
    );
    text + &line(
        "# hinge_to_tag_mm = { value = 88.0, sd = 1.0 }",
        "by a ruler; helps small surfaces",
    )
}

/// A function with its own match groups and stations.
fn function_text(function: &NewFunction<'_>) -> String {
    let names = function.surfaces.iter();
    let names: Vec<String> = names.map(|surface| quoted(&surface.name)).collect();
    let name = quoted(&function.name);
    let mut text = format!(
        "\n[[function]]\nname = {name}\nsurfaces = [{}]\n",
        names.join(", ")
    );
    for pair in &function.pairs {
        let group = match_text(pair.left, pair.right, pair.motion);
        text += &group.replace("[[match]]", "[[function.match]]");
    }
    text + &STATIONS.replace("[stations]", "[function.stations]")
}

fn match_text(left: &NewSurface, right: &NewSurface, motion: &str) -> String {
    let mut text = String::from("\n[[match]]\n");
    text += &line(
        &format!("reference = {}", quoted(&left.name)),
        "stays as it is",
    );
    text += &line(
        &format!("followers = [{}]", quoted(&right.name)),
        "gets the numbers",
    );
    text += &line(
        &format!("motion = \"{motion}\""),
        "same | opposite: how they move in this clip",
    );
    if motion == "opposite" {
        text += &line(
            "compare = \"up-with-up\"",
            "at the opposite stick position | up-with-down",
        );
        text += &line(
            "# down_to_up = 0.6",
            "differential: share of the command for the side going down",
        );
    }
    text += &line("tolerance_deg = 0.3", "largest mismatch that you accept");
    text + &line(
        "# target = \"smaller\"",
        "both get numbers: straight | throws | smaller",
    )
}

/// A match for the user to complete, if no two names belong together.
fn commented_match(first: &NewSurface, second: &NewSurface) -> String {
    let commented = |setting: String, comment: &str| line(&format!("# {setting}"), comment);
    let mut text = String::from("\n# [[match]]\n");
    text += &commented(
        format!("reference = {}", quoted(&first.name)),
        "stays as it is",
    );
    text += &commented(
        format!("followers = [{}]", quoted(&second.name)),
        "gets the numbers",
    );
    text += &commented(
        "motion = \"same\"".into(),
        "same | opposite: how they move in this clip",
    );
    text + &commented(
        "tolerance_deg = 0.3".into(),
        "largest mismatch that you accept",
    )
}

/// Introduction to the functions.
const FUNCTIONS: &str = r##"
# A function lists the surfaces that one stick moves. Film one clip for each function. `measure`
# finds the function by the surfaces that move; `measure --function NAME` chooses it. The report
# lists the surfaces that a clip does not show.
"##;

const STATIONS: &str = r##"
[stations]
from = "order"                  # order | cards | marks | log
# Where the stick is held, one after the other, each for two seconds:
order = [0, 25, 50, 75, 100, 75, 50, 25, 0, -25, -50, -75, -100, -75, -50, -25, 0]
# With a helper who shows a printed card at each hold, in any order, use this instead:
# from = "cards"
# file = "marks.csv"            # for marks and log: columns time_s, stick_pct
# neutral = { time_s = [0.0, 1.5] }   # only if no hold is at 0
# level = { time_s = [0.0, 1.5] }     # a part of the clip in which both surfaces are held level with each
#                                     # other; a clip of its own instead: measure --level CLIP
"##;

const RADIO: &str = r##"
# Output to a servo: limit(sub-trim + curve output × end point of its side).
# [radio]
# curve_points_pct = [-100, -75, -50, -25, 0, 25, 50, 75, 100]   # leave out if it has no curve
# curve_shows = "added"         # untouched, the curve page shows 0 everywhere | "output": the positions
# curve_limit_pct = 100         # largest |output| of the curve
# end_points = "after"          # after | before the curve
# step_pct = 1.0
# limit_pct = 150.0             # largest |output| to the servo
# joins = "straight"            # straight | smooth
# unit = "microseconds"         # the radio shows them: then write step_us, limit_us, … instead
# us_per_pct = 5.0              # microseconds for one percent
# [radio.active.FOLLOWER]       # what was already entered when the clip was taken
# sub_trim_pct = 0.0
# end_points_pct = [100, 100]   # at -100 and at +100
# input = "direct"              # reversed: a mix drives this servo with -100 %. Push the stick to +100
#                               # and change its end points: if the one at -100 acts, it is reversed
"##;
