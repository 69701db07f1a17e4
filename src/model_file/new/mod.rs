//! A commented model file for surfaces that a person names.

use std::collections::BTreeSet;

use thiserror::Error;

use super::new_functions::{NewFunction, functions_of, has_usual_word, is_upright, sides};

/// Id of the airframe's tag in a new file.
const AIRFRAME_TAG_ID: u32 = 0;
/// First id given to a surface; the ids below stay free for more airframe tags.
const FIRST_SURFACE_TAG_ID: u32 = 10;
/// Most surfaces that get an id below the first default station card, 100.
const MOST_SURFACES: usize = 90;

/// The side of a surface whose name says no side.
const CENTRE: &str = "centre";

/// Words for left: English, German and Dutch, French, Spanish and Portuguese, Italian, Polish,
/// Czech, the Scandinavian languages.
const LEFT: [&str; 24] = [
    "left",
    "l",
    "lh",
    "port",
    "links",
    "linke",
    "linker",
    "linkes",
    "gauche",
    "izquierdo",
    "izquierda",
    "esquerdo",
    "esquerda",
    "sinistro",
    "sinistra",
    "lewy",
    "lewa",
    "lewe",
    "levý",
    "levá",
    "levé",
    "vänster",
    "vänstra",
    "venstre",
];

/// Words for right, in the same languages.
const RIGHT: [&str; 26] = [
    "right",
    "r",
    "rh",
    "starboard",
    "rechts",
    "rechte",
    "rechter",
    "rechtes",
    "droit",
    "droite",
    "derecho",
    "derecha",
    "direito",
    "direita",
    "destro",
    "destra",
    "prawy",
    "prawa",
    "prawe",
    "pravý",
    "pravá",
    "pravé",
    "höger",
    "högra",
    "højre",
    "høyre",
];

/// Why no model file can be made of the names.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum NewModelError {
    /// A name with nothing in it.
    #[error("a surface or the model has an empty name")]
    EmptyName,
    /// Two surfaces of one name.
    #[error("the surface {name:?} is listed twice")]
    RepeatedName {
        /// The name.
        name: String,
    },
    /// A surface that looks like the name of a file.
    #[error("{name:?} looks like the name of a file, not of a surface")]
    NamedLikeAFile {
        /// The name.
        name: String,
    },
    /// More surfaces than there are ids for.
    #[error("{count} surfaces are listed, but a new file has ids for {MOST_SURFACES}")]
    TooMany {
        /// Number of names.
        count: usize,
    },
    /// A tag size that cannot be meant.
    #[error("tags of {edge_mm} mm are not possible")]
    Edge {
        /// Outer edge of the black square.
        edge_mm: f64,
    },
}

impl NewModelError {
    /// What the person can do about it.
    pub fn mend(&self) -> &'static str {
        match self {
            Self::EmptyName => "name each surface, such as \"left aileron\"",
            Self::RepeatedName { .. } => {
                "give each surface its own name; put a name of several words in quotes, such as \
                 \"left aileron\""
            }
            Self::NamedLikeAFile { .. } => {
                "put a file name with spaces in quotes, such as \"my jet.toml\""
            }
            Self::TooMany { .. } => "write one file for each clip, or add the ids by hand",
            Self::Edge { .. } => "use the black square's outer edge in mm, such as 20",
        }
    }
}

/// A surface of a new file, from its name.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct NewSurface {
    pub name: String,
    pub side: &'static str,
    tag_id: u32,
    upright: bool,
}

/// What a new model file says.
#[derive(Debug, Clone, PartialEq)]
pub struct NewModel {
    name: String,
    edge_mm: f64,
    surfaces: Vec<NewSurface>,
}

impl NewModel {
    /// A model with these surfaces, whose sides and pairs are taken from the words left and right
    /// in their names, and their functions from the usual words, such as aileron.
    ///
    /// # Errors
    /// Names that are empty, repeated or too many.
    pub fn from_names(
        name: &str,
        surfaces: &[String],
        edge_mm: f64,
    ) -> Result<Self, NewModelError> {
        let names: Vec<&str> = surfaces.iter().map(|name| name.trim()).collect();
        if name.trim().is_empty() || names.contains(&"") {
            return Err(NewModelError::EmptyName);
        }
        if names.len() > MOST_SURFACES {
            return Err(NewModelError::TooMany { count: names.len() });
        }
        if !super::fields::EDGE_LIMITS.contains(edge_mm) {
            return Err(NewModelError::Edge { edge_mm });
        }
        if let Some(name) = names.iter().find(|name| name.ends_with(".toml")) {
            let name = name.to_string();
            return Err(NewModelError::NamedLikeAFile { name });
        }
        let mut seen = BTreeSet::new();
        if let Some(name) = names.iter().find(|name| !seen.insert(**name)) {
            let name = name.to_string();
            return Err(NewModelError::RepeatedName { name });
        }
        let surfaces = names
            .iter()
            .zip(FIRST_SURFACE_TAG_ID..)
            .map(|(name, tag_id)| NewSurface {
                name: name.to_string(),
                side: side_of(name),
                tag_id,
                upright: is_upright(name),
            })
            .collect();
        Ok(Self {
            name: name.trim().to_owned(),
            edge_mm,
            surfaces,
        })
    }

    /// Names and tag ids of the surfaces.
    pub fn surfaces(&self) -> impl Iterator<Item = (&str, u32)> {
        self.surfaces
            .iter()
            .map(|surface| (surface.name.as_str(), surface.tag_id))
    }

    /// Names of the surfaces whose side their names do not say.
    pub fn without_side(&self) -> impl Iterator<Item = &str> {
        let surfaces = self.surfaces.iter();
        surfaces
            .filter(|surface| surface.side == CENTRE)
            .map(|surface| surface.name.as_str())
    }

    /// Whether there are surfaces to match, but no two names differ in nothing but their side, and no
    /// usual words.
    pub fn lacks_pairs(&self) -> bool {
        self.surfaces.len() > 1 && self.pairs().next().is_none() && !self.has_functions()
    }

    /// Whether the names belong to several functions: not where none of them is usual and no two are a pair.
    fn has_functions(&self) -> bool {
        let is_told = self.pairs().next().is_some() || self.surfaces.iter().any(has_usual_word);
        is_told && functions_of(&self.surfaces).len() > 1
    }

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

    /// Surfaces whose names differ in nothing but left and right.
    fn pairs(&self) -> impl Iterator<Item = (&NewSurface, &NewSurface)> {
        sides(self.surfaces.iter())
    }

    fn radio_text(&self) -> String {
        let example = self
            .pairs()
            .next()
            .map_or("right aileron", |(_, right)| &right.name);
        RADIO.replace("FOLLOWER", &quoted(example))
    }
}

pub(super) fn words(name: &str) -> impl Iterator<Item = String> {
    name.split(|letter: char| !letter.is_alphanumeric())
        .filter(|word| !word.is_empty())
        .map(str::to_lowercase)
}

/// Whether a name has one word, or several in a row, each alone or with the s of a plural.
pub(super) fn has_words(name: &str, wanted: &str) -> bool {
    let of_name: Vec<String> = words(name).collect();
    let wanted: Vec<&str> = wanted.split(' ').collect();
    let mut runs = of_name.windows(wanted.len());
    runs.any(|run| {
        let mut pairs = run.iter().zip(&wanted);
        pairs.all(|(word, wanted)| word == wanted || word.strip_suffix('s') == Some(wanted))
    })
}

fn side_of(name: &str) -> &'static str {
    let has_any = |side: &[&str]| side.iter().any(|word| has_words(name, word));
    match (has_any(&LEFT), has_any(&RIGHT)) {
        (true, false) => "left",
        (false, true) => "right",
        _ => CENTRE,
    }
}

pub(super) fn without_side(name: &str) -> Vec<String> {
    words(name)
        .filter(|word| !LEFT.contains(&word.as_str()) && !RIGHT.contains(&word.as_str()))
        .collect()
}

fn quoted(text: &str) -> String {
    toml::Value::from(text).to_string()
}

/// A line with its comment in the column where all comments stand.
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

/// A match for a person to complete, where no two names belong together.
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

/// What is said before the functions.
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
