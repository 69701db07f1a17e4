//! The marked-up still: a frame of the clip with tags, hinge lines and deflections drawn on it.

use image::codecs::jpeg::JpegEncoder;
use image::{ExtendedColorType, imageops};
use nalgebra::{Point2, Point3, Rotation3, Unit, Vector3};

use crate::camera::Camera;
use crate::clip::{GreyImage, Levels};
use crate::conventions::rad_from_deg;
use crate::measured::Measured;
use crate::measurement::{Measurement, SurfaceRecord};
use crate::motion::Motion;
use crate::tags::{SightedFrame, Sighting};

use super::ReportError;
use super::figures;
use super::palette::{INK, SurfaceLook};
use super::svg::{Anchor, Place, Stroke, Svg, TextStyle};

/// Width of the kept photograph, px: sharp on paper, and small beside the page.
const LARGEST_WIDTH_PX: usize = 1920;

/// Quality of the photograph: artefacts stay below what the drawing covers.
const JPEG_QUALITY: u8 = 80;

/// Width of the drawing in its own units, as of all charts.
const DRAWING_WIDTH: f64 = 720.0;

/// The hinge line is drawn this many radii to either side of the tag.
const HINGE_REACH: f64 = 1.2;

/// Pieces in which lines are drawn, since lenses bend them.
const PIECES: usize = 24;

/// A frame with what was seen in it.
#[derive(Debug, Clone, Copy)]
pub struct Picture<'a> {
    /// The frame's picture.
    pub image: &'a GreyImage,
    /// Its code values of black and white.
    pub levels: Levels,
    /// The tags seen in it.
    pub sighted: &'a SightedFrame,
    /// The camera that took it.
    pub camera: &'a Camera,
}

/// Position in the clip of the frame to draw on: the first in which a surface was measured, whose
/// camera frame is the one of all hinges.
pub fn frame_to_mark(motion: &Motion) -> Option<usize> {
    motion
        .frames
        .iter()
        .find(|frame| frame.deflections.iter().any(Option::is_some))
        .map(|frame| frame.index)
}

/// The still as SVG, with the photograph inside.
pub fn marked_still(
    measurement: &Measurement,
    picture: &Picture<'_>,
) -> Result<String, ReportError> {
    let mut drawing = Drawing::on(picture, "tags, hinge lines and deflections on the picture")?;
    for tag in &measurement.airframe_tags {
        if let Some(sighting) = picture.sighted.sighting(tag.id) {
            drawing.tag(sighting, INK, &format!("airframe {}", tag.id));
        }
    }
    for (position, surface) in measurement.surfaces.iter().enumerate() {
        let look = SurfaceLook::of(position);
        drawing.hinge(surface, look, picture.camera);
        if let Some(sighting) = picture.sighted.sighting(surface.tag) {
            drawing.tag(sighting, look.colour, &surface.tag.to_string());
        }
    }
    Ok(drawing.svg.finish())
}

/// The bare frame as SVG, as the clip stage read it.
pub fn bare_still(picture: &Picture<'_>) -> Result<String, ReportError> {
    Ok(Drawing::on(picture, "the frame as it was read")?
        .svg
        .finish())
}

/// The frame with every tag that was seen, and how well its corners are known.
pub fn sighted_still(picture: &Picture<'_>) -> Result<String, ReportError> {
    let mut drawing = Drawing::on(
        picture,
        "the tags that were seen, with the doubt of a corner",
    )?;
    for sighting in &picture.sighted.sightings {
        let label = format!("{}: ±{:.3} px", sighting.tag_id, corner_u_px(sighting));
        drawing.tag(sighting, SurfaceLook::of(0).colour, &label);
    }
    Ok(drawing.svg.finish())
}

/// Expanded uncertainty of a corner's coordinate, root mean square over the eight.
fn corner_u_px(sighting: &Sighting) -> f64 {
    let variance_px2 = sighting.covariance_px2.trace() / 8.0;
    Measured::new(0.0, variance_px2.max(0.0).sqrt()).u()
}

/// A drawing over a photograph.
struct Drawing {
    svg: Svg,
    /// Drawing units per pixel of the frame.
    scale: f64,
}

impl Drawing {
    fn on(picture: &Picture<'_>, title: &str) -> Result<Self, ReportError> {
        let photograph = photograph(picture.image, picture.levels)?;
        let scale = DRAWING_WIDTH / picture.image.width_px as f64;
        let height = picture.image.height_px as f64 * scale;
        let mut svg = Svg::new(DRAWING_WIDTH, height, title);
        svg.photograph(&jpeg(&photograph)?);
        Ok(Self { svg, scale })
    }

    /// From the image's pixels, whose centres are at integers, to the drawing's, whose corners are.
    fn at(&self, in_image: &Point2<f64>) -> Place {
        [in_image.x, in_image.y].map(|pixel| (pixel + 0.5) * self.scale)
    }

    /// A line with a light rim, so that it stands out on any background.
    fn line(&mut self, places: &[Place], stroke: Stroke) {
        const RIM: f64 = 2.0;
        let rim = Stroke::solid("#ffffff", stroke.width + RIM);
        self.svg.polyline(places, rim);
        self.svg.polyline(places, stroke);
    }

    /// A word beside a place, on the side that looks away from the middle where there is room.
    fn word(&mut self, beside: Place, text: &str, colour: &'static str) {
        let gap = 9.0;
        let [x, y] = beside;
        let length = word_style(colour, Anchor::Start).width(text) + gap;
        let to_left = x < DRAWING_WIDTH / 2.0 && x > length || x + length > DRAWING_WIDTH;
        let (x, anchor) = if to_left {
            (x - gap, Anchor::End)
        } else {
            (x + gap, Anchor::Start)
        };
        self.svg
            .text([x, y + 4.0], text, word_style(colour, anchor));
    }

    fn tag(&mut self, sighting: &Sighting, colour: &'static str, label: &str) {
        let mut outline: Vec<Place> = sighting.corners_px.iter().map(|at| self.at(at)).collect();
        let right = outline.iter().map(|at| at[0]).fold(0.0, f64::max);
        let left = outline.iter().map(|at| at[0]).fold(f64::INFINITY, f64::min);
        let middle = outline.iter().map(|at| at[1]).sum::<f64>() / 4.0;
        outline.extend_from_slice(&outline.clone()[..2]);
        self.line(&outline, Stroke::solid(colour, 2.0));
        // The ends of the arc bear their words on the outer side, so the tag's is on the inner.
        let (x, anchor) = if (left + right) / 2.0 < DRAWING_WIDTH / 2.0 {
            (right + 7.0, Anchor::Start)
        } else {
            (left - 7.0, Anchor::End)
        };
        self.svg
            .text([x, middle + 4.0], label, word_style(colour, anchor));
    }

    fn hinge(&mut self, surface: &SurfaceRecord, look: SurfaceLook, camera: &Camera) {
        let hinge = Hinge::of(surface);
        let reach_mm = hinge.radius_mm * HINGE_REACH;
        let line = self.projected(camera, |share| {
            hinge.point + hinge.axis.into_inner() * reach_mm * (2.0 * share - 1.0)
        });
        self.line(&line, look.stroke(2.2));
        let Some(arm) = hinge.arm else {
            return;
        };
        let ends = travel(surface);
        let [low_deg, high_deg] = ends.map(|end| end.value);
        let arc = self.projected(camera, |share| {
            hinge.tag_at(&arm, low_deg + (high_deg - low_deg) * share)
        });
        self.line(&arc, Stroke::solid(look.colour, 1.6));
        let neutral = self.projected(camera, |share| {
            hinge.point + (hinge.tag_at(&arm, 0.0) - hinge.point) * share
        });
        self.line(&neutral, Stroke::solid(look.colour, 1.2));
        for (end, place) in ends.into_iter().zip([arc.first(), arc.last()]) {
            if let Some(&place) = place {
                self.word(place, &figures::signed_deg(end), look.colour);
            }
        }
    }

    /// The picture of a line in space, told by its share from start to end.
    fn projected(&self, camera: &Camera, in_camera: impl Fn(f64) -> Point3<f64>) -> Vec<Place> {
        (0..=PIECES)
            .map(|piece| piece as f64 / PIECES as f64)
            .filter_map(|share| camera.project(&in_camera(share)))
            .map(|in_image| self.at(&in_image))
            .collect()
    }
}

fn word_style(colour: &'static str, anchor: Anchor) -> TextStyle {
    TextStyle::new(12.0, colour, anchor).bold().rimmed()
}

/// A surface's hinge and arm in the camera frame.
struct Hinge {
    axis: Unit<Vector3<f64>>,
    point: Point3<f64>,
    radius_mm: f64,
    arm: Option<Vector3<f64>>,
}

impl Hinge {
    fn of(surface: &SurfaceRecord) -> Self {
        let hinge = &surface.hinge;
        Self {
            axis: Unit::new_normalize(hinge.axis.into()),
            point: hinge.point_mm.into(),
            radius_mm: hinge.radius_mm.value,
            arm: hinge.arm.map(Into::into),
        }
    }

    fn tag_at(&self, arm: &Vector3<f64>, deflection_deg: f64) -> Point3<f64> {
        let turn = Rotation3::from_axis_angle(&self.axis, rad_from_deg(deflection_deg));
        self.point + turn * arm * self.radius_mm
    }
}

/// The smallest and the largest deflection of all stations.
fn travel(surface: &SurfaceRecord) -> [Measured; 2] {
    surface
        .stations
        .iter()
        .map(|station| station.deflection_deg)
        .fold([Measured::new(0.0, 0.0); 2], |[low, high], at| {
            [
                if at.value < low.value { at } else { low },
                if at.value > high.value { at } else { high },
            ]
        })
}

fn photograph(picture: &GreyImage, levels: Levels) -> Result<image::GrayImage, ReportError> {
    let size = [picture.width_px, picture.height_px];
    let [width, height] = size.map(|length_px| u32::try_from(length_px).unwrap_or(0));
    let span = f64::from(levels.white.saturating_sub(levels.black).max(1));
    let pixels = picture
        .pixels
        .iter()
        .map(|&code| f64::from(code.saturating_sub(levels.black)) / span * 255.0)
        .map(|code| code.min(255.0).round() as u8)
        .collect();
    let whole = image::GrayImage::from_raw(width, height, pixels)
        .filter(|whole| !whole.is_empty())
        .ok_or(ReportError::NoPicture {
            width_px: picture.width_px,
            height_px: picture.height_px,
            pixels: picture.pixels.len(),
        })?;
    if picture.width_px <= LARGEST_WIDTH_PX {
        return Ok(whole);
    }
    let scale = LARGEST_WIDTH_PX as f64 / f64::from(width);
    let height = (f64::from(height) * scale).round().max(1.0) as u32;
    Ok(imageops::thumbnail(&whole, LARGEST_WIDTH_PX as u32, height))
}

fn jpeg(photograph: &image::GrayImage) -> Result<Vec<u8>, ReportError> {
    let mut bytes = Vec::new();
    JpegEncoder::new_with_quality(&mut bytes, JPEG_QUALITY).encode(
        photograph,
        photograph.width(),
        photograph.height(),
        ExtendedColorType::L8,
    )?;
    Ok(bytes)
}
