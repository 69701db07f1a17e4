//! The constants of the fit, block by block: all that is particular to one kind of constant, but its
//! derivatives ([`super::prediction`], [`super::landmark_prediction`]).
//!
//! All constants are given in the **reference** frame: the first airframe tag's if the camera
//! moved, the camera's if it stood still (every airframe tag is then a constant like any other,
//! and nothing that the airframe tags say about a still camera can add noise to a deflection).
//!
//! A surface has nine constants: its hinge line (two turns of the axis, two shifts across it) and
//! its tag's pose at zero deflection, less the turn about the hinge: **gauge**: the zero of the
//! deflections is arbitrary, and it is fixed by never turning the tag's pose at zero about the
//! axis. What is reported are differences, in which the gauge cancels.
//!
//! Steps are taken in the tangent space at the present values, turns from the left in the
//! reference frame:
//!
//! | block | step |
//! | --- | --- |
//! | surface | axis turned about two directions across it (rad), line shifted along these (mm), tag at zero turned about these through its centre (rad), tag at zero shifted (3, mm) |
//! | airframe tag | turn (3, rad), shift (3, mm) |
//! | edge shift | px |
//! | readout | s |
//! | lens | nine independent standard deviations of the camera profile |
//! | bow, of each tag | two, mm |
//! | rocking | turn (3) and shift (3, mm) per rad of deflection |
//! | landmark | direction turned about two others across it (rad), inverse distance (1/mm) |
//! | corner errors, of each tag | eight, px; the fit does not move them |

use nalgebra::{SVector, Vector2};

use super::landmark::{LANDMARK_CONSTANTS, ROCKING_CONSTANTS};
use super::layout::Layout;
use super::observation::Target;
use super::parameters::{
    BOWS, CORNER_ERRORS, Constants, Priors, SURFACE_CONSTANTS, TAG_CONSTANTS, VIEW_UNKNOWNS,
};
use crate::camera::INTRINSIC_COUNT;
use crate::geometry::stepped_pose;

/// Columns of a linearised sighting: the camera's pose in the frame (turn, shift) …
pub(in crate::motion) const POSE: usize = 0;
/// … the motion of the picture (shift, growth) …
pub(in crate::motion) const PICTURE: usize = POSE + TAG_CONSTANTS;
/// … the residual itself …
pub(in crate::motion) const RESIDUAL: usize = POSE + VIEW_UNKNOWNS;
/// … the constants of the tag's own surface or airframe tag, or of the landmark …
pub(in crate::motion) const OWN: usize = RESIDUAL + 1;
/// … the rocking, in columns that a landmark's three constants leave free of a surface's nine …
pub(in crate::motion) const ROCKING: usize = OWN + LANDMARK_CONSTANTS;
/// … the edge shift …
pub(in crate::motion) const EDGE_SHIFT: usize = OWN + SURFACE_CONSTANTS;
/// … the camera's readout …
pub(in crate::motion) const READOUT: usize = EDGE_SHIFT + 1;
/// … the tag's bows …
pub(in crate::motion) const BOW: usize = READOUT + 1;
/// … the lens, where it is unsure …
pub(in crate::motion) const LENS: usize = BOW + BOWS;
/// … and errors of the corners themselves.
pub(in crate::motion) const CORNER_ERROR: usize = LENS + INTRINSIC_COUNT;
/// Columns for a frame by itself, up to the readout, up to the bows, up to the lens, and all.
pub(in crate::motion) const FRAME_ALONE: usize = OWN;
pub(in crate::motion) const UP_TO_READOUT: usize = BOW;
pub(in crate::motion) const UP_TO_BOWS: usize = LENS;
pub(in crate::motion) const UP_TO_LENS: usize = CORNER_ERROR;
pub(in crate::motion) const ALL_COLUMNS: usize = CORNER_ERROR + CORNER_ERRORS;

const _: () = assert!(ROCKING + ROCKING_CONSTANTS <= EDGE_SHIFT);

/// Prior standard deviation of the surroundings' turn (rad) and shift (mm) against the airframe per rad of
/// deflection: 2° and 35 mm at a deflection of 20°, more than any aircraft on its wheels would move.
const MOST_ROCKING: [f64; 2] = [0.1, 100.0];
/// Landmarks are hardly nearer to the camera than this, mm: one without parallax would have no distance
/// at all.
const NEAREST_LANDMARK_MM: f64 = 100.0;

/// Constants of the fit that belong together.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::motion) enum Block {
    /// The hinge of a surface and its tag, by its position.
    Surface(usize),
    /// The pose of an airframe tag, by its position.
    AirframeTag(usize),
    EdgeShift,
    Readout,
    Lens,
    Bow(Target),
    Rocking,
    Landmark(usize),
    /// Lasting errors of a tag's corners.
    CornerErrors(Target),
}

impl Block {
    /// Every block that a layout may have, in the order of the columns of the normal equations.
    pub fn possible(layout: &Layout) -> impl Iterator<Item = Self> {
        let surfaces = (0..layout.surfaces).map(Self::Surface);
        surfaces
            .chain((0..layout.airframe_tags).map(Self::AirframeTag))
            .chain([Self::EdgeShift, Self::Readout, Self::Lens])
            .chain(layout.targets().map(Self::Bow))
            .chain([Self::Rocking])
            .chain((0..layout.landmarks).map(Self::Landmark))
            .chain(layout.targets().map(Self::CornerErrors))
    }

    pub fn is_in(self, layout: &Layout) -> bool {
        match self {
            Self::Surface(surface) => surface < layout.surfaces,
            // The first one is the reference of a moving camera.
            Self::AirframeTag(tag) => {
                tag < layout.airframe_tags && !(layout.camera_moves && tag == 0)
            }
            Self::EdgeShift => layout.edge_shift,
            Self::Readout => layout.readout,
            Self::Lens => layout.lens,
            Self::Bow(_) => layout.bows,
            Self::Rocking => layout.rocking,
            Self::Landmark(landmark) => landmark < layout.landmarks,
            Self::CornerErrors(_) => layout.corner_errors,
        }
    }

    /// How many constants it has.
    pub fn count(self) -> usize {
        match self {
            Self::Surface(_) => SURFACE_CONSTANTS,
            Self::AirframeTag(_) => TAG_CONSTANTS,
            Self::EdgeShift | Self::Readout => 1,
            Self::Lens => INTRINSIC_COUNT,
            Self::Bow(_) => BOWS,
            Self::Rocking => ROCKING_CONSTANTS,
            Self::Landmark(_) => LANDMARK_CONSTANTS,
            Self::CornerErrors(_) => CORNER_ERRORS,
        }
    }

    /// Whether the fit moves it; what it does not move has the last columns.
    pub fn is_fitted(self) -> bool {
        match self {
            Self::Surface(_)
            | Self::AirframeTag(_)
            | Self::EdgeShift
            | Self::Readout
            | Self::Lens
            | Self::Bow(_)
            | Self::Rocking
            | Self::Landmark(_) => true,
            Self::CornerErrors(_) => false,
        }
    }

    /// First column of its derivatives in a linearised sighting of a tag; `None` if that does not follow it.
    pub fn column_in_tag(self, seen: Target) -> Option<usize> {
        match self {
            Self::Surface(surface) => (seen == Target::Surface(surface)).then_some(OWN),
            Self::AirframeTag(tag) => (seen == Target::Airframe(tag)).then_some(OWN),
            Self::EdgeShift => Some(EDGE_SHIFT),
            Self::Readout => Some(READOUT),
            Self::Lens => Some(LENS),
            Self::Bow(tag) => (seen == tag).then_some(BOW),
            Self::CornerErrors(tag) => (seen == tag).then_some(CORNER_ERROR),
            Self::Rocking | Self::Landmark(_) => None,
        }
    }

    /// The same in one of a landmark.
    pub fn column_in_landmark(self, seen: usize) -> Option<usize> {
        match self {
            Self::Readout => Some(READOUT),
            Self::Lens => Some(LENS),
            Self::Rocking => Some(ROCKING),
            Self::Landmark(landmark) => (seen == landmark).then_some(OWN),
            Self::Surface(_)
            | Self::AirframeTag(_)
            | Self::EdgeShift
            | Self::Bow(_)
            | Self::CornerErrors(_) => None,
        }
    }

    /// Moves it by a step of its constants.
    pub fn step(self, constants: &mut Constants, by: &[f64]) {
        match self {
            Self::Surface(surface) => {
                let hinged = &mut constants.surfaces[surface];
                *hinged = hinged.stepped(&SVector::from_column_slice(by));
            }
            Self::AirframeTag(tag) => {
                let pose = &mut constants.airframe_tags[tag];
                *pose = stepped_pose(pose, &SVector::from_column_slice(by));
            }
            Self::EdgeShift => constants.edge_shift_px += by[0],
            Self::Readout => constants.readout_s += by[0],
            Self::Lens => constants.lens += SVector::from_column_slice(by),
            Self::Bow(tag) => {
                *constants.bows_mm.entry(tag).or_default() += Vector2::from_column_slice(by);
            }
            Self::Rocking => constants.rocking += SVector::from_column_slice(by),
            Self::Landmark(landmark) => {
                let landmark = &mut constants.landmarks[landmark];
                *landmark = landmark.stepped(&SVector::from_column_slice(by));
            }
            Self::CornerErrors(_) => {}
        }
    }

    /// Sets it to what it is in a fit without it.
    pub fn leave_out(self, constants: &mut Constants) {
        match self {
            Self::EdgeShift => constants.edge_shift_px = 0.0,
            Self::Readout => constants.readout_s = 0.0,
            Self::Lens => constants.lens.fill(0.0),
            Self::Bow(tag) => {
                constants.bows_mm.remove(&tag);
            }
            Self::Rocking => constants.rocking.fill(0.0),
            Self::Surface(_) | Self::AirframeTag(_) | Self::Landmark(_) | Self::CornerErrors(_) => {
            }
        }
    }

    /// What is known of it before any frame is looked at; its first column is given.
    pub fn priors(self, first: usize, constants: &Constants, known: &Priors) -> Vec<Prior> {
        match self {
            Self::Surface(surface) => {
                let hinged = &constants.surfaces[surface];
                let ruler_mm = known.radius_mm.get(surface).copied().flatten();
                let of_ruler = ruler_mm.map(|ruler_mm| Prior {
                    column: first,
                    slope: hinged.radius_slope().as_slice().to_vec(),
                    miss: hinged.radius_mm() - ruler_mm.value,
                    sd: ruler_mm.sd,
                });
                of_ruler.into_iter().collect()
            }
            Self::EdgeShift => {
                about_zero(first, &[constants.edge_shift_px], &[known.edge_shift_sd_px])
            }
            Self::Readout => about_zero(first, &[constants.readout_s], &[known.readout_sd_s]),
            Self::Lens => about_zero(first, constants.lens.as_slice(), &[1.0; INTRINSIC_COUNT]),
            Self::Bow(tag) => {
                let sds_mm = known.bow_sd_mm.get(&tag).map(|sd_mm| [*sd_mm; BOWS]);
                let bow_mm = constants.bow_mm(tag);
                sds_mm.map_or(vec![], |sds_mm| {
                    about_zero(first, bow_mm.as_slice(), &sds_mm)
                })
            }
            Self::Rocking => {
                let [turn, shift] = MOST_ROCKING;
                let sds = [turn, turn, turn, shift, shift, shift];
                about_zero(first, constants.rocking.as_slice(), &sds)
            }
            Self::Landmark(landmark) => {
                let inverse_mm = constants.landmarks[landmark].inverse_mm;
                about_zero(first + 2, &[inverse_mm], &[1.0 / NEAREST_LANDMARK_MM])
            }
            Self::AirframeTag(_) | Self::CornerErrors(_) => vec![],
        }
    }
}

/// A prior on the constants, evaluated at one set of them.
pub(in crate::motion) struct Prior {
    /// The first of the constants that it concerns.
    pub column: usize,
    /// Its derivative by them.
    pub slope: Vec<f64>,
    /// Present value minus the expected one.
    pub miss: f64,
    pub sd: f64,
}

/// Priors of constants in a row, each about zero.
fn about_zero(first: usize, values: &[f64], sds: &[f64]) -> Vec<Prior> {
    let each = values.iter().zip(sds).enumerate();
    each.map(|(index, (value, sd))| Prior {
        column: first + index,
        slope: vec![1.0],
        miss: *value,
        sd: *sd,
    })
    .collect()
}
