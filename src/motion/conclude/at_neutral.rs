//! The places of the tags while the surfaces rest at neutral. They make two clips of one aircraft
//! comparable, as long as no tag was moved in between.
//!
//! A deflection counts from its own clip's neutral, so it cannot show whether neutral itself has
//! moved. The places of all tags and hinge lines can. They are given with their joint covariance,
//! since little of it is well determined by itself (the tilt of a small tag, the distance from the
//! camera) and much of it together.

use nalgebra::{DMatrix, DVector, Matrix3, Matrix3x2, Vector3};

use crate::geometry::{HingeLine, Pose, across, turn_about};
use crate::model_file::ModelFile;
use crate::motion::problem::blocks::Block;
use crate::motion::problem::layout::Layout;
use crate::motion::problem::parameters::{Constants, SURFACE_CONSTANTS, TAG_CONSTANTS};
use crate::motion::problem::prediction::turning;
use crate::motion::{Motion, WeightedSum};

/// Rows of a tag's pose in [`TagsAtNeutral::covariance`].
pub const POSE_ROWS: usize = 6;
/// Rows of a hinge line, after those of its tag.
pub const HINGE_ROWS: usize = 4;

/// A hinge line with the directions along which its errors are given.
#[derive(Debug, Clone, PartialEq)]
pub struct HingeInReference {
    /// The line; its point is next to the tag, and a right-handed turn is a positive deflection.
    pub line: HingeLine,
    /// Two unit vectors across the line and across each other.
    pub across: Matrix3x2<f64>,
}

/// What a surface's tag sits on.
#[derive(Debug, Clone, PartialEq)]
pub struct OnSurface {
    /// Name of the surface.
    pub name: String,
    /// Its hinge line.
    pub hinge: HingeInReference,
    /// Standard deviation of neutral itself: how well the surface comes back to it.
    pub neutral_sd_rad: f64,
}

/// A tag in the frame of the fit: the camera's if it stood still, else the first airframe tag's.
#[derive(Debug, Clone, PartialEq)]
pub struct PlacedTag {
    /// Id of the tag.
    pub tag_id: u32,
    /// Outer edge of its black square.
    pub edge_mm: f64,
    /// Its pose; lengths in mm.
    pub reference_from_tag: Pose,
    /// The surface that it sits on; `None` on the airframe.
    pub surface: Option<OnSurface>,
}

impl PlacedTag {
    /// Rows that it takes in the covariance.
    pub fn rows(&self) -> usize {
        POSE_ROWS + self.surface.as_ref().map_or(0, |_| HINGE_ROWS)
    }
}

/// All tags that were seen, the surfaces at neutral.
#[derive(Debug, Clone, PartialEq)]
pub struct TagsAtNeutral {
    /// Airframe tags, then the surfaces' in the order of the model file.
    pub tags: Vec<PlacedTag>,
    /// Joint covariance, tag by tag: turn from the left (3, rad), shift (3, mm); with a hinge then
    /// turns of its axis about (2, rad) and shifts of the line along (2, mm) its `across`. What is
    /// given separately as [`OnSurface::neutral_sd_rad`] is not in it.
    pub covariance: DMatrix<f64>,
}

/// All tags that were seen, at the arbitrary zero of the fit's angles.
#[derive(Debug, Clone, PartialEq, Default)]
pub struct TagsAtZero {
    tags: Vec<(PlacedTag, Columns)>,
}

/// Which constants of the fit a tag follows, from the first column on.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Columns {
    /// It is the frame of reference.
    None,
    Airframe(usize),
    /// Position of the surface, and its first column.
    Surface(usize, usize),
}

impl TagsAtZero {
    /// From the fitted constants; `signs` are −1 where a growing angle of the fit is a negative
    /// deflection.
    pub(in crate::motion) fn new(
        constants: &Constants,
        layout: &Layout,
        model: &ModelFile,
        signs: &[f64],
    ) -> Self {
        let airframe = constants.airframe_tags.iter().zip(&model.airframe_tags);
        let airframe = airframe.enumerate().map(|(index, (pose, declared))| {
            let tag = PlacedTag {
                tag_id: declared.id,
                edge_mm: declared.edge_mm,
                reference_from_tag: *pose,
                surface: None,
            };
            let column = layout.column(Block::AirframeTag(index));
            (tag, column.map_or(Columns::None, Columns::Airframe))
        });
        let surfaces = constants.surfaces.iter().zip(&model.surfaces);
        let surfaces = surfaces.enumerate().map(|(index, (hinged, declared))| {
            let mut line = hinged.hinge;
            // The directions stay those that the constants step along.
            let across = across(&line.axis);
            if signs[index] < 0.0 {
                line.axis = -line.axis;
            }
            let tag = PlacedTag {
                tag_id: declared.tag_id,
                edge_mm: declared.edge_mm,
                reference_from_tag: hinged.reference_from_tag_at_zero,
                surface: Some(OnSurface {
                    name: declared.name.clone(),
                    hinge: HingeInReference { line, across },
                    neutral_sd_rad: 0.0,
                }),
            };
            let column = layout.column(Block::Surface(index));
            (
                tag,
                column.map_or(Columns::None, |column| Columns::Surface(index, column)),
            )
        });
        Self {
            tags: airframe.chain(surfaces).collect(),
        }
    }

    /// Airframe tags, and those of some surfaces, which then count in the given order.
    pub(in crate::motion) fn of_surfaces(&self, wanted: &[usize]) -> Self {
        let airframe = self.tags.iter();
        let airframe = airframe.filter(|(_, columns)| !matches!(columns, Columns::Surface(..)));
        let of_surface = |(place, wanted): (usize, &usize)| {
            self.tags.iter().find_map(|(tag, columns)| match columns {
                Columns::Surface(surface, column) if surface == wanted => {
                    Some((tag.clone(), Columns::Surface(place, *column)))
                }
                _ => None,
            })
        };
        let surfaces = wanted.iter().enumerate().filter_map(of_surface);
        Self {
            tags: airframe.cloned().chain(surfaces).collect(),
        }
    }
}

impl Motion {
    /// All tags with the surfaces at neutral: one weighted sum of its deflections a surface, whose
    /// weights add up to one, and the standard deviation of neutral beyond the fit's, rad. `None`
    /// without tags.
    ///
    /// The fit's covariance is propagated whole (JCGM 100:2008, 5.2.2): constants, their effect on
    /// the angles, and the angles' own errors.
    pub fn tags_at_neutral(
        &self,
        neutrals: &[WeightedSum],
        neutral_sd_rad: &[f64],
    ) -> Option<TagsAtNeutral> {
        let angles = self.sums_by_cause(neutrals);
        let constants = self.constants_covariance.nrows();
        let rows = self.tags_at_zero.tags.iter().map(|(tag, _)| tag.rows());
        let rows: usize = rows.sum();
        let mut slope = DMatrix::zeros(rows, constants);
        let mut by_angle = DMatrix::zeros(rows, neutrals.len());
        let mut tags = vec![];
        let mut row = 0;
        for (at_zero, columns) in &self.tags_at_zero.tags {
            let mut tag = at_zero.clone();
            match (*columns, &at_zero.surface) {
                (Columns::Airframe(column), _) => slope
                    .view_mut((row, column), (TAG_CONSTANTS, TAG_CONSTANTS))
                    .fill_with_identity(),
                (Columns::Surface(surface, column), Some(OnSurface { hinge, .. })) => {
                    let turned =
                        Turned::new(hinge, &at_zero.reference_from_tag, angles.values[surface]);
                    slope
                        .view_mut((row, column), (tag.rows(), SURFACE_CONSTANTS))
                        .copy_from(&turned.by_constants(hinge));
                    by_angle
                        .view_mut((row, surface), (POSE_ROWS, 1))
                        .copy_from(&turned.by_angle(hinge));
                    tag.reference_from_tag = turned.pose;
                    if let Some(on) = &mut tag.surface {
                        on.neutral_sd_rad = neutral_sd_rad[surface];
                    }
                }
                _ => {}
            }
            row += tag.rows();
            tags.push(tag);
        }
        slope += &by_angle * &angles.gains;
        let covariance = &slope * &self.constants_covariance * slope.transpose()
            + &by_angle * angles.own * by_angle.transpose();
        (!tags.is_empty()).then_some(TagsAtNeutral { tags, covariance })
    }
}

/// A tag's pose carried from zero to an angle, and how it follows the surface's constants.
struct Turned {
    pose: Pose,
    turn: Matrix3<f64>,
    /// From the hinge's point to the tag's centre, before and after the turn.
    lever_at_zero: Vector3<f64>,
    lever: Vector3<f64>,
}

impl Turned {
    fn new(hinge: &HingeInReference, at_zero: &Pose, angle_rad: f64) -> Self {
        let pose = hinge.line.carry(at_zero, angle_rad);
        let lever = |pose: &Pose| pose.translation.vector - hinge.line.point.coords;
        Self {
            turn: *turn_about(&hinge.line.axis, angle_rad).matrix(),
            lever_at_zero: lever(at_zero),
            lever: lever(&pose),
            pose,
        }
    }

    /// Turn and shift of the tag, then those of the hinge line, by the nine constants in the order
    /// of `parameters`, the angle held.
    fn by_constants(&self, hinge: &HingeInReference) -> DMatrix<f64> {
        let mut slope = DMatrix::zeros(POSE_ROWS + HINGE_ROWS, SURFACE_CONSTANTS);
        let across = &hinge.across;
        let left_behind = across - self.turn * across;
        let by_axis = turning(&self.lever) - self.turn * turning(&self.lever_at_zero);
        let mut put = |row: usize, column: usize, block: &Matrix3x2<f64>| {
            slope.view_mut((row, column), (3, 2)).copy_from(block);
        };
        put(0, 0, &left_behind);
        put(0, 4, &(self.turn * across));
        put(3, 0, &(by_axis * across));
        put(3, 2, &left_behind);
        slope.view_mut((3, 6), (3, 3)).copy_from(&self.turn);
        slope
            .view_mut((POSE_ROWS, 0), (HINGE_ROWS, HINGE_ROWS))
            .fill_with_identity();
        slope
    }

    /// Turn and shift of the tag by its angle.
    fn by_angle(&self, hinge: &HingeInReference) -> DVector<f64> {
        let axis = hinge.line.axis.into_inner();
        let swing = axis.cross(&self.lever);
        DVector::from_iterator(POSE_ROWS, axis.iter().chain(swing.iter()).copied())
    }
}
