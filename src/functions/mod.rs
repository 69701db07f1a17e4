//! Functions in a clip: which of the declared functions it shows, and what each of them needs.
//!
//! A function is a group of surfaces that one stick moves, with match groups and stations of its own.
//! A person names the functions of a clip, or the motion of the surfaces shows them. All surfaces are
//! fitted together; stations, responses and numbers are then found for each function by itself.

mod cards;
mod error;
mod shown;
mod warning;

use std::collections::BTreeSet;

pub use cards::cards_shown_for;
pub use error::FunctionsError;
pub use warning::FunctionsWarning;

use crate::model_file::{Function, MatchGroup, ModelFile};
use crate::motion::{LeftOut, Motion};
use crate::table_reader::closest;

/// Which functions a clip is to be measured for.
#[derive(Debug, Clone, PartialEq)]
pub enum Wanted {
    /// The file declares none: all its surfaces together.
    Whole,
    /// Those that move.
    Moving,
    /// Those that were named, in the order of the file.
    Named(Vec<Function>),
}

/// A function that a clip shows.
#[derive(Debug, Clone, PartialEq)]
pub struct ClipFunction {
    /// Its name; `None` where the file declares no functions.
    pub name: Option<String>,
    /// What is declared of those of its surfaces that were measured.
    pub model: ModelFile,
    /// Their positions in [`Motion::surfaces`].
    pub surfaces: Vec<usize>,
}

/// A declared surface that a clip does not measure.
#[derive(Debug, Clone, PartialEq)]
pub struct Missing {
    /// Name of the surface.
    pub surface: String,
    /// Why; `None` where its function was not asked for.
    pub left_out: Option<LeftOut>,
    /// Measured surfaces that it would have been matched with.
    pub unmatched_with: Vec<String>,
}

impl Missing {
    /// Undeclared tags that the clip shows in place of the surface's own.
    pub fn tags_instead(&self) -> &[u32] {
        let left_out = self.left_out.as_ref();
        left_out.map_or(&[], LeftOut::tags_instead)
    }
}

/// What a clip shows of the declared functions.
#[derive(Debug, Clone, PartialEq)]
pub struct InClip {
    /// The functions with what was measured of them, in the order of the file.
    pub functions: Vec<ClipFunction>,
    /// The other surfaces, in the order of the file.
    pub missing: Vec<Missing>,
}

impl Wanted {
    /// The functions of these names, or those that move where no name is given.
    ///
    /// # Errors
    /// A name that no function has; functions that move the same surface.
    pub fn of(model: &ModelFile, names: &[String]) -> Result<Self, FunctionsError> {
        if let Some(unknown) = names.iter().find(|name| model.function(name).is_none()) {
            let known = || {
                model
                    .functions
                    .iter()
                    .map(|function| function.name.as_str())
            };
            return Err(FunctionsError::Unknown {
                name: unknown.clone(),
                meant: closest(unknown, known()).map(str::to_owned),
                functions: known().map(str::to_owned).collect(),
            });
        }
        if names.is_empty() {
            return Ok(match model.functions.as_slice() {
                [] => Self::Whole,
                _ => Self::Moving,
            });
        }
        let functions = model.functions.iter();
        let named: Vec<Function> = functions
            .filter(|function| names.contains(&function.name))
            .cloned()
            .collect();
        match shown::shared_surface(&named.iter().collect::<Vec<_>>()) {
            Some((surface, functions)) => Err(FunctionsError::SurfaceShared { surface, functions }),
            None => Ok(Self::Named(named)),
        }
    }

    /// The file with the surfaces that may be measured.
    pub fn candidates(&self, model: &ModelFile) -> ModelFile {
        match self {
            Self::Whole | Self::Moving => model.clone(),
            Self::Named(functions) => {
                let names = functions.iter().flat_map(|function| &function.surfaces);
                model.with_surfaces(&names.map(String::as_str).collect())
            }
        }
    }

    /// The file by itself, or as each named function has it; nothing where the motion will decide.
    pub fn known(&self, model: &ModelFile) -> Vec<ModelFile> {
        match self {
            Self::Whole => vec![model.clone()],
            Self::Moving => vec![],
            Self::Named(functions) => functions
                .iter()
                .map(|function| model.of_function(function))
                .collect(),
        }
    }

    /// What the clip shows, from the fit of the surfaces that move in it.
    ///
    /// A surface that its function needs, and that was not measured, raises a warning.
    ///
    /// # Errors
    /// The motion does not show which of several functions moves a surface.
    pub fn in_clip(
        &self,
        model: &ModelFile,
        motion: &Motion,
        left_out: &[LeftOut],
        warnings: &mut Vec<FunctionsWarning>,
    ) -> Result<InClip, FunctionsError> {
        let shown: Vec<Option<&Function>> = match self {
            Self::Whole => vec![None],
            Self::Named(functions) => functions.iter().map(Some).collect(),
            Self::Moving => shown::by_motion(&model.functions, motion)?
                .into_iter()
                .map(Some)
                .collect(),
        };
        let functions: Vec<ClipFunction> = shown
            .iter()
            .map(|function| clip_function(model, *function, motion))
            .filter(|function| !function.surfaces.is_empty())
            .collect();
        let missing = missing(model, &shown, &functions, left_out);
        let (needed, others): (Vec<&Missing>, Vec<&Missing>) = missing
            .iter()
            .partition(|missing| is_needed(missing, &shown, model));
        warnings.extend(needed.iter().copied().filter_map(not_measured));
        let tags_named = needed
            .iter()
            .any(|missing| !missing.tags_instead().is_empty());
        warnings.extend(other_tags(&others).filter(|_| !tags_named));
        Ok(InClip { functions, missing })
    }
}

fn not_measured(missing: &Missing) -> Option<FunctionsWarning> {
    Some(FunctionsWarning::SurfaceNotMeasured {
        surface: missing.surface.clone(),
        reason: missing.left_out.as_ref()?.reason.clone(),
        unmatched_with: missing.unmatched_with.clone(),
    })
}

/// One warning for all surfaces in place of whose tags the clip shows undeclared ones.
fn other_tags(missing: &[&Missing]) -> Option<FunctionsWarning> {
    let instead = missing.iter().filter(|one| !one.tags_instead().is_empty());
    let tag_ids = instead.clone().next()?.tags_instead().to_vec();
    let surfaces = instead.filter_map(|one| {
        let tag_id = one.left_out.as_ref()?.tag_id;
        Some((one.surface.clone(), tag_id))
    });
    Some(FunctionsWarning::OtherTags {
        tag_ids,
        surfaces: surfaces.collect(),
    })
}

/// A function with what was measured of it; all surfaces where the file declares no functions.
fn clip_function(model: &ModelFile, function: Option<&Function>, motion: &Motion) -> ClipFunction {
    let is_of = |name: &String| function.is_none_or(|function| function.surfaces.contains(name));
    let surfaces = motion.surfaces.iter().enumerate();
    let surfaces: Vec<usize> = surfaces
        .filter(|(_, surface)| is_of(&surface.name))
        .map(|(position, _)| position)
        .collect();
    let names = surfaces.iter().map(|&at| motion.surfaces[at].name.as_str());
    let declared = function.map_or_else(|| model.clone(), |function| model.of_function(function));
    ClipFunction {
        name: function.map(|function| function.name.clone()),
        model: declared.with_surfaces(&names.collect()),
        surfaces,
    }
}

/// Whether a function of the clip lacks a surface. Without declared functions a match group of which
/// nothing was measured counts as another function.
fn is_needed(missing: &Missing, shown: &[Option<&Function>], model: &ModelFile) -> bool {
    let is_of = |function: &Function| function.surfaces.contains(&missing.surface);
    let mut functions = shown.iter().flatten();
    if model.functions.is_empty() {
        let groups: Vec<&MatchGroup> = model.matches.iter().collect();
        let is_alone = partners(&groups, &missing.surface).next().is_none();
        return is_alone || !missing.unmatched_with.is_empty();
    }
    functions.any(|function| is_of(function))
}

/// The surfaces that no function of the clip measures.
fn missing(
    model: &ModelFile,
    shown: &[Option<&Function>],
    functions: &[ClipFunction],
    left_out: &[LeftOut],
) -> Vec<Missing> {
    let measured: BTreeSet<&str> = functions
        .iter()
        .flat_map(|function| &function.model.surfaces)
        .map(|surface| surface.name.as_str())
        .collect();
    let groups: Vec<&MatchGroup> = shown
        .iter()
        .flat_map(|function| function.map_or(&model.matches, |function| &function.matches))
        .collect();
    let unmeasured = model.surfaces.iter();
    unmeasured
        .filter(|surface| !measured.contains(surface.name.as_str()))
        .map(|surface| Missing {
            surface: surface.name.clone(),
            left_out: left_out
                .iter()
                .find(|one| one.surface == surface.name)
                .cloned(),
            unmatched_with: partners(&groups, &surface.name)
                .filter(|name| measured.contains(name.as_str()))
                .cloned()
                .collect(),
        })
        .collect()
}

/// The surfaces that a surface is matched with: its reference, or its followers.
fn partners<'g>(groups: &[&'g MatchGroup], surface: &str) -> impl Iterator<Item = &'g String> {
    let mut partners = Vec::new();
    for group in groups {
        if group.reference == surface {
            partners.extend(&group.followers);
        } else if group.followers.iter().any(|name| name == surface) {
            partners.push(&group.reference);
        }
    }
    partners.into_iter()
}
