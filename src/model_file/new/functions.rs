//! Functions of a new model file, taken from the usual names of surfaces.

use super::NewSurface;
use super::sides::{has_words, without_side};

/// A usual word for a surface, or several in a row, and what such surfaces do: the function's
/// name, and how the sides of a pair move in it. Two lines of one word are two functions of the same pair.
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
    ("v tail", "elevator", SAME),
    ("v tail", "rudder", OPPOSITE),
    ("vtail", "elevator", SAME),
    ("vtail", "rudder", OPPOSITE),
    ("v leitwerk", "elevator", SAME),
    ("v leitwerk", "rudder", OPPOSITE),
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
        .filter(|(word, ..)| has_words(&surface.name, word));
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
    USUAL
        .iter()
        .any(|(word, ..)| has_words(&surface.name, word))
}

/// Whether the name of a surface is that of a rudder, which is upright.
pub(super) fn is_upright(name: &str) -> bool {
    let mut usual = USUAL.iter();
    usual.any(|&(word, function, motion)| {
        (function, motion) == ("rudder", SAME) && has_words(name, word)
    })
}

/// Left and right surfaces whose names differ in nothing but their side.
pub(super) fn sides<'s>(
    surfaces: impl Iterator<Item = &'s NewSurface> + Clone,
) -> impl Iterator<Item = (&'s NewSurface, &'s NewSurface)> {
    let rights = surfaces.clone().filter(|surface| surface.side == "right");
    let lefts = surfaces.filter(|surface| surface.side == "left");
    lefts.filter_map(move |left| {
        let name = without_side(&left.name);
        let named_alike = |right: &&NewSurface| without_side(&right.name) == name;
        Some((left, rights.clone().find(named_alike)?))
    })
}

/// The pairs of a function.
fn pairs<'s>(function: &NewFunction<'s>) -> Vec<Pair<'s>> {
    let pair = |(left, right): (&'s NewSurface, &'s NewSurface)| {
        let mut uses = uses(left).into_iter();
        let (_, motion) = uses.find(|(name, _)| *name == function.name)?;
        Some(Pair {
            left,
            right,
            motion,
        })
    };
    let surfaces = function.surfaces.iter().copied();
    sides(surfaces).filter_map(pair).collect()
}
