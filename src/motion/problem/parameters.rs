//! The unknowns of the joint fit: constants, what changes from frame to frame, and what is known of them
//! before. [`super::blocks`] lists the constants.

use std::collections::BTreeMap;

use nalgebra::{DVector, Point3, SMatrix, SVector, Translation3, Vector2};

use super::blocks::Block;
use super::landmark::{Landmark, ROCKING_CONSTANTS};
use super::layout::Layout;
use super::observation::Target;
use super::picture_motion::{PICTURE_UNKNOWNS, PictureMotion, PicturePrior};
use crate::camera::{Camera, CameraProfile, INTRINSIC_COUNT};
use crate::geometry::{HingeLine, Pose, across, rotation_from_vector, stepped_pose};
use crate::measured::Measured;

/// Constants of one surface.
pub(in crate::motion) const SURFACE_CONSTANTS: usize = 9;
/// Bows of one tag.
pub(in crate::motion) const BOWS: usize = 2;
/// Lasting errors of the corners of one tag.
pub(in crate::motion) const CORNER_ERRORS: usize = 8;
/// Constants of one airframe tag whose pose is unknown.
pub(in crate::motion) const TAG_CONSTANTS: usize = 6;
/// Unknowns of one frame's view: the camera's pose, and the motion of the picture.
pub(in crate::motion) const VIEW_UNKNOWNS: usize = TAG_CONSTANTS + PICTURE_UNKNOWNS;

/// A surface's constants.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::motion) struct Hinged {
    /// In the reference frame, its point next to the tag's centre.
    pub hinge: HingeLine,
    pub reference_from_tag_at_zero: Pose,
}

impl Hinged {
    pub fn tag_centre(&self) -> Point3<f64> {
        Point3::from(self.reference_from_tag_at_zero.translation.vector)
    }

    /// Distance of the tag's centre from the hinge line, mm.
    pub fn radius_mm(&self) -> f64 {
        self.hinge.lever_to(&self.tag_centre()).norm()
    }

    /// How [`Hinged::radius_mm`] follows the nine constants.
    pub fn radius_slope(&self) -> SVector<f64, SURFACE_CONSTANTS> {
        let basis = across(&self.hinge.axis);
        let lever = self.hinge.lever_to(&self.tag_centre());
        let outward = lever.try_normalize(f64::EPSILON).unwrap_or_default();
        let along = self.hinge.axis.dot(&(self.tag_centre() - self.hinge.point));
        let mut slope = SVector::<f64, SURFACE_CONSTANTS>::zeros();
        for column in 0..2 {
            let direction = basis.column(column).into_owned();
            slope[column] = -outward.dot(&direction.cross(&self.hinge.axis)) * along;
            slope[2 + column] = -outward.dot(&direction);
        }
        slope.fixed_rows_mut::<3>(6).copy_from(&outward);
        slope
    }

    /// [`Hinged::radius_mm`] with its uncertainty, from the covariance of the nine constants.
    pub fn radius(
        &self,
        covariance: &SMatrix<f64, SURFACE_CONSTANTS, SURFACE_CONSTANTS>,
    ) -> Measured {
        let slope = self.radius_slope();
        let sd_mm = slope.dot(&(covariance * slope)).max(0.0).sqrt();
        Measured::new(self.radius_mm(), sd_mm)
    }

    pub fn stepped(&self, step: &SVector<f64, SURFACE_CONSTANTS>) -> Self {
        let basis = across(&self.hinge.axis);
        let tag = &self.reference_from_tag_at_zero;
        let turn = rotation_from_vector(&(basis * step.fixed_rows::<2>(4)));
        let reference_from_tag_at_zero = Pose::from_parts(
            Translation3::from(tag.translation.vector + step.fixed_rows::<3>(6)),
            turn * tag.rotation,
        );
        let centre = Point3::from(reference_from_tag_at_zero.translation.vector);
        let mut hinge = self
            .hinge
            .displaced(&basis, &step.fixed_rows::<4>(0).into_owned());
        hinge.point = hinge.foot_of(&centre);
        Self {
            hinge,
            reference_from_tag_at_zero,
        }
    }
}

/// The constants of the fit.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::motion) struct Constants {
    pub surfaces: Vec<Hinged>,
    /// `reference_from_tag` of the airframe tags.
    pub airframe_tags: Vec<Pose>,
    pub edge_shift_px: f64,
    /// From the picture's first line to its last.
    pub readout_s: f64,
    /// In standard deviations of the camera profile.
    pub lens: SVector<f64, INTRINSIC_COUNT>,
    /// How far the middle of each tag stands out over its edges, on sheets bent along the tag's
    /// rows and along its columns; none where they are not fitted.
    pub bows_mm: BTreeMap<Target, Vector2<f64>>,
    /// How the surroundings turn (rad) and shift (mm) against the airframe per rad of deflection.
    pub rocking: SVector<f64, ROCKING_CONSTANTS>,
    pub landmarks: Vec<Landmark>,
    /// The place that they refer to, mm; no step moves it.
    pub landmarks_seen_from: Point3<f64>,
}

impl Constants {
    /// The bows of a tag.
    pub fn bow_mm(&self, tag: Target) -> Vector2<f64> {
        self.bows_mm.get(&tag).copied().unwrap_or_default()
    }

    pub fn stepped(&self, layout: &Layout, step: &DVector<f64>) -> Self {
        let mut stepped = self.clone();
        for (block, columns) in layout.columns() {
            block.step(&mut stepped, &step.as_slice()[columns]);
        }
        stepped
    }

    /// Takes out what a layout does not have.
    pub fn leave_out(&mut self, layout: &Layout) {
        let missing = Block::possible(layout).filter(|block| !block.is_in(layout));
        missing.for_each(|block| block.leave_out(self));
    }
}

/// What changes from frame to frame.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::motion) struct FrameState {
    pub camera_from_reference: Pose,
    pub picture: PictureMotion,
    /// One a surface.
    pub angles_rad: Vec<f64>,
}

impl FrameState {
    /// Moves the camera and its picture by a step of all unknowns of the view.
    pub fn step_view(&mut self, step: &SVector<f64, VIEW_UNKNOWNS>) {
        let pose = step.fixed_rows::<TAG_CONSTANTS>(0).into_owned();
        self.camera_from_reference = stepped_pose(&self.camera_from_reference, &pose);
        let picture = step.fixed_rows::<PICTURE_UNKNOWNS>(TAG_CONSTANTS);
        self.picture.step(&picture.into_owned());
    }
}

/// The camera's profile and what is unsure about it.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::motion) struct Lens {
    profile: Camera,
    /// Intrinsics by the lens constants, where the profile has a covariance.
    root: Option<SMatrix<f64, INTRINSIC_COUNT, INTRINSIC_COUNT>>,
}

impl Lens {
    pub fn new(profile: &CameraProfile) -> Self {
        let root = profile.covariance.map(|covariance| {
            let eigen = covariance.symmetric_eigen();
            let scale = eigen.eigenvalues.map(|variance| variance.max(0.0).sqrt());
            eigen.eigenvectors * SMatrix::from_diagonal(&scale)
        });
        Self {
            profile: profile.camera,
            root,
        }
    }

    pub fn root(&self) -> Option<&SMatrix<f64, INTRINSIC_COUNT, INTRINSIC_COUNT>> {
        self.root.as_ref()
    }

    pub fn camera(&self, constants: &Constants) -> Camera {
        match &self.root {
            Some(root) => {
                Camera::from_intrinsics(&(self.profile.intrinsics() + root * constants.lens))
            }
            None => self.profile,
        }
    }

    /// The constants, with the camera that they make of the lens.
    pub fn given<'a>(&'a self, constants: &'a Constants) -> Given<'a> {
        Given {
            camera: self.camera(constants),
            lens: self,
            constants,
        }
    }

    /// The profile's own camera.
    pub fn profile(&self) -> &Camera {
        &self.profile
    }
}

/// What a frame is predicted by, beside its own state.
#[derive(Debug, Clone, Copy)]
pub(in crate::motion) struct Given<'a> {
    /// The camera that belongs to the constants.
    pub camera: Camera,
    pub lens: &'a Lens,
    pub constants: &'a Constants,
}

/// What is known of the constants before any frame is looked at.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::motion) struct Priors {
    pub picture: PicturePrior,
    pub edge_shift_sd_px: f64,
    pub readout_sd_s: f64,
    /// Standard deviation of each bow of each tag.
    pub bow_sd_mm: BTreeMap<Target, f64>,
    /// Hinge to tag by a ruler, one a surface.
    pub radius_mm: Vec<Option<Measured>>,
}
