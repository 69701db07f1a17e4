//! The places of all tags at neutral, as in the file.

use std::collections::BTreeSet;

use nalgebra::{
    DMatrix, Matrix3x2, Point3, Quaternion, Translation3, Unit, UnitQuaternion, Vector3,
};
use serde::{Deserialize, Serialize};

use crate::conventions::{COVERAGE_FACTOR, deg_from_rad, rad_from_deg};
use crate::geometry::{HingeLine, Pose};
use crate::motion::{HingeInReference, OnSurface, POSE_ROWS, PlacedTag, TagsAtNeutral};

/// All tags with the surfaces at neutral, in one frame: the camera's if it did not move, otherwise
/// the first airframe tag's.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub struct NeutralRecord {
    /// Airframe tags, then the surfaces'.
    pub tags: Vec<PlacedTagRecord>,
    /// Joint covariance, tag by tag: turn about the frame's axes (3, degrees), shift (3, mm); for
    /// surfaces then the hinge line's turns about (2, degrees) and shifts along (2, mm) its `across`.
    pub pose_covariance: Vec<Vec<f64>>,
}

/// One tag.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlacedTagRecord {
    /// Its id.
    pub tag: u32,
    /// Outer edge of its black square.
    pub edge_mm: f64,
    /// The surface it sits on; left out for tags on the airframe.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub surface: Option<String>,
    /// Its centre.
    pub position_mm: [f64; 3],
    /// How it is turned, as a unit quaternion w, x, y, z from the tag's axes to the frame's.
    pub turn: [f64; 4],
    /// The surface's hinge line.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hinge: Option<PlacedHingeRecord>,
    /// Expanded uncertainty (k = 2) of how well the surface comes back to neutral, which is not in
    /// the covariance.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub return_u_deg: Option<f64>,
}

/// A hinge line in the same frame.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct PlacedHingeRecord {
    /// Direction; a right-handed turn about it is a positive deflection.
    pub axis: [f64; 3],
    /// The point of the line next to the tag.
    pub point_mm: [f64; 3],
    /// Two directions across the line.
    pub across: [[f64; 3]; 2],
}

impl From<&TagsAtNeutral> for NeutralRecord {
    fn from(neutral: &TagsAtNeutral) -> Self {
        let scale = in_file(&neutral.tags);
        let covariance = &neutral.covariance;
        let row = |row: usize| {
            let figure = |column| covariance[(row, column)] * scale[row] * scale[column];
            (0..covariance.ncols()).map(figure).collect()
        };
        Self {
            tags: neutral.tags.iter().map(PlacedTagRecord::from).collect(),
            pose_covariance: (0..covariance.nrows()).map(row).collect(),
        }
    }
}

impl From<&PlacedTag> for PlacedTagRecord {
    fn from(tag: &PlacedTag) -> Self {
        let pose = &tag.reference_from_tag;
        let turn = UnitQuaternion::from_rotation_matrix(&pose.rotation);
        Self {
            tag: tag.tag_id,
            edge_mm: tag.edge_mm,
            surface: tag.surface.as_ref().map(|on| on.name.clone()),
            position_mm: pose.translation.vector.into(),
            turn: [turn.w, turn.i, turn.j, turn.k],
            hinge: tag.surface.as_ref().map(|on| PlacedHingeRecord {
                axis: (*on.hinge.line.axis).into(),
                point_mm: on.hinge.line.point.into(),
                across: on.hinge.across.into(),
            }),
            return_u_deg: tag
                .surface
                .as_ref()
                .map(|on| COVERAGE_FACTOR * deg_from_rad(on.neutral_sd_rad)),
        }
    }
}

impl NeutralRecord {
    /// The tags as the joint fit handed them on; `None` if the record does not hold together.
    pub fn tags_at_neutral(&self) -> Option<TagsAtNeutral> {
        let tags: Vec<PlacedTag> = self
            .tags
            .iter()
            .map(PlacedTagRecord::placed)
            .collect::<Option<_>>()?;
        let ids: BTreeSet<u32> = tags.iter().map(|tag| tag.tag_id).collect();
        let scale = in_file(&tags);
        let (count, rows) = (scale.len(), &self.pose_covariance);
        let is_square = rows.len() == count && rows.iter().all(|row| row.len() == count);
        (is_square && ids.len() == tags.len()).then(|| TagsAtNeutral {
            tags,
            covariance: DMatrix::from_fn(count, count, |row, column| {
                rows[row][column] / (scale[row] * scale[column])
            }),
        })
    }
}

impl PlacedTagRecord {
    fn placed(&self) -> Option<PlacedTag> {
        let [w, i, j, k] = self.turn;
        let turn = UnitQuaternion::try_new(Quaternion::new(w, i, j, k), f64::EPSILON)?;
        let surface = match (&self.surface, &self.hinge) {
            (Some(name), Some(hinge)) => Some(OnSurface {
                name: name.clone(),
                hinge: hinge.placed()?,
                neutral_sd_rad: rad_from_deg(self.return_u_deg.unwrap_or(0.0)) / COVERAGE_FACTOR,
            }),
            (None, None) => None,
            _ => return None,
        };
        Some(PlacedTag {
            tag_id: self.tag,
            edge_mm: self.edge_mm,
            reference_from_tag: Pose::from_parts(
                Translation3::from(Vector3::from(self.position_mm)),
                turn.to_rotation_matrix(),
            ),
            surface,
        })
    }
}

impl PlacedHingeRecord {
    fn placed(&self) -> Option<HingeInReference> {
        Some(HingeInReference {
            line: HingeLine {
                axis: Unit::try_new(Vector3::from(self.axis), f64::EPSILON)?,
                point: Point3::from(self.point_mm),
            },
            across: Matrix3x2::from(self.across),
        })
    }
}

/// Factor of each row of the covariance for the file: degrees for radians.
fn in_file(tags: &[PlacedTag]) -> Vec<f64> {
    let (turn, shift) = (deg_from_rad(1.0), 1.0);
    let of_tag = |tag: &PlacedTag| {
        let pose = [turn, turn, turn, shift, shift, shift];
        let hinge = [turn, turn, shift, shift];
        let hinge_rows = tag.rows() - POSE_ROWS;
        pose.into_iter().chain(hinge.into_iter().take(hinge_rows))
    };
    tags.iter().flat_map(of_tag).collect()
}
