//! A commented model file for surfaces that a person names.

use std::collections::BTreeSet;

use thiserror::Error;

mod functions;
mod sides;
mod text;

use super::fields;
use functions::{functions_of, has_usual_word, is_upright, sides};
use sides::{CENTRE, side_of};

/// Id of the airframe's tag in a new file.
const AIRFRAME_TAG_ID: u32 = 0;
/// First id given to a surface; the ids below stay free for more airframe tags.
const FIRST_SURFACE_TAG_ID: u32 = 10;
/// Most surfaces that get an id below the first default station card, 100.
const MOST_SURFACES: usize = 90;

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
    /// What the user can do about it.
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

/// The contents of a new model file.
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
        if !fields::EDGE_LIMITS.contains(edge_mm) {
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

    /// Names that contain no side.
    pub fn without_side(&self) -> impl Iterator<Item = &str> {
        let surfaces = self.surfaces.iter();
        surfaces
            .filter(|surface| surface.side == CENTRE)
            .map(|surface| surface.name.as_str())
    }

    /// Whether there are several surfaces, but no usual words, and no two names that differ only in
    /// their side.
    pub fn lacks_pairs(&self) -> bool {
        self.surfaces.len() > 1 && self.pairs().next().is_none() && !self.has_functions()
    }

    /// Whether the names belong to several functions; never if none is usual and no two are a pair.
    fn has_functions(&self) -> bool {
        let is_clear = self.pairs().next().is_some() || self.surfaces.iter().any(has_usual_word);
        is_clear && functions_of(&self.surfaces).len() > 1
    }

    /// Surfaces whose names differ only in left and right.
    fn pairs(&self) -> impl Iterator<Item = (&NewSurface, &NewSurface)> {
        sides(self.surfaces.iter())
    }
}
