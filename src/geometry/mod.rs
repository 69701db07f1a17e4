//! Geometry shared by the rooms: homographies, poses, lines.

pub mod homography;
