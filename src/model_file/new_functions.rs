//! Functions of a new model file, taken from the usual names of surfaces.

use super::new::{NewSurface, without_side, words};

/// A usual word for a surface, and what such surfaces do: the function's name, and how the sides of a
/// pair move in it. Two lines of one word are two functions of the same pair.
///
/// Words of other languages (German, Dutch, French, Spanish, Italian, Polish, Swedish, Norwegian) are
/// from memory, the most usual ones only.
const USUAL: &[(&str, &str, &str)] = &[
    ("aileron", "ailerons", OPPOSITE),
    ("elevator", "elevator", SAME),
    ("tailplane", "elevator", SAME),
    ("stabiliser", "elevator", SAME),
    ("stabilizer", "elevator", SAME),
    ("stabilator", "elevator", SAME),
    ("canard", "elevator", SAME),
    ("ruddervator", "elevator", SAME),
    ("ruddervator", "rudder", OPPOSITE),
    ("elevon", "elevator", SAME),
    ("elevon", "ailerons", OPPOSITE),
    ("taileron", "elevator", SAME),
    ("taileron", "ailerons", OPPOSITE),
    ("rudder", "rudder", SAME),
    ("flaperon", "ailerons", OPPOSITE),
    ("flaperon", "flaps", SAME),
    ("flap", "flaps", SAME),
    ("slat", "slats", SAME),
    ("spoiler", "spoilers", SAME),
    ("airbrake", "airbrakes", SAME),
    ("querruder", "ailerons", OPPOSITE),
    ("rolroer", "ailerons", OPPOSITE),
    ("alerón", "ailerons", OPPOSITE),
    ("alerones", "ailerons", OPPOSITE),
    ("alettone", "ailerons", OPPOSITE),
    ("alettoni", "ailerons", OPPOSITE),
    ("lotka", "ailerons", OPPOSITE),
    ("skevroder", "ailerons", OPPOSITE),
    ("höhenruder", "elevator", SAME),
    ("hoogteroer", "elevator", SAME),
    ("profondeur", "elevator", SAME),
    ("höjdroder", "elevator", SAME),
    ("seitenruder", "rudder", SAME),
    ("richtingsroer", "rudder", SAME),
    ("sidoroder", "rudder", SAME),
    ("sideror", "rudder", SAME),
    ("landeklappe", "flaps", SAME),
    ("wölbklappe", "flaps", SAME),
    ("volet", "flaps", SAME),
];

const SAME: &str = "same";
const OPPOSITE: &str = "opposite";

/// A function of a new file.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct NewFunction<'s> {
    pub name: String,
    pub surfaces: Vec<&'s NewSurface>,
    /// Surfaces whose names differ only in left and right.
    pub pairs: Vec<Pair<'s>>,
}

/// Two sides of a function.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Pair<'s> {
    pub left: &'s NewSurface,
    pub right: &'s NewSurface,
    pub motion: &'static str,
}

/// The functions of some surfaces, in the order of their first surface. A surface without a usual
/// word makes a function with those that are named alike but for the side.
pub(super) fn functions_of(surfaces: &[NewSurface]) -> Vec<NewFunction<'_>> {
    let mut functions: Vec<NewFunction<'_>> = Vec::new();
    for surface in surfaces {
        for (name, _) in uses(surface) {
            match functions.iter_mut().find(|function| function.name == name) {
                Some(function) => function.surfaces.push(surface),
                None => functions.push(NewFunction {
                    name,
                    surfaces: vec![surface],
                    pairs: Vec::new(),
                }),
            }
        }
    }
    for function in &mut functions {
        function.pairs = pairs(function);
    }
    functions
}

/// Name of each function of a surface, with the motion of its sides.
fn uses(surface: &NewSurface) -> Vec<(String, &'static str)> {
    let usual = USUAL
        .iter()
        .filter(|(word, ..)| has_word(&surface.name, word));
    let uses: Vec<(String, &'static str)> = usual
        .map(|(_, function, motion)| ((*function).to_owned(), *motion))
        .collect();
    if uses.is_empty() {
        return vec![(without_side(&surface.name).join(" "), SAME)];
    }
    uses
}

/// Whether the name of a surface says what it does.
pub(super) fn has_usual_word(surface: &NewSurface) -> bool {
    USUAL.iter().any(|(word, ..)| has_word(&surface.name, word))
}

/// Surfaces of a function whose names differ in nothing but left and right.
fn pairs<'s>(function: &NewFunction<'s>) -> Vec<Pair<'s>> {
    let on = |side| {
        let surfaces = function.surfaces.iter().copied();
        surfaces.filter(move |surface: &&NewSurface| surface.side == side)
    };
    let pair = |left: &'s NewSurface| {
        let name = without_side(&left.name);
        let right = on("right").find(|right| without_side(&right.name) == name)?;
        let (_, motion) = uses(left)
            .into_iter()
            .find(|(name, _)| *name == function.name)?;
        Some(Pair {
            left,
            right,
            motion,
        })
    };
    on("left").filter_map(pair).collect()
}

/// Whether a name has a word, alone or with the s of a plural.
fn has_word(name: &str, wanted: &str) -> bool {
    words(name).any(|word| word == wanted || word.strip_suffix('s') == Some(wanted))
}
