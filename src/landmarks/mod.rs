//! Landmarks: background points that are followed from frame to frame while the camera moves.
//!
//! One small airframe tag determines the rotation of a hand-held camera poorly. Shelves, posters
//! and the grain of a table are at rest relative to the airframe as its tag is, and they cover the
//! whole picture. It does not matter what a landmark is or how far away: the joint fit estimates
//! its place, or leaves it out ([`crate::motion`]).
//!
//! With a still camera none are chosen, because they add nothing.

mod neighbourhood;
mod plane;
mod similarity;
mod template;
#[cfg(test)]
mod tests;

use std::collections::BTreeMap;

use nalgebra::{Matrix2, Point2, Vector2};
use serde::{Deserialize, Serialize};

use crate::clip::GreyImage;
use crate::geometry::quadrilateral;
use crate::vision::{KeepOut, VisionError, corners_to_follow};
use similarity::Similarity;
use template::Template;

/// Number of landmarks: with more, deflections of the hand-held sample clip do not improve.
const MOST_LANDMARKS: usize = 24;

/// Smallest distance of two landmarks, as a share of the picture's longer side, so that they are
/// spread over it.
const APART_SHARE: f64 = 0.06;

/// The picture moves once an airframe tag has moved this far, px, with the camera or with a
/// stabiliser: with a still camera its centre scatters by 0.02 px.
const MOVED_PX: f64 = 0.2;

/// Points within so many edges of a surface's tag may move with the surface.
const SURFACE_REACH_EDGES: f64 = 5.0;
/// Points on an airframe tag: its own corners are measured better.
const AIRFRAME_REACH_EDGES: f64 = 1.0;

/// Landmarks are chosen again when less than this share of them, or fewer than so many, were found
/// …
const FOUND_SHARE: f64 = 0.5;
const FEWEST_LANDMARKS: usize = 6;
/// … for so long, s: the camera points elsewhere.
const POOR_S: f64 = 0.5;
/// A picture that comes so little before that time counts as in time, s: times are rounded.
const EARLY_S: f64 = 0.005;

/// One landmark seen in one frame.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct LandmarkSighting {
    /// Which one it is, unique in the clip.
    pub number: u32,
    /// Where it was found. Single precision holds a place to 1e-4 px, far below its error.
    pub place_px: Point2<f32>,
}

/// Input from the tags for finding landmarks in a frame.
#[derive(Debug, Clone, Default)]
pub struct TagsInFrame {
    /// Outlines of the airframe tags in sight, by id.
    pub airframe_px: BTreeMap<u32, [Point2<f64>; 4]>,
    /// Outlines of the surfaces' tags in sight, by id.
    pub surfaces_px: BTreeMap<u32, [Point2<f64>; 4]>,
}

/// Follows landmarks. Its state can be saved at any frame and resumed.
#[derive(Debug, Clone, PartialEq, Default, Serialize, Deserialize)]
pub struct Landmarks {
    /// Where the centre of each airframe tag was when it was first seen.
    first_px: BTreeMap<u32, Point2<f64>>,
    /// Centres of the airframe's and of the surfaces' tags when landmarks were last looked for.
    latest_px: [BTreeMap<u32, Point2<f64>>; 2],
    followed: Vec<Landmark>,
    /// From the picture in which they were chosen to the latest one.
    since_chosen: Similarity,
    next_number: u32,
    /// When enough of them were found last, or when they were chosen, s; `None` before that.
    enough_s: Option<f64>,
}

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
struct Landmark {
    number: u32,
    template: Template,
    chosen_at_px: Point2<f64>,
    /// Where it was, or should have been, in the latest picture.
    latest_px: Point2<f64>,
    found: bool,
}

impl Landmarks {
    /// Finds the landmarks in the next frame; none before the camera moves. Without an airframe tag
    /// in sight it chooses no new landmarks, but follows the existing ones.
    ///
    /// # Errors
    ///
    /// The vision library rejected a call.
    pub fn follow(
        &mut self,
        time_s: f64,
        image: &GreyImage,
        tags: &TagsInFrame,
    ) -> Result<Vec<LandmarkSighting>, VisionError> {
        let centres = [&tags.airframe_px, &tags.surfaces_px].map(centres);
        let [airframe, surfaces] = &centres;
        for (id, centre) in airframe {
            self.first_px.entry(*id).or_insert(*centre);
        }
        let moved_px = shift(&self.first_px, airframe).map_or(0.0, |shift| shift.norm());
        let begun = self.enough_s.is_some();
        if !begun && moved_px < MOVED_PX {
            return Ok(vec![]);
        }
        // A surface moves little from one frame to the next, and not at all while it is held.
        let [latest_airframe, latest_surfaces] = &self.latest_px;
        let shift = shift(latest_airframe, airframe).or_else(|| shift(latest_surfaces, surfaces));
        self.find_all(image, shift.unwrap_or_default());
        let enough = (FOUND_SHARE * self.followed.len() as f64).max(FEWEST_LANDMARKS as f64);
        if self.found().count() as f64 >= enough {
            self.enough_s = Some(time_s);
        }
        let too_poor = self
            .enough_s
            .is_none_or(|enough_s| time_s - enough_s >= POOR_S - EARLY_S);
        if too_poor && !airframe.is_empty() {
            self.choose(image, tags)?;
            self.enough_s = Some(time_s);
        }
        self.latest_px = centres;
        let found = self.found();
        Ok(found
            .map(|landmark| LandmarkSighting {
                number: landmark.number,
                place_px: landmark.latest_px.cast(),
            })
            .collect())
    }

    fn found(&self) -> impl Iterator<Item = &Landmark> {
        self.followed.iter().filter(|landmark| landmark.found)
    }

    /// Searches for each where the tags' shift predicts it. Those not found there are searched
    /// where all others predict them: nearer and further points deviate by a constant from the
    /// prediction for a flat scene.
    fn find_all(&mut self, image: &GreyImage, shift: Vector2<f64>) {
        let before = self.since_chosen;
        let latest_px = self.followed.iter().map(|it| it.latest_px);
        let latest_px: Vec<Point2<f64>> = latest_px.collect();
        let turn = before.linear();
        for landmark in &mut self.followed {
            landmark.look(image, landmark.latest_px + shift, &turn);
        }
        let pairs = self.found().map(|it| (it.chosen_at_px, it.latest_px));
        let Some(now) = Similarity::between(pairs) else {
            return;
        };
        self.since_chosen = now;
        let turn = now.linear();
        for (landmark, latest_px) in self.followed.iter_mut().zip(latest_px) {
            let place_px = landmark.chosen_at_px;
            if !landmark.found {
                let beside = latest_px - before.of(&place_px);
                landmark.look(image, now.of(&place_px) + beside, &turn);
            }
        }
    }

    /// Chooses landmarks in a picture.
    fn choose(&mut self, image: &GreyImage, tags: &TagsInFrame) -> Result<(), VisionError> {
        let around = |outline: &[Point2<f64>; 4], edges: f64| KeepOut {
            centre_px: quadrilateral::centre(outline),
            radius_px: edges * quadrilateral::mean_edge(outline),
        };
        let surfaces = tags.surfaces_px.values();
        let surfaces = surfaces.map(|outline| around(outline, SURFACE_REACH_EDGES));
        let airframe = tags.airframe_px.values();
        let airframe = airframe.map(|outline| around(outline, AIRFRAME_REACH_EDGES));
        let keep_out: Vec<KeepOut> = surfaces.chain(airframe).collect();
        let apart_px = APART_SHARE * image.width_px.max(image.height_px) as f64;
        let places = corners_to_follow(image, &keep_out, MOST_LANDMARKS, apart_px)?;
        let first_number = self.next_number;
        let chosen = places.into_iter().filter_map(|[x, y]| {
            let template = Template::cut(image, [x, y])?;
            Some((template, Point2::new(x as f64, y as f64)))
        });
        self.followed = (first_number..)
            .zip(chosen)
            .map(|(number, (template, place_px))| Landmark {
                number,
                template,
                chosen_at_px: place_px,
                latest_px: place_px,
                found: true,
            })
            .collect();
        self.next_number += self.followed.len() as u32;
        self.since_chosen = Similarity::default();
        Ok(())
    }
}

impl Landmark {
    fn look(&mut self, image: &GreyImage, expected_px: Point2<f64>, turn: &Matrix2<f64>) {
        let place_px = self.template.find(image, expected_px, turn);
        self.found = place_px.is_some();
        self.latest_px = place_px.unwrap_or(expected_px);
    }
}

fn centres(outlines_px: &BTreeMap<u32, [Point2<f64>; 4]>) -> BTreeMap<u32, Point2<f64>> {
    let centres = outlines_px.iter();
    centres
        .map(|(id, outline)| (*id, quadrilateral::centre(outline)))
        .collect()
}

/// Mean shift of those that are in both; `None` if none is.
fn shift(
    from_px: &BTreeMap<u32, Point2<f64>>,
    to_px: &BTreeMap<u32, Point2<f64>>,
) -> Option<Vector2<f64>> {
    let shifts = to_px
        .iter()
        .filter_map(|(id, to)| Some(to - from_px.get(id)?));
    let (sum, count) = shifts.fold((Vector2::zeros(), 0.0), |(sum, count), shift| {
        (sum + shift, count + 1.0)
    });
    (count > 0.0).then(|| sum / count)
}
