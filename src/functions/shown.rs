//! Which functions the motion of the surfaces shows.

use std::collections::BTreeSet;

use super::FunctionsError;
use crate::model_file::{Function, MatchMotion};
use crate::motion::Motion;

/// Two surfaces move alike or opposite ways where the correlation of their deflections is larger
/// than this. Whatever their linkages, with one stick that moves both it is close to 1.
const CLEAR_CORRELATION: f64 = 0.7;

/// The functions of which a surface was measured. Where several functions move one surface, as on a
/// V-tail, those stay whose surfaces move the same way or opposite ways as the function declares.
pub(super) fn by_motion<'f>(
    functions: &'f [Function],
    motion: &Motion,
) -> Result<Vec<&'f Function>, FunctionsError> {
    let measured: BTreeSet<&str> = motion
        .surfaces
        .iter()
        .map(|surface| surface.name.as_str())
        .collect();
    let moves = |function: &Function, name: &str| function.surfaces.iter().any(|one| one == name);
    let moving = functions.iter();
    let moving: Vec<&Function> = moving
        .filter(|function| measured.iter().any(|name| moves(function, name)))
        .collect();
    let shares = |function: &Function| {
        let others = moving.iter().filter(|other| other.name != function.name);
        let mut names = others.flat_map(|other| &other.surfaces);
        names.any(|name| measured.contains(name.as_str()) && moves(function, name))
    };
    let shown: Vec<&Function> = moving
        .iter()
        .copied()
        .filter(|function| !shares(function) || moves_as_declared(function, motion))
        .collect();
    for name in measured {
        let of = |functions: &[&Function]| -> Vec<String> {
            let own = functions.iter().filter(|function| moves(function, name));
            own.map(|function| function.name.clone()).collect()
        };
        if of(&shown).len() != 1 {
            return Err(FunctionsError::Ambiguous {
                surface: name.to_owned(),
                functions: of(&moving),
            });
        }
    }
    Ok(shown)
}

/// A surface that several of these functions move, and which.
pub(super) fn shared_surface(functions: &[&Function]) -> Option<(String, Vec<String>)> {
    let mut names = functions.iter().flat_map(|function| &function.surfaces);
    names.find_map(|name| {
        let moving = functions
            .iter()
            .filter(|function| function.surfaces.contains(name));
        let moving: Vec<String> = moving.map(|function| function.name.clone()).collect();
        (moving.len() > 1).then(|| (name.clone(), moving))
    })
}

/// Whether the sides of a function move as its match groups declare; not, where no pair was measured.
fn moves_as_declared(function: &Function, motion: &Motion) -> bool {
    let mut found = function.matches.iter().flat_map(|group| {
        let pairs = group.followers.iter();
        pairs.filter_map(|follower| {
            let correlation = correlation(motion, &group.reference, follower)?;
            Some(match group.motion {
                MatchMotion::Same => correlation > CLEAR_CORRELATION,
                MatchMotion::Opposite => correlation < -CLEAR_CORRELATION,
            })
        })
    });
    let first = found.next();
    first == Some(true) && found.all(|as_declared| as_declared)
}

/// Correlation of two surfaces' deflections over the frames that show both.
fn correlation(motion: &Motion, a: &str, b: &str) -> Option<f64> {
    let position = |name: &str| {
        let mut surfaces = motion.surfaces.iter();
        surfaces.position(|surface| surface.name == name)
    };
    let (a, b) = (position(a)?, position(b)?);
    let both: Vec<[f64; 2]> = motion
        .frames
        .iter()
        .filter_map(|frame| {
            let angle = |surface: usize| Some(frame.deflections[surface].as_ref()?.angle_rad);
            Some([angle(a)?, angle(b)?])
        })
        .collect();
    let count = both.len() as f64;
    let mean = |side: usize| both.iter().map(|pair| pair[side]).sum::<f64>() / count;
    let means = [mean(0), mean(1)];
    let product = |one: usize, other: usize| -> f64 {
        let products = both
            .iter()
            .map(|pair| (pair[one] - means[one]) * (pair[other] - means[other]));
        products.sum()
    };
    let correlation = product(0, 1) / (product(0, 0) * product(1, 1)).sqrt();
    correlation.is_finite().then_some(correlation)
}
