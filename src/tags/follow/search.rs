//! Search: where tags may be in the picture, found by the vision library.

use nalgebra::Point2;
use serde::{Deserialize, Serialize};

use super::rect::Rect;
use crate::clip::GreyImage;
use crate::geometry::quadrilateral;
use crate::tags::{CornerCovariance, Sighting};
use crate::vision::{
    self, Dictionary, Found, FoundMarker, MarkerFinder, SearchEffort, VisionError,
};

/// Windows of tags with shorter edges are enlarged before the library looks, px.
const ENLARGE_BELOW_PX: f64 = 40.0;

/// How much small windows are enlarged.
const ENLARGEMENT: usize = 3;

/// How much a whole picture is enlarged when tags are still missing.
const WHOLE_ENLARGEMENT: usize = 2;

/// A quick search finds tags with edges from here on, px.
pub(in crate::tags) const QUICK_FROM_PX: f64 = 18.0;

/// Finds tags roughly, in windows or whole pictures.
pub(in crate::tags) struct TagSearch {
    thorough: MarkerFinder,
    quick: MarkerFinder,
    window: MarkerFinder,
}

/// A tag that was found roughly; corners as printed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub(in crate::tags) struct RoughTag {
    pub tag_id: u32,
    pub corners_px: [Point2<f64>; 4],
}

/// The library's corners are good to about a pixel.
const CORNER_SD_PX: f32 = 1.0;

impl RoughTag {
    /// As a sighting: good for drawing and reading, and for nothing that is measured.
    pub fn sighting(&self) -> Sighting {
        Sighting {
            tag_id: self.tag_id,
            corners_px: self.corners_px,
            covariance_px2: CornerCovariance::identity() * CORNER_SD_PX.powi(2),
        }
    }
}

/// The result of a search.
#[derive(Debug, Clone, PartialEq, Default)]
pub(in crate::tags) struct SearchResult {
    /// Every tag of the family, sorted by id; an id may occur twice.
    pub candidates: Vec<RoughTag>,
    /// Square outlines that carried no valid code.
    pub other_squares_px: Vec<[Point2<f64>; 4]>,
}

impl SearchResult {
    /// Mean edge of the largest square outline that carried no valid code, 0 if there is none.
    pub fn largest_other_square_px(&self) -> f64 {
        self.other_squares_px
            .iter()
            .map(quadrilateral::mean_edge)
            .fold(0.0, f64::max)
    }

    /// The same in another picture.
    fn moved(mut self, place: impl Fn(Point2<f64>) -> Point2<f64>) -> Self {
        let tags = self.candidates.iter_mut().map(|tag| &mut tag.corners_px);
        for outline in tags.chain(&mut self.other_squares_px) {
            *outline = outline.map(&place);
        }
        self
    }
}

impl From<Found> for SearchResult {
    fn from(found: Found) -> Self {
        Self {
            candidates: found.markers.into_iter().map(as_printed).collect(),
            other_squares_px: found.other_squares_px,
        }
    }
}

impl TagSearch {
    pub fn new() -> Result<Self, VisionError> {
        let finder = |effort| MarkerFinder::new(Dictionary::APRILTAG_36H11, effort);
        Ok(Self {
            thorough: finder(SearchEffort::Thorough)?,
            quick: finder(SearchEffort::Quick {
                edge_px: QUICK_FROM_PX,
            })?,
            window: finder(SearchEffort::Window)?,
        })
    }

    /// Searches a whole picture.
    pub fn whole(&mut self, image: &GreyImage) -> Result<SearchResult, VisionError> {
        Ok(self.thorough.find(image)?.into())
    }

    /// Searches parts of a picture quickly for tags with edges of [`QUICK_FROM_PX`] after reduction
    /// by a whole factor; a tag in two parts may be found twice.
    pub fn reduced(
        &mut self,
        image: &GreyImage,
        parts: &[Rect],
        factor: usize,
    ) -> Result<Vec<RoughTag>, VisionError> {
        let mut found = Vec::new();
        for part in parts {
            let picture = vision::reduced(&part.cut(image), factor)?;
            let here = SearchResult::from(self.quick.find(&picture)?)
                .moved(|place| resized(place, factor as f64) + part.origin());
            found.extend(here.candidates);
        }
        Ok(found)
    }

    /// Searches an enlarged picture, for tags that are too small for the library.
    pub fn whole_enlarged(&mut self, image: &GreyImage) -> Result<SearchResult, VisionError> {
        let found = self.whole(&vision::enlarged(image, WHOLE_ENLARGEMENT)?)?;
        Ok(found.moved(|place| resized(place, 1.0 / WHOLE_ENLARGEMENT as f64)))
    }

    /// Searches a window.
    pub fn window(
        &mut self,
        image: &GreyImage,
        place: SearchWindow,
    ) -> Result<SearchResult, VisionError> {
        let Some(part) = place.part(image) else {
            return Ok(SearchResult::default());
        };
        let mut crop = part.cut(image);
        let enlargement = if place.edge_px < ENLARGE_BELOW_PX {
            ENLARGEMENT
        } else {
            1
        };
        if enlargement > 1 {
            crop = vision::enlarged(&crop, enlargement)?;
        }
        let found = SearchResult::from(self.window.find(&crop)?);
        Ok(found.moved(|place| resized(place, 1.0 / enlargement as f64) + part.origin()))
    }
}

/// A square part of the picture in which a tag is expected.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(in crate::tags) struct SearchWindow {
    pub centre_px: Point2<f64>,
    /// From the centre to every side.
    pub reach_px: f64,
    /// Edge of the tag that is expected.
    pub edge_px: f64,
}

impl SearchWindow {
    /// A window around a tag that leaves `margin` of its edges on every side.
    pub fn around(corners_px: &[Point2<f64>; 4], margin: f64) -> Self {
        let edge_px = quadrilateral::mean_edge(corners_px);
        Self {
            centre_px: quadrilateral::centre(corners_px),
            reach_px: edge_px * (0.5 + margin),
            edge_px,
        }
    }

    /// The part of it inside the picture.
    pub fn part(&self, image: &GreyImage) -> Option<Rect> {
        let span = |centre: f64, size: usize| {
            let low = (centre - self.reach_px).floor().clamp(0.0, size as f64) as usize;
            let high = (centre + self.reach_px).ceil().clamp(0.0, size as f64) as usize;
            (low < high).then_some(low..high)
        };
        Some(Rect {
            columns: span(self.centre_px.x, image.width_px)?,
            rows: span(self.centre_px.y, image.height_px)?,
        })
    }
}

/// The library's drawings are the official ones turned by half a turn, so its first corner is the
/// printed tag's bottom-right one.
fn as_printed(marker: FoundMarker) -> RoughTag {
    let [a, b, c, d] = marker.corners_px;
    RoughTag {
        tag_id: marker.id,
        corners_px: [c, d, a, b],
    }
}

/// A place in a picture made `factor` times as large; pixel centres at integers.
fn resized(place: Point2<f64>, factor: f64) -> Point2<f64> {
    place.map(|value| (value + 0.5) * factor - 0.5)
}
