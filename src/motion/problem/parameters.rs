//! The unknowns of the joint fit.
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
//! | columns | step |
//! | --- | --- |
//! | 0, 1 | axis turned about two directions across it, rad |
//! | 2, 3 | line shifted along these, mm |
//! | 4, 5 | tag at zero turned about these through its centre, rad |
//! | 6–8 | tag at zero shifted, mm |
//!
//! Airframe tags: turn (3, rad), shift (3, mm). Then the edge shift (px), the readout (s), then the
//! lens: nine independent standard deviations of the camera profile, then two bows of each tag (mm),
//! surfaces first, then the rocking, then each landmark: direction turned about two
//! others across it (rad), inverse distance (1/mm). When the fit is done, eight lasting errors of the corners of each tag (px) join them.

use std::collections::BTreeMap;
use std::ops::Range;

use nalgebra::{DVector, Point3, SMatrix, SVector, Translation3, Vector2};

use super::landmark::{LANDMARK_CONSTANTS, Landmark, ROCKING_CONSTANTS};
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

    fn stepped(&self, step: &SVector<f64, SURFACE_CONSTANTS>) -> Self {
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

    /// The profile's own camera.
    pub fn profile(&self) -> &Camera {
        &self.profile
    }
}

/// Which column of the normal equations belongs to which constant.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(in crate::motion) struct Layout {
    pub surfaces: usize,
    pub airframe_tags: usize,
    pub camera_moves: bool,
    /// The picture moves against the lens: [`super::picture_motion`].
    pub picture_moves: bool,
    pub edge_shift: bool,
    pub readout: bool,
    pub lens: bool,
    pub bows: bool,
    pub rocking: bool,
    pub landmarks: usize,
    /// Lasting errors of corners are asked for; no step moves them.
    pub corner_errors: bool,
}

impl Layout {
    /// Whether frames have unknowns of their own beside their deflections.
    pub fn view_moves(&self) -> bool {
        self.camera_moves || self.picture_moves
    }

    /// The unknowns of a frame's view that are fitted, among all [`VIEW_UNKNOWNS`].
    pub fn view(&self) -> Range<usize> {
        let first = if self.camera_moves { 0 } else { TAG_CONSTANTS };
        let end = if self.picture_moves {
            VIEW_UNKNOWNS
        } else {
            TAG_CONSTANTS
        };
        first..end
    }

    pub fn surface(&self, surface: usize) -> usize {
        SURFACE_CONSTANTS * surface
    }

    /// First column of an airframe tag; `None` for the one that is the reference.
    pub fn airframe_tag(&self, tag: usize) -> Option<usize> {
        let known = usize::from(self.camera_moves);
        Some(self.surface(self.surfaces) + TAG_CONSTANTS * tag.checked_sub(known)?)
    }

    fn first_shared(&self) -> usize {
        let unknown_tags = self
            .airframe_tags
            .saturating_sub(usize::from(self.camera_moves));
        self.surface(self.surfaces) + TAG_CONSTANTS * unknown_tags
    }

    pub fn edge_shift_column(&self) -> Option<usize> {
        self.edge_shift.then(|| self.first_shared())
    }

    pub fn readout_column(&self) -> Option<usize> {
        self.readout
            .then(|| self.first_shared() + usize::from(self.edge_shift))
    }

    fn first_of_lens(&self) -> usize {
        self.first_shared() + usize::from(self.edge_shift) + usize::from(self.readout)
    }

    pub fn lens_column(&self) -> Option<usize> {
        self.lens.then(|| self.first_of_lens())
    }

    fn first_bow(&self) -> usize {
        let lens = if self.lens { INTRINSIC_COUNT } else { 0 };
        self.first_of_lens() + lens
    }

    /// First column of the bows of a tag.
    pub fn bow_column(&self, target: Target) -> Option<usize> {
        self.bows
            .then(|| self.first_bow() + BOWS * self.tag(target))
    }

    fn first_of_rocking(&self) -> usize {
        let bows = if self.bows { BOWS * self.tags() } else { 0 };
        self.first_bow() + bows
    }

    pub fn rocking_column(&self) -> Option<usize> {
        self.rocking.then(|| self.first_of_rocking())
    }

    fn first_landmark(&self) -> usize {
        let rocking = if self.rocking { ROCKING_CONSTANTS } else { 0 };
        self.first_of_rocking() + rocking
    }

    /// First column of a landmark.
    pub fn landmark_column(&self, landmark: usize) -> usize {
        self.first_landmark() + LANDMARK_CONSTANTS * landmark
    }

    /// How many constants the fit moves.
    pub fn fitted(&self) -> usize {
        self.landmark_column(self.landmarks)
    }

    /// First column of the lasting errors of a tag's corners.
    pub fn corner_error_column(&self, target: Target) -> Option<usize> {
        self.corner_errors
            .then(|| self.fitted() + CORNER_ERRORS * self.tag(target))
    }

    pub fn constants(&self) -> usize {
        let errors = if self.corner_errors {
            CORNER_ERRORS * self.tags()
        } else {
            0
        };
        self.fitted() + errors
    }

    fn tags(&self) -> usize {
        self.surfaces + self.airframe_tags
    }

    /// Position among all tags, surfaces first.
    pub fn tag(&self, target: Target) -> usize {
        match target {
            Target::Surface(surface) => surface,
            Target::Airframe(tag) => self.surfaces + tag,
        }
    }

    /// All tags, surfaces first.
    pub fn targets(&self) -> impl Iterator<Item = Target> {
        let surfaces = (0..self.surfaces).map(Target::Surface);
        surfaces.chain((0..self.airframe_tags).map(Target::Airframe))
    }

    /// Own columns of a target: first column and how many.
    pub fn own(&self, target: Target) -> Option<(usize, usize)> {
        match target {
            Target::Surface(surface) => Some((self.surface(surface), SURFACE_CONSTANTS)),
            Target::Airframe(tag) => Some((self.airframe_tag(tag)?, TAG_CONSTANTS)),
        }
    }
}

impl Constants {
    /// The bows of a tag.
    pub fn bow_mm(&self, tag: Target) -> Vector2<f64> {
        self.bows_mm.get(&tag).copied().unwrap_or_default()
    }

    /// Takes out what a layout does not have.
    pub fn leave_out(&mut self, layout: &Layout) {
        if !layout.bows {
            self.bows_mm.clear();
        }
        if !layout.readout {
            self.readout_s = 0.0;
        }
        if !layout.rocking {
            self.rocking = SVector::zeros();
        }
    }

    pub fn stepped(&self, layout: &Layout, step: &DVector<f64>) -> Self {
        let surfaces = self.surfaces.iter().enumerate().map(|(index, surface)| {
            surface.stepped(
                &step
                    .fixed_rows::<SURFACE_CONSTANTS>(layout.surface(index))
                    .into_owned(),
            )
        });
        let tags = self.airframe_tags.iter().enumerate().map(|(index, pose)| {
            layout.airframe_tag(index).map_or(*pose, |column| {
                stepped_pose(pose, &step.fixed_rows::<TAG_CONSTANTS>(column).into_owned())
            })
        });
        let moved = |column: Option<usize>| column.map_or(0.0, |column| step[column]);
        Self {
            surfaces: surfaces.collect(),
            airframe_tags: tags.collect(),
            edge_shift_px: self.edge_shift_px + moved(layout.edge_shift_column()),
            readout_s: self.readout_s + moved(layout.readout_column()),
            lens: layout.lens_column().map_or(self.lens, |column| {
                self.lens + step.fixed_rows::<INTRINSIC_COUNT>(column)
            }),
            bows_mm: layout
                .targets()
                .filter_map(|tag| {
                    let by_mm = step.fixed_rows::<BOWS>(layout.bow_column(tag)?);
                    Some((tag, self.bow_mm(tag) + by_mm))
                })
                .collect(),
            rocking: layout.rocking_column().map_or(self.rocking, |column| {
                self.rocking + step.fixed_rows::<ROCKING_CONSTANTS>(column)
            }),
            landmarks: (0..layout.landmarks)
                .map(|landmark| {
                    let first = layout.landmark_column(landmark);
                    let step = step.fixed_rows::<LANDMARK_CONSTANTS>(first).into_owned();
                    self.landmarks[landmark].stepped(&step)
                })
                .collect(),
            landmarks_seen_from: self.landmarks_seen_from,
        }
    }
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
